"""The watch list and planned overlays in words: lines for a terminal, with the cautions of the work."""

from __future__ import annotations

import math
from collections.abc import Hashable, Iterator
from typing import TYPE_CHECKING, Any

import numpy as np

from .errors import printable
from .report import percent_words, wrapped

if TYPE_CHECKING:
    import pandas as pd

    from .attribution import Part
    from .planned import PlannedSection

__all__ = ["PLANNED_CAUTIONS", "WATCH_CAUTIONS", "planned_lines", "watch_lines"]

WATCH_CAUTIONS = (
    "A watch list is no inspection: it says where to look first, not what is wrong. It knows nothing of a road that "
    "the records do not hold, and a road low on it may still fail. Local standards and a licensed engineer decide.",
    "Inspect beside live traffic only inside a protected closure; cut cores wet or with extraction against silica "
    "dust.",
)
PLANNED_CAUTIONS = (
    "These are chances for sections like the planned ones, not designs: a survey of each road, local standards and a "
    "licensed engineer decide. What a measure averts is causal only as far as its prior and randomised sections "
    "teach; what the drivers show is association.",
    "On site: saw dust (cut wet or with extraction), caustic fresh concrete, live traffic beside the lane.",
)
FEW = 4
"""Drivers and measures of one section that are printed."""


def watch_lines(table: pd.DataFrame, *, survey: str, threshold: str, basis: str, top: int = 15) -> list[str]:
    """The first rows of the watch list and what stands out in it.

    Parameters
    ----------
    table : DataFrame
        From `watch.watch_table`.
    survey, threshold : str
        The next survey and the condition that counts as failed, in words.
    basis : str
        What the result rests on.
    top : int
        Rows printed.
    """
    serving = table[table["state"] == "in service"]
    lines = wrapped(
        f"Watch list: {len(serving)} sections in service when the records close, by the chance of reaching "
        f"{threshold} by {survey}. It rests on {basis}."
    )
    lines += ["", *_rows(serving.head(top)), ""]
    expected, now = (float(serving[name].sum()) for name in ("reached_by_next", "reached_already"))
    more = f" The list shows {top} of them; the table holds all." if len(serving) > top else ""
    lines += wrapped(
        f"About {expected:.1f} of the {len(serving)} are expected to have reached it by then, {now:.1f} of them "
        f"already: read below it, or not read since.{more}"
    )
    others = table["state"].value_counts()
    rest = ", ".join(f"{number} {state}" for state, number in others.items() if state != "in service")
    if rest:
        lines += wrapped(f"Not on it, but in the table with their likely cause: {rest}.")
    lines += ["", *_mistakes(table)]
    return [*lines, "", *(line for text in WATCH_CAUTIONS for line in wrapped(text))]


def _rows(shown: pd.DataFrame) -> Iterator[str]:
    yield f"  {'section':<14}{'age':>5}{'read':>6}{'of 100':>9}{'by now':>9}  {'years left (90 %)':<19}likely cause"
    for row in shown.to_dict("records"):
        read = "-" if math.isnan(row["last_index"]) else f"{row['last_index']:.0f}"
        chances = f"{percent_words(row['reached_by_next']):>9}{percent_words(row['reached_already']):>9}"
        cause = _cause(row) + (" *" if row["fits_nothing"] else "")
        yield f"  {printable(row['section'], 13):<14}{row['age']:>5.1f}{read:>6}{chances}  {_left(row):<19}{cause}"


def _left(row: dict[Hashable, Any]) -> str:
    """Years until the threshold; in words where that is passed already, or may be."""
    ends = [f"{row[name]:.0f}" for name in ("remaining_mean", "remaining_lower", "remaining_upper")]
    if ends[2] == "0":
        return "past the threshold"
    return f"{ends[0]} ({'past' if ends[1] == '0' else ends[1]} to {ends[2]})"


def _cause(row: dict[Hashable, Any]) -> str:
    """Wear-out where that is likelier than all early mechanisms, else the likeliest of them."""
    worn = 1.0 - row["early_failure"]
    if worn >= 0.5:
        return f"{percent_words(worn)} % wear-out"
    return f"{percent_words(row['mechanism_chance'])} % {printable(row['likely_mechanism'], 30)}"


def _mistakes(table: pd.DataFrame) -> Iterator[str]:
    odd = table[table["fits_nothing"] != ""]
    if not len(odd):
        yield from wrapped(
            "No section's records fit nothing: none is odder than one in a thousand would be under the model."
        )
        return
    yield from wrapped(
        f"* {len(odd)} sections with records that the model gives less than one chance in a thousand. Check their "
        "dates, readings and names before anything else; until then take their figures for nothing."
    )
    for row in odd.head(10).to_dict("records"):
        yield f"  {printable(row['section'], 20)}: {row['fits_nothing']}"
    if len(odd) > 10:
        yield f"  and {len(odd) - 10} more in the table"


def planned_lines(sections: list[PlannedSection], *, early_age: float, basis: str) -> list[str]:
    """Planned sections in words, the likeliest to fail early first.

    Parameters
    ----------
    sections : list of PlannedSection
    early_age : float
        Years.
    basis : str
        What the result rests on.
    """
    average = _of_100(sections[0].average)
    lines = wrapped(
        f"Planned overlays: chance of failing before age {early_age:g}, of 100 (90 % interval over what is not known). "
        f"The average section: {average}. It rests on {basis}."
    )
    for one in sorted(sections, key=lambda s: -float(s.early_failure.mean())):
        lines += [
            "",
            f"{printable(one.name, 30)}, {one.overlay_type.replace('_', ' on ')}: {_of_100(one.early_failure)}",
        ]
        lines += [f"  {'above or below the average section by':<46}of 100"] * bool(one.parts)
        lines += [_part(part, "+") for part in one.parts[:FEW]]
        lines += [f"  {'a measure would avert':<46}of 100"] * bool(one.helps)
        lines += [_part(part, "") for part in one.helps[:FEW]]
        if one.bonds:
            pairs = ", ".join(f"{bond} {_of_100(draws)}" for bond, draws in one.bonds.items())
            lines += wrapped(f"On this base either bond is possible: {pairs}.", bullet=True)
    return [*lines, "", *(line for text in PLANNED_CAUTIONS for line in wrapped(text))]


def _of_100(draws: np.ndarray, sign: str = "") -> str:
    low, high = (100.0 * float(draws_at) for draws_at in np.quantile(draws, (0.05, 0.95)))
    return f"{100.0 * float(draws.mean()):{sign}.1f} ({low:{sign}.1f} to {high:{sign}.1f})"


def _part(part: Part, sign: str) -> str:
    return f"    {printable(part.name, 40):<44}{_of_100(part.draws, sign)}"
