"""Young concrete: strengths, restrained stress and the chance of a crack.

Strengths and moduli in MPa, lengths in m. How strength grows follows from `hydration`.
"""

from __future__ import annotations

from collections.abc import Mapping
from types import MappingProxyType

import numpy as np
from numpy.typing import ArrayLike
from scipy.special import expit, logit

from riskmodel.physics.limits import FloatArray, within

__all__ = [
    "BASE_FRICTION",
    "UNIT_WEIGHT",
    "base_drag_stress",
    "cracking_index_at",
    "cracking_probability",
    "elastic_base_stress",
    "elastic_modulus",
    "flexural_strength",
    "restrained_stress",
    "splitting_strength",
    "tensile_strength",
]

UNIT_WEIGHT = 0.0236
"""MN/m3 of normal-weight concrete (0.0868 lb/in3)."""

BASE_FRICTION: Mapping[str, float] = MappingProxyType(
    {
        "surface_treatment": 2.2,
        "lime_stabilised": 1.8,
        "asphalt_stabilised": 1.8,
        "cement_stabilised": 1.8,
        "gravel": 1.5,
        "crushed_stone": 1.5,
        "sandstone": 1.2,
        "natural_soil": 0.9,
    }
)
"""Friction of slab on base; 1993 AASHTO Guide, table (from memory, page not seen)."""

_JCI_SCALE, _JCI_SHAPE = 0.92, 4.29


def flexural_strength(compressive_strength: ArrayLike) -> FloatArray:
    """Modulus of rupture, MPa: ``0.62 sqrt(fc)`` (``7.5 sqrt(fc)`` in psi; ACI 318 form, page not seen).

    Parameters
    ----------
    compressive_strength : array_like
        MPa, 0 to 150.

    Returns
    -------
    ndarray
        MPa.
    """
    return 0.62 * np.sqrt(_strength(compressive_strength))


def splitting_strength(compressive_strength: ArrayLike) -> FloatArray:
    """Splitting tensile strength, MPa: ``0.56 sqrt(fc)`` (``6.7 sqrt(fc)`` in psi; ACI 318 form, page not seen).

    Parameters
    ----------
    compressive_strength : array_like
        MPa, 0 to 150.

    Returns
    -------
    ndarray
        MPa.
    """
    return 0.56 * np.sqrt(_strength(compressive_strength))


def tensile_strength(compressive_strength: ArrayLike) -> FloatArray:
    """Tensile strength, MPa: ``0.324 fc^(2/3)`` (``1.7 fc^(2/3)`` in psi; Raphael 1984, page not seen).

    Parameters
    ----------
    compressive_strength : array_like
        MPa, 0 to 150.

    Returns
    -------
    ndarray
        MPa.
    """
    return 0.324 * np.cbrt(_strength(compressive_strength)) ** 2


def elastic_modulus(compressive_strength: ArrayLike) -> FloatArray:
    """Modulus of elasticity, MPa: ``4733 sqrt(fc)`` (``57000 sqrt(fc)`` in psi; ACI 318 form, page not seen).

    Parameters
    ----------
    compressive_strength : array_like
        MPa, 0 to 150.

    Returns
    -------
    ndarray
        MPa.
    """
    return 4733.0 * np.sqrt(_strength(compressive_strength))


def _strength(value: ArrayLike) -> FloatArray:
    return within("compressive_strength", value, 0, 150, "MPa")


def base_drag_stress(length: ArrayLike, friction: ArrayLike) -> FloatArray:
    """Greatest axial stress that friction on the base can build up in a slab.

    Parameters
    ----------
    length : array_like
        Length free to move, m, 0 to 1000.
    friction : array_like
        Coefficient, 0 to 10 (see `BASE_FRICTION`).

    Returns
    -------
    ndarray
        MPa at mid-length: ``gamma L f / 2``. A cap on the restrained stress, not an addition to it.
        A bonded overlay has no such cap.

    Raises
    ------
    LimitError
        A value outside its limits.

    References
    ----------
    Huang, Pavement Analysis and Design (example from memory); 1993 AASHTO Guide.
    """
    reach = within("length", length, 0, 1000, "m")
    return UNIT_WEIGHT * reach * within("friction", friction, 0, 10) / 2


