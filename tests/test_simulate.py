"""Simulation: laws of the closed form, of simulated lives, and of portfolios."""

from __future__ import annotations

from types import SimpleNamespace

import numpy as np
import pytest
import xarray as xr
from builders import effect, fixed, measure, mechanism, overlay_type, priors, quantity
from generator import Generator, truth_of
from scipy.special import expit

from riskmodel import schema
from riskmodel.closedform import ClosedForm, age_grid, incidences
from riskmodel.condition import Condition
from riskmodel.inputs import Inputs
from riskmodel.lifetable import cumulative_incidence
from riskmodel.lives import Draws, group_terms, root_life, wear_survival
from riskmodel.measures import CURRENT_PRACTICE, NO_MEASURES, Portfolio, all_portfolios, selections_of
from riskmodel.montecarlo import draw_lives
from riskmodel.priordraws import prior_draws
from riskmodel.programme import programme_from_records, programme_from_table
from riskmodel.simulate import cause_table, portfolio_table, simulate

MEASURES = ("pre_survey", "prompt_sawing", "internal_curing")


def roads(p, count: int = 40, seed: int = 2) -> xr.Dataset:
    truth = truth_of(prior_draws(p, draws=8, seed=seed), 5)
    records = Generator(p, truth, np.random.default_rng(seed), Condition()).records(count, surveys=False)
    return programme_from_records(records.sections, p)


@pytest.fixture(scope="module")
def case():
    p = priors()
    return SimpleNamespace(priors=p, programme=roads(p), posterior=prior_draws(p, draws=60, seed=9))


def run(case, portfolios, **changes):
    settings = {"seed": 7, "samples": 60, **changes}
    return simulate(case.posterior, case.programme, case.priors, portfolios=portfolios, **settings)


@pytest.fixture(scope="module")
def everything(case):
    return run(case, all_portfolios(MEASURES), observed_to=20.0)


def test_survival_and_incidences_sum_to_one(case):
    """Law: S + sum of cumulative incidences = 1, at every age and section."""
    draws = Draws.of(case.posterior)
    inputs = Inputs.of(case.programme, case.priors, {}, portfolio=Portfolio("x", ("prompt_sawing",)))
    terms = group_terms(draws, case.programme, case.priors, 1)
    edges = np.concatenate([[0.0], np.geomspace(0.3, 300.0, 60)])
    for s in (0, 7, 31):
        lives = [root_life(draws, s, case.priors, inputs, r, terms, 7) for r in range(len(inputs.roots))]
        wear = wear_survival(draws, s, case.priors, inputs, edges)
        survival = wear * np.multiply.reduce([life.survival(edges) for life in lives])
        fallen = np.cumsum(incidences(lives, wear, edges, inputs).sum(axis=0), axis=1)
        np.testing.assert_allclose(survival[:, 1:] + fallen, 1.0, atol=1e-10)


def test_incidences_match_counted_causes_of_simulated_lives():
    """10^6 lives by plain simulation of one section: incidence by cause within 4 standard errors."""
    p = priors(groups=())
    programme = roads(p, 1)
    programme["required"] = programme["required"].fillna(1.0)
    posterior = prior_draws(p, draws=3, seed=4)
    draws = Draws.of(posterior)
    inputs = Inputs.of(programme, p, {}, portfolio=Portfolio(NO_MEASURES, reference=True))
    lives = [root_life(draws, 1, p, inputs, r, {}, 31) for r in range(len(inputs.roots))]
    edges = 15.0 * np.linspace(0.0, 1.0, 200) ** 1.5
    wear = wear_survival(draws, 1, p, inputs, edges)
    closed = incidences(lives, wear, edges, inputs).sum(axis=(1, 2))
    n, rng = 1_000_000, np.random.default_rng(3)
    age, cause = _lives_of_one(draws, 1, p, inputs, programme, rng, n)
    # with nothing censored the Aalen-Johansen estimate of `lifetable` is the counted share
    names = np.array([*(m.name for m in p.mechanisms), "wear_out"])
    table = cumulative_incidence(np.ceil(age * 50.0) / 50.0, names[cause])  # fewer distinct ages, the same at 15
    by = table["incidence"].sel(age=15.0, method="ffill")
    for c, expected in enumerate(closed):
        found = float(by.sel(cause=names[c]))
        assert found == pytest.approx(expected, abs=4 * np.sqrt(expected / n) + 2e-3 * expected)


