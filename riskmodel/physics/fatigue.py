"""Fatigue of concrete slabs: three laws kept apart, Miner's sum, slabs cracked.

Trap: each law was calibrated with its own method's stress (beam test, edge by influence chart,
finite elements with curling). At a stress ratio of 0.6 they give 3e4, 1e7 and 1.5e4 repetitions.
So never put one method's stress into another's law, and never quote a count as such: use
`life_multiplier`, the ratio of two lives under one law, and draw the law itself at random.

All come from laboratory beams or road tests of mature concrete at constant amplitude. For
opening to traffic early, divide by the strength at that age.
"""

from __future__ import annotations

from collections.abc import Callable
from types import MappingProxyType

import numpy as np
from numpy.typing import ArrayLike

from riskmodel.errors import RiskModelError
from riskmodel.physics.limits import FloatArray, caution, within

__all__ = [
    "LAWS",
    "damage",
    "failure_probability",
    "life_multiplier",
    "log10_repetitions",
    "log10_repetitions_at",
    "log_linear",
    "piecewise",
    "power",
    "share_cracked",
]


def piecewise(ratio: ArrayLike) -> FloatArray:
    """Beam law with an endurance limit.

    Above 0.55 `log10 N = (0.9718 - SR) / 0.0828`; from 0.45 to 0.55 `N = [4.2577 / (SR - 0.4325)]^3.268`;
    below 0.45 unlimited.

    Parameters
    ----------
    ratio : array_like
        Stress over modulus of rupture SR, above 0 to 2; validated to 1.

    Returns
    -------
    ndarray
        log10 of the allowable repetitions, infinite below 0.45.

    References
    ----------
    Portland Cement Association 1966/1984 (pages not seen); used by IRC:58-2015, App. VII, whose table checks it.
    """
    SR = _ratio(ratio)
    high = (0.9718 - SR) / 0.0828
    middle = 3.268 * np.log10(4.2577 / np.maximum(SR - 0.4325, 1e-9))
    return np.select([SR > 0.55, SR >= 0.45], [high, middle], np.inf)


def log_linear(ratio: ArrayLike) -> FloatArray:
    """Straight line of beam tests, `log10 N = 17.61 (1 - SR)`; arguments and result as for `piecewise`, no limit below.

    References
    ----------
    Darter and Barenberg 1977, FHWA-RD-77-111 (page not seen), for designs that need no maintenance.
    """
    return 17.61 * (1.0 - _ratio(ratio))


def power(ratio: ArrayLike) -> FloatArray:
    """Law fitted to cracked slabs, `log10 N = 2 SR^-1.22 + 0.4371`; arguments and result as for `piecewise`.

    Notes
    -----
    The later manual drops 0.4371. A ratio of lives does not notice.

    References
    ----------
    NCHRP 1-37A, 2004 (page not seen).
    """
    return 2.0 * _ratio(ratio) ** -1.22 + 0.4371


LAWS: MappingProxyType[str, Callable[[ArrayLike], FloatArray]] = MappingProxyType(
    {"piecewise": piecewise, "log_linear": log_linear, "power": power}
)
"""The laws by name, for drawing one at random with equal weight."""


def log10_repetitions(ratio: ArrayLike, *, law: str) -> FloatArray:
    """log10 of the allowable repetitions by a named law.

    Parameters
    ----------
    ratio : array_like
        Stress over modulus of rupture.
    law : {"piecewise", "log_linear", "power"}
        The law; there is no default, since the stress must come from the same method.

    Raises
    ------
    RiskModelError
        If there is no such law.
    """
    if law not in LAWS:
        known = ", ".join(LAWS)
        raise RiskModelError(f"`law` must be one of {known}; got {law!r}. Choose the law of the method of the stress.")
    return LAWS[law](ratio)


