"""How good predicted survival was, once some of the lives have ended: Brier score and AUC, censoring heeded.

Both weigh a section by one over the chance of not having been censored by then (inverse probability of
censoring weights), from the Kaplan-Meier estimate of the censoring.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import ArrayLike, NDArray

__all__ = ["brier_score", "censoring_survival", "dynamic_auc"]

Floats = NDArray[np.float64]
TINY = 1e-300


def censoring_survival(time: ArrayLike, event: ArrayLike, at: ArrayLike) -> Floats:
    """Kaplan-Meier estimate of P(not censored by an age), right-continuous.

    Parameters
    ----------
    time : array_like (section,), years
        Age at failure, or at which observation ended.
    event : array_like of bool (section,)
        True where the section failed. Of failures and endings at one age the failures came first.
    at : array_like, years
        Ages asked for.

    Returns
    -------
    ndarray
        Of the shape of `at`.
    """
    time, event, at = np.asarray(time, float), np.asarray(event, bool), np.asarray(at, float)
    ages = np.unique(time)
    ended = np.array([np.sum((time == age) & ~event) for age in ages])
    at_risk = np.array([np.sum(time >= age) - np.sum((time == age) & event) for age in ages])
    steps = np.cumprod(1.0 - ended / np.maximum(at_risk, 1))
    return np.concatenate([[1.0], steps])[np.searchsorted(ages, at, side="right")]


def brier_score(time: ArrayLike, event: ArrayLike, survival: ArrayLike, at: ArrayLike) -> Floats:
    """Mean squared distance of predicted survival from what came, shape (age,); smaller is better.

    Parameters
    ----------
    time, event : array_like (section,)
        As in `censoring_survival`.
    survival : array_like (section, age)
        Predicted P(life > age).
    at : array_like (age,), years
        Inside the ages observed.

    Notes
    -----
    Graf, Schmoor, Sauerbrei & Schumacher 1999, Statistics in Medicine 18, 2529-2545 (page not seen): sections that
    failed by t weigh 1 / G(their age), those alive at t weigh 1 / G(t), those censored before weigh nothing.
    """
    time, event, at = np.asarray(time, float), np.asarray(event, bool), np.asarray(at, float)
    predicted = np.asarray(survival, float)
    failed = (time[:, None] <= at) & event[:, None]
    alive = time[:, None] > at
    of_alive = np.where(alive, (1.0 - predicted) ** 2, 0.0) / np.maximum(censoring_survival(time, event, at), TINY)
    error = failed * predicted**2 * _failure_weight(time, event)[:, None] + of_alive
    return np.asarray(error.mean(axis=0))


def dynamic_auc(time: ArrayLike, event: ArrayLike, risk: ArrayLike, at: ArrayLike) -> Floats:
    """Chance that a section failed by an age had the higher predicted risk than one alive then, shape (age,).

    Parameters
    ----------
    time, event : array_like (section,)
        As in `censoring_survival`.
    risk : array_like (section,) or (section, age)
        Larger means earlier; equal risks count one half.
    at : array_like (age,), years

    Returns
    -------
    ndarray
        NaN at an age by which none, or all, have failed.

    Notes
    -----
    Cumulative cases and dynamic controls (Uno, Cai, Tian & Wei 2007, J. Am. Stat. Assoc. 102, 527-537; page not
    seen): cases weigh 1 / G(their age).
    """
    time, event, at = np.asarray(time, float), np.asarray(event, bool), np.asarray(at, float)
    risks = np.broadcast_to(np.asarray(risk, float).reshape(len(time), -1), (len(time), len(at)))
    weight = _failure_weight(time, event)
    return np.array([_auc(time, event, weight, risks[:, k], age) for k, age in enumerate(at)])


def _failure_weight(time: Floats, event: NDArray[np.bool_]) -> Floats:
    """1 / P(not censored by the age at failure), 0 where a life was censored, shape (section,)."""
    # nobody fails once all have been censored
    return np.where(event, 1.0 / np.maximum(censoring_survival(time, event, time), TINY), 0.0)


def _auc(time: Floats, event: NDArray[np.bool_], weight: Floats, risk: Floats, age: float) -> float:
    cases, controls = (time <= age) & event, time > age
    if not cases.any() or not controls.any():
        return float("nan")
    ahead = risk[cases, None] - risk[None, controls]
    won = (ahead > 0) + 0.5 * (ahead == 0)
    return float(weight[cases] @ won.mean(axis=1) / weight[cases].sum())
