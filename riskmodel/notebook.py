"""Results as a notebook shows them: a small table of facts, every text escaped."""

from __future__ import annotations

from collections.abc import Iterable
from html import escape

__all__ = ["facts", "page_of"]


def facts(title: str, rows: Iterable[tuple[object, ...]]) -> str:
    """HTML of a caption and rows of cells; the first cell of a row is its name.

    Parameters
    ----------
    title : str
    rows : iterable of tuple
    """
    lines = [f"<tr><th>{escape(str(name))}</th>{''.join(map(_cell, cells))}</tr>" for name, *cells in rows]
    return f"<table><caption>{escape(title)}</caption>{''.join(lines)}</table>"


def page_of(text: str) -> str:
    """HTML of a page of plain text."""
    return f"<pre>{escape(text)}</pre>"


def _cell(cell: object) -> str:
    return f"<td>{escape(str(cell))}</td>"
