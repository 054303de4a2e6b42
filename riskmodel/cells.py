"""Records as constants on the age grid: what each section's likelihood sums over.

The latent age at failure of a section is summed out over cells of an age grid. Everything here is
NumPy and is computed once for each set of records.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property
from typing import TYPE_CHECKING

import numpy as np

from .condition import Condition
from .raters import RATER, raters_of

if TYPE_CHECKING:
    import xarray as xr

    from .records import Records

__all__ = ["AgeGrid", "CellData", "rater_places"]

# Largest (age of a reading / age at failure)^exponent. Beyond it a reading lies twenty sd and more off every path
# of the cell, and sums of squares cancel to numbers without digits, in which a chain once got lost.
LARGEST_POWER = 1e4
OUT = -1e30  # log weight of a cell that a section's records rule out; finite, so gradients stay finite


@dataclass(frozen=True)
class AgeGrid:
    """Age cells: 0 to `first`, then geometric to `last`, then one open cell.

    Parameters
    ----------
    first, last : float
        Years.
    cells : int
        Number of cells, the first and the open one included.
    open_age : float
        Representative age of the open cell, years.
    """

    first: float = 0.25
    last: float = 120.0
    cells: int = 96
    open_age: float = 150.0

    FOREVER = 1e12

    @cached_property
    def edges(self) -> np.ndarray:
        """Cell edges, shape (cells + 1,), years; the last stands for infinity."""
        inner = np.geomspace(self.first, self.last, self.cells - 1)
        return np.concatenate([[0.0], inner, [self.FOREVER]])

    @cached_property
    def ages(self) -> np.ndarray:
        """Representative age of each cell, shape (cells,), years."""
        edges = self.edges
        inner = np.sqrt(edges[1:-2] * edges[2:-1])
        return np.concatenate([[0.5 * self.first], inner, [self.open_age]])


@dataclass(frozen=True)
class OneSided:
    """Readings known only to lie above a limit (at the cap) or below one (far below the threshold).

    Sorted by section and age. A section's readings end with the first one far below: what is read
    later is on a path long over. Stopping at a reading is no selection, but its own chance belongs
    to the likelihood: as a mere "failed by then" it made failures older than they were.

    Parameters
    ----------
    section : ndarray of int (reading,)
    time : ndarray (reading,)
        Age, years.
    limit : ndarray (reading,)
        On the z scale.
    side : ndarray (reading,)
        1: at or above the limit; -1: at or below it.
    rater : ndarray of int (reading,)
        Place among the raters; 0 without any.
    """

    section: np.ndarray
    time: np.ndarray
    limit: np.ndarray
    side: np.ndarray
    rater: np.ndarray

    @classmethod
    def of(cls, records: Records, raters: tuple[str, ...] = ()) -> OneSided:
        """Take the capped readings and each section's first one far below from records."""
        condition, status = records.condition, records.readings["status"].values
        section = np.asarray(records.readings["section_index"].values, int)
        time = np.asarray(records.readings["age"].values, float)
        below = np.flatnonzero(np.isin(status, ("far_below", "at_floor")))
        below = below[np.lexsort((time[below], section[below]))]
        first = below[np.unique(section[below], return_index=True)[1]]
        rows = np.concatenate([np.flatnonzero(status == "capped"), first])
        rows = rows[np.lexsort((time[rows], section[rows]))]
        side = np.where(status[rows] == "capped", 1.0, -1.0)
        low = max(condition.threshold - condition.far_below, condition.lowest)
        limit = condition.to_z(np.where(side > 0, condition.highest, low))
        return cls(section[rows], time[rows], limit, side, rater_places(records.readings, raters)[rows])

    @cached_property
    def in_turn(self) -> list[np.ndarray]:
        """Positions of every section's first one-sided reading, of its second, and so on."""
        turn = np.arange(len(self.section)) - np.searchsorted(self.section, self.section)
        return [np.flatnonzero(turn == k) for k in range(int(turn.max(initial=-1)) + 1)]


