"""The sampler's frame on densities known in closed form, and the sampler in it."""

from __future__ import annotations

import numpy as np
import pytest
from builders import priors
from test_likelihood import records

from riskmodel.calibrate import Sampling, calibrate
from riskmodel.cells import AgeGrid
from riskmodel.frame import Frame
from riskmodel.lifesettings import LifeSettings

MEAN = np.array([1.0, -2.0, 30.0])
COVARIANCE = np.array([[4.0, 1.2, 0.0], [1.2, 1.0, 0.3], [0.0, 0.3, 25.0]])


def normal(x):
    pull = np.linalg.solve(COVARIANCE, MEAN - x)
    return -0.5 * float((x - MEAN) @ -pull), pull


def test_a_normal_density_becomes_the_standard_normal():
    """Its frame has the mean and the covariance (exact: the curvature of a normal is constant)."""
    frame = Frame.at_mode(normal, np.zeros(3), np.zeros(3, bool))
    np.testing.assert_allclose(frame.mode, MEAN, atol=0.1)
    np.testing.assert_allclose(frame.scale @ frame.scale.T, COVARIANCE, rtol=1e-6, atol=1e-6)
    z = np.random.default_rng(1).standard_normal((2, 5, 3))
    value, gradient = frame.density(normal)(z[0, 0])
    expected, slope = normal(frame.place(z)[0, 0])
    assert value == pytest.approx(expected, rel=1e-12)
    np.testing.assert_allclose(gradient, frame.scale.T @ slope)


def test_elements_that_stand_alone_keep_their_direction():
    """Scale of such an element: its sd given all others (for a normal 1 / sqrt of the precision's diagonal)."""
    alone = np.array([False, True, False])
    scale = Frame.at_mode(normal, np.zeros(3), alone).scale
    assert scale[1, [0, 2]] == pytest.approx([0.0, 0.0], abs=1e-9)
    assert scale[[0, 2], 1] == pytest.approx([0.0, 0.0], abs=1e-9)
    assert abs(scale[1, 1]) == pytest.approx(np.linalg.inv(COVARIANCE)[1, 1] ** -0.5, rel=1e-6)


def test_a_density_that_is_nowhere_finite_on_its_way_is_survived():
    """The climb turns round where the density is not a number."""

    def walled(x):
        value, gradient = normal(x)
        return (value if x[2] < 60.0 else np.nan), gradient

    np.testing.assert_allclose(Frame.at_mode(walled, np.zeros(3), np.zeros(3, bool)).mode, MEAN, atol=0.1)


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
