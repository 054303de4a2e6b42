"""Time until a wet joint is saturated enough to be destroyed by freezing.

Volumes are shares of the concrete, times in days unless said otherwise. Freezing damages concrete
above a critical degree of saturation whatever its strength; air voids fill slowly, and the time they
take is the life of a joint that stays wet.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import ArrayLike

from riskmodel.physics.limits import FloatArray, caution, within

__all__ = [
    "CRITICAL_SATURATION",
    "DAYS_PER_YEAR",
    "FILLING_RATE",
    "matrix_pores",
    "matrix_saturation",
    "saturation_at",
    "time_to_critical",
]

CRITICAL_SATURATION = 0.86
"""Degree of saturation above which even one freeze does damage (Purdue, JTRP report of 2013, page not seen)."""

FILLING_RATE = (0.0015, 0.006)
"""Low and high rate at which air voids fill, 1/sqrt(day): an order of magnitude, from memory."""

DAYS_PER_YEAR = 365.25


def matrix_pores(cementitious: ArrayLike, water_cement: ArrayLike, hydration: ArrayLike) -> FloatArray:
    """Capillary and gel pores by volume of concrete, `Cc (w/c - 0.166 alpha) / 1000`.

    Parameters
    ----------
    cementitious : array_like
        Cc, kg/m3, 100 to 800.
    water_cement : array_like
        w/c, 0.25 to 0.8.
    hydration : array_like
        Degree of hydration alpha, 0 to 1; 0.7 to 0.9 in a mature pavement (judgement).

    Returns
    -------
    ndarray
        Volume share.

    References
    ----------
    Powers' paste model (page not seen).
    """
    Cc = within("cementitious", cementitious, 100.0, 800.0, "kg/m3")
    ratio = within("water_cement", water_cement, 0.25, 0.8, remedy="Give water over cementitious material by mass")
    return Cc * (ratio - 0.166 * within("hydration", hydration, 0.0, 1.0)) / 1000.0


def matrix_saturation(pores: ArrayLike, air: ArrayLike) -> FloatArray:
    """Saturation when the matrix is full and the air voids are empty, `p / (p + A)`.

    Parameters
    ----------
    pores : array_like
        p, from `matrix_pores`, 0.01 to 0.4.
    air : array_like
        Air A of the hardened concrete by volume, 0.001 to 0.15.

    Returns
    -------
    ndarray
        Degree of saturation, reached within days of wetting (the nick point of an absorption test).
    """
    p = within("pores", pores, 0.01, 0.4)
    return p / (p + within("air", air, 0.001, 0.15, remedy="Give air as a share of the volume, not per cent"))


def saturation_at(time: ArrayLike, *, initial: ArrayLike, rate: ArrayLike, wet_share: ArrayLike = 1.0) -> FloatArray:
    """Saturation after a time, `S_nick + phi sqrt(wet time)`, at most 1.

    Parameters
    ----------
    time : array_like
        Days since first wetting, 0 to 1e6.
    initial : array_like
        S_nick, from `matrix_saturation`, 0.1 to 1.
    rate : array_like
        phi, 1/sqrt(day), 1e-5 to 0.1, see `FILLING_RATE`.
    wet_share : array_like, default 1
        Share of the time that the joint is wet, 0.01 to 1.

    References
    ----------
    Fagerlund 1977; Li et al. 2012 (pages not seen).
    """
    wet = within("time", time, 0.0, 1e6, "days") * _wet(wet_share)
    return np.minimum(_initial(initial) + _rate(rate) * np.sqrt(wet), 1.0)


def time_to_critical(
    initial: ArrayLike,
    *,
    rate: ArrayLike,
    critical: ArrayLike = CRITICAL_SATURATION,
    wet_share: ArrayLike = 1.0,
) -> FloatArray:
    """Days until critical saturation, `[(S_cr - S_nick) / phi]^2 / wet share`; 0 where it is past from the start.

    Parameters
    ----------
    initial : array_like
        S_nick, from `matrix_saturation`, 0.1 to 1.
    rate : array_like
        phi, 1/sqrt(day), 1e-5 to 0.1; validated over `FILLING_RATE`.
    critical : array_like, default 0.86
        S_cr, 0.6 to 1. Spread it by about 0.03.
    wet_share : array_like, default 1
        Share of the time that the joint is wet, 0.01 to 1; an undrained, sealed-over joint stays near 1.

    Returns
    -------
    ndarray
        Days; divide by `DAYS_PER_YEAR`. Agencies that use the model ask for 30 years and more (AASHTO PP 84,
        from memory).

    References
    ----------
    Fagerlund 1977, service-life theory; Li et al. 2012; Purdue, JTRP report of 2013 (pages not seen).
    """
    phi = _rate(rate)
    caution("rate", phi, *FILLING_RATE, "1/sqrt(day)", because="Measured rates of pavement concrete lie inside it")
    gap = within("critical", critical, 0.6, 1.0) - _initial(initial)
    return (np.maximum(gap, 0.0) / phi) ** 2 / _wet(wet_share)


def _initial(value: ArrayLike) -> FloatArray:
    return within("initial", value, 0.1, 1.0, remedy="Give saturation as a fraction")


def _rate(value: ArrayLike) -> FloatArray:
    return within("rate", value, 1e-5, 0.1, "1/sqrt(day)")


def _wet(value: ArrayLike) -> FloatArray:
    return within("wet_share", value, 0.01, 1.0)
