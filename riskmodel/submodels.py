"""Sub-models of mechanics: what a measure does to the log-odds of a failure, from inputs a committee can judge.

Each takes samples of its inputs and gives the change of the log-odds with the measure, negative where
it helps. They are first-order pictures of one mechanism; `riskmodel.physicalpriors` shrinks and widens
what they say before it becomes a prior.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass
from types import MappingProxyType

import numpy as np
from scipy.special import logit

from riskmodel.distribution import FloatArray
from riskmodel.physics import fatigue, hydration, interlayer, internal_curing, joints, sawing, survey, weather

__all__ = ["CHANCES", "SUBMODELS", "Input", "SubModel"]

CHANCES = (1e-4, 1.0 - 1e-4)
"""Chances are held inside these before their log-odds are taken."""

_DELAYS = np.arange(25.0)  # h after final set: chances are interpolated between whole hours
_HORIZON = 60.0  # h after placing: final set of the coldest mix and a day


@dataclass(frozen=True)
class Input:
    """One input of a sub-model.

    Parameters
    ----------
    unit : str
        Unit that the prior file states.
    lowest, highest : float
        Draws are taken inside these limits.
    """

    unit: str
    lowest: float
    highest: float


@dataclass(frozen=True)
class SubModel:
    """A sub-model.

    Parameters
    ----------
    words : str
        What it works out, for a report.
    change : callable
        (samples by input, rng) to the change of the log-odds, arrays of shape (sample,).
    inputs : mapping of str to Input
        All of them are needed.
    draws : int
        Samples that it is worth.
    """

    words: str
    change: Callable[[Mapping[str, FloatArray], np.random.Generator], FloatArray]
    inputs: Mapping[str, Input]
    draws: int = 4000


def _survey(x: Mapping[str, FloatArray], rng: np.random.Generator) -> FloatArray:
    """More cores against usual ones: chance to find hidden trouble, and Bayes' rule on early failure."""
    shared = {name: value for name, value in x.items() if not name.startswith("cores_")}
    now, before = (survey.pre_survey_effect(np.rint(x[name]), **shared) for name in ("cores_with", "cores_without"))
    return now.log_odds - before.log_odds


def _separation(x: Mapping[str, FloatArray], rng: np.random.Generator) -> FloatArray:
    """Chance that a working joint cracks the overlay, by the chance that the overlay locks up over it."""
    joint = interlayer.WorkingJoint(
        movement=joints.joint_movement(
            x["slab_length"], temperature_drop=x["temperature_drop"], expansion=x["expansion"], restraint=x["restraint"]
        ),
        modulus=x["modulus"],
        strength=x["strength"],
        overlay_length=x["overlay_length"],
        friction=x["friction"],
        gauge_length=x["gauge_length"],
        relaxation=x["relaxation"],
    )
    return interlayer.separation_effect(x["lock_up_with"], x["lock_up_without"], joint)


def _sawing(x: Mapping[str, FloatArray], rng: np.random.Generator) -> FloatArray:
    """Chance of a random crack by the time of the cut, sooner against later (the level cancels)."""
    chances = _random_cracking(x, x["autogenous_strain"])
    return _at(chances, x["delay_with"]) - _at(chances, x["delay_without"])


def _curing_and_cracking(x: Mapping[str, FloatArray], rng: np.random.Generator) -> FloatArray:
    """Chance of a random crack at one time of the cut, without the autogenous strain that curing water stops."""
    plain, cured = (_random_cracking(x, x["autogenous_strain"] * kept) for kept in (1.0, 1.0 - x["supplied"]))
    return _at(cured, x["delay"]) - _at(plain, x["delay"])


def _curing_and_warping(x: Mapping[str, FloatArray], rng: np.random.Generator) -> FloatArray:
    """Slabs that crack by warping and load: odds = damage ^ exponent, damage falls with the longer fatigue life."""
    water = internal_curing.curing_water(x["cementitious"], x["w_cm"])
    carrier = {name: x[name] for name in ("absorption", "desorption", "saturation")}
    supplied = internal_curing.supplied_share(x["aggregate"], water, **carrier)
    state = internal_curing.SlabState(
        strength=x["strength"],
        expansion=x["expansion"],
        warping=x["warping"],
        stress_ratio=x["stress_ratio"],
        curling=x["curling"],
    )
    law = rng.integers(len(fatigue.LAWS), size=supplied.shape)  # the laws lie far apart and none is known to be right
    longer = [
        internal_curing.internal_curing_effect(
            supplied, state, water_cement=x["w_cm"], law=name, warping_share=x["warping_share"]
        ).life_multiplier
        for name in fatigue.LAWS
    ]
    return -x["exponent"] * np.log(np.clip(np.choose(law, longer), *_LONGER))


_LONGER = (1.0, 100.0)  # a law without fatigue below some stress gives infinite lives; they are held here


