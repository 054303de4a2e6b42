"""Expected costs: against simulated fates, against the closed form of lives, limits, common random numbers."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from builders import fixed, overlay_type, priors
from money_cases import MEASURES, case, cost, costs, policy, roads

from riskmodel.costing import Plan
from riskmodel.decide import decide, options_of
from riskmodel.fates import fate_check
from riskmodel.ledger import Ledger
from riskmodel.lives import Draws
from riskmodel.measures import CURRENT_PRACTICE, Portfolio, all_portfolios
from riskmodel.montecarlo import draw_lives
from riskmodel.policy import FOLLOW_UPS, OVERLAY_AGAIN, RECONSTRUCT
from riskmodel.priordraws import prior_draws
from riskmodel.renewal import lag_mass, lumped, value_of_chain
from riskmodel.schema import check
from riskmodel.simulate import simulate
from riskmodel.survivals import Survivals


@pytest.fixture(scope="module")
def roads_and_priors():
    return case()


def run(case, portfolios=None, **changes):
    settings = {"seed": 7, "policy": policy(), **changes}
    portfolios = all_portfolios(MEASURES) if portfolios is None else portfolios
    return decide(case.posterior, case.programme, case.priors, portfolios=portfolios, **settings)


@pytest.fixture(scope="module")
def everything(roads_and_priors):
    return run(roads_and_priors)


def test_the_result_has_its_published_shape(everything):
    check(everything.result, "decision")
    assert everything.names[0] == CURRENT_PRACTICE
    assert len(everything.names) == 8
    np.testing.assert_array_equal(everything.net_benefit[:, 0], 0.0)


def test_survival_of_many_draws_is_that_of_the_simulation(roads_and_priors, everything):
    """Years and early failures against `simulate`, which works draw by draw on half years."""
    c = roads_and_priors
    single = simulate(c.posterior, c.programme, c.priors, portfolios=all_portfolios(MEASURES), seed=7, samples=60)
    value = single["value"].sel(portfolio=everything.names)
    gain = everything.result["section_years"] - everything.result["section_years"][:, 0]
    np.testing.assert_allclose(gain, value.sel(quantity="life_gain"), atol=2e-3)
    early = everything.result["early_failures"].sel(early_age=10.0)
    np.testing.assert_allclose(early, value.sel(quantity="early_failure_probability"), atol=2e-5)


@pytest.mark.parametrize("follow_up", FOLLOW_UPS)
def test_expected_costs_are_the_mean_of_simulated_fates(follow_up):
    """Every road drawn life by life, lag by lag, reconstruction by reconstruction."""
    c = case(count=60, draws=150)
    settled = policy(follow_up=follow_up, disposal=("removal",), user_delay=("delay",), patch_until=25)
    options = options_of([Portfolio("all", MEASURES)])
    draws = Draws.of(c.posterior)
    plan = Plan(c.programme, c.priors, settled, options, early_age=10.0, seed=3, count=draws.count)
    expected = Ledger(plan.run(draws).outlay, plan.chain, settled, plan.periods).value()
    difference, error = fate_check(plan, draws, expected)
    assert (error < 0.02 * expected[:, 0].mean()).all()
    assert (np.abs(difference) < 4 * error).all()


@pytest.mark.parametrize("follow_up", [RECONSTRUCT, OVERLAY_AGAIN])
def test_the_numbers_depend_on_the_portfolio_alone(roads_and_priors, everything, follow_up):
    """The same portfolio twice is identical; threads change nothing, others no more than single precision does.

    A saving is the difference of two present values of about 1e6; the order of a sum in single precision may
    depend on how many kinds of work there are.
    """
    settled = policy(follow_up=follow_up)
    twice = [Portfolio("a", MEASURES[1:]), Portfolio("b", MEASURES[1:]), Portfolio("c", MEASURES[:1])]
    both, alone = (run(roads_and_priors, some, policy=settled) for some in (twice, twice[1:2]))
    np.testing.assert_array_equal(both.net_benefit[:, 1], both.net_benefit[:, 2])
    rounding = 1e-6 * both.result["present_value"].values[:, 0].mean()
    np.testing.assert_allclose(both.net_benefit[:, 2], alone.net_benefit[:, 1], rtol=0, atol=rounding)
    threads = run(roads_and_priors, twice, policy=settled, workers=1)
    np.testing.assert_array_equal(both.net_benefit, threads.net_benefit)


def test_sums_over_sections_first_are_the_sums_of_each_section(roads_and_priors):
    """Twin: every section's life on the lattice, delayed by the lag, in plain loops and double precision."""
    case = roads_and_priors
    options = options_of(all_portfolios(MEASURES[1:]))
    plan = Plan(case.programme, case.priors, policy(), options, early_age=10.0, seed=3, count=12)
    draws = Draws.of(case.posterior, 12)
    found, every = plan.run(draws), slice(0, 12)
    alive = plan.survivals(draws).at(every, plan.ages).astype(float)
    weight = plan.weights(alive[:, 0, :, : plan.years], draws["removal_lag"])
    _, follow, kept = plan.columns(draws, every, weight)
    lags = lag_mass(draws["removal_lag"], plan.years)
    mean = alive @ plan.spans[:, 0].astype(float) + draws["removal_lag"][:, None, None]
    s, j = 7, 2
    ends, left = np.zeros(plan.years), np.zeros(len(plan.periods))
    for n in range(plan.programme.sizes["section"]):
        mass = lumped(alive[s, j, n, : plan.years])
        removed = np.convolve(mass, lags[s])[: plan.years]
        ends += follow["reconstruction"][s, j, n] * removed
        lived = np.concatenate([[0.0], np.cumsum(1.0 - np.cumsum(removed))[:-1]])
        left += kept["overlay"][s, j, n] * (1.0 - lived[list(plan.periods)] / mean[s, j, n])
    np.testing.assert_allclose(found.outlay.ends["reconstruction"][s, j], ends, rtol=2e-5, atol=1e-6 * ends.max())
    rounding = 1e-6 * kept["overlay"][s, j].sum()
    np.testing.assert_allclose(found.outlay.left["overlay"][s, j], left, rtol=2e-5, atol=rounding)
    np.testing.assert_allclose(found.curve[s, j], weight[s] @ alive[s, j, :, : plan.years], rtol=1e-5, atol=1e-7)
    np.testing.assert_allclose(found.years[s, j], weight[s] @ (alive[s, j] @ plan.spans[:, 1]), rtol=1e-5)


