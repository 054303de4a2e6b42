"""Closed-form life: laws, limits, and agreement with scipy.stats (weibull_min, general library)."""

from __future__ import annotations

import numpy as np
import pytest
from builders import priors
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy import stats

from riskmodel.baseline import Baseline, delta_distributions
from riskmodel.hazard import (
    age_at_survival,
    expit,
    failure_share,
    gauss_hermite,
    mean_susceptibility,
    restricted_mean,
    solve_intercepts,
    subset_products,
    subset_signs,
    weibull_age,
)
from riskmodel.measures import deltas_of, log_odds_of_ratio

positive = st.floats(0.2, 80.0)


@given(age=positive, median=positive, shape=st.floats(0.6, 8.0))
def test_failure_share_is_the_weibull_distribution(age, median, shape):
    scale = median / np.log(2.0) ** (1.0 / shape)
    assert failure_share(age, median, shape) == pytest.approx(stats.weibull_min.cdf(age, shape, scale=scale), abs=1e-12)


@given(p=st.floats(1e-6, 1.0 - 1e-6), median=positive, shape=st.floats(0.6, 8.0))
def test_weibull_age_inverts_the_failure_share(p, median, shape):
    assert failure_share(weibull_age(p, median, shape), median, shape) == pytest.approx(1.0 - p, abs=1e-9)


def test_gauss_hermite_averages_over_a_standard_normal():
    x, w = gauss_hermite(7)
    assert w.sum() == pytest.approx(1.0)
    for power, moment in ((2, 1.0), (4, 3.0), (6, 15.0)):
        assert (w * x**power).sum() == pytest.approx(moment)


def test_seven_nodes_suffice_for_the_spread_of_a_score():
    exact = stats.norm.expect(lambda q: expit(-2.0 - 0.9 * q))
    x, w = gauss_hermite(7)
    assert (w * expit(-2.0 - 0.9 * x)).sum() == pytest.approx(exact, rel=1e-4)


@given(st.lists(st.floats(0.0, 1.0), min_size=0, max_size=5))
def test_signed_subset_products_expand_the_product_of_complements(factors):
    expanded = np.dot(subset_signs(len(factors)), subset_products(factors, 1.0))
    assert expanded == pytest.approx(np.prod([1.0 - f for f in factors]), abs=1e-12)


@pytest.mark.parametrize("total", [0.01, 0.05, 0.1, 0.2, 0.3])
def test_intercepts_give_the_stated_early_failures(total):
    """The programme's early failures by each mechanism equal total x share, competition included."""
    base = Baseline.of(priors(), 10.0)
    rng = np.random.default_rng(4)
    offset = 0.6 * rng.standard_normal(6)
    intercept = base.intercepts(np.array([total]), offset)
    share = np.exp(base.log_share[0] + offset)
    share /= share.sum()
    early = total - base.life.wear_failures[0]
    np.testing.assert_allclose(base.life.incidence(intercept)[0][0], early * share, rtol=8e-3)


def test_intercepts_against_brute_force_lives():
    """A million simulated lives at prior-mean parameters: early failures by cause within 4 standard errors."""
    base = Baseline.of(priors(), 10.0)
    life, n = base.life, 1_000_000
    rng = np.random.default_rng(11)
    age = np.full(n, np.inf)
    cause = np.full(n, -1)
    wear = life.wear_median[0] * (-np.log(rng.random(n)) / np.log(2)) ** (1 / life.wear_shape)
    for root in life.roots:
        score = rng.standard_normal(n)
        for m in root.mechanisms:
            hit = rng.random(n) < expit(base.intercept[0, m] - life.spread[m] * score)
            t = np.where(hit, life.median[m] * (-np.log(rng.random(n)) / np.log(2)) ** (1 / life.shape[m]), np.inf)
            cause = np.where(t < age, m, cause)
            age = np.minimum(age, t)
    early = (age < 10.0) & (age < wear)
    expected = life.incidence(base.intercept)[0][0]
    for m, p in enumerate(expected):
        found = np.mean(early & (cause == m))
        # the coarse grid of the solver is worth 0.5 %
        assert found == pytest.approx(p, abs=4 * np.sqrt(p / n) + 0.006 * p)


