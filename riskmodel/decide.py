"""What a programme costs and how long it serves under each portfolio, as expected values draw by draw."""

from __future__ import annotations

import warnings
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Any

import numpy as np
import xarray as xr

from .costing import Lives, Plan
from .crew import Workers
from .errors import RiskModelWarning
from .ledger import Chain, Ledger, sum_of
from .lives import Draws
from .measures import CURRENT_PRACTICE, NO_MEASURES, Portfolio, type_index
from .money import equivalent_annual_cost
from .notebook import facts
from .policy import OVERLAY_AGAIN, Policy
from .prices import Sizes, used_prices
from .priors import PriorSet
from .schema import Kind, Variable, define, stamp

__all__ = ["ALIKE", "BY_AREA", "Decision", "decide", "gains_of", "options_of", "plan_of"]

Progress = Callable[[int, int, str], None]
REPLICATED = 200  # draws repeated with other scores to measure the Monte Carlo variance
LEAST_ROADS = 400  # where scores are drawn, each road stands in the programme as often as that takes
MOST_NOISE = 0.02  # Monte Carlo part of a variance above which the user is told

BY_AREA, ALIKE = "lives by area", "sections alike"

_OVER, _BY = ("sample", "portfolio"), ("portfolio",)
define(
    Kind(
        "decision",
        coords={
            "sample": Variable(("sample",), "int", "1", "posterior sample, as `Draws.of` takes them"),
            "portfolio": Variable(_BY, "text", "", "portfolio; the first is current practice"),
            "type": Variable(("type",), "text", "", "overlay type"),
            "comparator": Variable(("comparator",), "text", "", "what could be done instead of an overlay"),
            "item": Variable(("item",), "text", "", "price, by the name of its [cost] table"),
            "work": Variable(("work",), "text", "", "kind of work"),
            "age": Variable(("age",), "float", "year", "age"),
            "early_age": Variable(("early_age",), "float", "year", "age below which a failure counts as early"),
        },
        variables={
            "present_value": Variable(_OVER, "float", "money", "present value of all work, a section"),
            "annual_cost": Variable(_OVER, "float", "money/year", "equivalent annual cost, a section"),
            "net_benefit": Variable(_OVER, "float", "money", "saving in present value on current practice, a section"),
            "first_cost": Variable(_OVER, "float", "money", "first cost, a section"),
            "section_years": Variable(_OVER, "float", "year", "years in good order within the horizon"),
            "survival": Variable((*_OVER, "age"), "float", "1", "share of the programme in good order"),
            "early_failures": Variable((*_OVER, "early_age"), "float", "1", "share failing before the early age"),
            "present_value_by_work": Variable((*_OVER, "work"), "float", "money", "present value by kind of work"),
            "net_benefit_by_type": Variable((*_OVER, "type"), "float", "money", "saving, a section of the type"),
            "years_gained_by_type": Variable((*_OVER, "type"), "float", "year", "years gained, a section of the type"),
            "sections_by_type": Variable(("type",), "float", "1", "sections of the type"),
            "price": Variable(("sample", "item"), "float", "money", "drawn price, in its own unit and the price year"),
            "comparator_value": Variable(("sample", "comparator"), "float", "money", "its present value, a section"),
            "simulated_difference": Variable(
                _BY, "float", "money", "simulated less expected net benefit; of the first, present value", optional=True
            ),
            "simulated_error": Variable(_BY, "float", "money", "its standard error", optional=True),
            "monte_carlo_share": Variable(_BY, "float", "1", "Monte Carlo part of the variance of the net benefit"),
        },
    )
)


@dataclass(frozen=True)
class Decision:
    """Expected costs and years of a programme.

    Parameters
    ----------
    result : Dataset of kind `decision`
    ledger : Ledger
        The same money, open to other rates, periods and prices.
    plan : Plan
        Programme and prices.
    draws : Draws
        The draws behind each sample.
    """

    result: xr.Dataset
    ledger: Ledger
    plan: Plan
    draws: Draws

    @property
    def net_benefit(self) -> np.ndarray:
        """Expected saving on current practice, shape (sample, portfolio), money a section."""
        return np.asarray(self.result["net_benefit"].values)

    @property
    def names(self) -> list[str]:
        """Portfolios, current practice first."""
        return [str(name) for name in self.result["portfolio"].values]

    def _repr_html_(self) -> str:
        attrs, mean = self.result.attrs, self.net_benefit.mean(axis=0)
        lower, upper = np.quantile(self.net_benefit, (0.05, 0.95), axis=0)
        rows = [
            (self.names[j], f"{mean[j]:.3g}", f"{lower[j]:.3g} to {upper[j]:.3g}")
            for j in np.argsort(-mean, kind="stable")
        ]
        return facts(f"Saving, {attrs['currency']} of {attrs['price_year']} a section (90 % interval)", rows)


