"""Thickness adequacy: traffic a new slab carries, effective thickness of an old one, overlay still needed.

SI outside (m, MPa, MN/m3); the empirical equation is in US units and each conversion is explicit.
The result is a margin with its spread for a risk model, not a design.
"""

from __future__ import annotations

from dataclasses import dataclass
from types import MappingProxyType

import numpy as np
from numpy.typing import ArrayLike
from scipy import constants
from scipy.special import ndtr, ndtri

from riskmodel.errors import RiskModelError
from riskmodel.physics.limits import FloatArray, caution, within
from riskmodel.physics.slab import checked_modulus, checked_thickness

__all__ = [
    "DURABILITY_FACTOR",
    "FATIGUE_FACTOR",
    "STRUCTURE_CONDITION",
    "SlabDesign",
    "bonded_effective_thickness",
    "bonded_overlay_thickness",
    "chance_inadequate",
    "compensated_overlay_thickness",
    "log10_traffic",
    "required_thickness",
    "thickness_ratio",
    "traffic_margin",
    "unbonded_effective_thickness",
    "unbonded_overlay_thickness",
]

_PSI = constants.psi / 1e6  # MPa
_PCI = _PSI / constants.inch  # MN/m3
_THINNEST, _THICKEST = 0.1, 0.75  # m, search interval of `required_thickness`

DURABILITY_FACTOR = MappingProxyType(
    {
        "none": (1.0, 1.0),
        "cracks": (0.96, 0.99),
        "cracks_and_spalls": (0.88, 0.95),
        "extensive": (0.80, 0.88),
    }
)
"""Low and high durability factor by what D-cracking or reactive aggregate shows (1993 Guide, from memory)."""

FATIGUE_FACTOR = MappingProxyType({"few": (0.97, 1.0), "some": (0.94, 0.96), "many": (0.90, 0.93)})
"""Low and high fatigue factor: under 5 %, 5 to 15 %, over 15 % of slabs cracked across (1993 Guide, from memory)."""

STRUCTURE_CONDITION = MappingProxyType({"good": 1.0, "first_cracks": 0.75, "badly_cracked": 0.35})
"""Coefficient C of `compensated_overlay_thickness` by state of the old slab (UFC 3-260-02)."""


@dataclass(frozen=True)
class SlabDesign:
    """Inputs of the traffic equation other than thickness and traffic; all broadcast.

    Parameters
    ----------
    modulus : array_like
        Elastic modulus Ec, MPa, 100 to 100 000.
    rupture : array_like
        Mean modulus of rupture Sc at 28 days, third-point loading, MPa, 1 to 12.
    subgrade : array_like
        Effective modulus of subgrade reaction k, MN/m3, 1 to 1000.
    load_transfer : array_like
        J, 2 to 5: lower with dowels and tied shoulders.
    drainage : array_like, default 1
        Cd, 0.6 to 1.3.
    serviceability_loss : array_like, default 2
        dPSI, 0.1 to 3.5.
    terminal : array_like, default 2.5
        pt, 1 to 4.
    reliability : array_like, default 0.5
        0.01 to 0.9999; 0.5 is the median life.
    spread : array_like, default 0.35
        S0, sd of log10 traffic, 0 to 1. The 1993 Guide uses about 0.30 to 0.40 (from memory).
    """

    modulus: ArrayLike
    rupture: ArrayLike
    subgrade: ArrayLike
    load_transfer: ArrayLike
    drainage: ArrayLike = 1.0
    serviceability_loss: ArrayLike = 2.0
    terminal: ArrayLike = 2.5
    reliability: ArrayLike = 0.5
    spread: ArrayLike = 0.35


def log10_traffic(thickness: ArrayLike, design: SlabDesign) -> FloatArray:
    """Single-axle loads of 18 kip that a slab carries to its terminal serviceability.

    `log W = ZR S0 + 7.35 log(D+1) - 0.06 + log(dPSI/3) / (1 + 1.624e7 / (D+1)^8.46) + (4.22 - 0.32 pt)
    log{Sc Cd (D^0.75 - 1.132) / (215.63 J [D^0.75 - 18.42 / (Ec/k)^0.25])}`, D in, Sc and Ec psi, k pci.

    Parameters
    ----------
    thickness : array_like
        Slab D, m; validated 0.1 to 0.4, the range of the road test and a little beyond.
    design : SlabDesign
        The rest.

    Returns
    -------
    ndarray
        log10 W.

    References
    ----------
    AASHTO Guide for Design of Pavement Structures, 1993, Part II; checked to the last printed figure by the overlay
    examples of its Appendix N (pages not seen).
    """
    h = checked_thickness(thickness)
    caution("thickness", h, 0.1, 0.4, "m", because="The road test behind the equation had no such slab")
    return _equation(h, design)


