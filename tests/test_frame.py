"""The sampler's frame on densities known in closed form, and the sampler in it."""

from __future__ import annotations

import numpy as np
import pytest
from builders import priors
from test_likelihood import records

from riskmodel.calibrate import Sampling, calibrate
from riskmodel.cells import AgeGrid
from riskmodel.frame import Frame, climb, opposite
from riskmodel.lifesettings import LifeSettings

MEAN = np.array([1.0, -2.0, 30.0])
COVARIANCE = np.array([[4.0, 1.2, 0.0], [1.2, 1.0, 0.3], [0.0, 0.3, 25.0]])


def normal(x):
    pull = np.linalg.solve(COVARIANCE, MEAN - x)
    return -0.5 * float((x - MEAN) @ -pull), pull


def test_a_normal_density_becomes_the_standard_normal():
    """Its frame has the mean and the covariance (exact: the curvature of a normal is constant)."""
    frame = Frame.at_mode(normal, np.zeros(3))
    np.testing.assert_allclose(frame.mode, MEAN, atol=0.1)
    np.testing.assert_allclose(frame.scale @ frame.scale.T, COVARIANCE, rtol=1e-6, atol=1e-6)
    z = np.random.default_rng(1).standard_normal((2, 5, 3))
    value, gradient = frame.density(normal)(z[0, 0])
    expected, slope = normal(frame.place(z)[0, 0])
    assert value == pytest.approx(expected, rel=1e-12)
    np.testing.assert_allclose(gradient, frame.scale.T @ slope)


def test_what_is_held_stays_and_is_turned_with_the_rest():
    """The others are at their mode given it, and the curvature is that of all."""
    frame = Frame.at_mode(normal, np.array([3.0, 0.0, 0.0]), held=[0])
    given = MEAN[1:] + COVARIANCE[1:, 0] / COVARIANCE[0, 0] * (3.0 - MEAN[0])
    assert frame.mode[0] == 3.0
    np.testing.assert_allclose(frame.mode[1:], given, atol=0.1)
    np.testing.assert_allclose(frame.scale @ frame.scale.T, COVARIANCE, rtol=1e-6, atol=1e-6)


@pytest.mark.parametrize("edge", [2.0, 3.0, 4.0])
def test_the_climb_goes_on_where_it_met_points_without_a_density(edge):
    """A spread and what it scales, with no number beyond an edge: one search ends early there, with a slope of 700."""
    seen = np.linspace(-3.0, 3.0, 20)

    def density(x):
        if np.abs(x).max() >= edge:
            return np.nan, np.full(len(x), np.nan)
        spread, off = np.exp(x[0]), seen - np.exp(x[0]) * x[1:]
        slope = -x + 100.0 * spread * np.concatenate([[off @ x[1:]], off])
        return -0.5 * float(x @ x) - 50.0 * float(off @ off), slope

    mode, _ = climb(density, np.zeros(21))
    assert np.abs(density(mode)[1]).max() < 0.01


def test_a_saddle_gets_the_scale_of_the_priors():
    """Curvature of the wrong sign says nothing of a width: a flat or rising direction keeps a scale of one."""

    def density(x):
        return 0.5 * float(x[0] ** 2 + x[1] ** 2 - 4.0 * x[2] ** 2), np.array([x[0], x[1], -4.0 * x[2]])

    frame = Frame.at_mode(density, np.zeros(3), [np.array([0])])
    assert frame.width[0] == 1.0
    np.testing.assert_allclose(np.sort(np.linalg.svd(frame.scale)[1]), [0.5, 1.0], rtol=1e-6)


def test_elements_that_stand_alone_keep_their_direction():
    """Scale of such an element: its sd given all others (for a normal 1 / sqrt of the precision's diagonal)."""
    frame = Frame.at_mode(normal, np.zeros(3), [np.array([1])])
    columns = frame.place(np.eye(3)) - frame.mode
    assert columns[1, [0, 2]] == pytest.approx([0.0, 0.0], abs=1e-9)
    assert columns[[0, 2], 1] == pytest.approx([0.0, 0.0], abs=1e-9)
    precision = np.linalg.inv(COVARIANCE)
    assert columns[1, 1] == pytest.approx(precision[1, 1] ** -0.5, rel=1e-6)
    others = np.ix_([0, 2], [0, 2])
    np.testing.assert_allclose((columns.T @ columns)[others], np.linalg.inv(precision[others]), rtol=1e-5, atol=1e-6)