def options_of(portfolios: Sequence[Portfolio]) -> tuple[Portfolio, ...]:
    """What can be decided for: current practice first, then every portfolio but `no_measures`."""
    rest = tuple(p for p in portfolios if p.name not in (CURRENT_PRACTICE, NO_MEASURES))
    return (Portfolio(CURRENT_PRACTICE, reference=True), *rest)


def decide(
    posterior: xr.Dataset,
    programme: xr.Dataset,
    priors: PriorSet,
    *,
    policy: Policy,
    portfolios: Sequence[Portfolio],
    early_age: float = 10.0,
    seed: int,
    score_shift: Mapping[str, float] | None = None,
    weight_by_area: bool = False,
    samples: int = 2000,
    workers: Workers = 2,
    progress: Progress | None = None,
) -> Decision:
    """Expected costs and years of every portfolio, draw by draw.

    Parameters
    ----------
    posterior : Dataset (chain, draw, ...)
    programme : Dataset of kind `sections`
    priors : PriorSet
        With prices that `prices.validate_prices` accepts.
    policy : Policy
    portfolios : sequence of Portfolio
    early_age : float
        Years.
    seed : int
    score_shift : mapping of root to float, optional
    weight_by_area : bool
        Lives count each section by its area, as in `simulate`; money goes with the area anyhow.
    samples : int
        Posterior draws used, evenly spaced: sample i here is sample i of `Draws.of(posterior, samples)`.
    workers : int or Crew
        Threads or a crew; the numbers do not depend on them.

    Returns
    -------
    Decision

    Warns
    -----
    RiskModelWarning
        When drawn scores make more than 2 % of the variance of a net benefit.
    """
    draws = Draws.of(posterior, samples)
    options = options_of(portfolios)
    plan = plan_of(
        programme, priors, options, policy=policy, early_age=early_age, seed=seed, count=draws.count,
        score_shift=score_shift, weight_by_area=weight_by_area,
    )  # fmt: skip
    lives = plan.run(draws, workers=workers, progress=progress)
    ledger = Ledger(lives.outlay, plan.chain, policy, plan.periods)
    parts = ledger.parts()
    present = sum_of(parts)
    benefit = present[:, :1] - present
    items = used_prices(policy, priors, plan.measures)
    comparators = ledger.comparators(lives.reconstruction, lives.patch)
    result = xr.Dataset(
        {
            "present_value": (_OVER, present),
            "annual_cost": (_OVER, equivalent_annual_cost(present, policy.discount_rate, policy.analysis_period)),
            "net_benefit": (_OVER, benefit),
            "first_cost": (_OVER, sum_of(lives.outlay.first)),
            "section_years": (_OVER, lives.years),
            "survival": ((*_OVER, "age"), lives.curve),
            "early_failures": ((*_OVER, "early_age"), lives.early),
            "present_value_by_work": ((*_OVER, "work"), np.stack(list(parts.values()), axis=-1)),
            "net_benefit_by_type": ((*_OVER, "type"), lives.value_by_type[:, :1] - lives.value_by_type),
            "years_gained_by_type": ((*_OVER, "type"), lives.years_by_type - lives.years_by_type[:, :1]),
            "sections_by_type": (("type",), _by_type(programme, priors)),
            "price": (("sample", "item"), np.stack([plan.prices.draws(name) for name in items], axis=-1)),
            "comparator_value": (("sample", "comparator"), np.stack(list(comparators.values()), axis=-1)),
            "monte_carlo_share": (_BY, _monte_carlo_share(plan, draws, benefit, workers)),
        },
        coords={
            "sample": np.arange(draws.count),
            "portfolio": [p.name for p in options],
            "early_age": list(plan.early_ages),
            "age": np.arange(plan.years) + 0.5,
            "type": [t.name for t in priors.types],
            "comparator": list(comparators),
            "item": items,
            "work": list(parts),
        },
        attrs=_attributes(plan, programme, draws.count),
    )
    _warn_of_noise(result)
    return Decision(stamp(result, "decision"), ledger, plan, draws)


