"""Normal scores along skewed directions, on densities whose quantiles scipy knows."""

from __future__ import annotations

import numpy as np
import pytest
from scipy import stats

from riskmodel.scorecoordinates import GENTLE, SCORES, ScoreCoordinates

SIZE, SHAPES = 4, {1: 4.0, 2: 1.5}
ALL = np.arange(SIZE)


def skewed(z):
    """Standard normals beside ln of gamma quantities, each with its mode at 0 and unit curvature there; sign of the
    second turned."""
    value, slope = -0.5 * (z**2).sum(axis=-1), -z.copy()
    for element, shape in SHAPES.items():
        own = _sign(element) * z[..., element] / np.sqrt(shape)
        value = value + 0.5 * z[..., element] ** 2 + shape * (own - np.exp(own))
        slope[..., element] = _sign(element) * np.sqrt(shape) * (1.0 - np.exp(own))
    return value, slope


def _sign(element):
    return -1.0 if element == 2 else 1.0


def quantile(element, score):
    """The element at a normal score."""
    own = stats.gamma.ppf(stats.norm.cdf(_sign(element) * score), SHAPES[element], scale=1.0 / SHAPES[element])
    return _sign(element) * np.sqrt(SHAPES[element]) * np.log(own)


TURN = stats.ortho_group.rvs(SIZE, random_state=np.random.default_rng(7))


def turned(z):
    """The same in other directions: skewed along two columns of `TURN`, along no element."""
    value, slope = skewed(z @ TURN)
    return value, slope @ TURN.T


@pytest.fixture(scope="module")
def found():
    return ScoreCoordinates.measured(skewed, SIZE, ALL)


def test_only_what_is_skewed_is_taken(found):
    np.testing.assert_allclose(np.abs(found.directions), np.eye(SIZE)[:, [2, 1]], atol=1e-12)
    np.testing.assert_allclose(np.abs(ScoreCoordinates.measured(skewed, SIZE, np.array([0, 1])).directions), [[0], [1]])
    assert not ScoreCoordinates.measured(skewed, SIZE, np.array([0, 3])).directions.size


def test_directions_are_found_wherever_they_point():
    """Along one the density is what it is along the element before the turn."""
    own = ScoreCoordinates.measured(turned, SIZE, ALL)
    overlap = np.abs(TURN.T @ own.directions)
    np.testing.assert_allclose(overlap[:, np.argsort(overlap[2])], np.eye(SIZE)[:, [1, 2]], atol=0.05)
    of, score = own.density(turned), np.linspace(-2.5, 2.5, 101)
    for direction in own.directions.T:
        value = of(score[:, None] * direction)[0] + 0.5 * score**2
        assert np.ptp(value) < 0.25


def test_quantiles_are_those_of_the_density(found):
    """Within what smoothing a spline costs: a sixth of the squared spacing times the bend."""
    for element in SHAPES:
        for score in np.linspace(-2.5, 2.5, 11):
            y = np.zeros(SIZE)
            y[element] = score
            wanted, step = quantile(element, score), 0.5
            bend = quantile(element, score + step) - 2.0 * wanted + quantile(element, score - step)
            assert found.place(y)[element] == pytest.approx(wanted + bend / 6.0, abs=0.08)


@pytest.mark.parametrize("level", [-3e6, 1e5])
def test_how_large_the_density_is_does_not_count(found, level):
    """The records of 100,000 sections have a log density of -2 million."""

    def moved(z):
        value, slope = skewed(z)
        return value + level, slope

    np.testing.assert_allclose(ScoreCoordinates.measured(moved, SIZE, ALL).pieces, found.pieces, atol=1e-6)


def test_in_the_scores_it_is_about_normal(found):
    """The third derivative falls to a tenth, and the density is standard normal within a few hundredths."""
    of, before = found.density(skewed), skewed
    score = np.linspace(-2.5, 2.5, 101)
    for element in SHAPES:
        y = np.zeros((len(score), SIZE))
        y[:, element] = score
        for density, largest in ((of, 0.12), (before, np.inf)):
            value = density(y)[0] + 0.5 * score**2
            assert np.ptp(value) < largest
        assert np.ptp(before(y)[0] + 0.5 * score**2) > 0.8


@pytest.mark.parametrize("far", [1.0, 8.0])
def test_the_density_is_only_written_otherwise(found, far):
    """Jacobian included, beyond the last score too; and back again."""
    y = np.random.default_rng(1).normal(size=(2, 3, SIZE)) * far
    z = found.place(y)
    np.testing.assert_allclose(found.undo(z), y, rtol=1e-9, atol=1e-9)
    step = 1e-5
    value, gradient = found.density(skewed)(y)
    slopes = [(found.place(y + step * own)[..., i] - found.place(y - step * own)[..., i]) / (2.0 * step)
              for i, own in enumerate(np.eye(SIZE))]  # fmt: skip
    np.testing.assert_allclose(value, skewed(z)[0] + np.log(slopes).sum(axis=0), rtol=1e-7, atol=1e-7)
    of = found.density(skewed)
    by_differences = [(of(y + step * own)[0] - of(y - step * own)[0]) / (2.0 * step) for own in np.eye(SIZE)]
    np.testing.assert_allclose(gradient, np.moveaxis(by_differences, 0, -1), rtol=1e-4, atol=1e-4 * far)


def test_scores_rise_everywhere():
    """A wall as steep as a density can have: quantiles crowd, and none turns back."""

    def walled(z):
        own = z[..., 0]
        return -0.5 * own**2 - np.exp(4.0 * (own - 1.0)), np.stack([-own - 4.0 * np.exp(4.0 * (own - 1.0))], axis=-1)

    found = ScoreCoordinates.measured(walled, 1, np.array([0]))
    place = found.place(np.linspace(-40.0, 40.0, 4001)[:, None])[:, 0]
    assert np.abs(found.directions).tolist() == [[1.0]]
    assert (np.diff(place) >= GENTLE[0] * 0.02 * (1.0 - 1e-6)).all()
    assert np.abs(place[2000]) < 1.0


def test_where_there_is_no_density_it_ends():
    """Places without one count as out of the question, whatever slope is told there."""

    def halved(z):
        own = z[..., 0]
        inside = np.minimum(own, 2.0)
        return np.where(own > 2.0, np.nan, -np.exp(inside)), np.where(own > 2.0, np.nan, -np.exp(inside))[..., None]

    found = ScoreCoordinates.measured(halved, 1, np.array([0]))
    assert found.place(np.array([[SCORES[-1]]]))[0, 0] < 3.1
    assert np.abs(found.directions).tolist() == [[1.0]]


def test_without_directions_the_density_is_itself():
    none = ScoreCoordinates.measured(skewed, SIZE, np.array([0, 3]))
    assert none.density(skewed) is skewed
    y = np.random.default_rng(2).normal(size=(3, SIZE))
    np.testing.assert_array_equal(none.place(y), y)
    np.testing.assert_array_equal(none.undo(y), y)
