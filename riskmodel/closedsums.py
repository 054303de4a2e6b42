"""The two sums that the closed form of a programme spends its time on, in NumPy: for few sections, and as definition.

`closedkernel` computes the same, compiled.
"""

from __future__ import annotations

from collections.abc import Callable
from typing import NamedTuple

import numpy as np

from .hazard import expit, subset_products, subset_signs

__all__ = ["Kernels", "plain_kernels"]


class Kernels(NamedTuple):
    """Functions for both sums.

    Parameters
    ----------
    moments : callable
        As `moments_of`.
    products : callable
        As `weighted_products`.
    """

    moments: Callable[..., np.ndarray]
    products: Callable[..., np.ndarray]


def moments_of(
    centre: np.ndarray, level: np.ndarray, sd: np.ndarray, slope: np.ndarray, applies: np.ndarray,
    x: np.ndarray, weight: np.ndarray,
) -> np.ndarray:  # fmt: skip
    """Signed subset moments E[prod over A of -pi_m], with logit pi_m = centre - slope (level + sd x).

    Parameters
    ----------
    centre, applies : ndarray (mechanism, row)
    level, sd : ndarray (row,)
        Mean and standard deviation of the score.
    slope : ndarray (mechanism,)
    x, weight : ndarray (node,)

    Returns
    -------
    ndarray (subset, row)
        Subsets in the order of `hazard.subset_products`.
    """
    score = level[:, None] + sd[:, None] * x
    chances = [expit(centre[m][:, None] - slope[m] * score) * applies[m][:, None] for m in range(len(slope))]
    products = subset_products(chances, np.ones_like(score))
    return np.stack([product @ weight for product in products]) * subset_signs(len(slope))[:, None]


def weighted_products(factors: np.ndarray, picks: np.ndarray, weight: np.ndarray) -> np.ndarray:
    """Weighted sum over sections of products of survivals, one product a portfolio, (portfolio, age).

    Parameters
    ----------
    factors : ndarray (factor, section, age)
    picks : ndarray of int (portfolio, factor of the product)
    weight : ndarray (section,)
    """
    return np.stack([weight @ np.multiply.reduce(factors[picked]) for picked in picks])


def plain_kernels() -> Kernels:
    """Both sums in NumPy."""
    return Kernels(moments_of, weighted_products)
