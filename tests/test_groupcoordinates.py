"""Coordinates of group terms, on a two-level normal model whose answer is known in closed form."""

from __future__ import annotations

from types import SimpleNamespace

import numpy as np
import pytest
from builders import priors
from scipy import stats
from test_likelihood import records

from riskmodel.chains import sampler_coordinates
from riskmodel.density import LogDensity
from riskmodel.frame import Frame, Nested, climb
from riskmodel.groupcoordinates import GroupCoordinates, GroupTerms, terms_of
from riskmodel.parameters import Bends
from riskmodel.ratecoordinates import RateCoordinates
from riskmodel.scorecoordinates import ScoreCoordinates
from riskmodel.sharedcoordinates import SharedCoordinates
from riskmodel.spreadcoordinates import SpreadCoordinates

LEVEL, SPREAD = 0, 1
OUTER, INNER = GroupTerms(SPREAD, np.arange(2, 5)), GroupTerms(5, np.arange(6, 26))
GROUPS = (INNER, OUTER)
NOISE = np.linspace(0.4, 3.0, 20)
OWNER = np.arange(20) % 3
SEEN = 1.5 + np.random.default_rng(3).normal(size=20)


BENDS = Bends(np.array([SPREAD, 5]), np.zeros(0, int), np.zeros(0, int), np.zeros((3, 0)))
LAYOUT = SimpleNamespace(bends=BENDS, natural=BENDS.natural)


def two_levels(x):
    """Readings about level + sd a[owner] + sd b, a term each; all standardised parts and ln sds standard normal."""
    value = BENDS.natural(x)[0]
    a, b = value[OUTER.raw], value[INNER.raw]
    off = (SEEN - value[LEVEL] - value[SPREAD] * a[OWNER] - value[5] * b) / NOISE**2
    slope = -np.array(x)
    slope[LEVEL] += off.sum()
    slope[SPREAD] += value[SPREAD] * (off @ a[OWNER])
    slope[OUTER.raw] += value[SPREAD] * np.bincount(OWNER, off)
    slope[5] += value[5] * (off @ b)
    slope[INNER.raw] += value[5] * off
    return float(-0.5 * (off * off) @ NOISE**2 - 0.5 * x @ x), slope


def inner_only(x):
    """Log density with the inner terms integrated out, up to a constant."""
    value = BENDS.natural(x)[0]
    mean = value[LEVEL] + value[SPREAD] * value[OUTER.raw][OWNER]
    rest = x[:6]
    return stats.norm.logpdf(SEEN, mean, np.hypot(NOISE, value[5])).sum() - 0.5 * rest @ rest


@pytest.fixture(scope="module")
def inner():
    at, _ = climb(two_levels, np.zeros(26), np.array([SPREAD, 5]))
    return at, GroupCoordinates.measured(LAYOUT, two_levels, at, GROUPS, 0)


def test_terms_become_standard_normal_whatever_the_rest(inner):
    """In y the density is that with the terms integrated out, times a standard normal.

    Exact for normal readings, whatever both spreads: the terms lean on the outer terms as the outer spread scales them.
    """
    of, rng = inner[1].density(two_levels), np.random.default_rng(1)
    values = []
    for _ in range(20):
        y = rng.normal(size=26) * 1.5
        values.append(of(y)[0] + 0.5 * y[INNER.raw] @ y[INNER.raw] - inner_only(y))
    np.testing.assert_allclose(values, values[0], rtol=0, atol=1e-6)


def test_groups_within_groups(inner):
    """Outer coordinates measured in the inner ones: at the spreads of the measurement they are standard normal too."""
    at, inner = inner
    outer = GroupCoordinates.measured(LAYOUT, inner.density(two_levels), inner.undo(at), GROUPS, 1)
    both = Nested((inner, outer)).density(two_levels)
    y, values = np.random.default_rng(2).normal(size=26), []
    y[[SPREAD, 5]] = at[[SPREAD, 5]]
    for own in np.random.default_rng(4).normal(size=(5, 3)):
        y[OUTER.raw] = own
        values.append(both(y)[0] + 0.5 * own @ own)
    np.testing.assert_allclose(values, values[0], rtol=0, atol=1e-5)


@pytest.fixture(scope="module")
def study():
    return LogDensity.of(records(60), priors())


