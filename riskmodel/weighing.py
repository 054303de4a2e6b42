"""The stage that weighs costs: from draws to the tables of a decision, and from these to advice."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
import pandas as pd
import xarray as xr

from .crew import Workers
from .measures import Portfolio
from .priors import PriorSet
from .study import Study

if TYPE_CHECKING:
    from .decide import Decision

__all__ = ["DECISION", "DECISION_TABLES", "WORKERS", "Weighed", "advise", "weigh"]

NAMES = ("ranking", "frontier", "acceptability", "robustness", "by_type", "shares", "levels", "assured", "information")
DECISION_TABLES = tuple(f"tables/{name}.csv" for name in NAMES)
DECISION = "decision.nc"
WORKERS = 2  # threads; the numbers do not depend on them


@dataclass(frozen=True)
class Weighed:
    """What the stage makes.

    Parameters
    ----------
    result : Dataset of kind `decision`
    tables : dict of str to DataFrame
        By file name within the results.
    affordable : str
        Best portfolio under the budget; empty without one.
    """

    result: xr.Dataset
    tables: dict[str, pd.DataFrame]
    affordable: str


def weigh(
    study: Study,
    posterior: xr.Dataset,
    programme: xr.Dataset,
    priors: PriorSet,
    portfolios: Sequence[Portfolio],
    simulation: xr.Dataset,
    *,
    others: Mapping[float, Callable[[], xr.Dataset]] | None = None,
    prior_only: bool,
    workers: Workers = WORKERS,
    progress: Callable[[int, int, str], None] | None = None,
) -> Weighed:
    """Costs, ranking and robustness of a study's portfolios.

    Parameters
    ----------
    study : Study
        With a policy.
    posterior : Dataset (chain, draw, ...)
    programme : Dataset of kind `sections`
    priors : PriorSet
    portfolios : sequence of Portfolio
    simulation : Dataset of kind `simulation`
    others : mapping of float to callable, optional
        Other threshold of the condition index to its posterior.
    prior_only : bool
    workers : int or Crew
    progress : callable, optional
    """
    from . import decisiontables as of
    from .assurance import assured_table
    from .decide import decide
    from .fates import with_fate_check
    from .levels import levels_table
    from .robustness import robustness_table
    from .splits import share_table

    policy = study.policy
    if policy is None:
        raise ValueError("a study without a policy has no costs to weigh")

    def decided(draws: xr.Dataset) -> Decision:
        return decide(
            draws, programme, priors, policy=policy, portfolios=portfolios, early_age=study.life["early_age"],
            seed=study.seed, score_shift=study.score_shift, weight_by_area=study.weight_by_area, workers=workers,
            progress=progress,
        )  # fmt: skip

    decision = decided(posterior)
    thresholds = {at: decided(load()).net_benefit.mean(axis=0) for at, load in (others or {}).items()}
    affordable = "" if policy.budget is None else of.affordable_portfolio(decision, policy.budget)
    tables = (
        of.ranking_table(decision, simulation),
        of.frontier_table(decision),
        of.acceptability_table(decision, policy.willingness),
        robustness_table(decision, simulation, posterior, thresholds=thresholds, workers=workers),
        of.type_table(decision),
        share_table(decision, portfolios, workers=workers, progress=progress),
        levels_table(decision, posterior, workers=workers),
        assured_table(decision, prior_only=prior_only, workers=workers),
        _information(decision, programme, priors),
    )
    result = with_fate_check(decision, posterior, workers=workers)
    return Weighed(result, dict(zip(DECISION_TABLES, tables, strict=True)), affordable)


def _information(decision: Decision, programme: xr.Dataset, priors: PriorSet) -> pd.DataFrame:
    from .measures import type_index
    from .worthknowing import knowledge_table

    prices = np.asarray(decision.result["price"].values)
    return knowledge_table(
        decision.net_benefit, decision.draws, priors, np.unique(type_index(programme, priors)), prices
    )


def advise(study: Study, result: xr.Dataset, affordable: str, read: Callable[[str], pd.DataFrame]) -> Iterator[str]:
    """Lines of the page on what to require.

    Parameters
    ----------
    study : Study
        With a policy.
    result : Dataset of kind `decision`
    affordable : str
    read : callable
        Reads a table by its name within the results.
    """
    from .advice import Advice, advice_lines
    from .assurance import assured_words

    table = {name: read(file) for name, file in zip(NAMES, DECISION_TABLES, strict=True)}
    errors = np.abs(result["simulated_difference"]) / result["simulated_error"].where(lambda e: e > 0)
    policy = study.policy
    return advice_lines(
        Advice(
            **{name: table[name] for name in ("ranking", "frontier", "robustness", "by_type", "levels", "information")},
            assured=assured_words(table["assured"], str(table["ranking"]["portfolio"].iloc[0])),
            attrs=result.attrs,
            monte_carlo=float(result["monte_carlo_share"].max()),
            fates=float(errors.max()),
            affordable=affordable,
            budget=None if policy is None else policy.budget,
            searched=len(study.measures or ()) if study.searches else 0,
            lines=tuple(line for line in ("user_delay", "disposal", "material") if getattr(policy, line)),
            replaces={} if policy is None else policy.replaces,
        )
    )
