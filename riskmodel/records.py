"""Records of built sections and their surveys: from two tables to intervals, readings and a census.

Ages count in years from opening to traffic (1 year = 365.25 days). Failure is the age at which a
section's condition path reaches the threshold. An event is never a flag: what the agency states is
an interval; a removal for condition comes some years after failure; being in service at an age says
that this removal has not come yet; a history closes at its first restoration.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import date
from pathlib import Path
from typing import Any

import numpy as np
import xarray as xr
from numpy.typing import NDArray

from riskmodel.census import Census, census_table, census_text, take_census
from riskmodel.columns import Column
from riskmodel.condition import Condition
from riskmodel.errors import Faults, RecordsError
from riskmodel.notebook import page_of
from riskmodel.raters import RATER, pooled_names
from riskmodel.recordrules import (
    QUANTITIES,
    Vocabulary,
    check_mapping,
    check_sections,
    check_surveys,
    check_unique,
    latest_date,
    section_columns,
    survey_columns,
)
from riskmodel.roundtables import Intake, Round, join_sections, join_surveys, read_later
from riskmodel.schema import check, stamp
from riskmodel.tables import Table, empty_table, read_table
from riskmodel.trace import Trace, build_trace

__all__ = [
    "YEAR",
    "Census",
    "Condition",
    "Intake",
    "Records",
    "Round",
    "Vocabulary",
    "census_table",
    "census_text",
    "read_planned",
    "read_records",
]

YEAR = 365.25
"""Days in a year."""

_TEXTS = ("bond", "base", "district", "contractor")
_NUMBERS = (*QUANTITIES, "trucks_per_day")


@dataclass(frozen=True)
class Records:
    """Records of one study.

    Parameters
    ----------
    sections : Dataset
        Kind `sections`.
    readings : Dataset
        Kind `readings`, sorted by section, then age.
    census : Census
        What the records hold.
    condition : Condition
        The condition scale.
    until : date or None
        End of the records; None if the tables hold no date and none was stated.
    digests : mapping of str to str
        "sections" and "surveys": SHA-256 of the first file.
    intakes : tuple of Intake
        What each later delivery brought.
    latest : date or None
        Latest date in the tables.
    """

    sections: xr.Dataset
    readings: xr.Dataset
    census: Census
    condition: Condition
    until: date | None
    digests: Mapping[str, str]
    intakes: tuple[Intake, ...] = ()
    latest: date | None = None

    def _repr_html_(self) -> str:
        return page_of(census_text(self))


def read_records(
    sections: Path,
    surveys: Path | None,
    *,
    vocabulary: Vocabulary,
    condition: Condition | None = None,
    columns: Mapping[str, str] | None = None,
    until: date | None = None,
    rounds: Sequence[Round] = (),
) -> Records:
    """Read the tables of sections and surveys, and later deliveries in their order.

    Parameters
    ----------
    sections, surveys : Path
        CSV or Parquet files; no surveys means hard facts only.
    vocabulary : Vocabulary
        Names that the prior files know.
    condition : Condition, optional
        The condition scale.
    columns : mapping of str to str, optional
        Our column name to the agency's.
    until : date, optional
        Day on which the records close; the latest date in the tables by default.
    rounds : sequence of Round, optional
        Later deliveries, oldest first.

    Returns
    -------
    Records
        A table of sections with a header and no row gives records without sections.

    Raises
    ------
    RecordsError
        With every fault of both files: file, row, column, value, rule, remedy.
    """
    condition, mapping = condition or Condition(), columns or {}
    faults = Faults()
    of_section, of_survey = section_columns(vocabulary), survey_columns(condition)
    built = read_table(Path(sections), of_section, faults, mapping=mapping, elsewhere=_belongs(of_survey, "surveys"))
    seen = empty_table(of_survey)
    if surveys is not None:
        seen = read_table(Path(surveys), of_survey, faults, mapping=mapping, elsewhere=_belongs(of_section, "sections"))
    check_mapping(faults, mapping, [(of_section, built), (of_survey, seen if surveys is not None else None)])
    check_unique(faults, built)
    files, intakes = [built.file, seen.file], []
    for each in rounds:
        built, seen, intake = _joined(built, seen, each, (of_section, of_survey), faults, mapping)
        files += [_shown(each, kind) for kind in ("sections", "surveys")]
        intakes.append(intake)
    trace = build_trace(built, seen, condition)
    check_sections(faults, built, until)
    check_surveys(faults, built, seen, trace, condition, until)
    _raise_in_order(faults, files)
    latest = latest_date(built, seen)
    records = _assemble(built, seen, trace, vocabulary, condition, until or latest)
    return replace(records, intakes=tuple(intakes), latest=latest)


def _joined(
    built: Table,
    seen: Table,
    later: Round,
    columns: tuple[tuple[Column, ...], tuple[Column, ...]],
    faults: Faults,
    mapping: Mapping[str, str],
) -> tuple[Table, Table, Intake]:
    """The tables with one later delivery."""
    of_section, of_survey = columns
    first = second = Intake(later.name)
    corrects = later.corrects
    if later.sections is not None:
        told = read_later(later.sections, of_section, faults, mapping=mapping,
                          elsewhere=_belongs(of_survey, "surveys"), shown=_shown(later, "sections"))  # fmt: skip
        built, first = join_sections(built, told, of_section, faults, corrects=corrects)
    if later.surveys is not None:
        told = read_later(later.surveys, of_survey, faults, mapping=mapping,
                          elsewhere=_belongs(of_section, "sections"), shown=_shown(later, "surveys"))  # fmt: skip
        seen, second = join_surveys(seen, told, of_survey, faults, corrects=corrects)
    counts = {f"surveys_{part}": getattr(second, f"surveys_{part}") for part in ("new", "told", "known")}
    corrected = first.corrected + second.corrected
    return built, seen, replace(first, name=later.name, corrected=corrected, **counts)


def _shown(later: Round, kind: str) -> str:
    return later.shown.get(kind, f"{later.name}/{kind}")


def read_planned(path: Path, *, vocabulary: Vocabulary, columns: Mapping[str, str] | None = None) -> xr.Dataset:
    """Read a table of planned sections.

    Parameters
    ----------
    path : Path
        CSV or Parquet file with the columns of a sections table; `opened` may be absent, and the
        columns of a life (`removed`, `cause`, ...) are refused.
    vocabulary : Vocabulary
        Names that the prior files know.
    columns : mapping of str to str, optional
        Our column name to the agency's.

    Returns
    -------
    Dataset
        Kind `programme`.

    Raises
    ------
    RecordsError
        With every fault of the file.
    """
    faults = Faults()
    rules = section_columns(vocabulary, planned=True)
    past = {
        column.name: "It belongs to the records of built sections; delete it here"
        for column in section_columns(vocabulary)
    }
    table = read_table(Path(path), rules, faults, mapping=columns, elsewhere=past)
    check_unique(faults, table)
    _raise_in_order(faults, [table.file])
    return _checked(_dataset(table, vocabulary), "programme")


def _belongs(columns: tuple[Column, ...], table: str) -> dict[str, str]:
    return {column.name: f"It belongs to the {table} table" for column in columns}


def _raise_in_order(faults: Faults, files: list[str]) -> None:
    order = {file: place for place, file in reversed(list(enumerate(files)))}
    faults.found.sort(key=lambda fault: (order.get(fault.file, -1), fault.row or 0))
    faults.raise_any(RecordsError)


def _checked(ds: xr.Dataset, kind: str) -> xr.Dataset:
    out = stamp(ds, kind)
    check(out, kind)
    return out


# from tables to datasets


def _assemble(
    built: Table,
    seen: Table,
    trace: Trace,
    vocabulary: Vocabulary,
    condition: Condition,
    until: date | None,
) -> Records:
    readings = _readings(built, seen, trace)
    sections = _dataset(built, vocabulary).assign(_life(built, trace, vocabulary, until))
    sections, readings = _checked(sections, "sections"), _checked(readings, "readings")
    recorded = (*_TEXTS, "project", *_NUMBERS, *vocabulary.indicator_columns, *vocabulary.measures)
    census = take_census(sections, readings, (built, seen), trace, recorded=recorded)
    digests = {"sections": built.digest, "surveys": seen.digest}
    return Records(sections, readings, census, condition, until, {k: v for k, v in digests.items() if v})


def _dataset(table: Table, vocabulary: Vocabulary) -> xr.Dataset:
    """What is known of a section besides its life."""
    on = "section"
    data: dict[str, Any] = {"opened_year": (on, _decimal_year(table["opened"]))}
    data |= {name: (on, _text(table[name])) for name in _TEXTS}
    data["project"] = (on, _text(_projects(table)))
    data |= {name: (on, table[name]) for name in _NUMBERS}
    for name in vocabulary.indicator_columns:
        units = vocabulary.units.get(name) or ("index points" if name == "existing_pci" else "as recorded")
        data[name] = (on, table[name], {"units": units, "long_name": name.replace("_", " ")})
    names = vocabulary.measures
    required = np.array([table[name] for name in names], dtype=np.float64).reshape(len(names), len(table)).T
    data["required"] = ((on, "measure"), required)
    for column in ("verified", "randomised"):
        data[column] = ((on, "measure"), _listed(table.values.get(column), names, len(table)))
    return xr.Dataset(data, coords={on: _text(table["section"]), "measure": _text(names)})


def _listed(cells: NDArray[Any] | None, names: tuple[str, ...], rows: int) -> NDArray[np.bool_]:
    """Which names each cell lists, shape (row, name)."""
    out = np.zeros((rows, len(names)), dtype=bool)
    place = {name: column for column, name in enumerate(names)}
    for row, listed in enumerate(() if cells is None else cells):
        out[row, [place[name] for name in listed]] = True
    return out


def _text(values: Any) -> NDArray[Any]:
    return np.array(list(values), dtype=str)


def _projects(table: Table) -> NDArray[Any]:
    """Contract of each section: as recorded, else opening month, contractor and district, else its own."""
    month = table["opened"].astype("datetime64[M]").astype(str)
    project = table["project"].copy()
    for row in np.flatnonzero(project == ""):
        crew = [text for text in (table["contractor"][row], table["district"][row]) if text]
        known = crew and month[row] != "NaT"
        project[row] = ", ".join([month[row], *crew]) if known else f"section {table['section'][row]}"
    return project


def _decimal_year(day: NDArray[Any]) -> NDArray[np.float64]:
    year = day.astype("datetime64[Y]")
    first, after = year.astype("datetime64[D]"), (year + np.timedelta64(1, "Y")).astype("datetime64[D]")
    number = np.where(np.isnat(day), np.nan, year.astype(np.int64) + 1970.0)
    return number + (day - first) / (after - first)


def _age(day: NDArray[Any], opened: NDArray[Any]) -> NDArray[np.float64]:
    """Age in years; NaN where there is no date."""
    return (day - opened) / np.timedelta64(1, "D") / YEAR


def _readings(built: Table, seen: Table, trace: Trace) -> xr.Dataset:
    kept = np.isfinite(trace.index)
    owner = trace.owner[kept]
    data = {
        "section_index": owner,
        "section": _text(built["section"][owner]),
        "age": _age(trace.date[kept], built["opened"][owner]),
        "index": trace.index[kept],
        "z": trace.z[kept],
        "status": _text(trace.status[kept]),
        **pooled_names(seen[RATER][trace.row[kept]]),
    }
    return xr.Dataset({name: ("reading", values) for name, values in data.items()})


def _life(built: Table, trace: Trace, vocabulary: Vocabulary, until: date | None) -> dict[str, Any]:
    """Entry, service, removal and hard bounds, in years of age."""
    opened, removed = built["opened"], built["removed"]
    by_condition = (built["removal_reason"] == "condition") & ~trace.closed
    entry = np.fmax(_age(built["observed_from"], opened), 0.0)
    entry[np.isnan(entry)] = 0.0
    lower, upper = _stated_bounds(built, trace)
    named = _listed(built["cause"], vocabulary.causes, len(built))
    # a cause after a restoration speaks of another path
    named[trace.closed & ~np.isfinite(upper) & ~trace.crossed] = False
    on = "section"
    return {
        "age_entry": (on, entry),
        "age_in_service": (on, np.where(by_condition, np.nan, _in_service(built, trace, entry, until))),
        "age_removed": (on, np.where(by_condition, _age(removed, opened), np.nan)),
        "age_lower": (on, lower),
        "age_upper": (on, upper),
        "named": ((on, "cause"), named),
        "cause": _text(vocabulary.causes),
    }


def _in_service(built: Table, trace: Trace, entry: NDArray[np.float64], until: date | None) -> NDArray[np.float64]:
    """Age at which a section not removed for condition is last known to be in service."""
    day = np.full(len(built), until, dtype="datetime64[D]")
    for stated in (built["removed"], built["last_seen"]):
        day = np.where(np.isnat(stated), day, stated)
    age = _age(np.where(trace.closed, trace.closing, day), built["opened"])
    # a history that closes before observation began says nothing: in service at entry, given in service at entry
    return np.where(trace.closed, np.maximum(age, entry), age)


def _stated_bounds(built: Table, trace: Trace) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Hard bounds of the age at failure, as the agency states them."""
    opened = built["opened"]
    after, by = built["failed_after"], built["failed_by"]
    lower, upper = _age(after, opened), _age(by, opened)
    # what is stated for a day after the restoration speaks of another path
    lower[np.isnan(lower) | (trace.closed & (after > trace.closing))] = 0.0
    upper[np.isnan(upper) | (trace.closed & (by > trace.closing))] = np.inf
    return lower, upper
