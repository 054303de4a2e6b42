"""Indicators and drivers out of prior tables: plain columns, and functions of mechanics fed by columns."""

from __future__ import annotations

import math
from collections.abc import Collection, Mapping, Sequence
from dataclasses import replace

import numpy as np

from riskmodel.mechanics import MECHANICS, UNITS, Argument
from riskmodel.priorfiles import as_number, instead, shown
from riskmodel.priorparts import SCORED_ROOTS, TRANSFORMS, WEAR_OUT, Driver, Feed, Indicator
from riskmodel.priortables import Table

__all__ = ["KNOWN_COLUMNS", "RESERVED_COLUMNS", "read_drivers", "read_indicators"]

# columns of the sections table that mean something else than a number or a measure
RESERVED_COLUMNS = (
    *("section", "opened", "bond", "base", "area", "district", "contractor", "project", "randomised", "verified"),
    *("observed_from", "last_seen", "removed", "removal_reason", "failed_after", "failed_by", "cause"),
)
_OWN_UNITS = {"thickness": "m", "panel_length": "m", "trucks_per_day": "number"}
KNOWN_COLUMNS = tuple(_OWN_UNITS)  # numbers of the sections table itself
_FUNCTION_KEYS = ("columns", "constants", "replaces")


def read_drivers(root: Table, mechanisms: tuple[str, ...], indicators: tuple[Indicator, ...]) -> tuple[Driver, ...]:
    """Drivers of the `driver` tables, in file order; faults are noted."""
    drivers = []
    columns = (*KNOWN_COLUMNS, *(source.column for indicator in indicators for source in indicator.sources))
    for name, table in root.collection("driver"):
        acts_on = table.names("acts_on", (*mechanisms, WEAR_OUT), "mechanism")
        if WEAR_OUT in acts_on and len(acts_on) > 1:
            table.fault(
                "a driver acts on mechanisms or on wear-out", "acts_on", remedy="Make two drivers of one column"
            )
        unit = "ln time ratio per unit" if WEAR_OUT in acts_on else "log-odds per unit"
        column = _column(table, name)
        transform, centre, scale = _standard(table)
        if column not in columns:
            remedy = instead(column, columns) if instead(column, columns) != "Remove it" else "Add an indicator of it"
            table.fault("no records have this column", "column", got=column, remedy=remedy)
        drivers.append(
            Driver(name, column, transform, centre, scale, acts_on, table.quantity("coefficient", unit, "real"))
        )
        table.finish()
    return tuple(drivers)


def read_indicators(root: Table) -> tuple[Indicator, ...]:
    """Indicators of the `indicator` tables, in file order; faults are noted."""
    read: list[tuple[Indicator, Table]] = []
    for name, table in root.collection("indicator"):
        indicator = _of_function(name, table) if "function" in table.data else _of_column(name, table)
        if indicator.column in [other.column for other, _ in read]:
            rule = "another indicator has this column"
            table.fault(rule, "column", got=indicator.column, remedy="Keep one of them")
        read.append((indicator, table))
    names = [indicator.name for indicator, _ in read]
    for indicator, table in read:
        if indicator.name in indicator.replaces or not set(indicator.replaces) <= set(names):
            strange = [name for name in indicator.replaces if name not in names or name == indicator.name]
            others = [name for name in names if name != indicator.name]
            table.fault(
                "no other indicator has that name", "replaces", got=strange[0], remedy=instead(strange[0], others)
            )
    return _matched(read)


def _column(table: Table, name: str) -> str:
    column = table.name("column", default=name)
    if column in RESERVED_COLUMNS:
        table.fault("the column has another meaning", "column", got=column, remedy="Name a column of numbers")
    return column


def _standard(table: Table) -> tuple[str, float, float]:
    """Transformation, and centre and scale after it (the file states `centre` before it)."""
    transform = table.choice("transform", tuple(TRANSFORMS), default="identity")
    stated, scale = table.number("centre", -1e9, 1e9), table.number("scale", 1e-9, 1e9)
    with np.errstate(divide="ignore", invalid="ignore"):
        centre = float(TRANSFORMS.get(transform, np.asarray)(np.asarray(stated, dtype=np.float64)))
    if not math.isfinite(centre):
        table.fault(f"the centre has no {transform}", "centre", got=stated, remedy="State it in the column's unit")
    return transform, centre, scale


def _loading(table: Table) -> float:
    loading = table.number("loading", -1.0, 1.0)
    if abs(loading) == 1:
        table.fault("a loading lies inside -1 to 1", "loading", got=loading, remedy="No column is the score itself")
    return loading


def _of_column(name: str, table: Table) -> Indicator:
    column = _column(table, name)
    transform, centre, scale = _standard(table)
    loading = _loading(table)
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
    for key in _FUNCTION_KEYS:
        if key in table.data:
            table.get(key)
            table.fault(f"`{key}` goes with a `function`", key, remedy="Name the function, or remove it")
    about = table.about()
    table.finish()
    return Indicator(name, score, column, transform, centre, scale, loading, unit, kind, lowest, highest, *about)


# -------------------------------------------------------------------------- functions of mechanics


