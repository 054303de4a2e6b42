"""How much prewetted lightweight aggregate for internal curing, and what it does to the strain."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from ..amounts import Amount
from ..physics import internal_curing
from ..physics.limits import FloatArray, caution
from ..physics.shrinkage import SPREAD, autogenous_shrinkage
from .draws import Draw, points

__all__ = ["CuringAnswer", "CuringQuestion", "answer_curing"]


_DESORPTION, _CHEMICAL_SHRINKAGE, _STRENGTH = (Amount(value, value) for value in (0.90, 0.07, 38.0))
_SATURATION = Amount(0.9, 1.0)  # a stockpile is seldom wet through


@dataclass(frozen=True, kw_only=True)
class CuringQuestion:
    """Internal curing by prewetted lightweight aggregate.

    Parameters
    ----------
    cementitious, w_cm : Amount
        kg/m3; by mass.
    absorption, desorption, saturation : Amount
        Shares of the dry mass, of that, and of the absorption reached in the stockpile.
    chemical_shrinkage : Amount
        Water by mass of cementitious material, fully hydrated.
    aggregate : Amount or None
        Dry lightweight aggregate that is planned, kg/m3; None for what the middle values need.
    strength_28 : Amount
        MPa; rules the autogenous strain.
    bulk_density : Amount or None
        Dry loose, kg/m3, for the volume.
    spread : float
        Multiplies the usual spreads.
    samples, seed : int
    """

    cementitious: Amount
    w_cm: Amount
    absorption: Amount
    desorption: Amount = _DESORPTION
    saturation: Amount = _SATURATION
    chemical_shrinkage: Amount = _CHEMICAL_SHRINKAGE
    aggregate: Amount | None = None
    strength_28: Amount = _STRENGTH
    bulk_density: Amount | None = None
    spread: float = 1.0
    samples: int = 2000
    seed: int = 1


@dataclass(frozen=True)
class CuringAnswer:
    """Curing water and what it does. Tuples are 5, 50 and 95 % points over the samples.

    Parameters
    ----------
    water, dry, prewetted : float
        Needed at the middle values: curing water, dry aggregate, and the mass to batch, kg/m3.
    volume : float or None
        Loose dry aggregate per volume of concrete, m3/m3.
    planned : float
        Dry aggregate that was judged, kg/m3.
    supplied : tuple of float
        Water supplied over needed, not capped at 1.
    falls_short : float
        Share of samples that get less than nine tenths of the water needed.
    strain_plain, strain : tuple of float
        Autogenous contraction at 28 days without and with internal curing, positive.
    """

    water: float
    dry: float
    prewetted: float
    volume: float | None
    planned: float
    supplied: tuple[float, float, float]
    falls_short: float
    strain_plain: tuple[float, float, float]
    strain: tuple[float, float, float]


def answer_curing(question: CuringQuestion) -> CuringAnswer:
    """How much lightweight aggregate, how much of the water needed arrives, and what it does to the strain.

    Parameters
    ----------
    question : CuringQuestion

    Returns
    -------
    CuringAnswer

    Raises
    ------
    RiskModelError
        A value outside its limits.

    Warns
    -----
    RangeWarning
        w/cm above 0.45, where autogenous shrinkage rarely matters.

    References
    ----------
    See `physics.internal_curing`: Bentz and Snyder 1999; ASTM C1761, appendix (pages not seen).
    """
    q = question
    caution("w/cm", q.w_cm.middle, 0.2, 0.45, because="Above it autogenous shrinkage rarely matters")
    middle = {name: getattr(q, name).middle for name in ("absorption", "desorption", "saturation")}
    water = internal_curing.curing_water(
        q.cementitious.middle, q.w_cm.middle, chemical_shrinkage=q.chemical_shrinkage.middle
    )
    dry = internal_curing.aggregate_mass(water, **middle)
    batched = {"absorption": middle["absorption"], "saturation": middle["saturation"]}
    planned = q.aggregate or Amount(float(dry), float(dry))
    share, plain = _curing_samples(q, planned)
    return CuringAnswer(
        water=float(water),
        dry=float(dry),
        prewetted=float(dry * (1 + batched["absorption"] * batched["saturation"])),
        volume=float(dry) / q.bulk_density.middle if q.bulk_density else None,
        planned=planned.middle,
        supplied=points(share),
        falls_short=float((share < 0.9).mean()),
        strain_plain=points(plain),
        strain=points(plain * (1 - np.minimum(share, 1.0))),
    )


def _curing_samples(q: CuringQuestion, planned: Amount) -> tuple[FloatArray, FloatArray]:
    """Water supplied over needed, and plain autogenous contraction, of each sample."""
    draw = Draw("curing_water", q.seed, q.samples, q.spread)
    need = internal_curing.curing_water(
        draw("cementitious", q.cementitious, 100, 800),
        draw("w_cm", q.w_cm, 0.2, 0.8),
        chemical_shrinkage=draw("chemical_shrinkage", q.chemical_shrinkage, 0.03, 0.2),
    )
    absorbed = draw("absorption", q.absorption, 0.02, 0.6) * draw.even("saturation", q.saturation)
    brought = planned.middle * absorbed * draw("desorption", q.desorption, 0.3, 1.0)
    rough = np.exp(SPREAD * q.spread * draw.normal("autogenous"))
    plain = -autogenous_shrinkage(28.0, strength=draw("strength_28", q.strength_28, 15, 90)) * rough
    return brought / need, plain
