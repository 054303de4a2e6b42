"""When to saw: earliest and latest time with their spread, and the chance of trouble by the hour."""

from __future__ import annotations

import warnings
from collections.abc import Mapping
from dataclasses import dataclass
from types import MappingProxyType

import numpy as np
import pandas as pd
from numpy.typing import ArrayLike
from scipy.special import expit

from ..amounts import Amount
from ..errors import RangeWarning, RiskModelError
from ..physics.early_age import BASE_FRICTION, cracking_probability
from ..physics.hydration import Binder, degree_of_hydration, hydration_of, strength_fraction
from ..physics.limits import FloatArray, caution
from ..physics.maturity import setting_degree
from ..physics.sawing import CHANCE_LIMITS, RAVELLING_WIDTH, sawing_window
from ..physics.shrinkage import SPREAD, autogenous_shrinkage
from ..physics.weather import Day, HourlyWeather
from ..physics.young_slab import History, SawingCase, over_chunks
from .draws import Draw, points

__all__ = ["BASES", "LEVEL_SHIFT", "SAWS", "SawingAnswer", "SawingQuestion", "answer_sawing"]

BASES: Mapping[str, float] = MappingProxyType(
    {name.replace("_", "-"): value for name, value in BASE_FRICTION.items()}
    | {"old-asphalt": BASE_FRICTION["asphalt_stabilised"], "asphalt-interlayer": BASE_FRICTION["asphalt_stabilised"]}
)
"""Friction of the slab on what lies under it. An old asphalt and an asphalt interlayer are taken as asphalt
stabilised (judgement; the others as in `early_age.BASE_FRICTION`)."""

SAWS: Mapping[str, Amount] = MappingProxyType({"conventional": Amount(2.0, 7.0), "early-entry": Amount(0.7, 1.5)})
"""Strength at which the saw no longer ravels the joint, MPa, by hardness of the aggregate (Okamoto et al.,
FHWA-RD-91-079, 1994, from memory; the early-entry range is judgement)."""

UNCUT_LENGTH = Amount(9.0, 46.0)
"""Length of uncut slab that friction pulls on, m: 30 to 150 ft (common practice, no source)."""

RELAXATION = Amount(0.5, 0.65)
"""Share of the elastic stress that creep leaves in the first days (common practice, no source)."""

LEVEL_SHIFT = Amount(-2.0, 0.0)
"""Shift of the chance of a crack on the log-odds: between the curve for walls and mass pours and 2 below it, where
paving practice seems to lie (judgement, no measurement behind it)."""

HORIZON, STEP, SHORTEST = 72.0, 0.25, 24.0  # h

_WIND, _HUMIDITY, _SUN, _STRENGTH = (Amount(value, value) for value in (3.0, 0.5, 600.0, 35.0))


@dataclass(frozen=True, kw_only=True)
class SawingQuestion:
    """A slab to be sawn. Amounts in SI; temperatures degC.

    Parameters
    ----------
    cementitious : Amount
        kg/m3.
    w_cm, thickness, mix_temperature : Amount
        By mass; m; degC as placed.
    paving_clock : Amount
        Hours from midnight; a range is a shift, any slab of which is meant.
    base : str
        Of `BASES`; "" where `friction` is given or the overlay is bonded.
    bonded : bool
        A bonded overlay: friction caps nothing.
    friction : Amount or None
        Of the slab on its base, in place of that of `base`.
    air, swing : Amount or None
        Mean air temperature of the day and half the difference between its highest and lowest, degC.
    wind_speed, humidity, noon_sun : Amount
        m/s about 0.5 m above the slab; fraction; W/m2.
    weather : HourlyWeather or None
        In place of the described day.
    strength_28 : Amount
        Compressive strength at 28 days, MPa.
    saw_strength : Amount
        MPa (`SAWS`).
    level_shift : Amount
        On the log-odds (`LEVEL_SHIFT`).
    accepted : float
        Chance of a random crack still accepted, 0.001 to 0.5.
    spread : float
        Multiplies the usual spreads; 0 leaves only the ranges that were given.
    samples, seed : int
    """

    cementitious: Amount
    w_cm: Amount
    thickness: Amount
    mix_temperature: Amount
    paving_clock: Amount
    base: str
    bonded: bool = False
    friction: Amount | None = None
    air: Amount | None = None
    swing: Amount | None = None
    wind_speed: Amount = _WIND
    humidity: Amount = _HUMIDITY
    noon_sun: Amount = _SUN
    weather: HourlyWeather | None = None
    strength_28: Amount = _STRENGTH
    saw_strength: Amount = SAWS["conventional"]
    level_shift: Amount = LEVEL_SHIFT
    accepted: float = 0.05
    spread: float = 1.0
    samples: int = 2000
    seed: int = 1


