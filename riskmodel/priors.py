"""Prior files become a `PriorSet`: what is believed before the agency's records are seen.

Mechanisms, measures, indicators, drivers, prices and every number live in TOML files (`priors/` of
this project, or a directory of the study), none in code. A set of files is read whole: all faults
are reported together, each with file, table and key.
"""

from __future__ import annotations

import math
import re
from collections.abc import Mapping, Sequence
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np

from riskmodel.errors import Faults, PriorError
from riskmodel.priorfiles import RawTables, as_number, instead, override, read_tables, shown
from riskmodel.priorset import (
    ANY,
    OTHER,
    SCORED_ROOTS,
    TRANSFORMS,
    WEAR_OUT,
    ConditionPath,
    Cost,
    Driver,
    Effect,
    Group,
    Indicator,
    Measure,
    Mechanism,
    OverlayType,
    PriorSet,
    Quantity,
)
from riskmodel.priortables import Table

__all__ = [
    "ANY",
    "OTHER",
    "SCORED_ROOTS",
    "TRANSFORMS",
    "WEAR_OUT",
    "ConditionPath",
    "Cost",
    "Driver",
    "Effect",
    "Group",
    "Indicator",
    "Measure",
    "Mechanism",
    "OverlayType",
    "PriorSet",
    "Quantity",
    "default_directory",
    "load_priors",
    "with_overrides",
]

ROOTS = (*SCORED_ROOTS, OTHER)
BONDS = ("bonded", "unbonded")
BASES = ("asphalt", "concrete", "composite")
TYPES = tuple(f"{bond}_{base}" for bond in BONDS for base in BASES)
SCALES = ("risk_ratio", "odds_ratio", "hazard_ratio")
GROUPS = ("district", "contractor", "project")
WORK_UNITS = ("yd2", "yd2-in", "yd3", "m2", "m2-mm", "m3", "lane-mile", "lane-km", "mile", "km", "each", "day")
RESERVED_MEASURES = ("no_measures", "current_practice")
# columns of the sections table that mean something else than a number or a measure
RESERVED_COLUMNS = (
    *("section", "opened", "bond", "base", "area", "district", "contractor", "project", "randomised", "verified"),
    *("observed_from", "last_seen", "removed", "removal_reason", "failed_after", "failed_by", "cause"),
)
KNOWN_COLUMNS = ("thickness", "panel_length", "trucks_per_day")  # numbers of the sections table itself
_SUM_TOLERANCE = 1e-6


def default_directory() -> Path:
    """Folder of the prior files that come with the program: inside an installed package, else beside it."""
    packaged = Path(__file__).parent / "prior_files"
    return packaged if packaged.is_dir() else Path(__file__).parent.parent / "priors"


def load_priors(directory: Path | str | None = None, overrides: Mapping[str, Any] | None = None) -> PriorSet:
    """Read a directory of prior files.

    Parameters
    ----------
    directory : path, optional
        Every `*.toml` in it is read. Default: the files that come with the program.
    overrides : mapping, optional
        A study's changes, nested as the files are. A quantity whose distribution changes keeps its
        unit and states its own status and source; its interval may be left out.

    Raises
    ------
    PriorError
        With every fault of every file.
    """
    raw = read_tables(Path(directory) if directory is not None else default_directory())
    return _build(raw, overrides)


def with_overrides(priors: PriorSet, overrides: Mapping[str, Any]) -> PriorSet:
    """The prior set with (further) overrides, without reading the files again.

    Raises
    ------
    PriorError
        As `load_priors`.
    """
    return _build(priors.raw, overrides)


