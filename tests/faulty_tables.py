"""Tables with one fault each, the refusal that each fault must meet, and a second reading of what is accepted.

All tables here are invented.
"""

from __future__ import annotations

import csv
import io
import random
import re
import unicodedata
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from datetime import date
from typing import Any

import numpy as np
import pandas as pd
import xarray as xr

from riskmodel.raters import NOT_RECORDED, RATER, raters_of

REFUSED, HARMLESS, EITHER = "refused", "harmless", "either"
Grid = list[list[str]]


@dataclass(frozen=True)
class Changed:
    """Bytes of a changed file, and a pattern that its refusal must hold ("" where it may be accepted)."""

    content: bytes
    told: str = ""


@dataclass(frozen=True)
class Mutation:
    """A class of changes: what must become of each of them, and the change; None where it does not apply."""

    name: str
    verdict: str
    change: Callable[[random.Random, Layout], Changed | None]


@dataclass(frozen=True)
class Layout:
    """A good table, and which of its columns hold what.

    Parameters
    ----------
    file : str
        Name under which it is read.
    rows : list of list of str
        Header first.
    kinds : mapping of str to str
        Column to "number", "date", "flag", "choice", "text" or "names".
    filled : tuple of str
        Columns without empty cells.
    """

    file: str
    rows: Grid
    kinds: Mapping[str, str]
    filled: tuple[str, ...]

    @property
    def content(self) -> bytes:
        """The good file."""
        return csv_of(self.rows)

    def cell(self, rng: random.Random, *kinds: str, filled: bool = True) -> tuple[int, int] | None:
        """Row and column of a cell of one of some kinds."""
        header = self.rows[0]
        places = [
            (r, c)
            for r in range(1, len(self.rows))
            for c, name in enumerate(header)
            if self.kinds[name] in kinds and (self.rows[r][c] or not filled)
        ]
        return rng.choice(places) if places else None


def csv_of(rows: Sequence[Sequence[str]], **style: Any) -> bytes:
    """Rows as a CSV file."""
    out = io.StringIO()
    csv.writer(out, lineterminator="\n", **style).writerows(rows)
    return out.getvalue().encode()


def with_cell(layout: Layout, row: int, column: int, text: str) -> Changed:
    """The table with one cell replaced; its refusal names file, row and column."""
    rows = [list(cells) for cells in layout.rows]
    rows[row][column] = text
    return Changed(csv_of(rows), place(layout, row, layout.rows[0][column]))


def place(layout: Layout, row: int, column: str) -> str:
    """Pattern of the place of a fault."""
    return rf"{re.escape(layout.file)}, row {row + 1}, `{re.escape(column)}`"


# ------------------------------------------------------------------------------------- faults of a cell

NO_NUMBERS = (
    *("six", "5,5", "1 200", "1,200", "12 in", "0x10", "1_000", "5e5e5", "+-3", "1.2.3", ".", "-", "5%"),
    *("nan", "NaN", "NAN", "inf", "-inf", "Infinity", "1e999", "-1e999", "null", "None", "N/A", "#REF!", "=1+1"),
    *("１２", "\u0661\u0662", "\u221e", "½", "5\u00a0", "\u22125", "1e1000", "9" * 5000, "0b1", "true", "6'"),
)
NO_DATES = (
    *("3/4/2019", "2019-13-01", "2019-02-30", "0000-00-00", "1492-10-12", "9999-12-31", "2019-6-3", "20190603"),
    *("2019-W05-1", "\uff12\uff10\uff11\uff19-06-03", "2019-06-03T00:00:00", "2019-06-03 00:00", "43500", "today"),
    *("10000-01-01", "-2019-06-03", "2019-06", "2019", "NaT", "nan", "2019\u201106\u201103"),
)
NO_FLAGS = ("yes", "no", "true", "TRUE", "1.0", "2", "-1", "01", "x", "nan", "\u2713", "１", "1;0")
NO_CHOICES = ("Bonded", "bondedd", "bonded;unbonded", "asfalt", "0", "nan", "bon ded", "bоnded")  # the last: Cyrillic
UNSEEN = (
    *("\x00", "\x01", "\x07", "\x08", "\x0b", "\x1b[31m", "\x7f", "\x85", "\u00ad", "\u061c", "\u200b", "\u200d"),
    *("\u200e", "\u202e", "\u2028", "\u2029", "\u2066", "\u2069", "\ufeff", "\ufff9", "\U000e0041", "\ue000", "\u00a0"),
    *("\u2003", "\u3000", "\u034f", "\u3164", "\ufe0f", "\u2800", "\n", "\t"),
)
NO_NAMES = ("rust", "debonding;", ";", "debonding;debonding", "Debonding", "debonding,fatigue", "nan", "1")


