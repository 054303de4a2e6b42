"""Measures that come in levels: what each level gains and costs, its effect stated or from mechanics.

A level from mechanics changes inputs of the measure's sub-models (more cores, more water). Its part of an effect
is the mean change of the log-odds with its inputs over that with the measure's own; that part scales the effect
that the model has, wherever it came from.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass, replace

import numpy as np
import pandas as pd
import xarray as xr

from .choice import best_chance
from .columns import nearest
from .costing import Plan
from .crew import Workers
from .decide import Decision, gains_of, options_of
from .decisiontables import basis_words
from .distribution import Distribution
from .errors import Faults, RiskModelError, StudyError
from .lives import Draws
from .measures import Portfolio, deltas_of, shifts_of
from .physicalpriors import raw_change
from .policy import PHYSICS, Level, Policy
from .priors import Effect, Measure, PriorSet
from .priorset import PhysicalInputs, Quantity
from .submodels import SUBMODELS

__all__ = ["Parts", "levels_table", "parts_of", "scaled_effect", "validate_levels"]

FEW = 200  # draws of a pass for a level
NO_CHANGE = 1e-6  # of the log-odds: less is nothing to be a part of

Row = dict[str, object]


@dataclass(frozen=True)
class Parts:
    """What a level has of a measure.

    Parameters
    ----------
    effects : tuple of float
        Part of each effect, in the order of the prior file.
    rest : float
        Part of its score shifts and time ratio.
    main : float
        The part that stands for the level in the table, and that its findings go with.
    """

    effects: tuple[float, ...]
    rest: float
    main: float


def parts_of(level: Level, measure: Measure) -> Parts:
    """Parts of a measure's effects that a level has.

    Raises
    ------
    RiskModelError
        When a sub-model refuses the inputs, or the measure's own change nothing.
    """
    stated = 1.0 if level.effect is None else level.effect
    if level.origin != PHYSICS:
        return Parts((stated,) * len(measure.effects), stated, stated)
    effects = tuple(
        _mechanical(level, e.physics) if _known(level, e) and e.physics else stated for e in measure.effects
    )
    main = next((part for part, e in zip(effects, measure.effects, strict=True) if _known(level, e)), stated)
    return Parts(effects, stated, main)


def _known(level: Level, effect: Effect) -> bool:
    """Whether the inputs of a level are inputs of an effect's sub-model."""
    return effect.physics is not None and bool(level.inputs.keys() & SUBMODELS[effect.physics.model].inputs.keys())


def _mechanical(level: Level, physics: PhysicalInputs) -> float:
    own = {name: value for name, value in level.inputs.items() if name in physics.inputs}
    changed = replace(physics, inputs={**physics.inputs, **{name: _fixed(name, value) for name, value in own.items()}})
    whole = float(raw_change(physics).mean())
    if abs(whole) < NO_CHANGE:
        raise RiskModelError(
            f"with the measure's own inputs the sub-model {physics.model} changes nothing, which has no parts"
        )
    return float(raw_change(changed).mean()) / whole


def _fixed(name: str, value: float) -> Quantity:
    return Quantity(name, Distribution("fixed", (value,)), "", None, "stated", "a level of the study", "")


# ---------------------------------------------------------------------------------------- checks


def validate_levels(policy: Policy, priors: PriorSet, file: str = "study.toml") -> None:
    """Check levels that come from mechanics against the sub-models of their measures.

    Parameters
    ----------
    policy : Policy
    priors : PriorSet
    file : str

    Raises
    ------
    StudyError
        With every fault: no sub-model, an input that it does not have or outside its limits, a measure of which
        mechanics know only some effects while the others' part is not stated, inputs that it refuses.
    """
    measures, faults = {m.name: m for m in priors.measures}, Faults(file)
    for level in policy.levels:
        if level.origin == PHYSICS and level.measure in measures:
            for rule, column, got, remedy in _faults(level, measures[level.measure]):
                faults.add(rule, column=f"decision.level {level.name}{column}", got=got, remedy=remedy)
    faults.raise_any(StudyError)


def _faults(level: Level, measure: Measure) -> Iterator[tuple[str, str, str, str]]:
    limits = {k: v for e in measure.effects if e.physics for k, v in SUBMODELS[e.physics.model].inputs.items()}
    if not limits:
        yield "mechanics know no effect of the measure", ".from", measure.name, "State its part as effect"
        return
    wrong = 0
    for name, value in level.inputs.items():
        if name not in limits:
            near = nearest(name, list(limits))
            remedy = f"Write {near}" if near else f"Known here: {', '.join(limits)}"
            yield "the measure's sub-models have no such input", ".inputs", name, remedy
            wrong += 1
        elif not limits[name].lowest <= value <= limits[name].highest:
            span = f"{limits[name].lowest:g} to {limits[name].highest:g} {limits[name].unit}"
            yield f"`{name}` lies from {span}", ".inputs", f"{value:g}", "Check it and its unit"
            wrong += 1
    rest = [*measure.score_shift, *(["wear-out"] if measure.time_ratio is not None else [])]
    rest += [" and ".join(e.mechanisms) for e in measure.effects if not _known(level, e)]
    if rest and level.effect is None and not wrong:
        rule = f"these inputs say nothing of the measure's effect on {', '.join(rest)}"
        yield rule, ".effect", "", "State its part of that as effect"
    if not wrong:
        try:
            parts_of(level, measure)
        except RiskModelError as error:
            yield str(error).rstrip("."), ".inputs", "", "Check them"


