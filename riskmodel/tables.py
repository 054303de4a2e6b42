"""Tables from outside: every cell read as text, then converted by a table of column rules.

CSV (comma, UTF-8, with or without byte-order mark, any line ends) or Parquet. Nothing is guessed
and nothing is dropped: whatever a rule refuses is noted with file, row as an editor counts it,
column, value, rule and remedy, and reading goes on, so that one message can name all of it.
"""

from __future__ import annotations

import csv
import hashlib
import importlib
import io
import math
from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass, field
from datetime import datetime
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from riskmodel.columns import DATE, NUMBER, Column, RefusedError, as_array, blank, nearest, parse
from riskmodel.errors import Faults, printable

__all__ = ["Column", "Table", "empty_table", "mark", "nearest", "read_table"]

_DELIMITERS = {";": "semicolons", "\t": "tabs", "|": "vertical bars"}


@dataclass(frozen=True)
class Table:
    """A table after conversion.

    Parameters
    ----------
    file : str
        File name.
    lines : array of int, shape (row,)
        Line of each row as an editor counts it; the header is line 1.
    values : mapping of str to array, shape (row,)
        By quantity: float (NaN = empty), datetime64[D] (NaT = empty), str ("" = empty) or tuples
        of names. A quantity that the file does not give is all empty.
    given : mapping of str to str
        Quantity to the name of its column in the file.
    units : mapping of str to str
        Quantity to the unit in the file.
    broken : array of bool, shape (row,)
        Rows already refused as a whole; nothing further is said about them.
    refused : mapping of str to array of bool, shape (row,)
        By quantity, cells that a rule refused; their value is the empty one.
    header : tuple of str
        Column names in the file.
    digest : str
        SHA-256 of the file, "" without a file.
    """

    file: str
    lines: NDArray[np.int64]
    values: Mapping[str, NDArray[Any]]
    given: Mapping[str, str] = field(default_factory=dict)
    units: Mapping[str, str] = field(default_factory=dict)
    broken: NDArray[np.bool_] = field(default_factory=lambda: np.zeros(0, bool))
    refused: Mapping[str, NDArray[np.bool_]] = field(default_factory=dict)
    header: tuple[str, ...] = ()
    digest: str = ""

    def __getitem__(self, quantity: str) -> NDArray[Any]:
        return self.values[quantity]

    def __len__(self) -> int:
        return len(self.lines)

    def place(self, row: int, quantity: str) -> tuple[int, str, int, str]:
        """Where a cell was stated: number of the delivery (0: the first tables), file, line, column."""
        return 0, self.file, int(self.lines[row]), self.given.get(quantity, quantity)

    def readable(self, *quantities: str) -> NDArray[np.bool_]:
        """Rows in which no cell of these quantities was refused, shape (row,)."""
        sound = ~self.broken
        for quantity in quantities:
            if quantity in self.refused:
                sound = sound & ~self.refused[quantity]
        return sound


@dataclass(frozen=True)
class _Cells:
    header: list[str]
    rows: list[list[str]]
    lines: list[int]
    broken: set[int]
    digest: str


def read_table(
    path: Path,
    columns: Sequence[Column],
    faults: Faults,
    *,
    mapping: Mapping[str, str] | None = None,
    elsewhere: Mapping[str, str] | None = None,
    shown: str = "",
) -> Table:
    """Read one table and convert it by its column rules.

    Parameters
    ----------
    path : Path
        CSV file, or Parquet when the name ends in `.parquet`.
    columns : sequence of Column
        The rules.
    faults : Faults
        Takes every fault found.
    mapping : mapping of str to str, optional
        Our column name to the file's.
    elsewhere : mapping of str to str, optional
        Names that belong to another table, with a sentence that says so.
    shown : str
        Name of the file in faults; its own by default.

    Returns
    -------
    Table
        With no rows if the file cannot be read at all.
    """
    own = Faults(shown or path.name)
    cells = _read_parquet(path, own) if path.suffix == ".parquet" else _read_csv(path, own)
    if cells is None or not _has_header(cells, columns, mapping or {}, own):
        table = empty_table(columns, file=own.file)
    else:
        places = _match_header(cells.header, columns, mapping or {}, elsewhere or {}, own)
        table = _fill(cells, [column for column in columns if column.name in places], columns, places, own)
    faults.extend(own)
    return table