def _lives_of_one(draws, s, p, inputs, programme, rng, n):
    wear_median = draws["wear_out_median"][s][0] * np.exp(draws["driver_coefficient"][s][0] * inputs.drivers[0, 0])
    shape = draws["wear_out_shape"][s]
    age = wear_median * rng.weibull(shape, n) / np.log(2) ** (1 / shape)
    cause = np.full(n, len(p.mechanisms))
    for root in inputs.roots:
        mean, sd = (a[0] for a in inputs.score_of(root))
        score = mean + sd * rng.standard_normal(n)
        for m in root.mechanisms:
            eta = draws["intercept"][s][0, m] + draws["year_slope"][s] * inputs.decades[0]
            for i, (k, name) in enumerate(selections_of(p)):
                if name == root.name and not programme["randomised"].values[0, k]:
                    eta = eta + programme["required"].values[0, k] * draws["selection"][s][i]
            hit = rng.random(n) < expit(eta - draws["score_effect"][s][m] * score)
            w = draws["age_shape"][s][m]
            t = np.where(hit, draws["age_median"][s][m] * rng.weibull(w, n) / np.log(2) ** (1 / w), np.inf)
            cause, age = np.where(t < age, m, cause), np.minimum(age, t)
    return age, cause


def test_the_result_is_of_its_published_kind(everything):
    schema.check(everything, "simulation")


def test_closed_form_equals_simulated_lives_within_four_standard_errors(case):
    result = run(case, all_portfolios(MEASURES))
    z = result["simulated_difference"] / result["simulated_error"]
    assert float(abs(z).max()) < 4.0


def test_no_measure_that_helps_shortens_any_life():
    """Common random numbers: with helping effects only, no section fails earlier than under `no_measures`."""
    helping = [
        measure("pre_survey", [effect(["support_loss", "reflective_cracking"], 0.5, sd=0.05)]),
        measure("prompt_sawing", [effect(["random_cracking"], 0.4, "hazard_ratio", sd=0.05)]),
        measure("internal_curing", [effect(["panel_breaks"], 0.6, "odds_ratio", sd=0.05)], time_ratio=fixed(1.1)),
    ]
    p = priors(measures=tuple(helping))
    lives = draw_lives(
        Draws.of(prior_draws(p, draws=40, seed=3)), roads(p), p, all_portfolios([m.name for m in helping]), seed=5
    )
    assert (lives[:, 2:] >= lives[:, [0]]).all()
    assert (lives[:, -1] > lives[:, 0]).any()
    assert (lives[:, 1] >= lives[:, 0]).all()


def test_adding_a_portfolio_changes_no_other_number(case, everything):
    few = run(case, all_portfolios(MEASURES[:1]), observed_to=20.0)
    for name in few["portfolio"].values:
        np.testing.assert_array_equal(few["value"].sel(portfolio=name), everything["value"].sel(portfolio=name))
        np.testing.assert_array_equal(
            few["assured_age"].sel(portfolio=name), everything["assured_age"].sel(portfolio=name)
        )


@pytest.mark.parametrize("changes", [{"chunk": 7}, {"workers": 3, "chunk": 5}])
def test_workers_and_chunks_change_no_number(case, everything, changes):
    again = run(case, all_portfolios(MEASURES), observed_to=20.0, **changes)
    xr.testing.assert_identical(everything.drop_attrs(), again.drop_attrs())


def test_order_of_measures_does_not_matter(case):
    one, other = (
        run(case, [Portfolio("both", m)]).sel(portfolio="both")["value"] for m in (MEASURES[:2], MEASURES[1::-1])
    )
    np.testing.assert_array_equal(one, other)


def test_sections_keep_their_fate_when_others_leave(case):
    draws = Draws.of(case.posterior)
    portfolios = all_portfolios(MEASURES[:1])
    rates = case.programme  # carries the records' rates, so fewer sections do not change them
    whole = draw_lives(draws, rates, case.priors, portfolios, seed=5)
    part = draw_lives(draws, rates.isel(section=slice(10, 20)), case.priors, portfolios, seed=5)
    np.testing.assert_array_equal(whole[:, :, 10:20], part)


