"""The readings of every section in order, and how each is used.

A restoration starts another condition path: the readings from it on are set aside, and the
section's own history closes at the survey before it (or at its opening).
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from riskmodel.condition import Condition
from riskmodel.tables import Table

__all__ = ["STATUSES", "Trace", "build_trace"]

STATUSES = ("used", "capped", "far_below", "at_floor", "after_restoration", "after_suspected_restoration")
Floats = NDArray[np.float64]
Flags = NDArray[np.bool_]


@dataclass(frozen=True)
class Trace:
    """Surveys sorted by section and date.

    Parameters
    ----------
    owner_of_row : array of int, shape (row,)
        Section of each row of the surveys table as in the file; -1 if it has none.
    row, owner : array of int, shape (survey,)
        Row in the file and section of each sorted survey that has both and a date.
    date : array of datetime64[D], shape (survey,)
    index, z : array of float, shape (survey,)
        NaN where the survey holds no index.
    status : array of str, shape (survey,)
        One of `STATUSES`.
    rise : array of bool, shape (survey,)
        Suspected, unrecorded restoration since the reading before.
    before : array of float, shape (survey,)
        Index of that reading, NaN where there is no rise.
    closed : array of bool, shape (section,)
        Sections with a restoration, recorded or (if set aside) suspected.
    closing : array of datetime64[D], shape (section,)
        Day at which the history closes; NaT if it does not.
    crossed : array of bool, shape (section,)
        Sections with a reading at or below the threshold before any restoration.
    """

    owner_of_row: NDArray[np.int64]
    row: NDArray[np.int64]
    owner: NDArray[np.int64]
    date: NDArray[Any]
    index: Floats
    z: Floats
    status: NDArray[Any]
    rise: Flags
    before: Floats
    closed: Flags
    closing: NDArray[Any]
    crossed: Flags

    @property
    def says_failed(self) -> Flags:
        """Surveys that say only "failed by then", shape (survey,)."""
        return np.isin(self.status, ("far_below", "at_floor")) & np.isfinite(self.index)


def build_trace(sections: Table, surveys: Table, condition: Condition) -> Trace:
    """Sort the surveys and say how each reading is used.

    Rows without a known section or date are left out, so that it also serves tables with faults.
    """
    place: dict[str, int] = {}
    for position, name in enumerate(sections["section"]):
        place.setdefault(name, position)
    owner_of_row = np.array([place.get(name, -1) for name in surveys["section"]], dtype=np.int64)
    placed = (owner_of_row >= 0) & ~np.isnat(surveys["surveyed"])
    order = np.lexsort((surveys["surveyed"], owner_of_row))
    row = order[placed[order]]
    owner, day, index = owner_of_row[row], surveys["surveyed"][row], surveys["index"][row]
    z = condition.to_z(index)
    recorded = _since(surveys["restored"][row] == 1, owner)
    rise, before = _rises(owner, index, z, recorded, condition.rise)
    suspected = _since(rise & (condition.unrecorded == "set_aside"), owner)
    status = _statuses(index, condition)
    # what follows a reading so far down is on a path that is long over, wherever one reading lands
    failed = _since(np.isin(status, ("far_below", "at_floor")), owner)
    status[failed & np.isin(status, ("used", "capped"))] = "far_below"
    status[suspected] = "after_suspected_restoration"
    # where both set a reading aside, the one that came first names it
    status[recorded & ~suspected] = "after_restoration"
    closed, closing = _closings(owner, day, recorded | suspected, sections["opened"])
    crossed = np.zeros(len(sections), dtype=bool)
    crossed[owner[(index <= condition.threshold) & ~recorded & ~suspected]] = True
    return Trace(owner_of_row, row, owner, day, index, z, status, rise, before, closed, closing, crossed)


def _since(flag: Flags, owner: NDArray[np.int64]) -> Flags:
    """Whether `flag` was set at this survey or an earlier one of the section."""
    return pd.Series(flag).groupby(owner).cummax().to_numpy(dtype=bool)


def _rises(owner: NDArray[np.int64], index: Floats, z: Floats, recorded: Flags, limit: float) -> tuple[Flags, Floats]:
    """Rises of more than `limit` (z scale) since the last reading, and the index before them."""
    rise, before = np.zeros(len(z), dtype=bool), np.full(len(z), np.nan)
    kept = np.flatnonzero(np.isfinite(z) & ~recorded)
    same = np.diff(owner[kept]) == 0
    jumps = np.flatnonzero(same & (np.diff(z[kept]) > limit))
    rise[kept[jumps + 1]] = True
    before[kept[jumps + 1]] = index[kept[jumps]]
    return rise, before


def _statuses(index: Floats, condition: Condition) -> NDArray[Any]:
    status = np.full(len(index), "used", dtype=object)
    status[index < condition.threshold - condition.far_below] = "far_below"
    status[index >= condition.highest] = "capped"
    status[index <= condition.lowest] = "at_floor"
    return status


def _closings(
    owner: NDArray[np.int64], day: NDArray[Any], aside: Flags, opened: NDArray[Any]
) -> tuple[Flags, NDArray[Any]]:
    """Sections whose history closes, and the day of the survey before the restoration, or the opening."""
    never = np.datetime64("NaT", "D")
    closed = np.zeros(len(opened), dtype=bool)
    closed[owner[aside]] = True
    closing = np.where(closed, opened, never)
    # sorted by date: of several surveys the last one written stays
    closing[owner[~aside]] = np.where(closed[owner[~aside]], day[~aside], never)
    return closed, closing
