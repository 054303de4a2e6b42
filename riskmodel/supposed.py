"""Records with something supposed of them: still in service at an age, read no higher than a value there.

Ratios of the likelihood of such records are the chances that the model gives to what was recorded next.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from typing import Any

import numpy as np
from numpy.typing import NDArray

from .cells import CellData, OneSided

__all__ = ["read_below", "serving", "stacked"]

Floats = NDArray[np.float64]


def serving(cells: CellData, age: Floats, *, hard: bool) -> CellData:
    """The same records, and in service at an age (section,) where that is finite, years.

    Parameters
    ----------
    hard : bool
        Whether removal is at the threshold, so that service bounds the age at failure itself.
    """
    at = np.where(np.isfinite(age), age, np.nan)
    if hard:
        return replace(cells, lower=np.fmax(cells.lower, at))
    return replace(cells, in_service=np.fmax(cells.in_service, at))


def read_below(cells: CellData, age: Floats, z: Floats, rater: NDArray[np.int64]) -> CellData:
    """The same records and a reading at or below `z` (section,) at an age (section,) where that is finite.

    `rater` (section,) is the place of whoever reads it among `cells.raters`.
    """
    new, sided = np.flatnonzero(np.isfinite(age)), cells.sided
    added = (new, age[new], z[new], np.full(len(new), -1.0), rater[new])
    known = (sided.section, sided.time, sided.limit, sided.side, sided.rater)
    whole = [np.concatenate(pair) for pair in zip(known, added, strict=True)]
    order = np.lexsort((whole[1], whole[0]))
    return replace(cells, sided=OneSided(*(values[order] for values in whole)))


def stacked(parts: Sequence[CellData]) -> CellData:
    """Several sets of constants of the same number of sections as one, end to end."""
    size = parts[0].sections
    names = ("lower", "upper", "in_service", "removed", "entry", "time", "z", "used", "named", "rater")
    arrays: dict[str, Any] = {name: np.concatenate([getattr(part, name) for part in parts]) for name in names}
    sided = [part.sided for part in parts]
    places = np.concatenate([one.section + n * size for n, one in enumerate(sided)]).astype(int)
    rest = [np.concatenate([getattr(one, name) for one in sided]) for name in ("time", "limit", "side", "rater")]
    return replace(parts[0], sided=OneSided(places, *rest), **arrays)
