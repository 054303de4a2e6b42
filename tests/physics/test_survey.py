"""Detection by cores against acceptance-sampling tables, other libraries' laws and a simulated road."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.stats import beta, betabinom, hypergeom

from riskmodel.errors import RiskModelError
from riskmodel.physics import survey

shares = st.floats(0.001, 0.999)
correlations = st.one_of(st.just(0.0), st.floats(0.001, 0.9))


def test_classic_sample_sizes():
    # 95/95 -> 59, from memory; 99/95 -> 90 is the published plan for 99 % confidence and 95 % sound (page not seen)
    assert survey.cores_needed(0.95, 0.05) == 59
    assert survey.cores_needed(0.99, 0.05) == 90


def test_closed_form_of_independent_cores():
    chance, prevalence = np.array([0.5, 0.8, 0.9, 0.99]), np.array([[0.02], [0.1], [0.4]])
    closed = np.ceil(np.log1p(-chance) / np.log1p(-prevalence * 0.85))
    assert (survey.cores_needed(chance, prevalence, sensitivity=0.85) == closed).all()


def test_rule_of_three():
    # published rule 3/n for n above 30 (ASTM E2334 scope, page not seen)
    assert survey.prevalence_bound(100) == pytest.approx(0.0295, abs=5e-5)
    assert survey.prevalence_bound(100) == pytest.approx(0.03, abs=1e-3)


@pytest.mark.parametrize(("unsound", "expected"), [(5, 45), (10, 25)])
def test_finite_lots(unsound, expected):
    # lot of 100 at 95 %, tables of acceptance sampling, from memory
    assert survey.cores_needed_of(0.95, 100, unsound) == expected


def test_predictive_value_of_a_rare_state():
    # 1 %, 0.99, 0.95 -> 1/6, textbook example, from memory
    assert survey.positive_predictive_value(0.01, 0.99, 0.95) == pytest.approx(1 / 6)


@pytest.mark.parametrize(
    ("clustering", "expected", "tolerance"),
    [
        (0.0, [0.41, 0.65, 0.88, 0.985], 0.005),
        (0.1, [0.35, 0.52, 0.67, 0.80], 0.01),
        (0.3, [0.27, 0.36, 0.44, 0.52], 0.01),
    ],
)
def test_clustering_is_the_limit(clustering, expected, tolerance):
    # the equations worked once by hand: 10 % unsound, 5, 10, 20, 40 cores
    got = survey.detection_chance([5, 10, 20, 40], 0.10, clustering=clustering)
    assert got == pytest.approx(expected, abs=tolerance)


@given(st.integers(0, 300), shares, st.floats(0.001, 0.95))
def test_beta_binomial_of_scipy(cores, prevalence, clustering):
    a, b = (share * (1 - clustering) / clustering for share in (prevalence, 1 - prevalence))
    expected = 1 - betabinom.pmf(0, cores, a, b)
    assert survey.detection_chance(cores, prevalence, clustering=clustering) == pytest.approx(expected, abs=1e-7)


@given(st.integers(1, 200), st.data())
def test_hypergeometric_of_scipy(lot, data):
    unsound, cores = data.draw(st.integers(0, lot)), data.draw(st.integers(0, lot))
    expected = 1 - hypergeom.pmf(0, lot, unsound, cores)
    assert survey.detection_chance_of(cores, lot, unsound) == pytest.approx(expected, abs=1e-8)


@pytest.mark.parametrize("sensitivity", [0.3, 0.85])
def test_imperfect_cores_on_a_simulated_road(sensitivity):
    # 200 000 roads whose local share has a beta law; tolerance four standard errors
    rng = np.random.default_rng(20260101)
    roads, cores, prevalence, clustering = 200_000, 12, 0.1, 0.2
    a, b = (share * (1 - clustering) / clustering for share in (prevalence, 1 - prevalence))
    hits = rng.binomial(cores, sensitivity * rng.beta(a, b, roads)) > 0
    got = survey.detection_chance(cores, prevalence, sensitivity=sensitivity, clustering=clustering)
    assert got == pytest.approx(hits.mean(), abs=4 * hits.std() / roads**0.5)


@settings(max_examples=60)
@given(st.integers(0, 5000), st.floats(0.001, 0.95), st.floats(0.05, 1), st.floats(0.001, 0.8))
def test_imperfect_cores_against_quantiles_of_the_road(cores, prevalence, sensitivity, clustering):
    # slow twin: the mean over 20 000 quantiles of the local share, whose own error is under 3e-4
    a, b = (share * (1 - clustering) / clustering for share in (prevalence, 1 - prevalence))
    local = beta.ppf((np.arange(20_000) + 0.5) / 20_000, a, b)
    expected = 1 - np.mean((1 - sensitivity * local) ** cores)
    got = survey.detection_chance(cores, prevalence, sensitivity=sensitivity, clustering=clustering)
    assert got == pytest.approx(expected, abs=3e-4)


def test_many_cores_keep_their_digits():
    # trap: the hypergeometric series of the same chance cancels to over a million here; the twin gives 1 - 3e-21
    got = survey.detection_chance(499, 0.23039875835, sensitivity=0.44354099, clustering=0.0014196945)
    assert got == pytest.approx(1.0, abs=1e-12)


@given(st.integers(0, 200), shares, shares, correlations)
def test_more_cores_never_find_less(cores, prevalence, sensitivity, clustering):
    options = {"sensitivity": sensitivity, "clustering": clustering}
    chances = survey.detection_chance([cores, cores + 1], prevalence, **options)
    assert 0 <= chances[0] <= chances[1] + 1e-12 <= 1 + 1e-12


@given(st.integers(2, 200), shares, shares, st.floats(0.001, 0.6), st.floats(0.01, 0.3))
def test_clustering_never_helps(cores, prevalence, sensitivity, clustering, more):
    spread = survey.detection_chance(cores, prevalence, sensitivity=sensitivity, clustering=clustering)
    closer = survey.detection_chance(cores, prevalence, sensitivity=sensitivity, clustering=clustering + more)
    assert closer <= spread + 1e-9


@given(st.integers(1, 100), st.floats(0.02, 0.5), st.floats(0.05, 0.5))
def test_detection_saturates(cores, prevalence, clustering):
    # with clustering each further core adds less, and doubling adds less than to independent cores that far along
    chances = survey.detection_chance([cores - 1, cores, cores + 1], prevalence, clustering=clustering)
    assert chances[2] - chances[1] <= chances[1] - chances[0] + 1e-12
    missed = 1 - survey.detection_chance([cores, 2 * cores], prevalence, clustering=clustering)
    assert missed[1] >= missed[0] ** 2 - 1e-12


@given(st.integers(1, 500), shares, shares)
def test_one_core_does_not_know_of_clustering(cores, prevalence, sensitivity):
    one = survey.detection_chance(1, prevalence, sensitivity=sensitivity, clustering=[0.0, 1e-5, 0.2, 0.9])
    assert one == pytest.approx(prevalence * sensitivity, rel=1e-6)
    close = survey.detection_chance(cores, prevalence, sensitivity=sensitivity, clustering=[0.0, 2e-6])
    assert close[0] == pytest.approx(close[1], abs=1e-3)


@settings(max_examples=50)
@given(st.floats(0.05, 0.99), st.floats(0.02, 0.5), st.floats(0.3, 1), correlations)
def test_cores_needed_is_the_least_that_serves(chance, prevalence, sensitivity, clustering):
    options = {"sensitivity": sensitivity, "clustering": clustering}
    needed = float(survey.cores_needed(chance, prevalence, **options))
    if np.isinf(needed):
        assert survey.detection_chance(survey.MOST_CORES, prevalence, **options) < chance
    else:
        assert survey.detection_chance(needed, prevalence, **options) >= chance - 1e-11
        assert survey.detection_chance(max(needed - 1, 0), prevalence, **options) < chance or needed == 0


def test_no_chance_wanted_needs_no_core():
    assert survey.cores_needed(0.0, 0.1) == 0


def test_hopeless_plans_say_so():
    assert np.isinf(survey.cores_needed(0.95, [0.0, 0.1], clustering=[0.0, 0.9])).all()


@given(st.floats(0, 0.99), shares)
def test_a_clean_survey_never_worsens_the_odds(prior, detection):
    left = survey.clean_survey_leaves(prior, detection)
    assert 0 <= left <= prior + 1e-12
    # odds form of Bayes' rule
    if prior > 0:
        assert left / (1 - left) == pytest.approx(prior / (1 - prior) * (1 - detection), rel=1e-6)


def test_reference_run_of_the_pre_survey():
    # the equations worked once by hand: 5 lane-miles, 0, 1, 2, 4, 8, 16 cores on each
    effect = survey.pre_survey_effect(5 * np.array([0, 1, 2, 4, 8, 16]))
    assert effect.detection == pytest.approx([0, 0.31, 0.47, 0.64, 0.77, 0.87], abs=0.006)
    assert effect.failure_chance == pytest.approx([0.176, 0.147, 0.132, 0.117, 0.105, 0.096], abs=6e-4)
    assert effect.log_odds == pytest.approx([0, -0.21, -0.34, -0.48, -0.60, -0.70], abs=0.006)
    assert effect.false_alarm == pytest.approx([0, 0.14, 0.26, 0.46, 0.70, 0.91], abs=0.006)


@given(st.integers(0, 200), st.integers(1, 200), shares, shares, correlations)
def test_pre_survey_is_monotone_and_saturates(cores, more, hidden, prevalence, clustering):
    options = {"hidden": hidden, "prevalence": prevalence, "clustering": clustering}
    few, many, most = (survey.pre_survey_effect(cores + step * more, **options) for step in (0, 1, 2))
    assert many.failure_chance <= few.failure_chance + 1e-12
    assert few.log_odds <= 1e-12
    assert few.failure_chance - many.failure_chance >= many.failure_chance - most.failure_chance - 1e-12
    assert many.false_alarm >= few.false_alarm


@given(st.integers(0, 100), shares)
def test_effect_is_the_mixture_by_hand(cores, hidden):
    effect = survey.pre_survey_effect(cores, hidden=hidden, clustering=0.0)
    found = 1 - (1 - 0.10 * 0.85) ** cores
    chance = hidden * ((1 - found) * 0.35 + found * 0.12) + (1 - hidden) * 0.06
    assert effect.failure_chance == pytest.approx(chance)


def test_samples_broadcast():
    got = survey.detection_chance([[5], [50]], [0.05, 0.1, 0.2], sensitivity=0.9, clustering=[0.0, 0.1, 0.3])
    assert got.shape == (2, 3)
    assert got[1, 2] == pytest.approx(float(survey.detection_chance(50, 0.2, sensitivity=0.9, clustering=0.3)))


@pytest.mark.parametrize(
    ("call", "match"),
    [
        (lambda: survey.detection_chance(-1, 0.1), "`cores`"),
        (lambda: survey.detection_chance(2.5, 0.1), "whole numbers"),
        (lambda: survey.detection_chance(5, 10), "`prevalence` must lie between 0 and 1.*not per cent"),
        (lambda: survey.detection_chance(5, 0.1, sensitivity=85), "`sensitivity`"),
        (lambda: survey.detection_chance(5, 0.1, clustering=1.0), "`clustering`"),
        (lambda: survey.cores_needed(1.0, 0.1), "`chance`"),
        (lambda: survey.detection_chance_of(5, 0, 0), "`lot`"),
        (lambda: survey.detection_chance_of(11, 10, 2), "may not exceed `lot`"),
        (lambda: survey.detection_chance_of(5, 10, 12), "may not exceed `lot`"),
        (lambda: survey.cores_needed_of(0.95, 100, 0), "nothing to find"),
        (lambda: survey.prevalence_bound(0), "`cores`"),
        (lambda: survey.prevalence_bound(10, 95), "`confidence`"),
        (lambda: survey.positive_predictive_value(0.0, 0.9, 1.0), "no core reported unsound"),
        (lambda: survey.positive_predictive_value(0.1, 0.9, 95), "`specificity`"),
        (lambda: survey.clean_survey_leaves(1.0, 0.5), "Certain trouble"),
        (lambda: survey.clean_survey_leaves(0.5, 50), "`detection`"),
        (lambda: survey.false_alarm_chance(5, 97), "`specificity`"),
        (lambda: survey.pre_survey_effect(5, hidden=40), "`hidden`"),
        (lambda: survey.pre_survey_effect(5, untreated=0), "`untreated`"),
        (lambda: survey.pre_survey_effect(5, treated=1), "`treated`"),
        (lambda: survey.pre_survey_effect(5, sound=0), "`sound`"),
    ],
)
def test_impossible_values_stop(call, match):
    with pytest.raises(RiskModelError, match=match):
        call()
