"""Choosing among portfolios: how often best, what is lost by a wrong choice, what dominates what, what is affordable.

Arrays only: draws along the first axis, portfolios along the second, the reference first. Costs and
gains are differences from the reference.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from itertools import pairwise
from math import factorial

import numpy as np

__all__ = [
    "Frontier",
    "acceptability",
    "affordable",
    "best_chance",
    "expected_regret",
    "frontier",
    "set_shares",
    "tail_mean",
]

UNDOMINATED, STRONG, EXTENDED = "on the frontier", "dominated", "dominated by a mixture"


def best_chance(benefit: np.ndarray) -> np.ndarray:
    """Share of draws in which each portfolio is best, shape (portfolio,), sums to 1.

    Parameters
    ----------
    benefit : ndarray (sample, portfolio)
        Of two that tie the earlier one counts as best, so the reference wins where nothing is gained.
    """
    return np.bincount(benefit.argmax(axis=1), minlength=benefit.shape[1]) / len(benefit)


def expected_regret(benefit: np.ndarray) -> np.ndarray:
    """Mean loss against the portfolio that is best in each draw, shape (portfolio,), never negative.

    The least of them is what perfect knowledge would be worth.
    """
    return np.asarray((benefit.max(axis=1, keepdims=True) - benefit).mean(axis=0))


def tail_mean(benefit: np.ndarray, share: float = 0.1) -> np.ndarray:
    """Mean benefit over the worst draws of each portfolio, shape (portfolio,).

    Parameters
    ----------
    benefit : ndarray (sample, portfolio)
    share : float in (0, 1]
        Part of the draws that counts as the tail; at least one draw.
    """
    count = max(round(share * len(benefit)), 1)
    return np.asarray(np.sort(benefit, axis=0)[:count].mean(axis=0))


@dataclass(frozen=True)
class Frontier:
    """Portfolios that give most for some price of a unit of gain.

    Parameters
    ----------
    status : tuple of str
        For each portfolio: on the frontier, dominated (another costs no more and gains no less), or
        dominated by a mixture (of a cheaper and a better one).
    order : tuple of int
        Positions on the frontier, cheapest first.
    ratio : tuple of float
        For each step of the frontier, extra cost over extra gain; of the first, 0.
    """

    status: tuple[str, ...]
    order: tuple[int, ...]
    ratio: tuple[float, ...]


def frontier(cost: np.ndarray, gain: np.ndarray) -> Frontier:
    """Dominance among expected costs and gains.

    Parameters
    ----------
    cost, gain : ndarray (portfolio,)

    Notes
    -----
    Strongly dominated portfolios go first. Of the others in order of cost the extra cost of a unit of
    gain must rise from step to step; one after which it falls is dominated by a mixture of its neighbours,
    and the test is repeated on what is left, so that two in a row both go.
    """
    count = len(cost)
    status = [UNDOMINATED] * count
    for i in range(count):
        for j in range(count):
            no_worse = cost[j] <= cost[i] and gain[j] >= gain[i]
            better = cost[j] < cost[i] or gain[j] > gain[i] or j < i
            if i != j and no_worse and better and status[j] != STRONG:
                status[i] = STRONG
                break
    order = sorted((i for i in range(count) if status[i] == UNDOMINATED), key=lambda i: (cost[i], gain[i]))
    while True:
        steps = [(cost[b] - cost[a]) / (gain[b] - gain[a]) for a, b in pairwise(order)]
        falling = next((k for k in range(1, len(steps)) if steps[k] <= steps[k - 1]), None)
        if falling is None:
            return Frontier(tuple(status), tuple(order), (0.0, *(float(s) for s in steps)))
        status[order.pop(falling)] = EXTENDED


def acceptability(cost: np.ndarray, gain: np.ndarray, willingness: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Chance that each portfolio is best at each payment for a unit of gain, and the one with the best mean.

    Parameters
    ----------
    cost, gain : ndarray (sample, portfolio)
    willingness : ndarray (payment,)
        Money for a unit of gain.

    Returns
    -------
    chance : ndarray (payment, portfolio)
        Sums to 1 over portfolios.
    best : ndarray of int (payment,)
        Portfolio with the greatest expected benefit: the acceptability frontier.
    """
    chance = np.stack([best_chance(w * gain - cost) for w in willingness])
    mean = np.outer(willingness, gain.mean(axis=0)) - cost.mean(axis=0)
    return chance, mean.argmax(axis=1)


def affordable(cost: np.ndarray, gain: np.ndarray, budget: float) -> int:
    """Portfolio with the greatest gain among those that a budget allows; the cheaper of two that tie.

    Parameters
    ----------
    cost, gain : ndarray (portfolio,)
    budget : float

    Raises
    ------
    ValueError
        When it allows none.
    """
    allowed = np.flatnonzero(cost <= budget)
    if not len(allowed):
        raise ValueError(f"the budget of {budget:g} lies below every option; the cheapest costs {cost.min():g}")
    return int(min(allowed, key=lambda i: (-gain[i], cost[i])))


def set_shares(value: Mapping[frozenset[str], np.ndarray], members: Sequence[str]) -> dict[str, np.ndarray]:
    """Shapley split of what a set is worth among its members.

    Parameters
    ----------
    value : mapping of frozenset of str to ndarray (sample,)
        Worth of every subset of `members` but the empty one.
    members : sequence of str

    Returns
    -------
    dict of str to ndarray (sample,)
        Adds up to the worth of the whole set.
    """
    count = len(members)
    nothing = np.zeros_like(value[frozenset(members)])
    out = {}
    for member in members:
        rest = [m for m in members if m != member]
        total = nothing
        for number in range(1 << len(rest)):
            others = frozenset(m for k, m in enumerate(rest) if number >> k & 1)
            weight = factorial(len(others)) * factorial(count - len(others) - 1) / factorial(count)
            total = total + weight * (value[others | {member}] - value.get(others, nothing))
        out[member] = total
    return out
