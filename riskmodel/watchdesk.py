"""The watch list and planned overlays of a finished study: what they read from the results."""

from __future__ import annotations

import warnings
from collections.abc import Callable
from dataclasses import dataclass
from datetime import date
from pathlib import Path

import numpy as np
import pandas as pd
import xarray as xr

from .desk import Desk
from .errors import RiskModelError, RiskModelWarning
from .pipeline import open_results, results_folder
from .planned import PlannedSection, planned_sections
from .programme import warn_outside_records
from .records import Records, read_planned
from .store import lock_folder, write_table
from .study import Study

__all__ = ["WATCH", "PlannedAnswer", "WatchAnswer", "answer_planned", "answer_watch"]

Progress = Callable[[int, int, str], None]
WATCH = "tables/watch.csv"
USUAL_YEARS = 1.0


@dataclass(frozen=True)
class WatchAnswer:
    """The watch list, the next survey and the threshold in words, what it rests on, and the file written."""

    table: pd.DataFrame
    survey: str
    threshold: str
    basis: str
    file: Path


def answer_watch(
    study: Study,
    *,
    day: date | None = None,
    years: float | None = None,
    samples: int = 200,
    out: Path | None = None,
    progress: Progress | None = None,
) -> WatchAnswer:
    """Read a finished study, weigh every section's records and write `tables/watch.csv`.

    Parameters
    ----------
    study : Study
    day : date, optional
        Of the next survey.
    years : float, optional
        Instead of `day`: years after the records close; one by default.
    samples : int
        Draws used.

    Raises
    ------
    StoreError
        When there are no results, or they are older than their inputs.
    RiskModelError
        When the study has no section on record, or the next survey does not come after the records close.
    """
    desk = open_results(study, out, needs=("calibrate",))
    records = _records(desk)
    from .cellposterior import section_posterior
    from .lifesettings import LifeSettings
    from .watch import watch_table, years_until

    ahead = years_until(day, records) if day is not None else USUAL_YEARS if years is None else years
    settings = LifeSettings(**study.life)
    found = section_posterior(
        records, desk.priors, desk.calibration.posterior, settings=settings, samples=samples, progress=progress
    )
    labels = {m.name: m.label for m in desk.priors.mechanisms}
    table = watch_table(found, records, years=ahead, labels=labels).assign(years_ahead=ahead, basis=desk.basis)
    folder = results_folder(study, out)
    with lock_folder(folder):
        write_table(table, folder / WATCH)
    condition = study.condition
    threshold = f"{condition.column} {condition.threshold:g}"
    survey = f"{day}" if day is not None else f"{ahead:g} year{'s' * (ahead != 1)} later"
    return WatchAnswer(table, survey, threshold, desk.basis, folder / WATCH)


def _records(desk: Desk) -> Records:
    if desk.records is None:
        raise RiskModelError(
            "the study has no section on record, so there is nothing to watch. Name its tables under [records]; "
            "for sections not yet built ask `riskmodel planned`."
        )
    return desk.records


@dataclass(frozen=True)
class PlannedAnswer:
    """Planned sections, the early age, and what the result rests on."""

    sections: list[PlannedSection]
    early_age: float
    basis: str


def answer_planned(
    study: Study, file: Path, *, samples: int = 200, out: Path | None = None, progress: Progress | None = None
) -> PlannedAnswer:
    """Read planned overlays and weigh them by a finished study.

    Parameters
    ----------
    study : Study
    file : Path
        Table with the columns of planned sections.
    samples : int
        Draws used.

    Raises
    ------
    RecordsError
        With every fault of the table.
    RiskModelError
        When the table is empty, or holds an overlay type without a prior.
    StoreError
        When there are no results, or they are older than their inputs.

    Warns
    -----
    RiskModelWarning
        Where the table leaves the range of the records, or states a measure that the study does not play.
    """
    if not file.is_file():
        raise RiskModelError(f"{file.name} does not exist. Name the table of planned sections.")
    desk = open_results(study, out, needs=("calibrate",))
    table = read_planned(file, vocabulary=desk.vocabulary, columns=study.columns)
    if not table.sizes["section"]:
        raise RiskModelError(f"{file.name} holds no section. Fill one row a planned section.")
    reference = desk.programme if desk.records is None else desk.records.sections
    if desk.records is not None:
        warn_outside_records(table, reference, desk.priors)
    _warn_of_others(table, desk)
    age = float(study.life["early_age"])
    found = planned_sections(
        table, reference, desk.calibration.posterior, desk.priors, early_age=age, samples=samples, progress=progress
    )
    return PlannedAnswer(found, age, desk.basis)


def _warn_of_others(table: xr.Dataset, desk: Desk) -> None:
    """Warn of measures that the table states and the calibration does not know."""
    played = {m.name for m in desk.priors.measures}
    stated = table["measure"].values[np.isfinite(table["required"].transpose("section", "measure").values).any(axis=0)]
    others = sorted(set(stated.astype(str)) - played)
    if others:
        warnings.warn(
            f"the study neither records nor plays {', '.join(others)}, so what the table states of it changes "
            "nothing. Name it under [portfolios] and run the study again.",
            RiskModelWarning,
            stacklevel=2,
        )
