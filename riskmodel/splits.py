"""Shapley split of what a portfolio gains among its measures; parts that nobody asked for are weighed for it."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping, Sequence
from itertools import chain, combinations

import numpy as np
import pandas as pd

from .choice import set_shares
from .crew import Workers
from .decide import Decision, gains_of, options_of
from .measures import Portfolio

__all__ = ["MOST_SPLIT", "share_table"]

MOST_SPLIT = 6  # measures of a portfolio that is split: 64 parts
QUANTITIES = ("saving", "years_gained", "averted_per_100")
COLUMNS = ["portfolio", "measure", "quantity", "mean", "lower", "upper", "note"]
TOO_MANY = f"not split: more than {MOST_SPLIT} measures have too many parts to weigh"
TAILS = (0.05, 0.95)

Part = frozenset[tuple[str, str]]
"""Measures of a part, each with its rule on where."""
Gains = Mapping[str, np.ndarray]


def share_table(
    decision: Decision,
    portfolios: Sequence[Portfolio],
    *,
    workers: Workers = 1,
    progress: Callable[[int, int, str], None] | None = None,
) -> pd.DataFrame:
    """Shapley split of what each portfolio of two or more measures gains among its measures.

    Parameters
    ----------
    decision : Decision
    portfolios : sequence of Portfolio
    workers : int or Crew
        Threads or a crew; the numbers do not depend on them.
    progress : callable, optional

    Returns
    -------
    DataFrame
        Columns portfolio, measure, quantity, mean, lower, upper, note. Rows of a portfolio and quantity add up
        to its gain. A part keeps the rules of its measures on where. A portfolio of more than six measures has
        one row, whose note says so.
    """
    joint = [p for p in options_of(portfolios) if len(p.measures) > 1]
    split = [p for p in joint if len(p.measures) <= MOST_SPLIT]
    gains = _known(decision) | _missing(decision, split, workers, progress)
    rows = [
        row
        for p in joint
        for row in (_rows(p, gains) if p in split else [(p.name, "", "", np.nan, np.nan, np.nan, TOO_MANY)])
    ]
    return pd.DataFrame(rows, columns=COLUMNS)


def _part(portfolio: Portfolio, measures: Sequence[str]) -> Part:
    where = portfolio.where
    return frozenset((m, repr(sorted((c, sorted(v)) for c, v in where.get(m, {}).items()))) for m in measures)


def _subsets(measures: Sequence[str]) -> Iterator[tuple[str, ...]]:
    return chain.from_iterable(combinations(measures, n) for n in range(1, len(measures) + 1))


def _known(decision: Decision) -> dict[Part, Gains]:
    """Gains of the portfolios that were weighed, each quantity (sample,)."""
    result = decision.result
    early = result["early_failures"].sel(early_age=result.attrs["early_age"]).values
    years = result["section_years"].values
    found = {
        "saving": decision.net_benefit,
        "years_gained": years - years[:, :1],
        "averted_per_100": 100.0 * (early[:, :1] - early),
    }
    return {
        _part(p, p.measures): {name: draws[:, i] for name, draws in found.items()}
        for i, p in enumerate(decision.plan.portfolios)
        if p.measures
    }


def _missing(
    decision: Decision,
    portfolios: Sequence[Portfolio],
    workers: Workers,
    progress: Callable[[int, int, str], None] | None,
) -> dict[Part, Gains]:
    """Gains of the parts that were not asked for, from one more pass over the same draws."""
    known = {_part(p, p.measures) for p in decision.plan.portfolios}
    parts = {
        _part(p, s): Portfolio(" + ".join(s), s, {m: p.where[m] for m in s if m in p.where})
        for p in portfolios
        for s in _subsets(p.measures)
    }
    new = {part: p for part, p in parts.items() if part not in known}
    if not new:
        return {}
    plan = decision.plan.of_others((decision.plan.portfolios[0], *new.values()), decision.draws.count)
    found = gains_of(plan, plan.run(decision.draws, workers=workers, progress=progress))
    return {part: {q: found[q][:, i] for q in QUANTITIES} for i, part in enumerate(new, start=1)}


def _rows(portfolio: Portfolio, gains: Mapping[Part, Gains]) -> Iterator[tuple[object, ...]]:
    for quantity in QUANTITIES:
        value = {frozenset(s): gains[_part(portfolio, s)][quantity] for s in _subsets(portfolio.measures)}
        for measure, draws in set_shares(value, portfolio.measures).items():
            lower, upper = np.quantile(draws, TAILS)
            yield portfolio.name, measure, quantity, draws.mean(), lower, upper, ""