# ---------------------------------------------------------------------------------------- the table


def levels_table(decision: Decision, posterior: xr.Dataset, *, workers: Workers = 1) -> pd.DataFrame:
    """Gain and cost of each level of the measures that come in levels; the level that pays is marked.

    Returns
    -------
    DataFrame
        One row a level, without the measure (level `none`) first: columns measure, level, effect, effect_from,
        extra_first_cost, saving, years_gained, averted_per_100, chance_best, pays.
    """
    rows: list[Row] = []
    known = {m.name: m for m in decision.plan.priors.measures}
    for measure in dict.fromkeys(level.measure for level in decision.plan.policy.levels):
        levels = [level for level in decision.plan.policy.levels if level.measure == measure]
        parts = [parts_of(level, known[measure]) for level in levels]
        found = [_level(decision.plan, *pair, posterior, workers) for pair in zip(levels, parts, strict=True)]
        nothing = {name: np.zeros_like(draws) for name, draws in found[0].items()}
        saving = np.stack([f["saving"] for f in (nothing, *found)], axis=1)
        chance, pays = best_chance(saving), int(np.argmax(saving.mean(axis=0)))
        names = [("none", 0.0, ""), *((s.name, p.main, s.origin) for s, p in zip(levels, parts, strict=True))]
        for i, ((name, part, origin), gain) in enumerate(zip(names, (nothing, *found), strict=True)):
            row: Row = {"measure": measure, "level": name, "effect": part, "effect_from": origin}
            row |= {quantity: draws.mean() for quantity, draws in gain.items()}
            rows.append({**row, "chance_best": chance[i], "pays": "yes" if i == pays else "no"})
    columns = ["measure", "level", "effect", "effect_from", "extra_first_cost", "saving", "years_gained"]
    columns += ["averted_per_100", "chance_best", "pays"]
    return pd.DataFrame(rows, columns=columns).assign(**basis_words(decision))


def _level(plan: Plan, level: Level, parts: Parts, posterior: xr.Dataset, workers: Workers) -> Mapping[str, np.ndarray]:
    """Gains of one level over current practice, each (sample,)."""
    draws = Draws.of(posterior, FEW)
    small = plan.of_others(options_of([Portfolio(level.measure, (level.measure,))]), draws.count)
    survey = plan.policy.survey
    if survey is not None and survey.measure == level.measure:
        # who looks harder finds more, false alarms among it
        found_bad, false_alarm = (min(max(s * parts.main, 0.0), 1.0) for s in (survey.found_bad, survey.false_alarm))
        small.policy = replace(plan.policy, survey=replace(survey, found_bad=found_bad, false_alarm=false_alarm))
    if level.cost:
        small.money[level.measure] = small.prices.money((level.cost,), number=level.number)
    elif level.cost_factor is not None:
        small.money[level.measure] = small.money[level.measure] * level.cost_factor
    lives = small.run(scaled_effect(draws, plan.priors, level.measure, parts), workers=workers)
    return {name: gain[:, 1] for name, gain in gains_of(small, lives).items()}


def scaled_effect(draws: Draws, priors: PriorSet, measure: str, parts: Parts) -> Draws:
    """Draws in which a measure has the parts of its effects that a level has.

    Where the records hold the measure it is scaled as well; that changes current practice and the portfolio
    alike, and the difference is that of the roads to which the portfolio adds it.
    """
    k = [m.name for m in priors.measures].index(measure)
    first = sum(len(m.effects) for m in priors.measures[:k])
    values = dict(draws.values)
    if "delta" in draws:
        factor = [parts.effects[d.effect - first] if d.measure == k else 1.0 for d in deltas_of(priors)]
        values["delta"] = draws["delta"] * np.array(factor)
    if "score_shift_size" in draws:
        here = np.array([number == k for number, _ in shifts_of(priors)])
        values["score_shift_size"] = draws["score_shift_size"] * np.where(here, parts.rest, 1.0)
    ratio = draws["time_ratio"].copy()
    ratio[:, k] **= parts.rest
    return replace(draws, values=values | {"time_ratio": ratio})
