"""Internal curing: water the paste needs, lightweight aggregate that carries it, what it does to the slab.

Masses in kg per m3 of concrete, ratios by mass. Internal curing is no substitute for sawing in time:
against a late cut its effect is small.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike
from scipy import constants

from riskmodel.physics.early_age import elastic_modulus, flexural_strength
from riskmodel.physics.fatigue import life_multiplier
from riskmodel.physics.limits import FloatArray, caution, within
from riskmodel.physics.shrinkage import autogenous_shrinkage
from riskmodel.physics.slab import checked_expansion

__all__ = [
    "CuringEffect",
    "SlabState",
    "aggregate_mass",
    "capillary_pressure",
    "chemical_shrinkage_at",
    "curing_water",
    "entrained_water",
    "internal_curing_effect",
    "maximum_hydration",
    "prewetted_mass",
    "sealed_hydration",
    "supplied_share",
]

_MOLAR_VOLUME = 18.0e-6  # m3/mol of water


def maximum_hydration(water_cement: ArrayLike) -> FloatArray:
    """Highest degree of hydration of a paste fed with water, `min(1, w/c / 0.36)`.

    Parameters
    ----------
    water_cement : array_like
        w/c, 0.2 to 0.8.

    References
    ----------
    Powers; Bentz and Snyder 1999; ASTM C1761, appendix; ACI (308-213)R-13 (pages not seen).
    """
    return np.minimum(_water_cement(water_cement) / 0.36, 1.0)


def sealed_hydration(water_cement: ArrayLike) -> FloatArray:
    """Highest degree of hydration of a sealed paste, `min(1, w/c / 0.42)`; w/c from 0.2 to 0.8 (Powers)."""
    return np.minimum(_water_cement(water_cement) / 0.42, 1.0)


def entrained_water(water_cement: ArrayLike) -> FloatArray:
    """Water by mass of cement that stops self-desiccation: `0.18 w/c` to 0.36, `0.42 - w/c` to 0.42, then 0.

    Parameters
    ----------
    water_cement : array_like
        w/c, 0.2 to 0.8.

    Notes
    -----
    The published branches do not meet at 0.36: 0.065 and 0.060.

    References
    ----------
    Jensen and Hansen 2001 (page not seen).
    """
    ratio = _water_cement(water_cement)
    return np.where(ratio <= 0.36, 0.18 * ratio, np.maximum(0.42 - ratio, 0.0))


def chemical_shrinkage_at(temperature: ArrayLike, *, at_25: ArrayLike = 0.07) -> FloatArray:
    """Chemical shrinkage at another temperature, kg of water per kg of cement fully hydrated.

    It falls by 0.0005 for each degC above 25 and rises as much below.

    Parameters
    ----------
    temperature : array_like
        degC, 0 to 60.
    at_25 : array_like, default 0.07
        Value at 25 degC, 0.03 to 0.2; 0.064 for a plain cement paste, more with silica fume.

    References
    ----------
    NIST, proportioning steps for internal curing (page not seen).
    """
    T = within("temperature", temperature, 0.0, 60.0, "degC")
    return _chemical_shrinkage(at_25) - 0.0005 * (T - 25.0)


def curing_water(
    cementitious: ArrayLike, water_cement: ArrayLike, *, chemical_shrinkage: ArrayLike = 0.07
) -> FloatArray:
    """Water that fills the voids of hydration, `Cf CS alpha_max`, kg/m3.

    Parameters
    ----------
    cementitious : array_like
        Cf, kg/m3, 100 to 800.
    water_cement : array_like
        w/c, 0.2 to 0.8.
    chemical_shrinkage : array_like, default 0.07
        CS, 0.03 to 0.2.

    References
    ----------
    Bentz and Snyder 1999; ASTM C1761, appendix; ACI (308-213)R-13 (pages not seen).
    """
    Cf = within("cementitious", cementitious, 100.0, 800.0, "kg/m3")
    return Cf * _chemical_shrinkage(chemical_shrinkage) * maximum_hydration(water_cement)


def aggregate_mass(
    water: ArrayLike, *, absorption: ArrayLike, desorption: ArrayLike = 0.9, saturation: ArrayLike = 1.0
) -> FloatArray:
    """Dry lightweight aggregate that carries a given curing water, `water / (S phi)`.

    Parameters
    ----------
    water : array_like
        From `curing_water`, kg/m3, 0 to 100.
    absorption : array_like
        Water taken up by mass of dry aggregate, 0.02 to 0.6.
    desorption : array_like, default 0.9
        Share of it given back at high humidity, 0.3 to 1; 0.85 to 0.98 by ASTM C1761 (from memory).
    saturation : array_like, default 1
        Share of the absorption reached in the stockpile, 0.1 to 1. The usual failing in the field: spread it.

    Returns
    -------
    ndarray
        Dry mass, kg/m3.

    References
    ----------
    Bentz and Snyder 1999; ASTM C1761, appendix (pages not seen).
    """
    return within("water", water, 0.0, 100.0, "kg/m3") / _released(absorption, desorption, saturation)


def prewetted_mass(dry: ArrayLike, *, absorption: ArrayLike, saturation: ArrayLike = 1.0) -> FloatArray:
    """Mass to batch, `dry (1 + S absorption)`, kg/m3.

    Trap: trade articles often apply the absorption to the wetted mass, which asks for less water than it says.

    Parameters
    ----------
    dry : array_like
        Dry aggregate, kg/m3, 0 to 1000.
    absorption, saturation : array_like
        As for `aggregate_mass`.
    """
    mass = within("dry", dry, 0.0, 1000.0, "kg/m3")
    return mass * (1.0 + within("absorption", absorption, 0.02, 0.6) * within("saturation", saturation, 0.1, 1.0))


def supplied_share(
    dry: ArrayLike,
    water: ArrayLike,
    *,
    absorption: ArrayLike,
    desorption: ArrayLike = 0.9,
    saturation: ArrayLike = 1.0,
) -> FloatArray:
    """Curing water brought over curing water needed, at most 1.

    Parameters
    ----------
    dry : array_like
        Dry lightweight aggregate, kg/m3, 0 to 1000.
    water : array_like
        Needed, from `curing_water`, kg/m3, 1 to 100.
    absorption, desorption, saturation : array_like
        As for `aggregate_mass`.
    """
    brought = within("dry", dry, 0.0, 1000.0, "kg/m3") * _released(absorption, desorption, saturation)
    return np.minimum(brought / within("water", water, 1.0, 100.0, "kg/m3"), 1.0)


def capillary_pressure(humidity: ArrayLike, *, temperature: ArrayLike = 25.0) -> FloatArray:
    """Suction in pores at a relative humidity, `-ln(RH) R T / Vm`, MPa (Kelvin).

    Parameters
    ----------
    humidity : array_like
        Inside the concrete, 0.3 to 1.
    temperature : array_like, default 25
        degC, 0 to 60.
    """
    RH = within("humidity", humidity, 0.3, 1.0, remedy="Give humidity as a fraction")
    kelvin = within("temperature", temperature, 0.0, 60.0, "degC") + constants.zero_Celsius
    return -np.log(RH) * constants.R * kelvin / _MOLAR_VOLUME / 1e6


@dataclass(frozen=True)
class SlabState:
    """The slab that internal curing acts on, without it; all broadcast.

    Parameters
    ----------
    strength : array_like
        Mean compressive strength at 28 days, MPa.
    expansion : array_like
        Thermal expansion, 1/degC.
    warping : array_like
        Drying of the top as an equivalent temperature difference, degC, 0 to 30
        (`shrinkage.equivalent_difference`). Assumed: 2 to 10 after creep.
    stress_ratio : array_like
        Stress over modulus of rupture of the critical load, 0.05 to 1.
    curling : array_like
        Coefficient of finite length times relaxation by creep, 0 to 1.1 (`slab.bradbury_coefficient`).
        Assumed: 0.1 to 0.6.
    age : array_like, default 28
        Age at which autogenous shrinkage is judged, days.
    """

    strength: ArrayLike
    expansion: ArrayLike
    warping: ArrayLike
    stress_ratio: ArrayLike
    curling: ArrayLike
    age: ArrayLike = 28.0


@dataclass(frozen=True)
class CuringEffect:
    """What internal curing changes.

    Parameters
    ----------
    supplied : ndarray
        Water brought over water needed, at most 1.
    autogenous_plain, autogenous : ndarray
        Autogenous strain without and with it, negative.
    warping : ndarray
        Equivalent temperature difference that is left, degC.
    stress_ratio : ndarray
        Stress over modulus of rupture that is left.
    extra_hydration : ndarray
        Degree of hydration gained over a sealed paste.
    life_multiplier : ndarray
        Fatigue life with it over life without it.
    """

    supplied: FloatArray
    autogenous_plain: FloatArray
    autogenous: FloatArray
    warping: FloatArray
    stress_ratio: FloatArray
    extra_hydration: FloatArray
    life_multiplier: FloatArray


def internal_curing_effect(
    supplied: ArrayLike, state: SlabState, *, water_cement: ArrayLike, law: str, warping_share: ArrayLike = 0.25
) -> CuringEffect:
    """Effect of internal curing on shrinkage, warping and fatigue life.

    Autogenous strain falls to `(1 - r)`; warping to `(1 - w r)`; the stress ratio falls by
    `C K E a (change of warping) / 2` over the modulus of rupture; life follows from one fatigue law.

    Parameters
    ----------
    supplied : array_like
        r, water brought over water needed, 0 to 1 (`supplied_share`).
    state : SlabState
        The slab without it.
    water_cement : array_like
        w/c, 0.2 to 0.8. Above 0.45 autogenous shrinkage rarely matters, and the gain is in curing and warping.
    law : {"piecewise", "log_linear", "power"}
        Fatigue law; draw it at random (see `fatigue`).
    warping_share : array_like, default 0.25
        w, share of the warping that goes at r = 1, 0 to 1. No field measurement: assumed 0.1 to 0.5.

    Returns
    -------
    CuringEffect

    Notes
    -----
    Linear, first order: use it as the middle of a wide prior. The end value of drying shrinkage changes little.

    References
    ----------
    NIST guidance for w/c above 0.45 (page not seen); the linear forms are our own.
    """
    r, w = within("supplied", supplied, 0.0, 1.0), within("warping_share", warping_share, 0.0, 1.0)
    ratio = _water_cement(water_cement)
    caution("water_cement", ratio, 0.2, 0.45, because="Above it autogenous shrinkage rarely matters")
    before = within("warping", state.warping, 0.0, 30.0, "degC")
    SR = within("stress_ratio", state.stress_ratio, 0.05, 1.0)
    plain = autogenous_shrinkage(state.age, strength=state.strength)
    stiffness = elastic_modulus(state.strength) / flexural_strength(state.strength)
    per_degree = within("curling", state.curling, 0.0, 1.1) * stiffness * checked_expansion(state.expansion) / 2.0
    after = before * (1.0 - w * r)
    eased = np.maximum(SR - per_degree * (before - after), 0.01)
    extra = r * (maximum_hydration(ratio) - sealed_hydration(ratio))
    longer = life_multiplier(eased, SR, law=law)
    return CuringEffect(r, plain, plain * (1.0 - r), after, eased, extra, longer)


def _water_cement(value: ArrayLike) -> FloatArray:
    return within("water_cement", value, 0.2, 0.8, remedy="Give water over cementitious material by mass")


def _chemical_shrinkage(value: ArrayLike) -> FloatArray:
    return within("chemical_shrinkage", value, 0.03, 0.2)


def _released(absorption: ArrayLike, desorption: ArrayLike, saturation: ArrayLike) -> FloatArray:
    remedy = "Give shares of the dry mass, not per cent"
    share = within("absorption", absorption, 0.02, 0.6, remedy=remedy)
    given = within("desorption", desorption, 0.3, 1.0, remedy=remedy)
    return share * given * within("saturation", saturation, 0.1, 1.0, remedy=remedy)
