"""Closed form of a programme in blocks: against one root, one portfolio and one section at a time."""

from __future__ import annotations

from itertools import combinations
from math import factorial

import numpy as np
import pytest
import xarray as xr
from builders import priors
from test_montecarlo import PORTFOLIOS, few, rich_priors, rich_programme
from test_simulate import roads

from riskmodel import closedform
from riskmodel.closedform import ClosedForm, age_grid
from riskmodel.closedkernel import compiled_kernels
from riskmodel.inputs import Inputs
from riskmodel.lives import Draws, group_terms, root_life, wear_survival
from riskmodel.priordraws import prior_draws
from riskmodel.shares import Taken, fair_shares
from riskmodel.simulate import simulate

GRID = age_grid(40.0)


@pytest.fixture(scope="module")
def rich():
    p = rich_priors()
    draws = few(Draws.of(prior_draws(p, draws=40, seed=3)), 3)
    return p, rich_programme(p, 90), draws


def test_survival_is_that_of_one_portfolio_alone(rich):
    """Shared rows, shared mixtures and compiled sums against `root_life` on each portfolio's own mixtures."""
    p, programme, draws = rich
    form = ClosedForm(draws, programme, p, PORTFOLIOS, seed=1)
    block = form.block(slice(0, form.sections))
    terms = group_terms(draws, programme, p, 1)
    for s in range(3):
        state = block.at(s, GRID)
        sums = state.programme_survival()
        for j, portfolio in enumerate(PORTFOLIOS):
            inputs = Inputs.of(programme, p, {}, portfolio=portfolio)
            lives = [root_life(draws, s, p, inputs, r, terms, 7) for r in range(len(inputs.roots))]
            survival = wear_survival(draws, s, p, inputs, GRID) * np.prod(
                [life.survival(GRID) for life in lives], axis=0
            )
            np.testing.assert_allclose(state.survival(j), survival, rtol=1e-11, atol=1e-13)
            np.testing.assert_allclose(sums[j], state.weight @ survival, rtol=1e-11)
        assert abs(sums[2] - sums[1]).max() > 0.1


def test_blocks_change_results_by_rounding_alone(monkeypatch):
    """The same programme in one block and in three; a section's weight comes from its late entry."""
    p = rich_priors()
    programme = rich_programme(p, 150)
    entry = np.where(np.arange(150) % 4 == 0, 12.0, 0.0)
    programme = programme.assign(age_entry=("section", entry))
    posterior = prior_draws(p, draws=6, seed=3)
    whole = simulate(posterior, programme, p, portfolios=PORTFOLIOS, seed=1)
    monkeypatch.setattr(closedform, "BLOCK", 64)
    parts = simulate(posterior, programme, p, portfolios=PORTFOLIOS, seed=1, workers=2)
    xr.testing.assert_allclose(whole.drop_attrs(), parts.drop_attrs(), rtol=1e-6)
    np.testing.assert_allclose(whole["value"], parts["value"], rtol=1e-10, atol=1e-10)
    np.testing.assert_allclose(whole["shapley"], parts["shapley"], rtol=1e-10, atol=1e-12)
    np.testing.assert_allclose(whole["assured_age"], parts["assured_age"], rtol=1e-6)


def test_missing_traffic_is_the_programmes_mean_whatever_the_block(monkeypatch):
    """A section without traffic takes the mean of the whole programme, not that of the sections beside it."""
    p = priors()
    programme = roads(p, 130)
    traffic = np.where(np.arange(130) < 64, 300.0, 3000.0)
    traffic[[5, 100]] = np.nan
    programme = programme.assign(trucks_per_day=("section", traffic))
    posterior = prior_draws(p, draws=4, seed=1)
    whole = simulate(posterior, programme, p, portfolios=[], seed=1)
    monkeypatch.setattr(closedform, "BLOCK", 64)
    parts = simulate(posterior, programme, p, portfolios=[], seed=1, chunk=64)
    np.testing.assert_allclose(whole["value"], parts["value"], rtol=1e-10, atol=1e-10)
    np.testing.assert_array_equal(whole["simulated_error"].round(10), parts["simulated_error"].round(10))


