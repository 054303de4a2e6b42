"""Section 1 of the page: what to require first, what it buys, how sure that is, what would overturn it."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np
import pandas as pd

from ..advice import threshold_words, worded_money
from ..measures import CURRENT_PRACTICE
from ..rounding import Known, of_draws, spread
from .life import shown_first
from .material import Material, Row, rows_of
from .parts import Listing, Section, Table, Text, table

__all__ = ["Recommendation", "answer_section", "recommend"]

NO_COSTS = (
    "This study states no costs, so nothing is said of money. A [decision] table in its study.toml adds what each "
    "portfolio costs and saves."
)
MOST_REASONS = 6
SETTLED = 0.95
NO_PRICE, NO_EFFECT = "not first even free of charge", "no effect of this kind is enough"
"""Words of the table of robustness for a measure that nothing brings to the first place."""


@dataclass(frozen=True)
class Recommendation:
    """What the page recommends.

    Parameters
    ----------
    portfolio : str
        First place; `current_practice` where nothing is worth requiring.
    first : str
        Single requirement to begin with; the portfolio itself where it is one measure.
    ranking : DataFrame or None
        Rows of the table of ranking that are options; None without costs.
    """

    portfolio: str
    first: str
    ranking: pd.DataFrame | None

    def row(self, portfolio: str) -> Row:
        """Row of a portfolio in the ranking.

        Raises
        ------
        KeyError
            Without costs, or where the ranking does not hold it.
        """
        rows = [] if self.ranking is None else rows_of(self.ranking)
        return {str(row["portfolio"]): row for row in rows}[portfolio]

    @property
    def nothing(self) -> bool:
        """Whether current practice comes first."""
        return self.portfolio == CURRENT_PRACTICE


def recommend(material: Material) -> Recommendation:
    """First place by expected saving where costs are stated, else the single measure that averts most."""
    ranking = material.table("ranking")
    single = [p.name for p in material.options if len(p.measures) == 1 and not p.where]
    if ranking is None:
        best = shown_first(material)
        helps = best != CURRENT_PRACTICE and float(material.averted(best).mean()) > 0
        name = best if helps else CURRENT_PRACTICE
        return Recommendation(name, name, None)
    options = ranking[ranking["kind"] == "option"].set_index("portfolio", drop=False)
    best = str(options["saving_mean"].idxmax())
    held = next((p.measures for p in material.options if p.name == best), ())
    parts = [name for name in single if name in held] or [best]
    parts = [name for name in parts if name in options.index]
    return Recommendation(best, str(options.loc[parts, "saving_mean"].idxmax()), options)


def answer_section(material: Material, chosen: Recommendation) -> Section:
    """The section.

    Parameters
    ----------
    material : Material
    chosen : Recommendation
    """
    if chosen.nothing:
        finding = (
            "No requirement of this study is worth adding to current practice, by what is known now."
            if chosen.ranking is not None
            else "No requirement of this study averts early failures on average, by what is known now."
        )
        said = (Text("How sure"), Listing(tuple(_nothing_sure(chosen))), Text("What would overturn it"),
                Listing(tuple(_overturned(material, chosen))))  # fmt: skip
        return Section(
            "answer", "The answer", finding, tuple(_headed(said if chosen.ranking is not None else said[2:]))
        )
    parts = (_bought(material, chosen), Text("How sure"), Listing(tuple(_sure(material, chosen))),
             Text("What would overturn it"), Listing(tuple(_overturned(material, chosen))))  # fmt: skip
    return Section("answer", "The answer", _finding(material, chosen), tuple(_headed(parts)))


def _headed(parts: tuple[object, ...]) -> Iterator[Text | Listing | Table]:
    """Short texts between the lists are their headings."""
    for part in parts:
        yield Text(part.words, "heading") if isinstance(part, Text) else part  # type: ignore[misc]


def _finding(material: Material, chosen: Recommendation) -> str:
    words, together = material.words(chosen.first), material.words(chosen.portfolio)
    averted, longer = spread(material.averted(chosen.portfolio)), spread(material.longer(chosen.portfolio))
    failures = f"{averted.middle} early failures of 100 {material.whole}"
    years = f"{longer.middle} years to the age nine in ten reach"
    if chosen.portfolio == chosen.first:
        start = f"Require {words} first: it averts {failures} and adds {years}"
    else:
        start = f"Require {together}, beginning with {words}: together they avert {failures} and add {years}"
    if chosen.ranking is None:
        return f"{start}."
    saving = Known.row(chosen.row(chosen.portfolio), "saving")
    return f"{start}; saving in present value {saving.middle} {_money(chosen.ranking)}."


def _money(ranking: pd.DataFrame) -> str:
    return str(ranking["money"].iloc[0])


def _bought(material: Material, chosen: Recommendation) -> Table:
    names = list(dict.fromkeys([chosen.first, chosen.portfolio]))
    heads = ["", *(material.words(name) for name in names)]
    rows: list[list[object]] = [
        ["early failures averted of 100", *(spread(material.averted(name)) for name in names)],
        ["years on the age nine in ten reach", *(spread(material.longer(name)) for name in names)],
        [f"years on mean life up to {material.horizon:g}", *(material.quantity(name, "life_gain") for name in names)],
    ]
    if chosen.ranking is not None:
        money = _money(chosen.ranking)
        for column, words in (("saving", "saving in present value"), ("extra_first_cost", "extra first cost")):
            found = [Known.row(chosen.row(name), column) for name in names]
            rows.append([f"{words}, {money}", *found])
    return table("bought", "What it buys against current practice: mean (90 % interval)", heads, rows)


def _sure(material: Material, chosen: Recommendation) -> Iterator[str]:
    name, words = chosen.first, material.words(chosen.first)
    sure = float((material.averted(name) > 0).mean())
    settled = "" if sure >= SETTLED else " This is not settled: the 90 % interval reaches below nought."
    yield f"{_capital(words)} averts some early failures in {of_draws(sure)} draws of what is not known.{settled}"
    if chosen.ranking is not None:
        best = float(chosen.row(chosen.portfolio)["chance_best"])
        regret = worded_money(float(chosen.row(chosen.portfolio)["expected_regret"]))
        yield (
            f"{_capital(material.words(chosen.portfolio))} comes first in {of_draws(best)} draws; choosing it where "
            f"another is better costs {regret} {_money(chosen.ranking)} on average."
        )
    else:
        yield from _best_single(material, chosen)
    yield _rests_on(material, name)


def _capital(words: str) -> str:
    return words[:1].upper() + words[1:]


def _nothing_sure(chosen: Recommendation) -> Iterator[str]:
    """How sure it is that nothing pays."""
    if chosen.ranking is not None:
        row = chosen.row(chosen.portfolio)
        yield (
            f"Current practice comes first in {of_draws(float(row['chance_best']))} draws; keeping to it where another "
            f"is better costs {worded_money(float(row['expected_regret']))} {_money(chosen.ranking)} on average."
        )


def _best_single(material: Material, chosen: Recommendation) -> Iterator[str]:
    single = [p.name for p in material.options if len(p.measures) == 1]
    if len(single) < 2:
        return
    draws = np.stack([material.averted(name) for name in single])
    share = np.bincount(draws.argmax(axis=0), minlength=len(single)) / draws.shape[1]
    order = np.argsort(-share)
    said = ", ".join(f"{material.words(single[i])} in {of_draws(float(share[i]))}" for i in order)
    yield f"Of the single requirements the one that averts most is {said} draws."


def _rests_on(material: Material, name: str) -> str:
    """What the records taught of the first measure's effects."""
    words = material.words(name)
    if material.prior_only:
        return f"No record was used: the effect of {words} is what the prior files say, nothing else."
    parameters = material.table("parameters")
    if parameters is None:
        return ""
    rows = parameters[parameters["parameter"].str.startswith(f"delta[{name} on ")]
    narrowed = float(max((1.0 - rows["sd"] / rows["prior_sd"]).mean(), 0.0)) if len(rows) else 0.0
    if narrowed < 0.05:
        return (
            f"The effect of {words} rests on the priors: the records taught next to nothing of it, as records of "
            "chosen roads cannot."
        )
    return f"The records narrowed the effect of {words} by {100 * narrowed:.0f} %; the rest is the prior files'."


