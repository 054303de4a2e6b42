"""How surprising the newest records are, section by section, to what was known before them.

The chance of a reading at or below the one taken, and of a removal by now, given everything recorded earlier
of the same section: ratios of the model's own likelihood, averaged over the draws before the round.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pandas as pd
import xarray as xr
from numpy.typing import NDArray

from .calibrate import records_log_likelihood
from .cells import CellData, rater_places
from .inputs import with_constants_of
from .lifesettings import LifeSettings, removal_at_threshold
from .priors import PriorSet
from .raters import raters_of
from .records import Records
from .reweigh import changed_sections, with_new_levels
from .supposed import read_below, serving, stacked

__all__ = ["DRAWS", "surprise_table"]

DRAWS = 200
"""Draws used, evenly spaced."""
READ = ("used", "capped", "far_below", "at_floor")
COLUMNS = ["section", "what", "age", "recorded", "chance_at_or_below", "tail_area"]
Floats = NDArray[np.float64]


def surprise_table(
    former: xr.Dataset, before: Records, now: Records, priors: PriorSet, *, settings: LifeSettings, seed: int
) -> pd.DataFrame:
    """The first new reading of each section, and each new removal for condition, against what was expected.

    Parameters
    ----------
    former : Dataset (chain, draw, ...)
        Draws before the newest records.
    before, now : Records
    priors : PriorSet
    settings : LifeSettings
    seed : int
        Of the terms of new groups.

    Returns
    -------
    DataFrame
        Columns `section`, `what` (reading or removal), `age` (years), `recorded` (the index; NaN for a
        removal), `chance_at_or_below` (of a reading so low, given that the section is in service; of a
        removal by now) and `tail_area` (two-sided for a reading), most surprising first.
    """
    changed = changed_sections(before, now)
    earlier = _as_before(before, now, changed, priors)
    first, removed = _first_new(before, now, changed), _new_removals(before, now, changed)
    if not np.isfinite(first).any() and not np.isfinite(removed).any():
        return pd.DataFrame(columns=COLUMNS)
    index, z, rater = _read_at(now, changed, first)
    like = _likelihoods(former, earlier, priors, (first, removed, z, rater), raters_of(now.readings), settings, seed)
    rows = []
    for i, section in enumerate(changed):
        if np.isfinite(first[i]):
            chance = _ratio(like[2][:, i], like[1][:, i], like[0][:, i])
            rows.append((section, "reading", first[i], index[i], chance, 2.0 * min(chance, 1.0 - chance)))
        if np.isfinite(removed[i]):
            chance = 1.0 - _ratio(like[3][:, i], like[0][:, i], like[0][:, i])
            rows.append((section, "removal", removed[i], np.nan, chance, chance))
    return pd.DataFrame(rows, columns=COLUMNS).sort_values(["tail_area", "section"], ignore_index=True)


def _ratio(above: Floats, below: Floats, given: Floats) -> float:
    """Sum of exp(above - given) over that of exp(below - given), within 0 and 1."""
    top = max(float((above - given).max()), float((below - given).max()))
    return float(np.clip(np.exp(above - given - top).sum() / np.exp(below - given - top).sum(), 0.0, 1.0))


def _likelihoods(
    former: xr.Dataset,
    earlier: Records,
    priors: PriorSet,
    told: tuple[Floats, Floats, Floats, NDArray[np.int64]],
    raters: tuple[str, ...],
    settings: LifeSettings,
    seed: int,
) -> list[Floats]:
    """Log-likelihoods (sample, section) of the earlier records; of them and in service at the reading; of that
    and a reading at or below the one taken; of them and in service at the removal."""  # fmt: skip
    first, removed, z, rater = told
    hard = removal_at_threshold(priors)
    known = CellData.of(earlier, settings.grid, hard_removal=hard, raters=raters)
    there = serving(known, first, hard=hard)
    parts = [known, there, read_below(there, first, z, rater), serving(known, removed, hard=hard)]
    every = xr.concat([earlier.sections] * len(parts), "section", data_vars="minimal")
    names = [f"{name} {part}" for part in range(len(parts)) for name in earlier.sections["section"].values]
    table = replace(earlier, sections=every.assign_coords(section=names))
    step = max(former.sizes["chain"] * former.sizes["draw"] // DRAWS, 1)
    some = former.isel(draw=slice(None, None, step))
    draws = with_new_levels(some, earlier.sections, priors, seed=seed, raters=raters)
    like = records_log_likelihood(table, priors, draws, settings=settings, cells=stacked(parts))
    values = like.transpose("chain", "draw", "section").values
    return np.split(values.reshape(-1, len(names)), len(parts), axis=1)


# --------------------------------------------------------------------------- what was known, what is new


def _as_before(before: Records, now: Records, changed: tuple[str, ...], priors: PriorSet) -> Records:
    """The changed sections as they are described now, with the lives and readings that were known before."""
    lives = ("age_in_service", "age_removed", "age_lower", "age_upper", "named")
    blank = {"age_in_service": np.nan, "age_removed": np.nan, "age_lower": 0.0, "age_upper": np.inf, "named": False}
    sections = now.sections.sel(section=list(changed))
    known = before.sections[list(lives)].reindex(section=list(changed), fill_value=blank)
    sections = sections.assign({name: known[name].transpose(*sections[name].dims) for name in lives})
    place = {name: row for row, name in enumerate(changed)}
    names = before.sections["section"].values.astype(str)
    owner = np.array([place.get(names[i], -1) for i in before.readings["section_index"].values.astype(int)], int)
    readings = before.readings.isel(reading=np.flatnonzero(owner >= 0))
    readings = readings.assign(section_index=("reading", owner[owner >= 0]))
    return replace(before, sections=with_constants_of(sections, before.sections, priors), readings=readings)


def _first_new(before: Records, now: Records, changed: tuple[str, ...]) -> Floats:
    """Age of the first reading that was not there before, years; NaN without one."""
    out = np.full(len(changed), np.nan)
    for i, section in enumerate(changed):
        ages, old = _ages(now, section), _ages(before, section)
        fresh = [age for age in ages if not np.isclose(old, age).any() and age > old.max(initial=0.0)]
        out[i] = min(fresh, default=np.nan)
    return out


def _ages(records: Records, section: str) -> Floats:
    """Ages of a section's readings that the model reads."""
    readings = records.readings
    names = records.sections["section"].values.astype(str)
    own = names[readings["section_index"].values.astype(int)] == section
    kept = own & np.isin(readings["status"].values.astype(str), READ)
    return readings["age"].values[kept].astype(float)


