"""Later deliveries of records joined to the first tables, cell by cell.

A later row may bring a new section or survey, fill what was empty, or narrow what is known of a date. What
it repeats is recognised; what contradicts the records is a fault, or a correction where that is asked for.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace
from datetime import date
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from riskmodel.columns import Column
from riskmodel.errors import Faults
from riskmodel.recordrules import ONCE_A_DAY, check_unique
from riskmodel.tables import Table, mark, read_table

__all__ = ["Intake", "Round", "join_sections", "join_surveys", "read_later"]

LATER, EARLIER = ("last_seen", "failed_after"), ("failed_by",)
GROWING = ("verified", "randomised")
Place = tuple[int, str, int, str]


@dataclass(frozen=True)
class Round:
    """One later delivery of records.

    Parameters
    ----------
    name : str
        Its date, numbered where several close on one day.
    until : date
        Day on which the records close once it is taken in.
    sections, surveys : Path or None
    corrects : bool
        Whether its cells replace those that they contradict.
    shown : mapping of str to str
        Names of its files in faults, by "sections" and "surveys"; their own by default.
    """

    name: str
    until: date
    sections: Path | None = None
    surveys: Path | None = None
    corrects: bool = False
    shown: Mapping[str, str] = field(default_factory=dict)


@dataclass(frozen=True)
class Intake:
    """What a delivery brought, counted in rows.

    Parameters
    ----------
    name : str
        Of the round.
    sections_new, sections_told, sections_known : int
        New sections; known ones of which it says more; rows that repeat what is recorded.
    surveys_new, surveys_told, surveys_known : int
        The same of surveys.
    corrected : tuple of str
        Cells that were replaced, in words.
    """

    name: str
    sections_new: int = 0
    sections_told: int = 0
    sections_known: int = 0
    surveys_new: int = 0
    surveys_told: int = 0
    surveys_known: int = 0
    corrected: tuple[str, ...] = ()

    @property
    def news(self) -> int:
        """Rows that say something new."""
        return self.sections_new + self.sections_told + self.surveys_new + self.surveys_told


@dataclass(frozen=True)
class _Joined(Table):
    """A table of several deliveries; every cell knows where it was stated.

    Parameters
    ----------
    parts : tuple of Table
    part, at : mapping of str to array of int, shape (row,)
        By quantity: delivery of a cell, and its row there.
    last : array of int, shape (row, 2)
        The same of the last delivery that names the row: where an empty cell would have been filled.
    """

    parts: tuple[Table, ...] = ()
    part: Mapping[str, NDArray[np.int64]] = field(default_factory=dict)
    at: Mapping[str, NDArray[np.int64]] = field(default_factory=dict)
    last: NDArray[np.int64] = field(default_factory=lambda: np.zeros((0, 2), np.int64))

    def place(self, row: int, quantity: str) -> Place:
        """Where a cell was stated (see `Table.place`)."""
        part, at = int(self.part[quantity][row]), int(self.at[quantity][row])
        if _empty(self.values[quantity][row]) and not self.refused_at(row, quantity):
            part, at = (int(number) for number in self.last[row])
        return (part, *self.parts[part].place(at, quantity)[1:])

    def refused_at(self, row: int, quantity: str) -> bool:
        """Whether a rule refused the cell."""
        return quantity in self.refused and bool(self.refused[quantity][row])


def read_later(
    path: Path,
    columns: Sequence[Column],
    faults: Faults,
    *,
    mapping: Mapping[str, str],
    elsewhere: Mapping[str, str],
    shown: str,
) -> Table:
    """Read a table of a later delivery: of a known section its id is enough."""
    relaxed = [replace(c, required=c.name == "section", filled=c.name == "section") for c in columns]
    return read_table(path, relaxed, faults, mapping=mapping, elsewhere=elsewhere, shown=shown)


def join_sections(
    known: Table, later: Table, columns: Sequence[Column], faults: Faults, *, corrects: bool
) -> tuple[Table, Intake]:
    """Join a later table of sections to what is known; `columns` are the rules of the first table."""
    check_unique(faults, later)
    first = {name: row for row, name in reversed(list(enumerate(later["section"])))}
    own = np.array([first[name] == row for row, name in enumerate(later["section"])], bool)
    join = _Join(known, later, faults, corrects=corrects)
    rows = _rows_by_key(list(known["section"]))
    fresh = np.array([name not in rows for name in later["section"]], bool) & own & (later["section"] != "")
    _whole(later, fresh, columns, faults)
    for row in np.flatnonzero(own):
        join.take(int(row), rows.get(later["section"][row]), ("section",))
    told = dict(zip(("sections_new", "sections_told", "sections_known"), join.counts, strict=True))
    return join.table(), Intake("", **told, corrected=tuple(join.corrected))


def join_surveys(
    known: Table, later: Table, columns: Sequence[Column], faults: Faults, *, corrects: bool
) -> tuple[Table, Intake]:
    """Join a later table of surveys to what is known; `columns` are the rules of the first table."""
    keys = list(zip(later["section"], later["surveyed"].astype(str), strict=True))
    usable = (later["section"] != "") & ~np.isnat(later["surveyed"])
    first = {key: row for row, key in reversed(list(enumerate(keys)))}
    own = np.array([first[key] == row for row, key in enumerate(keys)], bool) | ~usable
    mark(faults, later, ~own, "surveyed", ONCE_A_DAY, remedy="Keep one of the rows")
    _whole(later, np.ones(len(later), bool), columns, faults)
    join = _Join(known, later, faults, corrects=corrects)
    rows = _rows_by_key(list(zip(known["section"], known["surveyed"].astype(str), strict=True)))
    for row in np.flatnonzero(own):
        join.take(int(row), rows.get(keys[row]) if usable[row] else None, ("section", "surveyed"))
    told = dict(zip(("surveys_new", "surveys_told", "surveys_known"), join.counts, strict=True))
    return join.table(), Intake("", **told, corrected=tuple(join.corrected))


def _rows_by_key(keys: Sequence[Any]) -> dict[Any, int]:
    """First row of each key."""
    return {key: row for row, key in reversed(list(enumerate(keys)))}


def _whole(later: Table, rows: NDArray[np.bool_], columns: Sequence[Column], faults: Faults) -> None:
    """Rows that stand alone hold what every row of the first table must hold."""
    for column in columns:
        if column.name == "section" or not rows.any():
            continue
        if column.required and column.result not in later.given:
            remedy = "Add it, or map your own column to it in [columns]"
            rule = "the column is required and is not in the file"
            faults.add(rule, file=later.file, row=1, column=column.name, remedy=remedy)
        elif column.filled:
            empty = rows & later.readable(column.result) & np.array([_empty(v) for v in later[column.result]], bool)
            mark(faults, later, empty, column.result, "the cell is empty and may not be", got=[""] * len(later),
                 remedy="Fill it")  # fmt: skip


class _Join:
    """Collects the rows of a joined table."""

    def __init__(self, known: Table, later: Table, faults: Faults, *, corrects: bool):
        self.known, self.later, self.faults, self.corrects = known, later, faults, corrects
        self.parts = (*(known.parts if isinstance(known, _Joined) else (known,)), later)
        self.number = len(self.parts) - 1
        own = np.arange(len(known))
        zero = np.zeros(len(known), np.int64)
        joined = isinstance(known, _Joined)
        self.values = {q: list(v) for q, v in known.values.items()}
        self.part = {q: list(known.part[q] if joined else zero) for q in known.values}  # type: ignore[attr-defined]
        self.at = {q: list(known.at[q] if joined else own) for q in known.values}  # type: ignore[attr-defined]
        self.last = [tuple(x) for x in (known.last if joined else np.stack([zero, own], axis=1))]  # type: ignore[attr-defined]
        self.refused = {q: list(known.refused.get(q, np.zeros(len(known), bool))) for q in known.values}
        self.broken = list(known.broken)
        self.counts = [0, 0, 0]
        self.corrected: list[str] = []

    def take(self, row: int, known: int | None, key: tuple[str, ...]) -> None:
        """Take one row of the later table, into the row `known` or as a new one."""
        if known is None:
            self._append(row)
            self.counts[0] += 1
            return
        self.last[known] = (self.number, row)
        if self.later.broken[row]:
            return
        told = [self._cell(q, row, known) for q in self.values if q not in key and q in self.later.given]
        self.counts[1 if any(told) else 2] += 1

    def _append(self, row: int) -> None:
        for q in self.values:
            self.values[q].append(self.later[q][row])
            self.part[q].append(self.number)
            self.at[q].append(row)
            self.refused[q].append(bool(self.later.refused[q][row]) if q in self.later.refused else False)
        self.last.append((self.number, row))
        self.broken.append(bool(self.later.broken[row]))

    def _cell(self, quantity: str, row: int, known: int) -> bool:
        """Take one cell of a known row; whether it says something new."""
        new, old = self.later[quantity][row], self.values[quantity][known]
        if bool(self.later.refused[quantity][row]):
            return False
        if _empty(new) or _same(new, old) or (not _empty(old) and _says_less(quantity, new, old)):
            return False
        if _empty(old) or _says_more(quantity, new, old) or self._replaced(quantity, row, known):
            self.values[quantity][known] = new
            self.part[quantity][known], self.at[quantity][known] = self.number, row
            return True
        return False

    def _replaced(self, quantity: str, row: int, known: int) -> bool:
        """Whether a contradicting cell replaces the known one; otherwise it is a fault."""
        _, file, line, column = self.later.place(row, quantity)
        part, at = self.part[quantity][known], self.at[quantity][known]
        _, before, before_line, _ = self.parts[part].place(at, quantity)
        old, new = _shown(self.values[quantity][known]), _shown(self.later[quantity][row])
        if self.corrects:
            section = self.values["section"][known]
            self.corrected.append(f"{section}, `{column}`: {old} ({before}, row {before_line}) to {new}")
            return True
        rule = f"what is recorded stands, and {before}, row {before_line} says {old}"
        remedy = "Correct one of the two; --correct takes the new value and fits anew"
        self.faults.add(rule, file=file, row=line, column=column, got=new, remedy=remedy)
        return False

    def table(self) -> _Joined:
        """All rows."""
        known, later = self.known, self.later
        return _Joined(
            known.file or later.file,
            np.arange(2, len(self.broken) + 2),
            {q: _array(v, known[q].dtype) for q, v in self.values.items()},
            {**later.given, **known.given},
            {**later.units, **known.units},
            np.array(self.broken, bool),
            {q: np.array(v, bool) for q, v in self.refused.items()},
            (*known.header, *(name for name in later.header if name not in known.header)),
            known.digest,
            self.parts,
            {q: np.array(v, np.int64) for q, v in self.part.items()},
            {q: np.array(v, np.int64) for q, v in self.at.items()},
            np.array(self.last, np.int64).reshape(-1, 2),
        )


def _array(values: list[Any], dtype: np.dtype[Any]) -> NDArray[Any]:
    out = np.empty(len(values), dtype)
    for row, value in enumerate(values):  # tuples of names are cells, no further dimension
        out[row] = value
    return out


def _empty(value: Any) -> bool:
    """Whether nothing is recorded."""
    if isinstance(value, str | tuple):
        return not value
    return bool(np.isnat(value)) if isinstance(value, np.datetime64) else bool(np.isnan(value))


def _same(new: Any, old: Any) -> bool:
    if isinstance(new, float | np.floating) and isinstance(old, float | np.floating):
        return bool(np.isclose(new, old, rtol=1e-9, atol=0.0))  # the same number in another unit
    if isinstance(new, tuple):
        return set(new) == set(old)
    return bool(new == old)


def _says_more(quantity: str, new: Any, old: Any) -> bool:
    """Whether a date narrows what is known, or a list names more."""
    if quantity in LATER:
        return bool(new > old)
    if quantity in EARLIER:
        return bool(new < old)
    return quantity in GROWING and set(new) > set(old)


def _says_less(quantity: str, new: Any, old: Any) -> bool:
    """Whether the cell follows from what is known already."""
    return _says_more(quantity, old, new)


def _shown(value: Any) -> str:
    if isinstance(value, tuple):
        return ";".join(value)
    return f"{value:.12g}" if isinstance(value, float | np.floating) else str(value)
