"""When to saw: early enough that the slab does not crack at random, late enough that the joint does not ravel.

The level of the chances rests on walls and mass pours and looks high against paving practice: the
`intercept` on the log-odds is there to be learnt (about -1.5 to -2 expected, judgement). The shape
over hours, weather and base is what the mechanics give.

Known weakness: for a slab paved in the morning the evening sets the latest time, so that it moves
less with the warmth of the day than practice says (about 6 h at 32 degC, 18 to 24 h at 10 degC;
common practice, no source), and in the cold the earliest time moves more.

The window informs a crew; local standards, the concrete and the engineer on the job decide.
Sawing raises silica dust and works beside fresh, caustic concrete: cut wet and wear protection.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy.special import expit, logit

from riskmodel.physics.early_age import cracking_index_at, cracking_probability
from riskmodel.physics.hydration import degree_of_hydration, strength_fraction
from riskmodel.physics.limits import FloatArray, LimitError, within
from riskmodel.physics.maturity import setting_degree
from riskmodel.physics.young_slab import History, SawingCase, over_chunks

__all__ = [
    "CHANCE_LIMITS",
    "RAVELLING_WIDTH",
    "SawingCase",
    "SawingWindow",
    "judged_random_cracking",
    "random_cracking_probability",
    "ravelling_probability",
    "sawing_window",
]

CHANCE_LIMITS = (1e-4, 1 - 1e-4)
"""Chances are clipped to these, so that their log-odds stay finite (convention)."""

RAVELLING_WIDTH = 0.6
"""Strength over which ravelling fades, MPa (judgement, no measurement behind it)."""


@dataclass(frozen=True)
class SawingWindow:
    """Hours after placing between which a slab can be sawn, one a sample.

    Attributes
    ----------
    initial_set_h, final_set_h : ndarray
        h; infinite if not reached within the hours looked at.
    earliest_h : ndarray
        Final set, or the strength the saw needs if that comes later, h.
    latest_h : ndarray
        First time at which the chance of a random crack exceeds the limit, h, not before final
        set; infinite if it does not within the hours looked at.
    has_window : ndarray of bool
        Earliest before latest.
    peak_temperature : ndarray
        Highest mean temperature of the slab, degC.
    """

    initial_set_h: FloatArray
    final_set_h: FloatArray
    earliest_h: FloatArray
    latest_h: FloatArray
    has_window: NDArray[np.bool_]
    peak_temperature: FloatArray


def sawing_window(
    case: SawingCase,
    *,
    p_max: float = 0.05,
    intercept: ArrayLike = 0.0,
    horizon: float = 72.0,
    step: float = 0.25,
    chunk: int = 4096,
    workers: int = 1,
) -> SawingWindow:
    """Earliest and latest time to saw.

    Parameters
    ----------
    case : SawingCase
        Slabs, any shape.
    p_max : float
        Chance of a random crack still accepted, 0.001 to 0.5; 0.05 is stress at 0.54 of strength.
    intercept : array_like
        Shift of the chance on the log-odds, a scalar or the case's shape.
    horizon, step : float
        Hours looked at (1 to 168) and time step (0.02 to 0.5), h.
    chunk, workers : int
        Slabs at a time and threads; the result does not depend on them.

    Returns
    -------
    SawingWindow
        Arrays of the case's shape.

    Raises
    ------
    LimitError
        A setting outside its limits, or weather that ends before the horizon.

    Notes
    -----
    ``earliest = max(t_final_set, t(fc = saw_strength))``; ``latest = first t with P > p_max``,
    ``P = 1 - exp[-(ft / (0.92 sigma))^-4.29]`` shifted by the intercept; see `young_slab.march`.

    References
    ----------
    Okamoto et al., FHWA-RD-91-079 (1994, from memory) for the strength at sawing; JCI guideline
    (2008, from memory) for the chance. Level: judgement.
    """
    limit = within("p_max", p_max, 0.001, 0.5)
    ceiling = np.broadcast_to(1 / cracking_index_at(limit, intercept=intercept), case.shape).reshape(-1)

    def window(history: History, part: slice) -> tuple[FloatArray, ...]:
        start, final, firm = (_time_of(history.hours, history.degree, level) for level in _levels(history.case))
        late = _time_of(history.hours, history.stress_ratio, ceiling[part])
        return start, final, np.maximum(final, firm), np.maximum(late, final), history.temperature.max(axis=0)

    parts = over_chunks(case, window, horizon=horizon, step=step, chunk=chunk, workers=workers)
    initial, final, earliest, latest, peak = (
        np.concatenate(field).reshape(case.shape) for field in zip(*parts, strict=True)
    )
    return SawingWindow(initial, final, earliest, latest, np.asarray(earliest < latest), peak)


def random_cracking_probability(
    case: SawingCase,
    hours_after_final_set: ArrayLike,
    *,
    intercept: ArrayLike = 0.0,
    horizon: float = 72.0,
    step: float = 0.25,
    chunk: int = 4096,
    workers: int = 1,
) -> FloatArray:
    """Chance that a slab has cracked at random by the time it is sawn.

    Parameters
    ----------
    case : SawingCase
        Slabs, any shape.
    hours_after_final_set : array_like, shape (k,) or ()
        Delay of the cut, h, at least 0.
    intercept : array_like
        Shift on the log-odds, to be learnt; a scalar or the case's shape.
    horizon, step, chunk, workers
        As for `sawing_window`.

    Returns
    -------
    ndarray, shape (k, ...) or (...)
        Largest chance up to the cut, within `CHANCE_LIMITS`; the lower limit for a slab that does
        not set within the horizon.

    Raises
    ------
    LimitError
        A setting outside its limits, or a cut after the horizon.

    References
    ----------
    As for `sawing_window`.
    """
    shift = np.broadcast_to(np.asarray(intercept, dtype=np.float64), case.shape).reshape(-1)
    delays = within("hours_after_final_set", hours_after_final_set, 0, 168, "h")

    def chance(history: History, part: slice) -> FloatArray:
        worst = np.maximum.accumulate(history.stress_ratio, axis=0)
        ratio = _at_delay(history, worst, delays.reshape(-1), before_set=0.0)
        with np.errstate(divide="ignore"):
            return cracking_probability(1 / ratio, intercept=shift[part])

    parts = over_chunks(case, chance, horizon=horizon, step=step, chunk=chunk, workers=workers)
    return np.clip(np.concatenate(parts, axis=1).reshape(delays.shape + case.shape), *CHANCE_LIMITS)


def ravelling_probability(
    case: SawingCase,
    hours_after_final_set: ArrayLike,
    *,
    horizon: float = 72.0,
    step: float = 0.25,
    chunk: int = 4096,
    workers: int = 1,
) -> FloatArray:
    """Chance that the cut ravels because the concrete is still too weak for the saw.

    Parameters
    ----------
    case : SawingCase
        Slabs, any shape.
    hours_after_final_set : array_like, shape (k,) or ()
        Delay of the cut, h, at least 0.
    horizon, step, chunk, workers
        As for `sawing_window`.

    Returns
    -------
    ndarray, shape (k, ...) or (...)
        ``logistic[(saw_strength - fc) / 0.6 MPa]`` within `CHANCE_LIMITS`; the strength before
        setting counts as 0.

    Raises
    ------
    LimitError
        A setting outside its limits, or a cut after the horizon.

    References
    ----------
    Judgement, no measurement behind the width; strength at sawing as for `sawing_window`.
    """
    delays = within("hours_after_final_set", hours_after_final_set, 0, 168, "h")

    def chance(history: History, part: slice) -> FloatArray:
        flat = history.case
        grown = strength_fraction(degree_of_hydration(28 * 24.0, flat.mix), flat.mix)
        degree = _at_delay(history, history.degree, delays.reshape(-1), before_set=0.0)
        strength = np.asarray(flat.strength_28) * (strength_fraction(degree, flat.mix) / grown) ** 1.5
        return expit((np.asarray(flat.saw_strength) - strength) / RAVELLING_WIDTH)

    parts = over_chunks(case, chance, horizon=horizon, step=step, chunk=chunk, workers=workers)
    return np.clip(np.concatenate(parts, axis=1).reshape(delays.shape + case.shape), *CHANCE_LIMITS)


def judged_random_cracking(
    hours_late: ArrayLike,
    *,
    depth_missing: ArrayLike = 0.0,
    cold_front: ArrayLike = False,
    panel_length: ArrayLike = 4.5,
    uncut_spacing: ArrayLike = 27.0,
) -> FloatArray:
    """Chance of a random crack in a panel by rule of judgement, beside the mechanics.

    Parameters
    ----------
    hours_late : array_like
        Hours past the latest time to saw, -24 to 168.
    depth_missing : array_like
        Share of the intended saw depth that is missing, 0 to 1.
    cold_front : array_like of bool
        The air drops by more than 14 degC (25 degF) in the first night.
    panel_length : array_like
        m, 0.5 to 10.
    uncut_spacing : array_like
        Distance at which an uncut slab cracks, m, 9 to 46 (30 to 150 ft).

    Returns
    -------
    ndarray
        ``min(cap, expit(logit(.003) + .25 H + 4 s + 1.2 F))``, cap = panel over spacing, at most 1.

    Raises
    ------
    LimitError
        A value outside its limits.

    References
    ----------
    Judgement, no measurement behind it. That timing and depth both bear strongly on random
    cracking: Darter, 11th Int. Conf. on Concrete Pavements, abstract (page not seen).
    """
    late = within("hours_late", hours_late, -24, 168, "h")
    missing = within("depth_missing", depth_missing, 0, 1, "of the depth")
    front = np.asarray(cold_front, dtype=np.bool_)
    cap = within("panel_length", panel_length, 0.5, 10, "m") / within("uncut_spacing", uncut_spacing, 9, 46, "m")
    chance = expit(logit(0.003) + 0.25 * late + 4.0 * missing + 1.2 * front)
    return np.minimum(np.minimum(cap, 1.0), chance)


def _levels(case: SawingCase) -> tuple[FloatArray, FloatArray, FloatArray]:
    """Degrees of hydration at initial set, final set and the strength the saw needs."""
    start, final = setting_degree(case.mix.w_cm)
    grown = strength_fraction(degree_of_hydration(28 * 24.0, case.mix), case.mix)
    firm = grown * np.cbrt(np.asarray(case.saw_strength) / np.asarray(case.strength_28)) ** 2
    return start, final, start + firm * (case.mix.ultimate - start)


def _time_of(hours: FloatArray, curve: FloatArray, level: FloatArray) -> FloatArray:
    """First time at which each column of a curve exceeds its level, linear between steps; else infinite."""
    above = curve > level
    at = np.maximum(above.argmax(axis=0), 1)
    column = np.arange(curve.shape[1])
    low, high = curve[at - 1, column], curve[at, column]
    with np.errstate(divide="ignore", invalid="ignore"):
        share = np.clip((level - low) / (high - low), 0.0, 1.0)
    time = hours[at - 1] + share * (hours[at] - hours[at - 1])
    return np.where(above.any(axis=0), time, np.inf)


def _at_delay(history: History, curve: FloatArray, delays: FloatArray, *, before_set: float) -> FloatArray:
    """The curve at delays after final set, shape (k, m)."""
    final = _time_of(history.hours, history.degree, _levels(history.case)[1])
    when = delays[:, np.newaxis] + final
    end = history.hours[-1]
    beyond = np.isfinite(when) & (when > end)
    if beyond.any():
        need = float(when[beyond].max())
        raise LimitError(
            f"`horizon` must reach the last cut at {need:.1f} h after placing; got {end:g}. Raise `horizon`."
        )
    place = np.where(np.isfinite(when), when, 0.0) / (history.hours[1] - history.hours[0])
    low = np.minimum(place.astype(np.int64), history.hours.size - 2)
    column = np.arange(curve.shape[1])
    value = curve[low, column] + (place - low) * (curve[low + 1, column] - curve[low, column])
    return np.where(np.isfinite(when), value, before_set)
