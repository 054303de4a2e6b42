"""The chance of a new reading against the integral of its density by the same likelihood."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
import xarray as xr
from surveyed import as_of, prior_fit, records_of
from test_reweigh import PRIORS

from riskmodel.calibrate import records_log_likelihood
from riskmodel.lifesettings import LifeSettings
from riskmodel.records import Records
from riskmodel.reweigh import only, with_new_levels
from riskmodel.surprise import surprise_table

GRID = 80


def read_at_each(records: Records, section: str, age: float, levels: np.ndarray) -> Records:
    """One section as many times as there are levels, each read at its own level at an age, in service then."""
    name = list(records.sections["section"].values.astype(str)).index(section)
    one = records.sections.isel(section=[name])
    serving = np.fmax(one["age_in_service"].values, age)
    one = one.assign(age_in_service=("section", serving))
    sections = xr.concat([one] * len(levels), "section", data_vars="minimal")
    sections = sections.assign_coords(section=[f"{i}" for i in range(len(levels))])
    old = records.readings.isel(reading=np.flatnonzero(records.readings["section_index"].values == name))
    parts = []
    for i, level in enumerate(levels):
        new = xr.Dataset({"section_index": ("reading", [i]), "age": ("reading", [age]), "z": ("reading", [level]),
                          "status": ("reading", ["used"])})  # fmt: skip
        known = old.assign(section_index=("reading", np.full(old.sizes["reading"], i)))
        parts.append(xr.concat([known[list(new.data_vars)], new], "reading"))
    return replace(records, sections=sections, readings=xr.concat(parts, "reading"))


@pytest.mark.slow
def test_the_chance_of_a_reading_is_the_integral_of_its_density() -> None:
    now = records_of(PRIORS, 12, seed=3)
    read = [n for n in now.sections["section"].values.astype(str) if n in names_read_after(now, 2018.0)][:2]
    before = as_of(now, 2018.0, only=tuple(read))
    fit = prior_fit(before, PRIORS, draws=400, seed=2)
    draws = fit.posterior.isel(draw=slice(None, None, 20))
    table = surprise_table(draws, before, now, PRIORS, settings=LifeSettings(), seed=1).set_index("section")
    table = table[table["what"] == "reading"]
    assert len(table)
    for section, row in table.iterrows():
        level = float(now.condition.to_z(row["recorded"]))
        grid = np.linspace(-60.0, 12.0, GRID * 4)
        told = read_at_each(only(before, [str(section)], before, PRIORS), str(section), float(row["age"]), grid)
        like = records_log_likelihood(told, PRIORS, with_new_levels(draws, before.sections, PRIORS, seed=1))
        base = fit.tree["log_likelihood"]["records"].sel(section=section).isel(draw=slice(None, None, 20))
        density = np.exp(like.values[0] - base.values[0][:, None]).mean(axis=0)
        whole = np.trapezoid(density, grid)
        below = np.trapezoid(np.where(grid <= level, density, 0.0), grid) / whole
        assert abs(below - row["chance_at_or_below"]) < 0.02, section


def names_read_after(records: Records, year: float) -> set[str]:
    """Sections that are read after a date."""
    sections, readings = records.sections, records.readings
    owner = readings["section_index"].values.astype(int)
    late = sections["opened_year"].values[owner] + readings["age"].values > year
    return set(sections["section"].values.astype(str)[owner[late & (readings["status"].values == "used")]])