def required_thickness(traffic: ArrayLike, design: SlabDesign) -> FloatArray:
    """Slab that carries a given traffic: `log10_traffic` solved for thickness.

    Parameters
    ----------
    traffic : array_like
        Single-axle loads of 18 kip, 1e3 to 1e10.
    design : SlabDesign
        The rest.

    Returns
    -------
    ndarray
        Thickness, m, to within a micrometre.

    Raises
    ------
    RiskModelError
        If no slab between 0.1 and 0.75 m just carries it. Thinner ones lie outside the road test, and on stiff bases
        the equation turns there and gives a thinner slab more traffic.
    """
    target = np.log10(within("traffic", traffic, 1e3, 1e10))
    fields = (np.shape(value) for value in vars(design).values())
    shape = np.broadcast_shapes(target.shape, *fields)
    low, high = np.full(shape, _THINNEST), np.full(shape, _THICKEST)
    outside = (_equation(low, design) > target) | (_equation(high, design) < target)
    if outside.any():
        raise RiskModelError(
            f"no slab between {_THINNEST} and {_THICKEST} m just carries `traffic`: "
            f"{int(outside.sum())} of {outside.size} cases. Check traffic, subgrade and strength with their units."
        )
    for _ in range(20):
        middle = 0.5 * (low + high)
        short = _equation(middle, design) < target
        low, high = np.where(short, middle, low), np.where(short, high, middle)
    solved = 0.5 * (low + high)
    caution("required thickness", solved, 0.1, 0.4, "m", because="The road test behind the equation had no such slab")
    return solved


def traffic_margin(built: ArrayLike, traffic: ArrayLike, design: SlabDesign) -> FloatArray:
    """Decades between the median traffic a built slab carries and the traffic expected.

    Parameters
    ----------
    built : array_like
        Thickness as built, m.
    traffic : array_like
        Expected single-axle loads of 18 kip, 1e3 to 1e10.
    design : SlabDesign
        The rest, with a reliability of 0.5: the spread enters once, in `chance_inadequate`.

    Returns
    -------
    ndarray
        `log10 W(built) - log10 traffic`.
    """
    if np.any(np.asarray(design.reliability) != 0.5):
        raise RiskModelError(
            "a margin takes the median traffic; got a `reliability` other than 0.5, and the spread would count twice. "
            "Leave reliability at 0.5 and pass the margin to `chance_inadequate`."
        )
    return log10_traffic(built, design) - np.log10(within("traffic", traffic, 1e3, 1e10))


def chance_inadequate(margin: ArrayLike, *, spread: ArrayLike = 0.35) -> FloatArray:
    """Probability that the slab wears out before its traffic has passed, `Phi(-margin / S0)`.

    Parameters
    ----------
    margin : array_like
        From `traffic_margin`, decades.
    spread : array_like, default 0.35
        S0, sd of log10 traffic, 0.05 to 1. The 1993 Guide uses about 0.30 to 0.40 (from memory).

    Returns
    -------
    ndarray
        Probability.
    """
    gap = within("margin", margin, -20.0, 20.0, "decades of traffic")
    return np.asarray(ndtr(-gap / within("spread", spread, 0.05, 1.0)))


def thickness_ratio(provided: ArrayLike, required: ArrayLike) -> FloatArray:
    """Thickness provided over thickness required, an indicator of design quality; both in m."""
    return checked_thickness(provided, "provided") / checked_thickness(required, "required")


def bonded_effective_thickness(
    existing: ArrayLike, *, joints: ArrayLike, durability: ArrayLike, fatigue: ArrayLike
) -> FloatArray:
    """What an old slab is worth under a bonded overlay, `Fjc Fdur Ffat D`.

    Parameters
    ----------
    existing : array_like
        Old slab D, m.
    joints : array_like
        Fjc, 0.3 to 1, for joints and cracks left unrepaired. The Guide gives a chart of their number a mile. Its
        values as remembered cannot be trusted, so there is no formula here: read the chart, or spread it widely
        between about 0.55 and 1; 1 where all are repaired.
    durability : array_like
        Fdur, 0.5 to 1, see `DURABILITY_FACTOR`.
    fatigue : array_like
        Ffat, 0.5 to 1, see `FATIGUE_FACTOR`.

    Returns
    -------
    ndarray
        Effective thickness, m.

    References
    ----------
    AASHTO Guide 1993, Part III, revised chapter 5 (page not seen).
    """
    factors = within("joints", joints, 0.3, 1.0) * within("durability", durability, 0.5, 1.0)
    return factors * within("fatigue", fatigue, 0.5, 1.0) * checked_thickness(existing, "existing")


