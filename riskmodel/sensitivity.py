"""How far what is decided moves when the priors, or the records, are given more or less weight.

Power-scaling: draws are weighted by the prior density, or the likelihood, to a power less one, smoothed by a
generalised Pareto tail. A quantity's sensitivity is the change of its distribution, as cumulative
Jensen-Shannon distance, for a doubling of the power; above 0.05 it is worth a look (N. Kallioinen, T. Paananen,
P.-C. Bürkner and A. Vehtari, Statistics and Computing 34 (2024) 57; page not seen).
"""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

import numpy as np
import pandas as pd
import xarray as xr
from numpy.typing import NDArray

from .lives import Draws
from .measures import CURRENT_PRACTICE
from .robustness import smoothed_weights

__all__ = [
    "COLUMNS",
    "LEAST",
    "POWERS",
    "decision_quantities",
    "densities_at",
    "diagnosis",
    "first_places",
    "power_sensitivity",
    "sensitivity_table",
]

POWERS = (0.8, 1.25)
LEAST = 0.05
"""Sensitivity from which a quantity counts as sensitive."""
PRIOR, LIKELIHOOD = "priors", "records"
BOTH, PRIORS_LEAD, RECORDS_LEAD, NEITHER = (
    "priors and records both move it", "rests on the priors", "rests on the records", "hardly moved by either",
)  # fmt: skip
COLUMNS = ("quantity", "portfolio", "unit", "component", "sensitivity", "mean", "sd", "mean_less", "mean_more", "k_hat")
FAR = 1000.0
"""Stands for an age that is not reached, years."""
Floats = NDArray[np.float64]
Quantities = dict[tuple[str, str], tuple[str, Floats]]


def decision_quantities(simulation: xr.Dataset, decision: xr.Dataset | None = None) -> Quantities:
    """What is decided on, at each draw.

    Parameters
    ----------
    simulation : Dataset of kind `simulation`
    decision : Dataset of kind `decision`, optional

    Returns
    -------
    dict of (quantity, portfolio) to (unit, ndarray (sample,))
        Early failures, ages and mean life under current practice; mean life gained by each single measure; the
        saving of the best portfolio.
    """
    found: Quantities = {}
    units = dict(zip(simulation["quantity"].values.astype(str), simulation["unit"].values.astype(str), strict=True))
    for name in ("early_failure_probability", "b10_age", "restricted_mean_age"):
        found[name, CURRENT_PRACTICE] = (units[name], _values(simulation, CURRENT_PRACTICE, name))
    references = set(simulation["reference"].values.astype(str))
    for portfolio in simulation["portfolio"].values.astype(str):
        if portfolio not in references and " + " not in portfolio:
            found["life_gain", portfolio] = (units["life_gain"], _values(simulation, portfolio, "life_gain"))
    if decision is not None:
        benefit = decision["net_benefit"].transpose("sample", "portfolio").values
        best = int(np.argmax(benefit.mean(axis=0)))
        name = str(decision["portfolio"].values[best])
        found["saving", name] = (str(decision.attrs.get("currency", "money")), benefit[:, best])
    return found


def _values(simulation: xr.Dataset, portfolio: str, quantity: str) -> Floats:
    draws = simulation["value"].sel(portfolio=portfolio, quantity=quantity).values
    return np.where(np.isfinite(draws), draws, FAR)


def power_sensitivity(draws: Floats, log_density: Floats) -> float:
    """Sensitivity of a quantity to the power of a density: mean change of its distribution a doubling.

    Parameters
    ----------
    draws, log_density : ndarray (sample,)
    """
    from arviz_stats.base import array_stats as untyped

    array_stats: Any = untyped

    if np.ptp(draws) == 0:
        return 0.0
    weight = [np.exp(_shifted(array_stats.power_scale_lw(log_density[None], alpha=power, axis=(-2, -1))))
              for power in POWERS]  # fmt: skip
    lower, upper = POWERS
    return float(array_stats.power_scale_sense(draws[None], *weight, lower_alpha=lower, upper_alpha=upper))


