"""Rules of the two record tables: their columns, and what must hold between cells.

`vocabulary` names what the prior files know. The rules of single cells are `Column`s; the rules
between cells are here, each one sentence, and each noted for every row that breaks it.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field, replace
from datetime import date
from functools import partial
from typing import Any, NamedTuple

import numpy as np
from numpy.typing import NDArray

from riskmodel.columns import Column, nearest
from riskmodel.condition import Condition
from riskmodel.errors import Faults, PriorError
from riskmodel.tables import Table, mark
from riskmodel.trace import Trace

__all__ = [
    "BASES",
    "BONDS",
    "ONCE_A_DAY",
    "WEAR_OUT",
    "Vocabulary",
    "check_mapping",
    "check_sections",
    "check_surveys",
    "check_unique",
    "latest_date",
    "section_columns",
    "survey_columns",
]

BONDS = ("bonded", "unbonded")
BASES = ("asphalt", "concrete", "composite")
WEAR_OUT = "wear_out"
ONCE_A_DAY = "a section is surveyed once a day; another row has this section and date"
DATES = ("opened", "observed_from", "last_seen", "removed", "failed_after", "failed_by")
QUANTITIES = ("thickness", "panel_length", "area")

# wide enough for any road, narrow enough to catch a column in the wrong unit
_DIMENSIONS = (
    Column("thickness_in", "number", "thickness", lowest=1, highest=24, unit="in", factor=0.0254),
    Column("thickness_mm", "number", "thickness", lowest=25, highest=610, unit="mm", factor=0.001),
    Column("panel_length_ft", "number", "panel_length", lowest=1, highest=120, unit="ft", factor=0.3048),
    Column("panel_length_m", "number", "panel_length", lowest=0.3, highest=37, unit="m"),
    Column("trucks_per_day", "number", lowest=0.1, highest=100_000),
    Column("area_yd2", "number", "area", lowest=1, highest=10_000_000, unit="yd2", factor=0.9144**2),
    Column("area_m2", "number", "area", lowest=1, highest=10_000_000, unit="m2"),
)
_PLACES = (Column("district"), Column("contractor"), Column("project"))


@dataclass(frozen=True)
class Vocabulary:
    """Names that the prior files know.

    Parameters
    ----------
    mechanisms, measures : tuple of str
        In the order of the prior files.
    indicators : mapping of str to (float, float, str)
        Column: lowest, highest (in the unit of the file), "number" or "yes_no".
    types_required : bool
        Whether every section needs `bond` and `base`.
    units : mapping of str to str
        Column to its unit.

    Raises
    ------
    PriorError
        If a measure or indicator takes the name of another column.
    """

    mechanisms: tuple[str, ...]
    measures: tuple[str, ...]
    indicators: Mapping[str, tuple[float, float, str]] = field(default_factory=dict)
    types_required: bool = False
    units: Mapping[str, str] = field(default_factory=dict)

    def __post_init__(self) -> None:
        faults = Faults()
        taken = {c.name for c in (*_own_columns(), *_life_columns(self))} | set(QUANTITIES)
        for name in (*self.measures, *self.indicators):
            if name in taken:
                remedy = "Give it another name in the prior files"
                faults.add("a column has one meaning; this name is taken", column=name, remedy=remedy)
            taken.add(name)
        faults.raise_any(PriorError)

    @classmethod
    def of(cls, priors: Any) -> Vocabulary:
        """Vocabulary of a prior set (anything with its attributes)."""
        ranges: dict[str, tuple[float, float, str]] = {}
        units: dict[str, str] = {}
        faults = Faults()
        own = {c.name for c in _own_columns()} | set(QUANTITIES)
        # plain columns first: their words for the unit stand before those of a function that reads them too
        for indicator in sorted(priors.indicators, key=lambda indicator: len(indicator.sources) > 1):
            for source in indicator.sources:
                if source.column in own:
                    continue  # thickness, panel length: columns in any case, with limits of their own
                stated = (source.lowest, source.highest, source.kind)
                if ranges.setdefault(source.column, stated) != stated:
                    rule = f"indicators that read column `{source.column}` state one range and kind"
                    faults.add(rule, column=f"indicator.{indicator.name}", got=stated, remedy="Make them equal")
                units.setdefault(source.column, source.unit)
        faults.raise_any(PriorError)
        for driver in priors.drivers:
            if driver.column not in own:
                ranges.setdefault(driver.column, (-math.inf, math.inf, "number"))
        mechanisms = tuple(m.name for m in priors.mechanisms)
        return cls(mechanisms, tuple(m.name for m in priors.measures), ranges, bool(priors.uses_types), units)

    @property
    def causes(self) -> tuple[str, ...]:
        """Mechanisms and wear-out."""
        return (*self.mechanisms, WEAR_OUT)

    @property
    def indicator_columns(self) -> tuple[str, ...]:
        """Indicator columns, `existing_pci` always among them."""
        return tuple(dict.fromkeys(("existing_pci", *self.indicators)))


# columns


def _own_columns() -> tuple[Column, ...]:
    """Columns of a section that no prior file names."""
    types = (Column("bond", "choice", choices=BONDS), Column("base", "choice", choices=BASES))
    return (Column("section"), Column("opened", "date"), *types, *_DIMENSIONS, *_PLACES)


def _life_columns(vocabulary: Vocabulary) -> tuple[Column, ...]:
    """Columns that only sections already built have."""
    return (
        Column("randomised", "names", choices=vocabulary.measures, what="measure"),
        Column("verified", "names", choices=vocabulary.measures, what="measure"),
        Column("observed_from", "date"),
        Column("last_seen", "date"),
        Column("removed", "date"),
        Column("removal_reason", "choice", choices=("condition", "other")),
        Column("failed_after", "date"),
        Column("failed_by", "date"),
        Column("cause", "names", choices=vocabulary.causes, what="cause"),
    )


def section_columns(vocabulary: Vocabulary, *, planned: bool = False) -> tuple[Column, ...]:
    """Rules of the sections table, or of a table of planned sections."""
    needed = {"section", *(() if planned else ("opened",)), *(("bond", "base") if vocabulary.types_required else ())}
    own = [replace(c, required=c.name in needed, filled=c.name in needed) for c in _own_columns()]
    indicators = []
    for name in vocabulary.indicator_columns:
        lowest, highest, kind = vocabulary.indicators.get(name, (0.0, 100.0, "number"))
        if kind == "yes_no":
            indicators.append(Column(name, "flag"))
        else:
            unit = vocabulary.units.get(name, "")
            indicators.append(Column(name, "number", lowest=lowest, highest=highest, unit="" if unit == "1" else unit))
    measures = [Column(name, "flag") for name in vocabulary.measures]
    life = () if planned else _life_columns(vocabulary)
    return (*own, *indicators, *measures, *life)


def survey_columns(condition: Condition) -> tuple[Column, ...]:
    """Rules of the surveys table."""
    low, high = condition.lowest, condition.highest
    index = Column(condition.column, "number", "index", lowest=low, highest=high, what="the condition index")
    return (
        Column("section", required=True, filled=True),
        Column("surveyed", "date", required=True, filled=True),
        replace(index, required=True),
        Column("restored", "flag"),
        Column("rater"),
    )


def check_mapping(
    faults: Faults, mapping: Mapping[str, str], tables: Sequence[tuple[Sequence[Column], Table | None]]
) -> None:
    """Every mapped name is known, and the column it names is in a file of the study.

    Parameters
    ----------
    mapping : mapping of str to str
        Our column name to the file's.
    tables : sequence of (columns, Table or None)
        The rules of each table, and the table where the study has it.
    """
    known = {column.name for columns, _ in tables for column in columns}
    for ours, theirs in mapping.items():
        place = f"columns.{ours}"
        homes = [table for columns, table in tables if table and any(c.name == ours for c in columns)]
        if ours not in known:
            near = nearest(ours, known)
            remedy = f"Perhaps `{near}` is meant" if near else "Delete the line"
            faults.add("the left side is a known column", column=place, got=ours, remedy=remedy)
        elif homes and all(table.header and theirs not in table.header for table in homes):
            remedy = "Correct the name or delete the line"
            faults.add("the right side is a column of the table", column=place, got=theirs, remedy=remedy)
    meant = list(mapping.values())
    for theirs in sorted({name for name in meant if meant.count(name) > 1}):
        ours = " and ".join(name for name, other in mapping.items() if other == theirs)
        faults.add(f"a column has one meaning; {ours} name the same", column="columns", got=theirs, remedy="Keep one")


# rules between cells


class _Order(NamedTuple):
    """`later` does not lie before `earlier`; nor on the same day where `strict`."""

    later: str
    earlier: str
    strict: bool
    rule: str


_ORDERS = (
    _Order("removed", "opened", True, "a section is removed after its opening"),
    _Order("last_seen", "opened", False, "a section is not last seen before its opening"),
    _Order("removed", "last_seen", False, "a section is not seen in service after its removal"),
    _Order("removed", "observed_from", False, "a section is not removed before it came under observation"),
    _Order("last_seen", "observed_from", False, "a section is not last seen before it came under observation"),
    _Order("failed_after", "opened", False, "a section has not failed before its opening"),
    _Order("failed_by", "opened", True, "a section fails after its opening"),
    _Order("failed_by", "failed_after", True, "`failed_by` lies after `failed_after`"),
    _Order("removed", "failed_by", False, "a failure is not stated later than the removal"),
    _Order("removed", "failed_after", False, "a section is not known to last beyond its removal"),
    _Order("last_seen", "failed_after", False, "a section known not to have failed on a date was seen until then"),
)


def latest_date(sections: Table, surveys: Table) -> date | None:
    """Latest date of the two tables; None if they hold none."""
    dates = np.concatenate([*(sections[name] for name in DATES), surveys["surveyed"]])
    dates = dates[~np.isnat(dates)]
    return dates.max().item() if dates.size else None


def check_sections(faults: Faults, sections: Table, until: date | None) -> None:
    """Note what contradicts itself within the sections table (causes and repeated ids apart)."""
    for name in DATES:
        _not_later(faults, sections, name, until)
    for order in _ORDERS:
        later, earlier = sections[order.later], sections[order.earlier]
        wrong = (later <= earlier) if order.strict else (later < earlier)
        got = [f"{a}, and {order.earlier} {b}" for a, b in zip(later, earlier, strict=True)] if wrong.any() else ()
        remedy, beside = "Correct one of the two dates", partial(sections.place, quantity=order.earlier)
        mark(faults, sections, wrong, order.later, order.rule, got=got, remedy=remedy, beside=beside)
    _removal(faults, sections)
    _named_measures(faults, sections)


def check_unique(faults: Faults, sections: Table) -> None:
    """Note ids that appear in more than one row."""
    first: dict[str, int] = {}
    for name, line in zip(sections["section"], sections.lines, strict=True):
        if name and first.setdefault(name, int(line)) != line:
            rule = f"a section has one row; row {first[name]} has this one already"
            remedy = "Delete one of the rows, or give it an id of its own"
            column = sections.given["section"]
            faults.add(rule, file=sections.file, row=int(line), column=column, got=name, remedy=remedy)


def _not_later(faults: Faults, table: Table, name: str, until: date | None) -> None:
    if until is None:
        rule, limit, remedy = "no date lies in the future", date.today(), "Correct the date"
    else:
        rule, limit = f"no date lies after the end of the records, {until}", until
        remedy = "Correct the date, or set a later `until` in the study"
    mark(faults, table, table[name] > np.datetime64(limit, "D"), name, rule, remedy=remedy)


def _removal(faults: Faults, sections: Table) -> None:
    removed, reason = ~np.isnat(sections["removed"]), sections["removal_reason"]
    both = sections.readable("removed", "removal_reason")
    rule = "a removal has a reason: condition or other"
    mark(faults, sections, both & removed & (reason == ""), "removal_reason", rule, remedy="State it")
    rule, remedy = "a removal reason has a date in `removed`", "State the date or empty the cell"
    mark(faults, sections, both & ~removed & (reason != ""), "removal_reason", rule, remedy=remedy)
    same = (reason == "condition") & (sections["failed_after"] == sections["removed"])
    rule = "a section removed for its condition had failed before that day"
    mark(faults, sections, same, "failed_after", rule, remedy="State an earlier date or empty the cell")


def _named_measures(faults: Faults, sections: Table) -> None:
    """Assigned at random: recorded 0 or 1. Verified: recorded 1."""
    for column, wanted, rule in (
        ("randomised", (0.0, 1.0), "a measure assigned at random has 0 or 1 in its column"),
        ("verified", (1.0,), "a measure verified has 1 in its column"),
    ):
        for measure in sorted({name for names in sections[column] for name in names}):
            listed = np.array([measure in names for names in sections[column]], dtype=bool)
            wrong = listed & sections.readable(measure) & ~np.isin(sections[measure], wanted)
            remedy = f"Fill `{measure}` in this row, or take it out of `{column}`"
            mark(faults, sections, wrong, column, rule, got=[measure] * len(sections), remedy=remedy)


def check_surveys(
    faults: Faults, sections: Table, surveys: Table, trace: Trace, condition: Condition, until: date | None
) -> None:
    """Note what contradicts itself in the surveys table or between the two tables."""
    _not_later(faults, surveys, "surveyed", until)
    owner, day = trace.owner_of_row, surveys["surveyed"]
    if "section" in sections.given:
        rule = f"the section is in {sections.file}"
        stray = (owner < 0) & (surveys["section"] != "")
        mark(faults, surveys, stray, "section", rule, remedy="Add its row there, or correct the id here")
    for name, rule, beyond in (
        ("opened", "a section is not surveyed before its opening", np.less),
        ("removed", "a section is not surveyed after its removal", np.greater),
        ("last_seen", "a section is not surveyed after it was last seen", np.greater),
    ):
        limit = _by_survey(sections[name], owner)
        wrong = beyond(day, limit)
        got = [f"{a}, and {name} {b}" for a, b in zip(day, limit, strict=True)] if wrong.any() else ()
        beside = _of_section(sections, owner, name)
        mark(faults, surveys, wrong, "surveyed", rule, got=got, remedy=f"Correct this date or `{name}`", beside=beside)
    _once_a_day(faults, surveys, trace)
    _far_below(faults, sections, surveys, trace, condition)
    _causes(faults, sections, trace)


def _of_section(
    sections: Table, owner: NDArray[np.int64], quantity: str
) -> Callable[[int], tuple[int, str, int, str] | None]:
    """Place of a cell of the section that a survey belongs to."""
    return lambda row: sections.place(owner[row], quantity) if owner[row] >= 0 else None


def _by_survey(values: NDArray[Any], owner: NDArray[np.int64]) -> NDArray[Any]:
    """Date of each survey's section; NaT without one."""
    return np.append(values, np.datetime64("NaT", "D"))[owner]


