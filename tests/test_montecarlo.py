"""Simulated lives: the compiled kernel against a plain loop, laws of cuts and workers, sums as they come."""

from __future__ import annotations

from types import SimpleNamespace

import numba
import numpy as np
import pytest
from builders import MECHANISMS, effect, measure, overlay_type, priors, quantity
from fatetwin import Twin
from scipy.special import ndtri
from test_simulate import roads

from riskmodel.fatekernel import CELL_EDGES, CELLS
from riskmodel.inputs import Inputs
from riskmodel.lives import Draws, group_terms, root_life
from riskmodel.measures import CURRENT_PRACTICE, NO_MEASURES, Portfolio, all_portfolios
from riskmodel.montecarlo import Fates, Tally, draw_fates, draw_lives
from riskmodel.priordraws import prior_draws
from riskmodel.priorparts import Driver
from riskmodel.vectormath import normal_quantile

TYPES = ("bonded_asphalt", "unbonded_concrete")
NAMES = ("pre_survey", "prompt_sawing", "internal_curing", "drainage")


def rich_priors():
    """Every way in which a measure, a driver or a group can act, and frequent early failures."""
    measures = (
        measure("pre_survey", [effect(["support_loss", "reflective_cracking"], 0.5, types=TYPES[:1])], TYPES,
                score_shift={"existing": quantity("normal", 0.4, 0.1)}),
        measure("prompt_sawing", [effect(["random_cracking"], 0.5, "hazard_ratio", types=TYPES),
                                  effect(["debonding"], 1.6, "odds_ratio", types=TYPES)], TYPES),
        measure("internal_curing", [effect(["random_cracking", "panel_breaks"], 0.7, types=TYPES)], TYPES,
                time_ratio=quantity("lognormal", 0.1, 0.02)),
        measure("drainage", [effect(["other"], 0.6, types=TYPES[1:])], TYPES[1:],
                time_ratio=quantity("lognormal", 0.15, 0.02)),
    )  # fmt: skip
    shares = ({n: share for n in TYPES} for share in (0.3, 0.15, 0.2, 0.2, 0.1, 0.05))
    mechanisms = tuple(
        m.__class__(**{**vars(m), "share": share}) for m, share in zip(MECHANISMS[::-1], shares, strict=True)
    )
    cold = {n: 0.0 if n == TYPES[0] else s for n, s in mechanisms[1].share.items()}
    mechanisms = (mechanisms[0], mechanisms[1].__class__(**{**vars(mechanisms[1]), "share": cold}), *mechanisms[2:])
    slope = quantity("normal", 0.3, 0.05)
    drivers = (
        Driver(
            "traffic", "trucks_per_day", "log2", np.log2(1000.0), 1.0, ("wear_out",), quantity("normal", -0.1, 0.02)
        ),
        Driver("heavy", "trucks_per_day", "log2", np.log2(1000.0), 1.0, ("panel_breaks", "debonding"), slope),
    )
    types = tuple(overlay_type(n) for n in TYPES)
    return priors(types=types, mechanisms=mechanisms, measures=measures, drivers=drivers,
                  early_failure=quantity("beta", 60, 60))  # fmt: skip


def rich_programme(p, count):
    """Verified, hidden and randomised measures, missing traffic, sections without contractor."""
    programme = roads(p, count)
    rng = np.random.default_rng(12)
    traffic = programme["trucks_per_day"].values.copy()
    traffic[rng.random(count) < 0.2] = np.nan
    contractor = np.where(rng.random(count) < 0.3, "", programme["contractor"].values.astype(str))
    shape = programme["verified"].shape
    return programme.assign(
        trucks_per_day=("section", traffic),
        contractor=("section", contractor),
        verified=(programme["verified"].dims, rng.random(shape) < 0.5),
        randomised=(programme["randomised"].dims, rng.random(shape) < 0.3),
    )


PORTFOLIOS = (
    Portfolio(NO_MEASURES, reference=True),
    Portfolio(CURRENT_PRACTICE, reference=True),
    Portfolio("all", NAMES),
    Portfolio("saw", ("prompt_sawing",)),
    Portfolio("some", ("internal_curing", "drainage"), where={"internal_curing": {"bond": ("unbonded",)}}),
)


@pytest.fixture(scope="module")
def rich():
    p = rich_priors()
    draws = Draws.of(prior_draws(p, draws=40, seed=3))
    return SimpleNamespace(priors=p, programme=rich_programme(p, 70), draws=draws)


def few(draws, count):
    return Draws({name: value[:count] for name, value in draws.values.items()}, draws.coords, count)


