"""Measures, their effects and prices out of prior tables.

An effect is elicited (a stated ratio), comes from a sub-model of mechanics, or pools both.
"""

from __future__ import annotations

import re
from collections.abc import Mapping, Sequence

from riskmodel.distribution import Distribution
from riskmodel.errors import RiskModelError
from riskmodel.physicalpriors import as_odds_ratio, baseline_chance, physical_ratio, pooled_ratio
from riskmodel.priorfiles import as_number, instead, shown
from riskmodel.priorindicators import KNOWN_COLUMNS, RESERVED_COLUMNS
from riskmodel.priorset import (
    OTHER,
    SCORED_ROOTS,
    Cost,
    Effect,
    Indicator,
    Measure,
    Mechanism,
    PhysicalInputs,
    Quantity,
)
from riskmodel.priortables import Table, weakest_status
from riskmodel.submodels import SUBMODELS

__all__ = ["ROOTS", "read_costs", "read_measures"]

ROOTS = (*SCORED_ROOTS, OTHER)
SCALES = ("risk_ratio", "odds_ratio", "hazard_ratio")
ORIGINS = ("elicited", "physics", "pooled")
POOLING = ("linear", "logarithmic")
WORK_UNITS = ("yd2", "yd2-in", "yd3", "m2", "m2-mm", "m3", "lane-mile", "lane-km", "mile", "km", "each", "day",
              "section")  # fmt: skip
RESERVED_MEASURES = ("no_measures", "current_practice")
_ASSUMED = ("judgement", "from_memory")
_LEAST_SHRINK = 2.0  # of a change of the log-odds that rests on assumed inputs


def read_measures(
    root: Table,
    types: tuple[str, ...],
    mechanisms: tuple[Mechanism, ...],
    indicators: tuple[Indicator, ...],
    early_failure: float,
) -> tuple[Measure, ...]:
    """Measures of the `measure` tables, in file order; faults are noted.

    Parameters
    ----------
    early_failure : float
        Mean probability of early failure, to compare risks with odds.
    """
    default = root.table("selection", required="measure" in root.data)
    selection = default.as_quantity("log-odds", "real") if default is not None else None
    taken = (*RESERVED_MEASURES, *RESERVED_COLUMNS, *KNOWN_COLUMNS, *(s.column for i in indicators for s in i.sources))
    return tuple(
        _measure(name, table, types, mechanisms, selection, early_failure)
        for name, table in root.collection("measure", taken=taken)
    )


def _measure(
    name: str,
    table: Table,
    types: tuple[str, ...],
    mechanisms: tuple[Mechanism, ...],
    selection: Quantity | None,
    early_failure: float,
) -> Measure:
    applies_to = table.names("applies_to", types, "overlay type", default=types)
    effects = tuple(_effect(part, applies_to, types, mechanisms, early_failure) for part in table.tables("effect"))
    _refuse_repeats(table, effects)
    score_shift = _by_root(table, "score_shift", "score sd")
    time_ratio = table.quantity("time_ratio", "time ratio", "positive") if "time_ratio" in table.data else None
    if not effects and not score_shift and time_ratio is None:
        table.fault("a measure has an effect, a score shift or a time ratio", remedy="Add one")
    causes = {m.name: m.root for m in mechanisms}
    acting = {causes[mechanism] for effect in effects for mechanism in effect.mechanisms} | score_shift.keys()
    own = _by_root(table, "selection", "log-odds")
    for stray in sorted(own.keys() - acting):
        table.fault("the measure does not act on this root", "selection", got=stray, remedy="Remove it")
    chosen = {root: own.get(root, selection) for root in ROOTS if root in acting}
    measure = Measure(
        name=name,
        label=table.text("label", default=name.replace("_", " ")),
        question=table.text("question"),
        applies_to=applies_to,
        effects=effects,
        score_shift=score_shift,
        time_ratio=time_ratio,
        compliance=table.quantity("compliance", "probability", "unit"),
        required_rate=table.quantity("required_rate", "probability", "unit"),
        selection={root: quantity for root, quantity in chosen.items() if quantity is not None},
        caution=table.text("caution"),
    )
    table.finish()
    return measure


