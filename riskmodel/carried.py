"""Priors that were learnt on other sections: which sections those were, and that none is counted twice."""

from __future__ import annotations

import hashlib
from collections.abc import Iterator

import numpy as np

from riskmodel.errors import Faults, PriorError
from riskmodel.priorset import PriorSet
from riskmodel.records import Records

__all__ = ["refuse_shared", "section_marks"]

SHOWN = 5


def section_marks(records: Records) -> dict[str, tuple[str, ...]]:
    """Marks by which a section is known again: digests of its id and opening, and of opening and first readings.

    The second finds it under another id. Digests, so that a prior file carries no agency's ids.
    """
    sections, readings = records.sections, records.readings
    names = sections["section"].values.astype(str)
    owner = readings["section_index"].values.astype(int)
    out = {}
    for row, (name, opened) in enumerate(zip(names, sections["opened_year"].values, strict=True)):
        marks = [_digest("id", name, f"{opened:.3f}")]
        own = np.flatnonzero(owner == row)[:2]
        if len(own) == 2:
            told = [f"{readings[key].values[i]:.3f}" for i in own for key in ("age", "z")]
            marks.append(_digest("readings", f"{opened:.3f}", *told))
        out[str(name)] = tuple(marks)
    return out


def _digest(*parts: str) -> str:
    return hashlib.sha256("|".join(parts).encode()).hexdigest()[:20]


def refuse_shared(priors: PriorSet, records: Records | None) -> None:
    """Refuse priors learnt on sections that the records hold.

    Raises
    ------
    PriorError
        With the sections and the reason.
    """
    if not priors.carried or records is None:
        return
    shared = list(_shared(frozenset(priors.carried), records))
    if not shared:
        return
    faults = Faults(next(iter(priors.files), "prior files"))
    more = f" and {len(shared) - SHOWN} more" if len(shared) > SHOWN else ""
    faults.add(
        "these priors are a posterior, and are for other sections than those it was learnt on: later readings of a "
        "section share its one latent life with the earlier ones, which would count twice",
        column="carried.sections",
        got=f"{', '.join(shared[:SHOWN])}{more} in the records of this study as well",
        remedy="Keep the original priors here and take new records in with `riskmodel update`",
    )
    faults.raise_any(PriorError)


def _shared(known: frozenset[str], records: Records) -> Iterator[str]:
    for name, marks in section_marks(records).items():
        if not known.isdisjoint(marks):
            yield name
