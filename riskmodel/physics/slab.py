"""Bending of a slab on ground: radius of relative stiffness, curling stress, wheel load, non-linear gradients.

Stresses and moduli in MPa, lengths in m, subgrade reaction in MN/m3, temperatures in degC, wheel
loads in kN. Tension is positive. A temperature difference is top minus bottom: positive by day.

Every formula assumes a Winkler base in full contact with the slab. None of them knows the
self-weight of a slab that lifts off: for a large upward curl they overstate the stress
(Tang et al. 1993, page not seen, gives that case).
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike

from riskmodel.errors import RiskModelError
from riskmodel.physics.limits import FloatArray, caution, within

__all__ = [
    "PERMANENT_DIFFERENCE",
    "LoadResponse",
    "Profile",
    "bradbury_coefficient",
    "checked_expansion",
    "checked_modulus",
    "checked_thickness",
    "corner_load",
    "edge_curling_stress",
    "edge_load",
    "interior_curling_stress",
    "interior_load",
    "radius_of_relative_stiffness",
    "relative_panel_length",
    "self_equilibrating_stress",
    "split_profile",
    "total_difference",
]

PERMANENT_DIFFERENCE = -10.0 / 1.8
"""Built-in difference of a highway slab, degC: -10 degF (NCHRP 1-37A, from memory). Spread it widely."""


@dataclass(frozen=True)
class LoadResponse:
    """What one wheel does to a slab.

    Parameters
    ----------
    stress : ndarray
        Largest bending stress, MPa.
    deflection : ndarray
        Largest deflection, m, downwards.
    """

    stress: FloatArray
    deflection: FloatArray


@dataclass(frozen=True)
class Profile:
    """A temperature profile split into what stretches, what bends and what does neither.

    Parameters
    ----------
    mean : ndarray, shape (...)
        Mean over the depth, degC.
    difference : ndarray, shape (...)
        Top minus bottom of the linear profile with the same bending moment, degC.
    remainder : ndarray, shape (..., node)
        What is left at each node, degC: no mean and no moment.
    """

    mean: FloatArray
    difference: FloatArray
    remainder: FloatArray


def checked_modulus(value: ArrayLike, name: str = "modulus") -> FloatArray:
    """Elastic modulus of concrete as an array in MPa; psi or GPa are refused (limits 100 and 100 000 MPa)."""
    return within(name, value, 100.0, 100_000.0, "MPa")


def checked_expansion(value: ArrayLike, name: str = "expansion") -> FloatArray:
    """Thermal expansion as an array in 1/degC; values met in concrete are about 6 to 15 millionths."""
    array = within(name, value, 1e-6, 30e-6, "1/degC")
    # a value per degF (5.5e-6) would pass for a very low one per degC
    caution(name, array, 6e-6, 15e-6, "1/degC", because="Outside it the value may be meant per degF")
    return array


def checked_thickness(value: ArrayLike, name: str = "thickness") -> FloatArray:
    """Slab thickness as an array in m; inches and mm are refused (limits 0.02 and 1 m)."""
    return within(name, value, 0.02, 1.0, "m")


def radius_of_relative_stiffness(
    modulus: ArrayLike, thickness: ArrayLike, subgrade: ArrayLike, *, poisson: ArrayLike = 0.15
) -> FloatArray:
    """Length over which a slab spreads a load, `l = [E h^3 / (12 (1 - v^2) k)]^(1/4)`.

    Parameters
    ----------
    modulus : array_like
        Elastic modulus E, MPa, 100 to 100 000.
    thickness : array_like
        Slab thickness h, m, 0.02 to 1.
    subgrade : array_like
        Modulus of subgrade reaction k, MN/m3 (1 pci = 0.2714 MN/m3), 1 to 1000; validated 10 to 150.
    poisson : array_like, default 0.15
        Poisson's ratio, 0 to 0.5.

    Returns
    -------
    ndarray
        Radius of relative stiffness, m.

    References
    ----------
    Westergaard 1926 (page not seen). Check: a state department's pavement guide, curling example, module 6.
    """
    E, h = checked_modulus(modulus), checked_thickness(thickness)
    k = within("subgrade", subgrade, 1.0, 1000.0, "MN/m3")
    caution("subgrade", k, 10.0, 150.0, "MN/m3", because="Outside it the value may be meant in pci")
    v = _poisson(poisson)
    return (E * h**3 / (12.0 * (1.0 - v**2) * k)) ** 0.25


def relative_panel_length(panel_length: ArrayLike, radius: ArrayLike) -> FloatArray:
    """Panel length over radius of relative stiffness, an indicator of curling trouble (above 7 is long).

    Parameters
    ----------
    panel_length : array_like
        Joint spacing, m, 0.3 to 100.
    radius : array_like
        Radius of relative stiffness, m.

    Returns
    -------
    ndarray
        Ratio, no unit.

    References
    ----------
    The mark of 7 is common practice, no source.
    """
    return _length(panel_length, "panel_length") / _radius(radius)


def bradbury_coefficient(length: ArrayLike, radius: ArrayLike) -> FloatArray:
    """Share of full restraint that a slab of finite length develops in curling.

    `C = 1 - 2 cos(x) cosh(x) / (sin(2x) + sinh(2x)) (tan(x) + tanh(x))`, `x = B / (l sqrt(8))`.
    The largest value is 1.08, near B/l = 9; then it settles at 1.

    Parameters
    ----------
    length : array_like
        Slab dimension B in the direction of the stress, m, 0.3 to 100.
    radius : array_like
        Radius of relative stiffness l, m.

    Returns
    -------
    ndarray
        Coefficient, no unit.

    References
    ----------
    Bradbury 1938; values against IRC:58 table (from memory) and a state guide's chart (module 6).
    """
    x = _length(length) / (_radius(radius) * np.sqrt(8.0))
    # tan multiplied out, and all divided by exp(2x): neither poles at odd quarter turns nor overflow
    e = np.exp(-2.0 * x)
    top = 2.0 * np.exp(-x) * (np.sin(x) * (1.0 + e) + np.cos(x) * (1.0 - e))
    return np.asarray(1.0 - top / (2.0 * e * np.sin(2.0 * x) + 1.0 - e**2))


def interior_curling_stress(
    difference: ArrayLike,
    *,
    modulus: ArrayLike,
    expansion: ArrayLike,
    along: ArrayLike,
    across: ArrayLike,
    radius: ArrayLike,
    poisson: ArrayLike = 0.15,
) -> FloatArray:
    """Curling stress at mid-slab, `E a dT / (2 (1 - v^2)) (C_along + v C_across)`.

    Parameters
    ----------
    difference : array_like
        Top minus bottom, linear, degC, -60 to 60; validated -20 to 20.
    modulus, expansion : array_like
        Elastic modulus, MPa; thermal expansion, 1/degC.
    along, across : array_like
        Slab dimensions in the direction of the stress and across it, m.
    radius : array_like
        Radius of relative stiffness, m.
    poisson : array_like, default 0.15
        Poisson's ratio.

    Returns
    -------
    ndarray
        Stress at the bottom, MPa, tension positive (negative by night: then the top is in tension).

    References
    ----------
    Westergaard 1927, Bradbury 1938 (pages not seen).
    """
    v = _poisson(poisson)
    coefficient = bradbury_coefficient(along, radius) + v * bradbury_coefficient(across, radius)
    return _full_restraint(difference, modulus, expansion) * coefficient / (1.0 - v**2)


def edge_curling_stress(
    difference: ArrayLike, *, modulus: ArrayLike, expansion: ArrayLike, length: ArrayLike, radius: ArrayLike
) -> FloatArray:
    """Curling stress at mid-edge, `C E a dT / 2`.

    Parameters
    ----------
    difference : array_like
        Top minus bottom, linear, degC, -60 to 60; validated -20 to 20.
    modulus, expansion : array_like
        Elastic modulus, MPa; thermal expansion, 1/degC.
    length : array_like
        Slab dimension along the edge, m.
    radius : array_like
        Radius of relative stiffness, m.

    Returns
    -------
    ndarray
        Stress at the bottom, MPa, tension positive.

    References
    ----------
    Westergaard 1927, Bradbury 1938 (pages not seen).
    """
    return _full_restraint(difference, modulus, expansion) * bradbury_coefficient(length, radius)


def interior_load(
    load: ArrayLike,
    contact_radius: ArrayLike,
    *,
    modulus: ArrayLike,
    thickness: ArrayLike,
    subgrade: ArrayLike,
    poisson: ArrayLike = 0.15,
) -> LoadResponse:
    """Wheel in the middle of a large slab.

    `s = 3 (1 + v) P / (2 pi h^2) [ln(l/b) + 0.6159]`, `b = sqrt(1.6 a^2 + h^2) - 0.675 h` if a < 1.724 h,
    else b = a; `d = P / (8 k l^2) {1 + [ln(a / 2l) - 0.673] (a/l)^2 / (2 pi)}`.

    Parameters
    ----------
    load : array_like
        Wheel load P, kN, 0 to 1000.
    contact_radius : array_like
        Radius a of the loaded circle, m, 0.01 to 1.
    modulus, thickness, subgrade, poisson : array_like
        As for `radius_of_relative_stiffness`.

    Returns
    -------
    LoadResponse
        Stress at the bottom under the wheel, MPa, and deflection, m.

    References
    ----------
    Westergaard 1926, 1939 (pages not seen); check values of Huang's textbook, from memory.
    """
    P, a, radius = _wheel(load, contact_radius, modulus, thickness, subgrade, poisson)
    h, k, v = checked_thickness(thickness), np.asarray(subgrade, dtype=float), _poisson(poisson)
    b = np.where(a < 1.724 * h, np.sqrt(1.6 * a**2 + h**2) - 0.675 * h, a)
    stress = 3.0 * (1.0 + v) * P / (2.0 * np.pi * h**2) * (np.log(radius / b) + 0.6159)
    spread = (np.log(a / (2.0 * radius)) - 0.673) * (a / radius) ** 2 / (2.0 * np.pi)
    return LoadResponse(stress, P / (8.0 * k * radius**2) * (1.0 + spread))


def corner_load(
    load: ArrayLike,
    contact_radius: ArrayLike,
    *,
    modulus: ArrayLike,
    thickness: ArrayLike,
    subgrade: ArrayLike,
    poisson: ArrayLike = 0.15,
) -> LoadResponse:
    """Wheel at a free corner: `s = 3P/h^2 [1 - (a sqrt2 / l)^0.6]`, `d = P/(k l^2) [1.1 - 0.88 a sqrt2 / l]`.

    Parameters
    ----------
    load : array_like
        Load of a single wheel P, kN, 0 to 1000.
    contact_radius : array_like
        Radius a of that one wheel's circle, m, 0.01 to 1.
    modulus, thickness, subgrade, poisson : array_like
        As for `radius_of_relative_stiffness`.

    Returns
    -------
    LoadResponse
        Stress at the top, MPa, and deflection of the corner, m.

    Notes
    -----
    Trap: the circle is that of a single wheel; the merged circle of dual tyres understates the stress.

    References
    ----------
    Westergaard 1926 (page not seen); check values of Huang's textbook, from memory.
    """
    P, a, radius = _wheel(load, contact_radius, modulus, thickness, subgrade, poisson)
    h, k = checked_thickness(thickness), np.asarray(subgrade, dtype=float)
    reach = a * np.sqrt(2.0) / radius
    return LoadResponse(3.0 * P / h**2 * (1.0 - reach**0.6), P / (k * radius**2) * (1.1 - 0.88 * reach))


def edge_load(
    load: ArrayLike,
    contact_radius: ArrayLike,
    *,
    modulus: ArrayLike,
    thickness: ArrayLike,
    subgrade: ArrayLike,
    poisson: ArrayLike = 0.15,
) -> LoadResponse:
    """Circular wheel print touching a free edge.

    `s = 3 (1+v) P / (pi (3+v) h^2) {ln[E h^3 / (100 k a^4)] + 1.84 - 4v/3 + (1-v)/2 + 1.18 (1+2v) a/l}`,
    `d = P sqrt(2 + 1.2 v) / sqrt(E h^3 k) [1 - (0.76 + 0.4 v) a/l]`.

    Parameters
    ----------
    load, contact_radius, modulus, thickness, subgrade, poisson : array_like
        As for `interior_load`.

    Returns
    -------
    LoadResponse
        Stress at the bottom of the edge, MPa, and deflection, m.

    References
    ----------
    Westergaard 1948; Ioannides et al. 1985 (pages not seen); check values of Huang's textbook, from memory.
    """
    P, a, radius = _wheel(load, contact_radius, modulus, thickness, subgrade, poisson)
    E, h, k, v = checked_modulus(modulus), checked_thickness(thickness), np.asarray(subgrade, float), _poisson(poisson)
    shape = np.log(E * h**3 / (100.0 * k * a**4)) + 1.84 - 4.0 * v / 3.0 + (1.0 - v) / 2.0
    stress = 3.0 * (1.0 + v) * P / (np.pi * (3.0 + v) * h**2) * (shape + 1.18 * (1.0 + 2.0 * v) * a / radius)
    deflection = P * np.sqrt(2.0 + 1.2 * v) / np.sqrt(E * h**3 * k) * (1.0 - (0.76 + 0.4 * v) * a / radius)
    return LoadResponse(stress, deflection)


def split_profile(temperature: ArrayLike, elevation: ArrayLike) -> Profile:
    """Mean, linear equivalent and remainder of a temperature profile.

    `dT = 12 / h^2 * integral of (T - mean) (z - h/2) dz`, z upwards from the bottom. The profile is taken as straight
    between nodes, and the integrals are exact for that.

    Parameters
    ----------
    temperature : array_like, shape (..., node)
        degC, -60 to 100.
    elevation : array_like, shape (node,)
        Height above the bottom, m, rising; the first is the bottom of the slab, the last its top.

    Returns
    -------
    Profile

    References
    ----------
    Thomlinson 1940; Choubane and Tia 1992 (pages not seen).
    """
    T = within("temperature", temperature, -60.0, 100.0, "degC")
    z = np.asarray(elevation, dtype=float)
    step = within("steps of elevation", np.diff(z), 1e-6, 1.0, "m", remedy="List the nodes from the bottom up")
    if T.shape[-1:] != z.shape:
        raise RiskModelError(
            f"`temperature` must have one value for each node of `elevation` on its last axis; got shapes {T.shape} "
            f"and {z.shape}. Put the depth last."
        )
    height, arm = z[-1] - z[0], z - 0.5 * (z[-1] + z[0])
    low, high, lever_low, lever_high = T[..., :-1], T[..., 1:], arm[:-1], arm[1:]
    mean = np.sum(0.5 * step * (low + high), axis=-1) / height
    # Simpson's rule, exact for the product of two straight lines
    middle = (low + high) * (lever_low + lever_high)
    moment = np.sum(step / 6.0 * (low * lever_low + middle + high * lever_high), axis=-1)
    difference = 12.0 * moment / height**2
    linear = mean[..., None] + difference[..., None] * arm / height
    return Profile(np.asarray(mean), np.asarray(difference), T - linear)


def self_equilibrating_stress(
    remainder: ArrayLike, *, modulus: ArrayLike, expansion: ArrayLike, poisson: ArrayLike = 0.15
) -> FloatArray:
    """Stress of the part of a profile that neither stretches nor bends the slab, `-E a T_nl / (1 - v)`.

    Parameters
    ----------
    remainder : array_like
        `Profile.remainder`, degC.
    modulus, expansion, poisson : array_like
        MPa; 1/degC; no unit. They broadcast against `remainder`.

    Returns
    -------
    ndarray
        Stress, MPa, tension positive; add it to the curling stress.

    References
    ----------
    Thomlinson 1940; Choubane and Tia 1992 (pages not seen).
    """
    T = within("remainder", remainder, -60.0, 60.0, "degC")
    return -checked_modulus(modulus) * checked_expansion(expansion) * T / (1.0 - _poisson(poisson))


def total_difference(
    measured: ArrayLike, *, at_set: ArrayLike, moisture_difference: ArrayLike, expansion: ArrayLike
) -> FloatArray:
    """Difference that bends the slab: measured, less what was built in at set, less drying of the top.

    `dT_total = dT - dT_at_set - de_moist / a`

    Parameters
    ----------
    measured, at_set : array_like
        Top minus bottom, degC, now and when the concrete set.
    moisture_difference : array_like
        Shrinkage of the top beyond that of the bottom, strain, -2e-3 to 2e-3. Before creep: 100 millionths are
        already 18 degF, and creep relaxes a good part.
    expansion : array_like
        Thermal expansion, 1/degC.

    Returns
    -------
    ndarray
        Effective top minus bottom, degC.

    References
    ----------
    Identity. The habit of one permanent value (`PERMANENT_DIFFERENCE`) is NCHRP 1-37A, from memory.
    """
    now = within("measured", measured, -60.0, 60.0, "degC")
    then = within("at_set", at_set, -60.0, 60.0, "degC")
    moist = within("moisture_difference", moisture_difference, -2e-3, 2e-3)
    return now - then - moist / checked_expansion(expansion)


def _full_restraint(difference: ArrayLike, modulus: ArrayLike, expansion: ArrayLike) -> FloatArray:
    dT = within("difference", difference, -60.0, 60.0, "degC")
    caution("difference", dT, -20.0, 20.0, "degC", because="The slab may lift off, and the stress is then overstated")
    return 0.5 * checked_modulus(modulus) * checked_expansion(expansion) * dT


def _wheel(
    load: ArrayLike,
    contact_radius: ArrayLike,
    modulus: ArrayLike,
    thickness: ArrayLike,
    subgrade: ArrayLike,
    poisson: ArrayLike,
) -> tuple[FloatArray, FloatArray, FloatArray]:
    force = within("load", load, 0.0, 1000.0, "kN") / 1000.0
    a = within("contact_radius", contact_radius, 0.01, 1.0, "m")
    radius = radius_of_relative_stiffness(modulus, thickness, subgrade, poisson=poisson)
    caution("contact_radius / radius", a / radius, 0.0, 0.5, because="A wide load is not a wheel on a large slab")
    return force, a, radius


def _poisson(value: ArrayLike) -> FloatArray:
    return within("poisson", value, 0.0, 0.5)


def _length(value: ArrayLike, name: str = "length") -> FloatArray:
    return within(name, value, 0.3, 100.0, "m")


def _radius(value: ArrayLike) -> FloatArray:
    return within("radius", value, 0.05, 10.0, "m")
