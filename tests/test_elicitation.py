"""Distributions, quantile fits and pools, held to scipy.stats, to closed forms and to printed tables."""

from __future__ import annotations

import re

import numpy as np
import pytest
from hypothesis import assume, given, settings
from hypothesis import strategies as st
from scipy import stats

from riskmodel.elicitation import (
    MISFIT_LIMIT,
    Distribution,
    ElicitationError,
    Expert,
    fit_quantiles,
    pool,
    pool_experts,
)
from riskmodel.errors import RiskModelError, RiskModelWarning

THREE = (0.05, 0.5, 0.95)
# the library's distribution of the same law; the skewed family is a shifted lognormal or its mirror image
TWINS = [
    (Distribution("normal", (-1.3, 0.4)), stats.norm(-1.3, 0.4)),
    (Distribution("lognormal", (0.7, 0.286)), stats.lognorm(0.286, scale=np.exp(0.7))),
    (Distribution("beta", (3.0, 27.0)), stats.beta(3, 27)),
    (Distribution("beta", (0.5, 0.5)), stats.beta(0.5, 0.5)),
    (Distribution("gamma", (2.0, 0.15)), stats.gamma(2, scale=0.15)),
    (Distribution("gamma", (0.6, 4.0)), stats.gamma(0.6, scale=4.0)),
    (Distribution("skewed", (5.0, 3.0, 0.67)), stats.lognorm(0.67, loc=5 - 3 / 0.67, scale=3 / 0.67)),
    (Distribution("skewed", (5.0, 3.0, 0.0)), stats.norm(5, 3)),
]
NAMES = [str(ours) for ours, _ in TWINS]
P = np.array([1e-6, 0.01, 0.05, 0.3, 0.5, 0.8, 0.95, 0.999])


@pytest.mark.parametrize(("ours", "library"), TWINS, ids=NAMES)
def test_every_law_equals_the_library(ours, library):
    x = library.ppf(P)
    np.testing.assert_allclose(ours.ppf(P), x, rtol=1e-9, atol=1e-12)
    np.testing.assert_allclose(ours.cdf(x), P, rtol=1e-9, atol=1e-14)
    np.testing.assert_allclose(ours.logpdf(x), library.logpdf(x), rtol=1e-8, atol=1e-9)
    np.testing.assert_allclose(ours.pdf(x), library.pdf(x), rtol=1e-8)
    assert ours.mean == pytest.approx(library.mean(), rel=1e-10)
    assert ours.sd == pytest.approx(library.std(), rel=1e-9)
    assert ours.median == pytest.approx(library.median(), rel=1e-9)
    assert ours.interval(0.9) == pytest.approx(library.interval(0.9), rel=1e-9)
    np.testing.assert_allclose(ours.support, library.support())


@pytest.mark.parametrize(("ours", "library"), TWINS, ids=NAMES)
def test_outside_the_support_probability_is_zero_or_one(ours, library):
    low, high = library.support()
    for x in (low - 1, high + 1):
        if np.isfinite(x):
            assert ours.cdf(x) == library.cdf(x)
            assert ours.logpdf(x) == -np.inf
    assert np.isnan(ours.ppf([-0.1, 1.1])).all()


@pytest.mark.parametrize(("ours", "library"), TWINS, ids=NAMES)
def test_samples_follow_the_law(ours, library):
    draws = ours.sample(np.random.default_rng(7), 4000)
    assert draws.shape == (4000,)
    assert stats.kstest(draws, library.cdf).pvalue > 1e-3  # fixed seed: a fault shows, chance does not


def test_a_negative_skewness_is_the_mirror_image():
    left, right = Distribution("skewed", (0.0, 2.0, -0.8)), Distribution("skewed", (0.0, 2.0, 0.8))
    np.testing.assert_allclose(left.ppf(P), -right.ppf(1 - P), rtol=1e-7)
    np.testing.assert_allclose(left.cdf([-30.0, -1.0, 2.4, 2.6]), 1 - right.cdf([30.0, 1.0, -2.4, -2.6]), atol=1e-12)
    assert (left.mean, left.sd) == pytest.approx((-right.mean, right.sd))
    assert left.support == (-np.inf, pytest.approx(2.5))


