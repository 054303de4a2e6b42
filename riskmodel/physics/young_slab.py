"""A young slab, step by step: temperature, hydration, and stress over tensile strength.

One mean temperature a slab with a parabolic profile under its surface; stress added up step by
step while the concrete stiffens. Many slabs at once, in chunks of bounded memory.
"""

from __future__ import annotations

from collections.abc import Callable
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass, fields

import numpy as np
from numpy.typing import ArrayLike

from riskmodel.physics.early_age import base_drag_stress, elastic_modulus, tensile_strength
from riskmodel.physics.evaporation import uno_kernel
from riskmodel.physics.hydration import REFERENCE_TEMPERATURE, Hydration, degree_of_hydration, strength_fraction
from riskmodel.physics.limits import FloatArray, caution, within
from riskmodel.physics.maturity import GAS_CONSTANT, KELVIN, setting_degree
from riskmodel.physics.weather import Weather, flat_part

__all__ = ["History", "SawingCase", "flattened", "march", "over_chunks"]

HEAT_CAPACITY = 2.4e6
"""Concrete, J/(m3 K) (2400 kg/m3, 1.0 kJ/(kg K); common practice, no source)."""

CONDUCTIVITY = 2.0
"""Concrete, W/(m K) (common practice, no source)."""

RADIATION = 5.0
"""Linear exchange of long-wave radiation with air, W/(m2 K) (common practice, no source)."""

SKY_LOSS = 50.0
"""Extra long-wave loss to a mostly clear sky, W/m2 (judgement)."""

SUN_TAKEN = 0.6
"""Share of sunshine a fresh grey surface takes up (judgement; a white curing compound takes less)."""

BASE_CONDUCTANCE = 4.0
"""Heat flow to the base, W/(m2 K) (judgement; a semi-infinite soil falls through this in the first day)."""

LATENT_HEAT = 2.45e6
"""Evaporating water, J/kg."""

SHRINKAGE_PER_WATER = 1.0e-5
"""Strain per kg/m3 of water lost (judgement: 500e-6 for the 50 kg/m3 that leave in drying)."""

POISSON = 0.15

MATURE = 0.3
"""Share of structure at which creep has fallen to its early-age level; below it the share of stress
kept falls with the root of the structure (judgement: freshly set concrete relaxes most of its stress)."""