@dataclass(frozen=True)
class CellData:
    """Constants of the likelihood.

    Parameters
    ----------
    grid : AgeGrid
    condition : Condition
    lower, upper : ndarray (section,)
        Hard bounds of the age at failure, years (0 and `AgeGrid.FOREVER` where none).
    in_service, removed, entry : ndarray (section,)
        Ages, years; NaN where the section has none (`entry`: 0).
    time, z, used : ndarray (section, reading)
        Ages (years), readings on the z scale and 0/1 marks; padded.
    sided : OneSided
        Readings known only to lie on one side of a limit.
    named : ndarray of bool (section, mechanism + 1)
        Label sets, wear-out last.
    rater : ndarray of int (section, reading)
        Place of each reading's rater in `raters`; 0 where there is none.
    raters : tuple of str
        Empty where the records name none.
    """

    grid: AgeGrid
    condition: Condition
    lower: np.ndarray
    upper: np.ndarray
    in_service: np.ndarray
    removed: np.ndarray
    entry: np.ndarray
    time: np.ndarray
    z: np.ndarray
    used: np.ndarray
    sided: OneSided
    named: np.ndarray
    rater: np.ndarray
    raters: tuple[str, ...]

    @classmethod
    def of(
        cls, records: Records, grid: AgeGrid, *, hard_removal: bool = False, raters: tuple[str, ...] | None = None
    ) -> CellData:
        """Take the constants from records.

        Parameters
        ----------
        records : Records
        grid : AgeGrid
        hard_removal : bool
            True where the removal lag is fixed at zero: being in service, removal and entry then
            bound the age at failure itself.
        raters : tuple of str, optional
            Names that hold all raters of the records; their own by default.
        """
        raters = raters_of(records.readings) if raters is None else raters
        sections = records.sections
        lower = np.asarray(sections["age_lower"].values, float)
        upper = np.minimum(np.asarray(sections["age_upper"].values, float), grid.FOREVER)
        in_service = np.asarray(sections["age_in_service"].values, float)
        removed = np.asarray(sections["age_removed"].values, float)
        if hard_removal:
            lower = np.fmax(lower, in_service)
            upper = np.fmin(upper, removed)
            in_service, removed = np.full_like(in_service, np.nan), np.full_like(removed, np.nan)
        time, z, used, rater = _padded(records, len(lower), raters)
        return cls(
            grid,
            records.condition,
            lower,
            upper,
            in_service,
            removed,
            np.asarray(sections["age_entry"].values, float),
            time,
            z,
            used,
            OneSided.of(records, raters),
            np.asarray(sections["named"].values, bool),
            rater,
            raters,
        )

    @property
    def sections(self) -> int:
        """Number of sections."""
        return len(self.lower)

    @cached_property
    def cuts(self) -> np.ndarray:
        """Cell edges cut at the hard bounds, shape (section, cells + 1), years."""
        return np.clip(self.grid.edges[None, :], self.lower[:, None], self.upper[:, None])

    @cached_property
    def bounded(self) -> bool:
        """Whether any section has a hard bound."""
        return bool((self.lower > 0).any() or (self.upper < self.grid.FOREVER).any())

    @cached_property
    def below(self) -> np.ndarray:
        """Edges below the lower hard bound, bool (section, cells + 1)."""
        return self.grid.edges[None, :] < self.lower[:, None]

    @cached_property
    def above(self) -> np.ndarray:
        """Edges above the upper hard bound, bool (section, cells + 1)."""
        return self.grid.edges[None, :] > self.upper[:, None]

    @cached_property
    def last_used(self) -> np.ndarray:
        """Age of the last used or capped reading, shape (section,), 0 where none."""
        latest = np.max(self.time * self.used, axis=1, initial=0.0)
        capped = self.sided.side > 0
        np.maximum.at(latest, self.sided.section[capped], self.sided.time[capped])
        return latest

    @cached_property
    def mask(self) -> np.ndarray:
        """0 for cells that count and `OUT` for the others, shape (section, cells).

        Cells outside the hard bounds, cells that begin after the removal, and cells younger than
        half the age of the last used reading: a path that failed so early would lie over ten
        standard deviations below that reading, and the powers of age there overflow and cancel.
        """
        edges = self.grid.edges
        overlaps = (edges[None, 1:] > self.lower[:, None]) & (edges[None, :-1] < self.upper[:, None])
        with np.errstate(invalid="ignore"):
            overlaps &= ~(edges[None, :-1] >= self.removed[:, None])
        old_enough = self.grid.ages[None, :] >= 0.5 * self.last_used[:, None]
        both = overlaps & old_enough
        # contradictory records keep their hard cells: the path then says how badly they fit
        both = np.where(both.any(axis=1, keepdims=True), both, overlaps)
        return np.where(both, 0.0, OUT)

    @cached_property
    def span(self) -> np.ndarray:
        """First cell that counts and the cell after the last, int (section, 2): `mask` in two numbers."""
        edges, cells = self.grid.edges, self.grid.cells
        low = np.searchsorted(edges[1:], self.lower, side="right")
        removed = np.where(np.isfinite(self.removed), self.removed, np.inf)
        high = np.searchsorted(edges[:-1], np.minimum(self.upper, removed), side="left")
        old_enough = np.maximum(low, np.searchsorted(self.grid.ages, 0.5 * self.last_used, side="left"))
        low = np.where(old_enough < np.minimum(high, cells), old_enough, low)
        return np.stack([low, np.maximum(high, low)], axis=1)

    def after(self, ages: np.ndarray) -> np.ndarray:
        """Years from each cut edge to `ages` (row,), shape (row, cells + 1), negative where later."""
        return ages[:, None] - np.minimum(self.cuts, self.grid.open_age)

    @cached_property
    def widths(self) -> np.ndarray:
        """Width of the cut cells as the exit terms see them, years, at least 1e-9."""
        return np.maximum(np.diff(np.minimum(self.cuts, self.grid.open_age), axis=1), 1e-9)


def rater_places(readings: xr.Dataset, raters: tuple[str, ...]) -> np.ndarray:
    """Place of each reading's rater among names, int (reading,); 0 where the records name none."""
    if RATER not in readings:
        return np.zeros(readings.sizes["reading"], int)
    place = {name: number for number, name in enumerate(raters)}
    return np.array([place[name] for name in readings[RATER].values.astype(str)], int)


def _padded(
    records: Records, sections: int, raters: tuple[str, ...]
) -> tuple[np.ndarray, np.ndarray, np.ndarray, np.ndarray]:
    """Used readings in rows of equal length: ages, z values, marks, places of their raters."""
    readings = records.readings
    used = readings["status"].values == "used"
    index = np.asarray(readings["section_index"].values, int)[used]
    counts = np.bincount(index, minlength=sections) if sections else np.zeros(0, int)
    width = max(1, int(counts.max(initial=0)))
    place = np.arange(len(index)) - np.repeat(np.cumsum(counts) - counts, counts)
    time, z, mark = np.ones((sections, width)), np.zeros((sections, width)), np.zeros((sections, width))
    rater = np.zeros((sections, width), int)
    # a reading on the opening day would make the power of its age singular
    time[index, place] = np.maximum(np.asarray(readings["age"].values, float)[used], 1e-3)
    z[index, place] = np.asarray(readings["z"].values, float)[used]
    mark[index, place] = 1.0
    rater[index, place] = rater_places(readings, raters)[used]
    return time, z, mark, rater
