"""A study before it is run: what the tables hold and what the priors say, in trade words."""

from __future__ import annotations

import textwrap
from collections.abc import Iterator
from pathlib import Path

import numpy as np
import xarray as xr

from .advice import worded_money
from .closedform import ClosedForm, Sums, age_grid
from .desk import Desk
from .lives import Draws
from .measures import CURRENT_PRACTICE, NO_MEASURES, REFERENCES
from .outcomes import quantities, values
from .physicalpriors import Comparison, compare_effects
from .places import taken_jointly
from .policy import Policy
from .prices import Prices, costs_of
from .priordraws import prior_draws
from .priors import Effect
from .records import census_text
from .report import rounded
from .study import Study

__all__ = ["preview"]

DRAWS = 200
YARD2 = 0.83612736  # m2
MOST_SECTIONS = 60  # a preview answers in seconds: of a longer programme, sections evenly spaced
SCALES = {
    "risk_ratio": "of 100 sections that would have failed early by {causes}, {low:.0f} to {high:.0f} still would",
    "odds_ratio": "odds of failing early by {causes} multiplied by {low:.2f} to {high:.2f}",
    "hazard_ratio": "hazard rate of {causes} multiplied by {low:.2f} to {high:.2f}",
}


def preview(study: Study) -> str:
    """Read everything a study names and say what is there; nothing is sampled or written.

    Raises
    ------
    RiskModelError
        With the faults of the study, the prior files or the tables.
    """
    desk = Desk(study, Path(), progress=lambda done, total, text: None)
    desk.read_inputs()
    lines = [
        study.title,
        "",
        *_records(desk),
        *_carried(desk),
        "",
        *_life(desk),
        "",
        *_measures(desk),
        "",
        *_portfolios(desk),
    ]
    if study.policy is not None:
        lines += ["", *_money(desk, study.policy)]
    return "\n".join(lines) + "\n"


def _records(desk: Desk) -> list[str]:
    if desk.tables is None:
        return ["Records: none. The study names no table, so results rest on the priors alone."]
    rounds = [
        f"Round {one.name}: {one.sections_new + one.sections_told} rows of sections and "
        f"{one.surveys_new + one.surveys_told} of surveys say something new"
        for one in desk.tables.intakes
    ]
    return [*census_text(desk.tables).rstrip("\n").split("\n"), *rounds]


def _carried(desk: Desk) -> Iterator[str]:
    """Whether priors were learnt on other sections, and which are taken jointly."""
    joint = desk.priors.joint
    if not desk.priors.carried:
        return
    yield ""
    if joint is None:
        yield "Priors learnt on other sections, taken one by one: no table of correlations is named."
        return
    together, _ = taken_jointly(desk.priors)
    yield f"Priors learnt on other sections: {len(together)} quantities of this study are taken jointly."
    if joint.left_out:
        told = ", ".join(joint.left_out)
        yield from textwrap.wrap(f"Taken alone, since this study states them anew: {told}.", 100)


def _life(desk: Desk) -> Iterator[str]:
    """What the priors say of this programme's life, before any record is used."""
    age = desk.study.life["early_age"]
    drawn = prior_draws(desk.priors, draws=DRAWS, seed=desk.study.seed, early_age=age)
    programme = _thinned(desk.programme)
    value, incidence = _lives(desk, drawn, programme)

    def said(portfolio: str, quantity: str, factor: float = 1.0) -> str:
        draws = factor * value.sel(portfolio=portfolio, quantity=quantity).values
        return rounded(float(draws.mean()), *(float(q) for q in np.quantile(draws, (0.05, 0.95))))

    count, all_of_it = programme.sizes["section"], desk.programme.sizes["section"]
    part = f"; {count} of the {all_of_it} sections" if count < all_of_it else ""
    yield f"What the priors say, before any record (mean, 90 % interval{part})"
    yield f"  of 100 overlays fail before age {age:g}: {said(CURRENT_PRACTICE, 'early_failure_probability', 100.0)}"
    yield f"  without any of the measures:       {said(NO_MEASURES, 'early_failure_probability', 100.0)}"
    yield f"  age that 90 in 100 outlive:        {said(CURRENT_PRACTICE, 'b10_age')} years"
    yield f"  age that half outlive:             {said(CURRENT_PRACTICE, 'median_age')} years"
    yield "  why they fail early, of 100 early failures:"
    labels = {mechanism.name: mechanism.label for mechanism in desk.priors.mechanisms} | {
        "wear_out": "worn out already"
    }
    shares = 100.0 * incidence / incidence.sum()
    for cause in shares.sortby(shares, ascending=False)["cause"].values:
        yield f"    {float(shares.sel(cause=cause)):3.0f}  {labels[str(cause)]}"


def _lives(desk: Desk, drawn: xr.Dataset, programme: xr.Dataset) -> tuple[xr.DataArray, xr.DataArray]:
    """Life quantities under both references, and mean early failures by cause under current practice."""
    early_age, horizon, ages = (desk.study.life[name] for name in ("early_age", "horizon", "ages"))
    draws, grid = Draws.of(drawn), age_grid(horizon)
    form = ClosedForm(draws, programme, desk.priors, REFERENCES, seed=desk.study.seed, compiled=False)
    sums = Sums.empty(form, grid, [form.current], horizon, early_age)
    for piece in form.blocks():
        sums.add(form.block(piece))
    names = {"portfolio": form.names, "quantity": list(quantities(early_age, ages))}
    value = values(sums.survival, grid, form.names, early_age, horizon, ages)
    causes = [*(m.name for m in desk.priors.mechanisms), "wear_out"]
    incidence = xr.DataArray(sums.incidence[:, 0].mean(axis=0), {"cause": causes}, ("cause",))
    return xr.DataArray(value, names, ("sample", "portfolio", "quantity")), incidence