@dataclass(frozen=True, kw_only=True)
class SawingCase:
    """Slabs to be sawn: mix, thickness, base, time of paving, weather (arrays broadcast over samples).

    Parameters
    ----------
    mix : Hydration
        From `hydration.hydration_of`.
    cementitious : array_like
        kg/m3, 200 to 600.
    strength_28 : array_like
        Compressive strength at 28 days, MPa, 15 to 90.
    thickness : array_like
        m, 0.05 to 0.6.
    mix_temperature : array_like
        Concrete as placed, degC, 2 to 45; validated 5 to 38.
    paving_clock : array_like
        Clock hour of placing, 0 to 24.
    weather : Weather
        `Day`, or `HourlyWeather` from the first midnight.
    friction : array_like
        Slab on base, 0.1 to 10 (`early_age.BASE_FRICTION`).
    bonded : array_like of bool
        A bonded overlay is held without limit: friction caps nothing.
    uncut_length : array_like
        Length over which friction builds up before a crack, m, 3 to 200. Default 30: uncut slabs
        first crack at about 9 to 45 m (common practice, no source).
    expansion : array_like
        Coefficient of thermal expansion, 1/K, 4e-6 to 16e-6.
    modulus_28 : array_like or None
        MPa, 10 000 to 60 000; None for `early_age.elastic_modulus`.
    autogenous_strain : array_like
        Contraction by complete hydration, 0 to 5e-4.
    curing_hour : array_like
        Curing compound sprayed or cover laid, h after placing, 0 to 72.
    evaporation_after_curing : array_like
        Share of the free evaporation that passes the curing, 0 to 1 (0.05 judgement; 1 for no curing).
    relaxation : array_like
        Share of the elastic stress that creep leaves, 0.3 to 1; 0.5 to 0.65 in the first days
        (common practice, no source).
    ground_temperature : array_like or None
        Base, degC, -25 to 50; None for the mean of the air.
    saw_strength : array_like
        Compressive strength at which the saw no longer ravels the joint, MPa, 0.3 to 15. A
        conventional saw needs about 2 to 7 by hardness of the aggregate (Okamoto et al.,
        FHWA-RD-91-079, 1994, from memory), an early-entry saw about 1.

    Raises
    ------
    LimitError
        A value outside its limits.

    Warns
    -----
    RangeWarning
        A mix temperature outside the validated range.
    """

    mix: Hydration
    cementitious: ArrayLike
    strength_28: ArrayLike
    thickness: ArrayLike
    mix_temperature: ArrayLike
    paving_clock: ArrayLike
    weather: Weather
    friction: ArrayLike = 1.5
    bonded: ArrayLike = False
    uncut_length: ArrayLike = 30.0
    expansion: ArrayLike = 9.9e-6
    modulus_28: ArrayLike | None = None
    autogenous_strain: ArrayLike = 43e-6
    curing_hour: ArrayLike = 1.0
    evaporation_after_curing: ArrayLike = 0.05
    relaxation: ArrayLike = 0.6
    ground_temperature: ArrayLike | None = None
    saw_strength: ArrayLike = 3.0

    def __post_init__(self) -> None:
        if self.modulus_28 is None:
            object.__setattr__(self, "modulus_28", elastic_modulus(self.strength_28))
        if self.ground_temperature is None:
            object.__setattr__(self, "ground_temperature", self.weather.mean_temperature)
        for name, (low, high, unit, remedy) in _LIMITS.items():
            object.__setattr__(self, name, within(name, getattr(self, name), low, high, unit, remedy=remedy))
        object.__setattr__(self, "bonded", np.asarray(self.bonded, dtype=np.bool_))
        note = "Retarded or frozen mixes set by other rules"
        caution("mix_temperature", np.asarray(self.mix_temperature), 5, 38, "degC", because=note)

    @property
    def shape(self) -> tuple[int, ...]:
        """Shape of the samples."""
        own = [np.shape(getattr(self, name)) for name in (*_LIMITS, "bonded")]
        return np.broadcast_shapes(*own, *(np.shape(value) for value in vars(self.mix).values()), self.weather.shape)


_CELSIUS_PER = "Give it in 1/K: 5.5e-6 per degF is 9.9e-6 per K"
_LIMITS: dict[str, tuple[float, float, str, str]] = {
    "cementitious": (200, 600, "kg/m3", ""),
    "strength_28": (15, 90, "MPa", ""),
    "thickness": (0.05, 0.6, "m", ""),
    "mix_temperature": (2, 45, "degC", ""),
    "paving_clock": (0, 24, "h", ""),
    "friction": (0.1, 10, "", ""),
    "uncut_length": (3, 200, "m", ""),
    "expansion": (4e-6, 16e-6, "1/K", _CELSIUS_PER),
    "modulus_28": (10_000, 60_000, "MPa", ""),
    "autogenous_strain": (0, 5e-4, "", "Give strain as a number, not in 1e-6"),
    "curing_hour": (0, 72, "h", ""),
    "evaporation_after_curing": (0, 1, "", ""),
    "relaxation": (0.3, 1, "", ""),
    "ground_temperature": (-25, 50, "degC", ""),
    "saw_strength": (0.3, 15, "MPa", ""),
}


@dataclass(frozen=True)
class History:
    """The course of a chunk of slabs: n times, m slabs.

    Attributes
    ----------
    hours : ndarray, shape (n,)
        h after placing.
    degree : ndarray, shape (n, m)
        Degree of hydration.
    temperature : ndarray, shape (n, m)
        Mean temperature, degC.
    stress_ratio : ndarray, shape (n, m)
        Tension at the surface over tensile strength; 0 before final set and in compression.
    case : SawingCase
        The slabs, flattened.
    """

    hours: FloatArray
    degree: FloatArray
    temperature: FloatArray
    stress_ratio: FloatArray
    case: SawingCase