def _once_a_day(faults: Faults, surveys: Table, trace: Trace) -> None:
    mask = np.zeros(len(surveys), dtype=bool)
    mask[trace.row[1:]] = (trace.owner[1:] == trace.owner[:-1]) & (trace.date[1:] == trace.date[:-1])
    mark(faults, surveys, mask, "surveyed", ONCE_A_DAY, remedy="Keep one of the rows")


def _far_below(faults: Faults, sections: Table, surveys: Table, trace: Trace, condition: Condition) -> None:
    """A reading that says "failed by then" must leave room before it."""
    says = trace.says_failed
    opened, after = sections["opened"][trace.owner], sections["failed_after"][trace.owner]
    # a date stated after a restoration describes another path and is not used
    after = np.where(trace.closed[trace.owner] & (after > trace.closing[trace.owner]), np.datetime64("NaT", "D"), after)
    level = f"{condition.threshold:g}"
    after_of = _of_section(sections, trace.owner_of_row, "failed_after")
    for clash, rule, remedy in (
        (trace.date <= opened, "a section has not failed on its opening day", "Correct the index or the date"),
        (
            trace.date <= after,
            f"a reading far below {level} says failed by then, but `failed_after` says not yet",
            "Correct one of the two",
        ),
    ):
        mask = np.zeros(len(surveys), dtype=bool)
        mask[trace.row[says & clash]] = True
        mark(faults, surveys, mask, "index", rule, remedy=remedy, beside=after_of)


def _causes(faults: Faults, sections: Table, trace: Trace) -> None:
    named = np.array([bool(names) for names in sections["cause"]], dtype=bool)
    failed = (sections["removal_reason"] == "condition") | ~np.isnat(sections["failed_by"]) | trace.crossed
    loose = named & ~failed & sections.readable("removal_reason", "failed_by")
    rule = "a cause belongs to a failure: removed for condition, `failed_by` stated, or a reading at the threshold"
    got = [";".join(names) for names in sections["cause"]] if loose.any() else ()
    mark(faults, sections, loose, "cause", rule, got=got, remedy="State the failure or empty the cell")