def _random_cracking(x: Mapping[str, FloatArray], autogenous: FloatArray) -> FloatArray:
    """Log-odds of a random crack by whole hours after final set, shape (hour, sample)."""
    case = sawing.SawingCase(
        mix=hydration.hydration_of(hydration.Binder(), x["w_cm"]),
        cementitious=x["cementitious"],
        strength_28=x["strength"],
        thickness=x["thickness"],
        mix_temperature=x["mix_temperature"],
        paving_clock=x["paving_clock"],
        weather=weather.Day(mean=x["air_mean"], half_swing=x["air_half_swing"], wind_speed=x["wind_speed"]),
        friction=x["friction"],
        expansion=x["expansion"],
        autogenous_strain=autogenous,
    )
    chance = sawing.random_cracking_probability(case, _DELAYS, horizon=_HORIZON)
    return np.asarray(logit(np.clip(chance, *CHANCES)))


def _at(by_hour: FloatArray, delay: FloatArray) -> FloatArray:
    """Linear between whole hours; shape (sample,)."""
    low = np.minimum(delay.astype(np.int64), len(_DELAYS) - 2)
    column = np.arange(delay.size)
    return by_hour[low, column] + (delay - low) * (by_hour[low + 1, column] - by_hour[low, column])


_SHARE = Input("probability", 1e-4, 1.0 - 1e-4)
_EXPANSION = Input("1/degC", 6e-6, 15e-6)
_CEMENT = Input("kg/m3", 220.0, 600.0)
_STRENGTH = Input("MPa", 20.0, 70.0)
_PAVING: Mapping[str, Input] = {
    "thickness": Input("m", 0.05, 0.40),
    "mix_temperature": Input("degC", 10.0, 37.0),
    "air_mean": Input("degC", 0.0, 38.0),
    "air_half_swing": Input("degC", 1.0, 18.0),
    "wind_speed": Input("m/s", 0.0, 15.0),
    "paving_clock": Input("h", 5.0, 20.0),
    "cementitious": _CEMENT,
    "w_cm": Input("mass ratio", 0.30, 0.60),
    "strength": _STRENGTH,
    "friction": Input("dimensionless", 0.5, 10.0),
    "expansion": _EXPANSION,
    "autogenous_strain": Input("strain", 0.0, 4e-4),
}
_HOURS = Input("h", 0.0, 24.0)

SUBMODELS: Mapping[str, SubModel] = MappingProxyType(
    {
        "pre_survey": SubModel(
            "cores, what they find, and early failure by Bayes' rule",
            _survey,
            {
                "cores_with": Input("number", 0.0, 1000.0),
                "cores_without": Input("number", 0.0, 1000.0),
                "prevalence": _SHARE,
                "clustering": Input("correlation", 0.0, 0.95),
                "sensitivity": _SHARE,
                "hidden": _SHARE,
                "untreated": _SHARE,
                "treated": _SHARE,
                "sound": _SHARE,
            },
        ),
        "separation_fabric": SubModel(
            "movement of the old joint, lock-up and stress of the overlay over it",
            _separation,
            {
                "lock_up_with": _SHARE,
                "lock_up_without": _SHARE,
                "slab_length": Input("m", 1.0, 40.0),
                "temperature_drop": Input("degC", 0.0, 60.0),
                "expansion": _EXPANSION,
                "restraint": Input("dimensionless", 0.1, 1.0),
                "modulus": Input("MPa", 10_000.0, 60_000.0),
                "strength": Input("MPa", 0.5, 8.0),
                "overlay_length": Input("m", 0.5, 40.0),
                "friction": Input("dimensionless", 0.1, 10.0),
                "gauge_length": Input("m", 0.1, 3.0),
                "relaxation": Input("dimensionless", 0.1, 1.0),
            },
        ),
        "prompt_sawing": SubModel(
            "heat, shrinkage and strength of the young slab, and the chance of a random crack before the cut",
            _sawing,
            {**_PAVING, "delay_with": _HOURS, "delay_without": _HOURS},
            draws=1000,
        ),
        "curing_and_cracking": SubModel(
            "autogenous strain that curing water stops, and the chance of a random crack before the cut",
            _curing_and_cracking,
            {**_PAVING, "delay": _HOURS, "supplied": Input("fraction", 0.0, 1.0)},
            draws=1000,
        ),
        "curing_and_warping": SubModel(
            "curing water, warping, stress and fatigue life, and the share of slabs cracked",
            _curing_and_warping,
            {
                "aggregate": Input("kg/m3", 0.0, 500.0),
                "cementitious": _CEMENT,
                "w_cm": Input("mass ratio", 0.25, 0.45),
                "absorption": Input("mass ratio", 0.05, 0.5),
                "desorption": Input("fraction", 0.3, 1.0),
                "saturation": Input("fraction", 0.1, 1.0),
                "strength": _STRENGTH,
                "expansion": _EXPANSION,
                "warping": Input("degC", 0.0, 20.0),
                "stress_ratio": Input("dimensionless", 0.2, 0.9),
                "curling": Input("dimensionless", 0.0, 1.1),
                "warping_share": Input("fraction", 0.0, 1.0),
                "exponent": Input("dimensionless", 0.5, 4.0),
            },
        ),
    }
)
"""Every sub-model that an effect may name."""