def gains_of(plan: Plan, lives: Lives) -> dict[str, np.ndarray]:
    """Differences of a plan's options from its first, each (sample, portfolio).

    `saving` in present value; `extra_first_cost`; `years_gained` within the horizon; `averted_per_100`
    early failures of 100 sections.
    """
    count = len(lives.years)
    chain = plan.chain.part(slice(0, count))
    present, first = Ledger(lives.outlay, chain, plan.policy, plan.periods).value(), sum_of(lives.outlay.first)
    early = lives.early[:, :, plan.early_ages.index(plan.early_age)]
    return {
        "saving": present[:, :1] - present,
        "extra_first_cost": first - first[:, :1],
        "years_gained": lives.years - lives.years[:, :1],
        "averted_per_100": 100.0 * (early[:, :1] - early),
    }


def plan_of(
    programme: xr.Dataset, priors: PriorSet, options: tuple[Portfolio, ...], *, policy: Policy, **settings: Any
) -> Plan:
    """The plan of some options (see `costing.Plan`), of a programme as long as drawn scores need it."""
    wide = _widened(programme) if policy.follow_up == OVERLAY_AGAIN else programme
    return Plan(wide, priors, policy, options, **settings)


def _widened(programme: xr.Dataset) -> xr.Dataset:
    """The programme with every road as often as it takes to average over drawn scores."""
    count = programme.sizes["section"]
    times = -(-LEAST_ROADS // count)
    names = programme["section"].values.astype(str)
    wide = programme.isel(section=np.tile(np.arange(count), times))
    again = [name if r == 0 else f"{name}, again {r}" for r in range(times) for name in names]
    return wide.assign_coords(section=again)


def _by_type(programme: xr.Dataset, priors: PriorSet) -> np.ndarray:
    return np.bincount(type_index(programme, priors), minlength=len(priors.types)).astype(float)


def _warn_of_noise(result: xr.Dataset) -> None:
    worst = float(result["monte_carlo_share"].max())
    if worst > MOST_NOISE:
        warnings.warn(
            f"Drawn scores make up to {100 * worst:.1f} % of the variance of a saving between draws; differences of "
            "that size between portfolios are noise.",
            RiskModelWarning,
            stacklevel=3,
        )


def _attributes(plan: Plan, programme: xr.Dataset, count: int) -> dict[str, object]:
    policy, sizes = plan.policy, Sizes.of(programme, plan.policy)
    return {
        "early_age": plan.early_age,
        "horizon": policy.horizon,
        "analysis_period": policy.analysis_period,
        "discount_rate": policy.discount_rate,
        "follow_up": policy.follow_up,
        "currency": plan.prices.currency,
        "price_year": policy.price_year,
        "sections": len(sizes.area),
        "weighting": BY_AREA if plan.weight_by_area else ALIKE,
        "mean_area": float(sizes.area.mean()),
        "area_missing": sizes.area_missing,
        "thickness_missing": sizes.thickness_missing,
        "programme": str(programme.attrs.get("programme", "table")),
        "samples": count,
        "seed": plan.seed,
    }


def _monte_carlo_share(plan: Plan, draws: Draws, benefit: np.ndarray, workers: Workers) -> np.ndarray:
    """Monte Carlo part of the variance of the net benefit between draws, shape (portfolio,).

    0 where nothing was drawn for the roads. Otherwise some draws are repeated with other scores: half
    the mean squared difference is the Monte Carlo variance.
    """
    share = np.zeros(benefit.shape[1])
    if plan.policy.follow_up != OVERLAY_AGAIN:
        return share
    count = min(REPLICATED, draws.count)
    few = replace(draws, values={name: array[:count] for name, array in draws.values.items()}, count=count)
    again = plan.run(few, workers=workers, replicate=1)
    part = Chain(plan.chain.mass[:count], plan.chain.mean[:count])
    value = Ledger(again.outlay, part, plan.policy, plan.periods).value()
    noise = 0.5 * ((value[:, :1] - value - benefit[:count]) ** 2).mean(axis=0)
    between = benefit.var(axis=0)
    return np.divide(noise, between, out=share, where=between > 0)
