"""Coordinates of what groups share, on crossed groups of normal readings whose answer is known in closed form."""

from __future__ import annotations

from dataclasses import replace
from types import SimpleNamespace

import numpy as np
import pytest

from riskmodel.frame import Frame, Nested, climb
from riskmodel.groupcoordinates import GroupCoordinates, GroupTerms
from riskmodel.parameters import Bends
from riskmodel.sharedcoordinates import Quadratic, SharedCoordinates, Spreads, few_terms
from riskmodel.spreadcoordinates import SpreadCoordinates

LEVEL, SPREADS = 0, (1, 2)
GROUPS = GroupTerms(1, np.arange(3, 9)), GroupTerms(2, np.arange(9, 13))
SIZE, NOISE, PRIOR = 13, 0.3, 5.0
RNG = np.random.default_rng(4)
OWNERS = RNG.integers(0, 6, 90), RNG.integers(0, 4, 90)
SEEN = 2.0 + RNG.normal(0.0, 0.5, 6)[OWNERS[0]] + RNG.normal(0.0, 0.8, 4)[OWNERS[1]] + RNG.normal(0.0, NOISE, 90)
SCORES = SpreadCoordinates(np.zeros(0, int), np.zeros(0), np.zeros(0))


BENDS = Bends(np.array(SPREADS), np.zeros(0, int), np.zeros(0, int), np.zeros((3, 0)))
LAYOUT = SimpleNamespace(bends=BENDS, natural=BENDS.natural)


def crossed(x):
    """Readings about level + sd a[owner] + sd b[other owner]; level N(0, 5), the rest and ln sds standard normal."""
    value = BENDS.natural(x)[0]
    terms = [value[own.spread] * value[own.raw] for own in GROUPS]
    off = (SEEN - value[LEVEL] - terms[0][OWNERS[0]] - terms[1][OWNERS[1]]) / NOISE**2
    scaled = np.where(np.arange(SIZE) == LEVEL, x / PRIOR**2, x)
    slope = -scaled
    slope[LEVEL] += off.sum()
    for own, owner, term in zip(GROUPS, OWNERS, terms, strict=True):
        by_level = np.bincount(owner, off, minlength=len(own.raw))
        slope[own.raw] += value[own.spread] * by_level
        slope[own.spread] += by_level @ term
    return -0.5 * float(off @ off) * NOISE**2 - 0.5 * float(x @ scaled), slope


def level_given(spreads):
    """Mean and sd of the level with all terms integrated out: a normal with known covariance."""
    marks = [np.eye(len(own.raw))[owner] for own, owner in zip(GROUPS, OWNERS, strict=True)]
    covariance = NOISE**2 * np.eye(len(SEEN)) + sum(
        s**2 * mark @ mark.T for s, mark in zip(spreads, marks, strict=True)
    )
    weights = np.linalg.solve(covariance, np.ones(len(SEEN)))
    precision = PRIOR**-2 + weights.sum()
    return float(weights @ SEEN) / precision, precision**-0.5


@pytest.fixture(scope="module")
def parts():
    """All coordinates but the last, which moves the whole."""
    at, _ = climb(crossed, np.zeros(SIZE), np.array(SPREADS))
    groups, nested = [], Nested(())
    for number in range(len(GROUPS)):
        groups.append(GroupCoordinates.measured(LAYOUT, nested.density(crossed), at, GROUPS, number))
        nested, at = Nested((*nested.parts, groups[-1])), groups[-1].undo(at)
    apart = [*(own.raw for own in GROUPS), *(np.array([own.spread]) for own in GROUPS)]
    frame = Frame.at_mode(nested.density(crossed), at, apart)
    nested, spreads = Nested((*nested.parts, frame)), Spreads(LAYOUT, SCORES, frame, GROUPS)
    quadratic = Quadratic.measured(nested.density(crossed), nested.place, spreads)
    return frame, quadratic, SharedCoordinates.of(spreads, quadratic)