def test_where_rules_limit_a_measure():
    types = tuple(overlay_type(n) for n in ("bonded_asphalt", "unbonded_concrete"))
    names = tuple(t.name for t in types)
    p = priors(
        types=types,
        mechanisms=(
            mechanism("support_loss", "existing", {n: 0.6 for n in names}, 5.0),
            mechanism("random_cracking", "workmanship", {n: 0.4 for n in names}, 2.5),
        ),
        measures=(measure("pre_survey", [effect(["support_loss"], 0.3, types=names)], names),),
        drivers=(),
        indicators=(),
        groups=(),
    )
    table = xr.Dataset(
        {
            "bond": ("section", ["bonded", "unbonded"]),
            "base": ("section", ["asphalt", "concrete"]),
            "required": (("section", "measure"), np.zeros((2, 1))),
            "verified": (("section", "measure"), np.zeros((2, 1), bool)),
            "randomised": (("section", "measure"), np.zeros((2, 1), bool)),
        },
        coords={"section": ["a", "b"], "measure": ["pre_survey"]},
    )
    programme = programme_from_table(table)
    rule = Portfolio("asphalt only", ("pre_survey",), where={"pre_survey": {"base": ("asphalt",)}})
    lives = draw_lives(
        Draws.of(prior_draws(p, draws=400, seed=1)), programme, p, [*all_portfolios(["pre_survey"]), rule], seed=2
    )
    np.testing.assert_array_equal(lives[:, 3, 1], lives[:, 1, 1])
    np.testing.assert_array_equal(lives[:, 3, 0], lives[:, 2, 0])
    assert (lives[:, 2, 1] != lives[:, 1, 1]).any()


def test_a_rule_on_an_unknown_column_is_refused(case):
    from riskmodel.errors import RiskModelError

    rule = Portfolio("odd", ("pre_survey",), where={"pre_survey": {"colour": ("red",)}})
    with pytest.raises(RiskModelError, match=r"names the column `colour`.*Add the column or drop the rule"):
        run(case, [rule])


def test_fair_shares_add_up_to_the_whole_loss(case, everything):
    roots = [i for i, n in enumerate(everything["source_name"].values) if n.startswith("root")]
    mechanisms = [i for i in range(everything.sizes["source"]) if i not in roots]
    shapley = everything["shapley"].values
    np.testing.assert_allclose(shapley[:, :, roots].sum(-1), shapley[:, :, mechanisms].sum(-1), rtol=1e-9, atol=1e-12)
    # all early mechanisms taken away leaves wear-out alone
    early = everything["value"].sel(portfolio=CURRENT_PRACTICE, quantity="early_failure_probability").values
    wear = everything["cause_incidence"].sel(reference=CURRENT_PRACTICE, cause="wear_out").values
    total = shapley[:, 1, :][:, roots].sum(-1)
    assert (total <= early + 1e-9).all()
    assert (total >= early - wear - 1e-6 - 0.1 * early).all()


def test_the_neglected_link_between_roots_is_small():
    """A measure that acts on two roots is averaged in each: P(T<10) changes by under 0.2 %."""
    p = priors(
        measures=(measure("internal_curing", [effect(["random_cracking"], 0.6), effect(["panel_breaks"], 0.6)]),)
    )
    programme = roads(p)
    posterior = prior_draws(p, draws=200, seed=2)
    result = simulate(posterior, programme, p, portfolios=all_portfolios(["internal_curing"]), seed=1, samples=200)
    closed = result["value"].sel(portfolio="internal_curing", quantity="early_failure_probability").values
    draws = Draws.of(posterior)
    exact = np.zeros(200)
    for done in (0.0, 1.0):
        sure = {**draws.values, "compliance": np.full((200, 1), done)}
        chance = draws["compliance"][:, 0] if done else 1 - draws["compliance"][:, 0]
        certain = _early(Draws(sure, draws.coords, 200), programme, p, result)
        exact += chance * certain
    assert abs(closed.mean() / exact.mean() - 1) < 0.002