def _effect(
    table: Table,
    measure_types: tuple[str, ...],
    types: tuple[str, ...],
    mechanisms: tuple[Mechanism, ...],
    early_failure: float,
) -> Effect:
    named = table.names("mechanisms", [m.name for m in mechanisms], "mechanism")
    scale = table.choice("scale", SCALES)
    side_effect = table.flag("side_effect", default=False)
    applies_to = table.names("applies_to", types, "overlay type", default=measure_types)
    beyond = [kind for kind in applies_to if kind not in measure_types]
    if beyond and not side_effect:
        table.fault(
            "an effect acts where the measure applies",
            "applies_to",
            got=", ".join(beyond),
            remedy="Remove it, or state side_effect = true",
        )
    for mechanism in mechanisms:
        if mechanism.name in named and not set(applies_to) & mechanism.share.keys():
            table.fault(
                "the mechanism occurs in none of the overlay types the effect applies to",
                "mechanisms",
                got=mechanism.name,
                remedy="Remove it, or correct `applies_to`",
            )
    shares = [m.share[kind] for m in mechanisms if m.name in named for kind in applies_to if kind in m.share]
    chance = baseline_chance(early_failure, shares)
    physics = _physics(table)
    origin = table.choice("from", ORIGINS, default="elicited")
    wanted = origin != "physics" or "ratio" in table.data
    unit = scale.replace("_", " ") if scale in SCALES else "risk ratio"
    elicited = table.quantity("ratio", unit, "positive") if wanted else None
    _check_origin(table, origin, scale, physics, elicited)
    weight, method = _pooling(table, origin)
    table.finish()
    if origin == "elicited" or physics is None:
        ratio, used = elicited or table.quantity("ratio", unit, "positive"), scale
    else:
        stated = elicited if origin == "pooled" else None
        ratio, used = _from_physics(table, physics, stated, scale, chance, weight, method), "odds_ratio"
    return Effect(named, used, ratio, applies_to, side_effect, origin, elicited, scale, physics)


def _physics(table: Table) -> PhysicalInputs | None:
    """Sub-model and inputs of an effect, None where it states none or they are at fault."""
    if "model" not in table.data and "inputs" not in table.data and "shrink" not in table.data:
        return None
    before = len(table.faults)
    name = table.choice("model", tuple(SUBMODELS))
    shrink, given = table.number("shrink", 1.0, 10.0), table.table("inputs")
    if name not in SUBMODELS or given is None:
        return None
    inputs = {}
    for key, limits in SUBMODELS[name].inputs.items():
        quantity = given.quantity(key, limits.unit, "real")
        if key in given.data and quantity.key:
            low, high = quantity.distribution.interval()
            if not limits.lowest <= low <= high <= limits.highest:
                span = f"from {limits.lowest:g} to {limits.highest:g} {limits.unit}"
                given.fault(f"`{key}` lies {span}", key, got=f"{low:.4g} to {high:.4g}", remedy="Check it and its unit")
        inputs[key] = quantity
    given.finish()
    assumed = [key for key, quantity in inputs.items() if quantity.status in _ASSUMED]
    if assumed and shrink < _LEAST_SHRINK:
        rule = f"a change that rests on assumed inputs is divided by {_LEAST_SHRINK:g} to 3"
        table.fault(rule, "shrink", got=shrink, remedy=f"Raise it; assumed here: {', '.join(assumed[:3])}")
    return PhysicalInputs(name, inputs, shrink) if len(table.faults) == before else None


def _check_origin(
    table: Table, origin: str, scale: str, physics: PhysicalInputs | None, elicited: Quantity | None
) -> None:
    if origin != "elicited" and physics is None and "model" not in table.data:
        table.fault("mechanics need a sub-model", "from", got=origin, remedy="Add `model`, `shrink` and `inputs`")
    if origin == "physics" and elicited is None and scale != "odds_ratio":
        table.fault("a sub-model gives an odds ratio", "scale", got=scale, remedy="State odds_ratio")
    if physics is not None and elicited is not None and scale == "hazard_ratio":
        rule = "a ratio of hazard rates cannot be set against an odds ratio"
        table.fault(rule, "scale", got=scale, remedy="State risk_ratio or odds_ratio, or remove `model`")


