"""Section 6 of the page: what to measure next, and what a trial would be worth."""

from __future__ import annotations

from functools import partial

import pandas as pd

from ..figures import plot_trial_sizes
from .material import Material, rows_of
from .parts import Cell, Figure, Part, Section, Text, table
from .pictures import Picture
from .rounding import Known, percent

__all__ = ["learning_section"]

HEADING = "What to measure next"
NOT_ASKED = (
    "Nothing was asked about trials yet: riskmodel trial-sections STUDY --measure {measure} --grid says what a trial "
    "would be worth, and riskmodel brief STUDY then shows it here."
)


def learning_section(material: Material) -> Section:
    """The section, from the table of information."""
    found = material.table("information")
    if found is None:
        measure = material.measures[0] if material.measures else "MEASURE"
        return Section("next", HEADING, NOT_ASKED.format(measure=measure), ())
    unit = str(found["unit"].iloc[0])
    trials = _trials(found)
    parts: list[Part] = [_worth(material, found, unit)]
    if len(trials):
        parts += [Figure(_picture(trials, unit)), _sizes(trials, unit)]
    parts.append(
        Text(
            "Values are of what is known now. A value near nought means that no finding would change the choice.",
            "quiet",
        )
    )
    return Section("next", HEADING, _finding(trials, unit), tuple(parts))


def _trials(found: pd.DataFrame) -> pd.DataFrame:
    return found[found["kind"] == "trial"]


def _finding(trials: pd.DataFrame, unit: str) -> str:
    if trials.empty:
        return "The value of knowing more is stated below; no trial was asked about."
    best = max(rows_of(trials), key=lambda row: float(row["net"]))
    size = f"{best['sections']:.0f} sections with the measure and as many without, surveyed {best['years']:.0f} years"
    if best["net"] <= 0:
        return f"No trial that was tried pays for itself; the least loss is with {size}."
    return f"The trial worth most is one of {size}: {Known(float(best['net']))} {unit} after its cost."


def _worth(material: Material, found: pd.DataFrame, unit: str) -> Part:
    known = found[found["kind"] != "trial"].sort_values("value", ascending=False)
    rows = [
        [material.words(str(row["name"])), Cell(f"{Known(float(row['value']))} (se {Known(float(row['error']))})",
                                                 float(row["value"]))]
        for row in rows_of(known)
    ]  # fmt: skip
    return table(
        "worth", f"What it would be worth to know, {unit} a section", ["to know", "worth"], rows, sortable=True
    )


def _picture(trials: pd.DataFrame, unit: str) -> Picture:
    best = max(rows_of(trials), key=lambda row: float(row["net"]))
    return Picture(
        "trials",
        "Net value of a trial by its size and length",
        f"Net value in {unit} against sections in each arm; the largest is {Known(float(best['net']))} with "
        f"{best['sections']:.0f} sections over {best['years']:.0f} years.",
        (partial(plot_trial_sizes, trials=trials, unit=unit),),
    )


def _sizes(trials: pd.DataFrame, unit: str) -> Part:
    rows = [
        [f"{row['sections']:.0f}", f"{row['years']:.0f}", Known(float(row["gain"])), Known(float(row["cost"])),
         Known(float(row["net"])), percent(float(row["switch"]))]
        for row in rows_of(trials)
    ]  # fmt: skip
    heads = ["sections in each arm", "yearly surveys", "gain", "cost", "net value", "changes the choice"]
    return table("trials", f"Trials that were tried, {unit}", heads, rows, texts=(), sortable=True)
