"""Coordinates of spreads: normal scores in their priors, against scipy's distributions."""

from __future__ import annotations

from types import SimpleNamespace

import numpy as np
import pytest
from builders import priors
from scipy import stats
from test_likelihood import records

from riskmodel.density import LogDensity
from riskmodel.parameters import Bends
from riskmodel.spreadcoordinates import SpreadCoordinates

SHAPE, SCALE = np.array([2.0, 0.7, 30.0]), np.array([0.15, 2.0, 0.01])
COORDINATES = SpreadCoordinates(np.array([1, 2, 4]), SHAPE, SCALE)


def log_spreads(x):
    """Log density of ln t for independent gamma spreads t, and standard normals beside them."""
    t = np.exp(x[COORDINATES.elements]) / SCALE
    slope = -x.copy()
    slope[COORDINATES.elements] = SHAPE - t
    rest = np.delete(x, COORDINATES.elements)
    value = stats.gamma.logpdf(t, SHAPE).sum() + np.log(t).sum() + stats.norm.logpdf(rest).sum()
    return float(value), slope


@pytest.mark.parametrize("y", [np.zeros(5), np.full(5, -6.0), np.full(5, 6.0), np.array([0.3, -1.0, 2.0, -0.5, 0.7])])
def test_without_records_all_is_standard_normal(y):
    """In y the prior alone is the standard normal, far out too, and so is its gradient."""
    value, gradient = COORDINATES.density(log_spreads)(y)
    assert value == pytest.approx(stats.norm.logpdf(y).sum(), abs=1e-9)
    np.testing.assert_allclose(gradient, -y, rtol=1e-8, atol=1e-8)


def test_quantiles_are_those_of_the_prior():
    y = np.random.default_rng(1).normal(size=(3, 7, 5))
    x = COORDINATES.place(y)
    expected = stats.gamma.ppf(stats.norm.cdf(y[..., [1, 2, 4]]), SHAPE, scale=SCALE)
    np.testing.assert_allclose(np.exp(x[..., [1, 2, 4]]), expected, rtol=1e-9)
    np.testing.assert_array_equal(x[..., [0, 3]], y[..., [0, 3]])
    np.testing.assert_allclose(COORDINATES.undo(x), y, rtol=1e-9, atol=1e-9)


def test_of_some_elements_it_is_the_same_way():
    """In any order, among elements that are no spreads."""
    y, elements = np.random.default_rng(2).normal(size=(4, 5)), np.array([3, 4, 1])
    few = COORDINATES.only(elements)
    np.testing.assert_array_equal(few.place(y[:, elements]), COORDINATES.place(y)[:, elements])
    np.testing.assert_array_equal(few.slope(y[:, elements]), COORDINATES.slope(y)[:, elements])


def test_of_some_elements_the_values_are_the_same():
    """Elements of every family, in any order, beside all elements together."""
    logs, odds, scores = np.array([1, 5]), np.array([2]), np.array([0, 6])
    bends = Bends(logs, odds, scores, np.array([[1.0, 2.0], [0.5, 3.0], [0.7, 0.0]]))
    x, elements = np.random.default_rng(3).normal(size=(4, 7)), np.array([6, 3, 5, 2, 0])
    for some, whole in zip(bends.of(elements).natural(x[:, elements]), bends.natural(x), strict=True):
        np.testing.assert_array_equal(some, whole[:, elements])
    value, slope = bends.natural(x)
    np.testing.assert_allclose(value[:, logs], np.exp(x[:, logs]), rtol=1e-15)
    np.testing.assert_allclose(value[:, odds], 1.0 / (1.0 + np.exp(-x[:, odds])), rtol=1e-14)
    np.testing.assert_allclose(value[:, 6], 2.0 + 3.0 * x[:, 6], rtol=1e-14)
    step = 1e-6
    np.testing.assert_allclose(
        slope, (bends.natural(x + step)[0] - bends.natural(x - step)[0]) / (2 * step), rtol=1e-8, atol=1e-8
    )


@pytest.mark.parametrize("far", [-60.0, 60.0])
def test_far_out_the_density_is_finite_and_falls(far):
    """A search that looks too far finds numbers, and its way back."""
    of = COORDINATES.density(log_spreads)
    value, gradient = of(np.full(5, far))
    assert np.isfinite(value)
    assert np.isfinite(gradient).all()
    assert value < of(np.full(5, far / 2))[0]


def test_a_layout_without_gamma_priors_keeps_its_density():
    layout = SimpleNamespace(by_family={"gamma": np.zeros(0, int)}, tables={})
    assert SpreadCoordinates.of(layout).density(log_spreads) is log_spreads


def test_the_spreads_of_a_study():
    """Every gamma prior of a study is taken, and the prior of its spread is standard normal in y."""
    layout = LogDensity.of(records(60), priors()).layout
    found = SpreadCoordinates.of(layout)
    law = layout.laws[found.elements[0]]
    assert len(found.elements)
    assert {layout.laws[i].family for i in found.elements} == {"gamma"}
    x = found.place(np.full(layout.size, 1.0))[found.elements[0]]
    a, scale = law.parameters[:2]
    assert stats.gamma.cdf(np.exp(x), a, scale=scale) == pytest.approx(stats.norm.cdf(1.0), rel=1e-9)