@pytest.mark.parametrize("changes", [{}, {"renewal": 2}, {"score_shift": {"workmanship": 0.7}}])
def test_the_kernel_equals_a_plain_loop(rich, changes):
    draws = few(rich.draws, 8)
    failed, worn = Twin(draws, rich.programme, rich.priors, PORTFOLIOS, seed=5, **changes).lives()
    lives = draw_lives(draws, rich.programme, rich.priors, PORTFOLIOS, seed=5, **changes)
    np.testing.assert_allclose(lives, failed, rtol=2e-7)
    # the case is not an empty one: early failures, and portfolios that differ in both directions
    assert (failed < worn).mean() > 0.2
    assert all((failed[:, 1] != failed[:, p]).mean() > 0.01 for p in (0, 2, 3, 4))
    assert (failed[:, 3] < failed[:, 1]).any()
    assert (failed[:, 3] > failed[:, 1]).any()


def test_fates_are_the_lives_under_current_practice(rich):
    draws = few(rich.draws, 3)
    failed, worn = draw_fates(draws, rich.programme, rich.priors, seed=5)
    _, expected = Twin(draws, rich.programme, rich.priors, PORTFOLIOS[1:2], seed=5).lives()
    np.testing.assert_allclose(worn, expected[:, 0], rtol=2e-7)
    lives = draw_lives(draws, rich.programme, rich.priors, PORTFOLIOS, seed=5)
    np.testing.assert_array_equal(failed, lives[:, 1])


@pytest.mark.parametrize("bare", [{"measures": ()}, {"mechanisms": (), "measures": ()}, {"groups": (), "drivers": ()}])
def test_prior_sets_without_some_parts(bare):
    p = priors(**bare)
    programme, draws = roads(p, 5), Draws.of(prior_draws(p, draws=3, seed=3))
    portfolios = all_portfolios([m.name for m in p.measures])
    lives = draw_lives(draws, programme, p, portfolios, seed=5)
    np.testing.assert_allclose(lives, Twin(draws, programme, p, portfolios, seed=5).lives()[0], rtol=2e-7)


@pytest.mark.parametrize("cut", [{"chunk": 1}, {"chunk": 64, "workers": 3}, {"chunk": 100, "workers": 2}])
def test_no_cut_and_no_worker_changes_a_number(rich, cut):
    programme = rich_programme(rich.priors, 300)
    whole = draw_lives(rich.draws, programme, rich.priors, PORTFOLIOS, seed=1)
    np.testing.assert_array_equal(draw_lives(rich.draws, programme, rich.priors, PORTFOLIOS, seed=1, **cut), whole)


def test_a_section_keeps_its_numbers_at_another_place(rich):
    """Alone, or anywhere in a block; the constants that come from the whole programme are recorded here."""
    programme = rich_programme(rich.priors, 150)
    programme = programme.assign(trucks_per_day=programme["trucks_per_day"].fillna(800.0))
    whole = draw_lives(rich.draws, programme, rich.priors, PORTFOLIOS, seed=1)
    for picked in ([97], list(range(149, 50, -1))):
        part = draw_lives(rich.draws, programme.isel(section=picked), rich.priors, PORTFOLIOS, seed=1)
        np.testing.assert_array_equal(part, whole[:, :, picked])


def test_a_draw_keeps_its_numbers_whatever_follows(rich):
    everything = draw_lives(rich.draws, rich.programme, rich.priors, PORTFOLIOS, seed=1)
    first = draw_lives(few(rich.draws, 7), rich.programme, rich.priors, PORTFOLIOS, seed=1)
    # sections without a recorded contractor draw their term from a stream that begins alike
    np.testing.assert_array_equal(first, everything[:7])


# ------------------------------------------------------------------------------ sums of lives


def tally_of(rich, programme, weight, pieces, **cut):
    fates = Fates(rich.draws, programme, rich.priors, PORTFOLIOS, seed=1)
    tally = Tally.empty(rich.draws.count, len(PORTFOLIOS), [10.0, 25.0])
    for piece in pieces:
        tally.add(fates, piece, weight[:, piece], **cut)
    return tally


def test_sums_are_those_of_the_lives(rich):
    programme = rich_programme(rich.priors, 300)
    lives = draw_lives(rich.draws, programme, rich.priors, PORTFOLIOS, seed=1).astype(float)
    weight = np.random.default_rng(1).uniform(0.5, 2.0, (rich.draws.count, 300))
    tally = tally_of(rich, programme, weight, [slice(0, 300)])
    share = weight / weight.sum(axis=1, keepdims=True)
    for a, age in enumerate((10.0, 25.0)):
        expected = np.einsum("spn,sn->sp", lives < age, share)
        np.testing.assert_allclose(tally.share_below()[:, :, a], expected, rtol=1e-12)
    edges = CELL_EDGES[np.newaxis, 1:-1]
    for s, p in ((0, 0), (7, 2), (39, 4)):
        counted = np.bincount((lives[s, p][:, None] >= edges).sum(axis=1), weight[s], minlength=CELLS)
        np.testing.assert_allclose(tally.cells[s, p], counted, rtol=1e-12)


