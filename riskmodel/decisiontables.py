"""A decision as tables: ranking, frontier, acceptability, gain by overlay type, shares, levels.

Money is that of the study's currency and price year, a section on the average of the programme. No ratio
carries an interval: where the gain may be nought, a ratio has none.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence

import numpy as np
import pandas as pd
import xarray as xr

from .choice import (
    Frontier,
    acceptability,
    affordable,
    best_chance,
    expected_regret,
    frontier,
    tail_mean,
)
from .decide import Decision
from .ledger import RECONSTRUCTION
from .measures import CURRENT_PRACTICE, Portfolio

__all__ = [
    "acceptability_table",
    "affordable_portfolio",
    "frontier_table",
    "payments",
    "ranking_table",
    "reconstruction_year",
    "type_table",
]

TAILS = (0.05, 0.95)
GRID = 25
MOST_TIMES = 5.0  # of the cost of a year of a reconstruction's life: the dearest payment worth stating


def gains(decision: Decision) -> dict[str, np.ndarray]:
    """Differences from current practice, each (sample, portfolio).

    `saving` in present value; `extra_first_cost`; `years_gained` within the horizon; `averted_per_100`
    early failures of 100 sections.
    """
    result = decision.result
    early = result["early_failures"].sel(early_age=result.attrs["early_age"]).values
    first, years = result["first_cost"].values, result["section_years"].values
    return {
        "saving": decision.net_benefit,
        "extra_first_cost": first - first[:, :1],
        "years_gained": years - years[:, :1],
        "averted_per_100": 100.0 * (early[:, :1] - early),
    }


def ranking_table(decision: Decision, simulation: xr.Dataset) -> pd.DataFrame:
    """Every portfolio, greatest expected saving first, then what could be done instead of an overlay.

    Parameters
    ----------
    decision : Decision
    simulation : Dataset of kind `simulation`
        Of the same portfolios: early failures, ages that nine in ten outlive, assured ages.

    Returns
    -------
    DataFrame
        Of each quantity mean, lower and upper end of the 90 % interval over draws; chance of being best,
        expected regret and mean of the worst tenth of the draws, all on the agency's ledger; dominance on
        the ledger of effectiveness; the assured age has no interval, being a bound itself.
    """
    result, names = decision.result, decision.names
    table = pd.DataFrame({"portfolio": names, "kind": "option"})
    columns = {
        **{name: result[name].values for name in ("present_value", "annual_cost", "first_cost")},
        **gains(decision),
    }
    value = simulation["value"].sel(portfolio=names)
    early, b10 = (value.sel(quantity=name).values for name in ("early_failure_probability", "b10_age"))
    columns |= {"averted_per_100": 100.0 * (early[:, :1] - early), "b10_gain": b10 - b10[:, :1]}
    for name, draws in columns.items():
        table = pd.concat([table, _summary(name, draws)], axis=1)
    assured = simulation["assured_age"].sel(portfolio=names).values[:, 0]
    table["assured_age"], table["assured_age_gain"] = assured, assured - assured[0]
    table["chance_best"] = best_chance(decision.net_benefit)
    table["expected_regret"] = expected_regret(decision.net_benefit)
    table["saving_worst_tenth"] = tail_mean(decision.net_benefit)
    table["dominance"] = _frontier(decision).status
    table["monte_carlo_share"] = result["monte_carlo_share"].values
    table = table.sort_values("saving_mean", ascending=False, kind="stable")
    table = pd.concat([table, _comparators(decision)], ignore_index=True)
    return table.assign(**basis_words(decision))


def basis_words(decision: Decision) -> dict[str, str]:
    """Columns that say what money is in, and how sections count in lives."""
    return {"money": money_words(decision), "weighting": str(decision.result.attrs["weighting"])}


def money_words(decision: Decision) -> str:
    """Currency and price year, `USD of 2024 a section`."""
    attrs = decision.result.attrs
    return f"{attrs['currency']} of {attrs['price_year']} a section"


def _summary(name: str, draws: np.ndarray) -> pd.DataFrame:
    finite = np.where(np.isfinite(draws), draws, 1000.0)
    lower, upper = np.quantile(finite, TAILS, axis=0)
    return pd.DataFrame({f"{name}_mean": finite.mean(axis=0), f"{name}_lower": lower, f"{name}_upper": upper})


def _comparators(decision: Decision) -> pd.DataFrame:
    result = decision.result
    value = result["comparator_value"].values
    table = pd.DataFrame({"portfolio": result["comparator"].values.astype(str), "kind": "instead of an overlay"})
    saving = result["present_value"].values[:, :1] - value
    return pd.concat([table, _summary("present_value", value), _summary("saving", saving)], axis=1)


def _frontier(decision: Decision) -> Frontier:
    found = gains(decision)
    return frontier(found["extra_first_cost"].mean(axis=0), found["years_gained"].mean(axis=0))


def frontier_table(decision: Decision) -> pd.DataFrame:
    """Extra first cost against section-years gained: who lies on the frontier, and what a step on it costs.

    Returns
    -------
    DataFrame
        `step_cost_per_year` is the extra cost of the step to that portfolio over its extra gain, a ratio of
        means; empty off the frontier and for its first point.
    """
    found, names = gains(decision), decision.names
    edge = _frontier(decision)
    step = dict(zip(edge.order[1:], edge.ratio[1:], strict=True))
    order = np.argsort(found["extra_first_cost"].mean(axis=0), kind="stable")
    return pd.DataFrame(
        {
            "portfolio": [names[i] for i in order],
            "extra_first_cost": found["extra_first_cost"].mean(axis=0)[order],
            "years_gained": found["years_gained"].mean(axis=0)[order],
            "status": [edge.status[i] for i in order],
            "step_cost_per_year": [step.get(int(i), np.nan) for i in order],
            "horizon": decision.result.attrs["horizon"],
            **basis_words(decision),
        }
    )


def payments(decision: Decision, stated: Sequence[float] = ()) -> np.ndarray:
    """Payments for a section-year at which acceptability is stated.

    Unless they are stated they run from 0 to half as much again as the dearest step or option that gains years,
    but no further than `MOST_TIMES` what a year of a reconstruction's life costs: years dearer than that are
    bought by reconstructing, and an option that gains next to nothing has a price without limit.
    """
    if len(stated):
        return np.sort(np.asarray(stated, float))
    found = gains(decision)
    cost, years = found["extra_first_cost"].mean(axis=0), found["years_gained"].mean(axis=0)
    helpful = years > 0
    steps = [*_frontier(decision).ratio, *(cost[helpful] / years[helpful])]
    dearest = max([step for step in steps if step > 0], default=1.0)
    return np.linspace(0.0, min(1.5 * dearest, MOST_TIMES * reconstruction_year(decision)), GRID)


def reconstruction_year(decision: Decision) -> float:
    """Expected cost of a reconstruction over its expected life, money a section and year."""
    plan = decision.plan
    return float(plan.money[RECONSTRUCTION].mean() / plan.chain.mean.mean())


def acceptability_table(decision: Decision, willingness: Sequence[float] = ()) -> pd.DataFrame:
    """Chance that each portfolio is the best buy at each payment for a section-year gained.

    Returns
    -------
    DataFrame
        One row a payment and portfolio; `on_frontier` marks the one with the greatest expected benefit.
        The chances of a payment sum to 1.
    """
    found, names = gains(decision), decision.names
    grid = payments(decision, willingness)
    chance, best = acceptability(found["extra_first_cost"], found["years_gained"], grid)
    rows = [
        {
            "payment_per_section_year": grid[w],
            "portfolio": name,
            "chance_best": chance[w, j],
            "on_frontier": "yes" if best[w] == j else "no",
        }
        for w in range(len(grid))
        for j, name in enumerate(names)
    ]
    return pd.DataFrame(rows).assign(money=money_words(decision))


def type_table(decision: Decision) -> pd.DataFrame:
    """Saving and years gained by overlay type: where a requirement pays."""
    result, names = decision.result, decision.names
    rows = []
    for t, kind in enumerate(result["type"].values.astype(str)):
        if not result["sections_by_type"].values[t]:
            continue
        saving, years = (result[v].values[:, :, t] for v in ("net_benefit_by_type", "years_gained_by_type"))
        best = best_chance(saving)
        table = pd.concat([_summary("saving", saving), _summary("years_gained", years)], axis=1)
        table.insert(0, "portfolio", names)
        table.insert(0, "sections", int(result["sections_by_type"].values[t]))
        table.insert(0, "type", kind)
        rows.append(table.assign(chance_best=best).iloc[1:])
    return pd.concat(rows, ignore_index=True).assign(**basis_words(decision))


def affordable_portfolio(decision: Decision, budget: float) -> str:
    """Portfolio with the greatest expected saving that a budget for the whole programme allows.

    Parameters
    ----------
    decision : Decision
    budget : float
        Extra first cost of the programme that may be spent on measures; current practice costs nothing extra.
    """
    found, sections = gains(decision), decision.result.attrs["sections"]
    cost = found["extra_first_cost"].mean(axis=0) * sections
    return decision.names[affordable(cost, found["saving"].mean(axis=0), budget)]


def single_measures(names: Sequence[str], portfolios: Mapping[str, Portfolio]) -> list[int]:
    """Positions of the portfolios that add one measure."""
    return [i for i, name in enumerate(names) if name != CURRENT_PRACTICE and len(portfolios[name].measures) == 1]
