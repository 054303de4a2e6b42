"""Money over time: discounting, present value, equivalent annual cost, salvage by remaining life.

Formulas of J. Walls and M. R. Smith, Life-Cycle Cost Analysis in Pavement Design, FHWA-SA-98-079, 1998
(page not seen). Rates are real: prices of one year throughout.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import ArrayLike, NDArray

__all__ = [
    "annuity_worth",
    "capital_recovery",
    "discount_factor",
    "equivalent_annual_cost",
    "present_value",
    "real_rate",
    "salvage_value",
]

type Money = NDArray[np.float64]


def discount_factor(rate: ArrayLike, years: ArrayLike) -> Money:
    """What one unit of money paid after some years is worth today, (1 + i)^-n.

    Parameters
    ----------
    rate : array_like
        Real discount rate a year, above -1 (0.03 for 3 %); broadcasts with `years`.
    years : array_like
        Years from today.

    Returns
    -------
    ndarray, dimensionless

    Raises
    ------
    ValueError
        For a rate of -1 or less.
    """
    rate = np.asarray(rate, float)
    if not np.all(rate > -1.0):
        raise ValueError("a discount rate lies above -1; state 3 % as 0.03")
    return np.asarray((1.0 + rate) ** -np.asarray(years, float))


def present_value(first_cost: ArrayLike, costs: ArrayLike, years: ArrayLike, rate: float, *,
                  salvage: ArrayLike = 0.0, period: float = 0.0) -> Money:  # fmt: skip
    """First cost and later costs, less the salvage value at the end of the period, in money of today.

    C0 + sum of C_k (1 + i)^-n_k - SV (1 + i)^-N

    Parameters
    ----------
    first_cost : array_like
        C0, money.
    costs, years : array_like (..., event)
        C_k in money and n_k in years; the last axis is summed.
    rate : float
        Real discount rate a year.
    salvage : array_like
        SV, money.
    period : float
        N, years.

    Returns
    -------
    ndarray, money

    Raises
    ------
    ValueError
        For a rate of -1 or less.
    """
    later = (np.asarray(costs, float) * discount_factor(rate, years)).sum(axis=-1)
    return np.asarray(
        np.asarray(first_cost, float) + later - np.asarray(salvage, float) * discount_factor(rate, period)
    )


def annuity_worth(rate: ArrayLike, years: ArrayLike) -> Money:
    """Worth today of one unit of money at the end of each of n years, ((1 + i)^n - 1) / (i (1 + i)^n); n at i = 0.

    Parameters
    ----------
    rate, years : array_like
        Real discount rate a year; years, positive.
    """
    rate, years = np.broadcast_arrays(np.asarray(rate, float), np.asarray(years, float))
    if not np.all(years > 0):
        raise ValueError("a period has more than 0 years")
    # (1 - v^n) / i, of which v^n - 1 = expm1(-n log(1 + i)) keeps its digits where i is small
    safe = np.where(rate == 0.0, 1.0, rate)
    worth = -np.expm1(-years * np.log1p(safe)) / safe
    return np.asarray(np.where(rate == 0.0, years, worth))


def capital_recovery(rate: ArrayLike, years: ArrayLike) -> Money:
    """Yearly sum over n years that is worth one unit today, i (1 + i)^n / ((1 + i)^n - 1); 1 / n at i = 0."""
    return np.asarray(1.0 / annuity_worth(rate, years))


def equivalent_annual_cost(value: ArrayLike, rate: ArrayLike, years: ArrayLike) -> Money:
    """Present value spread evenly over the years of the period, money a year.

    Parameters
    ----------
    value : array_like
        Present value, money.
    rate, years : array_like
        Real discount rate a year; length of the period.
    """
    return np.asarray(np.asarray(value, float) * capital_recovery(rate, years))


def salvage_value(cost: ArrayLike, remaining: ArrayLike, expected: ArrayLike) -> Money:
    """Worth of what still lies at the end of the period: cost x remaining life / expected life.

    Parameters
    ----------
    cost : array_like
        Cost of the last work, money.
    remaining, expected : array_like
        Years it still serves beyond the period; years that it was expected to serve, positive.
    """
    expected = np.asarray(expected, float)
    if not np.all(expected > 0):
        raise ValueError("an expected life has more than 0 years")
    return np.asarray(np.asarray(cost, float) * np.asarray(remaining, float) / expected)


def real_rate(nominal: float, inflation: float) -> float:
    """Real rate behind a nominal one: (1 + nominal) / (1 + inflation) - 1."""
    if nominal <= -1.0 or inflation <= -1.0:
        raise ValueError("rates lie above -1; state 3 % as 0.03")
    return (1.0 + nominal) / (1.0 + inflation) - 1.0
