"""Other thresholds of the condition index than the study's: which may be asked for, and the study under each."""

from __future__ import annotations

import math
from collections.abc import Iterator
from dataclasses import replace

from .condition import Condition
from .errors import Faults, StudyError
from .study import Study

__all__ = ["OPTION", "allowed", "condition_at", "file_of", "parse_thresholds", "validate_thresholds"]

OPTION = "--thresholds"
MOST = 8  # each is a calibration


def parse_thresholds(text: str) -> tuple[float, ...]:
    """Thresholds as typed, lowest first.

    Parameters
    ----------
    text : str
        Numbers with commas between them: `50,70`.

    Raises
    ------
    StudyError
        Naming every part that is no number, stands twice, or is one too many.
    """
    faults, found = Faults(OPTION), []
    parts = [part.strip() for part in text.split(",")]
    for part in parts:
        try:
            found.append(float(part))
        except ValueError:
            found.append(math.nan)
        if not math.isfinite(found[-1]):
            faults.add("thresholds are numbers with commas between them", got=part, remedy=f"Write {OPTION} 50,70")
    for value in sorted({v for v in found if found.count(v) > 1}):
        faults.add("each threshold stands once", got=f"{value:g}", remedy="Take one out")
    if len(found) > MOST:
        faults.add(f"at most {MOST} thresholds are tried at a time", got=len(found), remedy="Each is a calibration")
    faults.raise_any(StudyError)
    return tuple(sorted(found))


def condition_at(study: Study, threshold: float) -> Condition:
    """The study's condition scale with another threshold.

    Raises
    ------
    ValueError
        When the threshold is off the scale, or below the level at which sections are removed.
    """
    return replace(study.condition, threshold=threshold)


def file_of(threshold: float | str) -> str:
    """Name of the posterior at a threshold, within the results; of `*`, the pattern of these names."""
    words = threshold if isinstance(threshold, str) else f"{threshold:g}"
    return f"thresholds/posterior_{words}.nc"


def allowed(study: Study, threshold: float) -> bool:
    """Whether the study could be weighed at a threshold that an earlier run asked for."""
    return study.policy is not None and study.sections is not None and not any(_broken(study, threshold))


def validate_thresholds(study: Study, *, recorded: bool) -> None:
    """Check that the study can be calibrated, and its measures ranked, at each of its other thresholds.

    Parameters
    ----------
    study : Study
    recorded : bool
        Whether there is a section on record.

    Raises
    ------
    StudyError
        With every fault.
    """
    faults = Faults(OPTION)
    if study.thresholds and study.policy is None:
        faults.add("another threshold may change the first place, and without costs there is none",
                   remedy=f"Add a table [decision] to {study.file.name}")  # fmt: skip
    if study.thresholds and not recorded:
        faults.add("another threshold is another reading of the records, and the study has none",
                   remedy="The priors alone state lives without a threshold; fill the tables of [records]")  # fmt: skip
    for threshold in study.thresholds:
        for rule in _broken(study, threshold):
            faults.add(rule, got=f"{threshold:g}", remedy="Take it out or correct it")
    faults.raise_any(StudyError)


def _broken(study: Study, threshold: float) -> Iterator[str]:
    if threshold == study.condition.threshold:
        yield "the study has this threshold already"
        return
    try:
        condition_at(study, threshold)
    except ValueError as error:
        yield from (line.rstrip(".") for line in str(error).splitlines())
