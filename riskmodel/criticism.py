"""The calibrated model set against the records that it was calibrated to.

Three tables. `fit_table`: ages at removal and ages at failure by life table and by the model.
`readings_table`: where the readings lie among readings simulated for the same sections at the same ages.
`moved_table`: what the priors said of the life quantities and what the records made of it.
"""

from __future__ import annotations

import warnings
from collections.abc import Iterator, Mapping
from itertools import pairwise
from typing import TYPE_CHECKING

import numpy as np
import pandas as pd
import xarray as xr
from numpy.typing import NDArray
from scipy.special import ndtri

from .errors import RiskModelWarning
from .lifetable import kaplan_meier, survival_at, turnbull
from .lives import Draws
from .measures import CURRENT_PRACTICE, Portfolio
from .priors import PriorSet
from .programme import programme_from_records
from .records import Records
from .replicas import SAMPLES, Replicas, draw_replicas
from .simulate import simulate
from .streams import stream

if TYPE_CHECKING:
    from .calibrate import Calibration

__all__ = ["criticise", "fit_table", "moved_table", "readings_table", "residual_ranks", "threshold_curves"]

CURVES = 40
"""Simulated records of which a life table is made."""
AT_RISK = 20
"""Sections that an age needs to enter a life table."""
LEVELS = (0.05, 0.5, 0.95)
CLASSES = (0.0, 5.0, 10.0, 15.0, 20.0, 30.0, np.inf)
"""Ages that part the readings, years."""
FEWEST = 20
"""Readings of an age class, and simulated readings to rank one among."""
Z90 = float(ndtri(0.95))
Floats = NDArray[np.float64]
Flags = NDArray[np.bool_]


def criticise(
    calibration: Calibration,
    simulation: xr.Dataset,
    programme: xr.Dataset,
    records: Records,
    priors: PriorSet,
    *,
    score_shift: Mapping[str, float] | None = None,
) -> dict[str, pd.DataFrame]:
    """Every table of this module, by name.

    Parameters
    ----------
    calibration : Calibration
        To `records`.
    simulation : Dataset of kind `simulation`
    programme : Dataset
        The programme of the simulation.
    records : Records
    priors : PriorSet
    score_shift : mapping of root to float, optional
        As in the simulation.

    Returns
    -------
    dict of str to DataFrame
        `fit`, `readings`, `moved`.
    """
    posterior, seed = calibration.posterior, int(simulation.attrs["seed"])
    own, attrs = simulation, simulation.attrs
    if attrs["programme"] != "records" or score_shift:  # lives of the records' own sections, as they were
        own = simulate(
            posterior, programme_from_records(records.sections, priors), priors, portfolios=(), seed=seed,
            early_age=float(attrs["early_age"]), horizon=float(attrs["horizon"]), ages=(), samples=SAMPLES,
        )  # fmt: skip
    replicas = draw_replicas(posterior, records, priors, seed=seed)
    return {
        "fit": fit_table(posterior, own, records, replicas),
        "readings": readings_table(replicas, seed=seed),
        "moved": moved_table(
            calibration.tree["prior"].to_dataset(), simulation, programme, priors, score_shift=score_shift
        ),
    }


# ------------------------------------------------------------------------------------ fit of the life curve


def fit_table(
    posterior: xr.Dataset, simulation: xr.Dataset, records: Records, replicas: Replicas | None = None
) -> pd.DataFrame:
    """Share of sections neither removed nor failed, by life table and by the model.

    Parameters
    ----------
    posterior : Dataset (chain, draw, ...)
    simulation : Dataset of kind `simulation`
        Of the records' own sections.
    records : Records
    replicas : Replicas, optional
        For the second curve: simulated records go through the same life table.

    Returns
    -------
    DataFrame
        Columns `curve`, `age`, `given`, `at_risk`, `recorded`, `recorded_lower`, `recorded_upper`, `model`,
        `lower`, `upper`. Curve `in_service`: Kaplan-Meier of the ages at removal with Greenwood's 90 %
        interval, beside the model's survival delayed by the removal lag (mean and 90 % interval over draws).
        Curve `above_threshold`: Turnbull of the intervals between readings, beside the same of simulated
        records (middle and 5 to 95 %). Both among sections that reached the age `given`.
    """
    rows = [*_in_service(posterior, simulation, records)]
    if replicas is not None and len(replicas.age):
        rows += _above_threshold(replicas, records)
    columns = ["curve", "age", "given", "at_risk", "recorded", "recorded_lower", "recorded_upper"]
    return pd.DataFrame(rows, columns=[*columns, "model", "lower", "upper"])


