"""First costs known beforehand are those that the decision finds, and that a reckoning by hand gives."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from money_cases import MEASURES, case, costs, policy

from riskmodel.decide import decide
from riskmodel.errors import RiskModelError, StudyError
from riskmodel.firstcosts import expected_first_costs, validate_budget
from riskmodel.measures import CURRENT_PRACTICE, Portfolio, all_portfolios

PORTFOLIOS = all_portfolios(MEASURES)


def test_they_are_those_of_the_decision():
    """Fixed prices: apart from the survey, whose findings go with drawn compliance, nothing is left to chance."""
    c = case(count=20, draws=400)
    c.priors = replace(c.priors, costs=costs(sd=0.0))
    # every road counts once, as beforehand
    c.programme["age_entry"] = 0.0 * c.programme["age_entry"]
    found = expected_first_costs(c.programme, c.priors, policy(), PORTFOLIOS)
    decision = decide(c.posterior, c.programme, c.priors, portfolios=PORTFOLIOS, seed=3, policy=policy())
    first = decision.result["first_cost"].values.mean(axis=0)
    expected = 20.0 * (first - first[0])
    assert list(found) == decision.names
    for name, cost in zip(decision.names, expected, strict=True):
        rel = 0.05 if "pre_survey" in name else 1e-9
        assert found[name] == pytest.approx(cost, rel=rel, abs=1e-6), name


def test_drawn_prices_count_at_their_means():
    """Lognormal price of median 0.6 and sigma 0.2 a square metre: mean 0.6 exp(0.02), where the measure is not done."""
    c = case(count=30, draws=10)
    c.programme["area"] = ("section", np.linspace(2000.0, 9000.0, 30))
    found = expected_first_costs(c.programme, c.priors, policy(), [Portfolio("saw", ("prompt_sawing",))])
    required = c.programme["required"].sel(measure="prompt_sawing").values
    share = np.where(np.isnan(required), np.nanmean(required), required)  # not recorded: as often as recorded
    by_hand = 0.6 * np.exp(0.02) * ((1.0 - share) * c.programme["area"].values).sum()
    assert found == {CURRENT_PRACTICE: 0.0, "saw": pytest.approx(by_hand)}


def test_a_budget_names_the_cheapest_option():
    costs = {CURRENT_PRACTICE: 0.0, "saw": 5000.0, "fabric": 7000.0}
    validate_budget(costs, policy(budget=5000.0))
    validate_budget(costs, policy())
    validate_budget({CURRENT_PRACTICE: 0.0}, policy(budget=0.0))
    with pytest.raises(StudyError, match=r"study.toml, `decision.budget`.*got '4999'.*saw, is expected to cost 5,000"):
        validate_budget(costs, policy(budget=4999.0))


def test_a_rule_on_a_column_that_is_not_there_shows_beforehand():
    c = case(count=10, draws=10)
    ruled = Portfolio("saw", ("prompt_sawing",), {"prompt_sawing": {"colour": ("red",)}})
    with pytest.raises(RiskModelError, match="names the column `colour`"):
        expected_first_costs(c.programme, c.priors, policy(), [ruled])