def test_sums_do_not_depend_on_cuts_and_workers(rich):
    programme = rich_programme(rich.priors, 300)
    weight = np.random.default_rng(1).uniform(0.5, 2.0, (rich.draws.count, 300))
    whole = tally_of(rich, programme, weight, [slice(0, 300)])
    for pieces, cut in (
        ([slice(0, 300)], {"chunk": 64, "workers": 3}),
        ([slice(0, 128), slice(128, 300)], {"chunk": 1}),
    ):
        again = tally_of(rich, programme, weight, pieces, **cut)
        np.testing.assert_array_equal(again.below, whole.below)
        np.testing.assert_array_equal(again.cells, whole.cells)


def test_quantiles_lie_within_a_cell_of_the_exact_ones(rich):
    programme = rich_programme(rich.priors, 1000)
    lives = draw_lives(few(rich.draws, 5), programme, rich.priors, PORTFOLIOS, seed=1)
    case = SimpleNamespace(draws=few(rich.draws, 5), priors=rich.priors)
    tally = tally_of(case, programme, np.ones((5, 1000)), [slice(0, 1000)])
    for level in (0.01, 0.1, 0.5):
        exact = np.quantile(lives, level, axis=2, method="inverted_cdf")
        assert (abs(tally.quantile(level) - exact) < np.where(exact < 0.25, 0.25, exact / 64.0)).all()


def test_a_quantile_beyond_the_last_cell_is_infinite():
    tally = Tally.empty(1, 1, [])
    tally.weight[:] = 1.0
    tally.cells[0, 0, [0, -1]] = 0.2, 0.8
    assert tally.quantile(0.1)[0, 0] == pytest.approx(0.125)
    assert np.isinf(tally.quantile(0.5)[0, 0])


# ------------------------------------------------------------------------------- other laws


def test_shares_that_fail_are_those_of_the_closed_form():
    """400,000 lives of one section and one draw: share failed early by the closed form, within 4 standard errors."""
    p = priors(groups=(), early_failure=quantity("beta", 30, 70))
    draws = Draws.of(prior_draws(p, draws=1, seed=4))
    many = Draws({n: np.repeat(v, 400, axis=0) for n, v in draws.values.items()}, draws.coords, 400)
    one = roads(p, 1)
    programme = one.isel(section=np.zeros(1000, int)).assign_coords(section=[f"copy {n}" for n in range(1000)])
    failed = np.mean(draw_lives(many, programme, p, [Portfolio(NO_MEASURES, reference=True)], seed=1) < 10.0)
    inputs = Inputs.of(one, p, {}, portfolio=Portfolio(NO_MEASURES, reference=True))
    lives = [root_life(draws, 0, p, inputs, r, group_terms(draws, one, p, 1), 31) for r in range(len(inputs.roots))]
    alive = np.prod([life.survival(np.array([10.0]))[0, 0] for life in lives])
    wear_median = draws["wear_out_median"][0, 0] * np.exp(inputs.drivers[0, 0] * draws["driver_coefficient"][0, 0])
    alive *= np.exp(-np.log(2) * (10.0 / wear_median) ** draws["wear_out_shape"][0])
    assert failed == pytest.approx(1.0 - alive, abs=4 * np.sqrt(alive * (1 - alive) / 400_000))


def test_more_measures_than_bits_are_refused():
    p = priors(measures=tuple(measure(f"m{n}", [effect(["other"])]) for n in range(63)))
    draws = Draws({}, {}, 1)
    with pytest.raises(ValueError, match="63 measures; the simulation holds 62"):
        Fates(draws, roads(priors()), p, PORTFOLIOS[:1], seed=1)


def test_normal_quantiles_agree_with_scipy():
    u = np.concatenate(
        [np.random.default_rng(1).random(20_000), 2.0 ** -np.arange(1, 54), 1 - 2.0 ** -np.arange(2, 54)]
    )
    np.testing.assert_allclose(_quantiles(u), ndtri(u), rtol=4e-15)


@numba.njit
def _quantiles(u):
    out = np.empty_like(u)
    for n in range(len(u)):
        out[n] = normal_quantile(u[n])
    return out