def test_skewness_near_zero_is_the_normal_law():
    near, normal = Distribution("skewed", (1.0, 2.0, 1e-9)), Distribution("normal", (1.0, 2.0))
    np.testing.assert_allclose(near.ppf(P), normal.ppf(P), rtol=1e-7)
    np.testing.assert_allclose(near.cdf(normal.ppf(P)), P, rtol=1e-6)
    assert (near.mean, near.sd) == pytest.approx((1.0, 2.0))


def test_a_fixed_value_has_no_spread_and_no_density():
    fixed = Distribution("fixed", (3.0,))
    assert (fixed.mean, fixed.sd, fixed.median, fixed.interval()) == (3.0, 0.0, 3.0, (3.0, 3.0))
    np.testing.assert_array_equal(fixed.cdf([2.9, 3.0, 3.1]), [0, 1, 1])
    np.testing.assert_array_equal(fixed.sample(np.random.default_rng(1), (2, 2)), np.full((2, 2), 3.0))
    with pytest.raises(ElicitationError, match="no density"):
        fixed.pdf(3.0)


def test_printed_tables():
    # NIST/SEMATECH e-Handbook of Statistical Methods, 1.3.6.7.1 and 1.3.6.7.4 (from memory): the standard normal
    # at 1.645 and the upper 5 % of chi-square with 10 degrees of freedom
    assert Distribution("normal", (0.0, 1.0)).ppf(0.95) == pytest.approx(1.645, abs=5e-4)
    assert Distribution("gamma", (5.0, 2.0)).ppf(0.95) == pytest.approx(18.307, abs=5e-4)
    # median ranks of a sample of ten, tables of reliability handbooks (from memory): 0.0670, 0.1623, 0.2586
    ranks = [Distribution("beta", (float(k), float(11 - k))).median for k in (1, 2, 3)]
    np.testing.assert_allclose(ranks, [0.0670, 0.1623, 0.2586], atol=5e-5)
    # mean a / (a + b) of the beta law, common practice, no source: 3 of 60 is 5 %, 3 of 25 is 12 %
    assert Distribution("beta", (3.0, 57.0)).mean == pytest.approx(0.05)
    assert Distribution("beta", (3.0, 22.0)).mean == pytest.approx(0.12)


# ------------------------------------------------------------------------------------------- fits


@pytest.mark.parametrize(("ours", "library"), TWINS[:-1], ids=NAMES[:-1])
@pytest.mark.parametrize("asked", [THREE, (0.05, 0.25, 0.5, 0.75, 0.95), (0.1, 0.9, 0.99)])
def test_a_fit_recovers_the_law_its_quantiles_came_from(ours, library, asked):
    fit = fit_quantiles(asked, library.ppf(asked), family=ours.family)
    np.testing.assert_allclose(fit.distribution.parameters, ours.parameters, rtol=1e-5)
    assert fit.misfit < 1e-7
    np.testing.assert_allclose(fit.distribution.cdf(library.ppf(asked)), asked, atol=1e-7)


def test_two_quantiles_are_met_by_two_parameters():
    for family in ("normal", "lognormal", "gamma", "beta"):
        fit = fit_quantiles((0.05, 0.95), (0.2, 0.7), family=family)
        assert fit.distribution.interval() == pytest.approx((0.2, 0.7), abs=1e-7)


finite = st.floats(-1e4, 1e4, allow_nan=False)
step = st.floats(1e-3, 1e4)


@settings(max_examples=150, deadline=None)
@given(finite, step, step)
def test_the_skewed_family_meets_any_increasing_three(low, first, second):
    x = np.array([low, low + first, low + first + second])
    assume((np.diff(x) > 0).all())
    fit = fit_quantiles(THREE, x, family="skewed")
    np.testing.assert_allclose(fit.distribution.ppf(THREE), x, rtol=1e-7, atol=1e-7 * (first + second))
    inside = np.linspace(x[0], x[2], 41)
    assert (np.diff(fit.distribution.cdf(inside)) >= 0).all()


