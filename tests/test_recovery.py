"""Recovery and coverage with truth drawn from the priors (slow; see `recovery` for resuming)."""

from __future__ import annotations

import os

import numpy as np
import pytest
from generator import Generator, truth_of
from recovery import PARAMETERS, places_of_quantities, rank, run_cases, small_priors
from scipy import stats

from riskmodel.calibrate import Sampling, calibrate
from riskmodel.condition import Condition
from riskmodel.priordraws import prior_draws

CASES = int(os.environ.get("RISKMODEL_COVERAGE_CASES", "60"))


@pytest.mark.slow
def test_ninety_percent_intervals_cover_the_truth():
    """60 data sets by default: coverage of every quantity, and of all pooled, within 99 % binomial bounds."""
    cases = list(run_cases(CASES).values())[:CASES]
    assert len(cases) == CASES
    inside = {name: np.array([0.05 <= case["rank"][name] <= 0.95 for case in cases]) for name in cases[0]["rank"]}
    low, high = stats.binom(CASES, 0.90).interval(0.99)
    for name, covered in inside.items():
        assert low <= covered.sum() <= high, (name, covered.mean())
    pooled = np.stack(list(inside.values()), axis=1).mean(axis=1)
    # quantities of one data set share it: the standard error is that between data sets
    error = pooled.std(ddof=1) / np.sqrt(CASES)
    assert abs(pooled.mean() - 0.90) < 2.58 * error + 0.005


@pytest.mark.slow
def test_parameters_and_quantities_are_recovered_from_large_records():
    """800 sections: every truth inside the central 99.5 % of its posterior, which is narrow where it can be."""
    p = small_priors()
    truth = truth_of(prior_draws(p, draws=4, seed=71), 2)
    generator = Generator(p, truth, np.random.default_rng(5), Condition())
    records = generator.records(800)
    sampling = Sampling(chains=2, draws=300, tune=300, gate_ess=150, gate_rhat=1.05)
    found = calibrate(records, p, sampling=sampling).posterior
    places = {name: rank(found[name].values.ravel(), float(truth[name])) for name in PARAMETERS}
    places |= places_of_quantities(found, truth, generator, records, p, seed=5)
    assert all(0.0025 < place < 0.9975 for place in places.values()), places
    for name in ("noise", "kappa", "start_spread"):
        assert found[name].values.std() < 0.1 * float(truth[name]), name