def _build(raw: RawTables, overrides: Mapping[str, Any] | None) -> PriorSet:
    faults = Faults()
    if overrides:
        raw = override(raw, overrides, faults)
    root = Table(raw.data, (), raw, faults)
    types = _types(root)
    names = tuple(item.name for item in types)
    mechanisms = _mechanisms(root, names)
    indicators = _indicators(root)
    wear_out = root.table("wear_out")
    path = root.table("path")
    built = PriorSet(
        early_failure=root.quantity("early_failure", "probability", "unit"),
        types=types,
        mechanisms=mechanisms,
        share_sd=root.quantity("share_sd", "ln share", "positive", fixed=True),
        wear_out_sd_common=_of(wear_out, "sd_common", "ln years", "positive", fixed=True),
        wear_out_shape=_of(wear_out, "shape", "dimensionless", "positive"),
        path=_path(path),
        removal_lag=root.quantity("removal_lag", "years", "positive"),
        label_error=root.quantity("label_error", "probability", "unit"),
        year_slope=root.quantity("year_slope", "log-odds per decade", "real"),
        year_centre=root.number("year_centre", 1900, 2100),
        groups=_groups(root),
        drivers=_drivers(root, tuple(m.name for m in mechanisms), indicators),
        indicators=indicators,
        measures=_measures(root, names, mechanisms, indicators),
        costs=_costs(root),
        files=dict(raw.digests),
        raw=raw,
    )
    for table in (wear_out, path, root):
        if table is not None:
            table.finish()
    faults.raise_any(PriorError)
    return built


def _of(table: Table | None, key: str, unit: str, support: str, *, fixed: bool = False) -> Quantity:
    """A quantity of a table that may be missing (its absence is noted already)."""
    missing = Table({}, (), RawTables({}, {}, {}), Faults())
    return (table or missing).quantity(key, unit, support, fixed=fixed)


def _path(table: Table | None) -> ConditionPath:
    return ConditionPath(
        start=_of(table, "start", "index points", "real"),
        start_spread=_of(table, "start_spread", "z", "positive"),
        noise=_of(table, "noise", "z", "positive"),
        kappa=_of(table, "kappa", "dimensionless", "positive"),
        kappa_early_ratio=_of(table, "kappa_early_ratio", "ln ratio", "real"),
    )


# -------------------------------------------------------------------------- types and mechanisms


def _types(root: Table) -> tuple[OverlayType, ...]:
    types = []
    for name, table in root.collection("type"):
        bond, base = "", ""
        if name != ANY:
            bond, base = table.choice("bond", BONDS), table.choice("base", BASES)
            if bond and base and name != f"{bond}_{base}":
                table.fault("the name of an overlay type is bond and base", got=name, remedy=f"Call it {bond}_{base}")
        odds = table.quantity("odds_multiplier", "odds ratio", "positive")
        types.append(OverlayType(name, bond, base, odds, table.quantity("wear_out_median", "years", "positive")))
        table.finish()
    names = [item.name for item in types]
    if not names:
        root.fault("no overlay type is defined", "type", remedy="Define [type.any], or one table for each type")
    elif ANY in names and len(names) > 1:
        root.fault("`any` stands alone", "type", got=", ".join(names), remedy="Remove `any`, or the others")
    return tuple(types)


def _mechanisms(root: Table, types: tuple[str, ...]) -> tuple[Mechanism, ...]:
    root_share = _root_shares(root.table("root_share", required=False), types)
    tables = list(root.collection("mechanism", taken=(WEAR_OUT,)))
    stated = {"share" if "share" in table.data else "within_root" for _, table in tables}
    found = [_mechanism(name, table, types) for name, table in tables]
    if not found:
        return ()
    if len(stated) > 1:
        root.fault("mechanisms state either `share` or `within_root`", "mechanism", remedy="Use one of them in all")
    elif stated == {"within_root"} and root_share is None:
        root.fault("`within_root` needs the shares of the roots", "root_share", remedy="Add [root_share]")
    elif stated == {"share"} and root_share is not None:
        root.fault("`root_share` goes with `within_root`", "root_share", remedy="Remove it")
    else:
        _check_sums(root, found, types, root_share)
        found = _of_all_failures(found, types, root_share)
        for mechanism in found:
            if not mechanism.share:
                root.fault(
                    "the mechanism has no share in any overlay type",
                    "mechanism",
                    got=mechanism.name,
                    remedy="Remove it, or give it a share",
                )
    return tuple(found)


def _mechanism(name: str, table: Table, types: tuple[str, ...]) -> Mechanism:
    """A mechanism with its shares as the file states them, of all failures or within its root."""
    cause = table.choice("root", ROOTS)
    shares = _shares(table, "share" if "share" in table.data else "within_root", types)
    label = table.text("label", default=name.replace("_", " "))
    median = table.quantity("median", "years", "positive")
    shape = table.quantity("shape", "dimensionless", "positive")
    effect = table.quantity("score_effect", "log-odds per score sd", "positive") if cause in SCORED_ROOTS else None
    if cause == OTHER and table.get("score_effect", required=False) is not None:
        table.fault("the root `other` has no score", "score_effect", remedy="Remove it")
    about = table.about()
    table.finish()
    return Mechanism(name, label, cause, shares, median, shape, effect, *about)


