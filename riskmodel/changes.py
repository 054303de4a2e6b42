"""What a round of new records moved: parameters, causes, life quantities, ranks, and where it conflicts."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from itertools import pairwise

import numpy as np
import pandas as pd
import xarray as xr
from numpy.typing import NDArray

from .calibrate import reported
from .lives import Draws
from .measures import CURRENT_PRACTICE, Portfolio
from .priors import PriorSet
from .robustness import pareto_weights
from .stated import joint_log_ratio, selection_draws, stated_draws

__all__ = ["POWERS", "Simulated", "changes_table", "conflict_table", "drift_rows", "portfolios_to_follow"]

POWERS = (0.8, 1.25)
"""Powers of the priors that the draws are weighted to."""
QUANTITIES = ("early_failure_probability", "b10_age", "median_age", "restricted_mean_age")
ENDLESS = 1000.0
STEADY = 1e-9
COLUMNS = [
    *("programme", "kind", "name", "unit", "former_mean", "former_sd", "mean", "sd"),
    *("moved", "moved_in_sd", "noise_in_sd"),
]
Floats = NDArray[np.float64]
Row = tuple[object, ...]


@dataclass(frozen=True)
class Simulated:
    """Life quantities before a round and after it.

    Parameters
    ----------
    before, after : Dataset of kind `simulation`
        On the same programme with the draws before the round and after it.
    new : Dataset of kind `simulation` or None
        After it, on the programme as it is now; None where that is the same.
    """

    before: xr.Dataset
    after: xr.Dataset
    new: xr.Dataset | None = None


def portfolios_to_follow(priors: PriorSet, portfolios: Sequence[Portfolio]) -> tuple[Portfolio, ...]:
    """Current practice and every portfolio that requires something."""
    return (Portfolio(CURRENT_PRACTICE, reference=True), *(p for p in portfolios if p.measures))


def changes_table(former: xr.Dataset, now: xr.Dataset, simulated: Simulated) -> pd.DataFrame:
    """Everything that moved, against its former spread.

    Parameters
    ----------
    former, now : Dataset (chain, draw, ...)
        Draws before the round and after it.
    simulated : Simulated

    Returns
    -------
    DataFrame
        Columns `programme` ("" for a parameter, else "frozen" or "new"), `kind` (parameter, cause share, life
        quantity, gain, rank), `name`, `unit`, mean and sd before and after, `moved`, `moved_in_sd` (of the former
        sd), and `noise_in_sd` (twice the error of the difference of two sets of so many independent draws: a
        smaller move may be noise of the draws). A gain is the share of early failures that a portfolio averts
        against current practice; ranks go by its mean, 1 the largest, with the probability of being first as mean
        and no sd.
    """
    rows = [*_parameters(former, now), *_lives("frozen", simulated.before, simulated.after)]
    if simulated.new is not None:
        rows += _lives("new", simulated.before, simulated.new)
    return pd.DataFrame(rows, columns=COLUMNS)


def _row(programme: str, kind: str, name: str, unit: str, old: Floats, new: Floats) -> Row:
    moved, spread = float(new.mean() - old.mean()), float(old.std())
    in_sd = moved / spread if spread > 0 else np.nan
    noise = 2.0 * np.sqrt(1.0 / old.size + 1.0 / new.size)
    return (programme, kind, name, unit, old.mean(), spread, new.mean(), new.std(), moved, in_sd, noise)


def _parameters(former: xr.Dataset, now: xr.Dataset) -> Iterator[Row]:
    old, new = dict(_scalars(reported(former))), dict(_scalars(reported(now)))
    for name in (one for one in old if one in new):
        yield _row("", "parameter", name, "", old[name], new[name])


def _scalars(posterior: xr.Dataset) -> Iterator[tuple[str, Floats]]:
    """Every element of every parameter with its name, draws (sample,)."""
    for name, variable in sorted(posterior.data_vars.items(), key=lambda item: str(item[0])):
        inner = [dim for dim in variable.dims if dim not in ("chain", "draw")]
        for place in np.ndindex(*(variable.sizes[dim] for dim in inner)):
            at = dict(zip(inner, place, strict=True))
            labels = [str(variable[dim].values[i]) for dim, i in at.items()]
            values = variable.isel(at).values.ravel()
            if values.std() > STEADY * (1.0 + abs(values.mean())):
                yield (f"{name}[{', '.join(labels)}]" if labels else str(name)), values


def _lives(programme: str, before: xr.Dataset, after: xr.Dataset) -> Iterator[Row]:
    units = dict(zip(before["quantity"].values.astype(str), before["unit"].values.astype(str), strict=True))
    for quantity in QUANTITIES:
        pair = [_draws(one, CURRENT_PRACTICE, quantity) for one in (before, after)]
        yield _row(programme, "life quantity", quantity, units[quantity], *pair)
    shares = [_cause_shares(one) for one in (before, after)]
    for cause in before["cause"].values.astype(str):
        yield _row(programme, "cause share", cause, "1", shares[0][cause], shares[1][cause])
    gains = [averted(one) for one in (before, after)]
    for name in gains[0]:
        yield _row(programme, "gain", name, "1", gains[0][name], gains[1][name])
    yield from _ranks(programme, *gains)


def _ranks(programme: str, old: dict[str, Floats], new: dict[str, Floats]) -> Iterator[Row]:
    """Chance of being first before and after; the name says the ranks."""
    if len(old) < 2:
        return
    chances, places = [], []
    for gains in (old, new):
        values = np.stack(list(gains.values()))
        best = values.argmax(axis=0)
        chances.append([float((best == i).mean()) for i in range(len(values))])
        places.append(np.argsort(np.argsort(-values.mean(axis=1))) + 1)
    for i, name in enumerate(old):
        was, now = chances[0][i], chances[1][i]
        label = f"{name}: rank {places[0][i]} to {places[1][i]}"
        yield (programme, "rank", label, "chance of being first", was, np.nan, now, np.nan, now - was, np.nan, np.nan)


def _draws(simulation: xr.Dataset, portfolio: str, quantity: str) -> Floats:
    draws = simulation["value"].sel(portfolio=portfolio, quantity=quantity).values
    return np.where(np.isfinite(draws), draws, ENDLESS)


def averted(simulation: xr.Dataset) -> dict[str, Floats]:
    """Share of sections whose early failure each portfolio averts, (sample,)."""
    early = "early_failure_probability"
    now = _draws(simulation, CURRENT_PRACTICE, early)
    names = [p for p in simulation["portfolio"].values.astype(str) if p not in (CURRENT_PRACTICE, "no_measures")]
    return {name: now - _draws(simulation, name, early) for name in names}


def _cause_shares(simulation: xr.Dataset) -> dict[str, Floats]:
    incidence = simulation["cause_incidence"].sel(reference=CURRENT_PRACTICE)
    shares = incidence / incidence.sum("cause")
    return {cause: shares.sel(cause=cause).values for cause in simulation["cause"].values.astype(str)}


# ------------------------------------------------------------------------------------- over rounds


def drift_rows(name: str, way: str, simulation: xr.Dataset, sections: int) -> pd.DataFrame:
    """Early failures and the gain of every portfolio after one round.

    Returns
    -------
    DataFrame
        Columns `round`, `way` (fit or weighted), `sections` (of the programme), `quantity`, `portfolio`, `mean`,
        `lower`, `upper` (90 % interval).
    """
    told = {("early_failure_probability", CURRENT_PRACTICE): _draws(simulation, CURRENT_PRACTICE, QUANTITIES[0])}
    told |= {("averted", portfolio): values for portfolio, values in averted(simulation).items()}
    rows = [
        (name, way, sections, *key, values.mean(), *np.quantile(values, (0.05, 0.95))) for key, values in told.items()
    ]
    return pd.DataFrame(rows, columns=["round", "way", "sections", "quantity", "portfolio", "mean", "lower", "upper"])


# --------------------------------------------------------------------------- priors against records


def conflict_table(
    prior: xr.Dataset, now: xr.Dataset, priors: PriorSet, *, early_age: float, mix: Floats
) -> pd.DataFrame:
    """Where the records pull away from the priors, and how much the priors still carry.

    Parameters
    ----------
    prior, now : Dataset (chain, draw, ...)
        Draws of the priors alone, and after the records.
    priors : PriorSet
    early_age : float
        Years.
    mix : ndarray (type,)
        Sections of each overlay type (see `delta_distributions`).

    Returns
    -------
    DataFrame
        Columns `parameter`, `prior_mean`, `prior_sd`, `mean`, `sd`, `tail_area` (two-sided, of the prior beyond
        the mean after the records), `pull` (shift of the mean, in its sd, where all priors are taken to the
        power 1.25 against 0.8), `k_hat` (the larger of the two; above 0.7 the pull is not to be trusted).
    """
    draws = Draws.of(now)
    log_prior = _log_prior(draws, priors, early_age, mix)
    weighted = [pareto_weights((power - 1.0) * log_prior) for power in POWERS]
    k_hat = max(k for _, k in weighted)
    before, rows = dict(_scalars(reported(prior))), []
    for name, values in _scalars(reported(now)):
        if name not in before:
            continue
        believed, spread = before[name], values.std()
        beyond = float((believed <= values.mean()).mean())
        means = [float(weight @ values) for weight, _ in weighted]
        pull = max(b - a for a, b in pairwise(means)) / spread
        tail = 2.0 * min(beyond, 1.0 - beyond)
        rows.append((name, believed.mean(), believed.std(), values.mean(), spread, tail, pull, k_hat))
    columns = ["parameter", "prior_mean", "prior_sd", "mean", "sd", "tail_area", "pull", "k_hat"]
    return pd.DataFrame(rows, columns=columns).sort_values("tail_area", ignore_index=True)


def _log_prior(draws: Draws, priors: PriorSet, early_age: float, mix: Floats) -> Floats:
    """Log prior density of the stated quantities at every draw, (sample,)."""
    stated = [one for one in stated_draws(draws, priors, early_age, mix) if one[1].family != "fixed"]
    pairs = [*((prior, values) for _, prior, values in stated), *selection_draws(draws, priors)]
    return np.sum([d.logpdf(x) for d, x in pairs], axis=0) + joint_log_ratio(stated, priors)