def restrained_stress(modulus: ArrayLike, free_strain: ArrayLike, *, relaxation: ArrayLike = 0.6) -> FloatArray:
    """Stress of fully restrained concrete, an upper bound.

    Parameters
    ----------
    modulus : array_like
        MPa, 0 to 70 000.
    free_strain : array_like
        Contraction that is held back, -0.005 to 0.005: ``CTE dT + drying + autogenous``.
    relaxation : array_like
        Share of the elastic stress that creep leaves, 0 to 1; 0.5 to 0.65 in the first days.

    Returns
    -------
    ndarray
        MPa, tension positive: ``K E strain``.

    Raises
    ------
    LimitError
        A value outside its limits.

    References
    ----------
    Common practice, no source.
    """
    stiffness = within("modulus", modulus, 0, 70_000, "MPa")
    strain = within(
        "free_strain", free_strain, -0.005, 0.005, remedy="Give strain as a pure number, not in microstrain"
    )
    return within("relaxation", relaxation, 0, 1) * stiffness * strain


def elastic_base_stress(
    modulus: ArrayLike,
    free_strain: ArrayLike,
    *,
    length: ArrayLike,
    thickness: ArrayLike,
    shear_stiffness: ArrayLike,
    relaxation: ArrayLike = 0.6,
) -> FloatArray:
    """Stress at mid-length of a slab held by an elastic base.

    Parameters
    ----------
    modulus, free_strain, relaxation : array_like
        As for `restrained_stress`.
    length : array_like
        Slab length, m, 0 to 1000.
    thickness : array_like
        m, 0.03 to 1.
    shear_stiffness : array_like
        Shear stress of the base per sliding, MPa/m, 0 to 1e5.

    Returns
    -------
    ndarray
        MPa: ``K E strain [1 - 1/cosh(b L/2)]`` with ``b = sqrt(ks / (E h))``; the full restraint
        for a long slab, nothing for a short one.

    Raises
    ------
    LimitError
        A value outside its limits.

    References
    ----------
    Shear-lag solution, own derivation; page not seen.
    """
    full = restrained_stress(modulus, free_strain, relaxation=relaxation)
    stiffness = within("modulus", modulus, 1, 70_000, "MPa")
    depth = within("thickness", thickness, 0.03, 1, "m")
    shear = within("shear_stiffness", shear_stiffness, 0, 1e5, "MPa/m")
    half = within("length", length, 0, 1000, "m") / 2
    reach = np.minimum(np.sqrt(shear / (stiffness * depth)) * half, 700.0)
    return full * (1 - 1 / np.cosh(reach))


def cracking_probability(index: ArrayLike, *, intercept: ArrayLike = 0.0) -> FloatArray:
    """Chance of a crack from tensile strength over stress.

    Parameters
    ----------
    index : array_like
        Strength over stress, at least 0; infinite where nothing pulls.
    intercept : array_like
        Shift on the log-odds, to be learnt: the curve rests on walls and mass pours, and pavement
        practice looks lower by about 1.5 to 2 (judgement).

    Returns
    -------
    ndarray
        Probability: ``1 - exp[-(index / 0.92)^-4.29]``, shifted on the log-odds.

    Raises
    ------
    LimitError
        A negative index.

    References
    ----------
    JCI guideline for control of cracking of mass concrete (2008; page not seen, constants from
    memory). Another Japanese specification of 2007 uses other points; the two are not mixed.
    """
    ratio = within("index", index, 0, np.inf)
    with np.errstate(divide="ignore", over="ignore"):
        plain = -np.expm1(-((ratio / _JCI_SCALE) ** -_JCI_SHAPE))
    return expit(logit(plain) + np.asarray(intercept, dtype=np.float64))


def cracking_index_at(probability: ArrayLike, *, intercept: ArrayLike = 0.0) -> FloatArray:
    """Strength over stress at which the chance of a crack takes a value.

    Parameters
    ----------
    probability : array_like
        0 to 1.
    intercept : array_like
        As for `cracking_probability`, whose inverse this is.

    Returns
    -------
    ndarray
        Index; infinite at probability 0.

    Raises
    ------
    LimitError
        A probability outside 0 to 1.
    """
    chance = within("probability", probability, 0, 1)
    with np.errstate(divide="ignore"):
        plain = expit(logit(chance) - np.asarray(intercept, dtype=np.float64))
        return np.asarray(_JCI_SCALE * (-np.log1p(-plain)) ** (-1 / _JCI_SHAPE))
