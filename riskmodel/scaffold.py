"""A new study folder: a commented study.toml, two empty tables, and what their columns mean."""

from __future__ import annotations

import importlib.resources
import json
from collections.abc import Sequence
from pathlib import Path
from typing import TYPE_CHECKING

from .columns import Column
from .condition import Condition
from .errors import StoreError, printable
from .layout import USUAL_MEASURES
from .recordrules import WEAR_OUT, Vocabulary, section_columns, survey_columns
from .store import write_text
from .study import FILE_NAME

if TYPE_CHECKING:
    from .priors import PriorSet

__all__ = ["write_new_study"]


def write_new_study(folder: Path, priors: PriorSet) -> tuple[Path, ...]:
    """Write a study that runs as it is, on the priors alone.

    Parameters
    ----------
    folder : Path
        New or empty.
    priors : PriorSet
        The prior files, whose indicators, measures and causes become columns and names.

    Returns
    -------
    tuple of Path
        The files.

    Raises
    ------
    StoreError
        When the folder holds something already or cannot be written.
    """
    if folder.exists() and not folder.is_dir():
        raise StoreError(f"{folder.name} is a file. Name a new folder.")
    if folder.is_dir() and any(folder.iterdir()):
        raise StoreError(f"{folder.name} is not empty. Name a new folder.")
    texts = {
        FILE_NAME: _study_text(folder, priors),
        "sections.csv": _header(section_columns(Vocabulary.of(priors))),
        "surveys.csv": _header(survey_columns(Condition())),
        "COLUMNS.txt": _columns_text(priors),
    }
    for name, text in texts.items():
        write_text(text, folder / name)
    return tuple(folder / name for name in texts)


def _header(columns: Sequence[Column]) -> str:
    """First line of an empty table: every column once, of two units the first."""
    first = {column.result: column.name for column in reversed(columns)}
    return ",".join(column.name for column in columns if first[column.result] == column.name) + "\n"


def _template(name: str) -> str:
    return (importlib.resources.files("riskmodel") / "templates" / name).read_text(encoding="utf-8")


def _study_text(folder: Path, priors: PriorSet) -> str:
    measures = [measure.name for measure in priors.measures[:USUAL_MEASURES]]
    title = printable(folder.resolve().name) or "study"
    text = _template("study.toml").replace('"@title@"', json.dumps(title, ensure_ascii=False))
    text = text.replace("@measures@", ", ".join(json.dumps(name) for name in measures))
    return text.replace("@first@", measures[0] if measures else "measure")


def _columns_text(priors: PriorSet) -> str:
    vocabulary = Vocabulary.of(priors)
    indicators = [
        _line(
            name, "1 yes, 0 no" if kind == "yes_no" else f"{lowest:g} to {highest:g} {vocabulary.units.get(name, '')}"
        )
        for name, (lowest, highest, kind) in vocabulary.indicators.items()
    ]
    measures = [_line(measure.name, measure.label) for measure in priors.measures]
    causes = [_line(mechanism.name, mechanism.label) for mechanism in priors.mechanisms]
    causes.append(_line(WEAR_OUT, "worn out by age and traffic"))
    text = _template("columns.txt")
    for mark, lines in (("@indicators@", indicators), ("@measures@", measures), ("@causes@", causes)):
        text = text.replace(mark, "\n".join(lines) or "  none in the prior files")
    return text


def _line(name: str, words: str) -> str:
    return f"  {name:<22} {words}".rstrip()
