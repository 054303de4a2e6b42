"""What deleting the poor performers does to a pooled line, beside what preventing early failures does to life.

A line through condition against age mixes the leverage of early failures, the loss of sections that
were removed, and selection on the outcome. The life distribution with every early mechanism taken
away says what prevention would move: low quantiles much, the mean little.
"""

from __future__ import annotations

import warnings
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, field

import numpy as np
import pandas as pd
import xarray as xr
from numpy.typing import NDArray

from .deletion import RESAMPLES, Deletion, Line, Sightings, draw_lines, usual_deletions, validate_deletions
from .errors import Fault, RiskModelWarning, StoreError
from .measures import CURRENT_PRACTICE
from .notebook import facts
from .outcomes import extrapolated, quantities, values
from .records import Records

__all__ = [
    "AGES",
    "ASSURED",
    "Exclusion",
    "LifeShift",
    "compare_lives",
    "exclude",
    "exclude_where_possible",
    "exclusion_table",
    "share_of_shift",
    "table_of",
]

ASSURED = {"assured_age_p95_c95": "b05_age", "assured_age_p90_c95": "b10_age", "assured_age_p80_c95": "b20_age"}
"""Ages that 95, 90 and 80 % outlive with 95 % credibility, average programme, and the quantile each bounds."""
AGES = ("b05_age", "b10_age", "b20_age", "median_age", "restricted_mean_age")
"""Life quantities in years that are set beside the lines."""
NO_INTERVAL = (float("nan"), float("nan"))
ENDS = ("value", "lower", "upper")
ROUNDING = 1e-6  # years: a line without its deleted sections added up in another order
Floats = NDArray[np.float64]


# -------------------------------------------------------------------------------------------------- life


@dataclass(frozen=True)
class LifeShift:
    """One quantity of the life distribution with the early mechanisms and without.

    Parameters
    ----------
    name, unit : str
    with_early, without_early, gain : tuple of float
        Mean over draws and the ends of the central 90 % interval; the ends are NaN where there is none.
    extrapolated : tuple of float
        Share of each of the three beyond the observed ages, 0 to 1.
    """

    name: str
    unit: str
    with_early: tuple[float, float, float]
    without_early: tuple[float, float, float]
    gain: tuple[float, float, float]
    extrapolated: tuple[float, float, float]


def compare_lives(
    survival: Floats, ages: Floats, *, early_age: float, horizon: float, observed_to: float
) -> tuple[LifeShift, ...]:
    """Life quantities of the same programme with the early mechanisms and without.

    Parameters
    ----------
    survival : ndarray (sample, 2, age)
        With, and without. One sample stands for known curves, which have no interval.
    ages : ndarray (age,), years
    early_age, horizon : float
        Years; means are taken up to the horizon.
    observed_to : float
        Years; what lies beyond is extrapolated.

    Returns
    -------
    tuple of LifeShift
        `early_failure_probability`, the ages of `AGES` and, from draws, those of `ASSURED`.
    """
    names = [CURRENT_PRACTICE, "without"]
    units = quantities(early_age, ())
    # an age beyond the grid counts as its end, so that means exist
    value = np.minimum(values(survival, ages, names, early_age, horizon, ()), ages[-1])
    beyond = extrapolated(value, survival, ages, names, observed_to, horizon, early_age, ())
    place = {name: i for i, name in enumerate(units)}
    found = []
    for name in ("early_failure_probability", *AGES):
        q = place[name]
        gain = value[:, 1, q] - value[:, 0, q]
        # the mean's gain lies where the curves differ, an age's where the later age lies
        far = beyond[1, place["life_gain"] if name == "restricted_mean_age" else q]
        parts = (_summary(value[:, 0, q]), _summary(value[:, 1, q]), _summary(gain))
        found.append(LifeShift(name, units[name], *parts, (float(beyond[0, q]), float(beyond[1, q]), float(far))))
    if len(survival) > 1:
        found += [_assured(name, value[:, :, place[of]], observed_to) for name, of in ASSURED.items()]
    return tuple(found)


def _summary(draws: Floats) -> tuple[float, float, float]:
    if len(draws) == 1:
        return float(draws[0]), *NO_INTERVAL
    lower, upper = np.quantile(draws, (0.05, 0.95))
    return float(draws.mean()), float(lower), float(upper)


