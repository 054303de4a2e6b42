"""Who read the condition index: names of raters beside the readings.

Readings without a name stand for one more rater where other readings have names; where none has, there are no raters.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

if TYPE_CHECKING:
    import xarray as xr

__all__ = ["NOT_RECORDED", "RATER", "pooled_names", "raters_of"]

RATER = "rater"
"""Column of the surveys, variable of the readings, and dim of the raters' offsets."""
NOT_RECORDED = "not recorded"


def pooled_names(names: NDArray[np.object_]) -> dict[str, NDArray[np.str_]]:
    """The variable `RATER` of readings, from their cells (reading,), "" where empty; nothing where all are empty."""
    named = names != ""
    return {RATER: np.where(named, names, NOT_RECORDED).astype(str)} if named.any() else {}


def raters_of(readings: xr.Dataset) -> tuple[str, ...]:
    """Names of the raters in order; none where the records name none."""
    return tuple(sorted(set(readings[RATER].values.astype(str)))) if RATER in readings else ()
