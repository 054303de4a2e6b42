"""The condition scale of a study: index, threshold, and the scale on which scatter is constant."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

import numpy as np
from numpy.typing import ArrayLike, NDArray

__all__ = ["PATHS", "Condition"]

PATHS = ("power_z", "power_y", "reverse_s")
UNRECORDED = ("trust", "set_aside")


@dataclass(frozen=True)
class Condition:
    """The condition index and how it is read.

    Parameters
    ----------
    column : str
        Column of the surveys table that holds the index.
    lowest, highest : float
        Ends of its scale, index points; larger is better.
    threshold : float
        Index at which a section counts as failed, index points.
    removal_level : float or None
        Index at which sections are taken out, index points; None if not stated.
    stretch : float
        s >= 0 in z = -ln(1 + s (highest - y)) / s, 1/index points. 0 means z = y - highest.
    path : {"power_z", "power_y", "reverse_s"}
        Shape of the condition path.
    far_below : float
        Of readings more than this below the threshold only the first counts, and only that it lay so
        low, index points: after a failure a road follows no path that one could fit.
    rise_sd : float
        A rise of more than this many standard deviations (of a difference of two readings) without
        a recorded restoration is suspected to be one.
    unrecorded : {"trust", "set_aside"}
        Whether readings from a suspected restoration on are kept.
    reading_sd : float
        Scatter of a reading on the z scale, used only to judge suspected rises.

    Raises
    ------
    ValueError
        Naming every setting out of its range.
    """

    column: str = "pci"
    lowest: float = 0.0
    highest: float = 100.0
    threshold: float = 60.0
    removal_level: float | None = None
    stretch: float = 0.04
    path: Literal["power_z", "power_y", "reverse_s"] = "power_z"
    far_below: float = 20.0
    rise_sd: float = 3.0
    unrecorded: Literal["trust", "set_aside"] = "trust"
    reading_sd: float = 3.0

    def __post_init__(self) -> None:
        found = [*self._numbers(), *self._choices()]
        if found:
            raise ValueError("\n".join(found))

    def _numbers(self) -> list[str]:
        low, high, mark, removal = self.lowest, self.highest, self.threshold, self.removal_level
        ends = f"`lowest` and `highest` are finite; got {low:g} and {high:g}."
        rules = [
            (bool(np.isfinite([low, high]).all()), ends),
            (low < mark < high, f"`threshold` lies between `lowest` {low:g} and `highest` {high:g}; got {mark:g}."),
            (0 <= self.stretch < np.inf, f"`stretch` is zero or positive; got {self.stretch:g}."),
            (self.far_below > 0, f"`far_below` is positive; got {self.far_below:g}."),
            (self.rise_sd > 0, f"`rise_sd` is positive; got {self.rise_sd:g}."),
            (self.reading_sd > 0, f"`reading_sd` is positive; got {self.reading_sd:g}."),
        ]
        if removal is not None:
            above = (
                f"`removal_level` is {removal:g}, above the threshold {mark:g}; a section is taken out at or below "
                "the level that counts as failure. Lower `removal_level` or raise `threshold`."
            )
            rules.append((not removal > mark, above))
            rules.append((removal >= low, f"`removal_level` is not below `lowest` {low:g}; got {removal:g}."))
        return [text for holds, text in rules if not holds]

    def _choices(self) -> list[str]:
        found = []
        if self.path not in PATHS:
            found.append(f"`path` is one of {', '.join(PATHS)}; got {self.path!r}.")
        if self.unrecorded not in UNRECORDED:
            found.append(f"`unrecorded` is one of {', '.join(UNRECORDED)}; got {self.unrecorded!r}.")
        if self.column in ("", "section", "surveyed", "restored", "rater"):
            found.append(f"`column` names the column of the index in the surveys table; got {self.column!r}.")
        return found

    def to_z(self, y: ArrayLike) -> NDArray[np.float64]:
        """z = -ln(1 + s (highest - y)) / s, of the shape of `y` (index points).

        Rater scatter proportional to 1 + s (highest - y) is constant in z.
        """
        below = self.highest - np.asarray(y, dtype=np.float64)
        return 0.0 - (np.log1p(self.stretch * below) / self.stretch if self.stretch else below)

    def from_z(self, z: ArrayLike) -> NDArray[np.float64]:
        """Index (index points) of `z`; undoes `to_z`."""
        z = np.asarray(z, dtype=np.float64)
        return self.highest - np.expm1(-self.stretch * z) / self.stretch if self.stretch else self.highest + z

    @property
    def rise(self) -> float:
        """Rise between two readings, z scale, above which a restoration is suspected."""
        return self.rise_sd * self.reading_sd * float(np.sqrt(2.0))