def _fill(
    cells: _Cells, found: Sequence[Column], columns: Sequence[Column], places: Mapping[str, int], faults: Faults
) -> Table:
    rows = _even_rows(cells, faults)
    by_column = list(zip(*rows, strict=True)) if rows else [()] * len(cells.header)
    values = dict(empty_table(columns, rows=len(rows)).values)
    refused: dict[str, NDArray[np.bool_]] = {}
    table = Table(
        faults.file,
        np.array(cells.lines, dtype=np.int64),
        values,
        {column.result: cells.header[places[column.name]] for column in found},
        {column.result: column.unit for column in found},
        np.array([line in cells.broken for line in cells.lines], dtype=bool),
        refused,
        tuple(cells.header),
        cells.digest,
    )
    for column in found:
        converted = _convert(by_column[places[column.name]], column, table, faults)
        values[column.result], refused[column.result] = converted
    return table


def empty_table(columns: Sequence[Column], *, file: str = "", rows: int = 0) -> Table:
    """Table in which nothing is recorded."""
    values = {column.result: as_array([blank(column)] * rows, column) for column in columns}
    return Table(file, np.arange(2, rows + 2), values, broken=np.zeros(rows, dtype=bool))


def mark(
    faults: Faults,
    table: Table,
    mask: NDArray[np.bool_],
    quantity: str,
    rule: str,
    *,
    got: Iterable[object] | None = None,
    remedy: str = "",
    beside: Callable[[int], tuple[int, str, int, str] | None] | None = None,
) -> None:
    """Note one fault for every row in `mask`.

    Parameters
    ----------
    mask : array of bool, shape (row,)
        Rows at fault.
    got : iterable of shape (row,), optional
        Values shown; the quantity's own by default.
    beside : callable, optional
        Place of the other cell of the rule by row; the fault is noted at the one delivered later.
    """
    rows = np.flatnonzero(mask & ~table.broken)
    if not rows.size:
        return
    shown = list(table[quantity] if got is None else got)
    for row in (int(row) for row in rows):
        place, other = table.place(row, quantity), beside(row) if beside is not None else None
        _, file, line, column = other if other is not None and other[0] > place[0] else place
        faults.add(rule, file=file, row=line, column=column, got=shown[row], remedy=remedy)


# reading the cells as text


def _read_csv(path: Path, faults: Faults) -> _Cells | None:
    raw = _bytes(path, faults)
    if raw is None:
        return None
    broken = _badly_encoded(raw, faults)
    text = raw.decode("utf-8-sig", errors="replace")
    rows, lines, before = [], [], 0
    reader = csv.reader(io.StringIO(text, newline=""), strict=True)
    try:
        for cells in reader:
            stripped = [cell.strip() for cell in cells]
            if any(stripped):
                rows.append(stripped)
                lines.append(before + 1)
            before = reader.line_num
    except csv.Error as error:
        remedy = "Close the quotation mark, double those inside the cell, or shorten it"
        faults.add(f"the row cannot be split into cells ({error})", row=before + 1, remedy=remedy)
    if not rows:
        faults.add("the file has no line with column names", remedy="Write at least that line")
        return None
    return _Cells(rows[0], rows[1:], lines[1:], broken, hashlib.sha256(raw).hexdigest())


