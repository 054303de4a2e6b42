"""Shrinkage, creep and warping of concrete.

Strains carry their sign: shortening is negative. Strength is the mean cylinder strength at 28 days,
MPa; lengths in m; humidity a fraction; times in days.

These models say nothing of gradients: they give the mean of a section. Their error on a mix that was
not tested has a coefficient of variation of 30 to 35 % at best (`SPREAD`); put it on every result.
"""

from __future__ import annotations

from types import MappingProxyType
from typing import NamedTuple

import numpy as np
from numpy.typing import ArrayLike

from riskmodel.errors import RiskModelError
from riskmodel.physics.limits import FloatArray, caution, within
from riskmodel.physics.slab import checked_expansion, checked_thickness

__all__ = [
    "CEMENTS",
    "SPREAD",
    "autogenous_shrinkage",
    "corner_lift",
    "creep_hyperbolic",
    "curvature",
    "drying_shrinkage_1990",
    "drying_shrinkage_1999",
    "equivalent_difference",
    "notional_shrinkage_1990",
    "notional_shrinkage_1999",
    "shrinkage_hyperbolic",
    "volume_surface_ratio",
]

SPREAD = 0.35
"""Coefficient of variation of a predicted shrinkage (ACI 209.2R-08, page not seen)."""


class _Cement(NamedTuple):
    linear: float
    autogenous: float
    drying_scale: float
    drying_decay: float


CEMENTS = MappingProxyType(
    {
        "slow": _Cement(4.0, 800.0, 3.0, 0.13),
        "normal": _Cement(5.0, 700.0, 4.0, 0.12),
        "rapid": _Cement(8.0, 600.0, 6.0, 0.12),
    }
)
"""Coefficients by hardening of the cement; those of slow and rapid in the 1999 model are from memory."""


def volume_surface_ratio(thickness: ArrayLike, *, faces: ArrayLike = 1) -> FloatArray:
    """Volume over drying surface of a slab, m: its thickness where one face dries, half of it where two do.

    Parameters
    ----------
    thickness : array_like
        m, 0.02 to 1.
    faces : array_like, default 1
        1 or 2 drying faces.
    """
    return checked_thickness(thickness) / within("faces", faces, 1, 2)


def notional_shrinkage_1990(strength: ArrayLike, *, cement: str = "normal") -> FloatArray:
    """Drying potential of the concrete, `(160 + 10 b (9 - fcm/10)) 1e-6`.

    Parameters
    ----------
    strength : array_like
        Mean compressive strength fcm, MPa, 10 to 90; validated 20 to 70.
    cement : {"slow", "normal", "rapid"}
        b is 4, 5 or 8.

    Returns
    -------
    ndarray
        Strain, positive: a potential, not yet a shortening.

    References
    ----------
    CEB-FIP Model Code 1990 (page not seen); ACI 209.2R-08, App. C, pp. 37-38, checks it.
    """
    return (160.0 + 10.0 * _cement(cement).linear * (9.0 - _strength(strength) / 10.0)) * 1e-6


def drying_shrinkage_1990(
    age: ArrayLike,
    *,
    strength: ArrayLike,
    humidity: ArrayLike,
    volume_surface: ArrayLike,
    drying_from: ArrayLike = 7.0,
    cement: str = "normal",
) -> FloatArray:
    """Mean shrinkage of a drying section, `es bRH bs`.

    `bRH = -1.55 (1 - RH^3)`, `bs = sqrt{t / [350 ((V/S)/50)^2 + t]}`, V/S in mm, t days of drying.

    Parameters
    ----------
    age : array_like
        Age of the concrete, days, 0 to 1e5; nothing happens before `drying_from`.
    strength : array_like
        Mean compressive strength, MPa.
    humidity : array_like
        Mean relative humidity of the air, 0.2 to 0.99; validated from 0.4.
    volume_surface : array_like
        Volume over drying surface, m, 0.005 to 1 (see `volume_surface_ratio`).
    drying_from : array_like, default 7
        Age when curing ended, days, 0 to 365; validated from 1.
    cement : {"slow", "normal", "rapid"}
        Hardening.

    Returns
    -------
    ndarray
        Strain, negative.

    References
    ----------
    CEB-FIP Model Code 1990 (page not seen); ACI 209.2R-08, App. C, pp. 37-38, checks it.
    """
    course = _humidity_factor(humidity) * _drying_course(age, drying_from, volume_surface)
    return notional_shrinkage_1990(strength, cement=cement) * course


def notional_shrinkage_1999(strength: ArrayLike, *, cement: str = "normal") -> FloatArray:
    """Drying potential of the later model, `(220 + 110 a1) exp(-a2 fcm/10) 1e-6`; as `notional_shrinkage_1990`.

    References
    ----------
    CEB MC90-99 (page not seen); ACI 209.2R-08, App. C, pp. 37-38, checks it.
    """
    kind = _cement(cement)
    return (220.0 + 110.0 * kind.drying_scale) * np.exp(-kind.drying_decay * _strength(strength) / 10.0) * 1e-6


def drying_shrinkage_1999(
    age: ArrayLike,
    *,
    strength: ArrayLike,
    humidity: ArrayLike,
    volume_surface: ArrayLike,
    drying_from: ArrayLike = 7.0,
    cement: str = "normal",
) -> FloatArray:
    """Drying part of the later model; arguments and result as for `drying_shrinkage_1990`.

    Add `autogenous_shrinkage` to it. The humidity factor is that of 1990, right up to 99 % for ordinary concrete.

    References
    ----------
    CEB MC90-99 (page not seen); ACI 209.2R-08, App. C, pp. 37-38, checks it.
    """
    course = _humidity_factor(humidity) * _drying_course(age, drying_from, volume_surface)
    return notional_shrinkage_1999(strength, cement=cement) * course