def _shares(table: Table, key: str, types: tuple[str, ...]) -> dict[str, float]:
    """Shares by type; a single number holds for every type; types with share 0 are left out."""
    if not isinstance(table.get(key), Mapping):
        number = table.number(key, 0.0, 1.0) if key in table.data else 0.0
        return {kind: number for kind in types if number > 0}
    given = table.table(key)
    assert given is not None
    shares = {kind: given.number(kind, 0.0, 1.0, default=0.0) for kind in types}
    given.finish()
    return {kind: share for kind, share in shares.items() if share > 0}


def _root_shares(table: Table | None, types: tuple[str, ...]) -> dict[str, dict[str, float]] | None:
    """Share of all early failures by type and root, `other` included."""
    if table is None:
        return None
    other = table.number("other", 0.0, 1.0)
    shares = {}
    for kind in types:
        row = table.table(kind)
        values = {root: row.number(root, 0.0, 1.0) if row else 0.0 for root in SCORED_ROOTS}
        if row is not None:
            row.finish()
            if not math.isclose(sum(values.values()), 1.0, abs_tol=_SUM_TOLERANCE):
                row.fault("shares of the roots sum to 1", got=f"{sum(values.values()):g}", remedy="Correct one of them")
        shares[kind] = {root: value * (1 - other) for root, value in values.items()} | {OTHER: other}
    table.about()
    table.finish()
    return shares


def _check_sums(
    root: Table,
    found: Sequence[Mechanism],
    types: tuple[str, ...],
    root_share: Mapping[str, Mapping[str, float]] | None,
) -> None:
    """Shares sum to 1 in each type, or in each type and root that has failures."""
    for kind in types:
        causes = [cause for cause, share in root_share[kind].items() if share > 0] if root_share else [""]
        for cause in causes:
            total = sum(m.share.get(kind, 0.0) for m in found if cause in ("", m.root))
            if not math.isclose(total, 1.0, abs_tol=_SUM_TOLERANCE):
                place = f"of root `{cause}` in" if cause else "of"
                rule = f"shares of mechanisms {place} type `{kind}` sum to 1"
                root.fault(rule, "mechanism", got=f"{total:g}", remedy="Correct one of them")


def _of_all_failures(
    found: Sequence[Mechanism],
    types: tuple[str, ...],
    root_share: Mapping[str, Mapping[str, float]] | None,
) -> list[Mechanism]:
    """The mechanisms with shares of all early failures, summing to 1 to the last digit."""
    shares = [
        {kind: share * (root_share[kind].get(m.root, 0.0) if root_share else 1.0) for kind, share in m.share.items()}
        for m in found
    ]
    total = {kind: sum(one.get(kind, 0.0) for one in shares) for kind in types}
    return [
        replace(m, share={kind: share / total[kind] for kind, share in one.items() if share > 0})
        for m, one in zip(found, shares, strict=True)
    ]


# --------------------------------------------------------------- groups, drivers and indicators


def _groups(root: Table) -> tuple[Group, ...]:
    groups = []
    for column, table in root.collection("group"):
        if column not in GROUPS:
            table.fault("a group is a column of the sections", got=column, remedy=instead(column, GROUPS))
        roots = table.names("roots", SCORED_ROOTS, "root")
        groups.append(Group(column, roots, table.quantity("sd", "log-odds", "positive")))
        table.finish()
    return tuple(groups)


def _drivers(root: Table, mechanisms: tuple[str, ...], indicators: tuple[Indicator, ...]) -> tuple[Driver, ...]:
    drivers = []
    columns = (*KNOWN_COLUMNS, *(indicator.column for indicator in indicators))
    for name, table in root.collection("driver"):
        acts_on = table.names("acts_on", (*mechanisms, WEAR_OUT), "mechanism")
        if WEAR_OUT in acts_on and len(acts_on) > 1:
            table.fault(
                "a driver acts on mechanisms or on wear-out", "acts_on", remedy="Make two drivers of one column"
            )
        unit = "ln time ratio per unit" if WEAR_OUT in acts_on else "log-odds per unit"
        column, transform, centre, scale = _column(table, name)
        if column not in columns:
            remedy = instead(column, columns) if instead(column, columns) != "Remove it" else "Add an indicator of it"
            table.fault("no records have this column", "column", got=column, remedy=remedy)
        drivers.append(
            Driver(name, column, transform, centre, scale, acts_on, table.quantity("coefficient", unit, "real"))
        )
        table.finish()
    return tuple(drivers)