def _in_service(posterior: xr.Dataset, simulation: xr.Dataset, records: Records) -> Iterator[tuple[object, ...]]:
    sections = records.sections
    removed = sections["age_removed"].values.astype(float)
    leave = np.where(np.isnan(removed), sections["age_in_service"].values, removed)
    entry = sections["age_entry"].values.astype(float)
    seen = leave > entry
    ages, at_risk = _ages_at_risk(entry[seen], leave[seen])
    if not len(ages) or not np.isfinite(removed[seen]).any():
        return
    given = ages[0]
    upper = np.where(np.isnan(removed), np.inf, removed)
    table = kaplan_meier(leave[seen], upper[seen], entry[seen], from_age=given)
    at = survival_at(table, ages)["survival_lower"].values
    error = np.concatenate([[0.0], table["standard_error"].values])
    error = error[np.searchsorted(table["age"].values, ages, side="right")]
    curve = _kept_in_service(posterior, simulation)
    grid = simulation["age"].values
    model = np.stack([np.interp(ages, grid, one) / np.interp(given, grid, one) for one in curve])
    low, high = np.quantile(model, (0.05, 0.95), axis=0)
    for i, age in enumerate(ages):
        ends = (max(at[i] - Z90 * error[i], 0.0), min(at[i] + Z90 * error[i], 1.0))
        yield ("in_service", age, given, at_risk[i], at[i], *ends, model[:, i].mean(), low[i], high[i])


def _ages_at_risk(entry: Floats, leave: Floats) -> tuple[Floats, NDArray[np.int64]]:
    """Whole years from the first to the last at which enough sections are under observation, and how many."""
    years = np.arange(0.0, float(leave.max(initial=0.0)) + 1.0)
    count = ((entry <= years[:, None]) & (leave >= years[:, None])).sum(axis=1)
    enough = np.flatnonzero(count >= AT_RISK)
    if not len(enough):
        return years[:0], count[:0]
    first = enough[0]
    last = first + int(np.argmin(np.append(count[first:] >= AT_RISK, False)))
    return years[first:last], count[first:last]


def _kept_in_service(posterior: xr.Dataset, simulation: xr.Dataset) -> Floats:
    """P(age at failure + lag > age) of the programme, (sample, age): survival delayed by a Gamma(2) lag."""
    grid = simulation["age"].values
    survival = simulation["survival"].sel(portfolio=CURRENT_PRACTICE).transpose("sample", "age").values.astype(float)
    lag = Draws.of(posterior, simulation.sizes["sample"])["removal_lag"]
    inside = grid <= float(simulation.attrs["horizon"])
    ages, fall = grid[inside], -np.diff(survival[:, inside], axis=1)
    middle = 0.5 * (ages[1:] + ages[:-1])
    years = np.maximum(ages[:, None] - middle[None, :], 0.0)
    past = ages[:, None] > middle[None, :]
    out = survival.copy()
    for s, mean in enumerate(lag):
        scaled = 2.0 * years / max(mean, 1e-9)
        out[s, inside] += (past * (1.0 + scaled) * np.exp(-scaled)) @ fall[s]
    return out


def _above_threshold(replicas: Replicas, records: Records) -> Iterator[tuple[object, ...]]:
    found = threshold_curves(replicas, records.sections["age_removed"].values.astype(float))
    if found is None:
        return
    ages, at_risk, recorded, simulated = found
    low, middle, high = np.nanquantile(simulated, (0.05, 0.5, 0.95), axis=0)
    for i, age in enumerate(ages):
        if np.isfinite(recorded[i]):
            known_ends = (np.nan, np.nan)
            yield ("above_threshold", age, ages[0], at_risk[i], recorded[i], *known_ends, middle[i], low[i], high[i])


