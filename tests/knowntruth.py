"""Records of an invented truth, and the truth as a posterior: for models right, or wrong on purpose."""

from __future__ import annotations

from datetime import date
from types import SimpleNamespace

import numpy as np
import xarray as xr
from builders import priors
from generator import Generator, truth_of

from riskmodel.condition import Condition
from riskmodel.priordraws import prior_draws

SECTIONS = 300
PRIORS = priors()
DRAWN = prior_draws(PRIORS, draws=1, seed=4)


def truth_times(samples: int, **factors: float) -> xr.Dataset:
    """So many draws of the truth as if it were known, each named parameter times a factor."""
    one = DRAWN.isel(draw=[0] * samples)
    return one.assign({name: one[name] * factor for name, factor in factors.items()})


def records_of_truth() -> SimpleNamespace:
    """Sections drawn from the truth, to the start of 2025."""
    made = Generator(PRIORS, truth_of(DRAWN, 0), np.random.default_rng(3), Condition()).records(SECTIONS)
    made.until = date(2025, 1, 1)
    return made
