"""Separation of an unbonded overlay: chance that a working joint below cracks it, with and without a fabric.

Where the overlay locks on to the old slab it must follow the joint; where it is separated only friction
pulls at it. Stresses in MPa, lengths in m. The bound on the locked stress is our own kinematics and has no
published check: take the directions from it and a wide prior for the size.

Side effects to carry along: a fabric does away with composite action (check the overlay with
`thickness.unbonded_overlay_thickness`, without credit for the layer), and a soft layer that does not drain at the
edge raises curling and voids.
"""

from __future__ import annotations

from dataclasses import dataclass
from types import MappingProxyType

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy.special import logit

from riskmodel.errors import RiskModelError
from riskmodel.physics.early_age import base_drag_stress, cracking_probability
from riskmodel.physics.limits import FloatArray, within
from riskmodel.physics.slab import checked_modulus

__all__ = [
    "LOCK_UP",
    "Reflection",
    "WorkingJoint",
    "locked_stress",
    "reflection_chance",
    "separation_effect",
]

LOCK_UP = MappingProxyType({"none": (6.0, 2.0), "asphalt": (2.0, 14.0), "fabric": (2.0, 38.0)})
"""Beta(a, b) of the chance that the overlay locks up over a joint: nothing between, 1 in of asphalt, or a nonwoven
fabric of 500 g/m2 and more. Assumed, no measurement behind it. The use of fabric goes back to German practice (FHWA
scan report 2009, abstract seen)."""

_LEAST = 1e-4  # chances are held inside it before taking log-odds


@dataclass(frozen=True)
class WorkingJoint:
    """A working joint or crack of the old slab and the overlay over it; all broadcast.

    Parameters
    ----------
    movement : array_like
        Opening of the joint below, m, 0 to 0.05 (`joints.joint_movement`, without shrinkage for an old slab).
    modulus : array_like
        Elastic modulus of the overlay, MPa.
    strength : array_like
        Tensile strength of the overlay, MPa, 0.5 to 10.
    overlay_length : array_like
        Overlay between its own joints, m, 0.3 to 100.
    friction : array_like
        Friction on the separation layer, 0 to 10.
    gauge_length : array_like, default 0.61
        Length over which the overlay comes loose beside the joint, m, 0.05 to 5. Assumed: 0.3 to 1.2.
    relaxation : array_like, default 0.5
        Share of the elastic stress that creep leaves, 0 to 1. Assumed: 0.4 to 0.65.
    matched : array_like of bool, default False
        The overlay has a joint of full depth right over this one.
    intercept : array_like, default 0
        Shift of the chance of a crack on the log-odds, to be learnt (`early_age.cracking_probability`).
    """

    movement: ArrayLike
    modulus: ArrayLike
    strength: ArrayLike
    overlay_length: ArrayLike
    friction: ArrayLike
    gauge_length: ArrayLike = 0.61
    relaxation: ArrayLike = 0.5
    matched: ArrayLike = False
    intercept: ArrayLike = 0.0


@dataclass(frozen=True)
class Reflection:
    """Chance of a reflective crack over one working joint.

    Parameters
    ----------
    chance : ndarray
        In all; 0 over a matched joint.
    locked, separated : ndarray
        Where the overlay has locked up, and where it is free, were it not matched.
    locked_stress, separated_stress : ndarray
        Stresses behind them, MPa.
    """

    chance: FloatArray
    locked: FloatArray
    separated: FloatArray
    locked_stress: FloatArray
    separated_stress: FloatArray


def locked_stress(
    movement: ArrayLike, *, gauge_length: ArrayLike, modulus: ArrayLike, relaxation: ArrayLike = 0.5
) -> FloatArray:
    """Stress in an overlay that follows a joint, were it not to crack, `K E dL / l`.

    Parameters
    ----------
    movement, gauge_length, modulus, relaxation : array_like
        As in `WorkingJoint`.

    Returns
    -------
    ndarray
        MPa; values far above the strength say only that it cracks.

    References
    ----------
    Own kinematics, no published check.
    """
    opening = within("movement", movement, 0.0, 0.05, "m")
    strain = opening / within("gauge_length", gauge_length, 0.05, 5.0, "m")
    return within("relaxation", relaxation, 0.0, 1.0) * checked_modulus(modulus) * strain


def reflection_chance(lock_up: ArrayLike, joint: WorkingJoint) -> Reflection:
    """Chance of a reflective crack, `P_lock P(ft / s_locked) + (1 - P_lock) P(ft / s_separated)`.

    Parameters
    ----------
    lock_up : array_like
        Chance that the overlay locks up over the joint, 0 to 1: draw it from `LOCK_UP`.
    joint : WorkingJoint
        The joint and the overlay over it.

    Returns
    -------
    Reflection

    References
    ----------
    Chance of a crack from strength over stress as in `early_age.cracking_probability`; drag as in
    `early_age.base_drag_stress`; the mixture is our own.
    """
    bond = within("lock_up", lock_up, 0.0, 1.0, remedy="Give a share between 0 and 1, not per cent")
    ft = within("strength", joint.strength, 0.5, 10.0, "MPa")
    held = locked_stress(
        joint.movement, gauge_length=joint.gauge_length, modulus=joint.modulus, relaxation=joint.relaxation
    )
    free = base_drag_stress(within("overlay_length", joint.overlay_length, 0.3, 100.0, "m"), joint.friction)
    locked, separated = (_crack(ft, stress, joint.intercept) for stress in (held, free))
    chance = bond * locked + (1.0 - bond) * separated
    return Reflection(np.where(_matched(joint), 0.0, chance), locked, separated, held, free)


def separation_effect(lock_up: ArrayLike, without: ArrayLike, joint: WorkingJoint) -> FloatArray:
    """Log-odds of a reflective crack with a separation layer less those without.

    Parameters
    ----------
    lock_up, without : array_like
        Chance of lock-up with the layer and without it (`LOCK_UP`), 0 to 1.
    joint : WorkingJoint
        The joint and the overlay over it.

    Returns
    -------
    ndarray
        Difference of log-odds, chances held between 1e-4 and 1 - 1e-4; 0 over matched joints.
    """
    chances = (reflection_chance(share, joint).chance for share in (lock_up, without))
    after, before = (logit(np.clip(chance, _LEAST, 1.0 - _LEAST)) for chance in chances)
    return np.asarray(after - before)


def _crack(strength: FloatArray, stress: FloatArray, intercept: ArrayLike) -> FloatArray:
    with np.errstate(divide="ignore", over="ignore"):  # no stress, no crack
        return cracking_probability(strength / stress, intercept=intercept)


def _matched(joint: WorkingJoint) -> NDArray[np.bool_]:
    matched = np.asarray(joint.matched)
    if matched.dtype != np.bool_:
        raise RiskModelError(f"`matched` must be true or false; got values of type {matched.dtype}. Compare first.")
    return matched
