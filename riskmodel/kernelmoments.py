"""Compiled moments of susceptibility: expectation over a score of every product of susceptibilities.

Rows (states of sections) are taken in blocks, so that each step is a loop over the rows of a block.
"""

from __future__ import annotations

import numpy as np

from .vectormath import cells, exp

__all__ = ["add_moments", "moments_back"]

Table = np.ndarray
BLOCK = 64
ONE = np.uint64(1)


@cells
def add_moments(
    centre: Table, spread: Table, weight: Table, applies: Table, place: Table, nodes: Table, share: Table, total: Table
) -> None:
    """Add each row's (-1)^|A| weight E[prod over A of susceptibility] to row `place` of `total`.

    Susceptibility is expit(centre - spread x) where it applies, x the score.

    Parameters
    ----------
    centre, spread, applies : ndarray (row, slot)
    weight, place : ndarray (row,)
    nodes, share : ndarray (node,)
        Values of the score and their probabilities.
    total : ndarray (place, subset)
    """
    rows, width = centre.shape
    odds, chance, product = np.empty((3 * width, BLOCK)), np.empty((width, BLOCK)), np.empty((1 << width, BLOCK))
    mean, signs = np.empty((1 << width, BLOCK)), _signs(width)
    for first in range(0, rows, BLOCK):
        count = np.uint64(min(BLOCK, rows - first))
        scored = _load(first, count, centre, spread, applies, odds)
        mean[:, :] = 0.0
        for q in range(nodes.shape[0] if scored else 1):
            part = share[q] if scored else 1.0
            _chances(count, width, nodes[q], odds, chance)
            _products(count, width, chance, product)
            for subset in range(1 << width):
                for j in range(count):
                    mean[subset, j] += part * product[subset, j]
        for j in range(count):
            row = first + np.int64(j)
            for subset in range(1 << width):
                total[place[row], subset] += signs[subset] * weight[row] * mean[subset, j]


@cells
def moments_back(
    centre: Table, spread: Table, weight: Table, applies: Table, place: Table, nodes: Table, share: Table,
    bar: Table, centre_bar: Table, spread_bar: Table, weight_bar: Table,
) -> None:  # fmt: skip
    """Derivatives from `bar` (place, subset), added to the last three."""
    rows, width = centre.shape
    subsets = 1 << width
    odds, chance, product = np.empty((3 * width, BLOCK)), np.empty((width, BLOCK)), np.empty((subsets, BLOCK))
    given, back, chance_bar = np.empty((subsets, BLOCK)), np.empty((subsets, BLOCK)), np.empty((width, BLOCK))
    to_centre, to_spread, to_weight = np.empty((width, BLOCK)), np.empty((width, BLOCK)), np.empty(BLOCK)
    signs = _signs(width)
    for first in range(0, rows, BLOCK):
        count = np.uint64(min(BLOCK, rows - first))
        scored = _load(first, count, centre, spread, applies, odds)
        for j in range(count):
            for subset in range(subsets):
                given[subset, j] = signs[subset] * bar[place[first + np.int64(j)], subset]
        to_centre[:, :], to_spread[:, :], to_weight[:] = 0.0, 0.0, 0.0
        for q in range(nodes.shape[0] if scored else 1):
            part, node = (share[q], nodes[q]) if scored else (1.0, 0.0)
            _chances(count, width, node, odds, chance)
            _products(count, width, chance, product)
            for subset in range(subsets):
                for j in range(count):
                    back[subset, j] = part * given[subset, j]
                    to_weight[j] += back[subset, j] * product[subset, j]
            _products_back(count, width, chance, product, back, chance_bar)
            for s in range(width):
                for j in range(count):
                    slope = chance_bar[s, j] * chance[s, j] * (1.0 - chance[s, j])
                    to_centre[s, j] += slope
                    to_spread[s, j] -= slope * node
        for j in range(count):
            row = first + np.int64(j)
            weight_bar[row] += to_weight[j]
            for s in range(width):
                centre_bar[row, s] += weight[row] * to_centre[s, j]
                spread_bar[row, s] += weight[row] * to_spread[s, j]


@cells
def _load(first: int, count: int, centre: Table, spread: Table, applies: Table, odds: Table) -> bool:
    """Rows of the block, slots first; False where none depends on the score, so that any one value of it will do."""
    width = centre.shape[1]
    widest = 0.0
    for j in range(count):
        row = first + np.int64(j)
        for s in range(width):
            odds[s, j] = centre[row, s]
            odds[width + s, j] = spread[row, s]
            odds[2 * width + s, j] = 0.0 if applies[row, s] == 0.0 else 1.0
            widest += abs(spread[row, s])
    return widest != 0.0


@cells
def _chances(count: int, width: int, node: float, odds: Table, chance: Table) -> None:
    """Susceptibilities at one value of the score."""
    for s in range(width):
        for j in range(count):
            chance[s, j] = odds[2 * width + s, j] / (1.0 + exp(odds[width + s, j] * node - odds[s, j]))


@cells
def _products(count: int, width: int, chance: Table, product: Table) -> None:
    """Products over every subset of slots."""
    for j in range(count):
        product[0, j] = 1.0
    for s in range(width):
        for subset in range(1 << s):
            for j in range(count):
                product[subset + (1 << s), j] = product[subset, j] * chance[s, j]


@cells
def _products_back(count: int, width: int, chance: Table, product: Table, back: Table, chance_bar: Table) -> None:
    """From `back` of the products, which it uses up, to the susceptibilities."""
    for s in range(width - 1, -1, -1):
        for j in range(count):
            chance_bar[s, j] = 0.0
        for subset in range(1 << s):
            _product_back(count, back[subset + (1 << s)], product[subset], chance[s], chance_bar[s], back[subset])


@cells
def _product_back(count: int, bar: Table, part: Table, chance: Table, chance_bar: Table, part_bar: Table) -> None:
    """From `bar` of a product to both factors."""
    for j in range(count):
        chance_bar[j] += bar[j] * part[j]
        part_bar[j] += bar[j] * chance[j]


@cells
def _signs(width: int) -> Table:
    """(-1)^|A| of every subset."""
    signs = np.ones(1 << width)
    for s in range(width):
        for subset in range(1 << s):
            signs[subset + (1 << s)] = -signs[subset]
    return signs