def _assured(name: str, value: Floats, observed_to: float) -> LifeShift:
    """A bound over draws: one number, without an interval of its own."""
    with_early, without = (float(age) for age in np.quantile(value, 0.05, axis=0))
    far_with, far_without = float(with_early > observed_to), float(without > observed_to)
    parts = (with_early, *NO_INTERVAL), (without, *NO_INTERVAL), (without - with_early, *NO_INTERVAL)
    return LifeShift(name, "years", *parts, (far_with, far_without, far_without))


# ------------------------------------------------------------------------------------------- the two together


@dataclass(frozen=True)
class Exclusion:
    """The lines beside the life distribution.

    Parameters
    ----------
    sightings : Sightings
    lines : tuple of Line
        Empty where there is no reading.
    life : tuple of LifeShift
    survival : ndarray (sample, 2, age)
        Share not yet failed with the early mechanisms and without.
    ages : ndarray (age,), years
    early_age, horizon, observed_to : float
        Years.
    planned : bool
        Whether life is that of a table of planned sections and not of the sections that the lines go through.
    """

    sightings: Sightings
    lines: tuple[Line, ...]
    life: tuple[LifeShift, ...]
    survival: Floats
    ages: Floats
    early_age: float
    horizon: float
    observed_to: float
    planned: bool = field(default=False, kw_only=True)

    def quantity(self, name: str) -> LifeShift:
        """A quantity of the life distribution."""
        return next(shift for shift in self.life if shift.name == name)

    def _repr_html_(self) -> str:
        lines = [(line.words, *_said(line.age, "years"), *_said(line.shift, "moved")) for line in self.lines]
        life = [(s.name, *_said(s.with_early, "with"), *_said(s.without_early, "without"), *_said(s.gain, "gain"))
                for s in self.life]  # fmt: skip
        return facts("Lines reach the threshold", lines) + facts("Life with and without the early mechanisms", life)


def _said(ends: tuple[float, float, float], what: str) -> tuple[str]:
    value, lower, upper = ends
    return (f"{what} {value:.3g}" + (f" ({lower:.3g} to {upper:.3g})" if np.isfinite([lower, upper]).all() else ""),)


def exclude(
    records: Records,
    simulation: xr.Dataset,
    *,
    deletions: Sequence[Deletion] | None = None,
    seed: int,
    resamples: int = RESAMPLES,
) -> Exclusion:
    """The exclusion check of a study.

    Parameters
    ----------
    records : Records
    simulation : Dataset of kind `simulation`
    deletions : sequence of Deletion, optional
        Default: `usual_deletions`.
    seed : int
    resamples : int

    Returns
    -------
    Exclusion

    Raises
    ------
    ExclusionError
        When there is no reading, or a deletion leaves no line.
    StoreError
        When the simulation does not say how long sections last without the early mechanisms.
    """
    sightings, early_age = Sightings.of_records(records), float(simulation.attrs["early_age"])
    asked = usual_deletions(sightings.threshold, early_age) if deletions is None else deletions
    lines = draw_lines(sightings, asked, early_age=early_age, seed=seed, resamples=resamples)
    life, survival, settings = _lives(simulation)
    planned = simulation.attrs["programme"] == "table"
    return Exclusion(sightings, lines, life, survival, simulation["age"].values, planned=planned, **settings)


def _lives(simulation: xr.Dataset) -> tuple[tuple[LifeShift, ...], Floats, dict[str, float]]:
    """Life quantities of a finished simulation, its curves (sample, 2, age), and its ages of interest."""
    if "survival_without_early" not in simulation:
        raise StoreError(
            "the simulation was made by an earlier riskmodel and does not say how long sections last without the "
            "early mechanisms. Run the study again."
        )
    now = simulation["survival"].sel(portfolio=CURRENT_PRACTICE).transpose("sample", "age").values
    without = simulation["survival_without_early"].transpose("sample", "age").values
    survival = np.stack([now, without], axis=1).astype(float)
    settings = {name: float(simulation.attrs[name]) for name in ("early_age", "horizon", "observed_to")}
    if settings["observed_to"] < 0:
        settings["observed_to"] = np.inf
    return compare_lives(survival, simulation["age"].values, **settings), survival, settings


def exclusion_table(records: Records | None, simulation: xr.Dataset, *, seed: int) -> pd.DataFrame:
    """The exclusion check of a finished simulation as a table; what cannot be drawn is left out with a warning.

    Parameters
    ----------
    records : Records or None
        None for a study on the priors alone: then only the life distribution is stated.
    simulation : Dataset of kind `simulation`
    seed : int

    Returns
    -------
    DataFrame
        See `table_of`.

    Warns
    -----
    RiskModelWarning
        For every line that cannot be drawn.
    """
    found, faults = exclude_where_possible(records, simulation, seed=seed)
    for fault in faults:
        warnings.warn(f"No line can be drawn for the exclusion check: {fault}", RiskModelWarning, stacklevel=2)
    return table_of(found.lines, found.life)


