"""Section of the page on the last round of records: what moved, what surprised, what to look at next."""

from __future__ import annotations

from functools import partial

import pandas as pd

from ..changewords import DRIFTING, Told, change_finding, look_next, rare_rows, surprise_lines, way_lines
from ..roundfigures import plot_rounds
from ..rounding import percent, plain
from .material import Material, Row, rows_of
from .parts import Cell, Figure, Listing, Part, Section, Table, Text, table
from .pictures import Picture

__all__ = ["round_section"]

HEADING = "What the last round of records changed"
MOST_ROWS = 12
CAUTION = (
    "This speaks of the programme, not of one road. Look at a flagged section on site, with traffic control, before "
    "anything is done there; local standards and a licensed engineer decide."
)


def round_section(material: Material) -> Section | None:
    """The section; None for a study without rounds."""
    told = material.told
    if told is None:
        return None
    parts: list[Part] = [Listing(tuple(way_lines(told.facts)))]
    if len(told.frozen):
        parts += [_moved(material, told.frozen), Figure(_picture(told))]
    parts += [Text(line) for line in surprise_lines(told.surprises)]
    rare = rare_rows(told.surprises)
    if len(rare):
        parts.append(_rare(rare))
    next_looks = tuple(look_next(told))
    if next_looks:
        parts += [Text("What to look at next", "heading"), Listing(next_looks)]
    return Section("round", HEADING, change_finding(told), (*parts, Text(CAUTION, "quiet")))


def _moved(material: Material, frozen: pd.DataFrame) -> Table:
    rows = []
    for row in rows_of(frozen[frozen["kind"].isin(["life quantity", "gain"])])[:MOST_ROWS]:
        factor = 100.0 if str(row["unit"]) == "1" else 1.0
        before, now = (f"{plain(factor * row[m], 1)} (sd {plain(factor * row[s], 1)})" for m, s in _PAIRS)
        rows.append([_words(material, row), before, now, Cell(_signed(row["moved_in_sd"]), row["moved_in_sd"])])
    noise = float(frozen["noise_in_sd"].max())
    caption = f"On the programme as it was before; a move under {noise:.2f} sd may be noise of the draws"
    return table("moved-by-round", caption, ["", "before", "now", "moved, in its former sd"], rows)


_PAIRS = (("former_mean", "former_sd"), ("mean", "sd"))


def _signed(value: float) -> str:
    return f"{'+' if value > 0 else ''}{plain(value, 2)}"


def _words(material: Material, row: Row) -> str:
    name = str(row["name"])
    if row["kind"] == "gain":
        return f"averted of 100 by {material.words(name)}"
    return material.quantity_words(name)


def _picture(told: Told) -> Picture:
    drift = told.drift
    panels = tuple(
        partial(plot_rounds, drift=drift[drift["quantity"] == quantity], quantity=words)
        for quantity, words in DRIFTING.items()
    )
    early = rows_of(drift[drift["quantity"] == "early_failure_probability"])
    said = "; ".join(f"{row['round']} {plain(100 * row['mean'], 1)}" for row in early)
    return Picture(
        "rounds",
        "Early failures, and what each requirement averts, from round to round",
        f"Mean and 90 % interval after each round. Fail early under current practice, of 100: {said}.",
        panels,
        5.6,
    )


def _rare(rare: pd.DataFrame) -> Table:
    rows = [
        [
            str(row["section"]),
            f"read {row['recorded']:.3g}" if row["what"] == "reading" else "removed",
            Cell(f"{row['age']:.1f}", row["age"]),
            Cell(percent(float(row["tail_area"])), row["tail_area"]),
        ]
        for row in rows_of(rare)[:MOST_ROWS]
    ]
    heads = ["section", "new record", "age, years", "chance of it"]
    return table(
        "surprises", "Sections whose new records were least expected", heads, rows, texts=(0, 1), sortable=True
    )
