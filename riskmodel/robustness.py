"""What would change the first place: other rates, periods, prices, compliance, priors, ages and horizons.

Prior power-scaling follows N. Kallioinen, T. Paananen, P.-C. Bürkner and A. Vehtari, Statistics and
Computing 34 (2024) 57 (page not seen): draws are weighted by the prior density to a power less one,
Pareto-smoothed, and the tail shape k-hat says whether the weights can be trusted.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import replace

import numpy as np
import pandas as pd
import xarray as xr

from .costing import Plan
from .crew import Workers
from .decide import Decision
from .decisiontables import money_words
from .distribution import Distribution
from .ledger import Ledger
from .lives import Draws
from .places import EFFECT
from .prices import used_prices
from .stated import joint_log_ratio, selection_draws, stated_draws

__all__ = ["log_priors", "pareto_weights", "robustness_table", "smoothed_weights"]

POWERS = (0.8, 1.25)
FEW = 200  # draws of a further pass
LEAST_DRAWS = 50
TRUSTED = 0.7  # k-hat above which weights are not to be trusted
PRICE_STEPS = (0.5, 2.0)
COMPLIANCE = (("done half as often", 0.5), ("always done where required", None))
RATES = np.linspace(0.0, 0.10, 21)
LARGEST = 20.0  # factor beyond which a switching value says nothing

Row = dict[str, object]


def robustness_table(
    decision: Decision,
    simulation: xr.Dataset,
    posterior: xr.Dataset,
    *,
    thresholds: Mapping[float, np.ndarray] | None = None,
    workers: Workers = 1,
) -> pd.DataFrame:
    """First place under changed assumptions, and the values at which it changes.

    Parameters
    ----------
    decision : Decision
    simulation : Dataset of kind `simulation`
    posterior : Dataset (chain, draw, ...)
        For the passes under other compliance.
    thresholds : mapping of float to ndarray (portfolio,), optional
        Other threshold of the condition index to the expected savings of a calibration of its own.
    workers : int or Crew

    Returns
    -------
    DataFrame
        Columns kind, setting, first_place, saving, second_place, margin, same_first, k_hat. A row of kind
        `switching value` names the value at which the first place changes and who is first then;
        `what it takes` says what another measure would need.
    """
    base = _first(decision.names, decision.net_benefit.mean(axis=0))
    rows = [
        {"kind": "as stated", "setting": "", **base},
        *(
            {"kind": "threshold", "setting": f"{at:g}", **_first(decision.names, mean)}
            for at, mean in (thresholds or {}).items()
        ),
        *_rates_and_periods(decision),
        *_prices(decision),
        *_compliance(decision, posterior, workers),
        *_priors(decision),
        *_single_measures(decision, simulation),
        *_switching(decision),
        *_what_it_takes(decision),
    ]
    table = pd.DataFrame(rows)
    same = np.where(table["first_place"] == base["first_place"], "yes", "no")
    # these ask another question, or name the change itself
    table["same_first"] = np.where(table["kind"].isin(["early age", "horizon"]), "", same)
    order = ["kind", "setting", "first_place", "saving", "second_place", "margin", "same_first", "k_hat"]
    return table.reindex(columns=order).assign(money=money_words(decision))


def _first(names: list[str], mean: np.ndarray) -> Row:
    """First and second place by expected saving; of two that tie the earlier."""
    order = np.argsort(-mean, kind="stable")
    second = names[order[1]] if len(names) > 1 else ""
    margin = mean[order[0]] - mean[order[1]] if len(names) > 1 else np.nan
    return {"first_place": names[order[0]], "saving": mean[order[0]], "second_place": second, "margin": margin}


def _saving(present: np.ndarray) -> np.ndarray:
    return np.asarray((present[:, :1] - present).mean(axis=0))


def _rates_and_periods(decision: Decision) -> Iterator[Row]:
    policy, ledger, names = decision.ledger.policy, decision.ledger, decision.names
    for rate in policy.discount_rates:
        first = _first(names, _saving(ledger.value(rate=rate)))
        yield {"kind": "discount rate", "setting": f"{100 * rate:g} %", **first}
    for period in policy.analysis_periods:
        first = _first(names, _saving(ledger.value(period=period)))
        yield {"kind": "analysis period", "setting": f"{period} years", **first}


def _prices(decision: Decision) -> Iterator[Row]:
    measures, names = decision.plan.measures, decision.names
    later = [name for name in decision.ledger.outlay.ends if name not in measures]
    groups = {
        "all measures": measures,
        **{m: (m,) for m in measures},
        "work after an overlay's end": later,
    }
    for words, columns in groups.items():
        for factor in PRICE_STEPS:
            value = decision.ledger.value(scale=dict.fromkeys(columns, factor))
            yield {"kind": "price", "setting": f"{words}, times {factor:g}", **_first(names, _saving(value))}


def _compliance(decision: Decision, posterior: xr.Dataset, workers: Workers) -> Iterator[Row]:
    draws = Draws.of(posterior, FEW)
    plan = decision.plan.of_others(decision.plan.portfolios, draws.count)
    if "compliance" not in draws:
        return
    for words, factor in COMPLIANCE:
        done = draws["compliance"] * factor if factor is not None else np.ones_like(draws["compliance"])
        lives = plan.run(replace(draws, values={**draws.values, "compliance": done}), workers=workers)
        value = Ledger(lives.outlay, plan.chain, plan.policy, plan.periods).value()
        yield {"kind": "compliance", "setting": words, **_first(decision.names, _saving(value))}


# ------------------------------------------------------------------------------- weighted priors


GROUPS = {
    "share failing early": ("early_failure",),
    "effects of measures": (EFFECT,),
    "compliance": ("compliance",),
    "ages of early failure": ("age_median", "age_shape"),
    "shape of wear-out": ("wear_out_shape",),
}
"""Variables whose priors are weighted together (see `places`)."""


def log_priors(decision: Decision) -> dict[str, np.ndarray]:
    """Log prior density of each draw by group of parameters, each (sample,); groups without a density are left out."""
    plan, draws = decision.plan, decision.draws
    priors = plan.priors
    mix = np.bincount(plan.types, minlength=len(priors.types)).astype(float)
    every = [one for one in stated_draws(draws, priors, plan.early_age, mix) if one[1].family != "fixed"]
    parts = {name: [one for one in every if one[0].variable in group] for name, group in GROUPS.items()}
    totals = {name: _density([one[1:] for one in part]) + joint_log_ratio(part, priors) for name, part in parts.items()}
    totals |= {"selection of roads": _density(selection_draws(draws, priors)), "prices": _density(_price_draws(plan))}
    return {name: total for name, total in totals.items() if np.isfinite(total).all() and np.ptp(total) > 0}


def _density(pairs: Sequence[tuple[Distribution, np.ndarray]]) -> np.ndarray:
    """Log density of independent quantities, (sample,); one nought where all are fixed."""
    return sum((d.logpdf(x) for d, x in pairs if d.family != "fixed"), start=np.zeros(1))


def _price_draws(plan: Plan) -> list[tuple[Distribution, np.ndarray]]:
    names = used_prices(plan.policy, plan.priors, plan.measures)
    costs = {cost.name: cost for cost in plan.priors.costs}
    return [(costs[name].amount.distribution, plan.prices.drawn(name)) for name in names]


def smoothed_weights(log_prior: np.ndarray, power: float) -> tuple[np.ndarray, float]:
    """Weights that raise a prior to a power, Pareto-smoothed, and their k-hat.

    Parameters
    ----------
    log_prior : ndarray (sample,)
    power : float
        Above 1 the prior is more sure, below 1 less.

    Returns
    -------
    weights : ndarray (sample,)
        Sum to 1; even, with an infinite k-hat, where the draws are too few for a tail.
    k_hat : float
    """
    return pareto_weights((power - 1.0) * log_prior)


def pareto_weights(ratio: np.ndarray) -> tuple[np.ndarray, float]:
    """Weights from log importance ratios (sample,), Pareto-smoothed, and their k-hat (see `smoothed_weights`)."""
    from arviz_stats.base import array_stats

    if len(ratio) < LEAST_DRAWS:
        return np.full(len(ratio), 1.0 / len(ratio)), np.inf
    # the library smooths the inverse of a likelihood, so it wants the negative
    smooth, k_hat = array_stats.psislw(ratio.max() - ratio, axis=-1)
    weight = np.exp(smooth - smooth.max())
    return weight / weight.sum(), float(k_hat)


def _priors(decision: Decision) -> Iterator[Row]:
    for name, log_prior in log_priors(decision).items():
        for power in POWERS:
            weight, k_hat = smoothed_weights(log_prior, power)
            words = "more" if power > 1 else "less"
            trusted = "" if k_hat <= TRUSTED else ", weights not to be trusted"
            first = _first(decision.names, weight @ decision.net_benefit)
            yield {
                "kind": "prior",
                "setting": f"{name}, {words} sure (power {power:g}){trusted}",
                **first,
                "k_hat": k_hat,
            }


# ----------------------------------------------------------------- what else could be called best


def _single_measures(decision: Decision, simulation: xr.Dataset) -> Iterator[Row]:
    """The single measure that averts most by each early age, and gains most years within each horizon."""
    singles = [i for i, p in enumerate(decision.plan.portfolios) if len(p.measures) == 1]
    names = [decision.names[i] for i in singles]
    if not names:
        return
    early = decision.result["early_failures"]
    for age in early["early_age"].values:
        share = early.sel(early_age=age).values
        first = _first(names, 100.0 * (share[:, :1] - share).mean(axis=0)[singles])
        yield {"kind": "early age", "setting": f"most averted of 100 before {age:g} years", **first}
    survival = simulation["survival"].sel(portfolio=decision.names)
    ages = simulation["age"].values
    for horizon in sorted({25.0, 40.0, float(simulation.attrs["horizon"])}):
        inside = ages <= horizon + 1e-9
        mean = np.trapezoid(survival.values[:, :, inside], ages[inside], axis=-1).mean(axis=0)
        yield {
            "kind": "horizon",
            "setting": f"most years gained up to {horizon:g}",
            **_first(names, (mean - mean[0])[singles]),
        }


# ------------------------------------------------------------------------------ switching values


def _switching(decision: Decision) -> Iterator[Row]:
    """Nearest values of one assumption at a time at which the first place changes."""
    measures = decision.plan.measures
    later = tuple(name for name in decision.ledger.outlay.ends if name not in measures)
    names = decision.names
    for words, columns in {**{m: (m,) for m in measures}, "work after an overlay's end": later}.items():
        one, two = (_saving(decision.ledger.value(scale=dict.fromkeys(columns, f))) for f in (1.0, 2.0))
        for factor, place in _crossings(one, two - one):
            setting = f"price of {words}, times {factor:.3g}"
            yield {"kind": "switching value", "setting": setting, "first_place": names[place], "saving": np.nan}
    yield from _switching_rates(decision)


def _crossings(base: np.ndarray, slope: np.ndarray) -> Iterator[tuple[float, int]]:
    """Factors below and above 1 at which base + slope (factor - 1) changes its greatest entry, and the new one."""
    leader = int(np.argmax(base))
    gap, closing = base[leader] - base, slope - slope[leader]
    for sign in (-1.0, 1.0):
        with np.errstate(divide="ignore", invalid="ignore"):
            step = np.where(sign * closing > 1e-12 * np.abs(base).max(), gap / closing, np.inf * sign)
        place = int(np.argmin(np.abs(step)))
        factor = 1.0 + float(step[place])
        if 0.0 <= factor <= LARGEST:
            yield factor, place


def _switching_rates(decision: Decision) -> Iterator[Row]:
    names, stated = decision.names, decision.ledger.policy.discount_rate
    places = [int(np.argmax(_saving(decision.ledger.value(rate=float(rate))))) for rate in RATES]
    now = int(np.argmax(decision.net_benefit.mean(axis=0)))
    below = [i for i in range(len(RATES)) if RATES[i] < stated and places[i] != now][-1:]
    above = [i for i in range(len(RATES)) if RATES[i] > stated and places[i] != now][:1]
    for i in (*below, *above):
        setting = f"discount rate of {100 * RATES[i]:.2g} %"
        yield {"kind": "switching value", "setting": setting, "first_place": names[places[i]], "saving": np.nan}


def _what_it_takes(decision: Decision) -> Iterator[Row]:
    """What each single measure would need to come first: a lower price, or a greater effect."""
    mean = decision.net_benefit.mean(axis=0)
    best = mean.max()
    parts, first = decision.ledger.parts(), decision.ledger.outlay.first
    extra = decision.result["first_cost"].values.mean(axis=0)
    for i, portfolio in enumerate(decision.plan.portfolios):
        if len(portfolio.measures) != 1 or mean[i] == best:
            continue
        measure = portfolio.measures[0]
        price = float(parts[measure][:, i].mean())
        # price, renewals of it and consequences; the rest of the saving is what the measure does
        own = float(extra[i] - extra[0] - first[measure][:, i].mean() + price)
        factor, saved = 1.0 - (best - mean[i]) / price, mean[i] + own
        cheaper = f"price times {factor:.2g}" if factor > 0 else "not first even free of charge"
        effect = f"effect times {(best + own) / saved:.2g}" if saved > 0 else "no effect of this kind is enough"
        setting = f"{measure}: {cheaper}; {effect}"
        yield {"kind": "what it takes", "setting": setting, "first_place": decision.names[i], "saving": best}
