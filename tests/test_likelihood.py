"""The likelihood against a slow twin, finite differences, finer grids and standard fits."""

from __future__ import annotations

from types import SimpleNamespace

import numpy as np
import pytensor
import pytensor.graph.replace
import pytest
from builders import effect, measure, priors
from generator import Generator, truth_of
from scipy import stats
from twin import Twin

from riskmodel.cells import AgeGrid
from riskmodel.condition import Condition
from riskmodel.lifesettings import LifeSettings
from riskmodel.model import build_model
from riskmodel.priordraws import prior_draws

MODE = "FAST_COMPILE"  # plain Python: no compilation in unit tests
REPORTED = (
    "intercept",
    "delta",
    "wear_out_median",
    "contractor_effect",
    "project_effect",
    "score_effect",
    "start_index",
)


def draws_of(model, seed: int, spread: float = 0.5) -> dict[str, np.ndarray]:
    """Values of the free variables near their prior medians, in natural units."""
    rng = np.random.default_rng(seed)
    medians = {
        "wear_out_common": 0.0, "wear_out_by_type": np.log(38.0),
        "wear_out_shape": 3.5, "start_spread": 1.2, "noise": 3.0,
        "kappa": 2.0, "kappa_early_log_ratio": 0.0, "removal_lag": 3.0, "driver_coefficient": -0.07, "age_median": 4.0,
        "age_shape": 2.2, "score_effect": 0.7, "score_effect_part": 0.7, "early_failure": 0.1, "odds_multiplier": 1.0,
        "share_offset": 0.0, "compliance": 0.8, "selection": 0.1, "effect_score": 0.0, "label_error": 0.25,
        "year_slope": 0.0, "contractor_sd": 0.3, "project_sd": 0.3, "contractor_raw": 0.0, "project_raw": 0.0,
        "time_ratio": 1.1, "time_ratio_part": 1.1, "score_shift_size": 0.4, "rater_sd": 1.2, "rater_raw": 0.0,
    }  # fmt: skip
    out = {}
    for variable in model.free_RVs:
        shape = tuple(int(n) for n in variable.shape.eval())
        base, z = medians[variable.name], spread * rng.standard_normal(shape)
        if variable.name in ("compliance", "early_failure", "label_error"):
            out[variable.name] = 1 / (1 + np.exp(-(np.log(base / (1 - base)) + 0.4 * z)))
        elif base > 0 and variable.name not in ("selection", "wear_out_by_type"):
            out[variable.name] = base * np.exp(0.2 * z)
        else:
            out[variable.name] = base + z * (
                0.1 if any(w in variable.name for w in ("common", "coefficient", "by_type")) else 1.0
            )
    return out


def evaluator(model, *extra: str):
    names = [n for n in (*REPORTED, *extra) if n in model.named_vars]
    outputs = [model.riskmodel_per_section, *(model[n] for n in names)]
    run = pytensor.function(model.free_RVs, outputs, mode=MODE, on_unused_input="ignore")

    def evaluate(values: dict[str, np.ndarray]) -> tuple[np.ndarray, dict[str, np.ndarray]]:
        found = run(*(values[v.name] for v in model.free_RVs))
        return found[0], values | dict(zip(names, found[1:], strict=True))

    return evaluate


def records(count: int, p=None, *, seed: int = 1, surveys: bool = True, records_from: float = 2003.0):
    p = p or priors()
    truth = truth_of(prior_draws(p, draws=8, seed=seed), 3)
    return Generator(p, truth, np.random.default_rng(seed), Condition()).records(
        count, surveys=surveys, records_from=records_from
    )


@pytest.fixture(scope="module")
def case():
    p, r = priors(), records(24)
    # one of everything: a stated interval, a verified measure, several labels
    r.sections["age_lower"][0], r.sections["age_upper"][0] = 2.0, 7.5
    r.sections["age_in_service"][0], r.sections["age_removed"][0] = 12.0, np.nan
    r.sections["named"][0] = [True, False, False, True, False, False, True]
    r.sections["required"][1], r.sections["verified"][1] = 1.0, True
    keep = (r.readings["section_index"].values != 0) | (r.readings["age"].values < 7.0)
    r.readings = r.readings.isel(reading=keep)
    model = build_model(r, p)
    return SimpleNamespace(priors=p, records=r, model=model, evaluate=evaluator(model))


@pytest.mark.parametrize("chosen", [range(6), pytest.param(range(6, 24), marks=pytest.mark.slow)], ids=["six", "rest"])
def test_every_section_equals_the_slow_twin(case, chosen):
    """Twin on a grid ten times finer: within 0.05 for each section."""
    values, truth = case.evaluate(draws_of(case.model, 1))
    twin = Twin(case.priors, truth, case.records)
    slow = np.array([twin.log_likelihood(i) for i in chosen])
    np.testing.assert_allclose(values[list(chosen)], slow, atol=0.05)


