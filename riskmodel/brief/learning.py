"""Section 6 of the page: what to measure next, what a trial would be worth, which sign shows first."""

from __future__ import annotations

from collections.abc import Iterator
from functools import partial

import pandas as pd

from ..figures import plot_trial_sizes
from .material import Material, Row, rows_of
from .parts import Cell, Figure, Part, Section, Table, Text, table
from .pictures import Picture
from .rounding import percent, with_error

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
TRIAL, ORDINARY = "trial of ", "ordinary data, "


def learning_section(material: Material) -> Section:
    """The section, from the table of information."""
    measure = material.measures[0] if material.measures else "MEASURE"
    found = material.table("information")
    if found is None:
        return Section("next", HEADING, NOT_ASKED.format(measure=measure), ())
    if str(found["simulation"].iloc[0]) != material.simulation_digest[: len(str(found["simulation"].iloc[0]))]:
        return Section("next", HEADING, OUTDATED.format(measure=measure), ())
    trials = _trials(found)
    unit = str(found[found["quantity"] == "evpi"]["unit"].iloc[0]).removesuffix(" per section")
    parts: list[Part] = [_worth(material, found, unit)]
    if trials:
        parts += [Figure(_picture(trials, unit)), _sizes(trials, unit)]
    parts += _ordinary(found)
    parts.append(
        Text(
            "All of it is simulated from the model and its priors; what the model leaves out is not in it, and a trial "
            "may find it. A trial speaks for roads like those in it.",
            "quiet",
        )
    )
    return Section("next", HEADING, _finding(material, trials, unit), tuple(parts))


def _trials(found: pd.DataFrame) -> list[Row]:
    """One row a trial: measure, sections, years, each quantity and its error."""
    trials: dict[tuple[str, float, float], Row] = {}
    for row in rows_of(found[found["subject"].str.startswith(TRIAL)]):
        key = (str(row["subject"]).removeprefix(TRIAL), float(row["sections_each_arm"]), float(row["years"]))
        trial = trials.setdefault(key, dict(zip(("measure", "sections", "years"), key, strict=True)))
        trial[str(row["quantity"])] = float(row["value"])
        trial[f"{row['quantity']}_error"] = float(row["mcse"])
    return list(trials.values())


def _finding(material: Material, trials: list[Row], unit: str) -> str:
    if not trials:
        return "The value of knowing more is stated below; no trial was asked about."
    best = max(trials, key=lambda trial: float(trial["net_value"]))
    net, error = best["net_value"], best["net_value_error"]
    size = (
        f"{best['sections']:.0f} sections with {material.words(str(best['measure']))} and as many without, surveyed "
        f"for {best['years']:.0f} years"
    )
    if net <= 0:
        return f"No trial that was tried pays for itself; the least loss is with {size}."
    if net <= 2.0 * error:
        return f"No trial that was tried is worth more than its Monte Carlo error can tell from nothing; best: {size}."
    return f"The trial worth most is one of {size}: {with_error(net, error)} {unit} after its cost."


def _worth(material: Material, found: pd.DataFrame, unit: str) -> Table:
    known = found[found["quantity"].isin(["evpi", "evppi"])].sort_values("value", ascending=False, kind="stable")
    rows = [
        [material.words(str(row["subject"])), Cell(with_error(row["value"], row["mcse"]), row["value"])]
        for row in rows_of(known)
    ]
    caption = f"What it would be worth to know exactly, {unit} a section of the programme (Monte Carlo standard error)"
    return table("worth", caption, ["to know", "worth"], rows, sortable=True)


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
