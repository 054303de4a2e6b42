"""What the records hold: counts, what is missing, what was set aside and why."""

from __future__ import annotations

import textwrap
from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from datetime import date
from typing import TYPE_CHECKING, Any

import numpy as np
import pandas as pd

from riskmodel.raters import NOT_RECORDED, RATER, raters_of
from riskmodel.tables import Table
from riskmodel.trace import STATUSES, Trace

if TYPE_CHECKING:
    import xarray as xr

    from riskmodel.records import Records

__all__ = ["Census", "Rise", "census_table", "census_text", "take_census"]

_STATUS_WORDS = {
    "used": "used as they are",
    "capped": "at the top of the scale: the condition is at least that",
    "far_below": "far below the threshold: only that it had come so low counts",
    "at_floor": "at the bottom of the scale: only that it had come so low counts",
    "after_restoration": "set aside: taken after a recorded restoration",
    "after_suspected_restoration": "set aside: taken after a suspected restoration",
}
_SHOWN = 10


@dataclass(frozen=True)
class Rise:
    """A rise of the index without a recorded restoration."""

    section: str
    surveyed: date
    before: float
    after: float


@dataclass(frozen=True)
class Census:
    """Counts of the records.

    Parameters
    ----------
    sections, projects, projects_inferred : int
        Projects inferred: from opening month, contractor and district.
    in_service, removed_condition, removed_other : int
        Sections by where they stand at the end of the records.
    failures_seen : int
        Sections with any of the three that follow.
    failed_by_removal, failed_by_statement, failed_by_reading : int
        Removed for condition; `failed_by` stated; a reading at or below the threshold.
    interval_censored, right_censored, left_truncated : int
        Failure bounded from above (removal, statement, reading far below); not bounded; came under
        observation after opening.
    closed_at_restoration, removals_unused : int
        Histories closed at a restoration; removals for condition after one.
    causes_named, causes_unused : int
        Sections with a cause; those among them whose failure came after a restoration.
    readings : int
    by_status : mapping of str to int
        Readings by how they are used.
    surveys_without_index : int
    raters, readings_without_rater : int
        Raters that the surveys name, and readings without one; 0 both where they name none.
    missing : mapping of str to float
        Column to the share of its cells not recorded, 0 to 1.
    at_mean : mapping of str to int
        Sections whose traffic or thickness is not recorded and enters at the mean.
    rises : tuple of Rise
        Suspected unrecorded restorations.
    units : mapping of str to str
        Quantity to the unit in the file.
    """

    sections: int
    projects: int
    projects_inferred: int
    in_service: int
    removed_condition: int
    removed_other: int
    failures_seen: int
    failed_by_removal: int
    failed_by_statement: int
    failed_by_reading: int
    interval_censored: int
    right_censored: int
    left_truncated: int
    closed_at_restoration: int
    removals_unused: int
    causes_named: int
    causes_unused: int
    readings: int
    by_status: Mapping[str, int]
    surveys_without_index: int
    raters: int
    readings_without_rater: int
    missing: Mapping[str, float]
    at_mean: Mapping[str, int]
    rises: tuple[Rise, ...]
    units: Mapping[str, str]