def _overturned(material: Material, chosen: Recommendation) -> Iterator[str]:
    table = material.table("robustness")
    if table is None:
        yield NO_COSTS
        second = _second(material, chosen)
        if second:
            yield second
        return
    asked = ~table["kind"].isin(["as stated", "switching value", "what it takes", "early age", "horizon"])
    changed = table[asked & (table["same_first"] == "no")]
    yield f"{len(changed)} of {int(asked.sum())} changes tried put another one first (section 3 lists them)."
    for row in rows_of(changed.head(MOST_REASONS)):
        yield f"{_capital(str(row['kind']))}, {_to(material, row)}."
    yield threshold_words(table, material.words)
    for row in rows_of(table[table["kind"] == "switching value"].head(MOST_REASONS)):
        yield f"The first place changes at {_to(material, row)}."
    possible = ~(table["setting"].str.contains(NO_PRICE) & table["setting"].str.contains(NO_EFFECT))
    for row in rows_of(table[(table["kind"] == "what it takes") & possible].head(MOST_REASONS)):
        yield f"To be first alone, {material.words(str(row['setting']))}."


def _to(material: Material, row: Row) -> str:
    """What an assumption is changed to, and who comes first then."""
    return f"{material.words(str(row['setting']))}: {material.words(str(row['first_place']))}"


def _second(material: Material, chosen: Recommendation) -> str:
    single = [p.name for p in material.options if len(p.measures) == 1 and p.name != chosen.first]
    if not single or chosen.nothing:
        return ""
    gaps = {name: material.averted(chosen.first) - material.averted(name) for name in single}
    near = min(gaps, key=lambda name: float(gaps[name].mean()))
    return (
        f"The nearest other requirement is {material.words(near)}: it averts {spread(gaps[near])} of 100 fewer, and "
        f"more in {of_draws(float((gaps[near] < 0).mean()))} draws."
    )