def test_what_does_not_apply_ties_exactly(roads_and_priors):
    """A measure that a rule leaves on no road costs and saves nothing at all, to the last digit."""
    nowhere = Portfolio("nowhere", MEASURES[1:2], {MEASURES[1]: {"section": ("none of them",)}})
    decision = run(roads_and_priors, [nowhere])
    assert (decision.net_benefit == 0.0).all()


def never_failing(wear: float, **changes):
    """Priors without early failures, all roads alike, wearing out at a certain age."""
    p = priors(mechanisms=(), measures=(), groups=(), drivers=(), indicators=(), costs=costs(sd=0.0),
               types=(overlay_type(wear=fixed(wear)),), wear_out_shape=fixed(400.0), wear_out_sd_common=fixed(1e-9),
               removal_lag=fixed(0.0), **changes)  # fmt: skip
    return p, roads(priors(), 6), prior_draws(p, draws=3, seed=1)


def test_a_life_beyond_the_period_is_one_cost_and_its_salvage():
    """FHWA-SA-98-079 (page not seen): first cost less the share of the life that is left, 60 and 50 years."""
    p, programme, posterior = never_failing(60.0)
    settled = policy(survey=None, horizon=60)
    found = decide(posterior, programme, p, policy=settled, portfolios=(), seed=1).result
    first = found["first_cost"].values
    np.testing.assert_allclose(found["present_value"], first * (1 - (10 / 60) / 1.03**50), rtol=1e-3)
    np.testing.assert_allclose(found["section_years"], 60.0, rtol=2e-3)


@pytest.mark.parametrize("rate", [0.0, 0.04])
def test_certain_lives_renew_as_reckoned_by_hand(rate):
    """Overlay at 0, 20 and 40, half of the last one left at 50."""
    p, programme, posterior = never_failing(20.0)
    settled = policy(survey=None, follow_up=OVERLAY_AGAIN, discount_rate=rate)
    found = decide(posterior, programme, p, policy=settled, portfolios=(), seed=1).result
    v = 1 / (1 + rate)
    expected = found["first_cost"].values * (1 + v**20 + v**40 - 0.5 * v**50)
    np.testing.assert_allclose(found["present_value"], expected, rtol=2e-3)
    np.testing.assert_allclose(found["monte_carlo_share"], 0.0)


def test_without_discounting_nothing_is_worth_less_for_being_later(roads_and_priors):
    found = run(roads_and_priors, policy=policy(discount_rate=0.0))
    np.testing.assert_allclose(found.result["annual_cost"] * 50, found.result["present_value"])