def take_census(
    sections: xr.Dataset,
    readings: xr.Dataset,
    tables: tuple[Table, Table],
    trace: Trace,
    *,
    recorded: tuple[str, ...],
) -> Census:
    """Count what the records hold.

    Parameters
    ----------
    sections, readings : Dataset
        As in `Records`.
    tables : (Table, Table)
        Sections and surveys as read.
    trace : Trace
        The surveys in order.
    recorded : tuple of str
        Quantities of the sections table whose missing share is wanted.
    """
    raw, surveys = tables
    reason = raw["removal_reason"]
    by_removal, by_statement = reason == "condition", ~np.isnat(raw["failed_by"])
    named = np.array([bool(names) for names in raw["cause"]], dtype=bool)
    bounded = np.isfinite(sections["age_upper"].values) | np.isfinite(sections["age_removed"].values)
    bounded[trace.owner[trace.says_failed]] = True
    status = readings["status"].values
    return Census(
        sections=len(raw),
        projects=len(np.unique(sections["project"].values)),
        projects_inferred=int(((raw["project"] == "") & ((raw["contractor"] != "") | (raw["district"] != ""))).sum()),
        in_service=int((reason == "").sum()),
        removed_condition=int(by_removal.sum()),
        removed_other=int((reason == "other").sum()),
        failures_seen=int((by_removal | by_statement | trace.crossed).sum()),
        failed_by_removal=int(by_removal.sum()),
        failed_by_statement=int(by_statement.sum()),
        failed_by_reading=int(trace.crossed.sum()),
        interval_censored=int(bounded.sum()),
        right_censored=int((~bounded).sum()),
        left_truncated=int((sections["age_entry"].values > 0).sum()),
        closed_at_restoration=int(trace.closed.sum()),
        removals_unused=int((by_removal & trace.closed).sum()),
        causes_named=int(named.sum()),
        causes_unused=int((named & ~sections["named"].values.any(axis=1)).sum()),
        readings=readings.sizes["reading"],
        by_status={name: int((status == name).sum()) for name in STATUSES},
        surveys_without_index=int(np.isnan(surveys["index"]).sum()),
        raters=len(set(raters_of(readings)) - {NOT_RECORDED}),
        readings_without_rater=int((readings[RATER].values == NOT_RECORDED).sum()) if RATER in readings else 0,
        missing=_missing(raw, surveys, recorded, by_removal | by_statement | trace.crossed),
        at_mean={name: int(np.isnan(raw[name]).sum()) for name in ("trucks_per_day", "thickness")},
        rises=_rises(raw, trace),
        units={name: unit for name, unit in raw.units.items() if unit and name in recorded},
    )


def _missing(raw: Table, surveys: Table, recorded: tuple[str, ...], failed: np.ndarray) -> dict[str, float]:
    shares = {name: _empty_share(raw[name]) for name in recorded}
    shares["cause of a failure"] = _empty_share(raw["cause"][failed])
    shares["index"] = _empty_share(surveys["index"])
    shares["restored"] = _empty_share(surveys["restored"])
    return shares


def _empty_share(values: np.ndarray) -> float:
    """Share of empty cells; 0 of no cells."""
    if not values.size:
        return 0.0
    return float(np.mean(np.isnan(values) if values.dtype.kind == "f" else [not value for value in values]))


def _rises(raw: Table, trace: Trace) -> tuple[Rise, ...]:
    return tuple(
        Rise(raw["section"][trace.owner[i]], trace.date[i].item(), float(trace.before[i]), float(trace.index[i]))
        for i in np.flatnonzero(trace.rise)
    )


# tables and words


def census_table(records: Records) -> pd.DataFrame:
    """The census as a table.

    Returns
    -------
    DataFrame
        Columns `item`, `value` (number or text) and `note`.
    """
    rows = [*_section_items(records), *_reading_items(records.census), *_column_items(records.census)]
    return pd.DataFrame(rows, columns=["item", "value", "note"]).astype(object)


def _section_items(records: Records) -> Iterator[tuple[str, Any, str]]:
    census, threshold = records.census, f"{records.condition.threshold:g}"
    yield "records_until", str(records.until or ""), "end of the records"
    yield "sections", census.sections, ""
    yield "projects", census.projects, f"{census.projects_inferred} sections by opening month, contractor and district"
    yield "in_service", census.in_service, ""
    yield "removed_for_condition", census.removed_condition, ""
    yield "removed_for_other_reason", census.removed_other, "in service until then"
    yield "failures_seen", census.failures_seen, "by removal, statement or reading"
    yield "failures_by_removal", census.failed_by_removal, "removed for condition"
    yield "failures_by_statement", census.failed_by_statement, "`failed_by` stated"
    yield "failures_by_reading", census.failed_by_reading, f"a reading at or below {threshold}"
    yield "interval_censored", census.interval_censored, "failure bounded from above"
    yield "right_censored", census.right_censored, "failure not bounded from above"
    yield "left_truncated", census.left_truncated, "came under observation after opening"
    yield "closed_at_restoration", census.closed_at_restoration, "histories that end at a restoration"
    yield "removals_unused", census.removals_unused, "removed for condition after a restoration"
    yield "causes_named", census.causes_named, "sections with at least one cause"
    yield "causes_unused", census.causes_unused, "failed after a restoration"