def _thinned(programme: xr.Dataset) -> xr.Dataset:
    count = programme.sizes["section"]
    kept = np.unique(np.linspace(0, count - 1, min(count, MOST_SECTIONS)).round().astype(int))
    return programme.isel(section=kept)


def _measures(desk: Desk) -> Iterator[str]:
    priors = desk.priors
    yield "What the priors say of each measure, really done as intended"
    compared = {(c.measure, c.number): c for c in compare_effects(priors)}
    labels = {mechanism.name: mechanism.label for mechanism in priors.mechanisms}
    for measure in priors.measures:
        low, high = (100.0 * end for end in measure.compliance.distribution.interval())
        yield f"  {measure.name} (done as intended in {low:.0f} to {high:.0f} of 100 where it is required)"
        for number, effect in enumerate(measure.effects, start=1):
            yield from textwrap.wrap(_effect(effect, labels), 79, initial_indent="    ", subsequent_indent="      ")
            if (measure.name, number) in compared:
                words = _comparison(compared[measure.name, number])
                yield from textwrap.wrap(words, 79, initial_indent="      ", subsequent_indent="        ")
    idle = [measure.name for measure in desk.stated.measures if measure not in priors.measures]
    if idle:
        words = f"Left out, since no table records them and no portfolio names them: {', '.join(idle)}."
        yield from textwrap.wrap(words, 79, initial_indent="  ", subsequent_indent="    ")


def _effect(effect: Effect, labels: dict[str, str]) -> str:
    low, high = effect.ratio.distribution.interval()
    factor = 100.0 if effect.scale == "risk_ratio" else 1.0
    causes = " or ".join(labels[name] for name in effect.mechanisms)
    words = SCALES[effect.scale].format(causes=causes, low=factor * low, high=factor * high)
    return f"{words}{' (side effect)' if effect.side_effect else ''}"


def _comparison(found: Comparison) -> str:
    """What mechanics say of an effect beside what was elicited."""
    (e_low, _, e_high), (p_low, _, p_high) = found.elicited, found.physical
    verdict = "THEY CONFLICT" if found.conflict else "no conflict"
    return (
        f"mechanics ({found.model}): odds multiplied by {p_low:.2f} to {p_high:.2f}, elicited {e_low:.2f} to "
        f"{e_high:.2f}; {verdict} (tail area {found.tail_area:.2g}); used here: {found.origin}"
    )


def _money(desk: Desk, policy: Policy) -> Iterator[str]:
    """Prices as money of a square yard, so that a wrong unit shows."""
    prices = Prices(desk.priors, policy, desk.programme, seed=desk.study.seed, count=DRAWS)
    area = prices.sizes.area / YARD2
    works = {"overlay": policy.overlay, "reconstruction": policy.reconstruction, "patching all of it": policy.patch}
    works |= {
        m: costs_of(m, policy, desk.priors) for m in dict.fromkeys(m for p in desk.portfolios for m in p.measures)
    }
    yield f"Prices, {prices.currency} of {policy.price_year} a square yard, mean section (mean, 90 % interval)"
    for name, items in works.items():
        draws = (prices.money(items) / area).mean(axis=1)
        low, high = np.quantile(draws, (0.05, 0.95))
        yield f"  {name:<20} {rounded(float(draws.mean()), float(low), float(high), decimals=2)}"
    yield from textwrap.wrap(_first_costs(desk, policy), 79)
    yield from textwrap.wrap(
        f"Costs count over {policy.analysis_period} years at {100 * policy.discount_rate:g} % a year, real; after a "
        f"failure: {policy.follow_up.replace('_', ' ')}.",
        79,
    )


def _first_costs(desk: Desk, policy: Policy) -> str:
    """Cheapest and dearest option, and how many the budget allows."""
    costs = {name: cost for name, cost in desk.first_costs.items() if name != CURRENT_PRACTICE}
    if not costs:
        return "No portfolio adds a measure, so none costs anything extra."
    order = sorted(costs, key=lambda name: costs[name])
    ends = " to ".join(f"{worded_money(costs[name])} ({name})" for name in dict.fromkeys((order[0], order[-1])))
    allowed = sum(cost <= policy.budget for cost in costs.values()) if policy.budget is not None else None
    budget = "" if allowed is None else f"; the budget allows {allowed} of {len(costs)}"
    return f"Extra first cost expected for the programme of {desk.programme.sizes['section']} sections: {ends}{budget}."


def _portfolios(desk: Desk) -> Iterator[str]:
    judged = [quantity.status for quantity in desk.priors.quantities()]
    yield from textwrap.wrap(
        f"The priors hold {len(judged)} quantities; {judged.count('judgement')} of them are judgement without a "
        "measurement behind it.",
        79,
    )
    names = [portfolio.name for portfolio in desk.portfolios]
    yield f"Portfolios ({len(names)}): {', '.join(names[:6])}{', ...' if len(names) > 6 else ''}"