def test_comparators_are_the_reconstruction_chain_and_the_patches():
    p, programme, posterior = never_failing(60.0)
    settled = policy(survey=None, patch_until=10, patch_interval=5)
    found = decide(posterior, programme, p, policy=settled, portfolios=(), seed=1)
    chain = value_of_chain(found.ledger.chain.mass, found.ledger.chain.mean, 1 / 1.03, salvage=True)
    first = found.result["first_cost"].values[:, 0]  # of 60 a square metre
    now, patched = found.result["comparator_value"].values.T
    np.testing.assert_allclose(now, first / 60 * 130 * chain[:, 50])
    by_hand = first / 60 * (0.05 * 160 * (1 + 1.03**-5) + 130 * 1.03**-10 * chain[:, 40])
    np.testing.assert_allclose(patched, by_hand)


def test_a_measure_costs_where_it_was_not_already_done():
    """Ten roads have it, ten have not, of ten nothing is recorded (required at the recorded rate, one half)."""
    c = case(count=30, draws=20)
    c.programme["age_entry"][:] = 0.0
    c.programme["required"][:, 1] = np.repeat([1.0, 0.0, np.nan], 10)
    c.programme = c.programme.drop_vars("required_rate")
    options = options_of([Portfolio("saw", ("prompt_sawing",))])
    plan = Plan(c.programme, c.priors, policy(survey=None), options, early_age=10.0, seed=7, count=20)
    first = plan.run(Draws.of(c.posterior)).outlay.first["prompt_sawing"]
    area, price = plan.prices.sizes.area, plan.prices.draws("standby")
    np.testing.assert_array_equal(first[:, 0], 0.0)
    np.testing.assert_allclose(first[:, 1], price * (area[10:20].sum() + 0.5 * area[20:].sum()) / 30, rtol=1e-6)


def test_a_rule_on_where_limits_costs_and_gains_to_those_roads():
    """A requirement of one contractor's roads alone is paid there alone and changes nothing elsewhere."""
    c = case(count=30, draws=20)
    c.programme["age_entry"][:] = 0.0
    c.programme["required"][:] = 0.0
    contractor = str(c.programme["contractor"].values[0])
    here = c.programme["contractor"].values.astype(str) == contractor
    rule = {"prompt_sawing": {"contractor": (contractor,)}}
    options = options_of([Portfolio("some", ("prompt_sawing",), rule), Portfolio("all", ("prompt_sawing",))])
    plan = Plan(c.programme, c.priors, policy(survey=None), options, early_age=10.0, seed=7, count=20)
    lives = plan.run(Draws.of(c.posterior))
    first, area = lives.outlay.first["prompt_sawing"], plan.prices.sizes.area
    assert 0 < here.sum() < 30
    np.testing.assert_allclose(first[:, 1], first[:, 2] * area[here].sum() / area.sum(), rtol=1e-6)
    gain = lives.years - lives.years[:, :1]
    assert (gain[:, 1] < gain[:, 2]).all()


def test_what_a_measure_replaces_is_taken_off():
    c = case(count=20, draws=20)
    c.programme["required"][:] = 0.0
    c.programme["age_entry"][:] = 0.0
    portfolios = [Portfolio("saw", ("prompt_sawing",))]
    settled = policy(survey=None, replaces={"prompt_sawing": ("removal",)})
    found = run(c, portfolios, policy=settled).ledger.outlay.first
    plan = Plan(c.programme, c.priors, settled, options_of(portfolios), early_age=10.0, seed=7, count=20)
    credit = plan.prices.draws("removal") * plan.prices.sizes.area.mean()
    np.testing.assert_allclose(found["work_saved"][:, 1], -credit, rtol=1e-6)
    np.testing.assert_array_equal(found["work_saved"][:, 0], 0.0)


def test_a_measure_is_paid_also_where_it_is_not_done():
    """Compliance changes what is gained, never what is paid."""
    c = case(draws=20)
    none = c.posterior.assign(compliance=c.posterior["compliance"] * 0.0)
    settled = policy(survey=None)
    portfolios = [Portfolio("saw", ("prompt_sawing",))]
    done = decide(c.posterior, c.programme, c.priors, policy=settled, portfolios=portfolios, seed=1)
    not_done = decide(none, c.programme, c.priors, policy=settled, portfolios=portfolios, seed=1)

    def extra(d):
        return (d.result["first_cost"][:, 1] - d.result["first_cost"][:, 0]).values

    assert (extra(done) > 0).all()
    np.testing.assert_allclose(extra(done), extra(not_done), rtol=0.02)  # weights of late roads differ a little
    salvage_and_price = -not_done.net_benefit[:, 1] / extra(not_done)
    assert (salvage_and_price > 0.9).all()


