"""Figures of the page: drawn once by `figures`, kept as files, and set into the page in its own colours."""

from __future__ import annotations

import re
from collections.abc import Callable
from dataclasses import dataclass
from html import escape

from matplotlib.axes import Axes

from ..figures import KINDS, rendered

__all__ = ["COLOURS", "Picture", "broken", "themed"]

COLOURS = {
    "#000000": "ink",
    "#ffffff": "paper",
    "#7a7a7a": "grey",
    "#2b5d8a": "blue",
    "#b5651d": "ochre",
    "#5c3a78": "violet",
    "#a03a2c": "brick",
    "#b0b0b0": "rule",
}
"""Colours of `figures` to the names that the style sheet gives a light and a dark value."""
WIDTH = 5.2
"""Inches: on a phone the text keeps its size, on a desk the figure grows a little."""
_HEAD = re.compile(r"^.*?(?=<svg\b)", re.DOTALL)
_METADATA = re.compile(r"<metadata>.*?</metadata>", re.DOTALL)
_NAMESPACE = re.compile(r'\sxmlns(?::\w+)?="[^"]*"')
_OPEN = re.compile(r"<svg\b([^>]*)>")
_FAMILY = re.compile(r"\s*font-family:[^;\"]*;?")
_STYLE = re.compile(r"<style\b.*?</style>", re.DOTALL)


@dataclass(frozen=True)
class Picture:
    """One figure.

    Parameters
    ----------
    name : str
        Stem of its files.
    title : str
        What it finds, as a sentence.
    alt : str
        What is to be seen, for whoever cannot see it.
    panels : tuple of callable
        Each draws on the axes it is given, one below the other.
    height : float
        Inches, all panels together.
    """

    name: str
    title: str
    alt: str
    panels: tuple[Callable[[Axes], Axes], ...]
    height: float = 3.4

    def files(self) -> dict[str, bytes]:
        """Content of its file of each kind, by file name."""
        size = (WIDTH, self.height)
        return {f"{self.name}.{kind}": rendered(*self.panels, kind=kind, size=size) for kind in KINDS}

    def markup(self, svg: bytes) -> str:
        """Its SVG file as part of the page: title and description inside, colours from the style sheet."""
        return themed(svg.decode("utf-8"), self.name, self.title, self.alt)


def themed(svg: str, name: str, title: str, alt: str) -> str:
    """An SVG document as an element of a page.

    Parameters
    ----------
    svg : str
        As matplotlib writes it, text as text.
    name : str
        Put before every id, so that no two figures share one.
    title, alt : str
        Plain texts; escaped here.
    """
    body = _HEAD.sub("", svg)
    # its style rule would hold for the whole page, its fonts are not the reader's
    for part in (_METADATA, _STYLE, _NAMESPACE, _FAMILY):
        body = part.sub("", body)
    body = re.sub(r'\bid="([^"]+)"', rf'id="{name}-\1"', body)
    body = re.sub(r'(url\(#|href="#)', rf"\1{name}-", body)
    for colour, token in COLOURS.items():
        body = re.sub(colour, f"var(--{token})", body, flags=re.IGNORECASE)
    said = f"<title>{escape(title)}</title><desc>{escape(alt)}</desc>"
    label = f'stroke-linejoin="round" role="img" aria-label="{escape(title)} {escape(alt)}"'
    return _OPEN.sub(lambda found: f"<svg{_unsized(found[1])} {label}>{said}", body, count=1)


def _unsized(attributes: str) -> str:
    """Attributes without width and height: the page decides; the view box keeps the shape."""
    return re.sub(r'\s(?:width|height|version)="[^"]*"', "", attributes)


def broken(words: str, longest: int = 24) -> str:
    """Name of a portfolio over several lines, broken where measures meet.

    Examples
    --------
    >>> broken("prompt sawing + internal curing")
    'prompt sawing +\\ninternal curing'
    """
    lines = [""]
    for part in words.split(" + "):
        if lines[-1] and len(lines[-1]) + len(part) + 3 > longest:
            lines.append(part)
        else:
            lines[-1] = f"{lines[-1]} + {part}" if lines[-1] else part
    return " +\n".join(lines)
