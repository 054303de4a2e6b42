"""Renewal of a road over the years of an analysis period: lives on a yearly lattice, and what follows each.

A life is put on whole years so that its mean stays exact: what ends between two years is shared between
them by nearness. Sums over the lattice then stand for the integrals.
"""

from __future__ import annotations

import numpy as np
from scipy.special import gamma

from .hazard import LN2

__all__ = [
    "convolved",
    "lag_mass",
    "lumped",
    "outlived",
    "placements",
    "remaining",
    "value_of_chain",
    "value_of_patching",
    "weibull_mass",
    "weibull_mean",
    "worth_of_patches",
]

BLOCK = 2048  # lives worked at a time: their years stay in the cache
STEPS = 12  # days of a year at which patching may begin


def lumped(alive: np.ndarray, whole: float | np.ndarray = 1.0) -> np.ndarray:
    """Chance that a life ends at year 0, 1, ..., from its survival at mid-year.

    Parameters
    ----------
    alive : ndarray (..., year)
        Survival at 0.5, 1.5, ... years, which stands for its mean over the year.
    whole : float or ndarray (...)
        What is alive at the beginning, where not one life.

    Returns
    -------
    ndarray (..., year)
        The mass beyond the last year is what is missing to 1.

    Notes
    -----
    The share of a life that ends between years k and k + 1 goes to both by nearness; the mass at k is then the
    mean survival over the year before k less that over the year after it.
    """
    out = np.empty_like(alive)
    out[..., 0] = whole - alive[..., 0]
    np.subtract(alive[..., :-1], alive[..., 1:], out=out[..., 1:])
    return out


def lag_mass(mean: np.ndarray, years: int) -> np.ndarray:
    """Years from failure to removal on the lattice, a gamma of shape 2, shape (sample, year).

    Parameters
    ----------
    mean : ndarray (sample,), years
        0 for removal at the failure.
    years : int
        Number of lattice years.
    """
    k = np.arange(years + 1.0)
    rate = 2.0 / np.maximum(mean, 1e-9)[:, None]
    # integral of (1 + a y) exp(-a y) from y on
    rest = (2.0 / rate + k) * np.exp(-rate * k)
    return lumped(rest[:, :-1] - rest[:, 1:])


def weibull_mass(median: np.ndarray, shape: float, years: int) -> np.ndarray:
    """A Weibull life on the lattice, shape (sample, year)."""
    middle = np.arange(years) + 0.5
    return lumped(np.exp(-LN2 * (middle / np.asarray(median)[:, None]) ** shape))


def weibull_mean(median: np.ndarray, shape: float) -> np.ndarray:
    """Mean of a Weibull life, years."""
    return np.asarray(median * gamma(1.0 + 1.0 / shape) / LN2 ** (1.0 / shape))


def convolved(mass: np.ndarray, lag: np.ndarray) -> np.ndarray:
    """Mass of the sum of two independent times on the lattice.

    Parameters
    ----------
    mass : ndarray (sample, ..., year)
    lag : ndarray (sample, year)
    """
    years = mass.shape[-1]
    back = np.arange(years)[None, :] - np.arange(years)[:, None]  # [from, to]
    steps = np.where(back >= 0, lag[:, np.maximum(back, 0)], lag.dtype.type(0))
    # portfolio by portfolio: a sum then does not depend on how many others there are
    flat = mass.reshape(*mass.shape[:2], -1, years)
    return np.matmul(flat, steps[:, None]).reshape(mass.shape)


def placements(mass: np.ndarray) -> np.ndarray:
    """Expected overlays laid in each year when each follows the one before at its end.

    Parameters
    ----------
    mass : ndarray (..., year)
        Chance that a life ends at year 0, 1, ...

    Returns
    -------
    ndarray (..., year)
        u with u(0) = 1 for the first one and u(k) = sum of mass(j) u(k - j): the renewal sequence.
    """
    years = mass.shape[-1]
    flat = mass.reshape(-1, years)
    out = np.empty_like(flat)
    for first in range(0, len(flat), BLOCK):
        here = slice(first, first + BLOCK)
        p = np.ascontiguousarray(flat[here].T)
        u = np.empty_like(p)
        once = 1.0 / (1.0 - p[0])
        u[0] = once
        for k in range(1, years):
            u[k] = np.einsum("jn,jn->n", p[1 : k + 1], u[k - 1 :: -1]) * once
        out[here] = u.T
    return out.reshape(mass.shape)


