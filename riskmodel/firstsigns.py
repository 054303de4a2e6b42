"""How long ordinary condition data take to confirm a change, and which yearly reading shows it first.

Simulated roads with the measure and without it are opened year after year. Each year the agency compares
a few plain numbers of the two; what such a number says of the sign of the effect is learnt from the
simulations themselves, where the sign is known.
"""

from __future__ import annotations

import warnings
from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
import pandas as pd

from .errors import RiskModelWarning
from .trial import NO_READING, Outcomes

__all__ = ["EVERYTHING", "FirstSigns", "first_signs", "yearly_signs"]

EVERYTHING = "all of these together"
FEWEST = 30
"""Draws of either sign that are needed to learn what a reading says of the sign."""
READING_AGES = (2, 5, 10)
WORST = 0.10


@dataclass(frozen=True)
class FirstSigns:
    """When each yearly reading first settles the sign of an effect.

    Parameters
    ----------
    table : DataFrame
        Columns `reading, confirmed, median_years, mean_years, chance_at_end`: share of the simulated futures
        in which it settles the true sign within the span, the median year over all futures (infinite beyond
        the span), the mean year of those in which it does, and the mean probability of the true sign at the
        end of the span. Soonest first; where none settles it, what says most at the end comes first.
    likely : float
        Probability now that the effect is positive.
    level : float
        Probability at which a sign counts as settled.
    span : int
        Years looked ahead.
    """

    table: pd.DataFrame
    likely: float
    level: float
    span: int

    @property
    def before(self) -> float:
        """Mean probability of the true sign before any reading."""
        return self.likely**2 + (1.0 - self.likely) ** 2


def first_signs(outcomes: Outcomes, per_year: int, event: np.ndarray, *, level: float = 0.95) -> FirstSigns:
    """Simulate the yearly comparisons and find when each settles the sign.

    Parameters
    ----------
    outcomes : Outcomes
        One simulated future for each draw of `event`, sections in pairs, treated before control, seen for as
        many years as are looked ahead.
    per_year : int
        Pairs opened each year.
    event : ndarray of bool (trial,)
        Whether the effect is positive.
    level : float
        Probability at which a sign counts as settled.

    Notes
    -----
    P(positive | reading) is a logistic regression over the simulated futures, year by year. A reading settles
    the sign in the first year in which the probability of the true sign reaches `level`; where the draws have
    it at once, that is year 0.
    """
    span, likely = outcomes.years, float(event.mean())
    signs = yearly_signs(outcomes, per_year)
    first: dict[str, tuple[np.ndarray, float]] = {}
    if min(event.sum(), (~event).sum()) < FEWEST:
        warnings.warn(
            f"the effect has the same sign in all but {min(event.sum(), (~event).sum())} of {len(event)} draws: "
            "there is nothing left for condition data to confirm.",
            RiskModelWarning,
            stacklevel=2,
        )
        first = {name: (np.where(event, 0.0, np.inf), likely**2 + (1.0 - likely) ** 2) for name in (*signs, EVERYTHING)}
    else:
        together = np.stack(list(signs.values()), axis=-1)  # (trial, year, reading)
        first = {name: _first_year(values[..., None], event, level) for name, values in signs.items()}
        first[EVERYTHING] = _first_year(together, event, level)
    table = pd.DataFrame([_row(name, *found) for name, found in first.items()])
    order = ["confirmed", "mean_years", "chance_at_end"]
    table = table.sort_values(order, ascending=[False, True, False], ignore_index=True)
    return FirstSigns(table, likely, level, span)


def _row(name: str, years: np.ndarray, chance: float) -> dict[str, object]:
    seen = np.isfinite(years)
    return {
        "reading": name,
        "confirmed": float(seen.mean()),
        "median_years": float(np.quantile(years, 0.5, method="inverted_cdf")),
        "mean_years": float(years[seen].mean()) if seen.any() else np.inf,
        "chance_at_end": chance,
    }


def _first_year(values: np.ndarray, event: np.ndarray, level: float) -> tuple[np.ndarray, float]:
    """First year in which the true sign is as likely as `level` (trial,), infinite if never; chance at the end."""
    out = np.full(len(event), np.inf)
    likely = event.mean()
    out[np.where(event, likely, 1.0 - likely) >= level] = 0.0
    last = 0.0
    for year in range(values.shape[1], 0, -1):
        chance = _probability(values[:, year - 1], event)
        true = np.where(event, chance, 1.0 - chance)
        last = float(true.mean()) if year == values.shape[1] else last
        out[(true >= level) & (out > 0)] = year
    return out, last


