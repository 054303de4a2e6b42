"""Each reading and removal, predicted from the other sections and from what the same section showed before it.

The chance that the model gives to a reading at or below the one taken (leave-one-out probability integral
transform, the unit left out being the section) is uniform and independent from reading to reading where the
model is right: the readings of a section, taken one after the other, are its Rosenblatt transform
(M. Rosenblatt, Annals of Mathematical Statistics 23 (1952) 470-472; page not seen).
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Any

import numpy as np
import pandas as pd
import xarray as xr
from numpy.typing import NDArray
from scipy.special import ndtri

from .calibrate import records_log_likelihood
from .cells import CellData, OneSided, rater_places
from .inputs import with_constants_of
from .leaveout import LeftOut
from .lifesettings import LifeSettings, removal_at_threshold
from .priors import PriorSet
from .raters import raters_of
from .records import Records
from .streams import stream
from .supposed import read_below, serving, stacked

__all__ = ["COLUMNS", "DRAWS", "reading_scores"]

DRAWS = 100
"""Draws used, evenly spaced."""
AS_READ, CAPPED, LOW = "used", "capped", ("far_below", "at_floor")
READING, REMOVAL = "reading", "removal"
COLUMNS = ("section", "what", "number", "age", "year", "recorded", "chance", "upper_chance", "score", "tail_area")
EPSILON = 1e-9
Floats = NDArray[np.float64]


@dataclass(frozen=True)
class _Events:
    """What is predicted, one row an event: section, number within it, age (years), what, the limit on z, and the place
    of the rater among all (0 for removals)."""  # fmt: skip

    section: NDArray[np.int64]
    number: NDArray[np.int64]
    age: Floats
    removal: NDArray[np.bool_]
    status: NDArray[np.str_]
    z: Floats
    rater: NDArray[np.int64]

    @classmethod
    def of(cls, records: Records) -> _Events:
        """Readings that the model reads, in order of section and age, then removals for condition."""
        readings, condition = records.readings, records.condition
        status = readings["status"].values.astype(str)
        owner, age = readings["section_index"].values.astype(np.int64), readings["age"].values.astype(float)
        low = np.isin(status, LOW)
        first_low = np.full(records.sections.sizes["section"], np.inf)
        np.minimum.at(first_low, owner[low], age[low])
        kept = np.flatnonzero(np.isin(status, (AS_READ, CAPPED, *LOW)) & (age <= first_low[owner]))
        kept = kept[np.lexsort((age[kept], owner[kept]))]
        limits = {CAPPED: condition.highest} | dict.fromkeys(
            LOW, max(condition.threshold - condition.far_below, condition.lowest)
        )
        z = np.array([
            float(condition.to_z(limits[status[i]])) if status[i] in limits else float(readings["z"].values[i])
            for i in kept
        ], float)  # fmt: skip
        removed = records.sections["age_removed"].values.astype(float)
        gone = np.flatnonzero(np.isfinite(removed))
        sections = np.concatenate([owner[kept], gone])
        number = np.concatenate([_numbers(owner[kept]), np.bincount(owner[kept], minlength=len(removed))[gone]])
        return cls(
            sections, number, np.concatenate([age[kept], removed[gone]]),
            np.arange(len(sections)) >= len(kept), np.concatenate([status[kept], np.full(len(gone), "")]),
            np.concatenate([z, np.full(len(gone), np.nan)]),
            np.concatenate([rater_places(readings, raters_of(readings))[kept], np.zeros(len(gone), int)]),
        )  # fmt: skip


def _numbers(owner: NDArray[np.int64]) -> NDArray[np.int64]:
    """0, 1, 2, ... within each section of a sorted list of sections."""
    return np.arange(len(owner)) - np.searchsorted(owner, owner)


def reading_scores(
    posterior: xr.Dataset,
    left_out: LeftOut,
    records: Records,
    priors: PriorSet,
    *,
    settings: LifeSettings,
    seed: int,
) -> pd.DataFrame:
    """Chance of every reading and removal, given the other sections and the section's own earlier readings.

    Parameters
    ----------
    posterior : Dataset (chain, draw, ...)
        Of the calibration to these records.
    left_out : LeftOut
        Its sections, left out in turn.
    records : Records
    priors : PriorSet
    settings : LifeSettings
    seed : int
        Of the place of readings at the ends of the scale, which are known to lie beyond a limit only.

    Returns
    -------
    DataFrame
        Columns `COLUMNS`. `what`: reading or removal; `number` of the reading within its section from 0;
        `chance` of a reading at or below the one taken, or of a removal by then, given that the section was in
        service at the reading before; a reading at an end of the scale lies anywhere up to `upper_chance`.
        `score`: normal score of the chance (randomised between both where they differ), NaN for removals.
        `tail_area`: two-sided for readings, of so early a removal otherwise.
    """
    events = _Events.of(records)
    if not len(events.section):
        return pd.DataFrame(columns=list(COLUMNS))
    step = max(posterior.sizes["chain"] * posterior.sizes["draw"] // DRAWS, 1)
    picked = np.arange(posterior.sizes["chain"] * posterior.sizes["draw"]).reshape(posterior.sizes["chain"], -1)
    hard = removal_at_threshold(priors)
    given = _known_before(records, events, settings, hard=hard)
    asked = _asked(given, events, hard=hard)
    table = _table(records, events, priors)
    like = records_log_likelihood(
        table, priors, posterior.isel(draw=slice(None, None, step)), settings=settings, cells=stacked([given, asked])
    )
    values = like.transpose("chain", "draw", "section").values.reshape(-1, 2, len(events.section))
    weight = left_out.log_weight[picked[:, ::step].ravel()][:, events.section]
    return _scored(records, events, _ratio(values[:, 1], values[:, 0], weight), seed)


def _known_before(records: Records, events: _Events, settings: LifeSettings, *, hard: bool) -> CellData:
    """One row an event: what was read before it; in service at a reading, or at the reading before a removal."""
    every = CellData.of(records, settings.grid, hard_removal=hard)
    owner, age = events.section, events.age
    rows = len(owner)
    used = every.used[owner] * (every.time[owner] < age[:, None])
    sided = every.sided
    pairs = [(row, j) for row in range(rows) for j in np.flatnonzero(sided.section == owner[row])
             if sided.time[j] < age[row]]  # fmt: skip
    at, of = (np.array([pair[n] for pair in pairs], int) for n in (0, 1))
    before = OneSided(at, sided.time[of], sided.limit[of], sided.side[of], sided.rater[of])
    blank: dict[str, Any] = {
        "lower": np.zeros(rows),
        "upper": np.full(rows, settings.grid.FOREVER),
        "removed": np.full(rows, np.nan),
        "in_service": np.full(rows, np.nan),
        "named": np.zeros((rows, every.named.shape[1]), bool),
    }
    known = replace(
        every,
        **blank,
        entry=every.entry[owner],
        time=every.time[owner],
        z=every.z[owner],
        rater=every.rater[owner],
        used=used,
        sided=before,
    )
    return serving(known, np.where(events.removal, known.last_used, age), hard=hard)


def _asked(given: CellData, events: _Events, *, hard: bool) -> CellData:
    """The same with what is asked of each row: read at or below the limit, or still in service at the removal."""
    still = serving(given, np.where(events.removal, events.age, np.nan), hard=hard)
    return read_below(still, np.where(events.removal, np.nan, events.age), np.nan_to_num(events.z), events.rater)


def _table(records: Records, events: _Events, priors: PriorSet) -> Records:
    """The sections of the events, twice, with the constants of the table that was fitted."""
    twice = np.concatenate([events.section, events.section])
    sections = with_constants_of(records.sections.isel(section=twice), records.sections, priors)
    return replace(records, sections=sections.assign_coords(section=[f"row {i}" for i in range(len(twice))]))


def _ratio(above: Floats, below: Floats, log_weight: Floats) -> Floats:
    """Sum of weight exp(above) over that of weight exp(below), both (sample, event), within 0 and 1."""
    top = (below + log_weight).max(axis=0)
    parts = [np.exp(values + log_weight - top).sum(axis=0) for values in (above, below)]
    return np.clip(parts[0] / parts[1], 0.0, 1.0)


def _scored(records: Records, events: _Events, chance: Floats, seed: int) -> pd.DataFrame:
    """The table, from P(read at or below the limit) or P(still in service) of each event."""
    low = np.isin(events.status, LOW)
    first = np.where(events.removal, 1.0 - chance, np.where(low, 0.0, chance))
    last = np.where(events.status == CAPPED, 1.0, np.where(events.removal, first, chance))
    place = stream(seed, "place of a reading at an end").random(len(chance))
    inside = np.clip(first + place * (last - first), EPSILON, 1.0 - EPSILON)
    opened = records.sections["opened_year"].values.astype(float)[events.section]
    return pd.DataFrame({
        "section": records.sections["section"].values.astype(str)[events.section],
        "what": np.where(events.removal, REMOVAL, READING),
        "number": events.number, "age": events.age, "year": np.floor(opened + events.age).astype(int),
        "recorded": np.asarray(records.condition.from_z(events.z), float),
        "chance": first, "upper_chance": last,
        "score": np.where(events.removal, np.nan, ndtri(inside)),
        # the whole chance of a reading at an end of the scale: it is no surprise where that is large
        "tail_area": np.where(events.removal, first, np.minimum(1.0, 2.0 * np.minimum(last, 1.0 - first))),
    })  # fmt: skip