@settings(max_examples=60, deadline=None)
@given(finite, step, st.floats(0.1, 10.0), st.tuples(*[st.floats(0.01, 0.99)] * 3))
def test_and_at_any_three_probabilities(low, first, ratio, asked):
    # a skewness above 20 or so puts the nearer quantile on the bound to the last digit, so steps stay comparable
    p = np.sort(np.asarray(asked))
    assume((np.diff(p) > 0.1).all())
    second = first * ratio
    x = np.array([low, low + first, low + first + second])
    fit = fit_quantiles(p, x, family="skewed")
    np.testing.assert_allclose(fit.distribution.ppf(p), x, rtol=1e-6, atol=1e-6 * (first + second))


@settings(max_examples=80, deadline=None)
@given(st.floats(-3, 3), st.floats(0.05, 2.0), st.floats(0.001, 0.999))
def test_quantile_and_probability_undo_each_other(mu, sigma, p):
    for law in (
        Distribution("lognormal", (mu, sigma)),
        Distribution("skewed", (mu, sigma, sigma - 1)),
        Distribution("gamma", (1 / sigma, sigma)),
        Distribution("beta", (1 / sigma, 1 + np.exp(mu))),  # below 1 the quantile sits at 1 to the last digit
    ):
        assert law.cdf(law.ppf(p)) == pytest.approx(p, rel=1e-7)


def test_the_family_follows_the_support_and_the_misfit():
    symmetric = fit_quantiles(THREE, (-2.0, 0.0, 2.0))
    assert symmetric.distribution.family == "normal"
    assert set(symmetric.considered) == {"normal", "skewed"}
    assert fit_quantiles(THREE, (-1.0, 0.0, 4.0)).distribution.family == "skewed"
    # 2 / 3.46 / 6 is symmetric in the logarithm
    assert fit_quantiles(THREE, (2.0, 12**0.5, 6.0), support="positive").distribution.family == "lognormal"
    gamma = stats.gamma(0.5, scale=3)
    assert fit_quantiles(THREE, gamma.ppf(THREE), support="positive").distribution.family == "gamma"
    assert fit_quantiles(THREE, stats.beta(3, 27).ppf(THREE), support="unit").distribution.family == "beta"


def test_a_positive_quantity_never_gets_a_law_that_goes_below_zero():
    fit = fit_quantiles(THREE, (4.0, 8.0, 15.0), support="positive")  # the exact skewed law would reach below 0
    assert "skewed" not in fit.considered
    assert fit.distribution.support[0] == 0
    exact = fit_quantiles(THREE, (5.0, 12.0, 40.0), support="positive")
    assert exact.distribution.family == "skewed"
    assert exact.distribution.support[0] > 0
    assert exact.distribution.interval() == pytest.approx((5.0, 40.0))


def test_misfit_is_the_largest_distance_in_probability():
    p, x = np.array(THREE), np.array([2.0, 5.0, 14.0])
    fit = fit_quantiles(p, x, family="lognormal")
    mu, sigma = fit.distribution.parameters
    library = stats.lognorm(sigma, scale=np.exp(mu))
    assert fit.misfit == pytest.approx(np.abs(library.cdf(x) - p).max())
    assert fit.misfit < MISFIT_LIMIT

    def squares(parameters):
        return (
            (stats.norm.ppf(stats.lognorm(parameters[1], scale=np.exp(parameters[0])).cdf(x)) - stats.norm.ppf(p)) ** 2
        ).sum()

    for moved in ((mu + 0.01, sigma), (mu - 0.01, sigma), (mu, sigma * 1.01), (mu, sigma / 1.01)):
        assert squares(moved) > squares((mu, sigma))


def test_a_poor_fit_warns_and_says_of_what():
    with pytest.warns(RiskModelWarning, match=r"core: the normal distribution misses .* by up to 0\.\d\d\d"):
        fit = fit_quantiles(THREE, (1.0, 2.0, 20.0), family="normal", name="core")
    assert fit.misfit > MISFIT_LIMIT


# ------------------------------------------------------------------------------------------ pools


