"""Search among sets too many to try: forward one member at a time, then swaps and drops, until nothing gains.

The rule, so that anyone can follow it: from nothing, add the member that gains most for as long as one gains; when
none does, take the drop or swap of one member that gains most, and go on adding. Of equals the earlier wins, so
the same sets give the same path. What it ends with cannot be bettered by one addition, drop or swap; with effects
that depend on each other in larger groups a better set may lie elsewhere.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass

import numpy as np

__all__ = ["SetValue", "Step", "search_sets"]

Members = tuple[str, ...]
SetValue = Callable[[Sequence[Members]], tuple[np.ndarray, np.ndarray]]
"""Sets, members in the given order, to their gains and their costs, each (set,)."""

LEAST = 1e-9  # part of the gain by which a step must gain


@dataclass(frozen=True)
class Step:
    """A set on the way.

    Parameters
    ----------
    change : str
        What was done: `adds a`, `drops a`, `a in place of b`; empty for the empty set.
    members : tuple of str
        In the order of the search's members.
    gain, cost : float
    tried : int
        Sets valued so far.
    """

    change: str
    members: Members
    gain: float
    cost: float
    tried: int


class _Values:
    """Values of sets, each asked for once."""

    def __init__(self, value: SetValue):
        self.value, self.known = value, dict[Members, tuple[float, float]]()

    def of(self, sets: Sequence[Members]) -> list[tuple[float, float]]:
        new = [s for s in dict.fromkeys(sets) if s not in self.known]
        if new:
            gains, costs = self.value(new)
            self.known |= {s: (float(g), float(c)) for s, g, c in zip(new, gains, costs, strict=True)}
        return [self.known[s] for s in sets]


def search_sets(members: Sequence[str], value: SetValue, *, budget: float = np.inf) -> tuple[Step, ...]:
    """The path of the search; its last step is the set found.

    Parameters
    ----------
    members : sequence of str
    value : callable
        Gain and cost of sets; the empty set is taken to gain and cost nothing.
    budget : float
        Sets that cost more are passed over.

    Returns
    -------
    tuple of Step
        From the empty set on, gains rising.
    """
    values = _Values(value)
    path = [Step("", (), 0.0, 0.0, 0)]
    while True:
        here = path[-1]
        for changes in (_additions(here.members, members), _exchanges(here.members, members)):
            step = _best(dict(changes), here, values, budget)
            if step is not None:
                path.append(step)
                break
        else:
            return tuple(path)


def _best(changes: dict[str, Members], here: Step, values: _Values, budget: float) -> Step | None:
    found = values.of(list(changes.values()))
    best, step = here.gain + LEAST * abs(here.gain), None
    for (words, members), (gain, cost) in zip(changes.items(), found, strict=True):
        if gain > best and cost <= budget:
            best, step = gain, Step(words, members, gain, cost, len(values.known))
    return step


def _additions(chosen: Members, members: Sequence[str]) -> Iterator[tuple[str, Members]]:
    for new in members:
        if new not in chosen:
            yield f"adds {new}", _ordered({*chosen, new}, members)


def _exchanges(chosen: Members, members: Sequence[str]) -> Iterator[tuple[str, Members]]:
    for old in chosen:
        left = {*chosen} - {old}
        yield f"drops {old}", _ordered(left, members)
        for new in members:
            if new not in chosen:
                yield f"{new} in place of {old}", _ordered({*left, new}, members)


def _ordered(chosen: set[str], members: Sequence[str]) -> Members:
    return tuple(m for m in members if m in chosen)
