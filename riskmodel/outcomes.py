"""Life quantities from survival curves and simulated lives: arrays in, arrays out."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

import numpy as np

from .hazard import age_at_survival
from .measures import CURRENT_PRACTICE

__all__ = ["assured", "check", "extrapolated", "quantities", "values"]


def quantities(early_age: float, ages: Sequence[float]) -> dict[str, str]:
    """Names and units of the reported life quantities, in order."""
    return {
        "early_failure_probability": "1",
        "b05_age": "years",
        "b10_age": "years",
        "b20_age": "years",
        "median_age": "years",
        "restricted_mean_age": "years",
        "life_gain": "years",
        **{f"survival_{age:g}": "1" for age in ages},
    }


def values(
    survival: np.ndarray, grid: np.ndarray, names: list[str], early_age: float, horizon: float, ages: Sequence[float]
) -> np.ndarray:
    """Quantities of each draw and portfolio, (sample, portfolio, quantity)."""
    inside = grid <= horizon + 1e-9
    mean = np.trapezoid(survival[..., inside], grid[inside], axis=-1)
    current = mean[:, names.index(CURRENT_PRACTICE)][:, None]
    columns = [
        1.0 - _at(survival, grid, early_age),
        *(age_at_survival(survival, grid, level) for level in (0.95, 0.90, 0.80, 0.50)),
        mean,
        mean - current,
        *(_at(survival, grid, age) for age in ages),
    ]
    return np.stack(columns, axis=-1)


def _at(survival: np.ndarray, grid: np.ndarray, age: float) -> np.ndarray:
    i = int(np.clip(np.searchsorted(grid, age), 1, len(grid) - 1))
    part = (age - grid[i - 1]) / (grid[i] - grid[i - 1])
    return (1.0 - part) * survival[..., i - 1] + part * survival[..., i]


def extrapolated(
    value: np.ndarray,
    survival: np.ndarray,
    grid: np.ndarray,
    names: list[str],
    observed_to: float,
    horizon: float,
    early_age: float,
    ages: Sequence[float],
) -> np.ndarray:
    """Part of each quantity beyond the observed ages, (portfolio, quantity), 0 to 1.

    Mean life and its gain: the part of the integral; ages: the share of draws in which the age lies
    beyond; probabilities at an age: 0 or 1.
    """
    beyond = (grid <= horizon + 1e-9) & (grid >= observed_to)
    tail = np.trapezoid(survival[..., beyond], grid[beyond], axis=-1) if beyond.sum() > 1 else np.zeros(value.shape[:2])
    current = names.index(CURRENT_PRACTICE)
    gain = np.abs(value[:, :, 6]).mean(axis=0)
    tail_gain = np.abs(tail - tail[:, [current]]).mean(axis=0)
    columns = [
        np.full(len(names), float(early_age > observed_to)),
        *((value[:, :, q] > observed_to).mean(axis=0) for q in (1, 2, 3, 4)),
        (tail / np.maximum(value[:, :, 5], 1e-9)).mean(axis=0),
        np.where(gain > 1e-9, np.minimum(tail_gain / np.maximum(gain, 1e-9), 1.0), 0.0),
        *(np.full(len(names), float(age > observed_to)) for age in ages),
    ]
    return np.stack(columns, axis=-1)


def assured(b10: np.ndarray, own: np.ndarray) -> np.ndarray:
    """Age that 90 % outlive with 95 % credibility: average programme, and one of this size.

    Parameters
    ----------
    b10, own : ndarray (sample, portfolio), years
        Age that 90 % of the average programme outlive, and 90 % of the simulated sections.
    """
    return np.stack([np.quantile(b10, 0.05, axis=0), np.quantile(own, 0.05, axis=0)], axis=1)


def check(closed: np.ndarray, early: np.ndarray) -> dict[str, Any]:
    """Simulated early failures beside the closed form: mean difference and its standard error.

    Parameters
    ----------
    closed, early : ndarray (sample, portfolio)
    """
    difference = early - closed
    error = (
        difference.std(axis=0, ddof=1) / np.sqrt(len(difference)) if len(difference) > 1 else np.zeros(closed.shape[1])
    )
    return {
        "simulated_difference": (("portfolio",), difference.mean(axis=0)),
        "simulated_error": (("portfolio",), error),
    }
