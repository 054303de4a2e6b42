"""Compiled way from parameters to log-odds of susceptibility and back, one row for each state of a section."""

from __future__ import annotations

from collections.abc import Callable
from functools import cache

import numpy as np
from numba import njit

from .interceptkernel import intercepts_and_slopes
from .kernelmoments import add_moments, moments_back
from .vectormath import cells, digest_of

__all__ = ["compiled_rows"]

Table = np.ndarray
SOFT = 1e-12  # keeps the root of a variance differentiable at zero


@cells
def _log_odds(
    ends: Table, column: Table, factor: Table, terms: Table, level: Table, sd: Table, unknown: Table, effect: Table,
    root: Table, centre: Table, spread: Table,
) -> None:  # fmt: skip
    """Log-odds at the score's mean and their sd over the score into `centre` and `spread` (row, slot).

    Parameters
    ----------
    ends, column, factor : ndarray
        Sparse matrix (row * slot, term) by rows: log-odds at score 0 are its product with `terms`.
    level, sd : ndarray (row,)
        Of the score.
    unknown : ndarray (row,) or empty
        Variance of terms that the records do not name.
    effect : ndarray (root, slot)
        Of the score.
    root : ndarray of int (row,)
    """
    rows, width = centre.shape
    for row in range(rows):
        for s in range(width):
            total = 0.0
            for n in range(ends[row * width + s], ends[row * width + s + 1]):
                total += factor[n] * terms[column[n]]
            beta = effect[root[row], s]
            centre[row, s] = total - level[row] * beta
            spread[row, s] = sd[row] * beta
            if unknown.shape[0]:
                spread[row, s] = np.sqrt(spread[row, s] ** 2 + unknown[row] + SOFT)


@cells
def _log_odds_back(
    ends: Table, column: Table, factor: Table, level: Table, sd: Table, unknown: Table, effect: Table, root: Table,
    spread: Table, centre_bar: Table, spread_bar: Table, terms_bar: Table, level_bar: Table, unknown_bar: Table,
    effect_bar: Table,
) -> None:  # fmt: skip
    """Derivatives from those to centre and spread, added to the last four."""
    rows, width = centre_bar.shape
    for row in range(rows):
        for s in range(width):
            bar, wide = centre_bar[row, s], spread_bar[row, s]
            for n in range(ends[row * width + s], ends[row * width + s + 1]):
                terms_bar[column[n]] += factor[n] * bar
            beta = effect[root[row], s]
            level_bar[row] -= beta * bar
            effect_bar[root[row], s] -= level[row] * bar
            if unknown.shape[0]:
                effect_bar[root[row], s] += wide * sd[row] ** 2 * beta / spread[row, s]
                unknown_bar[row] += 0.5 * wide / spread[row, s]
            else:
                effect_bar[root[row], s] += wide * sd[row]


@cache
def compiled_rows() -> tuple[Callable[..., None], Callable[..., None], Callable[..., None]]:
    """Moments forward, moments backward, intercepts: kept on disk, and outside the interpreter's lock."""
    version = int(digest_of("vectormath", "kernelmoments", "interceptkernel", "rowkernel")[:15], 16)

    # `version` is part of the key under which the compiled code is kept
    @njit(cache=True, nogil=True, error_model="numpy")
    def forward(matrix, terms, score, weight, applies, place, nodes, centre, spread, moments):  # type: ignore[no-untyped-def]
        if version:
            ends, column, factor = matrix
            level, sd, unknown, effect, root = score
            _log_odds(ends, column, factor, terms, level, sd, unknown, effect, root, centre, spread)
            add_moments(centre, spread, weight, applies, place, nodes[0], nodes[1], moments)

    @njit(cache=True, nogil=True, error_model="numpy")
    def backward(matrix, score, weight, applies, place, nodes, centre, spread, moments_bar, bars):  # type: ignore[no-untyped-def]
        if version:
            ends, column, factor = matrix
            level, sd, unknown, effect, root = score
            terms_bar, weight_bar, level_bar, unknown_bar, effect_bar = bars
            centre_bar, spread_bar = np.zeros(centre.shape), np.zeros(spread.shape)
            moments_back(centre, spread, weight, applies, place, nodes[0], nodes[1], moments_bar,
                         centre_bar, spread_bar, weight_bar)  # fmt: skip
            _log_odds_back(ends, column, factor, level, sd, unknown, effect, root, spread, centre_bar, spread_bar,
                           terms_bar, level_bar, unknown_bar, effect_bar)  # fmt: skip

    @njit(cache=True, nogil=True, error_model="numpy")
    def intercepts(target, given, out, slopes):  # type: ignore[no-untyped-def]
        if version:
            applies, share, widened, anchor, spread, home, roots, step, middle, wear, nodes, weight = given
            intercepts_and_slopes(target, applies, share, widened, anchor, spread, home, roots, step, middle, wear,
                                  nodes, weight, out, slopes)  # fmt: skip

    return forward, backward, intercepts
