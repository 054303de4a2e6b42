"""Fair shares of a loss among causes: Shapley between roots, the Owen value within each root."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from math import factorial

import numpy as np

__all__ = ["Taken", "fair_shares", "shapley_values"]


@dataclass(frozen=True)
class Taken:
    """Survival of one root, from which mechanisms can be taken away.

    Parameters
    ----------
    moments : ndarray (section, pattern * subset)
        Signed subset moments; those of the empty subset sum to 1 over patterns.
    products : ndarray (pattern * subset, age)
        Subset products of the failed shares.
    patterns : int
    """

    moments: np.ndarray
    products: np.ndarray
    patterns: int

    @property
    def mechanisms(self) -> int:
        """Number of mechanisms of the root."""
        return int(np.log2(len(self.products) // self.patterns))

    def values(self, others: np.ndarray) -> np.ndarray:
        """Sums over sections and ages of `others` times survival without each subset of mechanisms.

        Parameters
        ----------
        others : ndarray (coalition, section, age)

        Returns
        -------
        ndarray (coalition, removed subset)
        """
        parts = np.matmul(others.transpose(0, 2, 1), self.moments) * self.products.T
        by_subset = parts.sum(axis=1).reshape(len(others), self.patterns, -1).sum(axis=1)
        subsets = np.arange(by_subset.shape[1])
        return by_subset @ ((subsets[:, None] & subsets) == 0)


def fair_shares(roots: Sequence[Taken], measure: np.ndarray) -> tuple[list[np.ndarray], list[np.ndarray]]:
    """Gains from removing each root and mechanism alone, and their Owen split.

    Parameters
    ----------
    roots : sequence of Taken
    measure : ndarray (section, age)
        Wear-out survival times the weights of the quantity.

    Returns
    -------
    alone, split : list of ndarray (1 + mechanisms of the root,)
        The root first.
    """
    alone, split = [], []
    intact = _intact([root.moments @ root.products for root in roots], measure)
    coalitions = np.arange(len(intact))
    for r, mine in enumerate(roots):
        # a coalition is the set of other roots that are wholly removed; its complement is intact
        removed = [int(c) for c in coalitions if not c >> r & 1]
        everyone = len(intact) - 1 - (1 << r)
        values = mine.values(intact[[everyone ^ c for c in removed]])
        weight = _joining(len(roots))[[c.bit_count() for c in removed]]
        gain = values - values[:, :1]
        by_root = float(weight @ gain[:, -1])
        shares = shapley_values(weight @ gain)
        single = [gain[0, -1], *(gain[0, 1 << m] for m in range(mine.mechanisms))]
        alone.append(np.array(single))
        split.append(np.concatenate([[by_root], shares]))
    return alone, split


def _intact(survivals: Sequence[np.ndarray], measure: np.ndarray) -> np.ndarray:
    """The measure times the survivals of each set of roots, (set, section, age); bit r stands for root r."""
    out = np.empty((1 << len(survivals), *measure.shape))
    out[0] = measure
    for r, survival in enumerate(survivals):
        size = 1 << r
        np.multiply(out[:size], survival, out=out[size : 2 * size])
    return out


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
