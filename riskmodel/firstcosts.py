"""What each option is expected to cost at first: it takes prices and programme, no lives, so it is known beforehand."""

from __future__ import annotations

from collections.abc import Mapping, Sequence

import numpy as np
import xarray as xr

from .costing import Plan
from .decide import options_of
from .errors import Faults, StudyError
from .ledger import sum_of
from .lives import Draws
from .measures import CURRENT_PRACTICE, Portfolio
from .policy import Policy
from .priors import PriorSet

__all__ = ["expected_first_costs", "validate_budget"]


def expected_first_costs(
    programme: xr.Dataset, priors: PriorSet, policy: Policy, portfolios: Sequence[Portfolio]
) -> dict[str, float]:
    """Expected extra first cost of the whole programme by option, money; current practice has 0.

    Prices are at their means, sections count once, and a survey is done as often as the prior mean of its
    compliance says. What the calibration adds is small: compliance that the records teach, and the weight
    of roads that came late into the records.

    Parameters
    ----------
    programme : Dataset of kind `sections`
    priors : PriorSet
        With prices that `prices.validate_prices` accepts.
    policy : Policy
    portfolios : sequence of Portfolio

    Raises
    ------
    RiskModelError
        When a rule on where names a column that the programme does not have.
    """
    options = options_of(portfolios)
    plan = Plan(programme, priors, policy, options, early_age=1.0, seed=0, count=1, expected_prices=True)
    compliance = np.array([[m.compliance.distribution.mean for m in priors.measures]])
    draws = Draws({"removal_lag": np.zeros(1), "compliance": compliance}, {}, 1)
    once = np.ones((1, programme.sizes["section"]))
    first = sum_of(plan.columns(draws, slice(0, 1), once)[0]).sum(axis=(0, 2))
    return {p.name: float(cost - first[0]) for p, cost in zip(options, first, strict=True)}


def validate_budget(costs: Mapping[str, float], policy: Policy, file: str = "study.toml") -> None:
    """Check that the budget allows an option besides current practice.

    Parameters
    ----------
    costs : mapping of str to float
        From `expected_first_costs`.
    policy : Policy
    file : str

    Raises
    ------
    StudyError
        When it lies below the cheapest.
    """
    options = {name: cost for name, cost in costs.items() if name != CURRENT_PRACTICE}
    if policy.budget is None or not options:
        return
    cheapest = min(options, key=lambda name: options[name])
    if policy.budget < options[cheapest]:
        faults = Faults(file)
        faults.add(
            "the budget allows some portfolio",
            column="decision.budget",
            got=f"{policy.budget:g}",
            remedy=f"Raise it or take the line out: it is extra first cost of the whole programme, and the cheapest "
            f"option, {cheapest}, is expected to cost {options[cheapest]:,.0f}",
        )
        faults.raise_any(StudyError)
