"""R-hat and effective sample sizes of many quantities at once, by the formulas of ArviZ.

The library takes 2.6 ms a quantity for the three; a network has two quantities for every contract.

A. Vehtari, A. Gelman, D. Simpson, B. Carpenter and P.-C. Bürkner, Bayesian Analysis 16 (2021) 667-718 (page not seen).
"""

from __future__ import annotations

import os
from collections.abc import Callable
from concurrent.futures import ThreadPoolExecutor

import numpy as np
from scipy.fft import irfft, next_fast_len, rfft
from scipy.special import ndtri
from scipy.stats import rankdata

__all__ = ["bulk_size", "in_blocks", "r_hat", "tail_size"]

BLOCK = 256
"""Quantities at once: memory stays within some tens of megabytes."""
TAIL = 0.11, 0.89
"""Ends of the interval that ArviZ takes unless told otherwise."""


def r_hat(x: np.ndarray) -> np.ndarray:
    """The larger of the rank-normalised split R-hat and that of distances to the median.

    Parameters
    ----------
    x : ndarray (chain, draw, quantity)

    Returns
    -------
    ndarray (quantity,)
        NaN where a quantity does not vary.
    """
    parts = _halves(x)
    folded = np.abs(parts - np.median(parts, axis=(0, 1)))
    return np.fmax(_spread_ratio(_scores(parts)), _spread_ratio(_scores(folded)))


def bulk_size(x: np.ndarray) -> np.ndarray:
    """Effective sample size of the normal scores, (quantity,); arguments of `r_hat`."""
    return _effective(_scores(_halves(x)))


def tail_size(x: np.ndarray) -> np.ndarray:
    """The smaller effective sample size of the two tails beyond 11 and 89 %, (quantity,); arguments of `r_hat`."""
    sizes = [_effective(_halves((x <= edge).astype(float))) for edge in np.quantile(x, TAIL, axis=(0, 1))]
    return np.minimum(*sizes)


def in_blocks(statistic: Callable[[np.ndarray], np.ndarray], x: np.ndarray) -> np.ndarray:
    """A statistic of draws (chain, draw, ...), shape (...); the blocks are shared out to all cores."""
    flat = x.reshape(*x.shape[:2], -1)
    with ThreadPoolExecutor(os.cpu_count() or 1) as hands:
        cuts = range(0, flat.shape[2], BLOCK)
        found = hands.map(lambda at: statistic(np.ascontiguousarray(flat[..., at : at + BLOCK])), cuts)
    return np.concatenate([np.zeros(0), *found]).reshape(x.shape[2:])


def _halves(x: np.ndarray) -> np.ndarray:
    """Every chain as two."""
    half = x.shape[1] // 2
    return np.concatenate([x[:, :half], x[:, -half:]])


def _scores(x: np.ndarray) -> np.ndarray:
    """Normal scores of the ranks among all draws, with Blom's offset."""
    ranks = rankdata(x.reshape(-1, x.shape[2]), axis=0).reshape(x.shape)
    return ndtri((ranks - 0.375) / (x.shape[0] * x.shape[1] + 0.25))


def _spread_ratio(x: np.ndarray) -> np.ndarray:
    draws = x.shape[1]
    between, within = draws * x.mean(axis=1).var(axis=0, ddof=1), x.var(axis=1, ddof=1).mean(axis=0)
    with np.errstate(invalid="ignore", divide="ignore"):
        return np.sqrt((between / within + draws - 1.0) / draws)


def _effective(x: np.ndarray) -> np.ndarray:
    """Effective sample sizes of chains (chain, draw, quantity); that of a quantity that does not vary is all draws."""
    chains, draws, _ = x.shape
    length = next_fast_len(2 * draws)
    waves = rfft(x - x.mean(axis=1, keepdims=True), n=length, axis=1)
    covariance = irfft(np.abs(waves) ** 2, n=length, axis=1)[:, :draws].mean(axis=0) / draws
    total = covariance[0] + x.mean(axis=1).var(axis=0, ddof=1)
    fixed = np.ptp(x, axis=(0, 1)) < np.finfo(float).resolution
    rho = 1.0 - (covariance[0] * draws / (draws - 1.0) - covariance) / np.where(fixed, 1.0, total)
    rho[0] = 1.0
    least = 1.0 / np.log10(chains * draws)
    return chains * draws / np.where(fixed, 1.0, np.maximum(_correlation_times(rho), least))


def _correlation_times(rho: np.ndarray) -> np.ndarray:
    """-1 + 2 sum of the autocorrelations (lag, quantity), over Geyer's initial monotone sequence of pairs and the lag
    after it."""
    count = max(1, (len(rho) - 1) // 2)
    pairs = rho[0 : 2 * count : 2] + rho[1 : 2 * count : 2]
    ends = pairs <= 0.0
    last = np.where(ends.any(axis=0), ends.argmax(axis=0), count - 1)[None]
    before = np.arange(count)[:, None] < last
    sums = np.where(before, np.minimum.accumulate(pairs, axis=0), 0.0).sum(axis=0)
    after, pair = (np.take_along_axis(values, at, 0)[0] for values, at in ((rho, 2 * last), (pairs, last)))
    return np.asarray(-1.0 + 2.0 * sums + np.where(pair >= 0.0, after, np.maximum(after, 0.0)))