def test_adding_a_mechanism_leaves_the_total_prior_alone():
    from builders import MECHANISMS, mechanism

    few = priors()
    more = priors(
        mechanisms=(
            *[
                mechanism(
                    m.name, m.root, 0.9 * m.share["any"], m.median.distribution.median, m.shape.distribution.median
                )
                for m in MECHANISMS
            ],
            mechanism("faulting", "design", 0.1, 7.0, 3.0),
        )
    )
    for total in (0.05, 0.1, 0.2):
        sums = []
        for p in (few, more):
            base = Baseline.of(p, 10.0)
            intercept = base.intercepts(np.array([total]), np.zeros(len(p.mechanisms)))
            sums.append(base.life.incidence(intercept)[0].sum() + base.life.wear_failures[0])
        assert sums[0] == pytest.approx(sums[1], rel=3e-3)
        assert sums[0] == pytest.approx(total, rel=5e-3)


@pytest.mark.parametrize("ratio", [0.2, 0.6, 1.0, 1.3])
def test_an_elicited_risk_ratio_is_recovered_from_its_log_odds(ratio):
    intercept, weight = np.array([-2.0, -3.0]), np.array([0.7, 0.3])
    delta = log_odds_of_ratio(ratio, intercept, 0.8, weight)
    spread = np.full(2, 0.8)
    achieved = (
        weight @ mean_susceptibility(intercept - delta, spread) / (weight @ mean_susceptibility(intercept, spread))
    )
    assert achieved == pytest.approx(ratio, rel=1e-8)


def test_every_quantile_of_an_elicited_effect_is_recovered():
    p = priors()
    base = Baseline.of(p, 10.0)
    effects = [e for m in p.measures for e in m.effects]
    for delta, prior in zip(deltas_of(p), delta_distributions(p, base, np.ones(1)), strict=True):
        m, spread = delta.mechanism, base.life.spread[delta.mechanism]
        for q in (0.05, 0.5, 0.95):
            d = float(prior.ppf(1.0 - q))
            with_it = mean_susceptibility(base.intercept[:, m] - d, np.full(1, spread))
            without = mean_susceptibility(base.intercept[:, m], np.full(1, spread))
            assert with_it / without == pytest.approx(float(effects[delta.effect].ratio.distribution.ppf(q)), rel=1e-6)


def test_an_impossible_ratio_says_what_to_state_instead():
    from riskmodel.errors import RiskModelError

    with pytest.raises(RiskModelError, match=r"risk ratio of 5 cannot be reached.*odds_ratio"):
        log_odds_of_ratio(5.0, np.array([0.5]), 0.5, np.ones(1))


@settings(max_examples=30)
@given(median=st.floats(15.0, 60.0), shape=st.floats(1.5, 6.0), level=st.floats(0.1, 0.95))
def test_age_at_survival_inverts_a_known_survival(median, shape, level):
    ages = np.concatenate([np.arange(0.0, 60.0, 0.5), np.geomspace(60.0, 400.0, 48)])
    survival = 1.0 - failure_share(ages, median, shape)
    exact = median * (-np.log(level) / np.log(2.0)) ** (1.0 / shape)
    assert age_at_survival(survival, ages, level) == pytest.approx(exact, rel=2e-2)


def test_age_at_survival_is_infinite_where_never_reached():
    assert np.isinf(age_at_survival(np.array([1.0, 0.9, 0.8]), np.array([0.0, 1.0, 2.0]), 0.5))


def test_restricted_mean_of_a_constant_life_is_the_horizon():
    ages = np.arange(0.0, 61.0)
    assert restricted_mean(np.ones(61), ages, 0.0, 45.5) == pytest.approx(45.5)


def test_solver_steps_converge():
    base = Baseline.of(priors(), 10.0)
    target = np.full((1, 6), 0.02)
    one, many = (solve_intercepts(target, base.life, steps=n) for n in (6, 12))
    np.testing.assert_allclose(one, many, atol=1e-4)
