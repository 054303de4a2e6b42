"""Prices, policies and roads for the tests of costs. Invented values."""

from __future__ import annotations

from types import SimpleNamespace
from typing import Any

import numpy as np
import xarray as xr
from builders import priors, quantity
from generator import Generator, truth_of

from riskmodel.condition import Condition
from riskmodel.policy import Policy, Survey
from riskmodel.priordraws import prior_draws
from riskmodel.priors import Cost, PriorSet
from riskmodel.programme import programme_from_records

MEASURES = ("pre_survey", "prompt_sawing", "internal_curing")
SURVEY = Survey("pre_survey", found_bad=0.15, false_alarm=0.05, rejected=0.1, repair=("repair",))


def cost(name: str, amount: float, unit: str = "USD/m2", measure: str = "", year: int = 2024, sd: float = 0.2) -> Cost:
    drawn = quantity("lognormal", np.log(amount), sd, unit=unit) if sd else quantity("fixed", amount, unit=unit)
    return Cost(name, name, measure, drawn, unit, year)


def costs(sd: float = 0.2) -> tuple[Cost, ...]:
    return (
        cost("overlay_area", 60.0, sd=sd),
        cost("reconstruction", 130.0, sd=sd),
        cost("panel_replacement", 160.0, sd=sd),
        cost("survey", 0.4, measure="pre_survey", sd=sd),
        cost("standby", 0.6, measure="prompt_sawing", sd=sd),
        cost("wet_sand", 15.0, "USD/m3", "internal_curing", sd=sd),
        cost("repair", 10.0, sd=sd),
        cost("delay", 5.0, sd=sd),
        cost("removal", 8.0, sd=sd),
    )


def policy(**changes: Any) -> Policy:
    values: dict[str, Any] = {
        "reconstruction_life": (22.0, 32.0, 45.0),
        "reconstruction_shape": 3.5,
        "overlay": ("overlay_area",),
        "survey": SURVEY,
        **changes,
    }
    return Policy(**values)


def roads(p: PriorSet, count: int = 40, seed: int = 2) -> xr.Dataset:
    truth = truth_of(prior_draws(p, draws=8, seed=seed), 5)
    records = Generator(p, truth, np.random.default_rng(seed), Condition()).records(count, surveys=False)
    return programme_from_records(records.sections, p)


def case(count: int = 40, draws: int = 60, **changes: Any) -> SimpleNamespace:
    p = priors(costs=costs(), **changes)
    return SimpleNamespace(priors=p, programme=roads(p, count), posterior=prior_draws(p, draws=draws, seed=9))
