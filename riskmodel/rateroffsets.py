"""Raters' offsets at the readings of the compiled sum, and back."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from .cells import CellData

__all__ = ["RaterOffsets"]


@dataclass(frozen=True)
class RaterOffsets:
    """Who took each reading.

    Parameters
    ----------
    used, sided : ndarray of int (reading,)
        Place of the rater of each used and each one-sided reading, in the order of `kernelcall.given_of`.
    count : int
        Raters that have an offset.
    """

    used: np.ndarray
    sided: np.ndarray
    count: int

    @classmethod
    def of(cls, data: CellData, names: Sequence[str]) -> RaterOffsets | None:
        """Readings of `data` by raters called `names`; None where either has no raters."""
        if not (data.raters and names):
            return None
        place = np.array([list(names).index(name) for name in data.raters], int)
        return cls(place[data.rater[np.nonzero(data.used)]], place[data.sided.rater], len(names))

    def at_readings(self, offset: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
        """Offset (rater,) of each used and each one-sided reading."""
        return offset[self.used], offset[self.sided]

    def back(self, bars: Sequence[np.ndarray]) -> np.ndarray:
        """Derivatives to the offsets (rater,) from those at the readings."""
        pairs = zip((self.used, self.sided), bars, strict=True)
        return np.sum([np.bincount(place, bar, minlength=self.count) for place, bar in pairs], axis=0)
