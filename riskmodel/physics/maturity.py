"""Maturity: how far concrete of a known mix has come, from its temperature history.

Valid for the mix it was calibrated on, kept moist. A high early temperature lowers late strength
(cross-over), which no maturity rule shows.
"""

from __future__ import annotations

from typing import NamedTuple

import numpy as np
from numpy.typing import ArrayLike

from riskmodel.physics.limits import FloatArray, caution, within

__all__ = [
    "GAS_CONSTANT",
    "SettingDegree",
    "arrhenius_rate",
    "equivalent_age",
    "exponential_strength",
    "freiesleben_activation_energy",
    "hyperbolic_strength",
    "model_code_rate",
    "setting_degree",
    "temperature_time_factor",
]

GAS_CONSTANT = 8.314
"""J/(mol K)."""

KELVIN = 273.15

DEFAULT_ACTIVATION_ENERGY = 5000 * GAS_CONSTANT
"""J/mol; the customary Q = Ea/R = 5000 K (ASTM C1074, page not seen)."""


class SettingDegree(NamedTuple):
    """Degrees of hydration at which concrete sets.

    Attributes
    ----------
    initial, final : ndarray
        Penetration resistance 3.5 MPa (500 psi) and 27.6 MPa (4000 psi), ASTM C403.
    """

    initial: FloatArray
    final: FloatArray


def temperature_time_factor(temperature: ArrayLike, hours: ArrayLike, *, datum: ArrayLike = 0.0) -> FloatArray:
    """Temperature-time factor of a history of intervals.

    Parameters
    ----------
    temperature : array_like, shape (..., n)
        Mean concrete temperature of each interval, degC, -20 to 90.
    hours : array_like, shape (..., n) or (n,)
        Length of each interval, h, at least 0.
    datum : array_like, shape (...)
        Datum temperature, degC, -15 to 10: 0 for Type I cement without admixtures at 0 to 40 degC
        (ASTM C1074), -10 in the practice of several agencies.

    Returns
    -------
    ndarray, shape (...)
        degC h. 1 degF h = 5/9 degC h.

    Raises
    ------
    LimitError
        A value outside its limits.

    Notes
    -----
    ``M = sum max(T - T0, 0) dt``.

    References
    ----------
    ASTM C1074 (page not seen).
    """
    celsius = within("temperature", temperature, -20, 90, "degC")
    spans = within("hours", hours, 0, np.inf, "h")
    base = within("datum", datum, -15, 10, "degC")
    return (np.maximum(celsius - base[..., np.newaxis], 0.0) * spans).sum(axis=-1)


def arrhenius_rate(
    temperature: ArrayLike,
    *,
    activation_energy: ArrayLike = DEFAULT_ACTIVATION_ENERGY,
    reference_temperature: ArrayLike = 20.0,
) -> FloatArray:
    """Rate of hydration relative to the reference temperature.

    Parameters
    ----------
    temperature : array_like
        degC, -20 to 90; validated -10 to 80.
    activation_energy : array_like
        J/mol, 15 000 to 80 000. Type I plain 40 000 to 45 000 (ASTM C1074, from memory).
    reference_temperature : array_like
        degC, 15 to 30; 20 to 23 is usual.

    Returns
    -------
    ndarray
        Broadcast shape; 1 at the reference temperature.

    Raises
    ------
    LimitError
        A value outside its limits.

    Warns
    -----
    RangeWarning
        A temperature outside the validated range.

    Notes
    -----
    ``rate = exp[-Ea/R (1/T - 1/Tr)]`` in kelvin.

    References
    ----------
    ASTM C1074 (page not seen).
    """
    celsius = within("temperature", temperature, -20, 90, "degC")
    energy = within("activation_energy", activation_energy, 15e3, 80e3, "J/mol")
    reference = within("reference_temperature", reference_temperature, 15, 30, "degC")
    caution("temperature", celsius, -10, 80, "degC", because="Freezing or delayed ettringite change the reaction")
    return np.exp(-energy / GAS_CONSTANT * (1 / (celsius + KELVIN) - 1 / (reference + KELVIN)))


def equivalent_age(
    temperature: ArrayLike,
    hours: ArrayLike,
    *,
    activation_energy: ArrayLike = DEFAULT_ACTIVATION_ENERGY,
    reference_temperature: ArrayLike = 20.0,
) -> FloatArray:
    """Age at the reference temperature that gives the same hydration as the history.

    Parameters
    ----------
    temperature : array_like, shape (..., n)
        Mean concrete temperature of each interval, degC.
    hours : array_like, shape (..., n) or (n,)
        Length of each interval, h, at least 0.
    activation_energy, reference_temperature : array_like, shape (...)
        As for `arrhenius_rate`.

    Returns
    -------
    ndarray, shape (...)
        h.

    Raises
    ------
    LimitError
        A value outside its limits.

    Notes
    -----
    ``te = sum exp[-Ea/R (1/Ti - 1/Tr)] dt``.

    References
    ----------
    ASTM C1074 (page not seen).
    """
    spans = within("hours", hours, 0, np.inf, "h")
    rate = arrhenius_rate(
        temperature,
        activation_energy=np.asarray(activation_energy, dtype=np.float64)[..., np.newaxis],
        reference_temperature=np.asarray(reference_temperature, dtype=np.float64)[..., np.newaxis],
    )
    return (rate * spans).sum(axis=-1)