@pytest.mark.parametrize("spreads", [(0.1, 0.2), (0.4, 1.5), (2.0, 0.1), (1.0, 1.5)])
def test_the_level_is_standard_normal_whatever_the_spreads(parts, spreads):
    """Along the one direction, 0 is the level's mean given the spreads, and 1 its standard deviation from there."""
    frame, _, shared = parts
    assert shared.directions.shape == (SIZE, 1)
    sign = np.sign(shared.directions[LEVEL, 0])
    y = np.zeros((2, SIZE))
    y[1, LEVEL] = sign
    y[:, SPREADS] = (np.log(spreads) - frame.mode[[1, 2]]) / frame.width[[1, 2]]
    levels = frame.place(shared.place(y))[:, LEVEL]
    mean, sd = level_given(spreads)
    assert levels[0] == pytest.approx(mean, abs=0.02 * sd)
    assert (levels[1] - levels[0]) * sign == pytest.approx(sd, rel=0.01)


def test_the_quadratic_is_that_of_the_readings(parts):
    """Grip of the terms: readings of each, and of each pair, over the variance of the noise."""
    marks = np.hstack([np.eye(len(own.raw))[owner] for own, owner in zip(GROUPS, OWNERS, strict=True)])
    np.testing.assert_allclose(parts[1].grip, marks.T @ marks / NOISE**2, rtol=1e-3, atol=0.05)


def test_the_density_is_only_written_otherwise(parts):
    """Density at z times the Jacobian; its gradient that of differences; and back again."""
    frame, _, shared = parts
    at_frame = frame.density(crossed)
    of, y = shared.density(at_frame), np.random.default_rng(2).normal(size=SIZE)
    np.testing.assert_allclose(shared.undo(shared.place(y)), y, rtol=0, atol=1e-10)
    step = 1e-5 * np.eye(SIZE)
    jacobian = (shared.place(y + step) - shared.place(y - step)) / 2e-5
    value, gradient = of(y)
    assert value == pytest.approx(at_frame(shared.place(y))[0] + np.linalg.slogdet(jacobian)[1], abs=1e-6)
    by_differences = [(of(y + d)[0] - of(y - d)[0]) / 2e-5 for d in step]
    np.testing.assert_allclose(gradient, by_differences, rtol=1e-5, atol=1e-4)


@pytest.mark.parametrize("spreads", [(2.0, 0.1), (0.2, 3.0)])
def test_wide_spreads_widen_no_more_than_they_are_wide(parts, spreads):
    """A quadratic that leaves too little precision: held at the usual one over the square, its gradient too."""
    frame, quadratic, shared = parts
    shared = replace(shared, quadratic=replace(quadratic, rest=0.3 * quadratic.rest))
    y = np.random.default_rng(3).normal(size=SIZE)
    y[list(SPREADS)] = (np.log(spreads) - frame.mode[[1, 2]]) / frame.width[[1, 2]]
    direction, at_frame = shared.directions[:, 0], frame.density(crossed)
    apart = shared.place(y + direction) - shared.place(y)
    wider = max(1.0, *(np.array(spreads) / shared.spreads.usual))
    own = direction[frame.turned]
    usual = float(own @ shared.quadratic.rest @ own) ** -0.5
    assert np.linalg.norm(apart) == pytest.approx(wider * usual, rel=1e-6)
    of, step = shared.density(at_frame), 1e-5 * np.eye(SIZE)
    by_differences = [(of(y + d)[0] - of(y - d)[0]) / 2e-5 for d in step]
    np.testing.assert_allclose(of(y)[1], by_differences, rtol=1e-5, atol=1e-3)
    np.testing.assert_allclose(shared.undo(shared.place(y)), y, rtol=0, atol=1e-9)


def test_only_small_groups_count():
    def sizes(*levels):
        return [len(own.raw) for own in few_terms([GroupTerms(0, np.arange(count)) for count in levels])]

    assert sizes(900, 12, 5) == [12, 5]
    assert sizes(38, 5) == [5]
    assert sizes() == []
