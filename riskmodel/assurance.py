"""Ages that a stated share of sections outlives with stated credibility, and how much of that rests on priors."""

from __future__ import annotations

import numpy as np
import pandas as pd

from .costing import Plan
from .crew import Workers
from .decide import Decision
from .hazard import age_at_survival
from .lives import Draws
from .measures import CURRENT_PRACTICE
from .priordraws import prior_draws

__all__ = ["assured_table", "assured_words", "prior_weight"]

SHARES, CREDIBILITIES = (0.95, 0.90, 0.80), (0.80, 0.90, 0.95)
PRIOR_DRAWS = 200
COLUMNS = ["portfolio", "share_outliving", "credibility", "age", "prior_weight", "gain_prior_weight"]


def ages_outlived(curve: np.ndarray, share: float) -> np.ndarray:
    """Age that a share of the programme outlives, shape (sample, portfolio), years; infinite beyond the curve.

    Parameters
    ----------
    curve : ndarray (sample, portfolio, year)
        Survival at mid-year.
    share : float in (0, 1)
    """
    ages = np.concatenate([[0.0], np.arange(curve.shape[-1]) + 0.5])
    whole = np.concatenate([np.ones((*curve.shape[:-1], 1)), curve], axis=-1)
    return age_at_survival(whole, ages, share)


def prior_weight(found: np.ndarray, before: np.ndarray) -> np.ndarray:
    """Share of the weight that the priors have in a quantity, 0 to 1, shape (portfolio,).

    Variance with the records over variance without them, on the log scale: where prior and records were
    both normal that is the share of the precision that comes from the prior.

    Parameters
    ----------
    found, before : ndarray (sample, portfolio), positive
        Draws with the records, and of the priors alone.
    """
    after, prior = (np.log(np.clip(x, 1e-3, 1e3)).var(axis=0) for x in (found, before))
    return np.minimum(np.divide(after, prior, out=np.ones_like(after), where=prior > 0), 1.0)


def assured_table(decision: Decision, *, prior_only: bool, workers: Workers = 1) -> pd.DataFrame:
    """Assured ages of every portfolio for several shares and credibilities.

    Parameters
    ----------
    decision : Decision
    prior_only : bool
        No record was used: the priors have all the weight.

    Returns
    -------
    DataFrame
        Columns portfolio, share_outliving, credibility, age (years), prior_weight, and
        gain_prior_weight: that in the factor by which the age is longer than under current practice. An age
        beyond the last one reckoned with is left empty.
    """
    curve = decision.result["survival"].values
    before = curve if prior_only else _prior_curve(decision.plan, workers)
    rows = []
    for share in SHARES:
        ages = ages_outlived(curve, share)
        prior = ages_outlived(before, share)
        weight, of_gain = prior_weight(ages, prior), prior_weight(_factor(ages), _factor(prior))
        for credibility in CREDIBILITIES:
            bound = np.quantile(ages, 1.0 - credibility, axis=0, method="lower")
            for j, name in enumerate(decision.names):
                age = bound[j] if np.isfinite(bound[j]) else np.nan
                rows.append((name, share, credibility, age, weight[j], of_gain[j]))
    return pd.DataFrame(rows, columns=COLUMNS)


def _factor(ages: np.ndarray) -> np.ndarray:
    """Ages over those under current practice."""
    finite = np.clip(ages, 1e-3, 1e3)
    return finite / finite[:, :1]


def _prior_curve(plan: Plan, workers: Workers) -> np.ndarray:
    """Survival of the programme by the priors alone, shape (sample, portfolio, year)."""
    mix = np.bincount(plan.types, minlength=len(plan.priors.types))
    drawn = prior_draws(plan.priors, draws=PRIOR_DRAWS, seed=plan.seed, early_age=plan.early_age, mix=mix)
    draws = Draws.of(drawn)
    return plan.of_others(plan.portfolios, draws.count).run(draws, workers=workers).curve


def assured_words(table: pd.DataFrame, portfolio: str, *, share: float = 0.90, credibility: float = 0.95) -> str:
    """The statement of one portfolio as a sentence.

    Raises
    ------
    KeyError
        When the table does not hold it.
    """
    here = (table["portfolio"] == portfolio) & np.isclose(table["share_outliving"], share)
    rows = table[here & np.isclose(table["credibility"], credibility)]
    if rows.empty:
        raise KeyError(f"no assured age of {portfolio!r} for {share:g} and {credibility:g}")
    row = rows.iloc[0]
    percent, sure = round(100 * share), round(100 * credibility)
    age = f"{row['age']:.1f} years" if np.isfinite(row["age"]) else "the last age reckoned with"
    weight, of_gain = (round(100 * row[name]) for name in ("prior_weight", "gain_prior_weight"))
    if weight >= 100:
        return f"{percent} of 100 sections outlive {age} with {sure} % credibility, by the priors alone"
    lengthening = "" if portfolio == CURRENT_PRACTICE else f", and {of_gain} % of that behind the lengthening"
    return (
        f"{percent} of 100 sections outlive {age} with {sure} % credibility; {weight} % of the weight behind that age "
        f"is the priors'{lengthening}"
    )
