"""Renewal on the yearly lattice against slow loops, integrals and limits."""

from __future__ import annotations

import numpy as np
import pytest
from scipy import integrate, stats

from riskmodel import renewal
from riskmodel.renewal import (
    convolved,
    lag_mass,
    lumped,
    outlived,
    placements,
    remaining,
    value_of_chain,
    value_of_patching,
    weibull_mass,
    weibull_mean,
    worth_of_patches,
)

YEARS = 61


def test_the_lattice_keeps_the_mean():
    """Mean of a Weibull life against scipy's; 200 years hold all of it."""
    mass = weibull_mass(np.array([25.0]), 3.0, 200)[0]
    exact = stats.weibull_min(3.0, scale=25.0 / np.log(2) ** (1 / 3)).mean()
    assert mass.sum() == pytest.approx(1.0, abs=1e-12)
    assert mass @ np.arange(200) == pytest.approx(exact, rel=1e-6)
    assert weibull_mean(np.array([25.0]), 3.0)[0] == pytest.approx(exact)


def test_discounted_worth_of_a_life_is_its_integral():
    life = stats.weibull_min(2.5, scale=20.0)
    exact = integrate.quad(lambda t: 1.03**-t * life.pdf(t), 0, 200)[0]
    mass = lumped(life.sf(np.arange(200) + 0.5))
    assert mass @ 1.03 ** -np.arange(200.0) == pytest.approx(exact, rel=2e-4)


def test_the_lag_is_a_gamma_of_shape_two():
    mass = lag_mass(np.array([3.0, 0.0]), YEARS)
    assert mass[0] @ np.arange(YEARS) == pytest.approx(3.0, abs=1e-6)
    exact = integrate.quad(lambda t: 1.04**-t * stats.gamma(2, scale=1.5).pdf(t), 0, 60)[0]
    assert mass[0] @ 1.04 ** -np.arange(float(YEARS)) == pytest.approx(exact, rel=1e-3)
    np.testing.assert_allclose(mass[1], np.eye(YEARS)[0], atol=1e-8)


def test_convolution_is_numpys():
    rng = np.random.default_rng(1)
    mass, lag = rng.dirichlet(np.ones(YEARS), (2, 3)), rng.dirichlet(np.ones(YEARS), 2)
    for s in range(2):
        for row in range(3):
            expected = np.convolve(mass[s, row], lag[s])[:YEARS]
            np.testing.assert_allclose(convolved(mass, lag)[s, row], expected, atol=1e-15)


def slow_placements(mass: np.ndarray) -> np.ndarray:
    """Sum of all convolution powers."""
    total, power = np.zeros(len(mass)), np.eye(len(mass))[0]
    for _ in range(400):
        total += power
        power = np.convolve(power, mass)[: len(mass)]
    return total


def test_placements_are_the_sum_of_all_numbers_of_lives():
    rng = np.random.default_rng(2)
    mass = 0.9 * rng.dirichlet(np.ones(YEARS), 4)
    for row, found in zip(mass, placements(mass), strict=True):
        np.testing.assert_allclose(found, slow_placements(row), rtol=1e-9)


def test_an_exponential_life_renews_at_a_constant_rate():
    """Geometric lives of mean 20 years: one in twenty is renewed every year."""
    mass = np.array([0.0, *(0.05 * 0.95 ** np.arange(YEARS - 1))])
    np.testing.assert_allclose(placements(mass)[1:], 0.05)


def test_remaining_life():
    mass = np.eye(YEARS)[30]  # ends at 30 exactly
    np.testing.assert_allclose(outlived(mass), np.minimum(np.arange(YEARS), 30))
    np.testing.assert_allclose(remaining(mass, np.array(30.0)), np.maximum(1 - np.arange(YEARS) / 30, 0))


def slow_chain(mass: np.ndarray, mean: float, discount: float, period: int, salvage: bool) -> float:
    """Worth of a chain of lives by a recursion written out as a loop."""
    if salvage and period == 0:
        return 0.0
    left = mean - sum(1 - mass[: k + 1].sum() for k in range(period))
    worth = 1.0 - (discount**period * left / mean if salvage else 0.0)
    for j in range(1, period + 1):
        worth += mass[j] * discount**j * slow_chain(mass, mean, discount, period - j, salvage)
    return worth