def _of_function(name: str, table: Table) -> Indicator:
    chosen = table.choice("function", tuple(MECHANICS))
    function = MECHANICS.get(chosen)
    transform, centre, scale = _standard(table)
    loading, score = _loading(table), table.choice("score", SCORED_ROOTS)
    unit = table.choice("unit", (function.unit,)) if function else table.text("unit")
    columns, constants = table.table("columns"), table.table("constants", required=False)
    feeds: tuple[Feed, ...] = ()
    fixed: dict[str, float] = {}
    if function is not None and columns is not None:
        feeds = tuple(_feeds(columns, function.arguments))
        fixed = _constants(constants, function.arguments, columns.data) if constants else {}
        for argument in function.arguments:
            if argument not in columns.data and argument not in fixed and argument not in (constants or columns).data:
                rule = f"the function {chosen} needs `{argument}`"
                columns.fault(rule, remedy="Name its column here, or its value and unit in `constants`")
    replaces = _names(table, "replaces")
    about = table.about()
    table.finish()
    return Indicator(
        name, score, name, transform, centre, scale, loading, unit, "number", -math.inf, math.inf, *about,
        function=chosen, feeds=feeds, constants=fixed, replaces=replaces,
    )  # fmt: skip


def _names(table: Table, key: str) -> tuple[str, ...]:
    value = table.get(key, required=False)
    if value is None:
        return ()
    if not isinstance(value, list) or not value or not all(isinstance(item, str) for item in value):
        table.fault("a list of indicator names is expected", key, got=shown(value))
        return ()
    return tuple(dict.fromkeys(value))


def _feeds(columns: Table, arguments: Mapping[str, Argument]) -> list[Feed]:
    """Columns by argument, each a name or a table of `column` and `unit`."""
    feeds = []
    for name in columns.data:
        if not _known(columns, name, arguments):
            continue
        argument, value = arguments[name], columns.get(name)
        unit, stated = argument.unit, {name: value}
        if isinstance(value, Mapping):
            table = columns.table(name)
            assert table is not None
            stated = {name: table.name("column", default=name)}
            unit = _unit(table, argument)
            table.finish()
        column = Table(stated, columns.path, columns.raw, columns.faults).name(name, default=name)
        if column in RESERVED_COLUMNS:
            columns.fault("the column has another meaning", name, got=column, remedy="Name a column of numbers")
        elif _OWN_UNITS.get(column, unit) != unit:
            rule = f"the records hold `{column}` in {_OWN_UNITS[column]}"
            columns.fault(rule, name, got=unit, remedy="Leave the unit out")
        factor, offset = UNITS[argument.unit].get(unit, (1.0, 0.0))
        ends = [(end - offset) / factor for end in (argument.lowest, argument.highest)]
        feeds.append(Feed(name, column, unit, factor, offset, *ends))
    return feeds


def _constants(table: Table, arguments: Mapping[str, Argument], columns: Collection[str]) -> dict[str, float]:
    """Constants by argument in its unit, each a table of `value` and `unit`."""
    found = {}
    for name in table.data:
        if not _known(table, name, arguments):
            continue
        if name in columns:
            table.get(name)
            table.fault("the argument has a column and a constant", name, remedy="Keep one of them")
            continue
        part, argument = table.table(name), arguments[name]
        if part is None:
            continue
        number = as_number(part.get("value"))
        factor, offset = UNITS[argument.unit].get(_unit(part, argument), (1.0, 0.0))
        value = math.nan if number is None else number * factor + offset
        if "value" in part.data and not argument.lowest <= value <= argument.highest:
            rule = f"a number from {argument.lowest:g} to {argument.highest:g} {argument.unit} is expected"
            part.fault(rule, "value", got=shown(part.data["value"]), remedy="Check the value and its unit")
        part.finish()
        found[name] = value
    return found


def _known(table: Table, name: str, arguments: Mapping[str, Argument]) -> bool:
    if name in arguments:
        return True
    table.fault("the function has no such argument", name, remedy=instead(name, arguments))
    return False


def _unit(table: Table, argument: Argument) -> str:
    return table.choice("unit", tuple(UNITS[argument.unit]))


def _matched(read: Sequence[tuple[Indicator, Table]]) -> tuple[Indicator, ...]:
    """The indicators with one accepted range for each column, whichever of them read it."""
    plain = {i.column: i for i, _ in read if not i.function}
    units: dict[str, str] = {}
    ranges: dict[str, tuple[float, float]] = {}
    for indicator, table in read:
        for feed in indicator.feeds:
            place = f"columns.{feed.argument}"
            stated = plain.get(feed.column)
            low, high = ranges.get(feed.column, (feed.lowest, feed.highest))
            ranges[feed.column] = (max(low, feed.lowest), min(high, feed.highest))
            if units.setdefault(feed.column, feed.unit) != feed.unit:
                rule = f"another function reads `{feed.column}` in {units[feed.column]}"
                table.fault(rule, place, got=feed.unit, remedy="A column has one unit")
            if stated is not None and feed.column not in _OWN_UNITS:
                ranges[feed.column] = (stated.lowest, stated.highest)
                if stated.kind != "number" or stated.lowest < feed.lowest or stated.highest > feed.highest:
                    span = f"{feed.lowest:.4g} to {feed.highest:.4g} {feed.unit}"
                    table.fault(
                        f"`{feed.argument}` lies in {span}, but the column goes from {stated.lowest:g} to "
                        f"{stated.highest:g} {stated.unit}",
                        place,
                        got=feed.column,
                        remedy="State its unit, as { column = ..., unit = ... }, or narrow its range",
                    )
    return tuple(
        replace(
            indicator,
            feeds=tuple(replace(f, lowest=ranges[f.column][0], highest=ranges[f.column][1]) for f in indicator.feeds),
        )
        for indicator, _ in read
    )