def march(case: SawingCase, *, horizon: float, step: float) -> History:
    """Follow flattened slabs from placing to the horizon.

    Parameters
    ----------
    case : SawingCase
        Fields of shape (1,) or (m,).
    horizon, step : float
        h.

    Returns
    -------
    History
        n = horizon/step + 1 times.

    Notes
    -----
    ``rho c h dT/dt = H C h dalpha/dt - q - U (T - T_base)``;
    ``q = [(5.6 + 4.0 V + 5)(T - Ta) + sky + latent - a sun] / (1 + H h / 3k)`` with a parabolic
    profile over an insulated base, so that top and bottom differ by ``q h / 2k``.
    Axial stress ``sum K E (-cte dT + autogenous + drying)``, capped by the drag ``gamma L f / 2``
    unless bonded; curl stress ``sum K E (cte d(q h/2k) + d(drying difference)) / (2 (1 - nu))`` of
    a slab held flat. Drying falls linearly with depth; before initial set
    there is no stiffness, so that water lost then strains nothing. E grows with sqrt(x), tensile
    strength with x (`hydration.strength_fraction`); the relaxation K with sqrt(x) up to x = 0.3.
    The temperature of the middle of a step is extrapolated from the last step (second order).

    References
    ----------
    Heat balance and incremental stress: own assembly of textbook parts; convection after McAdams
    (from memory). Level of the result: judgement.
    """
    hours = np.arange(round(horizon / step) + 1, dtype=np.float64) * step
    samples = case.shape[0]
    degree, temperature, ratio = (np.zeros((hours.size, samples)) for _ in range(3))
    slab = _Slab(case, step)
    temperature[0] = case.mix_temperature
    for i in range(1, hours.size):
        degree[i], temperature[i], ratio[i] = slab.advance(hours[i - 1])
    return History(hours, degree, temperature, ratio, case)


class _Slab:
    """State of the march; one step at a time."""

    def __init__(self, case: SawingCase, step: float):
        value = {f.name: np.asarray(getattr(case, f.name)) for f in fields(case) if f.name not in ("mix", "weather")}
        mix = case.mix
        self.case, self.mix, self.step, self.value = case, mix, step, value
        self.set = setting_degree(mix.w_cm)
        grown = strength_fraction(degree_of_hydration(28 * 24.0, mix), mix)
        self.tensile = tensile_strength(value["strength_28"]) / grown
        self.stiffness = value["modulus_28"] / np.sqrt(grown) * value["relaxation"]
        self.cap = np.where(value["bonded"], np.inf, base_drag_stress(value["uncut_length"], value["friction"]))
        self.log_tau = np.log(mix.time_constant)
        self.heating = mix.heat * value["cementitious"] * 1000 / HEAT_CAPACITY
        self.cooling = step * 3600 / (HEAT_CAPACITY * value["thickness"])
        self.depth = value["thickness"] / (2 * CONDUCTIVITY)
        shape = (case.shape[0],)
        self.temperature = np.broadcast_to(value["mix_temperature"], shape).astype(np.float64)
        self.change, self.age, self.degree = np.zeros(shape), np.zeros(shape), np.zeros(shape)
        self.built, self.axial, self.curl, self.difference = (np.zeros(shape) for _ in range(4))

    def advance(self, hour: float) -> tuple[FloatArray, FloatArray, FloatArray]:
        """One step from `hour`: degree of hydration, temperature, stress over strength."""
        middle = self.temperature + 0.5 * self.change
        degree = self._hydrate(middle)
        difference, water = self._surface(middle, hour)
        loss = self.cooling * BASE_CONDUCTANCE * (middle - self.value["ground_temperature"])
        flux = difference / self.depth
        self.change = self.heating * (degree - self.degree) - self.cooling * flux - loss
        self.temperature = self.temperature + self.change
        ratio = self._stress(degree, difference, water)
        self.degree, self.difference = degree, difference
        return degree, self.temperature, ratio

    def _hydrate(self, middle: FloatArray) -> FloatArray:
        scale = self.mix.activation_energy / GAS_CONSTANT
        rate = np.exp(scale * (1 / (REFERENCE_TEMPERATURE + KELVIN) - 1 / (middle + KELVIN)))
        self.age = self.age + rate * self.step
        return self.mix.ultimate * np.exp(-np.exp(self.mix.shape * (self.log_tau - np.log(self.age))))

    def _surface(self, middle: FloatArray, hour: float) -> tuple[FloatArray, FloatArray]:
        """Difference of bottom and top temperature, degC, and water lost in the step, kg/m2."""
        air = self.case.weather.at(self.value["paving_clock"] + hour + 0.5 * self.step)
        open_share = np.clip((self.value["curing_hour"] - hour) / self.step, 0.0, 1.0)
        passing = open_share + (1 - open_share) * self.value["evaporation_after_curing"]
        evaporation = passing * uno_kernel(middle, air.temperature, air.humidity, air.wind_speed)
        exchange = 5.6 + 4.0 * air.wind_speed + RADIATION
        gain = SUN_TAKEN * air.sun - SKY_LOSS - evaporation * (LATENT_HEAT / 3600)
        flux = (exchange * (middle - air.temperature) - gain) / (1 + exchange * self.depth / 1.5)
        return flux * self.depth, evaporation * self.step

    def _stress(self, degree: FloatArray, difference: FloatArray, water: FloatArray) -> FloatArray:
        start, final = self.set
        built = np.maximum(degree - start, 0.0) / (self.mix.ultimate - start)
        middle = 0.5 * (built + self.built)
        stiffness = self.stiffness * np.sqrt(middle * np.minimum(middle / MATURE, 1.0))
        drying = SHRINKAGE_PER_WATER / self.value["thickness"] * water
        shrinking = self.value["autogenous_strain"] * (built - self.built) + drying
        self.axial = self.axial + stiffness * (shrinking - self.value["expansion"] * self.change)
        bending = self.value["expansion"] * (difference - self.difference) + 2 * drying
        self.curl = self.curl + stiffness * bending / (2 * (1 - POISSON))
        self.built = built
        tension = np.minimum(self.axial, self.cap) + self.curl
        # Before final set strength is near nothing and so is the stress: their ratio means nothing.
        return np.where(degree >= final, np.maximum(tension, 0.0) / np.maximum(self.tensile * built, 1e-9), 0.0)