@pytest.mark.parametrize("salvage", [True, False])
def test_a_chain_of_lives_against_a_slow_recursion(salvage):
    mass = np.zeros((2, 13))
    mass[:, 1:] = np.random.default_rng(4).dirichlet(np.ones(12), 2)
    mean = mass @ np.arange(13)
    found = value_of_chain(mass, mean, 1 / 1.03, salvage=salvage)
    for s in range(2):
        for period in (0, 3, 12):
            assert found[s, period] == pytest.approx(slow_chain(mass[s], mean[s], 1 / 1.03, period, salvage))


def test_a_chain_that_outlasts_the_period_is_one_cost_and_its_salvage():
    """Life of 60 years, period of 50: 1 less a sixth of it, discounted."""
    mass = np.eye(YEARS)[[60]]
    found = value_of_chain(mass, np.array([60.0]), 1 / 1.04, salvage=True)[0, 50]
    assert found == pytest.approx(1 - (10 / 60) / 1.04**50)


def test_without_discounting_a_chain_costs_its_period_over_its_life():
    """Straight line: with salvage and no discounting the cost used up is period / mean life."""
    mass = np.zeros((1, YEARS))
    mass[0, [10, 20, 30]] = [0.2, 0.5, 0.3]
    mean = mass @ np.arange(YEARS)
    found = value_of_chain(mass, mean, 1.0, salvage=True)[0]
    np.testing.assert_allclose(found, np.arange(YEARS) / mean[0])


def test_patches_by_hand():
    """From year 3 every 2 years before year 8: 3, 5, 7."""
    assert worth_of_patches(np.array([3.0]), 0.9, 8, 2)[0] == pytest.approx(0.9**3 + 0.9**5 + 0.9**7)
    assert worth_of_patches(np.array([3.0, 8.0]), 1.0, 8, 2).tolist() == [3.0, 0.0]


def test_patching_ends_in_a_reconstruction():
    chain = np.array([[0.0, 0.1, 0.2, 0.3, 0.4, 0.5, 0.6]])
    _, rebuilt = value_of_patching(chain, 0.9, period=6, interval=2, until=4)
    np.testing.assert_allclose(rebuilt[0], [0.9**4 * 0.2] * 5 + [0.9**5 * 0.1, 0.0])
    never = value_of_patching(chain, 0.9, period=6, interval=2, until=9)[1]
    np.testing.assert_array_equal(never, 0.0)


def test_patching_averages_over_the_day_of_the_first_patch():
    """Against an integral over uniform days about year 3, patches at 3 and 5 before 6."""
    patches, _ = value_of_patching(np.zeros((1, 7)), 0.95, period=6, interval=2, until=6)
    exact = integrate.quad(lambda t: (1 - abs(t - 3)) * worth_of_patches(np.array([t]), 0.95, 6, 2)[0], 2, 4,
                           points=[3.0], limit=200)[0]  # fmt: skip
    assert patches[3] == pytest.approx(exact, rel=0.01)


def test_years_lived_until_a_year_add_up_to_it():
    """One overlay is in service at any time: the identity behind what is left of renewed overlays; Weibull lives."""
    mass = lumped(np.exp(-np.log(2.0) * ((np.arange(70) + 0.5) / np.array([12.0, 25.0])[:, None]) ** 2.5))
    laid, lived = placements(mass), outlived(mass)
    for year in (1, 30, 60):
        total = (laid[:, : year + 1] * lived[:, year::-1]).sum(axis=1)
        np.testing.assert_allclose(total, year, rtol=1e-12)


def test_blocks_of_lives_do_not_matter(monkeypatch):
    mass = np.random.default_rng(1).dirichlet(np.ones(30), size=(3, 4))
    whole = placements(mass)
    monkeypatch.setattr(renewal, "BLOCK", 5)
    np.testing.assert_array_equal(placements(mass), whole)