def unbonded_effective_thickness(existing: ArrayLike, *, joints: ArrayLike) -> FloatArray:
    """What an old slab is worth under an unbonded overlay, `Fjcu D`, with no more than 10 in of D counted.

    Parameters
    ----------
    existing : array_like
        Old slab D, m. The layer between gets no credit.
    joints : array_like
        Fjcu, 0.5 to 1, for joints and cracks left unrepaired: a chart again (see `bonded_effective_thickness`), whose
        lowest value is remembered as about 0.90. Published points: 0.975 at 25 a mile, 0.96 at 50 a mile.

    Returns
    -------
    ndarray
        Effective thickness, m.

    References
    ----------
    AASHTO Guide 1993, Part III, revised chapter 5; the two points from its Appendix N (pages not seen).
    """
    return within("joints", joints, 0.5, 1.0) * np.minimum(checked_thickness(existing, "existing"), 10 * constants.inch)


def bonded_overlay_thickness(required: ArrayLike, effective: ArrayLike) -> FloatArray:
    """Bonded overlay still needed, `Df - Deff`, 0 where the old slab suffices; all in m (AASHTO Guide 1993)."""
    Df, Deff = checked_thickness(required, "required"), checked_thickness(effective, "effective")
    return np.maximum(Df - Deff, 0.0)


def unbonded_overlay_thickness(required: ArrayLike, effective: ArrayLike) -> FloatArray:
    """Unbonded overlay still needed, `sqrt(Df^2 - Deff^2)`, 0 where the old slab suffices; all in m.

    A separation fabric does away with composite action: an overlay that relied on it is checked with this form.

    References
    ----------
    AASHTO Guide 1993, Part III, revised chapter 5; numbers of Appendix N (pages not seen).
    """
    Df, Deff = checked_thickness(required, "required"), checked_thickness(effective, "effective")
    return np.sqrt(np.maximum(Df**2 - Deff**2, 0.0))


def compensated_overlay_thickness(
    required: ArrayLike,
    *,
    required_old: ArrayLike,
    existing: ArrayLike,
    condition: ArrayLike,
    power: ArrayLike,
) -> FloatArray:
    """Overlay by the power form of the military criteria, `ho^p = hd^p - C (hd / he * hE)^p`.

    Parameters
    ----------
    required : array_like
        New slab hd on the old base with the overlay's strength, m.
    required_old : array_like
        The same he with the old slab's strength, m.
    existing : array_like
        Old slab hE, m.
    condition : array_like
        C, 0.2 to 1, see `STRUCTURE_CONDITION`.
    power : array_like
        p, 1 to 2: 1 bonded, 1.4 partly bonded, 2 unbonded.

    Returns
    -------
    ndarray
        Overlay ho, m, 0 where none is needed.

    References
    ----------
    UFC 3-260-02, ch. 17, pp. 342-343.
    """
    hd, he = checked_thickness(required, "required"), checked_thickness(required_old, "required_old")
    old, p = checked_thickness(existing, "existing"), within("power", power, 1.0, 2.0)
    credit = within("condition", condition, 0.2, 1.0) * (hd / he * old) ** p
    return np.maximum(hd**p - credit, 0.0) ** (1.0 / p)


def _equation(thickness: FloatArray, design: SlabDesign) -> FloatArray:
    D = thickness / constants.inch
    Ec = checked_modulus(design.modulus) / _PSI
    Sc = within("rupture", design.rupture, 1.0, 12.0, "MPa") / _PSI
    k = within("subgrade", design.subgrade, 1.0, 1000.0, "MN/m3") / _PCI
    J = within("load_transfer", design.load_transfer, 2.0, 5.0)
    Cd = within("drainage", design.drainage, 0.6, 1.3)
    loss = within("serviceability_loss", design.serviceability_loss, 0.1, 3.5)
    pt = within("terminal", design.terminal, 1.0, 4.0)
    z = -ndtri(within("reliability", design.reliability, 0.01, 0.9999)) * within("spread", design.spread, 0.0, 1.0)
    base = _positive(D**0.75 - 18.42 / (Ec / k) ** 0.25)
    strength = Sc * Cd * (D**0.75 - 1.132) / (215.63 * J * base)
    wear = np.log10(loss / 3.0) / (1.0 + 1.624e7 / (D + 1.0) ** 8.46)
    return np.asarray(z + 7.35 * np.log10(D + 1.0) - 0.06 + wear + (4.22 - 0.32 * pt) * np.log10(strength))


def _positive(value: FloatArray) -> FloatArray:
    """The bracket of the equation, which the thinnest slabs on the stiffest bases turn negative."""
    bad = int(np.sum(np.asarray(value) <= 0))
    if bad:
        raise RiskModelError(
            f"`thickness` is too small for so stiff a `subgrade`: the equation has no value in {bad} cases. "
            "Check the units of modulus (MPa), subgrade (MN/m3) and thickness (m)."
        )
    return value
