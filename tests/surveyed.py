"""Invented records as they stood on an earlier day, for the tests of later rounds."""

from __future__ import annotations

import json
from collections.abc import Callable

import numpy as np
import xarray as xr
from generator import Generator, truth_of

from riskmodel.calibrate import Calibration, Check, Gate
from riskmodel.condition import Condition
from riskmodel.priordraws import prior_draws
from riskmodel.priors import PriorSet
from riskmodel.records import Records

CONDITION = Condition()


def records_of(priors: PriorSet, count: int, *, seed: int = 1) -> Records:
    """Records of `count` sections to the start of 2025, from one truth drawn from the priors."""
    truth = truth_of(prior_draws(priors, draws=1, seed=seed), 0)
    made = Generator(priors, truth, np.random.default_rng(seed), CONDITION).records(count)
    return Records(made.sections, made.readings, None, CONDITION, None, {})  # type: ignore[arg-type]


def as_of(records: Records, year: float, *, leave_out: tuple[str, ...] = (), only: tuple[str, ...] = ()) -> Records:
    """The records as they stood at a date: nothing later was read, nothing removed; `only` these are cut back."""
    sections, readings = records.sections, records.readings
    names = sections["section"].values.astype(str)
    keep = ~np.isin(names, leave_out) & (sections["opened_year"].values + sections["age_entry"].values < year)
    cut = np.isin(names, only) if only else np.ones(len(names), bool)
    age = np.where(cut, year - sections["opened_year"].values, np.inf)
    removed, serving = sections["age_removed"].values.copy(), sections["age_in_service"].values.copy()
    later = removed > age
    serving = np.where(later, age, np.fmin(serving, age))
    removed[later] = np.nan
    named = sections["named"].values & ~later[:, None]
    sections = sections.assign(age_removed=("section", removed), named=(("section", "cause"), named),
                               age_in_service=("section", np.where(np.isnan(removed), serving, np.nan)))  # fmt: skip
    place = np.full(len(names), -1)
    place[keep] = np.arange(keep.sum())
    owner = readings["section_index"].values.astype(int)
    told = np.flatnonzero(keep[owner] & (readings["age"].values <= age[owner]))
    cut_readings = readings.isel(reading=told).assign(section_index=("reading", place[owner[told]]))
    return Records(sections.isel(section=keep), cut_readings, None, CONDITION, None, {})  # type: ignore[arg-type]


def prior_fit(records: Records, priors: PriorSet, *, draws: int, seed: int = 1) -> Calibration:
    """A stand-in for a fit without a sampler: prior draws taken with weights L(records), with its likelihood."""
    from riskmodel.calibrate import records_log_likelihood
    from riskmodel.density import LogDensity
    from riskmodel.reweigh import resampled, with_new_levels

    drawn = full_prior(priors, draws=draws, seed=seed)
    drawn = with_new_levels(drawn, records.sections, priors, seed=seed)
    like = records_log_likelihood(records, priors, drawn)
    total = like.sum("section").values.ravel()
    weight = np.exp(total - total.max())
    picked = resampled(weight / weight.sum(), seed=seed)
    stats = LogDensity.of(records, priors).log_prior(drawn).to_dataset(name="log_prior")
    tree = {"posterior": drawn.isel(draw=picked), "log_likelihood": like.isel(draw=picked).to_dataset(name="records"),
            "sample_stats": stats.isel(draw=picked)}  # fmt: skip
    tree = {name: one.assign_coords(draw=np.arange(len(picked))) for name, one in tree.items()}
    return Calibration(xr.DataTree.from_dict({**tree, "prior": drawn}), None)


def full_prior(priors: PriorSet, *, draws: int, seed: int) -> xr.Dataset:
    """Draws of every variable of the model from its prior, without terms of groups."""
    import pymc as pm

    from riskmodel.model import build_model

    with build_model(None, priors, condition=CONDITION):
        tree = pm.sample_prior_predictive(draws=draws, random_seed=seed)
    return tree["prior"].to_dataset()


# ------------------------------------------------------------------- stand-ins without a compiled graph


def likelihood(records: Records, priors: PriorSet, posterior: xr.Dataset, **settings: object) -> xr.DataArray:
    """Smooth in one parameter and in the readings; no likelihood of anything."""
    sections, readings = records.sections, records.readings
    count = sections.sizes["section"]
    owner = readings["section_index"].values.astype(int)
    told = (
        np.bincount(owner, readings["z"].values, minlength=count)[:count]
        + sections["age_in_service"].fillna(0.0).values
    )
    early = posterior["early_failure"].transpose("chain", "draw")
    values = early.values[..., None] * (0.1 * np.cos(told))[None, None]
    return xr.DataArray(values, dims=("chain", "draw", "section"), coords={"section": sections["section"].values})


def fitted(records: Records, priors: PriorSet, **settings: object) -> Calibration:
    """Draws about the middle of the priors with every term of a group, as if they had been sampled."""
    from riskmodel.density import LogDensity

    density = LogDensity.of(records, priors)
    size = density.layout.size
    draws = density.dataset(density.layout.centre + 0.3 * np.random.default_rng(1).standard_normal((2, 30, size)))
    prior = prior_draws(priors, draws=60, seed=1)
    like = likelihood(records, priors, draws).to_dataset(name="records")
    stats = density.log_prior(draws).to_dataset(name="log_prior")
    tree = xr.DataTree.from_dict({"posterior": draws, "prior": prior, "log_likelihood": like, "sample_stats": stats})
    check = Check("bulk effective sample size", 1e6, 400.0, True, "", "")
    tree.attrs["gate"] = json.dumps([check.__dict__])
    return Calibration(tree, Gate((check,)), prior_only=False)


def stand_in(put: Callable[[str, object], None]) -> None:
    """Put the stand-ins in the place of the sampler and of the likelihood."""
    put("riskmodel.calibrate.calibrate", fitted)
    put("riskmodel.reweigh.records_log_likelihood", likelihood)
    put("riskmodel.readingscores.records_log_likelihood", likelihood)
    put("riskmodel.surprise.records_log_likelihood", likelihood)