def _probability(columns: np.ndarray, event: np.ndarray, *, prior_sd: float = 3.0, steps: int = 30) -> np.ndarray:
    """P(event | columns) by logistic regression with weak normal priors on standardised columns, (trial,)."""
    known = np.isfinite(columns).all(axis=0) & (columns.std(axis=0) > 0)
    if not known.any():
        return np.full(len(event), event.mean())
    z = columns[:, known]
    x = np.column_stack([np.ones(len(z)), (z - z.mean(axis=0)) / z.std(axis=0)])
    penalty = np.diag([0.0, *[prior_sd**-2] * (x.shape[1] - 1)])
    beta = np.zeros(x.shape[1])
    beta[0] = np.log(event.mean() / (1.0 - event.mean()))
    for _ in range(steps):
        p = 1.0 / (1.0 + np.exp(-np.clip(x @ beta, -30.0, 30.0)))
        curvature = x.T @ (x * (p * (1.0 - p))[:, None]) + penalty
        step = np.linalg.solve(curvature, x.T @ (event - p) - penalty @ beta)
        beta = beta + step
        if np.abs(step).max() < 1e-8:
            break
    return 1.0 / (1.0 + np.exp(-np.clip(x @ beta, -30.0, 30.0)))


# --------------------------------------------------------------------------- what is compared


def yearly_signs(outcomes: Outcomes, per_year: int) -> dict[str, np.ndarray]:
    """What an agency would compare each year, treated less control, each (trial, year).

    Parameters
    ----------
    outcomes : Outcomes
        Sections in pairs; the first `per_year` pairs open in year 0, the next in year 1, and so on.
    per_year : int

    Returns
    -------
    dict of name to ndarray (trial, year)
        Years 1 to the span. NaN where no section is old enough yet.
    """
    index = np.where(outcomes.status == NO_READING, np.nan, outcomes.index)
    last = _carried(index)
    age = np.arange(1.0, outcomes.years + 1)
    threshold = outcomes.condition.threshold
    out_of_service = outcomes.age_removed[:, :, None] <= age
    failed = np.maximum.accumulate((last <= threshold) | out_of_service, axis=2)
    at_risk = ~np.concatenate([np.zeros_like(failed[:, :, :1]), failed[:, :, :-1]], axis=2)
    drop = np.diff(np.concatenate([np.full_like(last[:, :, :1], np.nan), last], axis=2), axis=2)
    opened = (np.arange(index.shape[1]) // 2) // per_year
    names = {f"mean reading at age {a}": a for a in READING_AGES if a <= outcomes.years}
    signs: dict[str, list[np.ndarray]] = {
        name: [] for name in ("failures seen so far", "worst tenth of the readings", "mean fall in a year", *names)
    }
    for year in range(1, outcomes.years + 1):
        seen = age <= (year - opened)[:, None]  # (section, age)
        new = failed & at_risk & seen
        signs["failures seen so far"].append(_by_arm(new, at_risk & seen, _rate))
        now = age == (year - opened)[:, None]
        signs["worst tenth of the readings"].append(_by_arm(last, now, _worst))
        signs["mean fall in a year"].append(_by_arm(drop, now & (age > 1), _mean))
        for name, a in names.items():
            signs[name].append(_by_arm(last, seen & (age == a), _mean))
    return {name: np.stack(columns, axis=1) for name, columns in signs.items()}


def _carried(index: np.ndarray) -> np.ndarray:
    """Last reading so far, (trial, section, year): a road taken out keeps the one before."""
    place = np.where(np.isfinite(index), np.arange(index.shape[2]), 0)
    last = np.take_along_axis(index, np.maximum.accumulate(place, axis=2), axis=2)
    return np.where(np.isfinite(last), last, np.nan)


def _by_arm(
    values: np.ndarray, chosen: np.ndarray, summary: Callable[[np.ndarray, np.ndarray], np.ndarray]
) -> np.ndarray:
    """Summary of the treated less that of the controls, (trial,)."""
    chosen = np.broadcast_to(chosen, values.shape)
    return summary(values[:, 0::2], chosen[:, 0::2]) - summary(values[:, 1::2], chosen[:, 1::2])


def _rate(events: np.ndarray, exposed: np.ndarray) -> np.ndarray:
    """Events a section-year."""
    years = exposed.sum(axis=(1, 2))
    return np.where(years > 0, (events & exposed).sum(axis=(1, 2)) / np.maximum(years, 1), np.nan)


def _mean(values: np.ndarray, chosen: np.ndarray) -> np.ndarray:
    used = chosen & np.isfinite(values)
    count = used.sum(axis=(1, 2))
    total = np.where(used, values, 0.0).sum(axis=(1, 2))
    return np.where(count > 0, total / np.maximum(count, 1), np.nan)


def _worst(values: np.ndarray, chosen: np.ndarray) -> np.ndarray:
    """Mean of the lowest tenth, at least one reading."""
    used = chosen & np.isfinite(values)
    count = used.sum(axis=(1, 2))
    lowest = np.sort(np.where(used, values, np.inf).reshape(len(values), -1), axis=1)
    wanted = np.maximum(np.round(WORST * count).astype(int), 1)
    total = np.cumsum(np.where(np.isfinite(lowest), lowest, 0.0), axis=1)
    return np.where(count > 0, total[np.arange(len(values)), wanted - 1] / wanted, np.nan)
