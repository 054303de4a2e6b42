"""Section 3 of the page: every portfolio ranked, the frontier, and acceptability over what a year is worth."""

from __future__ import annotations

from collections.abc import Iterator
from functools import partial

import pandas as pd

from ..figures import plot_acceptability, plot_frontier, plot_intervals
from ..measures import CURRENT_PRACTICE
from ..rounding import Known, percent, spread
from .answer import NO_COSTS, Recommendation
from .material import Material, rows_of
from .parts import Cell, Figure, Folded, Part, Section, Table, Text, cell, table
from .pictures import Picture, broken

__all__ = ["choice_section"]

ON = "on the frontier"
MOST_ROWS = 9


def choice_section(material: Material, chosen: Recommendation) -> Section:
    """The section.

    Parameters
    ----------
    material : Material
    chosen : Recommendation
    """
    if chosen.ranking is None:
        parts: list[Part] = [Text(NO_COSTS), Figure(_effects(material)), _lives(material)]
        return Section("ranking", "What to choose", _without_costs(material), tuple(parts))
    parts = [_ranking(material, chosen.ranking), *_ledger_of_years(material), *_where(material), *_robust(material)]
    best = chosen.row(chosen.portfolio)
    share = percent(float(best["chance_best"])).removesuffix(" %")
    finding = (
        f"By expected saving {material.words(chosen.portfolio)} comes first of {len(chosen.ranking)}, and is the best "
        f"in {share} of 100 draws of what is not known."
    )
    return Section("ranking", "What to choose", finding, tuple(parts))


# ------------------------------------------------------------------------------------ without costs


def _without_costs(material: Material) -> str:
    names = [p.name for p in material.options]
    if not names:
        return "This study compares nothing with current practice."
    most = max(names, key=lambda name: float(material.averted(name).mean()))
    found = spread(material.averted(most))
    return f"Whatever it costs, {material.words(most)} averts most: {found} early failures of 100 {material.whole}."


def _effects(material: Material) -> Picture:
    ranked = sorted(material.options, key=lambda p: -float(material.averted(p.name).mean()))
    single = [p for p in ranked if len(p.measures) == 1]
    joint = [p for p in ranked if len(p.measures) > 1][: max(MOST_ROWS - len(single), 0)]
    order = [p for p in ranked if p in single[:MOST_ROWS] or p in joint]
    known = [spread(material.averted(p.name)) for p in order]
    rows = [(one.value, one.lower, one.upper) for one in known]
    words = [broken(material.words(p.name)) for p in order]
    said = "; ".join(f"{material.words(p.name)} {one}" for p, one in zip(order, known, strict=True))
    quantity = f"Early failures averted of 100 {material.whole}"
    return Picture(
        "averted",
        "Early failures that each portfolio averts against current practice",
        f"{quantity}, mean and 90 % interval: {said}.",
        (partial(plot_intervals, words=words, sets={"": rows}, quantity=quantity),),
        0.8 + sum(0.2 + 0.15 * (1 + text.count("\n")) for text in words),
    )


def _lives(material: Material) -> Table:
    heads = ["portfolio", "averted of 100", "nine in ten outlive, gain, years", "mean life, gain, years",
             "assured age, years"]  # fmt: skip
    rows = [
        [
            material.words(p.name),
            spread(material.averted(p.name)),
            spread(material.longer(p.name)),
            material.quantity(p.name, "life_gain"),
            Known(material.assured(p.name)),
        ]
        for p in sorted(material.options, key=lambda p: -float(material.averted(p.name).mean()))
    ]
    caption = (
        "Every portfolio against current practice: mean (90 % interval). Assured age: that 90 of 100 outlive with 95 % "
        "credibility in a large programme. A button in a head sorts by that column."
    )
    return table("ranking-table", caption, heads, rows, sortable=True)


# ------------------------------------------------------------------------------------ with costs