@pytest.mark.slow
def test_one_sided_readings_enter_in_turn():
    """Sections with readings at the cap and far below the threshold, against the exact integral over 120 nodes."""
    p, r = priors(), records(120)
    status, section = r.readings["status"].values, r.readings["section_index"].values
    capped, below = (np.bincount(section[status == s], minlength=120) for s in ("capped", "far_below"))
    chosen = [*np.argsort(-capped)[:8], *np.flatnonzero(below)[:6]]
    assert capped.max() >= 3
    model = build_model(r, p)
    values, truth = evaluator(model)(draws_of(model, 1))
    twin = Twin(p, truth, r)
    np.testing.assert_allclose(values[chosen], [twin.log_likelihood(i) for i in chosen], atol=0.01)


def test_no_false_mode_at_steep_early_paths():
    """Powers of age that overflow and cancel once made steep early paths fit everything, and a chain stay there.

    Along the exponent of early paths the log-likelihood falls from its maximum, without a jump.
    """
    p = priors()
    r = records(60, p, seed=4)
    evaluate = evaluator(build_model(r, p))
    truth = draws_of(build_model(r, p), 1, spread=0.0)
    ratios = np.linspace(0.0, 3.5, 101)
    totals = np.array([evaluate(truth | {"kappa_early_log_ratio": np.array(v)})[0].sum() for v in ratios])
    assert np.isfinite(totals).all()
    beyond = totals[ratios > 1.5]
    assert beyond.max() <= totals.max()
    assert np.abs(np.diff(beyond)).max() < 30.0
    assert np.diff(beyond).max() < 1.0


def test_differences_between_draws_are_within_the_budget(case):
    """Differences of the total log-likelihood within 0.1 of a grid ten times finer."""
    fine = evaluator(build_model(case.records, case.priors, settings=LifeSettings(grid=AgeGrid(cells=960, first=0.05))))
    totals = np.array([[f(draws_of(case.model, n))[0].sum() for f in (case.evaluate, fine)] for n in range(6)])
    errors = totals[:, 0] - totals[:, 1]
    assert np.ptp(errors) < 0.1


def test_gradient_agrees_with_finite_differences(case):
    free = [v.clone() for v in case.model.value_vars]
    swap = dict(zip(case.model.free_RVs, free, strict=True))
    total = pytensor.graph.replace.clone_replace(case.model.riskmodel_per_section.sum(), swap)
    names = [v.name for v in case.model.free_RVs]
    run = pytensor.function(free, [total, *pytensor.grad(total, free, disconnected_inputs="ignore")], mode=MODE)
    values = draws_of(case.model, 5)
    _, *gradients = run(*(values[name] for name in names))
    for name, gradient in zip(names, gradients, strict=True):
        place = tuple(0 for _ in range(np.ndim(values[name])))
        step = 1e-5 * max(1.0, abs(float(values[name][place])))
        sides = []
        for sign in (1, -1):
            moved = {k: v.copy() if isinstance(v, np.ndarray) else np.array(v) for k, v in values.items()}
            moved[name][place] += sign * step
            sides.append(run(*(moved[n] for n in names))[0])
        numeric = (sides[0] - sides[1]) / (2 * step)
        assert float(np.asarray(gradient)[place]) == pytest.approx(numeric, rel=2e-4, abs=2e-4), name


def test_naming_every_cause_changes_nothing(case):
    named = case.records.sections["named"].copy()
    all_named = SimpleNamespace(**vars(case.records))
    all_named.sections = case.records.sections.assign(named=named | True)
    none_named = SimpleNamespace(**vars(case.records))
    none_named.sections = case.records.sections.assign(named=named & False)
    point = draws_of(case.model, 2)
    first = evaluator(build_model(all_named, case.priors))(point)[0]
    second = evaluator(build_model(none_named, case.priors))(point)[0]
    np.testing.assert_allclose(first, second, atol=1e-9)


def test_six_sums_equal_reading_by_reading(case):
    from riskmodel.cells import CellData
    from riskmodel.likelihood import PathTerms, _power_z_sums, path_sums_by_reading

    data = CellData.of(case.records, AgeGrid())
    path = PathTerms(-3.7, 1.2, 3.0, 2.0, 1.5)
    fast, slow = (
        [part.eval() for part in sums(data, path, pytensor.tensor.as_tensor(2.3))]
        for sums in (_power_z_sums, path_sums_by_reading)
    )
    counts = data.mask == 0
    for a, b in zip(fast, slow, strict=True):
        np.testing.assert_allclose(np.broadcast_to(a, counts.shape)[counts], b[counts], rtol=1e-8, atol=1e-6)


