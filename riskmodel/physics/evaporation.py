"""Evaporation of bleed water from fresh concrete, and how it compares with the bleeding.

The predictor of plastic cracking is the ratio of evaporation to bleeding, not the rate alone:
paver mixes bleed so little that the customary limits of the rate may be unconservative
(FHWA-HRT-05-038, chapter 5, 2006).
"""

from __future__ import annotations

import numpy as np
from numpy.typing import ArrayLike

from riskmodel.physics.limits import FloatArray, caution, within

__all__ = [
    "ACT_RATE",
    "CAUTION_RATE",
    "FIELD_SPREAD",
    "evaporation_over_bleed",
    "menzel_rate",
    "saturation_vapour_pressure",
    "uno_rate",
]

ACT_RATE = 1.0
"""Rate at which precautions are customary, kg/(m2 h) (0.2 lb/(ft2 h)); FHWA-HRT-05-038, chapter 5."""

CAUTION_RATE = 0.5
"""Rate at which attention is due, kg/(m2 h) (0.1 lb/(ft2 h)); FHWA-HRT-05-038, chapter 5."""

FIELD_SPREAD = 0.4
"""Field rates lie within about this share of the estimate (Hover, ACI SP-338, 2020, abstract)."""

_KMH = 3.6
_FRACTION = "Give relative humidity as a fraction of one, not in percent"


def uno_rate(
    concrete_temperature: ArrayLike, air_temperature: ArrayLike, relative_humidity: ArrayLike, wind_speed: ArrayLike
) -> FloatArray:
    """Evaporation rate of bleed water from temperatures, humidity and wind.

    Parameters
    ----------
    concrete_temperature, air_temperature : array_like
        degC, -10 to 60; validated 4 to 38.
    relative_humidity : array_like
        Fraction, 0 to 1.
    wind_speed : array_like
        m/s about 0.5 m above the slab, 0 to 40; validated to 11.

    Returns
    -------
    ndarray
        kg/(m2 h), broadcast shape; 0 where water would condense.

    Raises
    ------
    LimitError
        A value outside its limits.

    Warns
    -----
    RangeWarning
        A value outside the range of the charts the formula was fitted to.

    Notes
    -----
    ``E = 5.275 [(Tc + 17.778)^2.5 - r (Ta + 17.778)^2.5] (V + 4.02336) 1e-6`` with V in km/h:
    the exact conversion of ``(Tc^2.5 - r Ta^2.5)(1 + 0.4 V) 1e-6`` lb/(ft2 h), degF, mph.
    The rounded metric print (5, 18, 4) runs about 4.3 % low and is not used.
    Holds while bleed water covers the surface.

    References
    ----------
    Uno (1998), ACI Materials Journal 95-M34 (page not seen).
    """
    concrete, air, humidity, wind = _checked(concrete_temperature, air_temperature, relative_humidity, wind_speed)
    return uno_kernel(concrete, air, humidity, wind)


def menzel_rate(
    concrete_temperature: ArrayLike, air_temperature: ArrayLike, relative_humidity: ArrayLike, wind_speed: ArrayLike
) -> FloatArray:
    """Evaporation rate of bleed water from the difference of vapour pressures.

    Parameters
    ----------
    concrete_temperature, air_temperature, relative_humidity, wind_speed : array_like
        As for `uno_rate`.

    Returns
    -------
    ndarray
        kg/(m2 h), broadcast shape; 0 where water would condense.

    Raises
    ------
    LimitError
        A value outside its limits.

    Warns
    -----
    RangeWarning
        A value outside the range of the charts.

    Notes
    -----
    ``W = 0.312 (e0 - ea)(0.253 + 0.0597 V)`` with e in kPa and V in km/h; e0 at the concrete's
    temperature, ea = r es(air temperature). In US units ``W = 0.44 (e0 - ea)(0.253 + 0.096 V)``
    lb/(ft2 h) with e in psi and V in mph.

    References
    ----------
    Menzel (1954); Lerch (1957); ACI 305R (pages not seen).
    """
    # The US constant 0.44 is often printed beside inches of mercury; only psi gives the published table.
    concrete, air, humidity, wind = _checked(concrete_temperature, air_temperature, relative_humidity, wind_speed)
    deficit = saturation_vapour_pressure(concrete) - humidity * saturation_vapour_pressure(air)
    return np.maximum(0.312 * deficit / 1000 * (0.253 + 0.0597 * _KMH * wind), 0.0)


def saturation_vapour_pressure(temperature: ArrayLike) -> FloatArray:
    """Vapour pressure of saturated air.

    Parameters
    ----------
    temperature : array_like
        degC, -40 to 100.

    Returns
    -------
    ndarray
        Pa.

    Raises
    ------
    LimitError
        A temperature outside its limits.

    Notes
    -----
    ``es = 610 exp(17.3 T / (237.3 + T))``.

    References
    ----------
    ACI 305R commentary form (page not seen); within 1 % of steam tables from 0 to 50 degC.
    """
    celsius = within("temperature", temperature, -40, 100, "degC")
    return 610.0 * np.exp(17.3 * celsius / (237.3 + celsius))


def evaporation_over_bleed(evaporation_rate: ArrayLike, bleed_rate: ArrayLike) -> FloatArray:
    """Evaporation as a multiple of bleeding: above one the surface dries out.

    Parameters
    ----------
    evaporation_rate : array_like
        kg/(m2 h), 0 to 20.
    bleed_rate : array_like
        kg/(m2 h), above 0 to 5; a paver mix bleeds far less than 1.

    Returns
    -------
    ndarray
        Ratio, broadcast shape.

    Raises
    ------
    LimitError
        A value outside its limits.

    References
    ----------
    FHWA-HRT-05-038, chapter 5 (2006; page not seen): limits of the rate alone may be
    unconservative for mixes that hardly bleed.
    """
    rate = within("evaporation_rate", evaporation_rate, 0, 20, "kg/(m2 h)")
    bleed = within("bleed_rate", bleed_rate, 1e-4, 5, "kg/(m2 h)", remedy="Measure the bleeding of the mix (ASTM C232)")
    return rate / bleed


def uno_kernel(concrete: FloatArray, air: FloatArray, humidity: FloatArray, wind: FloatArray) -> FloatArray:
    """`uno_rate` without checks, for use inside time steps; below -17.8 degC, where the form ends, no vapour."""
    tc, ta = np.maximum(concrete + 17.778, 0.0), np.maximum(air + 17.778, 0.0)
    drive = tc * tc * np.sqrt(tc) - humidity * (ta * ta * np.sqrt(ta))
    return np.maximum(5.275e-6 * drive * (_KMH * wind + 4.02336), 0.0)


def _checked(concrete: ArrayLike, air: ArrayLike, humidity: ArrayLike, wind: ArrayLike) -> tuple[FloatArray, ...]:
    tc = within("concrete_temperature", concrete, -10, 60, "degC")
    ta = within("air_temperature", air, -10, 60, "degC")
    rh = within("relative_humidity", humidity, 0, 1, remedy=_FRACTION)
    v = within("wind_speed", wind, 0, 40, "m/s")
    note = "The charts behind the formula end there; read the rate as an order of size"
    caution("concrete_temperature", tc, 4, 38, "degC", because=note)
    caution("air_temperature", ta, 4, 38, "degC", because=note)
    caution("wind_speed", v, 0, 11.2, "m/s", because=note)
    return tc, ta, rh, v
