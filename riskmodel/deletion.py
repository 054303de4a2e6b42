"""What an analyst deletes before drawing a line through condition against age, and the lines that follow."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from functools import cached_property

import numpy as np
from numpy.typing import NDArray

from .condition import Condition
from .errors import Fault, InputError
from .records import Records
from .straightline import age_at_level, resampled_lines, section_sums, spread
from .streams import stream

__all__ = [
    "RESAMPLES",
    "Deletion",
    "ExclusionError",
    "Line",
    "Sightings",
    "draw_lines",
    "usual_deletions",
    "validate_deletions",
]

RESAMPLES = 2000
IN_USE = ("used", "capped")
FAILED = ("far_below", "at_floor")
SPAN = 1.0  # years of age between the first and the last reading that a line needs
NEEDED = "a line needs readings of two sections and a year of age between the first and the last"
Floats = NDArray[np.float64]
Flags = NDArray[np.bool_]


class ExclusionError(InputError):
    """Faults of what an exclusion check was asked."""


# ----------------------------------------------------------------------------- what lines are drawn through


@dataclass(frozen=True)
class Sightings:
    """Readings before any restoration, and what is known of the fate of each section.

    Parameters
    ----------
    owner : ndarray of int (reading,)
        Section of each reading.
    age, index : ndarray (reading,)
        Years; index points.
    used : ndarray of bool (reading,)
        Whether the lines go through it.
    failed, removed : ndarray (section,)
        Age by which the section is known to have failed, and age at removal for condition, years; infinite
        where neither is known.
    threshold, lowest, highest : float
        Level that counts as failure, and the ends of the scale, index points.
    traps : mapping of str to int
        Counts of what else bends such a line.
    """

    owner: NDArray[np.int64]
    age: Floats
    index: Floats
    used: Flags
    failed: Floats
    removed: Floats
    threshold: float
    lowest: float
    highest: float
    traps: Mapping[str, int]

    @classmethod
    def of_records(cls, records: Records) -> Sightings:
        """What the records show: lines go through the readings that the model uses as they are, or as bounds."""
        status = records.readings["status"].values.astype(str)
        before = np.isin(status, (*IN_USE, *FAILED))
        owner = records.readings["section_index"].values[before].astype(np.int64)
        age, index = (records.readings[name].values[before].astype(float) for name in ("age", "index"))
        sections, condition = records.sections, records.condition
        removed = _or_never(sections["age_removed"].values)
        failed = np.minimum(_or_never(sections["age_upper"].values), removed)
        low = index <= condition.threshold
        np.minimum.at(failed, owner[low], age[low])
        return cls(
            owner,
            age,
            index,
            np.isin(status[before], IN_USE),
            failed,
            removed,
            *_scale(condition),
            {
                "capped": int((status == "capped").sum()),
                "far_below": int(np.isin(status, FAILED).sum()),
                "after_restoration": int((~before).sum()),
                "removed": int(np.isfinite(removed).sum()),
                "entered_late": int((sections["age_entry"].values > 0).sum()),
            },
        )

    @classmethod
    def none(cls) -> Sightings:
        """No section and no reading, on the usual scale."""
        nothing = np.zeros(0)
        return cls(
            np.zeros(0, np.int64), nothing, nothing, np.zeros(0, bool), nothing, nothing, *_scale(Condition()), {}
        )

    @property
    def sections(self) -> int:
        """Number of sections, with readings or without."""
        return len(self.failed)

    @property
    def oldest(self) -> float:
        """Age of the oldest reading that the lines go through, years; 0 without one."""
        return float(self.age[self.used].max(initial=0.0))

    @cached_property
    def seen(self) -> Flags:
        """Sections with a reading that the lines go through, (section,)."""
        return np.bincount(self.owner[self.used], minlength=self.sections) > 0

    def first_below(self, level: float) -> Floats:
        """Age of the first reading below a level, (section,), years; infinite where there is none."""
        first = np.full(self.sections, np.inf)
        low = self.index < level
        np.minimum.at(first, self.owner[low], self.age[low])
        return first


def _scale(condition: Condition) -> tuple[float, float, float]:
    return condition.threshold, condition.lowest, condition.highest


def _or_never(age: Floats) -> Floats:
    return np.where(np.isnan(age), np.inf, age).astype(float)


@dataclass(frozen=True)
class Deletion:
    """Which sections an analyst drops before drawing the line.

    Parameters
    ----------
    below : float or None
        Sections with a reading below this index, index points; None for sections known to have failed.
    by : float
        By this age, years; infinite for any age.
    """

    below: float | None = None
    by: float = np.inf

    @property
    def name(self) -> str:
        """Name in tables."""
        what = "failed" if self.below is None else f"below_{self.below:g}"
        return f"without_{what}" + (f"_by_{self.by:g}" if np.isfinite(self.by) else "")

    @property
    def words(self) -> str:
        """What is wrong with the sections that are dropped, in words."""
        what = "failed" if self.below is None else f"read below {self.below:g}"
        return what + (f" by age {self.by:g}" if np.isfinite(self.by) else "")

    def poor(self, sightings: Sightings) -> Flags:
        """Sections that are dropped, (section,)."""
        age = sightings.failed if self.below is None else sightings.first_below(self.below)
        return (age <= self.by) & np.isfinite(age)


def usual_deletions(threshold: float, early_age: float) -> tuple[Deletion, ...]:
    """What is looked at unless something else is asked: read below the threshold ever or early, failed early."""
    return Deletion(threshold), Deletion(threshold, early_age), Deletion(by=early_age)


# ------------------------------------------------------------------------------------------------- lines


@dataclass(frozen=True)
class Line:
    """One pooled line and the age at which it reaches the threshold.

    Parameters
    ----------
    name : str
        In tables.
    words : str
        The sections that it goes through, in words.
    sections, readings : int
        Their number.
    start, slope : float
        Index at age 0, index points, and its change in a year.
    age : tuple of float
        Projected age and the ends of its 90 % interval, years; infinite where the line never gets there.
    shift : tuple of float
        The same for the difference to the line of all sections; NaN where it cannot be stated.
    never : float
        Share of the resamples whose line never gets there.
    deleted, deleted_late : int
        Sections dropped, and those among them that were not known to have failed by the early age.
    """

    name: str
    words: str
    sections: int
    readings: int
    start: float
    slope: float
    age: tuple[float, float, float]
    shift: tuple[float, float, float]
    never: float
    deleted: int
    deleted_late: int


def validate_deletions(sightings: Sightings, deletions: Sequence[Deletion]) -> list[Fault]:
    """What stands in the way of the lines; nothing if all can be drawn.

    Parameters
    ----------
    sightings : Sightings
    deletions : sequence of Deletion

    Returns
    -------
    list of Fault
    """
    if not sightings.used.any():
        return [Fault("a line needs readings; the records hold none", remedy="Name a table of surveys in study.toml")]
    if not _has_line(sightings, np.ones(sightings.sections, bool)):
        return [Fault(NEEDED, remedy="Add surveys to the records")]
    faults = []
    for deletion in deletions:
        scale = f"a level lies above {sightings.lowest:g} and not above {sightings.highest:g}, the ends of the scale"
        if deletion.below is not None and not sightings.lowest < deletion.below <= sightings.highest:
            faults.append(Fault(scale, column="--below", got=f"{deletion.below:g}", remedy="Choose one within"))
        elif not _has_line(sightings, ~deletion.poor(sightings)):
            left = int((sightings.seen & ~deletion.poor(sightings)).sum())
            rule = f"{NEEDED}; deleting those {deletion.words} leaves {left} of {int(sightings.seen.sum())} sections"
            faults.append(Fault(rule, remedy="Delete fewer: choose a lower level or age"))
    return faults


def _has_line(sightings: Sightings, kept: Flags) -> bool:
    through = sightings.used & kept[sightings.owner]
    ages, owners = sightings.age[through], sightings.owner[through]
    return len(np.unique(owners)) > 1 and bool(np.ptp(ages) >= SPAN)


def draw_lines(
    sightings: Sightings,
    deletions: Sequence[Deletion],
    *,
    early_age: float,
    seed: int,
    resamples: int = RESAMPLES,
) -> tuple[Line, ...]:
    """The pooled line, the lines after deletions, and that of the survivors, with bootstrap intervals.

    Parameters
    ----------
    sightings : Sightings
    deletions : sequence of Deletion
    early_age : float
        Years.
    seed : int
    resamples : int
        Samples of whole sections.

    Returns
    -------
    tuple of Line
        All sections first, the survivors (not removed for condition) last, where they can carry a line.

    Raises
    ------
    ExclusionError
        When there is no reading, or a deletion leaves no line.
    """
    faults = validate_deletions(sightings, deletions)
    if faults:
        raise ExclusionError(faults)
    dropped = [np.zeros(sightings.sections, bool), *(deletion.poor(sightings) for deletion in deletions)]
    names = [("all_sections", "all sections"), *((d.name, f"not {d.words}") for d in deletions)]
    gone = np.isfinite(sightings.removed)
    if _has_line(sightings, ~gone):
        dropped.append(gone)
        names.append(("survivors", "not removed (survivors)"))
    used = sightings.used
    sums = section_sums(sightings.owner[used], sightings.age[used], sightings.index[used], sightings.sections)
    kept = ~np.stack(dropped)
    starts, slopes = sums.line(kept.astype(float) @ sums.values)
    rng = stream(seed, "exclusion", "sections")
    ages = age_at_level(starts, slopes, sightings.threshold)
    drawn = age_at_level(*resampled_lines(sums, kept, resamples=resamples, rng=rng), sightings.threshold)
    late = ~(sightings.failed <= early_age)
    return tuple(
        Line(
            *names[i],
            sections=int((kept[i] & sightings.seen).sum()),
            readings=int(sums.values[kept[i], 0].sum()),
            start=float(starts[i]),
            slope=float(slopes[i]),
            age=(float(ages[i]), *spread(drawn[:, i])),
            shift=(float(_moved(ages[i], ages[0])), *spread(_moved(drawn[:, i], drawn[:, 0]))),
            never=float(np.isinf(drawn[:, i]).mean()),
            deleted=int((dropped[i] & sightings.seen).sum()),
            deleted_late=int((dropped[i] & sightings.seen & late).sum()),
        )
        for i in range(len(names))
    )


def _moved(after: Floats, before: Floats) -> Floats:
    """Years between two projected ages; NaN where the first line never gets there."""
    with np.errstate(invalid="ignore"):
        return np.where(np.isinf(before), np.nan, after - before)
