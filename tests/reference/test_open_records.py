"""Public pavement histories: our model and estimator beside SurPyval's, which take intervals and late entries.

Source and rule: studies/inservice_histories. Needs the `reference` dependency group.
"""

import importlib.util
import sys

import numpy as np
import pytest
import surpyval
from hard_intervals import STUDY, best, likelihood, priors
from scipy.optimize import minimize

from riskmodel.lifetable import survival_at, turnbull
from riskmodel.records import Vocabulary, read_records

pytestmark = pytest.mark.reference
INF = np.inf


def module(name):
    """A script of the study as a module."""
    spec = importlib.util.spec_from_file_location(name, STUDY / f"{name}.py")
    loaded = importlib.util.module_from_spec(spec)
    sys.modules[name] = loaded
    spec.loader.exec_module(loaded)
    return loaded


convert, compare = module("convert"), module("compare")


@pytest.fixture(scope="module")
def ages():
    """Entry, last age above the threshold and first age below it of each section, years."""
    table = convert.ages(convert.interval_records(*convert.records(), convert.threshold()))
    return table["age_entry"].to_numpy(), table["age_lower"].to_numpy(), table["age_upper"].to_numpy()


def arguments(entry, lower, upper):
    """The histories as SurPyval takes them; one seen only once says nothing, and it refuses it."""
    informs = (lower > entry) | np.isfinite(upper)
    entry, lower, upper = entry[informs], lower[informs], upper[informs]
    failed = np.isfinite(upper)
    return {"xl": lower, "xr": np.where(failed, upper, lower), "c": np.where(failed, 2, 1), "tl": entry}


def weibull_survival(params, age):
    """Survival at `age` of scale and shape."""
    return np.exp(-((age / params[0]) ** params[1]))


def weighted_weibull(entry, lower, upper, counts):
    """Weibull fit of resampled sections, on which SurPyval's search at times gives up."""

    def negative(x):
        params = np.exp(x)
        after = np.where(np.isfinite(upper), weibull_survival(params, np.minimum(upper, 1e6)), 0.0)
        inside = np.maximum(weibull_survival(params, lower) - after, 1e-300)
        return -counts @ (np.log(inside) - np.log(np.maximum(weibull_survival(params, entry), 1e-300)))

    bounds = np.log([(5.0, 1e5), (0.1, 10.0)])
    return np.exp(minimize(negative, np.log([300.0, 0.8]), method="Nelder-Mead", bounds=bounds).x)


def test_turnbull_estimate_as_surpyval(ages):
    entry, lower, upper = ages
    library = surpyval.Turnbull.fit(**arguments(*ages), turnbull_estimator="Kaplan-Meier", tol=1e-13, max_iter=200_000)
    at = np.arange(2.0, 39.0)
    np.testing.assert_allclose(survival_at(turnbull(lower, upper, entry), at).survival_upper, library.sf(at), atol=1e-6)


def test_weibull_fit_as_surpyval():
    records = read_records(STUDY / "intervals.csv", None, vocabulary=Vocabulary.of(priors()))
    intervals = convert.ages(convert.interval_records(*convert.records(), convert.threshold()))
    library = surpyval.Weibull.fit(
        **arguments(*(intervals[c].to_numpy() for c in ("age_entry", "age_lower", "age_upper")))
    )
    ours = likelihood(records)
    assert ours(*library.params) == pytest.approx(-library.neg_ll(), abs=1e-6)
    scale, shape = best(ours, 500.0)
    # few failures leave a long flat ridge: the maximum is held in likelihood, the curve in survival
    assert ours(scale, shape) == pytest.approx(-library.neg_ll(), abs=1e-4)
    at = np.arange(5.0, 40.0, 5.0)
    np.testing.assert_allclose(weibull_survival((scale, shape), at), weibull_survival(library.params, at), atol=1e-3)


def test_curves_agree_within_error_where_many_are_at_risk():
    visits = compare.all_visits()
    first, last = compare.age_range(compare.histories(visits, 0.0))
    histories = compare.histories(visits, first)
    entry, lower = histories["observed_from"].to_numpy(), histories["last_seen"].to_numpy()
    upper = histories["failed_by"].fillna(INF).to_numpy()
    at = np.arange(5.0, last, 5.0)
    rng = np.random.default_rng(7)

    def difference(counts):
        kept = counts > 0
        table = turnbull(lower[kept], upper[kept], entry[kept], counts[kept].astype(float))
        free = survival_at(table, at, given=first)
        params = weighted_weibull(*(values[kept] for values in (entry, lower, upper, counts)))
        model = weibull_survival(params, at) / weibull_survival(params, first)
        return (free.survival_lower + free.survival_upper).values / 2 - model

    every = np.ones(entry.size, dtype=int)
    library = surpyval.Weibull.fit(**arguments(entry, lower, upper)).params
    np.testing.assert_allclose(weighted_weibull(entry, lower, upper, every), library, rtol=1e-2)
    found = difference(every)
    spread = np.std(
        [difference(rng.multinomial(entry.size, np.full(entry.size, 1 / entry.size))) for _ in range(200)], 0
    )
    assert (np.abs(found) < 3 * spread).all()
    assert spread.max() < 0.1


@pytest.mark.slow
def test_readings_simulated_from_the_posterior_go_through_the_same_rule():
    from riskmodel.calibrate import Sampling, calibrate
    from riskmodel.priors import load_priors
    from riskmodel.study import read_study

    study = read_study(STUDY)
    believed = load_priors(study.priors)
    records = read_records(study.sections, study.surveys, vocabulary=Vocabulary.of(believed), condition=study.condition)
    result = calibrate(records, believed, sampling=Sampling(chains=4, draws=400, tune=400))  # raises if the gate fails
    seen = compare.compare(result.posterior, np.random.default_rng(3))
    # the curve of the records against 200 simulated ones, 98 % pointwise
    assert (seen.recorded >= seen.lowest).all()
    assert (seen.recorded <= seen.highest).all()
    low, high = np.quantile(seen.attrs["failures_simulated"], [0.01, 0.99])
    assert low <= seen.attrs["failures_recorded"] <= high