def test_what_a_survey_finds_is_paid():
    """Found 0.15 + 0.85 x 0.05 = 0.1925 of the roads surveyed anew; a tenth rejected, the others repaired."""
    c = case(draws=20)
    c.programme["required"][:] = 0.0
    c.programme["age_entry"][:] = 0.0  # all roads count alike
    draws = Draws.of(c.posterior.assign(compliance=c.posterior["compliance"] * 0.0 + 1.0))
    options = options_of([Portfolio("survey", ("pre_survey",))])
    plan = Plan(c.programme, c.priors, policy(), options, early_age=10.0, seed=1, count=20)
    lives = plan.run(draws)
    first = lives.outlay.first
    np.testing.assert_allclose(first["rejected"][:, 1], 0.01925 * lives.reconstruction, rtol=1e-6)
    np.testing.assert_allclose(first["overlay"][:, 1], (1 - 0.01925) * first["overlay"][:, 0], rtol=1e-6)
    repair = plan.money["repair"].mean(axis=1)
    np.testing.assert_allclose(first["repair"][:, 1], 0.17325 * repair, rtol=1e-6)
    np.testing.assert_allclose(first["pre_survey"][:, 1], plan.money["pre_survey"].mean(axis=1), rtol=1e-6)
    assert (first["rejected"][:, 0] == 0).all()
    # what is rejected costs what a reconstruction now costs, all later ones included
    parts = Ledger(lives.outlay, plan.chain, policy(), plan.periods)
    now = parts.comparators(lives.reconstruction, lives.patch)["reconstruct_now"]
    np.testing.assert_allclose(parts.parts()["rejected"][:, 1], 0.01925 * now, rtol=1e-6)


def test_optional_lines_count_only_when_named(roads_and_priors, everything):
    assert "user_delay" not in everything.result["work"]
    named = run(roads_and_priors, policy=policy(user_delay=("delay",), disposal=("removal",)))
    by_work = named.result["present_value_by_work"]
    assert (by_work.sel(work="user_delay") > 0).all()
    assert (named.result["present_value"] > everything.result["present_value"]).all()


def test_kinds_of_work_add_up_and_types_average_to_the_programme(everything):
    result = everything.result
    np.testing.assert_allclose(result["present_value_by_work"].sum("work"), result["present_value"])
    np.testing.assert_allclose(result["net_benefit_by_type"][:, :, 0], result["net_benefit"], rtol=1e-4, atol=0.5)


def test_other_rates_periods_and_prices_are_those_of_a_run_of_their_own(roads_and_priors, everything):
    other = policy(discount_rate=0.05, analysis_period=40, analysis_periods=(30, 50, 60))
    own = run(roads_and_priors, policy=other).result["present_value"]
    np.testing.assert_allclose(everything.ledger.value(rate=0.05, period=40), own, rtol=1e-6)
    p = roads_and_priors.priors
    dear = replace(
        p, costs=tuple(cost("standby", 1.2, measure="prompt_sawing") if c.name == "standby" else c for c in p.costs)
    )
    own = decide(roads_and_priors.posterior, roads_and_priors.programme, dear, policy=policy(), seed=7,
                 portfolios=all_portfolios(MEASURES)).result["present_value"]  # fmt: skip
    np.testing.assert_allclose(everything.ledger.value(scale={"prompt_sawing": 2.0}), own, rtol=1e-6)


def test_monte_carlo_share_is_small_and_honest():
    """Held scores leave noise: its share is reported, and is that of the spread over other sets of scores."""
    c = case(count=60, draws=80)
    found = run(c, [Portfolio("all", MEASURES)], policy=policy(follow_up=OVERLAY_AGAIN))
    share = found.result["monte_carlo_share"].values
    assert share[0] == 0.0
    assert 0.0 < share[1] < 0.2  # 60 roads; it falls as one over their number


def test_renewal_zero_keeps_its_numbers_and_later_ones_are_new(roads_and_priors):
    c = roads_and_priors
    draws = Draws.of(c.posterior)
    portfolios = [Portfolio("saw", ("prompt_sawing",))]
    lives = [
        draw_lives(draws, c.programme, c.priors, portfolios, seed=3, **r) for r in ({}, {"renewal": 0}, {"renewal": 1})
    ]
    np.testing.assert_array_equal(lives[0], lives[1])
    assert (lives[2] != lives[0]).all()
    # the road keeps its score and terms: lives of one road resemble each other, those of different roads do not
    early = [(one < 10).astype(float).ravel() for one in lives[1:]]
    assert np.corrcoef(*early)[0, 1] > 0.02


def test_held_scores_average_to_the_averaged_ones(roads_and_priors):
    c = case(count=300, draws=12)
    draws, ages = Draws.of(c.posterior), np.array([5.0, 10.0, 30.0])
    options = options_of([])
    held, mean = (
        Survivals(draws, c.programme, c.priors, options, seed=1, hold_scores=h)
        .at(slice(0, 12), ages)[:, 0]
        .mean(axis=1)
        for h in (True, False)
    )
    assert np.abs(held - mean).max() < 4 * 0.15 / np.sqrt(300)