def _odd(kind: str, texts: Sequence[str]) -> Callable[[random.Random, Layout], Changed | None]:
    def change(rng: random.Random, layout: Layout) -> Changed | None:
        found = layout.cell(rng, kind)
        text = rng.choice(texts)
        # padding is cut off and what an empty cell says is another class
        return None if found is None or text.strip() != text else with_cell(layout, *found, text)

    return change


def _unseen(rng: random.Random, layout: Layout) -> Changed | None:
    found = layout.cell(rng, "text", "choice", "names", "date", "number")
    if found is None:
        return None
    text = layout.rows[found[0]][found[1]]
    at = rng.randint(1, max(len(text) - 1, 1))
    odd = rng.choice(UNSEEN)
    return with_cell(layout, *found, text[:at] + odd + text[at:]) if at < len(text) else None


def _huge(rng: random.Random, layout: Layout) -> Changed | None:
    found = layout.cell(rng, "text", "date", "choice", "number")
    if found is None:
        return None
    longer = rng.choice((300, 5_000, 100_000, 200_000))
    changed = with_cell(layout, *found, rng.choice("xÄ9") * longer)
    told = rf"{re.escape(layout.file)}, row {found[0] + 1}"
    return Changed(changed.content, told)


def _empty(rng: random.Random, layout: Layout) -> Changed | None:
    row, name = rng.randrange(1, len(layout.rows)), rng.choice(layout.filled)
    return with_cell(layout, row, layout.rows[0].index(name), rng.choice(("", " ", "\t")))


def _far_out(rng: random.Random, layout: Layout) -> Changed | None:
    found = layout.cell(rng, "number")
    return None if found is None else with_cell(layout, *found, rng.choice(("-6", "1e9", "-0.001", "123456789")))


def _unknown_section(rng: random.Random, layout: Layout) -> Changed | None:
    if "surveyed" not in layout.rows[0]:
        return None
    row, column = rng.randrange(1, len(layout.rows)), layout.rows[0].index("section")
    return with_cell(layout, row, column, rng.choice(("S99", "s1", "S1.0", "'S1", "=S1", "S1x", "\u0405 1", "0")))


# ------------------------------------------------------------------------------------- faults of rows


def _other_row(rng: random.Random, layout: Layout) -> int:
    return rng.randrange(1, len(layout.rows))


def _ragged(rng: random.Random, layout: Layout) -> Changed:
    rows, row = [list(r) for r in layout.rows], _other_row(rng, layout)
    if rng.random() < 0.5 and any(rows[row][1:-1]):
        rows[row].pop()
    else:
        rows[row].append(rng.choice(("", "x")))
    return Changed(csv_of(rows), rf"{re.escape(layout.file)}, row {row + 1}: every row has as many cells")


def _unclosed(rng: random.Random, layout: Layout) -> Changed:
    lines, row = layout.content.decode().splitlines(), _other_row(rng, layout)
    lines[row] = '"' + lines[row]
    return Changed("\n".join(lines).encode(), rf"{re.escape(layout.file)}, row {row + 1}")


def _stray_quote(rng: random.Random, layout: Layout) -> Changed:
    lines, row = layout.content.decode().splitlines(), _other_row(rng, layout)
    first, rest = lines[row].split(",", 1)
    lines[row] = f'"{first}"x,{rest}'
    return Changed("\n".join(lines).encode(), rf"{re.escape(layout.file)}, row {row + 1}")


def _twice(rng: random.Random, layout: Layout) -> Changed:
    rows, row = list(layout.rows), _other_row(rng, layout)
    rows.append(list(rows[row]))
    return Changed(csv_of(rows), rf"{re.escape(layout.file)}, row {len(rows)}, `\w+`")


# ------------------------------------------------------------------------------------- faults of a header


