"""Simultaneous bands of the cumulative counts of ranks that ought to be uniform.

Of N ranks, uniform on 0 to R - 1, the number at or below r is binomial. A band takes the same central
probability at every r, chosen so that the whole curve stays inside with the stated probability, which is
worked out exactly, r by r (T. Sailynoja, P.-C. Burkner, A. Vehtari, Statistics and Computing 32, 2022; page
not seen).
"""

from __future__ import annotations

from functools import cache

import numpy as np
from scipy import stats

__all__ = ["Band", "cumulative"]


def cumulative(ranks: np.ndarray, values: int) -> np.ndarray:
    """Number of ranks (..., N) at or below each of 0 to `values` - 2, shape (..., values - 1)."""
    flat = ranks.reshape(-1, ranks.shape[-1])
    counts = np.stack([np.bincount(row, minlength=values) for row in flat])
    return counts.cumsum(axis=1)[:, :-1].reshape(*ranks.shape[:-1], values - 1)


class Band:
    """Curves between which the cumulative counts of `count` ranks of `values` values stay.

    Parameters
    ----------
    count, values : int
    level : float
        Probability that all of `quantities` sets of ranks stay inside, if they are independent; sets that go
        together stay inside more often.
    quantities : int
    """

    def __init__(self, count: int, values: int, level: float = 0.99, quantities: int = 1):
        self.count, self.values = count, values
        self.lower, self.upper = _curves(count, values, level ** (1.0 / quantities))

    def holds(self, ranks: np.ndarray) -> np.ndarray:
        """Whether each set of ranks (..., count) stays inside."""
        curve = cumulative(ranks, self.values)
        return np.asarray(((curve >= self.lower) & (curve <= self.upper)).all(axis=-1))


@cache
def _curves(count: int, values: int, level: float) -> tuple[np.ndarray, np.ndarray]:
    """The narrowest pair of pointwise intervals that together hold with probability `level`."""
    steps = _steps(count, values)
    low, high = -30.0, 0.0  # ln of the pointwise probability outside
    for _ in range(30):
        middle = 0.5 * (low + high)
        holds = _chance(steps, *_pointwise(count, values, middle)) >= level
        low, high = (middle, high) if holds else (low, middle)
    return _pointwise(count, values, low)


def _pointwise(count: int, values: int, log_outside: float) -> tuple[np.ndarray, np.ndarray]:
    share, tail = np.arange(1, values) / values, 0.5 * np.exp(log_outside)
    return stats.binom.ppf(tail, count, share), stats.binom.isf(tail, count, share)


@cache
def _steps(count: int, values: int) -> np.ndarray:
    """P(count at or below r | count below r) for every r, shape (values - 1, before, after)."""
    before, after = np.arange(count + 1)[:, None], np.arange(count + 1)[None, :]
    return np.stack([stats.binom.pmf(after - before, count - before, 1.0 / (values - r)) for r in range(values - 1)])


def _chance(steps: np.ndarray, lower: np.ndarray, upper: np.ndarray) -> float:
    """Probability that the cumulative count stays between the curves."""
    state = np.zeros(steps.shape[1])
    state[0] = 1.0
    counts = np.arange(len(state))
    for step, low, high in zip(steps, lower, upper, strict=True):
        state = (state @ step) * ((counts >= low) & (counts <= high))
    return float(state.sum())