def _reading_items(census: Census) -> Iterator[tuple[str, Any, str]]:
    yield "readings", census.readings, ""
    for status, count in census.by_status.items():
        yield f"readings_{status}", count, _STATUS_WORDS[status]
    yield (
        "surveys_without_index",
        census.surveys_without_index,
        "the date and the restoration count, the index is empty",
    )
    if census.raters:
        yield "raters", census.raters, "who read the index; each may read high or low"
        yield "readings_without_rater", census.readings_without_rater, "taken as one more rater"
    yield "suspected_restorations", len(census.rises), "rises without a recorded restoration"
    for rise in census.rises:
        note = f"section {rise.section}, {rise.surveyed}: from {rise.before:g} to {rise.after:g}"
        yield "suspected_restoration", round(rise.after - rise.before, 6), note


def _column_items(census: Census) -> Iterator[tuple[str, Any, str]]:
    for name, count in census.at_mean.items():
        yield f"{name}_at_mean", count, "sections that enter at the mean of the records"
    for name, share in census.missing.items():
        yield f"missing_{name.replace(' ', '_')}", share, "share of cells not recorded"
    for name, unit in census.units.items():
        yield f"unit_{name}", unit, "unit in the file; SI from here on"


def census_text(records: Records) -> str:
    """The census as a page of plain words."""
    census = records.census
    if not census.sections:
        return "Records: none. The tables hold no section, so results rest on the priors alone.\n"
    parts = [_about_sections(records), _about_readings(records), _about_columns(census)]
    return "\n\n".join("\n".join(part) for part in parts) + "\n"


def _about_sections(records: Records) -> list[str]:
    c = records.census
    level = f"{records.condition.threshold:g}"
    lines = [
        f"Records to {records.until}",
        f"  {_n(c.sections, 'section')} in {_n(c.projects, 'project')}"
        f" ({c.projects_inferred} placed in one by opening month, contractor and district)",
        f"  {c.in_service} in service, {c.removed_condition} removed for condition, "
        f"{c.removed_other} removed for another reason",
        f"  {_n(c.failures_seen, 'failure')} seen: {c.failed_by_removal} by removal, {c.failed_by_statement} by a "
        f"stated date, {c.failed_by_reading} by a reading at or below {level} (a section can count in several)",
        f"  age at failure bounded from above in {c.interval_censored}, open in {c.right_censored}",
        f"  {c.left_truncated} came under observation after opening",
        f"  {_n(c.causes_named, 'section')} with a named cause",
    ]
    if c.closed_at_restoration:
        unused = f"; {c.removals_unused} later removals and {c.causes_unused} causes not used"
        lines.append(f"  {c.closed_at_restoration} histories closed at a restoration{unused}")
    return lines


def _about_readings(records: Records) -> list[str]:
    c = records.census
    lines = [f"{_n(c.readings, 'reading')} of `{records.condition.column}`"]
    lines += [f"  {count} {_STATUS_WORDS[status]}" for status, count in c.by_status.items() if count]
    if c.surveys_without_index:
        lines.append(f"  {_n(c.surveys_without_index, 'survey')} without an index")
    if c.raters:
        rest = f"; {c.readings_without_rater} without a name, taken as one more" if c.readings_without_rater else ""
        lines.append(f"  by {_n(c.raters, 'rater')}{rest}")
    if c.rises:
        fate = (
            "set aside from there on" if records.condition.unrecorded == "set_aside" else "kept: the study trusts them"
        )
        lines.append(f"  {_n(len(c.rises), 'rise')} without a recorded restoration, {fate}:")
        lines += [f"    {r.section}, {r.surveyed}: from {r.before:g} to {r.after:g}" for r in c.rises[:_SHOWN]]
    if len(c.rises) > _SHOWN:
        lines.append(f"    and {len(c.rises) - _SHOWN} more, in the census table")
    return lines


def _about_columns(census: Census) -> list[str]:
    units = ", ".join(f"{name} [{unit}]" for name, unit in census.units.items())
    lines = ["Columns" + (f" (units of the files: {units})" if units else "")]
    absent = [name for name, share in census.missing.items() if share == 1]
    partial = sorted(((share, name) for name, share in census.missing.items() if 0 < share < 1), reverse=True)
    lines += [f"  {share:4.0%} not recorded: {name}" for share, name in partial]
    if absent:
        text = f"nothing recorded: {', '.join(absent)}"
        lines.append(textwrap.fill(text, 100, initial_indent="  ", subsequent_indent="    "))
    for name, count in census.at_mean.items():
        if 0 < count < census.sections:
            lines.append(f"  {_n(count, 'section')} enter{'s' if count == 1 else ''} {name} at the mean of the records")
    return lines


def _n(count: int, noun: str) -> str:
    return f"{count} {noun}{'' if count == 1 else 's'}"