def _in_header(name: str) -> Callable[[random.Random, Layout], Changed | None]:
    def change(rng: random.Random, layout: Layout) -> Changed | None:
        rows = [list(r) for r in layout.rows]
        header, column = rows[0], rng.randrange(len(rows[0]))
        old = header[column]
        if name == "twice":
            rows = [[*r, r[column]] for r in rows]
            told = f"`{old}`: a column is named once"
        elif name == "none":
            header[column] = ""
            told = "every column has a name"
        elif name == "unknown":
            header[column] = rng.choice((f"{old}x", old.upper(), f"{old}\u200b", f"\x00{old}", "notes", "=1+1"))
            told = "no such column is known"
        else:
            column = header.index(rng.choice([n for n in layout.filled if n in header]))
            told = f"`{header[column]}`: the column is required"
            rows = [[*r[:column], *r[column + 1 :]] for r in rows]
        return Changed(csv_of(rows), rf"{re.escape(layout.file)}, row 1.*{told}")

    return change


# ------------------------------------------------------------------------------------- faults of a file


def _as_file(rng: random.Random, layout: Layout) -> Changed:
    text, told = layout.content.decode(), re.escape(layout.file)
    content = rng.choice(
        (
            text.encode("utf-16"),
            text.encode("utf-16-le"),
            text.encode("utf-32"),
            text.encode() + b"M\xfcn\n",
            text.encode()[: rng.randrange(3)],
            b"PK\x03\x04" + text.encode(),
            b"\x1f\x8b" + text.encode(),
            text.replace(",", ";").encode(),
            text.replace(",", "\t").encode(),
            text.replace(",", "|").encode(),
            "\n".join(text.splitlines()[1:]).encode(),
            b"\xef\xbb\xbf" * 2 + text.encode(),
            bytes(1000),
            b",,,\n,,,\n",
            text.encode() + b"\x00",
        )
    )
    return Changed(content, told)


def scrambled(rng: random.Random, content: bytes, pieces: Sequence[bytes]) -> bytes:
    """The content with some bytes changed, taken out or put in; `pieces` are what hurts such a file most."""
    raw = bytearray(content)
    for _ in range(rng.choice((1, 1, 1, 2, 8))):
        at = rng.randrange(len(raw))
        match rng.randrange(4):
            case 0:
                raw[at] = rng.randrange(256)
            case 1:
                del raw[at : at + rng.choice((1, 1, 5, 60))]
            case 2:
                raw[at:at] = bytes(rng.randrange(256) for _ in range(rng.choice((1, 3))))
            case _:
                raw[at:at] = rng.choice(pieces)
    return bytes(raw)


def _any_bytes(rng: random.Random, layout: Layout) -> Changed:
    pieces = (b'"', b",", b"\n", b"\r", b"\x00", b"\xc3", b"'", b";")
    return Changed(scrambled(rng, layout.content, pieces), re.escape(layout.file))


# ------------------------------------------------------------------------------------- what changes nothing


def _same(rng: random.Random, layout: Layout) -> Changed:
    text, rows = layout.content.decode(), [list(r) for r in layout.rows]
    order = rng.sample(range(len(rows[0])), len(rows[0]))
    head, *body = rows
    return Changed(
        rng.choice(
            (
                "\ufeff" + text,
                text.replace("\n", "\r\n"),
                text.replace("\n", "\r"),
                text.replace("\n", "\r\n", 3),
                text + "\n\n  \n",
                text.rstrip("\n"),
                text.replace("\n", "\n" + "," * (len(head) - 1) + "\n", 2),
                csv_of(rows, quoting=csv.QUOTE_ALL).decode(),
                csv_of([[f" {cell}\t" for cell in r] for r in rows]).decode(),
                csv_of([[r[c] for c in order] for r in rows]).decode(),
                csv_of([head, *rng.sample(body, len(body))]).decode(),
                csv_of([[unicodedata.normalize("NFD", cell) for cell in r] for r in rows]).decode(),
                csv_of([[_written_otherwise(c, layout.kinds[n]) for c, n in zip(r, head, strict=True)] if r is not head
                        else r for r in rows]).decode(),
            )
        ).encode()
    )  # fmt: skip


def _written_otherwise(cell: str, kind: str) -> str:
    """The same number in other digits."""
    if kind != "number" or not cell:
        return cell
    return f"+{cell}e0" if "." in cell else f"00{cell}.{'0' * 400}"