@pytest.mark.parametrize("path", ["power_y", "reverse_s"])
def test_other_paths_meet_start_and_threshold(path):
    """At age 0 a path is at its start, at the age of failure at the threshold, whatever its shape."""
    from riskmodel.likelihood import PathTerms, _path_at

    condition = Condition(path=path)
    data = SimpleNamespace(condition=condition, grid=AgeGrid())
    start = float(condition.to_z(96.0))
    time = np.stack([np.full(1, 1e-3), np.array([data.grid.ages[60]])], axis=1)
    mean, loading = (a.eval() for a in _path_at(data, PathTerms(start, 1.0, 3.0, 2.0, 2.0), 2.0, time))
    assert mean[0, 0, 60] == pytest.approx(start, abs=0.01)
    assert loading[0, 0, 60] == pytest.approx(1.0, abs=0.01)
    assert mean[0, 1, 60] == pytest.approx(float(condition.to_z(60.0)), abs=1e-9)
    assert loading[0, 1, 60] == pytest.approx(0.0, abs=1e-9)


def plain(**changes):
    """No early mechanism, no covariates: one Weibull life."""
    return priors(mechanisms=(), groups=(), drivers=(), indicators=(), measures=(), **changes)


def hard_records(lower, upper, entry=None):
    """Records that say nothing but intervals."""
    n = len(lower)
    base = records(n, plain(), surveys=False)
    zeros = np.zeros(n)
    base.sections = base.sections.assign(
        age_lower=("section", np.asarray(lower, float)),
        age_upper=("section", np.asarray(upper, float)),
        age_entry=("section", zeros if entry is None else np.asarray(entry, float)),
        age_in_service=("section", np.full(n, np.nan)),
        age_removed=("section", np.full(n, np.nan)),
    )
    return base


def test_without_early_mechanisms_and_readings_it_is_the_interval_censored_weibull():
    """scipy.stats weibull_min: on identical intervals, late entries included, the same log-likelihood."""
    from builders import fixed

    p = plain(removal_lag=fixed(0.0))
    lower = np.array([3.0, 0.0, 20.0, 12.0, 7.999])
    upper = np.array([9.0, 5.0, np.inf, 12.5, 8.001])
    entry = np.array([0.0, 0.0, 6.0, 10.0, 2.0])
    model = build_model(hard_records(lower, upper, entry), p)
    values = draws_of(model, 3)
    found, reported = evaluator(model)(values)
    shape = float(values["wear_out_shape"])
    law = stats.weibull_min(shape, scale=float(reported["wear_out_median"][0]) / np.log(2) ** (1 / shape))
    expected = np.log(law.cdf(upper) - law.cdf(lower)) - law.logsf(entry)
    np.testing.assert_allclose(found, expected, rtol=1e-7)


def test_a_lagged_exit_averages_the_exceedance_of_the_lag():
    """In service at a, no readings: P(T + lag > a) by scipy.integrate, Gamma(2) lag."""
    from scipy.integrate import quad

    p = plain()
    r = hard_records(np.zeros(2), np.full(2, np.inf))
    r.sections["age_in_service"][0] = 30.0
    r.sections["age_removed"][1] = 33.0
    model = build_model(r, p)
    values = draws_of(model, 7)
    found, reported = evaluator(model)(values)
    shape, scale = float(values["wear_out_shape"]), float(values["removal_lag"]) / 2
    law = stats.weibull_min(shape, scale=float(reported["wear_out_median"][0]) / np.log(2) ** (1 / shape))
    lag = stats.gamma(2, scale=scale)
    serving = quad(lambda t: law.pdf(t) * lag.sf(30.0 - t), 0, 30)[0] + law.sf(30.0)
    removed = quad(lambda t: law.pdf(t) * lag.pdf(33.0 - t), 0, 33)[0]
    np.testing.assert_allclose(found, np.log([serving, removed]), atol=3e-3)


@pytest.mark.parametrize(
    "chosen", [range(3), pytest.param(range(3, 12), marks=pytest.mark.slow)], ids=["three", "rest"]
)
def test_hazard_ratios_score_shifts_and_time_ratios_match_the_twin(chosen):
    from builders import fixed, quantity

    p = priors(
        measures=(
            measure(
                "pre_survey", [effect(["support_loss"], 0.5, "hazard_ratio"), effect(["reflective_cracking"], 0.6)]
            ),
            measure("prompt_sawing", [effect(["random_cracking"], 0.4, "odds_ratio")]),
        ),
        removal_lag=quantity("lognormal", np.log(3.0), 0.3),
        share_sd=fixed(0.3),
    )
    r = records(12, p, seed=5)
    model = build_model(r, p)
    values, truth = evaluator(model)(draws_of(model, 9))
    twin = Twin(p, truth, r)
    np.testing.assert_allclose(values[list(chosen)], [twin.log_likelihood(i) for i in chosen], atol=0.05)
