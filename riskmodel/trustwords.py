"""Checks of the calibrated model in words: for a terminal, and in short for the report."""

from __future__ import annotations

from collections.abc import Iterator
from typing import Any

import pandas as pd

from .report import rounded, wrapped
from .verdicts import FAILED, NOT_APPLICABLE, PASSED

__all__ = ["short_lines", "trust_lines"]

MARKS = {PASSED: "passed", FAILED: "FAILED", NOT_APPLICABLE: "n/a"}
STANDING = (
    "A passed check says that these records do not contradict the model there; it proves no life beyond the ages seen. "
    "Look at a section on site, with traffic control, before anything is done there."
)


def trust_lines(
    checks: pd.DataFrame, sections: pd.DataFrame, variants: pd.DataFrame, *, basis: str, top: int
) -> list[str]:
    """The checks, the sections explained worst and the variants, as lines of up to 79 columns.

    Parameters
    ----------
    checks : DataFrame
        Columns check, verdict, finding, what_to_do.
    sections : DataFrame
        Columns section, why, tail_area; worst first.
    variants : DataFrame
        One row a variant; may be empty.
    basis : str
        What the results rest on.
    top : int
        Sections to name.
    """
    lines = [f"Can the model be believed? Basis: {basis}.", "", *_checks(checks)]
    worst = sections[sections["tail_area"].notna()].head(top) if len(sections) else sections
    if len(worst):
        lines += ["", "Sections that the model explains worst"]
        for row in _rows(worst):
            lines += wrapped(f"{row['section']}: {row['why']}.", bullet=True)
    if len(variants):
        lines += ["", *_variants(variants)]
    return [*lines, "", *wrapped(STANDING)]


def _rows(table: pd.DataFrame) -> list[dict[str, Any]]:
    """Rows, an empty text where a cell is empty."""
    known = table.notna()
    cells = zip(table.to_dict("records"), known.to_dict("records"), strict=True)
    return [{str(name): row[name] if there[name] else "" for name in row} for row, there in cells]


def _checks(checks: pd.DataFrame) -> Iterator[str]:
    for row in _rows(checks):
        yield from _headed(row["verdict"], row["check"])
        for text in (row["finding"], f"To do: {row['what_to_do']}." if row["what_to_do"] else ""):
            yield from (f"        {line}" for line in wrapped(text, width=71)) if text else ()


def _headed(verdict: str, words: str) -> Iterator[str]:
    """The verdict and what was asked."""
    for n, line in enumerate(wrapped(words, width=71)):
        yield f"{'' if n else MARKS[verdict]:<8}{line}"


def _variants(variants: pd.DataFrame) -> Iterator[str]:
    yield "Other models of the same records (log predictive density against the study's)"
    for row in _rows(variants):
        yield from _headed(row["verdict"], row["what"])
        yield from (f"        {line}" for line in wrapped(str(row["finding"]), width=71))
        if row["early_failure_probability_mean"] != "":
            early = [100.0 * row[f"early_failure_probability_{end}"] for end in ("mean", "lower", "upper")]
            mean = [row[f"restricted_mean_age_{end}"] for end in ("mean", "lower", "upper")]
            yield f"        early failures of 100: {rounded(*early)}; mean life: {rounded(*mean)} years"


def short_lines(checks: pd.DataFrame) -> Iterator[str]:
    """The checks in a few lines: how many passed, and every one that failed."""
    rows = _rows(checks)
    count = {verdict: sum(row["verdict"] == verdict for row in rows) for verdict in MARKS}
    made = count[PASSED] + count[FAILED]
    left = count[NOT_APPLICABLE]
    said = f"{count[PASSED]} of {made} checks passed" if made else "No check could be made"
    said += f"; {left} could not be made with these records" if made and left else ""
    yield from wrapped(f"{said}. tables/trust.csv holds them all.")
    for row in rows:
        if row["verdict"] == FAILED:
            yield from wrapped(f"FAILED: {row['check']}. {row['finding']} To do: {row['what_to_do']}.", bullet=True)
