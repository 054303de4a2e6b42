"""Robustness of the first place, weighted priors, levels, assured ages and the tables of a decision."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest
from builders import fixed
from money_cases import MEASURES, case, policy
from scipy import stats

from riskmodel import decisiontables as of
from riskmodel.assurance import ages_outlived, assured_table, assured_words, prior_weight
from riskmodel.decide import decide
from riskmodel.fates import with_fate_check
from riskmodel.levels import levels_table
from riskmodel.measures import CURRENT_PRACTICE, Portfolio, all_portfolios
from riskmodel.policy import Level
from riskmodel.robustness import _crossings, log_priors, robustness_table, smoothed_weights
from riskmodel.schema import check
from riskmodel.simulate import simulate
from riskmodel.splits import share_table

LEVELS = (
    Level("prompt_sawing", "nothing", 0.0, 0.0),
    Level("prompt_sawing", "half", 0.5, 0.5),
    Level("prompt_sawing", "all", 1.0, 1.0),
    Level("pre_survey", "cores", 1.0, cost="survey"),
)
PORTFOLIOS = all_portfolios(MEASURES)


@pytest.fixture(scope="module")
def weighed():
    c = case(draws=80)
    c.policy = policy(levels=LEVELS)
    c.simulation = simulate(c.posterior, c.programme, c.priors, portfolios=PORTFOLIOS, seed=7, samples=80)
    c.decision = decide(c.posterior, c.programme, c.priors, portfolios=PORTFOLIOS, seed=7, policy=c.policy)
    c.ranking = of.ranking_table(c.decision, c.simulation)
    c.robustness = robustness_table(c.decision, c.simulation, c.posterior)
    return c


# ----------------------------------------------------------------------------------- the tables


def test_ranking_is_in_order_and_holds_what_it_says(weighed):
    table, decision = weighed.ranking, weighed.decision
    options = table[table["kind"] == "option"]
    assert options["saving_mean"].is_monotonic_decreasing
    assert options["chance_best"].sum() == pytest.approx(1.0)
    assert (options["expected_regret"] >= 0).all()
    assert (options["saving_worst_tenth"] <= options["saving_mean"] + 1e-9).all()
    row = options.set_index("portfolio").loc["prompt_sawing"]
    j = decision.names.index("prompt_sawing")
    assert row["saving_mean"] == pytest.approx(decision.net_benefit[:, j].mean())
    value = weighed.simulation["value"].sel(portfolio="prompt_sawing", quantity="life_gain")
    assert row["years_gained_mean"] == pytest.approx(float(value.mean()), abs=2e-3)
    assert set(table[table["kind"] != "option"]["portfolio"]) == {"reconstruct_now", "patch_on"}
    assert not [name for name in table if "ratio" in name or name.startswith("cost_per")]


def test_acceptability_sums_to_one_and_the_frontier_rises(weighed):
    table = of.acceptability_table(weighed.decision)
    sums = table.groupby("payment_per_section_year")["chance_best"].sum()
    np.testing.assert_allclose(sums, 1.0)
    assert (table[table["on_frontier"] == "yes"].groupby("payment_per_section_year").size() == 1).all()
    steps = of.frontier_table(weighed.decision)["step_cost_per_year"].dropna()
    assert steps.is_monotonic_increasing
    stated = of.acceptability_table(weighed.decision, (5.0, 1.0))
    assert list(dict.fromkeys(stated["payment_per_section_year"])) == [1.0, 5.0]


def test_payments_end_where_reconstructing_buys_years_for_less(weighed):
    """A reconstruction at 130 a square metre lasts about 33 years: five times a year of it is the dearest payment."""
    year = of.reconstruction_year(weighed.decision)
    area = weighed.decision.result.attrs["mean_area"]
    assert year == pytest.approx(130 * np.exp(0.02) * area / 32.5, rel=0.1)
    grid = of.payments(weighed.decision)
    assert grid[0] == 0.0
    assert grid[-1] <= of.MOST_TIMES * year * (1 + 1e-12)
    # an option that costs and gains next to nothing moves the end no further than that
    useless = case(count=20, draws=20)
    useless.posterior["delta"] = 1e-6 * useless.posterior["delta"]
    decision = decide(useless.posterior, useless.programme, useless.priors, portfolios=PORTFOLIOS[:4], seed=7,
                      policy=policy())  # fmt: skip
    found = of.gains(decision)
    price = found["extra_first_cost"].mean(axis=0)[1:] / np.abs(found["years_gained"].mean(axis=0)[1:])
    assert price.max() > 100 * of.MOST_TIMES * of.reconstruction_year(decision)
    assert of.payments(decision)[-1] <= of.MOST_TIMES * of.reconstruction_year(decision) * (1 + 1e-12)
    assert list(of.payments(decision, (3.0, 1e9))) == [3.0, 1e9]


def test_types_average_to_the_programme(weighed):
    table = of.type_table(weighed.decision).set_index("portfolio")
    for name in ("prompt_sawing", "pre_survey"):
        expected = weighed.decision.net_benefit[:, weighed.decision.names.index(name)].mean()
        assert table.loc[name, "saving_mean"] == pytest.approx(expected, rel=1e-3, abs=1.0)


def test_lives_beside_money_count_by_area_where_the_study_says_so(weighed):
    """Years gained and failures averted are those of the simulation by area; money stays as it is."""
    c = case(count=15, draws=40)
    c.programme["area"] = ("section", np.geomspace(500.0, 50_000.0, 15))
    settings = {"portfolios": PORTFOLIOS[:4], "seed": 7}
    alike = decide(c.posterior, c.programme, c.priors, policy=policy(), **settings)
    by_area = decide(c.posterior, c.programme, c.priors, policy=policy(), weight_by_area=True, **settings)
    simulation = simulate(c.posterior, c.programme, c.priors, samples=40, weight_by_area=True, **settings)
    for name in ("net_benefit", "first_cost", "present_value", "net_benefit_by_type"):
        np.testing.assert_array_equal(by_area.result[name], alike.result[name])
    for name, quantity, sign in (
        ("years_gained", "life_gain", 1.0),
        ("averted_per_100", "early_failure_probability", -100),
    ):
        found = of.gains(by_area)[name].mean(axis=0)
        value = sign * simulation["value"].sel(portfolio=by_area.names, quantity=quantity).mean("sample").values
        np.testing.assert_allclose(found, value - value[0], atol=2e-3)
    assert not np.allclose(by_area.result["section_years"], alike.result["section_years"], rtol=1e-3)
    assert set(of.frontier_table(by_area)["weighting"]) == {"lives by area"}
    assert set(of.frontier_table(alike)["weighting"]) == {"sections alike"}
    one_type = of.type_table(by_area)
    assert one_type["years_gained_mean"].to_numpy() == pytest.approx(of.gains(by_area)["years_gained"].mean(axis=0)[1:])


def test_shares_add_up_to_the_gain(weighed):
    table = share_table(weighed.decision, PORTFOLIOS)
    whole = " + ".join(MEASURES)
    saving = table[(table["portfolio"] == whole) & (table["quantity"] == "saving")]
    expected = weighed.decision.net_benefit[:, weighed.decision.names.index(whole)].mean()
    assert list(saving["measure"]) == list(MEASURES)
    assert saving["mean"].sum() == pytest.approx(expected)
    alone = share_table(weighed.decision, PORTFOLIOS[2:3])
    assert alone.empty
    assert list(alone) == list(table)


def test_parts_that_nobody_asked_for_are_weighed(weighed):
    """The split of one named portfolio is that of all combinations, and one over six measures says why it has none."""
    few = decide(weighed.posterior, weighed.programme, weighed.priors, portfolios=PORTFOLIOS[-1:], seed=7,
                 policy=weighed.policy)  # fmt: skip
    found, every = share_table(few, PORTFOLIOS[-1:], workers=2), share_table(weighed.decision, PORTFOLIOS)
    every = every[every["portfolio"] == PORTFOLIOS[-1].name].reset_index(drop=True)
    for column in ("mean", "lower", "upper"):
        np.testing.assert_allclose(found[column], every[column], rtol=1e-4, atol=0.05)
    assert set(found["note"]) == {""}
    many = Portfolio("many", tuple("abcdefg"))
    noted = share_table(few, [*PORTFOLIOS[-1:], many])
    assert list(noted["note"])[-1].startswith("not split: more than 6 measures")


def test_parts_keep_their_rules_on_where(weighed):
    """A measure that a rule leaves on no road has no share; the other has the whole gain."""
    nowhere = Portfolio("ruled", MEASURES[1:], {MEASURES[1]: {"section": ("none of them",)}})
    decision = decide(weighed.posterior, weighed.programme, weighed.priors, portfolios=[nowhere], seed=7,
                      policy=weighed.policy)  # fmt: skip
    table = share_table(decision, [nowhere]).set_index(["quantity", "measure"])
    gain = decision.net_benefit[:, 1].mean()
    assert table.loc[("saving", MEASURES[1]), "mean"] == pytest.approx(0.0, abs=0.01)
    assert table.loc[("saving", MEASURES[2]), "mean"] == pytest.approx(gain, abs=0.01)


def test_the_best_set_under_a_budget(weighed):
    cost = of.gains(weighed.decision)["extra_first_cost"].mean(axis=0) * 40
    assert of.affordable_portfolio(weighed.decision, float(cost.max())) == weighed.ranking["portfolio"].iloc[0]
    assert of.affordable_portfolio(weighed.decision, 0.5 * float(cost[1:].min())) == CURRENT_PRACTICE


# ----------------------------------------------------------------------------------- robustness


def test_robustness_tries_every_assumption(weighed):
    table = weighed.robustness
    kinds = {"as stated", "discount rate", "analysis period", "price", "compliance", "prior", "early age", "horizon"}
    assert kinds <= set(table["kind"])
    prior = table[table["kind"] == "prior"]
    assert prior["k_hat"].notna().all()
    words = " ".join(prior["setting"])
    for group in ("share failing early", "effects of measures", "compliance", "selection of roads", "prices"):
        assert group in words
    assert table["same_first"].iloc[0] == "yes"


def test_rows_are_the_ledger_at_other_settings(weighed):
    table, ledger = weighed.robustness.set_index(["kind", "setting"]), weighed.decision.ledger
    value = ledger.value(rate=0.07)
    saving = (value[:, :1] - value).mean(axis=0)
    row = table.loc[("discount rate", "7 %")]
    assert row["saving"] == pytest.approx(saving.max())
    assert row["first_place"] == weighed.decision.names[int(saving.argmax())]
    assert row["margin"] == pytest.approx(np.diff(np.sort(saving)[-2:])[0])


def test_the_first_place_does_change_at_a_switching_value(weighed):
    """Below and above each factor of a price the ledger names another first place."""
    decision, seen = weighed.decision, 0
    for _, row in weighed.robustness[weighed.robustness["kind"] == "switching value"].iterrows():
        words, _, factor = row["setting"].removeprefix("price of ").partition(", times ")
        if words not in MEASURES:
            continue
        seen += 1
        away = 1.02 if float(factor) > 1 else 0.98
        firsts = []
        for f in (float(factor) / away, float(factor) * away):
            value = decision.ledger.value(scale={words: f})
            firsts.append(decision.names[int((value[:, :1] - value).mean(axis=0).argmax())])
        assert firsts[0] != firsts[1]
        assert row["first_place"] == firsts[1]
    assert seen


def test_crossings_by_hand():
    """Lines 5 - (f - 1), 3 + (f - 1) and 4.5 - 3 (f - 1): 2 overtakes at f = 2, 3 at f = 0.75."""
    found = list(_crossings(np.array([5.0, 3.0, 4.5]), np.array([-1.0, 1.0, -3.0])))
    assert found == [(pytest.approx(0.75), 2), (pytest.approx(2.0), 1)]
    assert list(_crossings(np.array([5.0, 3.0]), np.array([1.0, 1.0]))) == []


def test_weights_raise_a_prior_to_a_power():
    """Normal prior of sd 1 to the power 1.25 has sd 1 / sqrt(1.25): known, and the weights reproduce it."""
    x = np.random.default_rng(1).standard_normal(20_000)
    for power in (0.8, 1.25):
        weight, k_hat = smoothed_weights(stats.norm.logpdf(x), power)
        assert weight.sum() == pytest.approx(1.0)
        assert weight @ x**2 == pytest.approx(1 / power, rel=0.04)
        assert k_hat < 0.7
    assert smoothed_weights(np.arange(10.0), 1.25)[1] == np.inf


def test_log_priors_are_those_of_scipy(weighed):
    found = log_priors(weighed.decision)
    draws = weighed.decision.draws
    np.testing.assert_allclose(found["share failing early"], stats.beta(3, 27).logpdf(draws["early_failure"]))
    expected = sum(stats.beta(16, 4).logpdf(draws["compliance"][:, k]) for k in range(3))
    np.testing.assert_allclose(found["compliance"], expected)
    assert "selection of roads" in found


def test_a_fixed_prior_has_no_power(weighed):
    c = case(draws=10, early_failure=fixed(0.1))
    decision = decide(c.posterior, c.programme, c.priors, portfolios=PORTFOLIOS[:3], seed=1, policy=policy())
    assert "share failing early" not in log_priors(decision)


# --------------------------------------------------------------------------------------- levels


def test_levels_run_from_nothing_to_the_measure(weighed):
    table = levels_table(weighed.decision, weighed.posterior)
    sawing = table[table["measure"] == "prompt_sawing"].set_index("level")
    np.testing.assert_allclose(sawing.loc["nothing", "saving":"averted_per_100"].astype(float), 0.0, atol=0.1)
    assert sawing.loc["none", "saving"] == 0.0
    whole = weighed.decision.net_benefit[:, weighed.decision.names.index("prompt_sawing")].mean()
    assert sawing.loc["all", "saving"] == pytest.approx(whole, rel=1e-3, abs=1.0)
    assert 0 < sawing.loc["half", "years_gained"] < sawing.loc["all", "years_gained"]
    assert sawing.loc["half", "extra_first_cost"] == pytest.approx(
        0.5 * sawing.loc["all", "extra_first_cost"], rel=1e-3
    )
    for _, rows in table.groupby("measure"):
        assert list(rows["pays"]).count("yes") == 1
        assert rows["chance_best"].sum() == pytest.approx(1.0)
        assert rows.loc[rows["pays"] == "yes", "saving"].iloc[0] == rows["saving"].max()


def test_no_levels_no_rows(weighed):
    decision = decide(weighed.posterior, weighed.programme, weighed.priors, portfolios=PORTFOLIOS[:3], seed=1,
                      policy=policy())  # fmt: skip
    assert levels_table(decision, weighed.posterior).empty


# --------------------------------------------------------------------------------- assured ages


def test_assured_ages_fall_with_credibility_and_share(weighed):
    table = assured_table(weighed.decision, prior_only=True)
    assert (table["prior_weight"] == 1.0).all()
    wide = table[table["portfolio"] == CURRENT_PRACTICE].pivot(
        index="share_outliving", columns="credibility", values="age"
    )
    assert (wide.diff(axis=1).iloc[:, 1:] <= 0).all().all()
    assert (wide.diff(axis=0).iloc[1:] <= 0).all().all()
    closed = weighed.simulation["assured_age"].sel(portfolio=CURRENT_PRACTICE).values[0]
    assert wide.loc[0.90, 0.95] == pytest.approx(closed, rel=0.1)
    assert "by the priors alone" in assured_words(table, CURRENT_PRACTICE)
    with pytest.raises(KeyError, match="no assured age"):
        assured_words(table, "nobody")


def test_ages_outlived_of_an_exponential():
    curve = np.exp(-0.02 * (np.arange(120) + 0.5))[None, None, :]
    assert ages_outlived(curve, 0.9)[0, 0] == pytest.approx(-np.log(0.9) / 0.02, rel=1e-3)


def test_prior_weight_is_the_share_of_precision():
    """Normal prior of sd 2 and one observation of sd 1: posterior variance 0.8, a fifth of the prior's 4."""
    z = np.random.default_rng(2).standard_normal((40_000, 1))
    found = prior_weight(np.exp(np.sqrt(0.8) * z), np.exp(2.0 * z))
    assert found[0] == pytest.approx(0.2, rel=0.01)  # ages are held below 1,000


def test_weight_of_priors_against_records(weighed):
    """Draws that are the prior's own have about all of the weight on the priors."""
    table = assured_table(weighed.decision, prior_only=False)
    assert (table.loc[table["share_outliving"] == 0.9, "prior_weight"] > 0.5).all()


def test_fates_are_noted_in_the_result(weighed):
    result = with_fate_check(weighed.decision, weighed.posterior)
    check(result, "decision")
    assert (np.abs(result["simulated_difference"]) < 4 * result["simulated_error"]).all()


def test_single_portfolio_without_measures_is_no_choice():
    c = case(draws=10)
    decision = decide(c.posterior, c.programme, c.priors, portfolios=(), seed=1, policy=policy())
    simulation = simulate(c.posterior, c.programme, c.priors, portfolios=(), seed=1, samples=10)
    table = of.ranking_table(decision, simulation)
    assert table["portfolio"].iloc[0] == CURRENT_PRACTICE
    found = robustness_table(decision, simulation, c.posterior)
    assert set(found["first_place"]) == {CURRENT_PRACTICE}
    assert isinstance(found, pd.DataFrame)
    assert of.type_table(decision).empty
    assert Portfolio(CURRENT_PRACTICE, reference=True) in decision.plan.portfolios
