"""Compiled laws of an age at failure: cumulative hazard at each edge, and its slope. `agelaws` is the definition."""

from __future__ import annotations

import math

import numpy as np

from .hazard import LN2, LOG_SD
from .vectormath import cells, erfcx, exact, exp, log

__all__ = ["LARGEST", "LAWS", "SMALLEST", "hazard_at", "hazards", "slopes"]

Table = np.ndarray
LAWS = ("weibull", "lognormal")
LOGNORMAL = 1
LARGEST, SMALLEST = 30.0, -500.0  # exponents beyond which the hazard does not change
ROOT_2, ROOT_2_PI = math.sqrt(2.0), math.sqrt(2.0 / math.pi)


@cells
def hazards(law: int, log_ages: Table, log_median: float, shape: float, low: int, high: int, out: Table) -> None:
    """Cumulative hazard at ages `low` to `high` - 1."""
    if law == LOGNORMAL:
        for a in range(low, high):
            out[a] = _normal_hazard(_held(shape * (log_ages[a] - log_median)) / LOG_SD)
        return
    for a in range(low, high):
        out[a] = LN2 * exp(_held(shape * (log_ages[a] - log_median)))


@cells
def slopes(
    law: int, log_ages: Table, log_median: float, shape: float, low: int, high: int, hazard: Table, out: Table
) -> None:
    """Derivative of the cumulative hazard to its exponent, shape (ln age - ln median); 0 where that is held."""
    if law == LOGNORMAL:
        for a in range(low, high):
            exponent = shape * (log_ages[a] - log_median)
            slope = _normal_slope(_held(exponent) / LOG_SD, hazard[a]) / LOG_SD
            out[a] = slope if LARGEST >= exponent >= SMALLEST else 0.0
        return
    for a in range(low, high):
        exponent = shape * (log_ages[a] - log_median)
        out[a] = hazard[a] if LARGEST >= exponent >= SMALLEST else 0.0


@cells
def hazard_at(law: int, exponent: float) -> tuple[float, float]:
    """Cumulative hazard of one age and its slope."""
    held = _held(exponent)
    free = 1.0 if held == exponent else 0.0
    if law == LOGNORMAL:
        hazard = _normal_hazard(held / LOG_SD)
        return hazard, free * _normal_slope(held / LOG_SD, hazard) / LOG_SD
    hazard = LN2 * exp(held)
    return hazard, free * hazard


@exact
def _held(exponent: float) -> float:
    exponent = LARGEST if exponent > LARGEST else exponent
    return SMALLEST if exponent < SMALLEST else exponent


@exact
def _normal_hazard(u: float) -> float:
    """-ln Phi(-u)."""
    size = u if u > 0.0 else -u
    tail, square = 0.5 * erfcx(size / ROOT_2), 0.5 * u * u
    if u > 0.0:
        return square - log(tail)
    failed = tail * exp(-square)
    alive = 1.0 - failed
    # of a small probability, accurate to its last digit
    return failed if alive == 1.0 else log(alive) * (failed / (alive - 1.0))


@exact
def _normal_slope(u: float, hazard: float) -> float:
    """Derivative of -ln Phi(-u): the hazard of the normal distribution."""
    if u > 0.0:
        return ROOT_2_PI / erfcx(u / ROOT_2)
    return 0.5 * ROOT_2_PI * exp(hazard - 0.5 * u * u)