def test_one_difference_measures_elements_that_do_not_act_on_each_other():
    """Elements 0 and 2 are independent given the other: the same widths as one by one, with two gradients less."""
    precision = np.array([[2.0, 0.5, 0.0], [0.5, 3.0, 0.4], [0.0, 0.4, 5.0]])

    def density(x):
        return -0.5 * float(x @ precision @ x), -precision @ x

    together = Frame.at_mode(density, np.ones(3), [np.array([0, 2])])
    one_by_one = Frame.at_mode(density, np.ones(3), [np.array([0]), np.array([2])])
    np.testing.assert_allclose(together.width, [2.0**-0.5, 1.0, 5.0**-0.5], rtol=1e-6)
    np.testing.assert_allclose(together.width, one_by_one.width, rtol=1e-6)
    assert together.evaluations == one_by_one.evaluations - 2


def test_places_are_undone():
    frame = Frame.at_mode(normal, np.zeros(3), [np.array([2])])
    z = np.random.default_rng(2).standard_normal((4, 5, 3))
    np.testing.assert_allclose(frame.undo(frame.place(z)), z, rtol=1e-9, atol=1e-9)


def test_a_density_that_is_nowhere_finite_on_its_way_is_survived():
    """The climb turns round where the density is not a number."""

    def walled(x):
        value, gradient = normal(x)
        return (value if x[2] < 60.0 else np.nan), gradient

    np.testing.assert_allclose(Frame.at_mode(walled, np.zeros(3)).mode, MEAN, atol=0.1)


def test_the_same_draws_whatever_the_number_of_cores():
    p = priors()
    r = records(12, p)
    settings = LifeSettings(grid=AgeGrid(cells=24))
    found = [
        calibrate(r, p, settings=settings, sampling=Sampling(chains=2, draws=12, tune=20, cores=cores), gate=False)
        for cores in (1, 2)
    ]
    for name, values in found[0].posterior.data_vars.items():
        np.testing.assert_array_equal(values, found[1].posterior[name], err_msg=str(name))
    like = found[0].tree["log_likelihood"]["records"]
    assert like.dims == ("chain", "draw", "section")
    assert np.isfinite(like).all()
    assert found[0].gate is not None
    assert not found[0].gate.passed  # so few draws are no result


def test_opposite_points_are_averaged():
    """Odd parts cancel, and a second power adds half its curvature; nothing is done where nothing is off."""

    def odd(x):
        return np.sum(x**3 - 0.5 * x**2, axis=-1), 3.0 * x**2 - x

    x, away = np.array([0.3, -1.2, 2.0]), np.array([1.0, 0.0, -1.0])
    value, slope = opposite(odd, away)(x)
    assert value == pytest.approx(odd(x)[0] + np.sum((3.0 * x - 0.5) * away**2), rel=1e-12)
    np.testing.assert_allclose(slope, odd(x)[1] + 3.0 * away**2, rtol=1e-12)
    assert opposite(odd, 0.0 * away) is odd


def test_curvature_is_measured_as_far_off_as_asked():
    """Of a fourth power there is none at the mode and some a unit off."""

    def quartic(x):
        return -float(np.sum(0.5 * x**2 + 0.25 * x**4)), -x - x**3

    near, far = (Frame.at_mode(quartic, np.zeros(2), [np.array([1])], reach) for reach in (1e-3, 1.0))
    np.testing.assert_allclose([near.scale[0, 0], near.width[1]], 1.0, atol=1e-4)
    np.testing.assert_allclose([far.scale[0, 0], far.width[1]], 2.0**-0.5, rtol=1e-4)