@dataclass(frozen=True)
class SawingAnswer:
    """When to saw.

    Parameters
    ----------
    earliest_h, latest_h : tuple of float
        5, 50 and 95 % points over the samples, h after placing; infinite beyond the horizon.
    no_window : float
        Share of samples whose earliest time comes after their latest.
    no_window_error : float
        Its Monte Carlo standard error.
    chances : DataFrame
        `hours_after_placing`; of `random_cracking` and `ravelling` the mean, `_lower` and `_upper` (5 and 95 %).
    peak_temperature : tuple of float
        5, 50 and 95 % points, degC.
    horizon : float
        Hours looked at.
    """

    earliest_h: tuple[float, float, float]
    latest_h: tuple[float, float, float]
    no_window: float
    no_window_error: float
    chances: pd.DataFrame
    peak_temperature: tuple[float, float, float]
    horizon: float


def answer_sawing(question: SawingQuestion) -> SawingAnswer:
    """When to saw, with the spread of what is not known.

    Parameters
    ----------
    question : SawingQuestion

    Returns
    -------
    SawingAnswer

    Raises
    ------
    RiskModelError
        No weather or two, or an hourly table that does not reach from paving to 24 h later.

    Warns
    -----
    RangeWarning
        The middle of an input outside the range in which a formula was validated.

    References
    ----------
    See `physics.sawing`. The level of the chances is judgement.
    """
    case, shift = _sawing_case(question)
    horizon = _horizon(question)
    window = sawing_window(case, p_max=question.accepted, intercept=shift, horizon=horizon, step=STEP)
    earliest, latest = points(window.earliest_h), points(window.latest_h)
    ends = [end for end in (earliest[2], latest[1]) if np.isfinite(end)]
    hours = np.arange(1.0, min(horizon, max(12.0, np.ceil(1.25 * max(ends, default=horizon)))) + 0.25, 0.5)
    cracking, ravelling = _chances(case, hours, shift, horizon)
    none = float(1 - window.has_window.mean())
    return SawingAnswer(
        earliest,
        latest,
        none,
        float(np.sqrt(none * (1 - none) / question.samples)),
        _chance_table(hours, random_cracking=cracking, ravelling=ravelling),
        points(window.peak_temperature),
        horizon,
    )


def _sawing_case(q: SawingQuestion) -> tuple[SawingCase, FloatArray]:
    """The sampled slabs, and the shift of each chance."""
    caution("w/cm", q.w_cm.middle, 0.32, 0.68, because="The hydration curve rests on no such mixes")
    caution("mix temperature", q.mix_temperature.middle, 5, 38, "degC", because="Such mixes set by other rules")
    draw = Draw("sawing", q.seed, q.samples, q.spread)
    strength = draw("strength_28", q.strength_28, 15, 90)
    rough = np.exp(SPREAD * q.spread * draw.normal("autogenous"))
    with warnings.catch_warnings():
        # said above of the middle; samples beyond it are what the spread is for
        warnings.simplefilter("ignore", RangeWarning)
        case = SawingCase(
            mix=hydration_of(Binder(), draw("w_cm", q.w_cm, 0.25, 0.70)),
            cementitious=draw("cementitious", q.cementitious, 200, 600),
            strength_28=strength,
            thickness=draw("thickness", q.thickness, 0.05, 0.6),
            mix_temperature=draw("mix_temperature", q.mix_temperature, 2, 45),
            paving_clock=draw.even("paving_clock", q.paving_clock),
            weather=_weather(q, draw),
            friction=draw("friction", _friction(q), 0.1, 10),
            bonded=q.bonded,
            uncut_length=draw.even("uncut_length", UNCUT_LENGTH),
            expansion=draw("expansion", Amount(9.9e-6, 9.9e-6), 4e-6, 16e-6),
            autogenous_strain=np.minimum(-autogenous_shrinkage(28.0, strength=strength) * rough, 5e-4),
            relaxation=draw.even("relaxation", RELAXATION),
            saw_strength=draw("saw_strength", q.saw_strength, 0.3, 15),
        )
    return case, draw.even("level_shift", q.level_shift)


