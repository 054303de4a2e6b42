"""Records simulated from the posterior: the same sections, surveyed on the same days, with other fates."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import xarray as xr
from numpy.typing import NDArray

from .cells import rater_places
from .condition import Condition
from .lives import Draws
from .montecarlo import draw_fates
from .priors import PriorSet
from .programme import programme_from_records
from .raters import raters_of
from .records import Records
from .streams import stream
from .trial import early_kappa, path_at, start_of

__all__ = ["SAMPLES", "Replicas", "draw_replicas"]

SAMPLES = 300
"""Draws that are simulated; one set of records each."""
AS_READ, AS_LOW = ("used", "capped"), ("far_below", "at_floor")
Floats = NDArray[np.float64]
Flags = NDArray[np.bool_]


@dataclass(frozen=True)
class Replicas:
    """Records simulated from the posterior: the same sections, surveyed on the same days.

    Parameters
    ----------
    owner : ndarray of int (visit,)
        Section of each visit, visits sorted by section and age.
    age : ndarray (visit,)
        Years.
    recorded : ndarray (visit,)
        The reading on the z scale; NaN where the section was gone already.
    z : ndarray (sample, visit)
        Simulated readings, cut at the ends of the scale.
    there : ndarray of bool (sample, visit)
        Whether the simulated section is in service at that visit, and was not read far below before.
    failed, removed : ndarray (sample, section)
        Simulated ages at failure and at removal, years.
    early : ndarray of bool (sample, section)
        Whether an early mechanism ended the simulated life.
    entry, leave : ndarray (section,)
        Ages between which the section is under observation if it is not removed, years.
    condition : Condition
    """

    owner: NDArray[np.int64]
    age: Floats
    recorded: Floats
    z: Floats
    there: Flags
    failed: Floats
    removed: Floats
    early: Flags
    entry: Floats
    leave: Floats
    condition: Condition

    def of_sections(self, keep: Flags) -> Replicas:
        """The same of some sections (section,)."""
        visit, place = keep[self.owner], np.cumsum(keep) - 1
        return Replicas(
            place[self.owner[visit]], self.age[visit], self.recorded[visit], self.z[:, visit], self.there[:, visit],
            self.failed[:, keep], self.removed[:, keep], self.early[:, keep], self.entry[keep], self.leave[keep],
            self.condition,
        )  # fmt: skip


def draw_replicas(
    posterior: xr.Dataset, records: Records, priors: PriorSet, *, seed: int, samples: int = SAMPLES
) -> Replicas:
    """Simulate the records anew from posterior draws.

    A section draws its fate, its built-in condition and its readings. It is visited at the ages of its own
    readings; one that was removed for condition goes on being visited at its usual interval, since a simulated
    one may live on.

    Parameters
    ----------
    posterior : Dataset (chain, draw, ...)
    records : Records
    priors : PriorSet
    seed : int
    samples : int
        Draws used, evenly spaced.
    """
    draws = Draws.of(posterior, samples)
    programme = programme_from_records(records.sections, priors)
    failed, worn = draw_fates(draws, programme, priors, seed=seed)
    owner, age, recorded, rater = _visits(records)
    rng = stream(seed, "simulated records")
    lag = draws["removal_lag"][:, None] / 2.0 * rng.gamma(2.0, size=failed.shape)
    start = start_of(draws, records.condition)[:, None]
    start = start + draws["start_spread"][:, None] * rng.standard_normal(failed.shape)
    kappa = np.where(failed < worn, early_kappa(draws)[:, None], draws["kappa"][:, None])
    x = np.exp(kappa[:, owner] * np.minimum(np.log(np.maximum(age, 1e-3)) - np.log(failed[:, owner]), 3.0))
    z = path_at(records.condition, start[:, owner], x)
    z = z + draws["noise"][:, None] * rng.standard_normal(z.shape)
    if "rater_effect" in draws:
        z = z + draws["rater_effect"][:, rater]
    ends = records.condition.to_z([records.condition.lowest, records.condition.highest])
    z, removed = np.clip(z, *ends), failed + lag
    entry, leave = records.sections["age_entry"].values.astype(float), _leave(records)
    there = (age < removed[:, owner]) & (removed > entry)[:, owner] & ~_read_low_before(z, owner, records.condition)
    return Replicas(owner, age, recorded, z, there, failed, removed, failed < worn, entry, leave, records.condition)


def _visits(records: Records) -> tuple[NDArray[np.int64], Floats, Floats, NDArray[np.int64]]:
    """Section, age, reading and place of the rater of each visit, in order.

    Beyond a removal the usual interval and the last rater go on.
    """
    readings, leave = records.readings, _leave(records)
    rater = rater_places(readings, raters_of(readings))
    status = readings["status"].values.astype(str)
    kept = np.isin(status, (*AS_READ, *AS_LOW)) & ~_repeated_low(records)
    owner, rater = readings["section_index"].values[kept].astype(np.int64), rater[kept]
    age, z = (readings[name].values[kept].astype(float) for name in ("age", "z"))
    more: list[tuple[int, float, int]] = []
    for section in np.flatnonzero(np.isfinite(records.sections["age_removed"].values)):
        visits = np.flatnonzero(owner == section)
        own = np.sort(age[visits])
        if len(own):
            step = max(float(np.diff(own).mean()) if len(own) > 1 else 2.0, 0.25)
            last = int(rater[visits[age[visits].argmax()]])
            more += [(int(section), later, last) for later in np.arange(own[-1] + step, leave[section], step)]
    owner = np.concatenate([owner, np.array([s for s, _, _ in more], np.int64)])
    age = np.concatenate([age, [a for _, a, _ in more]])
    z = np.concatenate([z, np.full(len(more), np.nan)])
    rater = np.concatenate([rater, np.array([r for _, _, r in more], np.int64)])
    order = np.lexsort((age, owner))
    return owner[order], age[order], z[order], rater[order]


def _repeated_low(records: Records) -> Flags:
    """Readings far below after the first one of their section: the model reads them no more."""
    low = np.isin(records.readings["status"].values.astype(str), AS_LOW)
    owner, age = (records.readings[name].values for name in ("section_index", "age"))
    first = np.full(records.sections.sizes["section"], np.inf)
    np.minimum.at(first, owner[low], age[low])
    return np.asarray(age > first[owner])


def _read_low_before(z: Floats, owner: NDArray[np.int64], condition: Condition) -> Flags:
    """Visits before which the section was read far below already, (sample, visit)."""
    level = max(condition.threshold - condition.far_below, condition.lowest)
    low = z <= float(condition.to_z(level))
    before = np.zeros_like(low)
    for j in range(1, len(owner)):
        if owner[j] == owner[j - 1]:
            before[:, j] = before[:, j - 1] | low[:, j - 1]
    return before


def _leave(records: Records) -> Floats:
    """Age at which observation ends for a section that is not removed for condition, years."""
    sections = records.sections
    serving = sections["age_in_service"].values.astype(float)
    if records.until is None:
        return np.where(np.isnan(serving), sections["age_removed"].values, serving)
    year = records.until.year + (records.until.timetuple().tm_yday - 1) / 365.25
    closing = np.maximum(year - sections["opened_year"].values, sections["age_removed"].fillna(0.0).values)
    return np.where(np.isnan(serving), closing, serving)
