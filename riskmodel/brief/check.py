"""Section 5 of the page: the exclusion check in one picture."""

from __future__ import annotations

import math
from functools import partial

from ..exclusion import Exclusion, share_of_shift
from ..figures import plot_lines, plot_with_and_without
from ..rounding import Known, count
from .material import Material
from .parts import Figure, Listing, Section, Table, Text, table
from .pictures import Picture

__all__ = ["check_section"]

ROWS = {
    "b05_age": "95 in 100 outlive, years",
    "b10_age": "90 in 100 outlive, years",
    "b20_age": "80 in 100 outlive, years",
    "median_age": "half outlive, years",
    "restricted_mean_age": "mean life up to the horizon, years",
}


def check_section(material: Material) -> Section:
    """The section."""
    found = material.exclusion
    parts = (Figure(_picture(found)), _table(found), Listing(tuple(_words(found))), Text(_caution(found), "quiet"))
    return Section("exclusion", "Deleting the poor performers", _finding(found), parts)


def _gain(found: Exclusion, name: str) -> Known:
    return Known(*found.quantity(name).gain)


def _finding(found: Exclusion) -> str:
    mean, ten = _gain(found, "restricted_mean_age"), _gain(found, "b10_age")
    life = f"mean life would rise by {mean.middle} years and the age nine in ten reach by {ten.middle}"
    line = next((line for line in found.lines[1:] if line.deleted and math.isfinite(line.shift[0])), None)
    if line is None:
        return f"If every early failure were prevented, {life}."
    way = _moves(Known(*line.shift).middle)
    moved = way.replace("moves", "moves it")
    return f"Deleting poor sections and drawing the line again {moved}; preventing every early failure, {life}."


def _picture(found: Exclusion) -> Picture:
    panels = [partial(plot_with_and_without, exclusion=found)]
    said = "Below: share of sections not yet failed with the early mechanisms and without them. " if found.lines else (
        "Share of sections not yet failed with the early mechanisms and without them. "
    )  # fmt: skip
    gains = "; ".join(f"{words} {_gain(found, name)}" for name, words in ROWS.items())
    if found.lines:
        panels.insert(0, partial(plot_lines, exclusion=found))
        reach = "; ".join(f"{line.words} at {_reached(line.age[0])}" for line in found.lines)
        said = f"Above: readings against age and straight lines through them; they reach the threshold: {reach}. {said}"
    return Picture(
        "exclusion", "A line moves when sections are deleted; life moves when failures are prevented",
        f"{said}Gains: {gains}.", tuple(panels), 3.4 * len(panels),
    )  # fmt: skip


def _reached(age: float) -> str:
    return f"{age:.1f} years" if math.isfinite(age) else "no age"


def _table(found: Exclusion) -> Table:
    rows = []
    for name, words in ROWS.items():
        shift = found.quantity(name)
        rows.append([words, *(Known(*ends) for ends in (shift.with_early, shift.without_early, shift.gain))])
    heads = ["", "with the early mechanisms", "without them", "gain"]
    return table("shifts", "Life of the same roads: mean (90 % interval)", heads, rows)


def _words(found: Exclusion) -> list[str]:
    said = []
    for line in found.lines[1:]:
        if not line.deleted or not math.isfinite(line.shift[0]):
            continue
        moved = Known(*line.shift)
        text = f"{line.words}: {count(line.deleted, 'section')} deleted, the line {_moves(str(moved))}"
        share = share_of_shift(line, found.quantity("restricted_mean_age"))
        if share is not None:
            text += f"; of that mean life really gains {100 * share:.0f} %"
        said.append(f"{text[:1].upper()}{text[1:]}.")
    return said


def _moves(years: str) -> str:
    """A shift in words; one backwards says so, and its interval turns round."""
    if not years.startswith("\N{MINUS SIGN}"):
        return f"moves by {years} years"
    parts = years.replace("\N{MINUS SIGN}", "").rstrip(")").split(" (")
    ends = years.rstrip(")").split(" (")[1].split(" to ") if len(parts) > 1 else []
    turned = [end[1:] if end.startswith("\N{MINUS SIGN}") else f"\N{MINUS SIGN}{end}" for end in reversed(ends)]
    return f"moves back by {parts[0]}{f' ({" to ".join(turned)})' if turned else ''} years"


def _caution(found: Exclusion) -> str:
    if not found.lines:
        return (
            "No line is drawn: the study has no readings. `riskmodel exclusion` sets a stated mixture of lives beside "
            "the line that deletion would draw."
        )
    return (
        "Deleting sections selects on the outcome: what is left cannot say what would have become of the others. "
        "Preventing every early failure is a bound that no requirement reaches."
    )
