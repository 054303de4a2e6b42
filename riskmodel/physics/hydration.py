"""Hydration of a mix: how fast, how far, and how much heat; and the growth of structure from it.

Ages are equivalent hours at `REFERENCE_TEMPERATURE` (see `maturity.equivalent_age`).
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike

from riskmodel.physics.limits import FloatArray, caution, within

__all__ = [
    "REFERENCE_TEMPERATURE",
    "Binder",
    "Hydration",
    "adiabatic_rise",
    "degree_of_hydration",
    "equivalent_age_at",
    "hydration_of",
    "strength_fraction",
]

REFERENCE_TEMPERATURE = 21.1
"""degC (70 degF), to which the hydration constants refer."""


@dataclass(frozen=True)
class Binder:
    """Cementitious materials: mass shares of the cement's compounds, and of the replacements.

    Parameters
    ----------
    c3s, c2s, c3a, c4af, so3, free_lime, magnesia : array_like
        Shares of the cement's mass, 0 to 1, together at most 1. The defaults are a Type I cement
        (textbook composition, from memory).
    blaine : array_like
        Fineness, m2/kg, 250 to 700.
    fly_ash, slag : array_like
        Shares of the cementitious mass, 0 to 0.6, together at most 0.8.
    fly_ash_lime : array_like
        CaO share of the fly ash, 0 to 0.4.

    Raises
    ------
    LimitError
        A value outside its limits.
    """

    c3s: ArrayLike = 0.57
    c2s: ArrayLike = 0.16
    c3a: ArrayLike = 0.085
    c4af: ArrayLike = 0.09
    so3: ArrayLike = 0.029
    free_lime: ArrayLike = 0.01
    magnesia: ArrayLike = 0.015
    blaine: ArrayLike = 350.0
    fly_ash: ArrayLike = 0.0
    fly_ash_lime: ArrayLike = 0.15
    slag: ArrayLike = 0.0

    def __post_init__(self) -> None:
        limits = {
            "c3s": (0.2, 0.8), "c2s": (0.0, 0.6), "c3a": (0.005, 0.2), "c4af": (0.005, 0.25), "so3": (0.005, 0.06),
            "free_lime": (0.0, 0.05), "magnesia": (0.0, 0.08), "blaine": (250.0, 700.0), "fly_ash": (0.0, 0.6),
            "fly_ash_lime": (0.0, 0.4), "slag": (0.0, 0.6),
        }  # fmt: skip
        for name, (low, high) in limits.items():
            unit = "m2/kg" if name == "blaine" else "by mass"
            object.__setattr__(self, name, within(name, getattr(self, name), low, high, unit))
        compounds = ("c3s", "c2s", "c3a", "c4af", "so3", "free_lime", "magnesia")
        within("sum of the cement's shares", sum(np.asarray(getattr(self, name)) for name in compounds), 0, 1)
        within("fly_ash + slag", np.asarray(self.fly_ash) + np.asarray(self.slag), 0, 0.8, "by mass")


@dataclass(frozen=True)
class Hydration:
    """The hydration of one mix (arrays broadcast together).

    Attributes
    ----------
    ultimate : ndarray
        Degree of hydration reached in the end, 0 to 1.
    time_constant : ndarray
        h at the reference temperature.
    shape : ndarray
        Exponent of the curve.
    heat : ndarray
        Heat of complete hydration, J/g of cementitious materials.
    activation_energy : ndarray
        J/mol.
    w_cm : ndarray
        Water to cementitious materials by mass.
    """

    ultimate: FloatArray
    time_constant: FloatArray
    shape: FloatArray
    heat: FloatArray
    activation_energy: FloatArray
    w_cm: FloatArray


def hydration_of(binder: Binder, w_cm: ArrayLike) -> Hydration:
    """Hydration curve, heat and activation energy of a mix from its composition.

    Parameters
    ----------
    binder : Binder
        Composition.
    w_cm : array_like
        Water to cementitious materials by mass, 0.25 to 0.70; validated 0.32 to 0.68.

    Returns
    -------
    Hydration
        Broadcast shape.

    Raises
    ------
    LimitError
        A value outside its limits.

    Warns
    -----
    RangeWarning
        w/cm outside the mixes the regression rests on.

    Notes
    -----
    ``alpha_u = min(1, 1.031 w/(0.194 + w) + 0.50 FA + 0.30 SL)``,
    ``tau = 66.78 C3A^-.154 C3S^-.401 Bl^-.804 SO3^-.758 exp(2.187 SL + 9.50 FA CaO_FA)``,
    ``beta = 181.4 C3A^.146 C3S^.227 Bl^-.535 SO3^.558 exp(-.647 SL)``,
    ``Ea = 22100 fE C3A^.30 C4AF^.25 Bl^.35``, ``fE = 1 - 1.05 FA (1 - CaO_FA/.40) + .40 SL``,
    ``H = Hcem p_cem + 461 SL + 1800 FA CaO_FA``,
    ``Hcem = 500 C3S + 260 C2S + 866 C3A + 420 C4AF + 624 SO3 + 1186 CaO + 850 MgO``.

    References
    ----------
    Schindler and Folliard (2005), ACI Materials Journal 102-M04 (page not seen; constants from memory).
    """
    ratio = within("w_cm", w_cm, 0.25, 0.70)
    caution("w_cm", ratio, 0.32, 0.68, because="The regression holds no such mixes")
    b = {name: np.asarray(value, dtype=np.float64) for name, value in vars(binder).items()}
    ultimate = np.minimum(1.031 * ratio / (0.194 + ratio) + 0.50 * b["fly_ash"] + 0.30 * b["slag"], 1.0)
    lime = b["fly_ash"] * b["fly_ash_lime"]
    tau = 66.78 * b["c3a"] ** -0.154 * b["c3s"] ** -0.401 * b["blaine"] ** -0.804 * b["so3"] ** -0.758
    beta = 181.4 * b["c3a"] ** 0.146 * b["c3s"] ** 0.227 * b["blaine"] ** -0.535 * b["so3"] ** 0.558
    factor = 1 - 1.05 * b["fly_ash"] * (1 - b["fly_ash_lime"] / 0.40) + 0.40 * b["slag"]
    energy = 22_100 * factor * b["c3a"] ** 0.30 * b["c4af"] ** 0.25 * b["blaine"] ** 0.35
    return Hydration(
        ultimate=ultimate,
        time_constant=tau * np.exp(2.187 * b["slag"] + 9.50 * lime),
        shape=beta * np.exp(-0.647 * b["slag"]),
        heat=_cement_heat(b) * (1 - b["fly_ash"] - b["slag"]) + 461 * b["slag"] + 1800 * lime,
        activation_energy=energy,
        w_cm=ratio,
    )


def _cement_heat(b: Mapping[str, FloatArray]) -> FloatArray:
    silicates = 500 * b["c3s"] + 260 * b["c2s"]
    return silicates + 866 * b["c3a"] + 420 * b["c4af"] + 624 * b["so3"] + 1186 * b["free_lime"] + 850 * b["magnesia"]


def degree_of_hydration(equivalent_age: ArrayLike, mix: Hydration) -> FloatArray:
    """Degree of hydration at an equivalent age.

    Parameters
    ----------
    equivalent_age : array_like
        h at `REFERENCE_TEMPERATURE`, at least 0.
    mix : Hydration
        The mix.

    Returns
    -------
    ndarray
        0 to 1.

    Raises
    ------
    LimitError
        A negative age.

    Notes
    -----
    ``alpha = alpha_u exp[-(tau / te)^beta]``.

    References
    ----------
    Schindler and Folliard (2005), ACI Materials Journal 102-M04 (page not seen).
    """
    hours = within("equivalent_age", equivalent_age, 0, np.inf, "h")
    with np.errstate(divide="ignore", over="ignore"):
        return mix.ultimate * np.exp(-((mix.time_constant / hours) ** mix.shape))


def equivalent_age_at(degree: ArrayLike, mix: Hydration) -> FloatArray:
    """Equivalent age at which a degree of hydration is reached: the inverse of `degree_of_hydration`.

    Parameters
    ----------
    degree : array_like
        0 to 1.
    mix : Hydration
        The mix.

    Returns
    -------
    ndarray
        h at `REFERENCE_TEMPERATURE`; infinite at or above the mix's ultimate degree.

    Raises
    ------
    LimitError
        A degree outside 0 to 1.
    """
    share = within("degree", degree, 0, 1) / mix.ultimate
    with np.errstate(divide="ignore"):
        gap = -np.log(np.minimum(share, 1.0))
        return np.asarray(mix.time_constant / gap ** (1 / mix.shape))


def adiabatic_rise(
    degree: ArrayLike,
    mix: Hydration,
    cementitious: ArrayLike,
    *,
    density: ArrayLike = 2400.0,
    heat_capacity: float = 1.0,
) -> FloatArray:
    """Temperature rise of concrete that loses no heat.

    Parameters
    ----------
    degree : array_like
        Degree of hydration, 0 to 1.
    mix : Hydration
        The mix.
    cementitious : array_like
        kg/m3, 150 to 700.
    density : array_like
        kg/m3, 1800 to 2700.
    heat_capacity : float
        kJ/(kg K).

    Returns
    -------
    ndarray
        degC (degF = 1.8 times).

    Raises
    ------
    LimitError
        A value outside its limits.

    Notes
    -----
    ``dT = H C alpha / (rho c)``.

    References
    ----------
    Energy balance; heat of Schindler and Folliard (2005), from memory.
    """
    content = within("cementitious", cementitious, 150, 700, "kg/m3")
    mass = within("density", density, 1800, 2700, "kg/m3")
    return mix.heat * content * within("degree", degree, 0, 1) / (mass * heat_capacity)


def strength_fraction(degree: ArrayLike, mix: Hydration) -> FloatArray:
    """Share of the final structure built since initial set.

    Parameters
    ----------
    degree : array_like
        Degree of hydration, 0 to 1.
    mix : Hydration
        The mix.

    Returns
    -------
    ndarray
        ``x = (alpha - alpha_0) / (alpha_u - alpha_0)``, clipped to 0 to 1, alpha_0 = 0.15 w/cm.

    Raises
    ------
    LimitError
        A degree outside 0 to 1.

    Notes
    -----
    Compressive strength grows with x^1.5, tensile strength with x, the modulus with x^0.5.

    References
    ----------
    De Schutter and Taerwe (1996), form from memory.
    """
    start = 0.15 * mix.w_cm
    return np.clip((within("degree", degree, 0, 1) - start) / (mix.ultimate - start), 0.0, 1.0)