def life_multiplier(ratio: ArrayLike, reference: ArrayLike, *, law: str) -> FloatArray:
    """How many times longer a slab lasts at one stress ratio than at another, `N(ratio) / N(reference)`.

    Parameters
    ----------
    ratio, reference : array_like
        Stress over modulus of rupture, with and without the measure.
    law : {"piecewise", "log_linear", "power"}
        The law for both.

    Returns
    -------
    ndarray
        1 where both are unlimited; infinite or 0 where one alone is (only `piecewise`, below 0.45).
    """
    now, then = np.broadcast_arrays(log10_repetitions(ratio, law=law), log10_repetitions(reference, law=law))
    both = np.isinf(now) & np.isinf(then)
    exponent = np.subtract(now, then, out=np.zeros(now.shape), where=~both)
    return np.asarray(10.0**exponent)


def log10_repetitions_at(probability: ArrayLike, ratio: ArrayLike) -> FloatArray:
    """Repetitions at which a share `p` of slabs has failed, `log10 N = [-SR^-10.24 log10(1 - p) / 0.0112]^0.217`.

    Parameters
    ----------
    probability : array_like
        Probability of failure p, 1e-6 to 1 - 1e-6.
    ratio : array_like
        Stress over modulus of rupture.

    Returns
    -------
    ndarray
        log10 of the repetitions.

    References
    ----------
    Titus-Glover, Mallela, Darter, Voigt and Waalkes 2005, Transportation Research Record 1919 (from memory).
    """
    p = within("probability", probability, 1e-6, 1.0 - 1e-6)
    return (-(_ratio(ratio) ** -10.24) * np.log10(1.0 - p) / 0.0112) ** 0.217


def failure_probability(repetitions: ArrayLike, ratio: ArrayLike) -> FloatArray:
    """Share of slabs failed after so many repetitions; the inverse of `log10_repetitions_at`.

    Parameters
    ----------
    repetitions : array_like
        Count of equal loads, 1 to 1e15.
    ratio : array_like
        Stress over modulus of rupture.

    Returns
    -------
    ndarray
        Probability, 0 to 1.
    """
    N = within("repetitions", repetitions, 1.0, 1e15)
    exponent = 0.0112 * _ratio(ratio) ** 10.24 * np.log10(N) ** (1.0 / 0.217)
    return -np.expm1(-np.log(10.0) * exponent)


def damage(repetitions: ArrayLike, ratio: ArrayLike, *, law: str) -> FloatArray:
    """Miner's sum of fatigue damage over the last axis, `FD = sum of n / N`.

    Parameters
    ----------
    repetitions : array_like, shape (..., group)
        Loads n of each group, 0 or more.
    ratio : array_like, shape (..., group)
        Their stress over modulus of rupture.
    law : {"piecewise", "log_linear", "power"}
        The law of the method that gave the stress.

    Returns
    -------
    ndarray, shape (...)
        Damage, no unit; 1 is failure by the law.

    References
    ----------
    Miner 1945 (page not seen).
    """
    n = within("repetitions", repetitions, 0.0, np.inf)
    return np.asarray(np.sum(n * 10.0 ** -log10_repetitions(ratio, law=law), axis=-1))


def share_cracked(damage: ArrayLike, *, scale: ArrayLike = 1.0, exponent: ArrayLike = -1.98) -> FloatArray:
    """Share of slabs with a transverse crack, `1 / (1 + C4 FD^C5)`.

    Parameters
    ----------
    damage : array_like
        Fatigue damage FD by `power`, 0 or more.
    scale, exponent : array_like
        C4 above 0 and C5 below 0; the defaults are national values (from memory), to be recalibrated locally.

    Returns
    -------
    ndarray
        Share, 0 to 1; half at a damage of 1 with the defaults.

    References
    ----------
    NCHRP 1-37A, 2004 (page not seen).
    """
    FD = within("damage", damage, 0.0, np.inf)
    c4 = within("scale", scale, 1e-6, 1e6)
    c5 = within("exponent", exponent, -10.0, -0.01)
    return 1.0 / (1.0 + c4 * np.maximum(FD, 1e-30) ** c5)


def _ratio(value: ArrayLike) -> FloatArray:
    SR = within("ratio", value, 0.01, 2.0, remedy="Divide the stress by the modulus of rupture in the same unit")
    caution("ratio", SR, 0.0, 1.0, because="Above 1 the slab breaks at the first load and the laws say nothing")
    return SR
