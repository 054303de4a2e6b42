"""Simulation results as tables: one row a portfolio and quantity, one row a cause."""

from __future__ import annotations

import numpy as np
import pandas as pd
import xarray as xr

__all__ = ["cause_table", "portfolio_table"]

TAILS = (0.05, 0.95)


def portfolio_table(simulation: xr.Dataset) -> pd.DataFrame:
    """Life quantities of every portfolio.

    Parameters
    ----------
    simulation : Dataset of kind `simulation`

    Returns
    -------
    DataFrame
        Columns `portfolio, quantity, unit, mean, lower, upper, mcse, share_extrapolated`: mean and
        central 90 % interval over draws, Monte Carlo standard error of the mean. An assured age is one
        number (a bound over draws), so it has no interval of its own.
    """
    value = simulation["value"].transpose("sample", "portfolio", "quantity").values
    lower, upper = np.quantile(_finite(value), TAILS, axis=0)
    error = monte_carlo_error(value, int(simulation.attrs["chains"]))
    rows = []
    for j, portfolio in enumerate(simulation["portfolio"].values):
        for q, quantity in enumerate(simulation["quantity"].values):
            rows.append(
                {
                    "portfolio": str(portfolio),
                    "quantity": str(quantity),
                    "unit": str(simulation["unit"].values[q]),
                    "mean": _finite(value[:, j, q]).mean(),
                    "lower": lower[j, q],
                    "upper": upper[j, q],
                    "mcse": error[j, q],
                    "share_extrapolated": float(simulation["extrapolated"].values[j, q]),
                }
            )
        rows += _assured_rows(simulation, j, str(portfolio))
    return pd.DataFrame(rows)


def _assured_rows(simulation: xr.Dataset, j: int, portfolio: str) -> list[dict[str, object]]:
    observed = float(simulation.attrs["observed_to"])
    names = ("assured_age_p90_c95", f"assured_age_p90_c95_of_{simulation.attrs['sections']}_sections")
    return [
        {
            "portfolio": portfolio,
            "quantity": name,
            "unit": "years",
            "mean": age,
            "lower": np.nan,
            "upper": np.nan,
            "mcse": np.nan,
            "share_extrapolated": float(0 <= observed < age),
        }
        for name, age in zip(names, simulation["assured_age"].values[j], strict=True)
    ]


def _finite(value: np.ndarray) -> np.ndarray:
    """Ages beyond the grid count as its end, so that means and quantiles exist."""
    return np.where(np.isfinite(value), value, 1000.0)


def monte_carlo_error(value: np.ndarray, chains: int) -> np.ndarray:
    """Standard error of the mean over autocorrelated draws (sample, ...), chain after chain."""
    from arviz_stats.base import array_stats

    length = len(value) // chains
    if length < 4:
        return np.full(value.shape[1:], np.nan)
    by_chain = _finite(value[: chains * length]).reshape(chains, length, *value.shape[1:])
    spread = by_chain.std(axis=(0, 1))
    # constant quantities (life gain of the reference) have no error
    varying = spread > 0
    error = np.zeros(value.shape[1:])
    if varying.any():
        error[varying] = array_stats.mcse(by_chain[:, :, varying], chain_axis=0, draw_axis=1, method="mean")
    return error


def cause_table(simulation: xr.Dataset) -> pd.DataFrame:
    """Causes of early failure under current practice and without measures, and what they cost.

    Returns
    -------
    DataFrame
        Columns `reference, cause, quantity, unit, mean, lower, upper`. Quantities: `early_failures`
        (probability, by cause of failure), `share_of_early_failures`, and under current practice
        `avoidable_loss` (gain if that cause alone were taken away, other causes acting
        independently given the scores) and `fair_share_of_loss` (Shapley split, adds up).
    """
    rows: list[dict[str, object]] = []
    incidence = simulation["cause_incidence"].values
    for j, reference in enumerate(simulation["reference"].values):
        total = incidence[:, j].sum(axis=1, keepdims=True)
        for c, cause in enumerate(simulation["cause"].values):
            labels = {"reference": str(reference), "cause": str(cause)}
            rows.append(labels | _row("early_failures", "1", incidence[:, j, c]))
            rows.append(labels | _row("share_of_early_failures", "1", incidence[:, j, c] / total[:, 0]))
    losses = {"restricted_mean_age": "years", "early_failure_probability": "1"}
    for name, variable in (("avoidable_loss", "avoidable"), ("fair_share_of_loss", "shapley")):
        for number, (loss, unit) in enumerate(losses.items()):
            for c, source in enumerate(simulation["source_name"].values):
                labels = {"reference": "current_practice", "cause": str(source)}
                rows.append(labels | _row(f"{name}: {loss}", unit, simulation[variable].values[:, number, c]))
    return pd.DataFrame(rows)


def _row(quantity: str, unit: str, draws: np.ndarray) -> dict[str, object]:
    lower, upper = np.quantile(draws, TAILS)
    return {"quantity": quantity, "unit": unit, "mean": draws.mean(), "lower": lower, "upper": upper}