def _bytes(path: Path, faults: Faults) -> bytes | None:
    try:
        # a pipe or a device may never end
        if path.exists() and not path.is_file():
            raise OSError(0, "a folder, pipe or device")
        raw = path.read_bytes()
    except OSError as error:
        rule = f"the file cannot be read ({error.strerror})"
        faults.add(rule, got=path, remedy="Correct the path or the rights")
        return None
    if raw.startswith(b"PK\x03\x04"):
        rule = "a table is a CSV or Parquet file; this is a workbook"
    elif raw.startswith((b"\xff\xfe", b"\xfe\xff")):
        rule = "the text is UTF-8; this file is UTF-16"
    elif not raw.removeprefix(b"\xef\xbb\xbf").strip():
        faults.add("the file is empty", remedy="Write at least the line with the column names")
        return None
    else:
        return raw
    faults.add(rule, remedy="Save the sheet as CSV UTF-8, with commas between the cells")
    return None


def _badly_encoded(raw: bytes, faults: Faults) -> set[int]:
    """Lines that are no UTF-8; a good file costs one decoding."""
    try:
        raw.decode("utf-8")
    except UnicodeDecodeError:
        pass
    else:
        return set()
    bad = set()
    for line, part in enumerate(raw.splitlines(), start=1):
        try:
            part.decode("utf-8")
        except UnicodeDecodeError as error:
            bad.add(line)
            got = (
                f"byte {part[error.start]:#04x} after {part[max(0, error.start - 12) : error.start].decode('latin-1')}"
            )
            faults.add("the text is UTF-8", row=line, got=got, remedy="Save the sheet as CSV UTF-8")
    return bad


def _read_parquet(path: Path, faults: Faults) -> _Cells | None:
    try:
        parquet = importlib.import_module("pyarrow.parquet")
    except ImportError:
        faults.add(
            "a Parquet file needs the package pyarrow, which is not installed",
            remedy="Install it with `pip install 'overlay-riskmodel[parquet]'`, or save the table as CSV",
        )
        return None
    raw = _bytes(path, faults)
    if raw is None:
        return None
    try:
        table = parquet.read_table(io.BytesIO(raw))
    except (OSError, ValueError) as error:
        rule = f"the Parquet file cannot be read ({error})"
        faults.add(rule, remedy="Write the file anew, or save the table as CSV")
        return None
    columns = [[_as_text(value) for value in column.to_pylist()] for column in table.columns]
    rows = [list(row) for row in zip(*columns, strict=True)]
    header = [str(name).strip() for name in table.column_names]
    return _Cells(header, rows, list(range(2, len(rows) + 2)), set(), hashlib.sha256(raw).hexdigest())


def _as_text(value: object) -> str:
    """A typed Parquet value as the cell of a CSV file would state it."""
    if value is None or (isinstance(value, float) and math.isnan(value)):
        return ""
    if isinstance(value, bool):
        return str(int(value))
    if isinstance(value, float):
        return str(int(value)) if value.is_integer() else repr(value)
    if isinstance(value, datetime) and value.time() == datetime.min.time():
        return value.date().isoformat()
    return str(value).strip()


# header and rows


def _has_header(cells: _Cells, columns: Sequence[Column], mapping: Mapping[str, str], faults: Faults) -> bool:
    known = {column.name for column in columns} | set(mapping.values())
    hits = known.intersection(cells.header)
    whole = ",".join(cells.header)
    for delimiter, word in _DELIMITERS.items():
        parts = {part.strip().strip('"') for part in whole.split(delimiter)}
        if len(known & parts) > len(hits):
            remedy = "Save the sheet as CSV with commas between the cells and a point in decimals"
            faults.add(f"cells are separated by commas; this file uses {word}", row=1, got=whole, remedy=remedy)
            return False
    if not hits and any(NUMBER.fullmatch(cell) or DATE.fullmatch(cell) for cell in cells.header):
        remedy = f"Put a first line with names such as {', '.join(column.name for column in columns[:3])}"
        faults.add("the first line holds the column names", row=1, got=whole, remedy=remedy)
        return False
    return True


