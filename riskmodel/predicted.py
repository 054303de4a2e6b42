"""Records as the priors expect them, as the calibrated model expects them, and as they are, in trade words."""

from __future__ import annotations

from itertools import pairwise

import numpy as np
import pandas as pd
import xarray as xr
from numpy.typing import NDArray

from .priors import PriorSet
from .raters import raters_of
from .records import Records
from .replicas import Replicas, draw_replicas
from .reweigh import with_new_levels

__all__ = ["COLUMNS", "predicted_table", "statistics_of"]

CLASSES = (0.0, 5.0, 10.0, 15.0, 20.0, 30.0)
"""Ages that part the readings, years."""
FEWEST = 20
COLUMNS = (
    *("statistic", "recorded", "prior_lower", "prior_middle", "prior_upper", "prior_tail"),
    *("lower", "middle", "upper", "tail"),
)
Floats = NDArray[np.float64]


def predicted_table(
    prior: xr.Dataset, records: Records, priors: PriorSet, replicas: Replicas, *, seed: int
) -> pd.DataFrame:
    """Statistics of the records beside those of records simulated from the priors and from the posterior.

    Parameters
    ----------
    prior : Dataset (chain, draw, ...)
        Draws of the priors alone.
    records : Records
    priors : PriorSet
    replicas : Replicas
        From the posterior.
    seed : int

    Returns
    -------
    DataFrame
        Columns `COLUMNS`: 5, 50 and 95 % quantiles of simulated records, and the two-sided share of them at
        least as extreme as what is recorded.
    """
    drawn = with_new_levels(prior, records.sections, priors, seed=seed, raters=raters_of(records.readings))
    sets = [draw_replicas(drawn, records, priors, seed=seed), replicas]
    recorded = statistics_of(replicas, recorded=records)
    rows = []
    simulated = [statistics_of(one) for one in sets]
    for name, value in recorded.items():
        if not np.isfinite(value[0]):
            continue
        ends = [_summary(one[name], float(value[0])) for one in simulated]
        rows.append((name, float(value[0]), *ends[0], *ends[1]))
    return pd.DataFrame(rows, columns=list(COLUMNS))


def _summary(simulated: Floats, recorded: float) -> tuple[float, float, float, float]:
    known = simulated[np.isfinite(simulated)]
    if len(known) < FEWEST:
        return np.nan, np.nan, np.nan, np.nan
    low, middle, high = np.quantile(known, (0.05, 0.5, 0.95))
    below, above = (known <= recorded).sum(), (known >= recorded).sum()
    tail = min(1.0, 2.0 * (1 + min(below, above)) / (1 + len(known)))
    return float(low), float(middle), float(high), float(tail)


def statistics_of(replicas: Replicas, *, recorded: Records | None = None) -> dict[str, Floats]:
    """Statistics of each simulated set of records, or of the recorded one, each (sample,).

    Parameters
    ----------
    replicas : Replicas
    recorded : Records, optional
        Take the recorded readings and removals instead.
    """
    if recorded is None:
        z, there, removed = replicas.z, replicas.there, replicas.removed
        seen = removed > replicas.entry
        gone = seen & (removed < replicas.leave)
    else:
        z, there = replicas.recorded[None], ~np.isnan(replicas.recorded)[None]
        gone = np.isfinite(recorded.sections["age_removed"].values.astype(float))[None]
        seen = np.ones_like(gone)
    condition = replicas.condition
    index = np.clip(condition.from_z(np.where(there, z, 0.0)), condition.lowest, condition.highest)
    out = {"removed for condition, of 100": 100.0 * gone.sum(axis=1) / np.maximum(seen.sum(axis=1), 1)}
    if not len(replicas.age):
        return out
    out[f"read at or below {condition.threshold:g}, of 100"] = _read_low(replicas, index, there)
    for start, stop in pairwise(CLASSES):
        here = there & ((replicas.age >= start) & (replicas.age < stop))
        out[f"mean {condition.column} at {start:g} to {stop:g} years"] = _mean(index, here)
    out[f"mean change of {condition.column} between readings"] = _mean_change(replicas, index, there)
    return out


def _read_low(replicas: Replicas, index: Floats, there: NDArray[np.bool_]) -> Floats:
    count = len(replicas.entry)
    owners = np.zeros((len(there), count), bool), np.zeros((len(there), count), bool)
    for s in range(len(there)):
        owners[0][s, replicas.owner[there[s]]] = True
        owners[1][s, replicas.owner[there[s] & (index[s] <= replicas.condition.threshold)]] = True
    return 100.0 * owners[1].sum(axis=1) / np.maximum(owners[0].sum(axis=1), 1)


def _mean(values: Floats, kept: NDArray[np.bool_]) -> Floats:
    count = kept.sum(axis=1)
    return np.where(count >= FEWEST, np.where(kept, values, 0.0).sum(axis=1) / np.maximum(count, 1), np.nan)


def _mean_change(replicas: Replicas, index: Floats, there: NDArray[np.bool_]) -> Floats:
    pair = there[:, 1:] & there[:, :-1] & (replicas.owner[1:] == replicas.owner[:-1])
    return _mean(np.abs(np.diff(index, axis=1)), pair)
