"""From a study's desk to the material of its page: what the stages before it have left."""

from __future__ import annotations

import importlib.util
from pathlib import Path
from typing import TYPE_CHECKING, Any

from .changedesk import told_of
from .exclusion import exclude_where_possible
from .report import census_lines
from .store import digest_of, file_digest, load_table, versions

if TYPE_CHECKING:
    from .brief import Material
    from .desk import Desk

__all__ = ["FIGURES", "PAGE", "gather", "page_digest"]

PAGE = "brief.html"
ASKED = ("tables/trials.csv", "tables/variants.csv")
"""What was asked of the finished results."""
FIGURES = tuple(
    f"figures/{name}.{kind}"
    for name in ("life", "averted", "frontier", "acceptability", "causes", "exclusion", "trials", "moved", "rounds",
                 "fit-service", "fit-threshold", "readings", "trust-predicted", "trust-groups", "trust-readings",
                 "trust-sensitivity", "trust-variants")
    for kind in ("svg", "png")
)  # fmt: skip
"""Every figure that a page can have; which ones it has follows from the study."""


def gather(desk: Desk) -> Material:
    """What the page is made from.

    Parameters
    ----------
    desk : Desk
        With every stage before the page in its place.
    """
    from .brief import Material

    study, records = desk.study, desk.records
    names = set(desk.simulation["portfolio"].values.astype(str))
    return Material(
        title=study.title,
        agency=study.agency,
        simulation=desk.simulation,
        portfolios=tuple(p for p in desk.portfolios if p.name in names),
        priors=desk.priors,
        prior_only=records is None,
        threshold=study.condition.threshold,
        index=study.condition.column,
        tables={name: load_table(file) for name, file in _tables(desk).items()},
        exclusion=exclude_where_possible(records, desk.simulation, seed=study.seed)[0],
        census=() if records is None else census_lines(records),
        gate=desk.entries["calibrate"]["facts"]["gate"],
        provenance=_provenance(desk),
        told=told_of(desk),
        simulation_digest=str(desk.entries["simulate"]["outputs"].get("simulation.nc", "")),
        notes=tuple(
            dict.fromkeys([*desk.notes, *(note for entry in desk.entries.values() for note in entry.get("notes", ()))])
        ),
    )


def _tables(desk: Desk) -> dict[str, Path]:
    """Tables of the results by name, those that the study asked for."""
    names = [name for entry in desk.entries.values() for name in entry.get("outputs", {}) if name.endswith(".csv")]
    files = {Path(name).stem: desk.found(name) for name in names}
    asked = [desk.results / name for name in ASKED]
    return files | {file.stem: file for file in asked if file.is_file()}


def _provenance(desk: Desk) -> dict[str, Any]:
    return {"command": desk.command, "seed": desk.study.seed, "versions": versions(), "inputs": desk.digests}


def page_digest() -> str:
    """Digest of what shapes the page, and whether its chart can move."""
    here = Path(__file__).parent
    files = [
        here / "figures.py",
        here / "trustfigures.py",
        here / "briefdesk.py",
        here / "changewords.py",
        here / "roundfigures.py",
        *(f for f in (here / "brief").rglob("*.*") if f.suffix != ".pyc"),
    ]
    drawing = importlib.util.find_spec("vl_convert") is not None
    return digest_of([{f.relative_to(here).as_posix(): file_digest(f) for f in sorted(files)}, drawing])
