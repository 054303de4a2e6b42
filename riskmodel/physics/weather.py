"""Weather for a young slab: a described day, a station's hourly table, or a seeded day with noise.

All kinds answer one question: the air at a clock time counted from the first midnight.
"""

from __future__ import annotations

import csv
from collections.abc import Mapping
from dataclasses import dataclass
from datetime import datetime, timedelta
from itertools import islice
from pathlib import Path
from typing import NamedTuple, Protocol, Self

import numpy as np
from numpy.typing import ArrayLike

from riskmodel.errors import Faults, InputError
from riskmodel.physics.limits import FloatArray, LimitError, within

__all__ = ["Air", "Day", "HourlyWeather", "Weather", "WeatherError", "read_hourly_weather", "synthetic_weather"]

_HUMIDITY = "Give relative humidity as a fraction of one, not in percent"


class WeatherError(InputError):
    """Faults of an hourly weather table."""


class Air(NamedTuple):
    """State of the air.

    Attributes
    ----------
    temperature : ndarray
        degC.
    wind_speed : ndarray
        m/s about 0.5 m above the slab.
    humidity : ndarray
        Relative humidity, fraction.
    sun : ndarray
        Solar radiation on a level surface, W/m2.
    """

    temperature: FloatArray
    wind_speed: FloatArray
    humidity: FloatArray
    sun: FloatArray


class Weather(Protocol):
    """What a slab needs to know of the weather."""

    @property
    def shape(self) -> tuple[int, ...]:
        """Shape of the samples; () where all share one weather."""

    @property
    def mean_temperature(self) -> FloatArray:
        """Mean air temperature, degC."""

    def at(self, clock: FloatArray) -> Air:
        """The air at a clock time, h from the first midnight."""

    def samples(self, shape: tuple[int, ...], part: slice) -> Self:
        """The weather of a part of the flattened samples."""


@dataclass(frozen=True, kw_only=True)
class Day:
    """A day that repeats: cosine of temperature, half sine of sunshine (arrays broadcast over samples).

    Parameters
    ----------
    mean, half_swing : array_like
        Air temperature, degC: mean -25 to 45, half the daily range 0 to 20.
    wind_speed : array_like
        m/s about 0.5 m above the slab, 0 to 25.
    humidity : array_like
        Relative humidity, fraction 0 to 1.
    noon_sun : array_like
        Solar radiation at noon, W/m2, 0 to 1200; 800 is a bright summer day (common practice, no source).
    warmest_hour, sunrise, sunset : array_like
        Clock hours.

    Raises
    ------
    LimitError
        A value outside its limits.

    Notes
    -----
    ``T = mean + half_swing cos[2 pi (clock - warmest)/24]``;
    ``sun = noon_sun sin[pi (clock - sunrise)/(sunset - sunrise)]`` between sunrise and sunset.
    """

    mean: ArrayLike
    half_swing: ArrayLike = 8.0
    wind_speed: ArrayLike = 3.0
    humidity: ArrayLike = 0.5
    noon_sun: ArrayLike = 800.0
    warmest_hour: ArrayLike = 15.0
    sunrise: ArrayLike = 6.0
    sunset: ArrayLike = 18.0

    def __post_init__(self) -> None:
        limits: Mapping[str, tuple[float, float, str, str]] = {
            "mean": (-25, 45, "degC", ""),
            "half_swing": (0, 20, "degC", ""),
            "wind_speed": (0, 25, "m/s", ""),
            "humidity": (0, 1, "", _HUMIDITY),
            "noon_sun": (0, 1200, "W/m2", ""),
            "warmest_hour": (0, 24, "h", ""),
            "sunrise": (0, 11.9, "h", ""),
            "sunset": (12.1, 24, "h", ""),
        }
        for name, (low, high, unit, remedy) in limits.items():
            object.__setattr__(self, name, within(name, getattr(self, name), low, high, unit, remedy=remedy))

    @property
    def shape(self) -> tuple[int, ...]:
        """Shape of the samples."""
        return np.broadcast_shapes(*(np.shape(value) for value in vars(self).values()))

    @property
    def mean_temperature(self) -> FloatArray:
        """Mean air temperature, degC."""
        return np.asarray(self.mean, dtype=np.float64)

    def at(self, clock: FloatArray) -> Air:
        """The air at a clock time.

        Parameters
        ----------
        clock : ndarray
            h from the first midnight, broadcasting with the samples.

        Returns
        -------
        Air
            Broadcast shape.
        """
        day = {name: np.asarray(value, dtype=np.float64) for name, value in vars(self).items()}
        temperature = day["mean"] + day["half_swing"] * np.cos(2 * np.pi / 24 * (clock - day["warmest_hour"]))
        share = (np.mod(clock, 24) - day["sunrise"]) / (day["sunset"] - day["sunrise"])
        sun = day["noon_sun"] * np.sin(np.pi * np.clip(share, 0.0, 1.0))
        return Air(temperature, day["wind_speed"], day["humidity"], sun)

    def samples(self, shape: tuple[int, ...], part: slice) -> Day:
        """The day of a part of the samples.

        Parameters
        ----------
        shape : tuple of int
            Shape all samples broadcast to.
        part : slice
            Of the flattened samples.

        Returns
        -------
        Day
            One-dimensional fields.
        """
        return Day(**{name: flat_part(np.asarray(value), shape, part) for name, value in vars(self).items()})