def threshold_curves(replicas: Replicas, removed: Floats) -> tuple[Floats, NDArray[np.int64], Floats, Floats] | None:
    """Share read above the threshold by Turnbull's estimate, from the records and from simulated ones.

    Parameters
    ----------
    replicas : Replicas
    removed : ndarray (section,)
        Age at removal on record, NaN without one, years.

    Returns
    -------
    tuple of ndarray, or None
        Ages (age,), sections at risk (age,), recorded share (age,) and simulated share (curve, age); None where too
        few are under observation or none was read below.
    """
    level = float(replicas.condition.to_z(replicas.condition.threshold))
    known = ~np.isnan(replicas.recorded)
    bounds = _crossings(replicas, np.where(known, replicas.recorded, 0.0), known, removed, level)
    ages, at_risk = _ages_at_risk(bounds[2], np.where(np.isinf(bounds[1]), bounds[0], bounds[1]))
    if not len(ages) or not np.isfinite(bounds[1]).any():
        return None
    simulated = []
    for s in np.linspace(0, len(replicas.z) - 1, min(CURVES, len(replicas.z))).round().astype(int):
        gone = np.where(replicas.removed[s] < replicas.leave, replicas.removed[s], np.nan)
        simulated.append(_turnbull_at(_crossings(replicas, replicas.z[s], replicas.there[s], gone, level), ages))
    return ages, at_risk, _turnbull_at(bounds, ages), np.array(simulated)


def _crossings(
    replicas: Replicas, z: Floats, seen: Flags, removed: Floats, level: float
) -> tuple[Floats, Floats, Floats]:
    """Last age read above the threshold, first age read at or below it (or removed), and first reading."""
    owner, sections = replicas.owner, len(replicas.entry)
    low = seen & (z <= level)
    upper = np.full(sections, np.inf)
    np.minimum.at(upper, owner[low], replicas.age[low])
    upper = np.fmin(upper, removed)
    lower, first = np.zeros(sections), np.full(sections, np.inf)
    before = seen & (replicas.age < upper[owner])
    np.maximum.at(lower, owner[before], replicas.age[before])
    np.minimum.at(first, owner[before], replicas.age[before])
    kept = (lower > 0) & (first < upper)
    return lower[kept], upper[kept], first[kept]


def _turnbull_at(bounds: tuple[Floats, Floats, Floats], ages: Floats) -> Floats:
    """Turnbull survival at ages among sections read above the threshold at the first of them; NaN without any."""
    lower, upper, first = bounds
    kept = lower > ages[0]  # a section enters when it is first read above the threshold, not before the first age
    if not kept.any():
        return np.full(len(ages), np.nan)
    with warnings.catch_warnings():
        warnings.simplefilter("ignore", RiskModelWarning)  # far out the curve hangs on few; it is cut there
        table = turnbull(lower[kept], upper[kept], np.maximum(first[kept], ages[0]))
    at = survival_at(table, ages)
    return np.asarray(0.5 * (at["survival_lower"].values + at["survival_upper"].values))


# ------------------------------------------------------------------------------------ readings


def residual_ranks(replicas: Replicas, *, seed: int) -> tuple[Floats, Floats]:
    """Place of each reading among those simulated for its section and age, as a normal score.

    Parameters
    ----------
    replicas : Replicas
    seed : int
        Of the order of readings that are equal, at the ends of the scale.

    Returns
    -------
    tuple of ndarray
        (visit,) of the records and (sample, visit) of every simulated set among the others; NaN where there
        is no reading or too few to rank it among. Standard normal where the model is right.

    Notes
    -----
    Phi^-1 of the randomised probability integral transform (Dunn & Smyth 1996, J. Comput. Graph. Stat. 5,
    236-244; page not seen), from simulated readings of sections still in service at that age.
    """
    jitter = 1e-6 * stream(seed, "equal readings").random((len(replicas.z) + 1, len(replicas.age)))
    simulated = np.where(replicas.there, replicas.z + jitter[1:], np.inf)
    recorded = replicas.recorded + jitter[0]
    eligible = replicas.there.sum(axis=0)
    place = np.argsort(np.argsort(simulated, axis=0), axis=0)
    of_records = np.where(np.isnan(recorded), np.nan, (simulated < recorded).sum(axis=0))
    enough = eligible >= FEWEST
    scores = ndtri((of_records + 0.5) / (eligible + 1.0))
    others = ndtri((np.where(replicas.there, place, np.nan) + 0.5) / np.maximum(eligible, 1.0))
    return np.where(enough, scores, np.nan), np.where(enough, others, np.nan)