def _read_at(records: Records, changed: tuple[str, ...], ages: Floats) -> tuple[Floats, Floats, NDArray[np.int64]]:
    """Index and z of each section's reading at an age, and the place of its rater among all."""
    readings, condition = records.readings, records.condition
    names = records.sections["section"].values.astype(str)[readings["section_index"].values.astype(int)]
    z, rater = np.full(len(changed), np.nan), np.zeros(len(changed), int)
    places = rater_places(readings, raters_of(readings))
    for i, section in enumerate(changed):
        found = np.flatnonzero((names == section) & np.isclose(readings["age"].values, ages[i]))
        if len(found):
            z[i], rater[i] = readings["z"].values[found[0]], places[found[0]]
    return np.round(np.asarray(condition.from_z(z), float), 6) + 0.0, z, rater


def _new_removals(before: Records, now: Records, changed: tuple[str, ...]) -> Floats:
    """Age at a removal for condition that was not known before, years; NaN without one.

    A removal that is told late, of a day on which the section counted as in service, has no chance to be compared.
    """
    names = list(changed)
    old, served = (before.sections[name].reindex(section=names).values for name in ("age_removed", "age_in_service"))
    new = now.sections["age_removed"].sel(section=names).values.astype(float)
    return np.where(np.isnan(old) & ~(new < served), new, np.nan)