def _ranking(material: Material, ranking: pd.DataFrame) -> Table:
    money = str(ranking["money"].iloc[0])
    heads = ["portfolio", "saving", "extra first cost", "averted of 100", "nine in ten outlive, gain, years",
             "assured age, years", "best in 100 draws", "expected regret", "on cost and years"]  # fmt: skip
    names = ("saving", "extra_first_cost", "averted_per_100", "b10_gain")
    rows = [
        [
            material.words(str(row["portfolio"])),
            *(Known.row(row, name) for name in names),
            Known(float(row["assured_age"])),
            Cell(percent(float(row["chance_best"])).removesuffix(" %"), float(row["chance_best"])),
            Known(float(row["expected_regret"])),
            str(row["dominance"]),
        ]
        for row in rows_of(ranking)
    ]
    searched = " The sets come from a search, since the measures have too many to try all." * (
        material.table("search") is not None
    )
    caption = (
        f"Every portfolio against current practice, money in {money}: mean (90 % interval), greatest expected saving "
        "first. Saving counts everything over the analysis period, in present value. The last column is a ledger of "
        f"its own, first cost against years gained; the two are never added.{searched} A button in a head sorts by "
        "that column."
    )
    return table("ranking-table", caption, heads, rows, texts=(0, 8), sortable=True)


def _ledger_of_years(material: Material) -> Iterator[Part]:
    edge, accepted = material.table("frontier"), material.table("acceptability")
    if edge is not None:
        yield Figure(_frontier(material, edge))
    if accepted is not None:
        yield Figure(_acceptability(material, accepted))


def _frontier(material: Material, edge: pd.DataFrame) -> Picture:
    money = str(edge["money"].iloc[0])
    shown = edge.assign(words=[broken(material.words(str(name))) for name in edge["portfolio"]])
    on = edge[edge["status"] == ON]
    steps = [
        f"{material.words(str(row['portfolio']))} ({Known(float(row['extra_first_cost']))} for "
        f"{Known(float(row['years_gained']))} years)"
        for row in rows_of(on)
    ]
    return Picture(
        "frontier",
        f"{len(on)} of {len(edge)} portfolios are matched by nothing cheaper",
        f"Years gained within {edge['horizon'].iloc[0]:g} years against extra first cost in {money}. On the frontier: "
        f"{'; '.join(steps)}.",
        (partial(plot_frontier, frontier=shown, money=money),),
        3.8,
    )


def _acceptability(material: Material, accepted: pd.DataFrame) -> Picture:
    money = str(accepted["money"].iloc[0]).removesuffix(" a section")
    shown = accepted.assign(words=[broken(material.words(str(name)), 34) for name in accepted["portfolio"]])
    best = accepted[accepted["on_frontier"] == "yes"].sort_values("payment_per_section_year")
    first = best.drop_duplicates("portfolio")
    said = "; ".join(
        f"from {Known(float(row['payment_per_section_year']))} {material.words(str(row['portfolio']))}"
        for row in rows_of(first)
    )
    return Picture(
        "acceptability",
        "Which portfolio to buy depends on what a year of a section in good order is worth",
        f"Chance of being the best buy against what a section-year is worth, {money}. "
        f"Greatest expected benefit: {said}.",
        (partial(plot_acceptability, acceptability=shown, money=money),),
        4.0,
    )


def _where(material: Material) -> Iterator[Part]:
    found = material.table("by_type")
    if found is None:
        return
    best = found.sort_values("saving_mean", ascending=False, kind="stable").groupby("type", sort=False).head(1)
    rows = [
        [
            str(row["type"]).replace("_", " on "),
            f"{int(row['sections'])}",
            material.words(str(row["portfolio"]) if row["saving_mean"] > 0 else CURRENT_PRACTICE),
            Known.row(row, "saving"),
        ]
        for row in rows_of(best.sort_values("type"))
    ]
    heads = ["overlay type", "sections", "greatest saving with", "saving a section"]
    yield Folded(
        "Where it pays, by overlay type",
        (table("where", "Best portfolio of each overlay type", heads, rows, texts=(0, 2)),),
    )


def _robust(material: Material) -> Iterator[Part]:
    found = material.table("robustness")
    if found is None:
        return
    rows = [
        [
            str(row["kind"]),
            material.words(str(row["setting"])),
            material.words(str(row["first_place"])),
            cell(Known(float(row["saving"]))) if pd.notna(row["saving"]) else "",
        ]
        for row in rows_of(found)
    ]
    caption = "First place under changed assumptions, and the values at which it changes"
    heads = ["what changes", "to", "first place", "its saving"]
    yield Folded(
        "What was varied, and who comes first then", (table("robustness", caption, heads, rows, texts=(0, 1, 2)),)
    )
