"""Which sets of many measures to weigh: a search over expected savings, with and without the budget."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass

import numpy as np
import pandas as pd
import xarray as xr

from .crew import Workers
from .decide import gains_of, options_of, plan_of
from .lives import Draws
from .measures import Portfolio
from .policy import Policy
from .priors import PriorSet
from .setsearch import Step, search_sets

__all__ = ["Searched", "search_portfolios"]

SEARCHED = 200  # draws: the sets found are weighed again with all of them
FREE, WITHIN = "without a budget", "within the budget"
COLUMNS = ("search", "step", "change", "portfolio", "saving", "extra_first_cost", "sets_tried")


@dataclass(frozen=True)
class Searched:
    """What a search found.

    Parameters
    ----------
    sets : tuple of tuple of str
        Every set of two or more measures on the way, once.
    table : DataFrame
        The way: columns `search, step, change, portfolio, saving` (expected, a section), `extra_first_cost`
        (expected, the programme), `sets_tried`.
    """

    sets: tuple[tuple[str, ...], ...]
    table: pd.DataFrame


def search_portfolios(
    posterior: xr.Dataset,
    programme: xr.Dataset,
    priors: PriorSet,
    measures: Sequence[str],
    *,
    policy: Policy,
    seed: int,
    score_shift: Mapping[str, float] | None = None,
    workers: Workers = 1,
    progress: Callable[[int, int, str], None] | None = None,
) -> Searched:
    """Search the sets of some measures for the greatest expected saving (see `setsearch`).

    Parameters
    ----------
    posterior : Dataset (chain, draw, ...)
    programme : Dataset of kind `sections`
    priors : PriorSet
    measures : sequence of str
    policy : Policy
        With a budget, the search is done once more among the sets that it allows.
    seed : int
    score_shift : mapping of root to float, optional
    workers : int or Crew
        Threads or a crew; the numbers do not depend on them.
    progress : callable, optional
    """
    draws = Draws.of(posterior, SEARCHED)
    sections, tried = programme.sizes["section"], 0

    def value(sets: Sequence[tuple[str, ...]]) -> tuple[np.ndarray, np.ndarray]:
        nonlocal tried
        options = options_of([Portfolio(" + ".join(s), s) for s in sets])
        plan = plan_of(
            programme, priors, options, policy=policy, early_age=1.0, seed=seed, count=draws.count,
            score_shift=score_shift,
        )  # fmt: skip
        lives = plan.run(draws, workers=workers)
        found = {name: draws.mean(axis=0)[1:] for name, draws in gains_of(plan, lives).items()}
        tried += len(sets)
        if progress is not None:
            # how many there will be is not known: about a square of the measures
            progress(min(tried, 2 * len(measures) ** 2 - 1), 2 * len(measures) ** 2, f"{tried} sets")
        return found["saving"], sections * found["extra_first_cost"]

    paths = {FREE: search_sets(measures, value)}
    if policy.budget is not None:
        paths[WITHIN] = search_sets(measures, value, budget=policy.budget)
    sets = dict.fromkeys(step.members for path in paths.values() for step in path if len(step.members) > 1)
    return Searched(tuple(sets), _table(paths))


def _table(paths: Mapping[str, Sequence[Step]]) -> pd.DataFrame:
    rows = [
        (name, number, step.change, " + ".join(step.members), step.gain, step.cost, step.tried)
        for name, path in paths.items()
        for number, step in enumerate(path)
    ]
    return pd.DataFrame(rows, columns=list(COLUMNS))