def flattened(case: SawingCase, part: slice) -> SawingCase:
    """A part of the slabs as one row; what all share stays one number.

    Parameters
    ----------
    case : SawingCase
        Any shape.
    part : slice
        Of the flattened slabs.

    Returns
    -------
    SawingCase
        Fields of shape (1,) or (m,).
    """
    shape = case.shape
    mix = Hydration(**{name: flat_part(np.asarray(value), shape, part) for name, value in vars(case.mix).items()})
    values = {name: flat_part(np.asarray(getattr(case, name)), shape, part) for name in (*_LIMITS, "bonded")}
    # One field carries the number of slabs, whatever all others share.
    values["thickness"] = np.broadcast_to(np.asarray(case.thickness), shape).reshape(-1)[part]
    flat = object.__new__(SawingCase)  # checked already; a warning a chunk would say the same again
    for name, value in {"mix": mix, "weather": case.weather.samples(shape, part), **values}.items():
        object.__setattr__(flat, name, value)
    return flat


def over_chunks[T](
    case: SawingCase, work: Callable[[History, slice], T], *, horizon: float, step: float, chunk: int, workers: int
) -> list[T]:
    """Work on the histories of all slabs, a chunk at a time.

    Parameters
    ----------
    case : SawingCase
        Any shape.
    work : callable
        What to keep of a history, given the part of the flattened slabs it belongs to; the
        history itself is dropped.
    horizon, step : float
        h: 1 to 168, and 0.02 to 0.5.
    chunk : int
        Slabs at a time and thread: 4096 slabs over 72 h take about 30 MB.
    workers : int
        Threads, 1 to 64. The result does not depend on them.

    Returns
    -------
    list
        In order of the flattened slabs.

    Raises
    ------
    LimitError
        A setting outside its limits.
    """
    span = float(within("horizon", horizon, 1, 168, "h"))
    dt = float(within("step", step, 0.02, 0.5, "h"))
    size = int(within("chunk", chunk, 1, 1_000_000))
    threads = int(within("workers", workers, 1, 64))

    flat = flattened(case, slice(None))

    def one(first: int) -> T:
        part = slice(first, first + size)
        return work(march(flattened(flat, part), horizon=span, step=dt), part)

    starts = range(0, flat.shape[0], size)
    if threads == 1:
        return [one(first) for first in starts]
    with ThreadPoolExecutor(threads) as pool:
        return list(pool.map(one, starts))