def _friction(q: SawingQuestion) -> Amount:
    if q.friction is not None:
        return q.friction
    if q.base not in BASES and not q.bonded:
        raise RiskModelError(f"`base` must be one of {', '.join(BASES)}; got {q.base!r}. Or give `friction`.")
    value = BASES.get(q.base, 1.0)  # a bonded overlay is not held by friction
    return Amount(value, value)


def _weather(q: SawingQuestion, draw: Draw) -> Day | HourlyWeather:
    if (q.weather is None) != (q.air is not None and q.swing is not None):
        raise RiskModelError(
            "Either a described day or an hourly table is needed. Give `air` and `swing`, or `weather`."
        )
    if q.weather is not None:
        return q.weather
    assert q.air is not None
    assert q.swing is not None
    return Day(
        mean=draw("air", q.air, -25, 45),
        half_swing=draw("swing", q.swing, 0, 20),
        wind_speed=draw("wind_speed", q.wind_speed, 0, 25),
        humidity=draw("humidity", q.humidity, 0, 1),
        noon_sun=draw("noon_sun", q.noon_sun, 0, 1200),
    )


def _horizon(q: SawingQuestion) -> float:
    """Hours that the weather lets one look at."""
    if q.weather is None:
        return HORIZON
    hours = np.asarray(q.weather.hours)
    left = float(np.floor(hours[-1] - q.paving_clock.high))
    if hours[0] > q.paving_clock.low or left < SHORTEST:
        raise RiskModelError(
            f"The hourly weather must reach from paving to {SHORTEST:g} h after it; it holds {hours[0]:g} to "
            f"{hours[-1]:g} h from its first midnight, and paving ends at {q.paving_clock.high:g} h. Add rows."
        )
    return min(HORIZON, left)


def _chances(case: SawingCase, hours: FloatArray, shift: FloatArray, horizon: float) -> tuple[FloatArray, FloatArray]:
    """Chance of a random crack up to each hour after placing, and of ravelling at it; shape (hour, sample).

    `physics.sawing` gives both over hours after final set. A crew counts from placing, and samples set at
    different hours; before final set a cut ravels for certain.
    """
    rows = np.rint(hours / STEP).astype(np.int64)

    def both(history: History, part: slice) -> FloatArray:
        flat = history.case
        worst = np.maximum.accumulate(history.stress_ratio, axis=0)[rows]
        with np.errstate(divide="ignore"):
            cracked = cracking_probability(1 / worst, intercept=shift[part])
        grown = strength_fraction(degree_of_hydration(28 * 24.0, flat.mix), flat.mix)
        share = strength_fraction(history.degree[rows], flat.mix) / grown
        strength = np.asarray(flat.strength_28) * share**1.5
        ravelled = expit((np.asarray(flat.saw_strength) - strength) / RAVELLING_WIDTH)
        is_set = history.degree[rows] >= setting_degree(flat.mix.w_cm)[1]
        return np.stack([cracked, np.where(is_set, ravelled, 1.0)])

    parts = over_chunks(case, both, horizon=horizon, step=STEP, chunk=2048, workers=1)
    cracking, ravelling = np.clip(np.concatenate(parts, axis=2), *CHANCE_LIMITS)
    return cracking, ravelling


def _chance_table(hours: FloatArray, **chances: FloatArray) -> pd.DataFrame:
    columns: dict[str, ArrayLike] = {"hours_after_placing": hours}
    for name, chance in chances.items():
        columns[name] = chance.mean(axis=1)
        columns[f"{name}_lower"], columns[f"{name}_upper"] = np.quantile(chance, (0.05, 0.95), axis=1)
    return pd.DataFrame(columns)