def _match_header(
    header: Sequence[str],
    columns: Sequence[Column],
    mapping: Mapping[str, str],
    elsewhere: Mapping[str, str],
    faults: Faults,
) -> dict[str, int]:
    """Position of every known column in the file."""
    ours = {theirs: name for name, theirs in mapping.items()}
    known = [column.name for column in columns]
    places: dict[str, int] = {}
    for place, theirs in enumerate(header):
        name, shown = ours.get(theirs, theirs), printable(theirs)
        if not theirs:
            faults.add(f"every column has a name; column {place + 1} has none", row=1, remedy="Name or delete it")
        elif theirs in header[:place]:
            faults.add("a column is named once; this one is there twice", row=1, column=shown, remedy="Delete one")
        elif name not in known:
            faults.add("no such column is known", row=1, column=shown, remedy=_advice(theirs, known, elsewhere))
        elif name in places:
            faults.add(
                f"`{name}` comes from one column; `{header[places[name]]}` gives it already",
                row=1,
                column=shown,
                remedy="Delete one of the two or correct [columns]",
            )
        else:
            places[name] = place
    _whole(places, header, columns, faults)
    return places


def _advice(theirs: str, known: Sequence[str], elsewhere: Mapping[str, str]) -> str:
    if theirs in elsewhere:
        return elsewhere[theirs]
    near = nearest(theirs, known)
    guess = f"Perhaps `{near}` is meant; otherwise map" if near else "Map"
    return f"{guess} it to a known name in [columns], or delete it"


def _whole(places: Mapping[str, int], header: Sequence[str], columns: Sequence[Column], faults: Faults) -> None:
    """Required columns are there, and no quantity is given in two units."""
    for column in columns:
        if column.required and column.name not in places:
            rule = "the column is required and is not in the file"
            faults.add(rule, row=1, column=column.name, remedy="Add it, or map your own column to it in [columns]")
        twins = [other.name for other in columns if other.result == column.result and other.name in places]
        if len(twins) > 1 and column.name == twins[0]:
            shown = " and ".join(header[places[name]] for name in twins)
            rule = f"{column.what or column.result} is given in one unit"
            faults.add(rule, row=1, column=shown, remedy="Keep one of the columns")


def _even_rows(cells: _Cells, faults: Faults) -> list[list[str]]:
    """Rows of the header's length; a ragged one is noted, filled or cut, and marked broken."""
    width = len(cells.header)
    rows = []
    for line, row in zip(cells.lines, cells.rows, strict=True):
        if len(row) != width:
            cells.broken.add(line)
            rule = f"every row has as many cells as the header, {width}"
            remedy = "Add the missing commas, or put a cell that holds a comma in quotation marks"
            faults.add(rule, row=line, got=f"{len(row)} cells", remedy=remedy)
        rows.append((row + [""] * width)[:width])
    return rows


# converting cells


def _convert(
    cells: Sequence[str], column: Column, table: Table, faults: Faults
) -> tuple[NDArray[Any], NDArray[np.bool_]]:
    """Convert a column, each distinct text once; the values and the cells refused."""
    texts = as_array(cells, Column("", "text"))
    codes, distinct = pd.factorize(texts)
    refused: dict[int, RefusedError] = {}
    results = []
    for code, text in enumerate(distinct):
        try:
            results.append(parse(text, column) if text else blank(column))
        except RefusedError as error:
            refused[code] = error
            results.append(blank(column))
    wrong = np.isin(codes, list(refused))
    for row in np.flatnonzero(wrong & ~table.broken):
        why = refused[int(codes[row])]
        name = table.given[column.result]
        faults.add(why.rule, row=int(table.lines[row]), column=name, got=texts[row], remedy=why.remedy)
    if column.filled:
        mark(faults, table, texts == "", column.result, "the cell is empty and may not be", got=texts, remedy="Fill it")
    return as_array(results, column)[codes], wrong
