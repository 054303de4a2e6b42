"""Section 6 of the page: what to measure next, what a trial would be worth, which sign shows first."""

from __future__ import annotations

from collections.abc import Iterator
from functools import partial

import pandas as pd

from ..figures import plot_trial_sizes
from ..rounding import percent, with_error
from .material import Material, Row, rows_of
from .parts import Cell, Figure, Part, Section, Table, Text, table
from .pictures import Picture

__all__ = ["learning_section"]

HEADING = "What to measure next"
NOT_ASKED = (
    "Nothing was asked about trials yet: riskmodel trial-sections STUDY --measure {measure} --grid says what a trial "
    "would be worth, and riskmodel brief STUDY then shows it here."
)
OUTDATED = (
    "What was asked about trials rests on an earlier simulation: ask again with riskmodel trial-sections STUDY "
    "--measure {measure} --grid, and riskmodel brief STUDY then shows it here."
)
SIMULATED = (
    "All of it is simulated from the model and its priors; what the model leaves out is not in it, and a trial may "
    "find it. A trial speaks for roads like those in it."
)
TRIAL, ORDINARY = "trial of ", "ordinary data, "
TRUSTED = 2.0
"""Standard errors from nought at which a value counts."""


def learning_section(material: Material) -> Section:
    """The section, from the tables of information and of trials."""
    measure = material.measures[0] if material.measures else "MEASURE"
    known, asked = material.table("information"), material.table("trials")
    fresh = asked is not None and material.simulation_digest.startswith(str(asked["simulation"].iloc[0]))
    trials = _trials(asked) if asked is not None and fresh else []
    parts: list[Part] = [] if known is None else [_worth(material, known)]
    if trials and asked is not None:
        unit = str(asked[asked["quantity"] == "net_value"]["unit"].iloc[0])
        parts += [Text(_best_trial(material, trials, unit)), Figure(_picture(trials, unit)), _sizes(trials, unit)]
        parts += _ordinary(asked)
    else:
        parts.append(Text((NOT_ASKED if asked is None else OUTDATED).format(measure=measure)))
    if known is not None or trials:
        parts.append(Text(SIMULATED, "quiet"))
    return Section("next", HEADING, _finding(material, known), tuple(parts))


def _finding(material: Material, known: pd.DataFrame | None) -> str:
    if known is None:
        return "What knowing more is worth depends on what failures cost, and this study states no costs."
    rows = rows_of(known)
    whole, money = rows[0], _money(material)
    if not whole["value"] > TRUSTED * whole["mcse"]:
        return "Knowing more would not change the choice: no measurement is worth its cost for this decision."
    said = f"Knowing everything before deciding would be worth {with_error(whole['value'], whole['mcse'])} {money}"
    groups = [row for row in rows[2:] if row["value"] > TRUSTED * row["mcse"]]
    if not groups:
        return f"{said}; no single group of unknowns holds much of it."
    best = max(groups, key=lambda row: float(row["value"]))
    part = percent(min(float(best["part_of_everything"]), 1.0))
    return f"{said}; the part most worth knowing is {material.words(str(best['subject']))} ({part})."


def _trials(found: pd.DataFrame) -> list[Row]:
    """One row a trial: measure, sections, years, each quantity and its error."""
    trials: dict[tuple[str, float, float], Row] = {}
    for row in rows_of(found[found["subject"].str.startswith(TRIAL)]):
        key = (str(row["subject"]).removeprefix(TRIAL), float(row["sections_each_arm"]), float(row["years"]))
        trial = trials.setdefault(key, dict(zip(("measure", "sections", "years"), key, strict=True)))
        trial[str(row["quantity"])] = float(row["value"])
        trial[f"{row['quantity']}_error"] = float(row["mcse"])
    return list(trials.values())


def _best_trial(material: Material, trials: list[Row], unit: str) -> str:
    best = max(trials, key=lambda trial: float(trial["net_value"]))
    net, error = best["net_value"], best["net_value_error"]
    size = (
        f"{best['sections']:.0f} sections with {material.words(str(best['measure']))} and as many without, surveyed "
        f"for {best['years']:.0f} years"
    )
    if net <= 0:
        return f"No trial that was tried pays for itself; the least loss is with {size}."
    if net <= TRUSTED * error:
        return f"No trial that was tried is worth more than its Monte Carlo error can tell from nothing; best: {size}."
    return f"The trial worth most is one of {size}: {with_error(net, error)} {unit} after its cost."


def _money(material: Material) -> str:
    return str(material.tables["ranking"]["money"].iloc[0])


def _worth(material: Material, known: pd.DataFrame) -> Table:
    rows = [
        [
            material.words(str(row["subject"])),
            Cell(with_error(row["value"], row["mcse"]), row["value"]),
            Cell(percent(min(float(row["part_of_everything"]), 1.0)), row["part_of_everything"]),
        ]
        for row in rows_of(known)
    ]
    caption = f"What it would be worth to know exactly, {_money(material)} (Monte Carlo standard error)"
    return table("worth", caption, ["to know", "worth", "part of everything"], rows, sortable=True)


def _picture(trials: list[Row], unit: str) -> Picture:
    best = max(trials, key=lambda trial: float(trial["net_value"]))
    shown = pd.DataFrame(trials).rename(columns={"net_value": "net", "net_value_error": "net_error"})
    return Picture(
        "trials",
        "Net value of a trial by its size and length",
        f"Net value in {unit} against sections in each arm; the largest is "
        f"{with_error(best['net_value'], best['net_value_error'])} with {best['sections']:.0f} sections over "
        f"{best['years']:.0f} years.",
        (partial(plot_trial_sizes, trials=shown, unit=unit),),
    )


def _sizes(trials: list[Row], unit: str) -> Table:
    rows = [
        [
            Cell(f"{trial['sections']:.0f}", trial["sections"]),
            Cell(f"{trial['years']:.0f}", trial["years"]),
            Cell(with_error(trial["gain"], trial["gain_error"]), trial["gain"]),
            trial["cost"],
            Cell(with_error(trial["net_value"], trial["net_value_error"]), trial["net_value"]),
            Cell(percent(trial["changes_the_choice"]), trial["changes_the_choice"]),
            Cell(percent(trial["settles_the_sign"]), trial["settles_the_sign"]),
        ]
        for trial in trials
    ]
    heads = ["sections in each arm", "yearly surveys", "gain of all roads", "cost", "net value", "changes the choice",
             "settles whether it helps"]  # fmt: skip
    caption = f"Trials that were tried, {unit}, all roads built after the trial (Monte Carlo standard error)"
    return table("trials", caption, heads, rows, texts=(), sortable=True)


def _ordinary(found: pd.DataFrame) -> Iterator[Table]:
    """How long ordinary condition data take, where no trial is made."""
    rows = rows_of(found[found["subject"].str.startswith(ORDINARY) & (found["quantity"] == "sure_within_span")])
    if rows:
        cells = [
            [str(row["subject"]).removeprefix(ORDINARY), Cell(percent(float(row["value"])), float(row["value"]))]
            for row in rows
        ]
        caption = f"Without a trial: chance that ordinary condition data settle it within {rows[0]['years']:g} years"
        yield table("ordinary", caption, ["yearly comparison", "settled"], cells, sortable=True)