def _column(table: Table, name: str) -> tuple[str, str, float, float]:
    """Column, transformation, and centre and scale after it (the file states `centre` before it)."""
    column = table.name("column", default=name)
    if column in RESERVED_COLUMNS:
        table.fault("the column has another meaning", "column", got=column, remedy="Name a column of numbers")
    transform = table.choice("transform", tuple(TRANSFORMS), default="identity")
    stated, scale = table.number("centre", -1e9, 1e9), table.number("scale", 1e-9, 1e9)
    with np.errstate(divide="ignore", invalid="ignore"):
        centre = float(TRANSFORMS.get(transform, np.asarray)(np.asarray(stated, dtype=np.float64)))
    if not math.isfinite(centre):
        table.fault(f"the centre has no {transform}", "centre", got=stated, remedy="State it in the column's unit")
    return column, transform, centre, scale


def _indicators(root: Table) -> tuple[Indicator, ...]:
    indicators: list[Indicator] = []
    for name, table in root.collection("indicator"):
        column, transform, centre, scale = _column(table, name)
        loading = table.number("loading", -1.0, 1.0)
        if abs(loading) == 1:
            table.fault("a loading lies inside -1 to 1", "loading", got=loading, remedy="No column is the score itself")
        kind = table.choice("kind", ("number", "yes_no"))
        low, high = (0.0, 1.0) if kind == "yes_no" else (-1e9, 1e9)
        lowest, highest = table.number("lowest", low, high), table.number("highest", low, high)
        if not lowest < highest:
            table.fault("`lowest` lies below `highest`", "lowest", got=f"{lowest:g}, {highest:g}")
        with np.errstate(divide="ignore", invalid="ignore"):
            ends = TRANSFORMS.get(transform, np.asarray)(np.array([lowest, highest]))
        if not np.isfinite(ends).all():
            table.fault(f"the range has no {transform} at its ends", "lowest", got=f"{lowest:g}, {highest:g}")
        score, unit = table.choice("score", SCORED_ROOTS), table.text("unit")
        if column in [indicator.column for indicator in indicators]:
            table.fault("another indicator has this column", "column", got=column, remedy="Keep one of them")
        indicators.append(
            Indicator(
                name, score, column, transform, centre, scale, loading, unit, kind, lowest, highest, *table.about()
            )
        )
        table.finish()
    return tuple(indicators)


# ---------------------------------------------------------------------------- measures and costs


def _measures(
    root: Table, types: tuple[str, ...], mechanisms: tuple[Mechanism, ...], indicators: tuple[Indicator, ...]
) -> tuple[Measure, ...]:
    default = root.table("selection", required="measure" in root.data)
    selection = default.as_quantity("log-odds", "real") if default is not None else None
    taken = (*RESERVED_MEASURES, *RESERVED_COLUMNS, *KNOWN_COLUMNS, *(indicator.column for indicator in indicators))
    return tuple(
        _measure(name, table, types, mechanisms, selection) for name, table in root.collection("measure", taken=taken)
    )


def _measure(
    name: str, table: Table, types: tuple[str, ...], mechanisms: tuple[Mechanism, ...], selection: Quantity | None
) -> Measure:
    applies_to = table.names("applies_to", types, "overlay type", default=types)
    effects = tuple(_effect(part, applies_to, types, mechanisms) for part in table.tables("effect"))
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
    table: Table, measure_types: tuple[str, ...], types: tuple[str, ...], mechanisms: tuple[Mechanism, ...]
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
    ratio = table.quantity("ratio", scale.replace("_", " ") if scale in SCALES else "risk ratio", "positive")
    table.finish()
    return Effect(named, scale, ratio, applies_to, side_effect)


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


def _costs(root: Table) -> tuple[Cost, ...]:
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
