"""Section 8 of the page: every prior with status and source, where the result came from, and cautions."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from typing import Any

from ..priorset import Quantity
from ..report import CAUTIONS
from ..rounding import count, places_for, plain
from .material import Material
from .parts import Folded, Listing, Part, Section, Table, Text, table

__all__ = ["sources_section"]

DIGEST = 12
"""Letters of a digest that are shown: enough to tell files apart."""
GROUPS = {
    "type": "Overlay types",
    "mechanism": "Mechanisms",
    "measure": "Measures",
    "indicator": "Indicators of quality",
    "cost": "Costs",
    "driver": "Drivers",
    "group": "Districts, contractors, contracts",
}


def sources_section(material: Material) -> Section:
    """The section."""
    quantities = list(material.priors.quantities())
    judged = sum(quantity.status == "judgement" for quantity in quantities)
    finding = (
        f"Behind the result stand {count(len(quantities), 'stated number')}; {judged} of them are judgement without a "
        "measurement behind it."
    )
    parts: list[Part] = [
        *(Folded(f"{words} ({len(found)})", (_table(words, found),)) for words, found in _grouped(quantities)),
        Folded("Where this result came from", tuple(_provenance(material.provenance))),
        Text("Cautions", "heading"),
        Listing((*CAUTIONS, *_measure_cautions(material))),
    ]
    return Section("sources", "Assumptions, sources, cautions", finding, tuple(parts))


def _grouped(quantities: list[Quantity]) -> Iterator[tuple[str, list[Quantity]]]:
    groups: dict[str, list[Quantity]] = {}
    for quantity in quantities:
        head = quantity.key.split(".")[0]
        groups.setdefault(GROUPS.get(head, "Life, path and records"), []).append(quantity)
    yield from groups.items()


def _table(words: str, quantities: list[Quantity]) -> Table:
    rows = [
        [q.key.replace("_", " "), _stated(q), q.unit, q.status.replace("_", " "), q.source, q.rationale]
        for q in quantities
    ]
    heads = ["quantity", "90 % interval", "unit", "status", "source", "why"]
    name = "priors-" + "".join(letter for letter in words.lower() if letter.isalpha())
    return table(name, f"{words}: priors as stated", heads, rows, texts=range(6))


def _stated(quantity: Quantity) -> str:
    if quantity.interval_90 is None:
        return f"{quantity.distribution.mean:g}, fixed"
    lower, upper = quantity.interval_90
    places = max(places_for(lower, upper), 0)
    return f"{plain(lower, places)} to {plain(upper, places)}"


def _provenance(provenance: Mapping[str, Any]) -> Iterator[Part]:
    rows = [["command", str(provenance.get("command", "")) or "-"], ["seed", str(provenance.get("seed", ""))]]
    rows += [[name, str(version)] for name, version in provenance.get("versions", {}).items()]
    yield table("versions", "Command, seed and versions", ["", ""], rows, texts=(0, 1))
    files = [[name, str(digest)[:DIGEST]] for name, digest in provenance.get("inputs", {}).items()]
    caption = f"Files read, first {DIGEST} digits of their SHA-256"
    yield table("digests", caption, ["file", "digest"], files, texts=(0, 1))
    yield Text("The whole of it is in provenance.json beside this page.", "quiet")


def _measure_cautions(material: Material) -> Iterator[str]:
    for measure in material.priors.measures:
        if measure.name in material.measures and measure.caution:
            yield f"{material.words(measure.name)}: {measure.caution}"