def readings_table(replicas: Replicas, *, seed: int) -> pd.DataFrame:
    """Quantiles of the readings' normal scores by age, beside those of simulated records.

    Returns
    -------
    DataFrame
        Columns `age_from`, `age_to`, `readings`, `level`, `expected` (standard normal), `recorded`, `lower`,
        `upper` (5 to 95 % of simulated records). A score below zero: read lower than the model says.
    """
    recorded, simulated = residual_ranks(replicas, seed=seed)
    rows = []
    for start, stop in pairwise(CLASSES):
        here = (replicas.age >= start) & (replicas.age < stop)
        own = recorded[here & ~np.isnan(recorded)]
        if len(own) < FEWEST:
            continue
        others = [one[~np.isnan(one)] for one in simulated[:, here]]
        ends = np.quantile([np.quantile(one, LEVELS) for one in others if len(one) >= FEWEST], (0.05, 0.95), axis=0)
        oldest = float(replicas.age[here].max())
        for k, level in enumerate(LEVELS):
            found = float(np.quantile(own, level))
            rows.append((start, min(stop, oldest), len(own), level, float(ndtri(level)), found, *ends[:, k]))
    columns = ["age_from", "age_to", "readings", "level", "expected", "recorded", "lower", "upper"]
    return pd.DataFrame(rows, columns=columns)


# ------------------------------------------------------------------------------------ priors against posterior


def moved_table(
    prior: xr.Dataset,
    simulation: xr.Dataset,
    programme: xr.Dataset,
    priors: PriorSet,
    *,
    score_shift: Mapping[str, float] | None = None,
    samples: int = 200,
) -> pd.DataFrame:
    """Life quantities of the same programme by the priors and after the records.

    Parameters
    ----------
    prior : Dataset (chain, draw, ...)
        Draws of the priors alone.
    simulation : Dataset of kind `simulation`
        After the records.
    programme : Dataset
        The programme of the simulation.
    priors : PriorSet
    score_shift : mapping of root to float, optional
        As in the simulation.
    samples : int
        Prior draws used.

    Returns
    -------
    DataFrame
        Columns `quantity`, `portfolio`, `unit`, and mean, lower and upper end of the 90 % interval as
        `prior_mean` ... and `mean` .... Quantity `averted`: early failures averted by a single measure.
    """
    names = simulation["portfolio"].values.astype(str)
    single = [Portfolio(m.name, (m.name,)) for m in priors.measures if m.name in names]
    attrs = simulation.attrs
    before = simulate(
        prior, programme, priors, portfolios=[Portfolio(CURRENT_PRACTICE, reference=True), *single],
        early_age=float(attrs["early_age"]), horizon=float(attrs["horizon"]), ages=(), seed=int(attrs["seed"]),
        weight_by_area=bool(attrs["weighted_by_area"]), score_shift=score_shift, samples=samples,
    )  # fmt: skip
    rows = []
    units = dict(zip(before["quantity"].values.astype(str), before["unit"].values.astype(str), strict=True))
    for quantity in ("early_failure_probability", "b10_age", "median_age", "restricted_mean_age"):
        pair = [_draws(one, CURRENT_PRACTICE, quantity) for one in (before, simulation)]
        rows.append((quantity, CURRENT_PRACTICE, units[quantity], *_summary(pair[0]), *_summary(pair[1])))
    for portfolio in single:
        pair = [_averted(one, portfolio.name) for one in (before, simulation)]
        rows.append(("averted", portfolio.name, "1", *_summary(pair[0]), *_summary(pair[1])))
    ends = ("mean", "lower", "upper")
    return pd.DataFrame(rows, columns=["quantity", "portfolio", "unit", *(f"prior_{e}" for e in ends), *ends])


def _draws(simulation: xr.Dataset, portfolio: str, quantity: str) -> Floats:
    draws = simulation["value"].sel(portfolio=portfolio, quantity=quantity).values
    return np.where(np.isfinite(draws), draws, 1000.0)


def _averted(simulation: xr.Dataset, portfolio: str) -> Floats:
    names = (CURRENT_PRACTICE, portfolio)
    now, then = (_draws(simulation, name, "early_failure_probability") for name in names)
    return now - then


def _summary(draws: Floats) -> tuple[float, float, float]:
    lower, upper = np.quantile(draws, (0.05, 0.95))
    return float(draws.mean()), float(lower), float(upper)