def _pooling(table: Table, origin: str) -> tuple[float, str]:
    """Weight of the physical prior and method of the pool."""
    for key in ("pooling", "weight"):
        if key in table.data and origin != "pooled":
            table.get(key)
            table.fault(f'`{key}` goes with from = "pooled"', key, remedy="Remove it, or pool")
            return 0.5, POOLING[0]
    return table.number("weight", 0.0, 1.0, default=0.5), table.choice("pooling", POOLING, default=POOLING[0])


def _from_physics(
    table: Table,
    physics: PhysicalInputs,
    elicited: Quantity | None,
    scale: str,
    chance: float,
    weight: float,
    method: str,
) -> Quantity:
    """The odds ratio of a sub-model, pooled with the elicited one where there is one."""
    key = ".".join((*table.path, "physics"))
    try:
        ratio = physical_ratio(physics)
        if elicited is not None:
            stated = as_odds_ratio(elicited.distribution, scale, chance)
            ratio = pooled_ratio(stated, ratio, weight=weight, method=method)
    except RiskModelError as error:
        table.fault(f"the sub-model {physics.model} refuses its inputs: {str(error).rstrip('.')}", "inputs")
        return elicited or Quantity(key, Distribution("fixed", (1.0,)), "odds ratio", None, "", "", "")
    status = weakest_status([quantity.status for quantity in physics.inputs.values()])
    words = SUBMODELS[physics.model].words
    source = f"{'judgement on the inputs; ' if status == 'judgement' else ''}mechanics: {words}"
    rationale = f"Sub-model {physics.model}; change of the log-odds divided by {physics.shrink:g}, spread at least 0.7."
    if elicited is not None:
        rationale += f" Pooled ({method}, weight {weight:g}) with {elicited.key}: {elicited.source}"
    return Quantity(key, ratio, "odds ratio", ratio.interval(), status, source, rationale)


def _refuse_repeats(table: Table, effects: Sequence[Effect]) -> None:
    """A mechanism comes once in a measure for each overlay type."""
    seen: set[tuple[str, str]] = set()
    repeated: dict[str, None] = {}
    for effect in effects:
        pairs = {(mechanism, kind) for mechanism in effect.mechanisms for kind in effect.applies_to}
        repeated |= dict.fromkeys(sorted(mechanism for mechanism, _ in pairs & seen))
        seen |= pairs
    for mechanism in repeated:
        table.fault(
            "two effects of the measure act on one mechanism", "effect", got=mechanism, remedy="State one effect on it"
        )


def _by_root(table: Table, key: str, unit: str) -> dict[str, Quantity]:
    given = table.table(key, required=False)
    if given is None:
        return {}
    for root in given.data:
        if root not in SCORED_ROOTS:
            given.get(root)
            given.fault("no root with a score has that name", root, remedy=instead(root, SCORED_ROOTS))
    return {root: given.quantity(root, unit, "real") for root in SCORED_ROOTS if root in given.data}


def read_costs(root: Table) -> tuple[Cost, ...]:
    """Prices of the `cost` tables, in file order; faults are noted."""
    measures = root.data.get("measure", {})
    known = tuple(measures) if isinstance(measures, Mapping) else ()
    costs = []
    for name, table in root.collection("cost"):
        label = table.text("label", default=name.replace("_", " "))
        measure = table.choice("measure", known, default="")
        year = table.get("price_year")
        if year is not None and not (isinstance(year, int) and as_number(year) is not None and 1900 <= year <= 2100):
            table.fault("a price year is a whole number from 1900 to 2100", "price_year", got=shown(year))
            year = None
        amount = table.quantity("amount", _money_units(table), "positive")
        costs.append(Cost(name, label, measure, amount, amount.unit, int(year or 0)))
        table.finish()
    return tuple(costs)


def _money_units(table: Table) -> tuple[str, ...]:
    """Units that the amount may state: any ISO 4217 currency code, per unit of work."""
    amount = table.data.get("amount")
    stated = amount.get("unit") if isinstance(amount, Mapping) else None
    match = re.match(r"([A-Z]{3})/", stated, re.ASCII) if isinstance(stated, str) else None
    return tuple(f"{match.group(1) if match else 'USD'}/{unit}" for unit in WORK_UNITS)
