"""Fair shares of a loss among causes: Shapley between roots, the Owen value within each root."""

from __future__ import annotations

from collections.abc import Sequence
from math import factorial

import numpy as np

__all__ = ["fair_shares", "shapley_values"]


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
        weight = _joining(roots)[[c.bit_count() for c in range(len(coalitions))]]
        mechanisms = int(np.log2(len(mine)))
        gain = values - values[:, :1]
        by_root = float(weight @ gain[:, -1])
        shares = shapley_values(weight @ gain)
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


def shapley_values(game: np.ndarray) -> np.ndarray:
    """Shapley value of each player of a game.

    Parameters
    ----------
    game : ndarray (coalition, ...)
        Worth of every coalition; bit i of its number is player i.

    Returns
    -------
    ndarray (player, ...)
        They add up to what all players together gain.

    Notes
    -----
    L. S. Shapley, A value for n-person games, 1953 (page not seen): the mean gain that a player brings over all
    orders of joining.
    """
    players, numbers = len(game).bit_length() - 1, np.arange(len(game))
    size = np.array([int(n).bit_count() for n in numbers])
    weight = _joining(players)
    out = np.empty((players, *game.shape[1:]))
    for player in range(players):
        without = numbers[(numbers >> player & 1) == 0]
        out[player] = np.tensordot(weight[size[without]], game[without | 1 << player] - game[without], axes=1)
    return out


def _joining(players: int) -> np.ndarray:
    """Share of the orders in which a player joins after a given coalition, by its size, (player,)."""
    return np.array([factorial(k) * factorial(players - k - 1) / factorial(players) for k in range(players)])