def freiesleben_activation_energy(temperature: ArrayLike) -> FloatArray:
    """Activation energy that grows in the cold.

    Parameters
    ----------
    temperature : array_like
        degC, -20 to 90.

    Returns
    -------
    ndarray
        J/mol.

    Raises
    ------
    LimitError
        A temperature outside its limits.

    Notes
    -----
    33 500 J/mol at 20 degC and above, 33 500 + 1470 (20 - T) below.

    References
    ----------
    Freiesleben Hansen and Pedersen (1977), from memory.
    """
    celsius = within("temperature", temperature, -20, 90, "degC")
    return 33_500 + 1470 * np.maximum(20 - celsius, 0.0)


def model_code_rate(temperature: ArrayLike) -> FloatArray:
    """Rate of ageing of EN 1992-1-1 and the fib Model Code, reference 20 degC.

    Parameters
    ----------
    temperature : array_like
        degC, -20 to 90; stated for 0 to 80.

    Returns
    -------
    ndarray
        Relative rate.

    Raises
    ------
    LimitError
        A temperature outside its limits.

    Warns
    -----
    RangeWarning
        A temperature outside 0 to 80 degC.

    Notes
    -----
    ``rate = exp(13.65 - 4000 / (273 + T))``: the Arrhenius law with Ea/R = 4000 K.

    References
    ----------
    EN 1992-1-1, annex B (page not seen).
    """
    celsius = within("temperature", temperature, -20, 90, "degC")
    caution("temperature", celsius, 0, 80, "degC", because="The standard gives the rate for that range only")
    return np.exp(13.65 - 4000 / (273 + celsius))


def hyperbolic_strength(age: ArrayLike, *, ultimate: ArrayLike, rate: ArrayLike, start: ArrayLike = 0.0) -> FloatArray:
    """Strength that grows along a hyperbola from its start.

    Parameters
    ----------
    age : array_like
        Equivalent age, h, at least 0.
    ultimate : array_like
        Limit of strength, MPa, 0 to 150.
    rate : array_like
        1/h, above 0.
    start : array_like
        Age at which strength begins, h.

    Returns
    -------
    ndarray
        MPa; 0 before the start.

    Raises
    ------
    LimitError
        A value outside its limits.

    Notes
    -----
    ``S = Su k (t - t0) / (1 + k (t - t0))``. Holds for the calibrated mix, moist.

    References
    ----------
    ASTM C1074, appendix (page not seen).
    """
    hours = within("age", age, 0, np.inf, "h") - within("start", start, 0, np.inf, "h")
    grown = within("rate", rate, 1e-6, 10, "1/h") * np.maximum(hours, 0.0)
    return within("ultimate", ultimate, 0, 150, "MPa") * grown / (1 + grown)


def exponential_strength(
    age: ArrayLike, *, ultimate: ArrayLike, time_constant: ArrayLike, shape: ArrayLike
) -> FloatArray:
    """Strength that grows along the stretched exponential.

    Parameters
    ----------
    age : array_like
        Equivalent age, h, at least 0.
    ultimate : array_like
        Limit of strength, MPa, 0 to 150.
    time_constant : array_like
        h, above 0.
    shape : array_like
        Above 0 to 5.

    Returns
    -------
    ndarray
        MPa; 0 at age 0.

    Raises
    ------
    LimitError
        A value outside its limits.

    Notes
    -----
    ``S = Su exp[-(tau / te)^a]``. Holds for the calibrated mix, moist.

    References
    ----------
    Freiesleben Hansen and Pedersen (1977), from memory.
    """
    hours = within("age", age, 0, np.inf, "h")
    tau = within("time_constant", time_constant, 1e-3, 1e4, "h")
    power = within("shape", shape, 1e-3, 5)
    with np.errstate(divide="ignore", over="ignore"):
        return within("ultimate", ultimate, 0, 150, "MPa") * np.exp(-((tau / hours) ** power))


def setting_degree(w_cm: ArrayLike) -> SettingDegree:
    """Degrees of hydration at initial and final set.

    Parameters
    ----------
    w_cm : array_like
        Water to cementitious materials by mass, 0.25 to 0.70.

    Returns
    -------
    SettingDegree
        0.15 w/cm and 0.26 w/cm.

    Raises
    ------
    LimitError
        A value outside its limits.

    References
    ----------
    Schindler (2004), from memory; penetration limits ASTM C403.
    """
    ratio = within("w_cm", w_cm, 0.25, 0.70)
    return SettingDegree(0.15 * ratio, 0.26 * ratio)