@dataclass(frozen=True, kw_only=True)
class HourlyWeather:
    """A series all samples share, interpolated between its rows.

    Parameters
    ----------
    hours : array_like, shape (n,)
        Clock hours from the first midnight, increasing, no gap over 3 h.
    temperature : array_like, shape (n,)
        degC, -40 to 55.
    wind_speed : array_like, shape (n,)
        m/s about 0.5 m above the slab, 0 to 40.
    humidity : array_like, shape (n,)
        Fraction.
    sun : array_like, shape (n,)
        W/m2, 0 to 1400.

    Raises
    ------
    LimitError
        A value outside its limits, unequal lengths, or a gap.
    """

    hours: ArrayLike
    temperature: ArrayLike
    wind_speed: ArrayLike
    humidity: ArrayLike
    sun: ArrayLike

    GAP = 3.0
    """Longest step between rows, h."""

    def __post_init__(self) -> None:
        limits: Mapping[str, tuple[float, float, str, str]] = {
            "hours": (0, np.inf, "h", ""),
            "temperature": (-40, 55, "degC", ""),
            "wind_speed": (0, 40, "m/s", ""),
            "humidity": (0, 1, "", _HUMIDITY),
            "sun": (0, 1400, "W/m2", ""),
        }
        for name, (low, high, unit, remedy) in limits.items():
            object.__setattr__(self, name, within(name, getattr(self, name), low, high, unit, remedy=remedy))
        sizes = {name: np.shape(value) for name, value in vars(self).items()}
        if len(set(sizes.values())) != 1 or len(sizes["hours"]) != 1 or sizes["hours"][0] < 2:
            raise LimitError(f"The series must be rows of one length, two at least; got {sizes}. Give equal lengths.")
        within("steps of `hours`", np.diff(np.asarray(self.hours)), 1e-3, self.GAP, "h", remedy="Fill the gap")

    def from_day(self, day: int) -> HourlyWeather:
        """The series from the midnight of a later day, so that clock hours count from there.

        Parameters
        ----------
        day : int
            0 for the first day of the series.

        Returns
        -------
        HourlyWeather
            Rows from that midnight on.

        Raises
        ------
        LimitError
            A day the series does not hold.
        """
        hours = np.asarray(self.hours) - 24 * day
        within("day", day, 0, self.days - 1, remedy="Choose a day of the series")
        kept = hours >= 0
        rows = {name: np.asarray(value)[kept] for name, value in vars(self).items() if name != "hours"}
        return HourlyWeather(hours=hours[kept], **rows)

    @property
    def days(self) -> int:
        """Days that have an hour at least, the first counted from its midnight."""
        return int((float(np.asarray(self.hours)[-1]) - 1) // 24) + 1

    @property
    def shape(self) -> tuple[int, ...]:
        """One weather for all samples."""
        return ()

    @property
    def mean_temperature(self) -> FloatArray:
        """Mean of the series, degC."""
        return np.asarray(np.asarray(self.temperature, dtype=np.float64).mean())

    def at(self, clock: FloatArray) -> Air:
        """The air at a clock time, linear between rows.

        Parameters
        ----------
        clock : ndarray
            h from the first midnight.

        Returns
        -------
        Air
            Shape of `clock`.

        Raises
        ------
        LimitError
            A time outside the series.
        """
        hours = np.asarray(self.hours)
        remedy = "Give weather from the start of paving to the end of the hours looked at, or look at fewer hours"
        time = within("clock", clock, float(hours[0]), float(hours[-1]), "h from the first midnight", remedy=remedy)
        rows = (self.temperature, self.wind_speed, self.humidity, self.sun)
        return Air(*(np.interp(time, hours, np.asarray(row)) for row in rows))

    def samples(self, shape: tuple[int, ...], part: slice) -> HourlyWeather:
        """Itself: all samples share the series."""
        return self


def synthetic_weather(
    day: Day,
    rng: np.random.Generator,
    *,
    hours: int = 120,
    temperature_sd: float = 1.5,
    wind_cv: float = 0.4,
    persistence: float = 0.85,
) -> HourlyWeather:
    """A seeded hourly series around a described day.

    Parameters
    ----------
    day : Day
        Scalars: the day around which the weather varies.
    rng : numpy.random.Generator
        Named stream; the same state gives the same series.
    hours : int
        Length, 2 to 2000; the first row is midnight.
    temperature_sd : float
        Standard deviation of the departure from the day's course, degC, 0 to 6.
    wind_cv : float
        Coefficient of variation of the wind, 0 to 1.
    persistence : float
        Correlation from hour to hour, 0 to 0.99.

    Returns
    -------
    HourlyWeather
        Temperature with autoregressive normal noise, wind with autoregressive lognormal noise of
        mean one, humidity and sun of the day.

    Raises
    ------
    LimitError
        A value outside its limits, or a day with samples.

    Notes
    -----
    Invented weather for a demonstration; the spreads are judgement, no measurement behind them.
    """
    if day.shape != ():
        raise LimitError(f"`day` must describe one day; got samples of shape {day.shape}. Give scalars.")
    count = int(within("hours", hours, 2, 2000, "h"))
    spread = float(within("temperature_sd", temperature_sd, 0, 6, "degC"))
    log_sd = np.sqrt(np.log1p(float(within("wind_cv", wind_cv, 0, 1)) ** 2))
    clock = np.arange(count, dtype=np.float64)
    air = day.at(clock)
    wind = air.wind_speed * np.exp(log_sd * _persistent(rng, count, persistence) - log_sd**2 / 2)
    return HourlyWeather(
        hours=clock,
        temperature=air.temperature + spread * _persistent(rng, count, persistence),
        wind_speed=np.minimum(wind, 40.0),
        humidity=np.broadcast_to(air.humidity, clock.shape),
        sun=air.sun,
    )


def _persistent(rng: np.random.Generator, count: int, persistence: float) -> FloatArray:
    """Stationary autoregressive normal noise of unit variance."""
    rho = float(within("persistence", persistence, 0, 0.99))
    shocks = rng.standard_normal(count)
    noise = np.empty(count)
    noise[0] = shocks[0]
    for i in range(1, count):
        noise[i] = rho * noise[i - 1] + np.sqrt(1 - rho**2) * shocks[i]
    return noise


# column -> (field, factor, offset, lowest, highest in the column's unit); one column a field
_COLUMNS: Mapping[str, tuple[str, float, float, float, float]] = {
    "air_c": ("temperature", 1.0, 0.0, -40, 55),
    "air_f": ("temperature", 5 / 9, -160 / 9, -40, 130),
    "wind_m_s": ("wind_speed", 1.0, 0.0, 0, 40),
    "wind_mph": ("wind_speed", 0.44704, 0.0, 0, 89),
    "wind_km_h": ("wind_speed", 1 / 3.6, 0.0, 0, 143),
    "humidity_percent": ("humidity", 0.01, 0.0, 0, 100),
    "sun_w_m2": ("sun", 1.0, 0.0, 0, 1400),
}
_MOST_ROWS = 20_000


def read_hourly_weather(path: Path) -> HourlyWeather:
    """Read a station's hourly table.

    Parameters
    ----------
    path : Path
        CSV, UTF-8, with a header and the columns `time` (local, ISO 8601 as 2031-07-14T09:00),
        `air_c` or `air_f`, `wind_m_s`, `wind_mph` or `wind_km_h`, `humidity_percent`, `sun_w_m2`.
        Other columns are refused. Wind belongs to about 0.5 m above the slab: reduce a mast's
        reading first.

    Returns
    -------
    HourlyWeather
        Hours counted from the midnight before the first row.

    Raises
    ------
    WeatherError
        All faults of the table together.
    """
    faults = Faults(path.name)
    try:
        with path.open(newline="", encoding="utf-8-sig") as file:
            lines = list(islice(csv.reader(file), _MOST_ROWS + 2))
    except (OSError, UnicodeDecodeError, csv.Error) as error:
        faults.add(
            "the file must be a readable CSV in UTF-8", got=type(error).__name__, remedy="Save it again as CSV UTF-8"
        )
        raise WeatherError(list(faults)) from error
    fields = _header(lines[0] if lines else [], faults)
    if not 3 <= len(lines) <= _MOST_ROWS + 1:
        faults.add(
            f"two to {_MOST_ROWS} rows are needed", got=len(lines) - 1, remedy="Give the days around paving only"
        )
    faults.raise_any(WeatherError)
    table = _body(lines, fields, faults)
    faults.raise_any(WeatherError)
    return HourlyWeather(**table)


def _header(names: list[str], faults: Faults) -> dict[str, int]:
    """Position of every column, faults noted."""
    known = {name.strip(): place for place, name in enumerate(names)}
    for name in known:
        if name != "time" and name not in _COLUMNS:
            faults.add("the column is unknown", row=1, column=name, remedy=f"Known: time, {', '.join(_COLUMNS)}")
    if len(known) != len(names):
        faults.add("a column stands twice", row=1, got=", ".join(names), remedy="Keep one")
    if "time" not in known:
        faults.add("the column is missing", row=1, column="time", remedy="Add local times as 2031-07-14T09:00")
    for field in ("temperature", "wind_speed", "humidity", "sun"):
        choices = [name for name, rule in _COLUMNS.items() if rule[0] == field]
        present = [name for name in choices if name in known]
        if len(present) != 1:
            got = ", ".join(present)
            faults.add(
                f"one column of {', '.join(choices)} is needed", row=1, got=got, remedy="Give exactly one of them"
            )
    return known


def _body(lines: list[list[str]], places: Mapping[str, int], faults: Faults) -> dict[str, list[float]]:
    """The series, faults noted."""
    table: dict[str, list[float]] = {name: [] for name in ("hours", "temperature", "wind_speed", "humidity", "sun")}
    midnight: datetime | None = None
    for row, cells in enumerate(lines[1:], start=2):
        if not cells:  # a blank line, mostly the last
            continue
        if len(cells) != len(places):
            faults.add(f"{len(places)} cells are needed", row=row, got=len(cells), remedy="Check the commas of the row")
            continue
        time = _time(cells[places["time"]], row, faults)
        if time is not None:
            midnight = midnight or time.replace(hour=0, minute=0, second=0, microsecond=0)
            table["hours"].append(_since(midnight, time, table["hours"], row, faults))
        for name, place in places.items():
            if name != "time":
                field, factor, offset, low, high = _COLUMNS[name]
                table[field].append(_number(cells[place], name, low, high, row, faults) * factor + offset)
    return table


def _time(text: str, row: int, faults: Faults) -> datetime | None:
    try:
        time = datetime.fromisoformat(text.strip())
    except ValueError:
        time = None
    if time is None or time.tzinfo is not None:
        remedy = "Write local time as 2031-07-14T09:00, without zone"
        faults.add("the time must be local and in ISO 8601", row=row, column="time", got=text, remedy=remedy)
        return None
    return time


def _since(midnight: datetime, time: datetime, before: list[float], row: int, faults: Faults) -> float:
    hours = (time - midnight) / timedelta(hours=1)
    if before and not 0 < hours - before[-1] <= HourlyWeather.GAP:
        rule = f"times must increase by at most {HourlyWeather.GAP:g} h from row to row"
        faults.add(rule, row=row, column="time", got=time.isoformat(), remedy="Sort the rows or fill the gap")
    return hours


def _number(text: str, column: str, low: float, high: float, row: int, faults: Faults) -> float:
    try:
        value = np.nan if "_" in text else float(text)
    except ValueError:
        value = np.nan
    if not low <= value <= high:
        rule = f"a number between {low:g} and {high:g} is needed"
        faults.add(
            rule, row=row, column=column, got=text or "nothing", remedy="Fill the cell or drop the rows before it"
        )
    return value


def flat_part(value: FloatArray, shape: tuple[int, ...], part: slice) -> FloatArray:
    """A part of the flattened samples; a value all share stays one number."""
    if value.size == 1:
        return value.reshape(1)
    return np.broadcast_to(value, shape).reshape(-1)[part]
