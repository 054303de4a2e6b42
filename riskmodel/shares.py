"""Fair shares of a loss among causes: Shapley between roots, the Owen value within each root."""

from __future__ import annotations

from collections.abc import Sequence
from math import factorial

import numpy as np

__all__ = ["fair_shares"]


def fair_shares(without: Sequence[np.ndarray], measure: np.ndarray) -> tuple[list[np.ndarray], list[np.ndarray]]:
    """Gains from removing each root and mechanism alone, and their Owen split.

    Parameters
    ----------
    without : list of ndarray (removed subset, section, age)
        One a root; subset 0 removes nothing, the last removes all.
    measure : ndarray (section, age)
        Wear-out survival times the weights of the quantity.

    Returns
    -------
    alone, split : list of ndarray (1 + mechanisms of the root,)
        The root first.
    """
    roots = len(without)
    alone, split = [], []
    for r, mine in enumerate(without):
        others = [w for i, w in enumerate(without) if i != r]
        coalitions = _coalitions(others, measure)
        values = coalitions.reshape(len(coalitions), -1) @ mine.reshape(len(mine), -1).T
        weight = np.array([_shapley_weight(int(c).bit_count(), roots) for c in range(len(coalitions))])
        mechanisms = int(np.log2(len(mine)))
        gain = values - values[:, :1]
        by_root = float(weight @ gain[:, -1])
        shares = np.array([_marginal(weight @ gain, m, mechanisms) for m in range(mechanisms)])
        single = [gain[0, -1], *(gain[0, 1 << m] for m in range(mechanisms))]
        alone.append(np.array(single))
        split.append(np.concatenate([[by_root], shares]))
    return alone, split


def _coalitions(others: Sequence[np.ndarray], measure: np.ndarray) -> np.ndarray:
    """Products over the other roots, each intact or wholly removed, (coalition, section, age)."""
    products = [measure]
    for survival in others:
        products = [p * survival[0] for p in products] + [p * survival[-1] for p in products]
    return np.stack(products)


def _shapley_weight(size: int, players: int) -> float:
    return factorial(size) * factorial(players - size - 1) / factorial(players)


def _marginal(gain: np.ndarray, player: int, players: int) -> float:
    """Shapley value of one player of the game `gain` (indexed by coalition bits)."""
    bit = 1 << player
    rest = [c for c in range(1 << players) if not c & bit]
    return float(sum(_shapley_weight(c.bit_count(), players) * (gain[c | bit] - gain[c]) for c in rest))
