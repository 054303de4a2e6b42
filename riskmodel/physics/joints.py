"""Movement of joints: how far a joint opens and how long a slab may be for a given opening."""

from __future__ import annotations

from types import MappingProxyType

from numpy.typing import ArrayLike

from riskmodel.physics.limits import FloatArray, within
from riskmodel.physics.slab import checked_expansion

__all__ = ["BASE_RESTRAINT", "NEW_CONCRETE_STRAIN", "joint_movement", "slab_length_for"]

BASE_RESTRAINT = MappingProxyType({"stabilised": 0.65, "granular": 0.80})
"""Share of the free movement that the base lets happen (FHWA Pavement Notebook, ch. 3)."""

NEW_CONCRETE_STRAIN = (0.5e-4, 2.5e-4)
"""Low and high drying shrinkage of new concrete (FHWA Pavement Notebook, ch. 3); an old slab has none left."""


def joint_movement(
    length: ArrayLike,
    *,
    temperature_drop: ArrayLike,
    expansion: ArrayLike,
    shrinkage: ArrayLike = 0.0,
    restraint: ArrayLike,
) -> FloatArray:
    """Opening of a joint, `C L (a dT + e)`.

    Parameters
    ----------
    length : array_like
        Slab between working joints L, m, 0.3 to 100.
    temperature_drop : array_like
        Fall of the slab's mean temperature dT, degC, 0 to 80.
    expansion : array_like
        Thermal expansion a, 1/degC.
    shrinkage : array_like, default 0
        Shortening e by drying, 0 to 2e-3: `NEW_CONCRETE_STRAIN` for an overlay, 0 for an old slab.
    restraint : array_like
        C, 0.1 to 1, see `BASE_RESTRAINT`.

    Returns
    -------
    ndarray
        Opening, m. A working joint that does not crack passes its movement to its neighbours.

    References
    ----------
    FHWA Pavement Notebook, ch. 3, pp. 3.3.7-8.
    """
    return within("length", length, 0.3, 100.0, "m") * _strain(temperature_drop, expansion, shrinkage, restraint)


def slab_length_for(
    movement: ArrayLike,
    *,
    temperature_drop: ArrayLike,
    expansion: ArrayLike,
    shrinkage: ArrayLike = 0.0,
    restraint: ArrayLike,
) -> FloatArray:
    """Longest slab whose joints open no further than given: `joint_movement` solved for length, m.

    Parameters
    ----------
    movement : array_like
        Allowed opening, m, 1e-5 to 0.1.
    temperature_drop, expansion, shrinkage, restraint : array_like
        As for `joint_movement`; temperature drop above 0.
    """
    within("temperature_drop", temperature_drop, 0.1, 80.0, "degC", remedy="Without a drop no joint opens")
    opening = within("movement", movement, 1e-5, 0.1, "m")
    return opening / _strain(temperature_drop, expansion, shrinkage, restraint)


def _strain(
    temperature_drop: ArrayLike, expansion: ArrayLike, shrinkage: ArrayLike, restraint: ArrayLike
) -> FloatArray:
    dT = within("temperature_drop", temperature_drop, 0.0, 80.0, "degC")
    dry = within("shrinkage", shrinkage, 0.0, 2e-3, remedy="Give strain as a pure number, shortening positive")
    return within("restraint", restraint, 0.1, 1.0) * (checked_expansion(expansion) * dT + dry)