def exclude_where_possible(
    records: Records | None, simulation: xr.Dataset, *, seed: int
) -> tuple[Exclusion, tuple[Fault, ...]]:
    """The exclusion check with the usual deletions, without the lines that cannot be drawn.

    Parameters
    ----------
    records : Records or None
        None for a study on the priors alone: then there are lives and no line.
    simulation : Dataset of kind `simulation`
    seed : int

    Returns
    -------
    tuple of Exclusion and tuple of Fault
        Why a line cannot be drawn, for each that is left out.
    """
    early_age = float(simulation.attrs["early_age"])
    sightings = Sightings.of_records(records) if records is not None else Sightings.none()
    asked = usual_deletions(sightings.threshold, early_age) if records is not None else ()
    faults = {deletion: validate_deletions(sightings, [deletion]) for deletion in asked}
    possible = [deletion for deletion, wrong in faults.items() if not wrong]
    lines = draw_lines(sightings, possible, early_age=early_age, seed=seed) if possible else ()
    life, survival, settings = _lives(simulation)
    planned = simulation.attrs["programme"] == "table"
    found = Exclusion(sightings, lines, life, survival, simulation["age"].values, planned=planned, **settings)
    return found, tuple(fault for wrong in faults.values() for fault in wrong)


def table_of(lines: Sequence[Line], life: Sequence[LifeShift]) -> pd.DataFrame:
    """Lines, life and the part of each line's shift that each quantity really moves.

    Parameters
    ----------
    lines : sequence of Line
        That of all sections first.
    life : sequence of LifeShift

    Returns
    -------
    DataFrame
        Columns `part` (`line`, `line_shift`, `with_early`, `without_early`, `gain`, `share_of_shift`), `name` (line or
        life quantity), `of` (for shares: the line), `unit`, `value`, `lower`, `upper` (90 %: over resampled
        sections for lines, over draws for life; none for a share, which is a ratio), `sections`, `readings`,
        `never_reached`, `share_extrapolated`. An infinite age: the line never reaches the threshold.
    """
    columns = ["part", "name", "of", "unit", "value", "lower", "upper", "sections", "readings", "never_reached",
               "share_extrapolated"]  # fmt: skip
    rows = [*_line_rows(lines), *_life_rows(life), *_share_rows(lines[1:], life)]
    return pd.DataFrame(rows, columns=columns)


def _row(part: str, name: str, unit: str, ends: tuple[float, float, float], **others: object) -> dict[str, object]:
    return {"part": part, "name": name, "of": "", "unit": unit, **dict(zip(ENDS, ends, strict=True)), **others}


def _line_rows(lines: Sequence[Line]) -> Iterator[dict[str, object]]:
    for line in lines:
        counts = {"sections": line.sections, "readings": line.readings, "never_reached": line.never}
        yield _row("line", line.name, "years", line.age, **counts)
    for line in lines[1:]:
        yield _row("line_shift", line.name, "years", line.shift)


def _life_rows(life: Sequence[LifeShift]) -> Iterator[dict[str, object]]:
    for shift in life:
        parts = {"with_early": shift.with_early, "without_early": shift.without_early, "gain": shift.gain}
        for (part, ends), far in zip(parts.items(), shift.extrapolated, strict=True):
            yield _row(part, shift.name, shift.unit, ends, share_extrapolated=far)


def _share_rows(lines: Sequence[Line], life: Sequence[LifeShift]) -> Iterator[dict[str, object]]:
    for line in lines:
        for shift in life:
            share = share_of_shift(line, shift)
            if shift.unit == "years" and share is not None:
                yield _row("share_of_shift", shift.name, "1", (share, *NO_INTERVAL), of=line.name)


def share_of_shift(line: Line, shift: LifeShift) -> float | None:
    """Gain of a life quantity over the shift of a line.

    Parameters
    ----------
    line : Line
    shift : LifeShift

    Returns
    -------
    float or None
        None unless the line surely moves up: the lower end of its shift is positive and the shift finite.
    """
    moved, lower, _ = line.shift
    return shift.gain[0] / moved if np.isfinite(moved) and lower > ROUNDING else None
