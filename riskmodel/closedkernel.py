"""Compiled sums of the closed form of a programme's life: moments of susceptibilities, products over roots.

The same as `closedsums`, many times as fast; the tests compare them.
"""

from __future__ import annotations

from collections.abc import Callable
from functools import cache
from typing import Any

import numpy as np
from numba import njit

from .closedsums import Kernels
from .vectormath import cells, digest_of, exp

__all__ = ["compiled_kernels"]

LANES = 64


@cells
def _moments(centre: Any, level: Any, sd: Any, slope: Any, applies: Any, x: Any, weight: Any, out: Any) -> None:
    rows, members = centre.shape[1], centre.shape[0]
    product, chance = np.empty((out.shape[0], LANES)), np.zeros(LANES)
    for start in range(0, rows, LANES):
        here = min(LANES, rows - start)
        for q in range(x.shape[0]):
            for c in range(LANES):
                product[0, c] = weight[q]
            size = 1
            for m in range(members):
                for c in range(here):
                    row = start + c
                    odds = exp(slope[m] * (level[row] + sd[row] * x[q]) - centre[m, row])
                    chance[c] = -applies[m, row] / (1.0 + odds)
                for a in range(size):
                    for c in range(LANES):
                        product[size + a, c] = product[a, c] * chance[c]
                size *= 2
            for a in range(size):
                for c in range(here):
                    out[a, start + c] += product[a, c]


@cells
def _weighted_products(factors: Any, picks: Any, weight: Any, out: Any) -> None:
    product, ages, last = np.empty(factors.shape[2]), factors.shape[2], picks.shape[1] - 1
    for i in range(factors.shape[1]):
        # portfolios inside, so that a section's factors stay in the processor's cache
        for p in range(picks.shape[0]):
            for a in range(ages):
                product[a] = weight[i]
            for f in range(last):
                n = picks[p, f]
                for a in range(ages):
                    product[a] *= factors[n, i, a]
            n = picks[p, last]
            for a in range(ages):
                out[p, a] += product[a] * factors[n, i, a]


@cache
def _compiled() -> tuple[Callable[..., None], Callable[..., None]]:
    """Both functions, kept on disk between processes, and outside the interpreter's lock."""
    version = int(digest_of("vectormath", "closedkernel")[:15], 16)

    # `version` is part of the key under which the compiled code is kept
    @njit(cache=True, nogil=True, error_model="numpy")
    def moments(centre, level, sd, slope, applies, x, weight, out):  # type: ignore[no-untyped-def]
        if version:
            _moments(centre, level, sd, slope, applies, x, weight, out)

    @njit(cache=True, nogil=True, error_model="numpy")
    def products(factors, picks, weight, out):  # type: ignore[no-untyped-def]
        if version:
            _weighted_products(factors, picks, weight, out)

    return moments, products


def moments_of(
    centre: np.ndarray, level: np.ndarray, sd: np.ndarray, slope: np.ndarray, applies: np.ndarray,
    x: np.ndarray, weight: np.ndarray,
) -> np.ndarray:  # fmt: skip
    """As `closedsums.moments_of`."""
    out = np.zeros((1 << len(slope), centre.shape[1]))
    arrays = (np.require(a, float, ["C", "W"]) for a in (centre, level, sd, slope, applies, x, weight))
    _compiled()[0](*arrays, out)
    return out


def weighted_products(factors: np.ndarray, picks: np.ndarray, weight: np.ndarray) -> np.ndarray:
    """As `closedsums.weighted_products`."""
    out = np.zeros((len(picks), factors.shape[2]))
    _compiled()[1](factors, picks, weight, out)
    return out


def compiled_kernels() -> Kernels:
    """Both sums, compiled."""
    return Kernels(moments_of, weighted_products)