def outlived(mass: np.ndarray) -> np.ndarray:
    """Expected years lived up to year a, for a = 0, 1, ..., shape (..., year)."""
    alive = 1.0 - np.cumsum(mass, axis=-1)
    out = np.zeros_like(mass)
    np.cumsum(alive[..., :-1], axis=-1, out=out[..., 1:])
    return out


def remaining(mass: np.ndarray, mean: np.ndarray) -> np.ndarray:
    """Expected life left after year a over expected life, for a = 0, 1, ..., shape (..., year).

    Parameters
    ----------
    mass : ndarray (..., year)
    mean : ndarray (...)
        Mean life, years.
    """
    return 1.0 - outlived(mass) / mean[..., None]


def value_of_chain(mass: np.ndarray, mean: np.ndarray, discount: float, *, salvage: bool) -> np.ndarray:
    """Worth today of one piece of work now and again at the end of each of its lives, per unit of its cost.

    Parameters
    ----------
    mass : ndarray (sample, year)
        Its life.
    mean : ndarray (sample,), years
    discount : float
        Worth of a unit of money one year away.
    salvage : bool
        Whether the life left at the end of the period is credited.

    Returns
    -------
    ndarray (sample, year)
        For periods of 0, 1, ... years; 0 for a period of 0 years with salvage.
    """
    years = mass.shape[-1]
    factor = discount ** np.arange(years)
    worth = np.ones_like(mass)
    if salvage:
        worth = worth - factor * remaining(mass, mean)
    once = 1.0 / (1.0 - mass[:, 0])
    weighted = mass * factor
    worth[:, 0] *= once
    for m in range(1, years):
        again = np.einsum("sj,sj->s", weighted[:, 1 : m + 1], worth[:, m - 1 :: -1])
        worth[:, m] = (worth[:, m] + again) * once
    return worth


def value_of_patching(
    chain: np.ndarray, discount: float, period: int, interval: int, until: int
) -> tuple[np.ndarray, np.ndarray]:
    """Worth today of patching from a year of the period on, then reconstructing.

    Parameters
    ----------
    chain : ndarray (sample, year)
        `value_of_chain` of the reconstruction.
    discount : float
    period, interval, until : int
        Years of the period; years between patches; year in which patching ends.

    Returns
    -------
    patches, reconstruction : ndarray (year,) and ndarray (sample, year)
        For a first patch about year 0, 1, ..., up to the period; per unit of cost of one patch and of one
        reconstruction. The number of patches jumps with the day of the first one, so its worth is the
        mean over the days that the lattice puts on that year.
    """
    starts = np.arange(period + 1)
    last = min(until, period)
    offset = np.arange(-STEPS + 0.5, STEPS) / STEPS
    days = np.maximum(starts[:, None] + offset, 0.0)
    weight = (1.0 - np.abs(offset)) / STEPS
    patches = worth_of_patches(days, discount, last, interval) @ weight
    rebuilt = np.maximum(starts, until)
    inside = rebuilt <= period
    worth = np.zeros((len(chain), period + 1))
    worth[:, inside] = discount ** rebuilt[inside] * chain[:, period - rebuilt[inside]]
    return patches, worth


def worth_of_patches(first: np.ndarray, discount: float, until: float, interval: int) -> np.ndarray:
    """Worth today of one patch at `first` and every `interval` years after it, before `until`; any shape."""
    count = np.ceil(np.maximum(until - first, 0.0) / interval)
    step = discount**interval
    series = count if step == 1.0 else (1.0 - step**count) / (1.0 - step)
    return np.asarray(discount**first * series)
