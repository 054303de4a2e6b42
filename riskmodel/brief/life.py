"""Section 2 of the page: the life distribution under any combination of measures, at any age asked about.

Everything that the reader can choose is worked out here and rounded here; the page's script only looks
texts and points up.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np

from ..measures import CURRENT_PRACTICE, NO_MEASURES
from ..rounding import Known, plain, spread
from .material import Material

__all__ = ["QUANTITIES", "LifeView", "ages_asked", "life_view"]

QUANTITIES = {
    "early_failure_probability": "fail before age {early_age:g}, of 100",
    "b05_age": "95 in 100 outlive, years",
    "b10_age": "90 in 100 outlive, years",
    "b20_age": "80 in 100 outlive, years",
    "median_age": "half outlive, years",
    "restricted_mean_age": "mean life up to age {horizon:g}, years",
}
"""Rows of the table of numbers, in the words of the page."""
POINTS = 3
"""Decimals of the points of a curve: a thousandth is less than a line is wide."""


@dataclass(frozen=True)
class LifeView:
    """What the section shows.

    Parameters
    ----------
    choices : list of dict
        One a portfolio: `key` (as in the address), `words`, `alive` and `more` (text for each age asked
        about), `cells` (text of each quantity), `gains` (the same, against current practice).
    curves : list of dict
        One a portfolio: `mean`, `low`, `high` at `ages`.
    ages : list of float
        Years.
    rows : list of tuple (str, str)
        Name and words of each quantity.
    start : str
        Key of the portfolio shown first.
    start_age : int
    """

    choices: list[dict[str, Any]]
    curves: list[dict[str, Any]]
    ages: list[float]
    rows: list[tuple[str, str]]
    start: str
    start_age: int

    def choice(self, key: str) -> dict[str, Any]:
        """The choice of a key."""
        return next(choice for choice in self.choices if choice["key"] == key)


def ages_asked(material: Material) -> np.ndarray:
    """Whole years from 0 to the horizon."""
    return np.arange(0, int(material.horizon) + 1)


def life_view(material: Material, first: str) -> LifeView:
    """Curves and texts of every portfolio.

    Parameters
    ----------
    material : Material
    first : str
        Portfolio that the page shows before anyone chooses.
    """
    ages = ages_asked(material)
    switched = {name: key for key, name in material.switches.items()}
    names = [CURRENT_PRACTICE, *(p.name for p in material.options)]
    keys = {name: switched.get(name, name if name != CURRENT_PRACTICE else "") for name in names}
    now = _alive(material, CURRENT_PRACTICE, ages)
    choices, curves = [], []
    for name in names:
        alive = _alive(material, name, ages)
        choices.append({"key": keys[name], "words": material.words(name), **_texts(material, name, alive, now)})
        curves.append(_curve(alive))
    asked = material.simulation["quantity"].values.astype(str)
    stated = [int(q.removeprefix("survival_")) for q in asked if q.removeprefix("survival_").isdigit()]
    return LifeView(choices, curves, ages.tolist(), _rows(material), keys[first], (stated or [25])[0])


def _alive(material: Material, portfolio: str, ages: np.ndarray) -> np.ndarray:
    """Share not yet failed at ages, (sample, age); the grid holds whole and half years to the horizon."""
    curve = material.simulation["survival"].sel(portfolio=portfolio)
    return np.asarray(curve.sel(age=ages.astype(float)).transpose("sample", "age").values, float)


def _curve(alive: np.ndarray) -> dict[str, list[float]]:
    low, high = np.quantile(alive, (0.05, 0.95), axis=0)
    return {
        name: np.round(values, POINTS).tolist()
        for name, values in (("mean", alive.mean(axis=0)), ("low", low), ("high", high))
    }


def _texts(material: Material, name: str, alive: np.ndarray, now: np.ndarray) -> dict[str, Any]:
    reference = name == CURRENT_PRACTICE
    shares = [str(spread(100.0 * alive[:, i])) for i in range(alive.shape[1])]
    more = [] if reference else [_more(100.0 * (alive[:, i] - now[:, i])) for i in range(alive.shape[1])]
    cells = {q: str(_shown(material.quantity(name, q), q)) for q in QUANTITIES}
    gains = {} if reference else {q: _gain(material, name, q) for q in QUANTITIES}
    assured, before = material.assured(name), material.assured(CURRENT_PRACTICE)
    cells["assured_age"] = plain(assured, 1)
    if not reference:
        gains["assured_age"] = _signed(plain(assured - before, 1))
    return {"alive": shares, "more": more, "cells": cells, "gains": gains}


def _shown(value: Known, quantity: str) -> Known:
    """Probabilities as a number of 100."""
    return value.times(100.0) if quantity == "early_failure_probability" else value


def _gain(material: Material, name: str, quantity: str) -> str:
    difference = material.draws(name, quantity) - material.draws(CURRENT_PRACTICE, quantity)
    return _signed(str(_shown(spread(difference), quantity)))


def _more(draws: np.ndarray) -> str:
    return _signed(str(spread(draws)))


def _signed(text: str) -> str:
    """A difference says its sign."""
    return text if text.startswith("\N{MINUS SIGN}") or not text.strip("0.") else f"+{text}"


def _rows(material: Material) -> list[tuple[str, str]]:
    ages = {"early_age": material.early_age, "horizon": material.horizon}
    rows = [(name, words.format(**ages)) for name, words in QUANTITIES.items()]
    return [*rows, ("assured_age", "90 in 100 outlive with 95 % credibility, years")]


def shown_first(material: Material) -> str:
    """Portfolio to show first where nothing says which pays: the single measure that averts most."""
    single = [p.name for p in material.options if len(p.measures) == 1] or [p.name for p in material.options]
    return max(single, key=lambda name: float(material.averted(name).mean()), default=CURRENT_PRACTICE)


def no_measures_words(material: Material) -> str:
    """One sentence on the second reference, empty where the simulation lacks it."""
    if NO_MEASURES not in [p.name for p in material.portfolios]:
        return ""
    early = material.quantity(NO_MEASURES, "early_failure_probability").times(100.0)
    return (
        f"If none of the measures were in use at all, {early} of 100 {material.whole} would fail before age "
        f"{material.early_age:g}."
    )