def test_a_pool_of_one_is_itself():
    law = Distribution("gamma", (2.0, 3.0))
    for method in ("linear", "logarithmic"):
        alone = pool([law], method=method)
        np.testing.assert_allclose(alone.ppf(P[1:]), law.ppf(P[1:]), rtol=2e-5)
        np.testing.assert_allclose(alone.cdf([1.0, 5.0, 20.0]), law.cdf([1.0, 5.0, 20.0]), atol=2e-6)
    one = Expert("A", THREE, (2.0, 5.0, 12.0))
    assert pool_experts([one], support="positive") == fit_quantiles(THREE, (2.0, 5.0, 12.0), support="positive")


def test_the_linear_pool_equals_the_library_s_mixture():
    a, b = Distribution("normal", (0.0, 1.0)), Distribution("normal", (4.0, 0.5))
    ours = pool([a, b], [3, 1])
    library = stats.Mixture([stats.Normal(mu=0, sigma=1), stats.Normal(mu=4, sigma=0.5)], weights=[0.75, 0.25])
    x = np.linspace(-3, 6, 19)
    np.testing.assert_allclose(ours.cdf(x), library.cdf(x), rtol=1e-12)
    np.testing.assert_allclose(ours.cdf(x), 0.75 * a.cdf(x) + 0.25 * b.cdf(x))
    np.testing.assert_allclose(ours.ppf(P), library.icdf(P), atol=1e-6)
    assert ours.ppf([[0.1, 0.9]]).shape == (1, 2)
    assert np.isnan(ours.ppf([0.0, 1.0, np.nan])).all()


def test_the_logarithmic_pool_of_two_normals_is_a_normal():
    # weighted precisions add: 1/s^2 = sum w_i / s_i^2, mean = s^2 sum w_i m_i / s_i^2 (completing the square)
    weights, means, sds = np.array([0.7, 0.3]), np.array([0.0, 3.0]), np.array([1.0, 0.2])
    precision = (weights / sds**2).sum()
    known = stats.norm((weights * means / sds**2).sum() / precision, precision**-0.5)
    ours = pool([Distribution("normal", pair) for pair in zip(means, sds, strict=True)], weights, method="logarithmic")
    np.testing.assert_allclose(ours.ppf(P[1:]), known.ppf(P[1:]), atol=2e-4 * known.std())
    np.testing.assert_allclose(ours.cdf(known.ppf(P)), P, atol=1e-5)


def test_the_logarithmic_pool_of_beta_and_gamma_laws_keeps_the_family():
    # x^(a-1) exp(-x/s) and x^(a-1) (1-x)^(b-1): exponents average, rates average
    gammas = [Distribution("gamma", (2.0, 1.0)), Distribution("gamma", (6.0, 0.5))]
    known = stats.gamma(0.25 * 2 + 0.75 * 6, scale=1 / (0.25 / 1.0 + 0.75 / 0.5))
    np.testing.assert_allclose(pool(gammas, [1, 3], method="logarithmic").cdf(known.ppf(P)), P, atol=1e-5)
    betas = [Distribution("beta", (3.0, 57.0)), Distribution("beta", (3.0, 22.0))]
    np.testing.assert_allclose(pool(betas, method="logarithmic").cdf(stats.beta(3, 39.5).ppf(P)), P, atol=1e-5)


def test_order_and_scale_of_weights_do_not_matter():
    laws = [Distribution("lognormal", (m, 0.4)) for m in (0.0, 0.5, 1.5)]
    for method in ("linear", "logarithmic"):
        first = pool(laws, [1, 2, 3], method=method).ppf(THREE)
        np.testing.assert_allclose(pool(laws[::-1], [30, 20, 10], method=method).ppf(THREE), first, rtol=1e-6)


def test_experts_who_disagree_are_pooled_into_something_wider():
    experts = [Expert("A", THREE, (2.0, 4.0, 8.0)), Expert("B", THREE, (3.0, 6.0, 12.0), weight=2.0)]
    linear = pool_experts(experts, family="lognormal")
    log = pool_experts(experts, family="lognormal", method="logarithmic")
    one = np.log(8 / 2) / (2 * 1.644854)
    assert linear.distribution.parameters[1] > one
    # the log pool of lognormals is the log pool of the normals of ln x: same spread, weighted mean of the logs
    np.testing.assert_allclose(log.distribution.parameters, (np.log(4) / 3 + np.log(6) * 2 / 3, one), rtol=1e-4)
    assert linear.misfit < MISFIT_LIMIT