def in_the_frame(study):
    """Coordinates in which the frame of a study stands, and the frame."""
    parts = sampler_coordinates(study, None).parts
    number = next(number for number, part in enumerate(parts) if isinstance(part, Frame))
    return Nested(parts[:number]), parts[number]


@pytest.mark.parametrize(("many", "few"), [(False, 40), (True, 40), (True, 10)])
def test_the_density_of_a_study_is_only_written_otherwise(study, many, few, monkeypatch):
    """In y: density at x times the Jacobian, its gradient that of differences; and back again. Of ten terms at most in
    small groups, some group is large."""
    monkeypatch.setattr("riskmodel.sharedcoordinates.FEW", few)
    if many:
        monkeypatch.setattr("riskmodel.chains.MANY", len(study.sections) - 1)
    nested = sampler_coordinates(study, None)
    kinds = {type(part) for part in nested.parts}
    frames = [part for part in nested.parts if isinstance(part, Frame)]
    assert (kinds >= {RateCoordinates, ScoreCoordinates}) == many
    assert kinds >= {GroupCoordinates, SpreadCoordinates, Frame, SharedCoordinates}
    rng, of = np.random.default_rng(5), nested.density(study.value_and_gradient)
    y = rng.normal(size=study.layout.size)
    np.testing.assert_allclose(nested.undo(nested.place(y)), y, rtol=1e-10, atol=1e-10)
    step = np.eye(len(y)) * 1e-5
    jacobian = (nested.place(y + step) - nested.place(y - step)) / 2e-5
    value, gradient = of(y)
    expected = study.value_and_gradient(nested.place(y))[0] + np.linalg.slogdet(jacobian)[1]
    constants = [np.linalg.slogdet(part.scale)[1] + np.log(part.width).sum() for part in frames]
    assert value == pytest.approx(expected - sum(constants), abs=1e-6)
    by_differences = [(of(y + d)[0] - of(y - d)[0]) / 2e-5 for d in step]
    np.testing.assert_allclose(gradient, by_differences, rtol=1e-4, atol=1e-4)


def test_terms_lean_on_nothing_in_the_frame(study):
    """Where measured, slopes of a group's terms along the other elements are small beside those without coordinates."""
    nested, frame = in_the_frame(study)
    terms = terms_of(study.layout, [group.column for group in study.priors.groups])[0]

    def largest(of, at, width):
        from riskmodel.frame import slopes_along

        others = np.setdiff1d(np.arange(study.layout.size), terms.raw)
        return max(np.abs(slopes_along(of, at, np.array([i]))[terms.raw] * width[i]).max() for i in others)

    width = np.ones(study.layout.size)
    width[frame.turned] = np.sqrt(np.diag(frame.scale @ frame.scale.T))
    within = largest(nested.density(study.value_and_gradient), frame.mode, width)
    without = largest(study.value_and_gradient, nested.place(frame.mode), width)
    assert within < 0.25 * without


def test_a_frame_without_groups_is_as_it_was():
    """No group has terms: the frame is that of the density in the spreads' coordinates."""
    bare = LogDensity.of(records(60), priors(), levels={})
    nested, frame = in_the_frame(bare)
    assert not any(isinstance(part, GroupCoordinates) for part in nested.parts)
    scores = SpreadCoordinates.of(bare.layout)
    expected = Frame.at_mode(scores.density(bare.value_and_gradient), scores.undo(bare.layout.centre))
    np.testing.assert_array_equal(frame.mode, expected.mode)


def test_many_points_at_once(study):
    """Coordinates and frame take points (chain, element) as they take one."""
    nested, frame = in_the_frame(study)

    def many(x):
        found = [study.value_and_gradient(row) for row in x]
        return np.array([value for value, _ in found]), np.stack([slope for _, slope in found])

    z = np.random.default_rng(6).normal(size=(3, study.layout.size))
    values, slopes = frame.density(nested.density(many))(z)
    one = frame.density(nested.density(study.value_and_gradient))
    for row, value, slope in zip(z, values, slopes, strict=True):
        expected = one(row)
        assert value == pytest.approx(expected[0], rel=1e-12)
        np.testing.assert_allclose(slope, expected[1], rtol=1e-9, atol=1e-9)
