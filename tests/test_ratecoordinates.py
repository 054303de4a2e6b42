"""Coordinates of mechanisms: how often each strikes, against numerical integrals and differences."""

from __future__ import annotations

import numpy as np
import pytest
from builders import fixed, mechanism, priors, quantity
from scipy import integrate, stats
from scipy.special import expit, logit
from test_likelihood import records

from riskmodel.density import LogDensity
from riskmodel.ratecoordinates import RateCoordinates


@pytest.fixture(scope="module")
def study():
    return LogDensity.of(records(60), priors())


@pytest.fixture(scope="module")
def rates(study):
    return RateCoordinates.of(study, [])


def test_rates_are_what_they_are_called(study, rates):
    """ln of minus ln(1 - E), of the share and of a logistic-normal mean, each worked out otherwise."""
    x = study.layout.centre + np.random.default_rng(1).normal(size=study.layout.size) * 0.5
    value = dict(zip(range(study.layout.size), study.layout.natural(x)[0], strict=True))
    early, offset = value[rates.early], x[rates.offsets]
    share = np.exp(rates.log_share + offset) / np.exp(rates.log_share + offset).sum()
    effect = np.zeros(len(offset))
    for row, element in zip(rates.acts, rates.effects, strict=True):
        effect[row > 0.0] = value[element]
    for m, intercept in enumerate(rates.intercept):
        variance = rates.fixed[m] + effect[m] ** 2
        variance += sum(on[m] * value[element] ** 2 for on, element in zip(rates.widens, rates.spreads, strict=True))
        sd = max(np.sqrt(variance), 1e-9)
        mean, _ = integrate.quad(lambda s, a=intercept, v=sd: expit(a + v * s) * stats.norm.pdf(s), -12.0, 12.0)
        expected = np.log(-np.log1p(-early)) + np.log(share[m]) + np.log(mean)
        assert rates.undo(x)[rates.offsets[m]] == pytest.approx(expected, abs=1e-6)
    assert rates.undo(x)[rates.early] == pytest.approx(offset.mean())


def test_a_stronger_score_strikes_no_more_often(study, rates):
    """At one rate the programme keeps its failures by a mechanism; in the parameters a doubled effect raises them."""
    y = rates.undo(study.layout.centre)

    def struck(x, strong):
        """Programme's mean chance of the first mechanism, its target met at the prior's own effect."""
        effect = study.layout.natural(x)[0][rates.effects[0]]
        total = -np.log1p(-expit(x[rates.early]))
        offset = rates.log_share + x[rates.offsets]
        chance = total * np.exp(offset[0]) / np.exp(offset).sum()
        variance = study.baseline.life.spread[0] ** 2
        other = variance - priors().mechanisms[0].score_effect.distribution.mean ** 2 + effect**2
        low, high = -30.0, 5.0
        mean = lambda a, v: integrate.quad(lambda s: expit(a + np.sqrt(v) * s) * stats.norm.pdf(s), -10, 10)[0]  # noqa: E731
        for _ in range(60):
            middle = 0.5 * (low + high)
            low, high = (middle, high) if mean(middle, variance) < chance else (low, middle)
        return mean(low, other if strong else variance)

    strong, moved = y.copy(), study.layout.centre.copy()
    strong[rates.effects[0]] += np.log(2.0)
    moved[rates.effects[0]] += np.log(2.0)
    usual = struck(rates.place(y), True)
    assert struck(rates.place(strong), True) == pytest.approx(usual, rel=0.15)
    assert struck(moved, True) > 1.25 * usual


def normal(x):
    return -0.5 * float(x @ x), -x


@pytest.mark.parametrize("far", [0.3, 3.0])
def test_the_density_is_only_written_otherwise(study, rates, far):
    """In y: density at x times the Jacobian but for one constant, its gradient that of differences; and back again."""
    density = study.value_and_gradient if far < 1.0 else normal
    rng, of, constants = np.random.default_rng(2), rates.density(density), []
    for _ in range(3):
        y = rates.undo(study.layout.centre + rng.normal(size=study.layout.size) * far)
        np.testing.assert_allclose(rates.undo(rates.place(y)), y, rtol=1e-9, atol=1e-9)
        step = np.eye(len(y)) * 1e-5
        jacobian = (rates.place(y + step) - rates.place(y - step)) / 2e-5
        value, gradient = of(y)
        constants.append(value - density(rates.place(y))[0] - np.linalg.slogdet(jacobian)[1])
        by_differences = [(of(y + d)[0] - of(y - d)[0]) / 2e-5 for d in step]
        np.testing.assert_allclose(gradient, by_differences, rtol=2e-4, atol=2e-4)
    np.testing.assert_allclose(constants, constants[0], rtol=0, atol=1e-6)


def test_many_points_at_once_are_the_same(study, rates):
    rng = np.random.default_rng(3)
    y = rates.undo(study.layout.centre) + rng.normal(size=(2, 3, study.layout.size)) * 0.3
    one_by_one = [[rates.place(point) for point in row] for row in y]
    np.testing.assert_allclose(rates.place(y), one_by_one, rtol=1e-13)
    values, slopes = rates.density(lambda x: (-0.5 * (x**2).sum(axis=-1), -x))(y)
    alone = [rates.density(lambda x: (-0.5 * float(x @ x), -x))(point) for point in y.reshape(-1, y.shape[-1])]
    np.testing.assert_allclose(values.ravel(), [value for value, _ in alone], rtol=1e-12)
    np.testing.assert_allclose(slopes.reshape(len(alone), -1), [slope for _, slope in alone], rtol=1e-10, atol=1e-12)


def test_a_search_may_look_far_out(study, rates):
    """No warning, and numbers, wherever a search steps."""
    for far in (-1e3, 1e3):
        y = rates.undo(study.layout.centre)
        y[rates.offsets[0]] = far
        assert np.isfinite(rates.place(y)).all()
        assert logit(1.0 - 1e-16) < rates.place(y)[rates.early] or far < 0.0


@pytest.mark.parametrize(
    "changes",
    [{"share_sd": fixed(0.0)}, {"early_failure": fixed(0.1)}, {"early_failure": quantity("lognormal", -2.3, 0.3)}],
)
def test_where_there_is_nothing_to_turn_the_two_are_the_same(changes):
    study = LogDensity.of(records(30), priors(**changes))
    none = RateCoordinates.of(study, [])
    x = study.layout.centre
    assert none.place(x) is x
    assert none.undo(x) is x
    assert none.density(study.value_and_gradient) == study.value_and_gradient


def test_a_mechanism_without_a_score_effect_has_its_rate_too():
    """Its log-odds vary with the groups alone, or not at all."""
    both = mechanism("late_sawing", "workmanship", 0.6, 5.0), mechanism("plain", "other", 0.4, 6.0)
    study = LogDensity.of(records(30), priors(mechanisms=both, measures=()))
    rates = RateCoordinates.of(study, [])
    assert len(rates.effects) == 1
    assert rates.acts.tolist() == [[1.0, 0.0]]
    y = rates.undo(study.layout.centre)
    value, gradient = rates.density(study.value_and_gradient)(y)
    assert np.isfinite(value)
    assert np.isfinite(gradient).all()
