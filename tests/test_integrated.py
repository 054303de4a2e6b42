"""Terms integrated out one by one, against scipy's quadrature of counts with a spread between their levels."""

from __future__ import annotations

from concurrent.futures import ThreadPoolExecutor

import numpy as np
import pytest
from scipy import integrate, stats

from riskmodel.integrated import integrated
from riskmodel.scorecoordinates import SCORES, ScoreCoordinates

LEVELS, MEAN = 60, 1.5
COUNTS = np.random.default_rng(11).poisson(MEAN * np.exp(0.25 * np.random.default_rng(12).normal(size=LEVELS)))
SPREAD, TERMS = 0, np.arange(1, LEVELS + 1)
SCALE = 0.3
"""Of the spread: exp(z), times this."""


def counted(z):
    """Poisson counts of levels, standard normal priors; terms stand as what is left of them once the spread is known.

    Without the slope along the spread, which nothing here asks for.
    """
    spread, y = SCALE * np.exp(z[..., :1]), z[..., 1:]
    variance = 1.0 / (1.0 + spread**2 * MEAN)
    x = spread * variance * (COUNTS - MEAN) + np.sqrt(variance) * y
    mean = MEAN * np.exp(spread * x)
    value = (COUNTS * spread * x - mean - 0.5 * x**2 + 0.5 * np.log(variance)).sum(axis=-1) - 0.5 * z[..., 0] ** 2
    slope = np.sqrt(variance) * (spread * (COUNTS - mean) - x)
    return value, np.concatenate([np.zeros_like(spread), slope], axis=-1)


def exact(z):
    """Ln of the density of z_0 with the terms integrated out by quadrature, but for a constant."""
    spread = SCALE * np.exp(z)

    def chance(count):
        own = lambda x: stats.poisson.pmf(count, MEAN * np.exp(spread * x)) * stats.norm.pdf(x)  # noqa: E731
        return integrate.quad(own, -9.0, 9.0, epsabs=0.0, epsrel=1e-11)[0]

    each = {count: np.log(chance(count)) for count in np.unique(COUNTS)}
    return sum(each[count] for count in COUNTS) - 0.5 * z**2


def points(places):
    out = np.random.default_rng(1).normal(size=(len(places), LEVELS + 1))
    out[:, SPREAD] = places
    return out


def test_the_integral_is_that_of_quadrature():
    """Whatever terms the points have; over spreads of 0.04 to 0.8, all but the last beyond what records allow."""
    places = np.array([-2.0, -1.0, -0.5, 0.0, 0.5, 1.0])
    with ThreadPoolExecutor(2) as hands:
        found = integrated(counted, points(places), TERMS, hands.map)
    wanted = np.array([exact(z) for z in places])
    np.testing.assert_allclose(np.diff(found), np.diff(wanted), atol=5e-3)
    np.testing.assert_allclose(np.diff(found[:4]), np.diff(wanted[:4]), atol=5e-4)
    bare = np.where(np.arange(LEVELS + 1) == SPREAD, points(places), 0.0)
    np.testing.assert_array_equal(found, integrated(counted, bare, TERMS))


def test_scores_of_a_spread_are_those_of_its_own_density():
    """Against quantiles from the density by quadrature, tails included; and all but the spread is left alone."""
    places = np.linspace(-7.0, 3.0, 201)
    density = np.array([exact(z) for z in places])
    below = integrate.cumulative_trapezoid(np.exp(density - density.max()), places, initial=0.0)
    found = ScoreCoordinates.of_spread(counted, LEVELS + 1, SPREAD, TERMS)
    y = np.random.default_rng(2).normal(size=(9, LEVELS + 1))
    y[:, SPREAD] = scores = np.linspace(-2.5, 2.5, 9)
    placed = found.place(y)
    wanted = np.interp(stats.norm.cdf(scores), below / below[-1], places)
    np.testing.assert_allclose(placed[:, SPREAD], wanted, atol=0.05)
    np.testing.assert_array_equal(placed[:, TERMS], y[:, TERMS])


def test_how_large_the_density_is_does_not_count():
    """The records of 100,000 sections have a log density of -2 million."""

    def moved(z):
        value, slope = counted(z)
        return value - 3e6, slope

    here, there = (ScoreCoordinates.of_spread(one, LEVELS + 1, SPREAD, TERMS) for one in (counted, moved))
    np.testing.assert_allclose(there.pieces, here.pieces, atol=1e-6)


def test_a_density_far_to_one_side_is_found():
    """Nothing of it lies where the places begin."""
    moved, away = 9.0, np.zeros(LEVELS + 1)
    away[SPREAD] = moved
    near = ScoreCoordinates.of_spread(counted, LEVELS + 1, SPREAD, TERMS)
    far = ScoreCoordinates.of_spread(lambda z: counted(z - away), LEVELS + 1, SPREAD, TERMS)
    y = np.zeros((len(SCORES), LEVELS + 1))
    y[:, SPREAD] = SCORES
    inner = np.abs(SCORES) < 2.6
    np.testing.assert_allclose(far.place(y)[inner, SPREAD], near.place(y)[inner, SPREAD] + moved, atol=0.25)


def test_a_place_without_a_density_is_out_of_the_question():
    def cut(z):
        value, slope = counted(z)
        return (np.nan, slope) if z[SPREAD] > 0.5 else (value, slope)

    found = ScoreCoordinates.of_spread(cut, LEVELS + 1, SPREAD, TERMS)
    top = np.zeros((1, LEVELS + 1))
    top[0, SPREAD] = SCORES[-1]
    assert found.place(top)[0, SPREAD] == pytest.approx(0.5, abs=0.6)