TABLE_MUTATIONS = (
    Mutation("a number that is none", REFUSED, _odd("number", NO_NUMBERS)),
    Mutation("a number far out", REFUSED, _far_out),
    Mutation("a date that is none", REFUSED, _odd("date", NO_DATES)),
    Mutation("a flag that is none", REFUSED, _odd("flag", NO_FLAGS)),
    Mutation("a choice that is none", REFUSED, _odd("choice", NO_CHOICES)),
    Mutation("a name that is none", REFUSED, _odd("names", NO_NAMES)),
    Mutation("an unseen character", REFUSED, _unseen),
    Mutation("a huge cell", REFUSED, _huge),
    Mutation("an empty cell", REFUSED, _empty),
    Mutation("an unknown section", REFUSED, _unknown_section),
    Mutation("a ragged row", REFUSED, _ragged),
    Mutation("a quote not closed", REFUSED, _unclosed),
    Mutation("text after a quote", REFUSED, _stray_quote),
    Mutation("a row twice", REFUSED, _twice),
    *(Mutation(f"a column {name}", REFUSED, _in_header(name)) for name in ("twice", "none", "unknown", "taken away")),
    Mutation("a file of another kind", REFUSED, _as_file),
    Mutation("any bytes", EITHER, _any_bytes),
    Mutation("written otherwise", HARMLESS, _same),
)


# ------------------------------------------------------------------------------------- a second reading


def plain_rows(content: bytes) -> list[dict[str, str]]:
    """Rows of a CSV file, as the standard library splits them."""
    rows = [[cell.strip() for cell in r] for r in csv.reader(io.StringIO(content.decode("utf-8-sig"), newline=""))]
    rows = [row for row in rows if any(row)]
    return [dict(zip(rows[0], row, strict=True)) for row in rows[1:]]


LENGTHS = {"thickness_in": ("thickness", 0.0254), "panel_length_ft": ("panel_length", 0.3048),
           "area_yd2": ("area", 0.83612736), "trucks_per_day": ("trucks_per_day", 1.0),
           "existing_pci": ("existing_pci", 1.0), "wcm": ("wcm", 1.0)}  # fmt: skip


def says_what_the_sections_say(read: xr.Dataset, content: bytes, measures: Sequence[str]) -> None:
    """Every cell of a table of sections, read by other means, is what was read."""
    rows = plain_rows(content)
    assert [unicodedata.normalize("NFC", row["section"]) for row in rows] == list(read["section"].values)
    for column, (name, factor) in LENGTHS.items():
        told = [float(row[column]) * factor if row.get(column) else np.nan for row in rows]
        np.testing.assert_allclose(read[name].values, told, rtol=1e-12)
    for column in ("bond", "base", "district", "contractor"):
        assert [unicodedata.normalize("NFC", row.get(column, "")) for row in rows] == list(read[column].values)
    for measure in measures:
        told = [float(row[measure]) if row.get(measure) else np.nan for row in rows]
        np.testing.assert_array_equal(read["required"].sel(measure=measure).values, told)
    if "opened" in rows[0]:
        told = [np.nan if not row["opened"] else _year(date.fromisoformat(row["opened"])) for row in rows]
        np.testing.assert_allclose(read["opened_year"].values, told, rtol=1e-12)


def _year(day: date) -> float:
    return day.year + (day - date(day.year, 1, 1)).days / (date(day.year + 1, 1, 1) - date(day.year, 1, 1)).days


def says_what_the_surveys_say(read: xr.Dataset, content: bytes, sections: bytes) -> None:
    """Every index of a table of surveys, read by other means, is what was read."""
    opened = {row["section"]: date.fromisoformat(row["opened"]) for row in plain_rows(sections)}
    told = sorted(
        (
            row["section"],
            (date.fromisoformat(row["surveyed"]) - opened[row["section"]]).days / 365.25,
            float(row["pci"]),
        )
        for row in plain_rows(content)
        if row["pci"]
    )
    found = sorted(zip(read["section"].values, read["age"].values, read["index"].values, strict=True))
    assert [one[0] for one in found] == [one[0] for one in told]
    np.testing.assert_allclose([one[1:] for one in found], [one[1:] for one in told], rtol=1e-12)
    named = sorted(unicodedata.normalize("NFC", row["rater"]) for row in plain_rows(content)
                   if row["pci"] and row.get("rater"))  # fmt: skip
    assert sorted(set(named)) == sorted(set(raters_of(read)) - {NOT_RECORDED})


def as_text(sections: xr.Dataset, readings: xr.Dataset | None = None) -> str:
    """All that was read, in an order of its own."""
    parts = [sections.sortby("section").to_dict()]
    if readings is not None:
        names = ("section", "age", "index", "z", "status", RATER)
        table = pd.DataFrame({name: readings[name].values for name in names if name in readings})
        parts.append(table.sort_values(["section", "age"]).to_csv(index=False, float_format="%.12g"))
    return repr(parts)
