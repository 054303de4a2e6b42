"""Choosing among portfolios: small cases with known answers, and laws."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from hypothesis.extra import numpy as hnp
from scipy.optimize import linprog

from riskmodel.choice import (
    EXTENDED,
    STRONG,
    UNDOMINATED,
    acceptability,
    affordable,
    best_chance,
    expected_regret,
    frontier,
    set_shares,
    tail_mean,
)

BENEFITS = hnp.arrays(float, st.tuples(st.integers(1, 30), st.integers(1, 6)), elements=st.floats(-1e3, 1e3))


@given(BENEFITS)
def test_chances_sum_to_one_and_regret_is_never_negative(benefit):
    assert best_chance(benefit).sum() == pytest.approx(1.0)
    regret = expected_regret(benefit)
    assert (regret >= 0).all()
    # least expected regret = the mean of the best less the best of the means: the worth of perfect knowledge
    perfect = benefit.max(axis=1).mean() - benefit.mean(axis=0).max()
    assert regret.min() == pytest.approx(perfect, abs=1e-9)


def test_regret_by_hand():
    benefit = np.array([[0.0, 3.0], [0.0, -1.0]])
    np.testing.assert_allclose(best_chance(benefit), [0.5, 0.5])
    np.testing.assert_allclose(expected_regret(benefit), [1.5, 0.5])


def test_the_reference_is_best_where_nothing_is_gained():
    np.testing.assert_array_equal(best_chance(np.zeros((5, 3))), [1.0, 0.0, 0.0])


def test_tail_mean_by_hand_and_of_a_normal():
    """Mean of a standard normal below its 10 % quantile: -phi(z) / 0.1 = -1.7550 (identity)."""
    np.testing.assert_allclose(tail_mean(np.arange(20.0)[:, None], 0.1), [0.5])
    draws = np.random.default_rng(1).standard_normal((200_000, 1))
    assert tail_mean(draws, 0.1)[0] == pytest.approx(-1.7550, abs=4 * 2.0 / np.sqrt(20_000))


def test_strong_and_extended_dominance_by_hand():
    """Steps 10/1, 30/1 and 5/1: the middle one goes, and one that costs more for less goes first."""
    cost, gain = np.array([0.0, 10.0, 40.0, 45.0, 60.0]), np.array([0.0, 1.0, 2.0, 3.0, 2.5])
    found = frontier(cost, gain)
    assert found.status == (UNDOMINATED, UNDOMINATED, EXTENDED, UNDOMINATED, STRONG)
    assert found.order == (0, 1, 3)
    assert found.ratio == pytest.approx((0.0, 10.0, 17.5))


def test_two_in_a_row_are_dominated_by_one_mixture():
    """Both points lie below the line from (0, 0) to (30, 10); the second shows only after the first has gone."""
    cost, gain = np.array([0.0, 14.0, 24.0, 30.0]), np.array([0.0, 2.0, 5.0, 10.0])
    found = frontier(cost, gain)
    assert found.status == (UNDOMINATED, EXTENDED, EXTENDED, UNDOMINATED)
    assert found.ratio == pytest.approx((0.0, 3.0))


@given(hnp.arrays(int, st.tuples(st.integers(1, 8), st.just(2)), elements=st.integers(0, 20)))
def test_the_frontier_is_what_a_linear_programme_finds(points):
    """A portfolio is off the frontier if a mixture of others (scipy's linear programming) costs less for as much."""
    cost, gain = points.T.astype(float)
    found = frontier(cost, gain)
    for i, status in enumerate(found.status):
        others = [j for j in range(len(cost)) if j != i]
        if not others:
            continue
        mixture = linprog(cost[others], A_ub=[-gain[others]], b_ub=[-gain[i]], A_eq=[np.ones(len(others))], b_eq=[1.0])
        cheaper = mixture.success and mixture.fun < cost[i] - 1e-9
        if cheaper:
            assert status != UNDOMINATED
        if status != UNDOMINATED:
            assert mixture.success
            assert mixture.fun <= cost[i] + 1e-9
    assert list(found.ratio) == sorted(found.ratio)


@given(hnp.arrays(float, (12, 4), elements=st.floats(-5, 5)), hnp.arrays(float, (12, 4), elements=st.floats(-5, 5)))
def test_acceptability_sums_to_one_and_begins_with_the_cheapest(cost, gain):
    chance, best = acceptability(cost, gain, np.array([0.0, 1.0, 1e9]))
    np.testing.assert_allclose(chance.sum(axis=1), 1.0)
    assert cost.mean(axis=0)[best[0]] == pytest.approx(cost.mean(axis=0).min())


def test_acceptability_of_certain_costs_steps_at_the_ratio():
    """One measure, 10 for 2 years: worth it from 5 a year on."""
    cost, gain = np.tile([0.0, 10.0], (4, 1)), np.tile([0.0, 2.0], (4, 1))
    chance, best = acceptability(cost, gain, np.array([4.9, 5.1]))
    np.testing.assert_array_equal(chance, [[1, 0], [0, 1]])
    np.testing.assert_array_equal(best, [0, 1])


def test_the_best_affordable_set():
    cost, gain = np.array([0.0, 5.0, 5.0, 9.0]), np.array([0.0, 1.0, 2.0, 3.0])
    assert affordable(cost, gain, 8.0) == 2
    assert affordable(cost, gain, 9.0) == 3
    with pytest.raises(ValueError, match="below every option; the cheapest costs 5"):
        affordable(cost[1:], gain[1:], 4.0)


def test_shares_of_a_set_add_up_and_equal_members_share_alike():
    """Two measures that do the same: each alone gains 4, both together 5 (by hand, 2.5 each)."""
    value = {frozenset("a"): np.array([4.0]), frozenset("b"): np.array([4.0]), frozenset("ab"): np.array([5.0])}
    shares = set_shares(value, ["a", "b"])
    assert shares["a"] == shares["b"] == pytest.approx(2.5)
    rng = np.random.default_rng(3)
    sets = [frozenset(m for k, m in enumerate("abc") if n >> k & 1) for n in range(1, 8)]
    value = {s: rng.normal(size=5) for s in sets}
    total = sum(set_shares(value, list("abc")).values())
    np.testing.assert_allclose(total, value[frozenset("abc")])