def _shifted(log_weight: Floats) -> Floats:
    return log_weight - log_weight.max()


def sensitivity_table(quantities: Quantities, densities: Mapping[str, Mapping[int, Floats]]) -> pd.DataFrame:
    """Sensitivity of every quantity to every component.

    Parameters
    ----------
    quantities : dict of (quantity, portfolio) to (unit, ndarray (sample,))
    densities : mapping of component to mapping of count to ndarray (sample,)
        ln of the density that is raised to a power, for each number of samples that the quantities have.

    Returns
    -------
    DataFrame
        Columns `COLUMNS`: `mean` and `sd` as calibrated, `mean_less` and `mean_more` with the component to the
        powers 0.8 and 1.25, and the worse k-hat of the two sets of weights.
    """
    rows = []
    for (quantity, portfolio), (unit, draws) in quantities.items():
        for component, by_count in densities.items():
            log_density = by_count[len(draws)]
            scaled = [smoothed_weights(log_density, power) for power in POWERS]
            means = [float(weight @ draws) for weight, _ in scaled]
            sensitivity = power_sensitivity(draws, log_density)
            k_hat = max(k for _, k in scaled)
            rows.append((quantity, portfolio, unit, component, sensitivity, draws.mean(), draws.std(), *means, k_hat))
    return pd.DataFrame(rows, columns=list(COLUMNS))


def diagnosis(prior: float, likelihood: float) -> str:
    """What a pair of sensitivities says, in words."""
    return {(True, True): BOTH, (True, False): PRIORS_LEAD, (False, True): RECORDS_LEAD, (False, False): NEITHER}[
        prior >= LEAST, likelihood >= LEAST
    ]


def first_places(decision: xr.Dataset, densities: Mapping[str, Mapping[int, Floats]]) -> pd.DataFrame:
    """The best portfolio by expected saving with each component to the powers.

    Returns
    -------
    DataFrame
        Columns `component`, `power`, `first_place`, `saving`, `same_first`, `k_hat`.
    """
    benefit = decision["net_benefit"].transpose("sample", "portfolio").values
    names = decision["portfolio"].values.astype(str)
    first = int(np.argmax(benefit.mean(axis=0)))
    rows = []
    for component, by_count in densities.items():
        for power in POWERS:
            weight, k_hat = smoothed_weights(by_count[len(benefit)], power)
            mean = weight @ benefit
            place = int(np.argmax(mean))
            rows.append((component, power, names[place], mean[place], place == first, k_hat))
    return pd.DataFrame(rows, columns=["component", "power", "first_place", "saving", "same_first", "k_hat"])


def densities_at(
    posterior: xr.Dataset, likelihood: xr.DataArray | None, by_group: Mapping[str, Floats], counts: set[int]
) -> dict[str, dict[int, Floats]]:
    """ln of prior and likelihood, and of each group of priors, at the draws of results of `count` samples.

    Parameters
    ----------
    posterior : Dataset (chain, draw, ...)
    likelihood : DataArray (chain, draw, section) or None
        Left out where there is none.
    by_group : mapping of group to ndarray (chain * draw,)
    counts : set of int
        Results take their samples evenly from the posterior.
    """
    shape = (posterior.sizes["chain"], posterior.sizes["draw"])
    every = {PRIOR: np.sum(list(by_group.values()), axis=0)} if by_group else {}
    if likelihood is not None:
        every[LIKELIHOOD] = likelihood.transpose("chain", "draw", ...).sum("section").values.ravel()
    every |= by_group
    kept = xr.Dataset({name: (("chain", "draw"), values.reshape(shape)) for name, values in every.items()})
    taken = {count: Draws.of(kept, count) for count in counts}
    return {name: {count: draws[name] for count, draws in taken.items()} for name in every}
