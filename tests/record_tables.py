"""Invented record tables for the tests of records."""

from __future__ import annotations

import csv
import io
import tempfile
from datetime import date
from pathlib import Path

from riskmodel.records import Records, Vocabulary, read_records

WORDS = Vocabulary(
    mechanisms=("reflective_cracking", "faulting"),
    measures=("pre_survey", "separation_fabric"),
    indicators={"air": (0.0, 15.0, "number"), "drained": (0.0, 1.0, "yes_no")},
    types_required=True,
    units={"air": "percent"},
)
SECTION = {"section": "A1", "opened": "2000-07-01", "bond": "bonded", "base": "asphalt"}
SURVEY = {"section": "A1", "surveyed": "2005-07-01", "pci": "88"}
UNTIL = date(2020, 7, 1)

Rows = list[dict[str, str]]
Content = Rows | str | bytes | None


def table(rows: Rows, *, delimiter: str = ",", order: list[str] | None = None) -> str:
    names = order or list(dict.fromkeys(name for row in rows for name in row))
    out = io.StringIO()
    writer = csv.DictWriter(out, names, restval="", delimiter=delimiter, lineterminator="\n")
    writer.writeheader()
    writer.writerows(rows)
    return out.getvalue()


def section(**cells: str) -> dict[str, str]:
    return {**SECTION, **cells}


def survey(surveyed: str = "2005-07-01", pci: str = "88", **cells: str) -> dict[str, str]:
    return {**SURVEY, "surveyed": surveyed, "pci": pci, **cells}


def read(sections: Content = None, surveys: Content | None = None, **options) -> Records:
    """Read sections and surveys given as rows, text or bytes; the plain section by default."""
    options = {"vocabulary": WORDS, "until": UNTIL, **options}
    with tempfile.TemporaryDirectory() as folder:
        first = _write(Path(folder, "sections.csv"), [SECTION] if sections is None else sections)
        return read_records(
            first, surveys if surveys is None else _write(Path(folder, "surveys.csv"), surveys), **options
        )


def _write(path: Path, content: Content) -> Path:
    text = table(content) if isinstance(content, list) else content
    path.write_bytes(text if isinstance(text, bytes) else text.encode())
    return path


def one(records: Records, name: str):
    """Value of the first section."""
    return records.sections[name].values[0]