# --------------------------------------------------------------------------------------- refusals


@pytest.mark.parametrize(
    ("family", "parameters", "message"),
    [
        ("weibull", (1.0, 2.0), "`family` must be one of normal, lognormal"),
        ("beta", (1.0,), "a beta distribution needs a, b; got 1 values"),
        ("normal", (0.0, 0.0), "`sd` of a normal distribution must be positive and finite; got 0"),
        ("gamma", (-1.0, 1.0), "`shape` of a gamma distribution must be positive"),
        ("skewed", (0.0, 1.0, np.nan), "`skewness` of a skewed distribution must be finite; got nan"),
        ("fixed", (np.inf,), "`value` of a fixed distribution must be finite; got inf"),
    ],
)
def test_parameters_no_law_can_have(family, parameters, message):
    with pytest.raises(ElicitationError, match=re.escape(message)):
        Distribution(family, parameters)


@pytest.mark.parametrize(
    ("p", "x", "options", "message"),
    [
        (THREE, (3, 2, 9), {}, "q: quantiles must be finite and increase with their probability; got 3, 2, 9. Swap"),
        (THREE, (1, 2, np.inf), {}, "quantiles must be finite"),
        ((0.5, 0.05, 0.95), (1, 2, 3), {}, "probabilities must increase inside 0 to 1; got 0.5, 0.05, 0.95"),
        ((0.0, 0.5, 1.0), (1, 2, 3), {}, "probabilities must increase inside 0 to 1"),
        ((0.5,), (1,), {}, "at least two quantiles are needed"),
        (THREE, (1, 2), {}, "one value to each probability; got 3 probabilities and 2 values"),
        (
            THREE,
            (0, 2, 3),
            {"support": "positive"},
            "quantiles must lie above 0; got 0, 2, 3. Check the values and the unit",
        ),
        (THREE, (0.2, 0.5, 1.2), {"support": "unit"}, "quantiles must lie between 0 and 1"),
        (THREE, (-1, 2, 3), {"family": "lognormal"}, "quantiles must lie above 0"),
        (THREE, (1, 2, 3), {"support": "whole"}, "`support` must be one of real, positive, unit"),
        (THREE, (1, 2, 3), {"family": "fixed"}, "`family` must be one of normal, lognormal, beta, gamma, skewed"),
        (THREE, (1, 2, 3), {"family": "cauchy"}, "got 'cauchy'"),
        ((0.05, 0.95), (1, 2), {"family": "skewed"}, "needs three quantiles; got 2"),
        (THREE, (1, 5, 9), {"family": "skewed", "support": "positive"}, "no skewed distribution that lies above 0"),
    ],
)
def test_quantiles_no_law_can_have(p, x, options, message):
    with pytest.raises(ElicitationError, match=re.escape(message)) as caught:
        fit_quantiles(p, x, name="q", **options)
    assert isinstance(caught.value, ValueError)
    assert isinstance(caught.value, RiskModelError)
    assert "!" not in str(caught.value)


@pytest.mark.parametrize(
    ("arguments", "options", "message"),
    [
        (([],), {}, "at least one distribution"),
        (([Distribution("fixed", (1.0,))],), {}, "no fixed value"),
        (([Distribution("normal", (0.0, 1.0))], [0.0]), {}, "one positive, finite weight; got 0"),
        (([Distribution("normal", (0.0, 1.0))], [1.0, 2.0]), {}, "every expert needs one"),
        (([Distribution("normal", (0.0, 1.0))],), {"method": "mean"}, "linear or logarithmic; got 'mean'"),
    ],
)
def test_pools_that_cannot_be(arguments, options, message):
    with pytest.raises(ElicitationError, match=re.escape(message)):
        pool(*arguments, **options)


def test_experts_without_common_ground_have_no_logarithmic_pool():
    apart = [Distribution("skewed", (0.0, 1.0, -2.0)), Distribution("skewed", (9.0, 1.0, 2.0))]
    with pytest.raises(ElicitationError, match="ranges do not overlap"):
        pool(apart, method="logarithmic")
    with pytest.raises(ElicitationError, match="x: no expert was given"):
        pool_experts([], name="x")
