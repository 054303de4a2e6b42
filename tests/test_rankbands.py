"""The band that ranks are held to: it holds as often as it says, and finds what is wrong."""

from __future__ import annotations

import numpy as np
import pytest
from rankbands import Band, cumulative
from scipy import stats

RNG = np.random.default_rng(20)


def test_cumulative_counts():
    assert cumulative(np.array([[0, 2, 2, 3], [1, 1, 1, 1]]), 4).tolist() == [[1, 1, 3], [0, 4, 4]]


@pytest.mark.parametrize(("count", "values", "quantities"), [(200, 200, 1), (60, 40, 1), (100, 50, 30)])
def test_uniform_ranks_stay_inside_as_often_as_stated(count, values, quantities):
    band = Band(count, values, 0.9, quantities)
    studies = RNG.integers(values, size=(2000 if quantities == 1 else 500, quantities, count))
    passed = band.holds(studies).all(axis=1)
    low, high = stats.binom(len(passed), 0.9).interval(0.9999)
    # counts are whole numbers: the band holds at least as often as stated, and little more often
    assert low <= passed.sum() <= high + 0.03 * len(passed)


def test_joint_band_of_seventy_quantities_passes_in_ninety_nine_of_a_hundred():
    band = Band(100, 100, 0.99, 70)
    passed = band.holds(RNG.integers(100, size=(600, 70, 100))).all(axis=1)
    assert 0.975 <= passed.mean() <= 1.0
    assert Band(100, 100, 0.99, 1).upper.sum() < band.upper.sum()


@pytest.mark.parametrize(
    "drawn",
    [
        pytest.param(lambda size: RNG.beta(1.5, 1.0, size), id="truth above: biased low"),
        pytest.param(lambda size: RNG.beta(0.45, 0.45, size), id="too narrow"),
        pytest.param(lambda size: RNG.beta(3.0, 3.0, size), id="too wide"),
    ],
)
def test_wrong_posteriors_leave_the_joint_band(drawn):
    ranks = np.floor(200 * drawn((40, 200))).astype(int)
    assert Band(200, 200, 0.99, 70).holds(ranks).mean() < 0.2


def test_band_agrees_with_a_library():
    """ArviZ finds its band by simulation, at the points i / N; here it is exact, at the same points."""
    from arviz_stats.ecdf_utils import ecdf_pit

    count = 100
    points, _, lower, upper = ecdf_pit(np.arange(count) / count, 0.99, 5_000, rng=np.random.default_rng(3))
    band = Band(count, count, 0.99)
    inner = (points > 0.0) & (points < 1.0)
    at = np.round(points[inner] * count).astype(int) - 1
    assert np.abs(band.lower[at] - count * lower[inner]).max() < 1.5  # whole counts
    assert np.abs(band.upper[at] - count * upper[inner]).max() < 1.5  # whole counts
