"""A log density with the terms of one group integrated out: what it says of the spread that they stand off by."""

from __future__ import annotations

from collections.abc import Callable, Iterable
from typing import Any

import numpy as np

from .frame import Density
from .hazard import gauss_hermite

__all__ = ["integrated"]

NODES = 7


def integrated(
    density: Density, points: np.ndarray, terms: np.ndarray, mapped: Callable[..., Iterable[Any]] = map
) -> np.ndarray:
    """Ln of the integral over the terms at points (point, element), (point,), but for a constant.

    Given all else terms do not act on each other, and each is about standard normal: with rest_i the log density of a
    term beyond that,

        ln integral = ln density with all terms at 0 + sum over terms of ln E exp(rest_i(t) - rest_i(0)),

    t standard normal, at nodes of Gauss and Hermite. All terms stand at a node at once, and each one's log density
    follows from its slopes there. (Each of 33,333 terms adds a little that no quadratic holds; together they move the
    mode of their spread by standard deviations.)

    Parameters
    ----------
    density : callable
        In coordinates in which terms are about standard normal.
    points : ndarray (point, element)
        What terms they have does not count.
    terms : ndarray of int (term,)
    mapped : callable
        `map`, or that of threads.
    """
    nodes, weights = gauss_hermite(NODES)
    moved = np.repeat(points, NODES, axis=0)
    moved[:, terms] = np.tile(nodes, len(points))[:, None]
    found = list(mapped(density, moved))
    middle = np.array([value for value, _ in found[NODES // 2 :: NODES]])
    slopes = np.reshape([slope[terms] for _, slope in found], (len(points), NODES, len(terms)))
    rest = _from_middle(nodes, slopes) + 0.5 * nodes[:, None] ** 2
    top = rest.max(axis=1, keepdims=True)
    mean = np.einsum("n,qnt->qt", weights, np.exp(rest - top))
    return middle + (top[:, 0] + np.log(mean)).sum(axis=-1)


def _from_middle(nodes: np.ndarray, slopes: np.ndarray) -> np.ndarray:
    """Functions at the nodes, 0 at the middle one, from their slopes (point, node, term).

    Polynomials, but from node to node no more and no less than the slopes at either allow.
    """
    powers = np.arange(len(nodes))
    integrals = nodes[:, None] ** (powers + 1) / (powers + 1) @ np.linalg.inv(np.vander(nodes, increasing=True))
    risen = np.einsum("np,qpt->qnt", np.diff(integrals, axis=0), slopes)
    bounds = np.diff(nodes)[:, None] * np.stack([slopes[:, :-1], slopes[:, 1:]])
    way = np.cumsum(np.clip(risen, bounds.min(axis=0), bounds.max(axis=0)), axis=1)
    return np.concatenate([np.zeros_like(way[:, :1]), way], axis=1) - way[:, [len(nodes) // 2 - 1]]
