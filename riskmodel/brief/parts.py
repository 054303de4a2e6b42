"""What a section of the page is made of. Plain texts only: the template escapes every one of them."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from typing import ClassVar

from ..rounding import Known
from .pictures import Picture

__all__ = ["Cell", "Column", "Figure", "Folded", "Listing", "Part", "Section", "Table", "Text", "cell", "table"]


@dataclass(frozen=True)
class Text:
    """A paragraph; `quiet` for what a hurried reader may pass over, `loud` for what none may."""

    words: str
    tone: str = ""
    kind: ClassVar[str] = "text"


@dataclass(frozen=True)
class Listing:
    """A list of sentences."""

    items: tuple[str, ...]
    kind: ClassVar[str] = "listing"


@dataclass(frozen=True)
class Figure:
    """A picture with its title below."""

    picture: Picture
    kind: ClassVar[str] = "figure"


@dataclass(frozen=True)
class Cell:
    """A cell of a table: its text, and what it is sorted by (its text where that is None)."""

    text: str
    by: float | None = None


@dataclass(frozen=True)
class Column:
    """A column of a table; numbers stand at the right."""

    words: str
    number: bool = True


@dataclass(frozen=True)
class Table:
    """A table; the first cell of each row is its name.

    Parameters
    ----------
    name : str
        Unique on the page.
    caption : str
    columns : tuple of Column
    rows : tuple of tuple of Cell
    sortable : bool
        Whether the heads of the columns sort it.
    """

    name: str
    caption: str
    columns: tuple[Column, ...]
    rows: tuple[tuple[Cell, ...], ...]
    sortable: bool = False
    kind: ClassVar[str] = "table"


@dataclass(frozen=True)
class Folded:
    """Parts that are folded away under a line of words."""

    summary: str
    parts: tuple[Part, ...]
    kind: ClassVar[str] = "folded"


Part = Text | Listing | Figure | Table | Folded


@dataclass(frozen=True)
class Section:
    """A section of the page.

    Parameters
    ----------
    name : str
        Its anchor.
    heading : str
    finding : str
        What it says, in one plain sentence.
    parts : tuple of Part
    """

    name: str
    heading: str
    finding: str
    parts: tuple[Part, ...]


def cell(value: object) -> Cell:
    """A cell: a number with or without interval sorts by the number, a text by itself."""
    if isinstance(value, Cell):
        return value
    if isinstance(value, int | float):
        return cell(Known(float(value)))
    return Cell(str(value), value.value if isinstance(value, Known) else None)


def table(
    name: str,
    caption: str,
    columns: Sequence[str],
    rows: Iterable[Sequence[object]],
    *,
    texts: Sequence[int] = (0,),
    sortable: bool = False,
) -> Table:
    """A table from texts and numbers.

    Parameters
    ----------
    texts : sequence of int
        Columns that hold texts.
    """
    heads = tuple(Column(words, place not in texts) for place, words in enumerate(columns))
    cells = tuple(tuple(map(cell, row)) for row in rows)
    return Table(name, caption, heads, cells, sortable)