def autogenous_shrinkage(age: ArrayLike, *, strength: ArrayLike, cement: str = "normal") -> FloatArray:
    """Shrinkage of sealed concrete, `-a [(fcm/10) / (6 + fcm/10)]^2.5 (1 - exp(-0.2 sqrt t)) 1e-6`.

    Parameters
    ----------
    age : array_like
        Days, 0 to 1e5.
    strength : array_like
        Mean compressive strength, MPa.
    cement : {"slow", "normal", "rapid"}
        a is 800, 700 or 600.

    Returns
    -------
    ndarray
        Strain, negative.

    References
    ----------
    CEB MC90-99 (page not seen).
    """
    t, f = _age(age), _strength(strength) / 10.0
    return -_cement(cement).autogenous * (f / (6.0 + f)) ** 2.5 * -np.expm1(-0.2 * np.sqrt(t)) * 1e-6


def shrinkage_hyperbolic(drying_time: ArrayLike, *, correction: ArrayLike = 1.0) -> FloatArray:
    """Shrinkage of moist-cured concrete, `-780e-6 g t / (35 + t)`.

    Parameters
    ----------
    drying_time : array_like
        Days since 7 days of moist curing ended, 0 to 1e5.
    correction : array_like, default 1
        g, product of the model's corrections for humidity, size and mix, 0.1 to 3.

    Returns
    -------
    ndarray
        Strain, negative; half of its end value at 35 days.

    References
    ----------
    ACI 209R (page not seen).
    """
    t = within("drying_time", drying_time, 0.0, 1e5, "days")
    return -780e-6 * within("correction", correction, 0.1, 3.0) * t / (35.0 + t)


def creep_hyperbolic(loaded_time: ArrayLike, *, correction: ArrayLike = 1.0) -> FloatArray:
    """Creep coefficient, `2.35 g t^0.6 / (10 + t^0.6)`.

    Parameters
    ----------
    loaded_time : array_like
        Days under load, 0 to 1e5.
    correction : array_like, default 1
        g, product of the model's corrections, 0.1 to 3.

    Returns
    -------
    ndarray
        Creep strain over elastic strain; half of its end value at 46.4 days.

    References
    ----------
    ACI 209R (page not seen).
    """
    t = within("loaded_time", loaded_time, 0.0, 1e5, "days") ** 0.6
    return 2.35 * within("correction", correction, 0.1, 3.0) * t / (10.0 + t)


def curvature(strain_difference: ArrayLike, thickness: ArrayLike) -> FloatArray:
    """Curvature of a free slab whose top is shorter than its bottom, `de / h`, 1/m.

    Parameters
    ----------
    strain_difference : array_like
        Shortening of the top beyond that of the bottom, -2e-3 to 2e-3.
    thickness : array_like
        m, 0.02 to 1.
    """
    return _difference(strain_difference) / checked_thickness(thickness)


def corner_lift(strain_difference: ArrayLike, thickness: ArrayLike, reach: ArrayLike) -> FloatArray:
    """Rise of a free, weightless corner above the middle of the slab, `de / h * r^2 / 2`, m.

    Parameters
    ----------
    strain_difference, thickness : array_like
        As for `curvature`.
    reach : array_like
        Distance r from the middle to the corner, m, 0 to 20.

    Notes
    -----
    Weight and base hold the corner down: an upper bound.
    """
    return curvature(strain_difference, thickness) * within("reach", reach, 0.0, 20.0, "m") ** 2 / 2.0


def equivalent_difference(strain_difference: ArrayLike, expansion: ArrayLike) -> FloatArray:
    """Temperature difference that would warp a slab as much, `de / a`, degC, before creep.

    Parameters
    ----------
    strain_difference : array_like
        Shortening of the top beyond that of the bottom, -2e-3 to 2e-3. Its magnitude; a shorter top acts like a
        colder one, so it is subtracted in `slab.total_difference`.
    expansion : array_like
        Thermal expansion, 1/degC.
    """
    return _difference(strain_difference) / checked_expansion(expansion)


def _cement(name: str) -> _Cement:
    if name not in CEMENTS:
        raise RiskModelError(f"`cement` must be one of {', '.join(CEMENTS)}; got {name!r}. Take normal if unknown.")
    return CEMENTS[name]


def _strength(value: ArrayLike) -> FloatArray:
    strength = within("strength", value, 10.0, 90.0, "MPa")
    caution("strength", strength, 20.0, 70.0, "MPa", because="The shrinkage models were fitted inside it")
    return strength


def _age(value: ArrayLike) -> FloatArray:
    return within("age", value, 0.0, 1e5, "days")


def _humidity_factor(humidity: ArrayLike) -> FloatArray:
    remedy = "Give humidity as a fraction; concrete in water swells and these models do not know it"
    RH = within("humidity", humidity, 0.2, 0.99, remedy=remedy)
    caution("humidity", RH, 0.4, 0.99, because="The shrinkage models were fitted inside it")
    return -1.55 * (1.0 - RH**3)


def _drying_course(age: ArrayLike, drying_from: ArrayLike, volume_surface: ArrayLike) -> FloatArray:
    start = within("drying_from", drying_from, 0.0, 365.0, "days")
    caution("drying_from", start, 1.0, 365.0, "days", because="The shrinkage models assume a day of curing at least")
    dried = np.maximum(_age(age) - start, 0.0)
    size = within("volume_surface", volume_surface, 0.005, 1.0, "m") / 0.05
    return np.sqrt(dried / (350.0 * size**2 + dried))


def _difference(value: ArrayLike) -> FloatArray:
    return within("strain_difference", value, -2e-3, 2e-3, remedy="Give strain as a pure number, not in millionths")
