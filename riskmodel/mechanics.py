"""Measurements become indicators: the functions that a prior file may name, their arguments and units.

A prior file says which columns feed an argument and in which unit; here each argument has its own
unit, its limits, and the function that turns a row of measurements into one number. A row that
lacks a measurement gives no number: the quality score keeps its prior.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass
from types import MappingProxyType

import numpy as np
import xarray as xr
from scipy.special import betaincinv

from riskmodel.distribution import FloatArray
from riskmodel.errors import RiskModelError
from riskmodel.physics import evaporation, hydration, saturation, sawing, slab, thickness, weather
from riskmodel.priorset import Indicator

__all__ = ["MECHANICS", "UNITS", "Argument", "MechanicsFunction", "indicator_values"]

UNITS: Mapping[str, Mapping[str, tuple[float, float]]] = MappingProxyType(
    {
        "m": {"m": (1.0, 0.0), "mm": (0.001, 0.0), "cm": (0.01, 0.0), "in": (0.0254, 0.0), "ft": (0.3048, 0.0)},
        "h": {"h": (1.0, 0.0), "min": (1 / 60, 0.0)},
        "degC": {"degC": (1.0, 0.0), "degF": (5 / 9, -160 / 9)},
        "degC of difference": {"degC of difference": (1.0, 0.0), "degF of difference": (5 / 9, 0.0)},
        "m/s": {"m/s": (1.0, 0.0), "mph": (0.44704, 0.0), "km/h": (1 / 3.6, 0.0)},
        "fraction": {"fraction": (1.0, 0.0), "%": (0.01, 0.0)},
        "mass ratio": {"mass ratio": (1.0, 0.0)},
        "MPa": {"MPa": (1.0, 0.0), "psi": (0.006894757293168361, 0.0), "GPa": (1000.0, 0.0)},
        "MN/m3": {"MN/m3": (1.0, 0.0), "pci": (0.2714471375, 0.0)},
        "kg/m3": {"kg/m3": (1.0, 0.0), "lb/yd3": (0.5932764, 0.0)},
        "kg/(m2 h)": {"kg/(m2 h)": (1.0, 0.0), "lb/(ft2 h)": (4.882428, 0.0)},
        "W/m2": {"W/m2": (1.0, 0.0)},
        "1/degC": {"1/degC": (1.0, 0.0), "1/degF": (1.8, 0.0)},
        "1/sqrt(day)": {"1/sqrt(day)": (1.0, 0.0)},
        "number": {"number": (1.0, 0.0)},
    }
)
"""Unit of an argument to the units in which it may be stated: argument = factor x stated + offset."""

_SHORTEST = 0.01  # years: a joint that is saturated from the start keeps a logarithm
_LATEST = 72.0  # h: hours after placing in which a latest time to saw is looked for
_PAVED = (0.05, 0.6)  # m: the sawing window is worked for slabs within this
_ROAD = (np.arange(400) + 0.5) / 400  # shares of a road, for the sum over what cores may have met


@dataclass(frozen=True)
class Argument:
    """One argument of a function.

    Parameters
    ----------
    unit : str
        Of `UNITS`.
    lowest, highest : float
        Limits in that unit; a column that feeds it must stay inside them.
    """

    unit: str
    lowest: float
    highest: float


@dataclass(frozen=True)
class MechanicsFunction:
    """A function that a prior file may name.

    Parameters
    ----------
    call : callable
        Arrays of shape (row,) by argument, in the arguments' units, to an array (row,).
    unit : str
        Of the result.
    arguments : mapping of str to Argument
        All of them are needed.
    """

    call: Callable[..., FloatArray]
    unit: str
    arguments: Mapping[str, Argument]


def indicator_values(indicator: Indicator, sections: xr.Dataset) -> FloatArray:
    """What the records say of an indicator.

    Parameters
    ----------
    indicator : Indicator
        Plain (its column) or of mechanics (a function of several columns).
    sections : Dataset of kind `sections`

    Returns
    -------
    ndarray (section,)
        In the indicator's unit, before its transformation; NaN where a column is not recorded.

    Raises
    ------
    RiskModelError
        When the function refuses the recorded values, with the indicator's name.
    """
    missing = np.full(sections.sizes["section"], np.nan)
    if not indicator.function:
        column = indicator.column
        return np.asarray(sections[column].values, dtype=np.float64) if column in sections else missing
    if any(feed.column not in sections for feed in indicator.feeds):
        return missing
    given = {feed.argument: feed.convert(sections[feed.column].values) for feed in indicator.feeds}
    known = np.all([np.isfinite(values) for values in given.values()], axis=0)
    if known.any():
        measured = {name: values[known] for name, values in given.items()}
        try:
            missing[known] = MECHANICS[indicator.function].call(**measured, **indicator.constants)
        except RiskModelError as error:
            columns = ", ".join(feed.column for feed in indicator.feeds)
            raise RiskModelError(f"indicator `{indicator.name}` (columns {columns}): {error}") from error
        _check_transform(indicator, missing[known])
    return missing


def _check_transform(indicator: Indicator, values: FloatArray) -> None:
    """A value without a transform would pass for one that was not recorded."""
    with np.errstate(divide="ignore", invalid="ignore"):
        lost = ~np.isfinite(indicator.standardise(values))
    if lost.any():
        raise RiskModelError(
            f"indicator `{indicator.name}`: {int(lost.sum())} values have no {indicator.transform}; got "
            f"{float(values[lost][0]):g}. State another transform, such as sqrt."
        )


# ---------------------------------------------------------------------------------- the functions


def _past_limit(cut_after: FloatArray, limit: FloatArray) -> FloatArray:
    """Hours from placing to the cut less the hours that the specification or a forecast allows."""
    return np.asarray(cut_after - limit)


def _past_window(cut_after: FloatArray, **slab_and_day: FloatArray) -> FloatArray:
    """Hours past the latest time to saw of `physics.sawing`; a slab that may wait has a limit of 72 h."""
    window = sawing.sawing_window(_sawing_case(**slab_and_day), horizon=_LATEST)
    return np.asarray(cut_after - np.minimum(window.latest_h, _LATEST))


def _sawing_case(
    *,
    thickness: FloatArray,
    mix_temperature: FloatArray,
    air_mean: FloatArray,
    air_half_swing: FloatArray,
    wind_speed: FloatArray,
    humidity: FloatArray,
    noon_sun: FloatArray,
    paving_clock: FloatArray,
    cementitious: FloatArray,
    w_cm: FloatArray,
    strength: FloatArray,
    friction: FloatArray,
) -> sawing.SawingCase:
    day = weather.Day(
        mean=air_mean, half_swing=air_half_swing, wind_speed=wind_speed, humidity=humidity, noon_sun=noon_sun
    )
    return sawing.SawingCase(
        mix=hydration.hydration_of(hydration.Binder(), w_cm),
        cementitious=cementitious,
        strength_28=strength,
        thickness=np.clip(thickness, *_PAVED),
        mix_temperature=mix_temperature,
        paving_clock=paving_clock,
        weather=day,
        friction=friction,
    )


def _evaporation_over_bleed(
    concrete_temperature: FloatArray,
    air_temperature: FloatArray,
    humidity: FloatArray,
    wind_speed: FloatArray,
    bleed_rate: FloatArray,
) -> FloatArray:
    rate = evaporation.uno_rate(concrete_temperature, air_temperature, humidity, wind_speed)
    return evaporation.evaporation_over_bleed(rate, bleed_rate)


def _saturation_time(
    w_cm: FloatArray,
    air: FloatArray,
    cementitious: FloatArray,
    hydration: FloatArray,
    filling_rate: FloatArray,
    wet_share: FloatArray,
) -> FloatArray:
    """Years until a wet joint is critically saturated, at least 0.01."""
    full = saturation.matrix_saturation(saturation.matrix_pores(cementitious, w_cm, hydration), air)
    days = saturation.time_to_critical(full, rate=filling_rate, wet_share=wet_share)
    return np.maximum(days / saturation.DAYS_PER_YEAR, _SHORTEST)


def _relative_panel_length(
    panel_length: FloatArray, thickness: FloatArray, modulus: FloatArray, subgrade: FloatArray
) -> FloatArray:
    return slab.relative_panel_length(panel_length, slab.radius_of_relative_stiffness(modulus, thickness, subgrade))


def _pull_off_ratio(strength: FloatArray, required: FloatArray) -> FloatArray:
    """Mean pull-off strength (ASTM C1583) over the strength that the specification asks for."""
    return np.asarray(strength / required)


def _unsound_share(
    cores: FloatArray, unsound: FloatArray, prevalence: FloatArray, clustering: FloatArray, sensitivity: FloatArray
) -> FloatArray:
    """Expected unsound share of the road given n cores of which x were unsound.

    The share has a beta law of mean p and intra-class correlation rho; x is binomial with chance
    sensitivity x share. With a sensitivity of 1 this is (a + x) / (a + b + n), a = p (1 - rho) / rho,
    b = (1 - p)(1 - rho) / rho (conjugate; textbook statistics).
    """
    if (unsound > cores).any():
        count = int(np.sum(unsound > cores))
        raise RiskModelError(f"more cores are unsound than were drilled in {count} sections. Correct one of the two.")
    mean, rho, found = (np.reshape(value, (-1, 1)) for value in (prevalence, clustering, sensitivity))
    both = (1.0 - rho) / rho
    share = np.clip(betaincinv(mean * both, (1.0 - mean) * both, _ROAD), 1e-12, 1.0 - 1e-12)
    hit = found * share
    log_chance = unsound[:, None] * np.log(hit) + (cores - unsound)[:, None] * np.log1p(-hit)
    weight = np.exp(log_chance - log_chance.max(axis=1, keepdims=True))
    return np.asarray((weight * share).sum(axis=1) / weight.sum(axis=1))


_TEMPERATURE = Argument("degC", 2.0, 45.0)
_AIR = Argument("degC", -25.0, 45.0)
_WIND = Argument("m/s", 0.0, 25.0)
_HUMIDITY = Argument("fraction", 0.0, 1.0)
_W_CM = Argument("mass ratio", 0.25, 0.8)
_DELAY = Argument("h", 0.0, 336.0)
_SLAB = Argument("m", 0.02, 1.0)
_CEMENT = Argument("kg/m3", 200.0, 600.0)
_SHARE = Argument("fraction", 0.0, 1.0)

MECHANICS: Mapping[str, MechanicsFunction] = MappingProxyType(
    {
        "thickness_ratio": MechanicsFunction(
            thickness.thickness_ratio, "ratio", {"provided": _SLAB, "required": _SLAB}
        ),
        "hours_past_limit": MechanicsFunction(_past_limit, "h", {"cut_after": _DELAY, "limit": _DELAY}),
        "hours_past_sawing_window": MechanicsFunction(
            _past_window,
            "h",
            {
                "cut_after": _DELAY,
                "thickness": Argument("m", 0.02, 0.7),
                "mix_temperature": _TEMPERATURE,
                "air_mean": _AIR,
                "air_half_swing": Argument("degC of difference", 0.0, 20.0),
                "wind_speed": _WIND,
                "humidity": _HUMIDITY,
                "noon_sun": Argument("W/m2", 0.0, 1200.0),
                "paving_clock": Argument("h", 0.0, 24.0),
                "cementitious": _CEMENT,
                "w_cm": _W_CM,
                "strength": Argument("MPa", 15.0, 90.0),
                "friction": Argument("number", 0.1, 10.0),
            },
        ),
        "evaporation_over_bleed": MechanicsFunction(
            _evaporation_over_bleed,
            "ratio",
            {
                "concrete_temperature": Argument("degC", -10.0, 60.0),
                "air_temperature": Argument("degC", -10.0, 60.0),
                "humidity": _HUMIDITY,
                "wind_speed": _WIND,
                "bleed_rate": Argument("kg/(m2 h)", 1e-3, 5.0),
            },
        ),
        "saturation_time": MechanicsFunction(
            _saturation_time,
            "years",
            {
                "w_cm": _W_CM,
                "air": Argument("fraction", 0.001, 0.15),
                "cementitious": Argument("kg/m3", 100.0, 800.0),
                "hydration": _SHARE,
                "filling_rate": Argument("1/sqrt(day)", 1e-5, 0.1),
                "wet_share": Argument("fraction", 0.01, 1.0),
            },
        ),
        "relative_panel_length": MechanicsFunction(
            _relative_panel_length,
            "ratio",
            {
                "panel_length": Argument("m", 0.3, 100.0),
                "thickness": _SLAB,
                "modulus": Argument("MPa", 5000.0, 60_000.0),
                "subgrade": Argument("MN/m3", 1.0, 1000.0),
            },
        ),
        "pull_off_ratio": MechanicsFunction(
            _pull_off_ratio,
            "ratio",
            {"strength": Argument("MPa", 0.01, 10.0), "required": Argument("MPa", 0.1, 10.0)},
        ),
        "unsound_share": MechanicsFunction(
            _unsound_share,
            "fraction",
            {
                "cores": Argument("number", 0.0, 10_000.0),
                "unsound": Argument("number", 0.0, 10_000.0),
                "prevalence": Argument("fraction", 0.001, 0.999),
                "clustering": Argument("fraction", 0.001, 0.99),
                "sensitivity": Argument("fraction", 0.01, 1.0),
            },
        ),
    }
)
"""Every function that `[indicator.NAME]` may name."""
