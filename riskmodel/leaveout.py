"""Leave-one-out: how well each section, or each contract, is predicted by the records of all others.

Nothing is fitted anew: the draws of the fit are weighted by one over the likelihood of what is left out,
Pareto-smoothed (A. Vehtari, A. Gelman and J. Gabry, Statistics and Computing 27 (2017) 1413-1432; page not
seen), and the tail's shape k says whether that can be trusted.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import xarray as xr
from scipy.special import logsumexp

__all__ = ["LeftOut", "leave_out", "leave_projects_out", "trusted_k"]

LARGEST_K = 0.7


@dataclass(frozen=True)
class LeftOut:
    """Each unit predicted without its own records.

    Parameters
    ----------
    unit : tuple of str
        Sections or contracts.
    elpd : ndarray (unit,)
        ln of the density of the unit's records given all others.
    pareto_k : ndarray (unit,)
    log_weight : ndarray (chain * draw, unit)
        ln of the weights of the draws without the unit; they sum to 1.
    """

    unit: tuple[str, ...]
    elpd: np.ndarray
    pareto_k: np.ndarray
    log_weight: np.ndarray

    @property
    def total(self) -> float:
        """Expected log predictive density of all units."""
        return float(self.elpd.sum())

    @property
    def standard_error(self) -> float:
        """Of `total`, from the spread between units."""
        return float(np.sqrt(len(self.elpd) * self.elpd.var(ddof=1)))

    @property
    def distrusted(self) -> np.ndarray:
        """Units whose weights cannot be trusted, bool (unit,)."""
        return ~(self.pareto_k <= trusted_k(len(self.log_weight)))


def trusted_k(draws: int) -> float:
    """Largest k at which that many draws can be trusted: min(1 - 1 / log10 S, 0.7).

    Notes
    -----
    A. Vehtari, D. Simpson, A. Gelman, Y. Yao and J. Gabry, Journal of Machine Learning Research 25 (2024) 72
    (page not seen).
    """
    return min(1.0 - 1.0 / np.log10(max(draws, 11)), LARGEST_K)


def leave_out(likelihood: xr.DataArray) -> LeftOut:
    """Leave every unit out in turn.

    Parameters
    ----------
    likelihood : DataArray (chain, draw, unit)
        ln of the density of each unit's records at each draw; the unit's dim may have any name.
    """
    import arviz_stats  # noqa: F401 - registers the accessor

    dim = next(str(name) for name in likelihood.dims if name not in ("chain", "draw"))
    weight, k = likelihood.azstats.psislw(dim=["chain", "draw"])
    log_weight = weight.transpose("chain", "draw", dim).values.reshape(-1, likelihood.sizes[dim])
    flat = likelihood.transpose("chain", "draw", dim).values.reshape(log_weight.shape)
    names = tuple(str(name) for name in likelihood[dim].values)
    return LeftOut(names, logsumexp(log_weight + flat, axis=0), np.asarray(k.values, float), log_weight)


def leave_projects_out(likelihood: xr.DataArray, projects: np.ndarray) -> LeftOut | None:
    """Leave every contract out in turn, all its sections at once.

    Parameters
    ----------
    likelihood : DataArray (chain, draw, section)
    projects : ndarray of str (section,)
        Contract of each section, empty where it is not known: such a section is left out by itself.

    Returns
    -------
    LeftOut or None
        None where no contract has two sections.
    """
    names = [str(project) or f"section {i}" for i, project in enumerate(projects)]
    if len(set(names)) == len(names):
        return None
    together = likelihood.assign_coords(project=("section", names)).groupby("project").sum("section")
    return leave_out(together.transpose("chain", "draw", "project"))