def _early(draws, programme, p, result):
    portfolio = Portfolio("internal_curing", ("internal_curing",))
    forced = programme.assign(required=programme["required"].fillna(0.0))
    form = ClosedForm(draws, forced, p, (Portfolio(CURRENT_PRACTICE, reference=True), portfolio), seed=1)
    block, grid = form.block(slice(0, form.sections)), age_grid(60.0)
    at = int(np.searchsorted(grid, 10.0))
    states = (block.at(s, grid) for s in range(draws.count))
    return np.array([1.0 - state.programme_survival()[1, at] / state.weight.sum() for state in states])


def test_late_entry_weights_undo_survivorship():
    """Records that begin late hold survivors; weighting by 1/P(seen) recovers the whole programme's early failures."""
    p = priors(measures=(), groups=(), early_failure=quantity("beta", 60, 140), removal_lag=fixed(2.0))
    truth = truth_of(prior_draws(p, draws=1, seed=6), 0)
    generator = Generator(p, truth, np.random.default_rng(1), Condition())
    records = generator.records(1500, surveys=False, records_from=2012.0)
    posterior = prior_draws(p, draws=1, seed=6)
    programme = programme_from_records(records.sections, p)
    everyone = [road for road, _ in generator.kept] + generator.unseen
    result = simulate(posterior, programme, p, portfolios=[], seed=1)
    found = float(result["value"].sel(quantity="early_failure_probability").values[0, 0])
    fates = [generator.fate(road)[0] for _ in range(6) for road in everyone]
    expected = np.mean(np.array(fates) < 10.0)
    unweighted = simulate(posterior, programme.assign(age_entry=programme["age_entry"] * 0), p, portfolios=[], seed=1)
    naive = float(unweighted["value"].sel(quantity="early_failure_probability").values[0, 0])
    error = np.sqrt(expected / len(fates)) * 2 + 0.006
    assert found == pytest.approx(expected, abs=3 * error)
    assert abs(found - expected) <= abs(naive - expected) + error


def test_assured_age_of_a_real_programme_is_below_that_of_the_average(everything):
    average, real = everything["assured_age"].sel(portfolio=CURRENT_PRACTICE).values
    assert real <= average + 1.0


def test_tables_hold_every_portfolio_quantity_and_unit(everything):
    table = portfolio_table(everything)
    assert list(table.columns) == [
        "portfolio", "quantity", "unit", "mean", "lower", "upper", "mcse", "share_extrapolated",
    ]  # fmt: skip
    assert set(table["portfolio"]) == {p.name for p in all_portfolios(MEASURES)}
    gain = table[(table.portfolio == CURRENT_PRACTICE) & (table.quantity == "life_gain")].iloc[0]
    assert gain["mean"] == gain["mcse"] == 0.0
    late = table[table.quantity == "survival_45"]
    assert (late["share_extrapolated"] == 1.0).all()
    causes = cause_table(everything)
    shares = causes[(causes.quantity == "share_of_early_failures") & (causes.reference == NO_MEASURES)]
    assert shares["mean"].sum() == pytest.approx(1.0)


def test_programme_may_shift_a_score(case):
    better = run(case, [], score_shift={"workmanship": 1.0})
    same = run(case, [])
    quantity_ = {"quantity": "early_failure_probability"}
    assert (better["value"].sel(quantity_) < same["value"].sel(quantity_)).all()


def test_weighting_by_area_counts_large_sections_more(case):
    big = case.programme.assign(area=("section", np.where(np.arange(40) == 3, 1e9, 1.0)))
    whole = simulate(case.posterior, big, case.priors, portfolios=[], seed=7, samples=60, weight_by_area=True)
    alone = simulate(case.posterior, case.programme.isel(section=[3]), case.priors, portfolios=[], seed=7, samples=60)
    np.testing.assert_allclose(
        whole["value"].sel(quantity="b10_age"), alone["value"].sel(quantity="b10_age"), rtol=1e-5
    )


def test_a_programme_outside_the_records_is_warned_about(case):
    from riskmodel.errors import RiskModelWarning
    from riskmodel.programme import warn_outside_records

    heavy = case.programme.assign(trucks_per_day=case.programme["trucks_per_day"] * 50.0)
    with pytest.warns(RiskModelWarning, match=r"`trucks_per_day` outside the range of the records"):
        warn_outside_records(heavy, case.programme, case.priors)
    warn_outside_records(case.programme, case.programme, case.priors)