def test_moments_of_unfinished_blocks_of_rows_are_plain_averages():
    """E[(-pi_a)(-pi_b)] over the score by a plain sum, for numbers of rows around a block of 64."""
    rng = np.random.default_rng(1)
    x, w = np.polynomial.hermite_e.hermegauss(5)
    w = w / w.sum()
    for rows in (1, 63, 64, 130):
        centre, level, sd = rng.normal(size=(2, rows)), rng.normal(size=rows), rng.uniform(0.2, 1.0, rows)
        applies, slope = (rng.random((2, rows)) < 0.8).astype(float), np.array([0.5, 1.2])
        found = compiled_kernels().moments(centre, level, sd, slope, applies, x, w)
        score = level[:, None] + sd[:, None] * x
        pi = applies[:, :, None] / (1.0 + np.exp(slope[:, None, None] * score - centre[:, :, None]))
        expected = np.stack([np.ones(rows), -pi[0] @ w, -pi[1] @ w, (pi[0] * pi[1]) @ w])
        np.testing.assert_allclose(found, expected, rtol=1e-12, atol=1e-15)


def test_the_plain_sums_are_the_compiled_ones(rich):
    p, programme, draws = rich
    forms = [ClosedForm(draws, programme, p, PORTFOLIOS, seed=1, compiled=compiled) for compiled in (False, True)]
    plain, fast = (form.block(slice(0, form.sections)).at(1, GRID) for form in forms)
    np.testing.assert_allclose(plain.weight, fast.weight, rtol=1e-12)
    np.testing.assert_allclose(plain.programme_survival(), fast.programme_survival(), rtol=1e-11)
    assert plain.programme_survival()[0, 0] == pytest.approx(plain.weight.sum())


def test_fair_shares_equal_the_sum_over_all_orders():
    """Shapley between roots, Owen within: a loop over sets of players on plain survivals."""
    rng = np.random.default_rng(2)
    sections, ages, patterns = 5, 4, 2
    roots = []
    for mechanisms in (2, 1, 3):
        subsets = 1 << mechanisms
        moments = rng.uniform(-0.1, 0.1, (sections, patterns, subsets))
        moments[:, :, 0] = (0.4, 0.6)
        products = rng.uniform(0.0, 1.0, (patterns, subsets, ages))
        products[:, 0] = 1.0
        roots.append(Taken(moments.reshape(sections, -1), products.reshape(-1, ages), patterns))
    measure = rng.uniform(0.5, 1.0, (sections, ages))
    alone, split = fair_shares(roots, measure)

    def survival(r, removed):
        kept = [a for a in range(1 << roots[r].mechanisms) if not any(a >> m & 1 for m in removed)]
        moments = roots[r].moments.reshape(sections, patterns, -1)[:, :, kept].reshape(sections, -1)
        return moments @ roots[r].products.reshape(patterns, -1, ages)[:, kept].reshape(-1, ages)

    def value(removed):
        return (measure * np.prod([survival(r, removed.get(r, ())) for r in range(3)], axis=0)).sum()

    def weight(size, players):
        return factorial(size) * factorial(players - size - 1) / factorial(players)

    everyone = {r: tuple(range(roots[r].mechanisms)) for r in range(3)}
    for r in range(3):
        others, mine = [i for i in range(3) if i != r], everyone[r]
        assert alone[r][0] == pytest.approx(value({r: mine}) - value({}))
        shares = np.zeros(1 + len(mine))
        for size in range(3):
            for gone in combinations(others, size):
                rest, share = {i: everyone[i] for i in gone}, weight(size, 3)
                shares[0] += share * (value({**rest, r: mine}) - value(rest))
                for m in mine:
                    left = [k for k in mine if k != m]
                    for n in range(len(left) + 1):
                        for before in combinations(left, n):
                            gain = value({**rest, r: (*before, m)}) - value({**rest, r: before})
                            shares[1 + m] += share * weight(n, len(mine)) * gain
        np.testing.assert_allclose(split[r], shares, rtol=1e-10)
        for m in mine:
            assert alone[r][1 + m] == pytest.approx(value({r: (m,)}) - value({}))
