"""The watch list: every section on record, with what its records say of it."""

from __future__ import annotations

from collections.abc import Mapping
from datetime import date
from typing import TYPE_CHECKING

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from .cellposterior import SectionPosterior
from .errors import RiskModelError

if TYPE_CHECKING:
    from .records import Records

__all__ = ["COLUMNS", "ENDED", "FITS_NOTHING", "IN_SERVICE", "REMOVED", "states_now", "watch_table", "years_until"]

FITS_NOTHING = 0.001
"""Chance of records as odd as a section's, below which they are flagged: about one false alarm in a thousand."""
IN_SERVICE, REMOVED, ENDED = "in service", "removed", "history ended"
A_WEEK = 0.02  # years; decimal years and ages in days differ by less
DAYS = 365.25
SCATTERED = "its readings lie far off any path"
OVERDUE = "it stayed in service long after failing"
COLUMNS = (
    *("section", "bond", "base", "state", "age", "last_index", "last_read_at"),
    *("reached_by_next", "reached_already", "remaining_mean", "remaining_lower", "remaining_upper"),
    *("susceptible", "early_failure", "likely_mechanism", "mechanism_chance"),
    *("fits_nothing", "scatter_tail", "service_tail"),
)


def years_until(day: date, records: Records) -> float:
    """Years from the close of the records to a date.

    Raises
    ------
    RiskModelError
        When the date is not later, or the records state no close.
    """
    if records.until is None:
        raise RiskModelError("the records hold no date, so none is later. State [records] until in study.toml.")
    if day <= records.until:
        raise RiskModelError(
            f"the next survey comes after the records close ({records.until}); got {day}. Name a later date."
        )
    return (day - records.until).days / DAYS


def states_now(records: Records) -> NDArray[np.str_]:
    """`in service`, `removed` (for condition) or `history ended` for each section, when the records close.

    A history ends where a section was restored, removed for another reason, or last seen earlier: what became
    of its path is not on record.
    """
    sections = records.sections
    removed = np.isfinite(sections["age_removed"].values.astype(float))
    followed = np.zeros(len(removed), bool)
    if records.until is not None:
        year = records.until.year + (records.until.timetuple().tm_yday - 1) / DAYS
        age = year - sections["opened_year"].values.astype(float)
        followed = sections["age_in_service"].values.astype(float) >= age - A_WEEK
    return np.where(removed, REMOVED, np.where(followed, IN_SERVICE, ENDED))


def watch_table(
    found: SectionPosterior, records: Records, *, years: float, labels: Mapping[str, str] | None = None
) -> pd.DataFrame:
    """The watch list.

    Parameters
    ----------
    found : SectionPosterior
        Of the records' sections.
    records : Records
    years : float
        From the close of the records to the next survey, positive.
    labels : mapping of str to str, optional
        Mechanism to words.

    Returns
    -------
    DataFrame
        Columns `COLUMNS`. Sections in service first, by the chance of having reached the threshold by the next
        survey (`reached_by_next`; of which `reached_already`); then all others. Ages in years. `remaining_*`:
        mean and central 90 % of the years from now until the threshold is reached, 0 where it has been, given
        in service now. `susceptible`: to any early mechanism. `early_failure`: that an early mechanism is what
        ends its life, and `likely_mechanism` the likeliest of them with its chance. `fits_nothing` says why the
        records of a section look like a mistake: the chance of readings as far off their path (`scatter_tail`),
        or of as long a service after failing (`service_tail`), is below one in a thousand.

    Notes
    -----
    Both tails are posterior predictive probabilities of a realised discrepancy (Gelman, Meng & Stern 1996,
    Statistica Sinica 6, 733-807; page not seen): since a section's age at failure and its cause are fitted to
    the same records, they err towards no alarm.
    """
    sections, state = records.sections, states_now(records)
    serving = state == IN_SERVICE
    age = np.where(
        state == REMOVED, sections["age_removed"].values.astype(float), sections["age_in_service"].values.astype(float)
    )
    table = pd.DataFrame({"section": found.section, "bond": sections["bond"].values, "base": sections["base"].values})
    table["state"], table["age"] = state, age
    table["last_index"], table["last_read_at"] = _last_readings(records)
    for name, values in _ahead(found, age, years).items():
        table[name] = np.where(serving, values, np.nan)
    table["susceptible"], table["early_failure"] = found.susceptible, found.by_cause.sum(axis=1)
    table["likely_mechanism"], table["mechanism_chance"] = _likeliest(found, labels or {})
    table["fits_nothing"] = _oddities(found)
    table["scatter_tail"], table["service_tail"] = found.scatter_tail, found.service_tail
    order = np.lexsort((np.arange(len(table)), -table["reached_by_next"].fillna(-1.0), ~serving))
    return table.loc[order, list(COLUMNS)].reset_index(drop=True)


def _ahead(found: SectionPosterior, age: np.ndarray, years: float) -> dict[str, np.ndarray]:
    now = np.where(np.isfinite(age), age, 0.0)
    return {
        "reached_by_next": found.reached_by(now + years),
        "reached_already": found.reached_by(now),
        "remaining_mean": found.mean_beyond(now),
        "remaining_lower": np.maximum(found.age_at(0.05) - now, 0.0),
        "remaining_upper": np.maximum(found.age_at(0.95) - now, 0.0),
    }


def _last_readings(records: Records) -> tuple[np.ndarray, np.ndarray]:
    """Last condition index of each section and its age, NaN where it was never read."""
    index, age = (np.full(records.sections.sizes["section"], np.nan) for _ in range(2))
    readings = records.readings
    known = np.isfinite(readings["z"].values.astype(float))
    owner, at = readings["section_index"].values[known].astype(int), readings["age"].values[known].astype(float)
    order = np.lexsort((at, owner))
    floor = float(records.condition.to_z(records.condition.lowest))
    value = np.asarray(records.condition.from_z(np.maximum(readings["z"].values[known].astype(float), floor)))
    # the last assignment to a section stands
    index[owner[order]], age[owner[order]] = value[order], at[order]
    return index, age


def _likeliest(found: SectionPosterior, labels: Mapping[str, str]) -> tuple[list[str], np.ndarray]:
    if not found.causes:
        return [""] * len(found.section), np.zeros(len(found.section))
    best = found.by_cause.argmax(axis=1)
    names = [labels.get(found.causes[m], found.causes[m]) for m in best]
    return names, found.by_cause.max(axis=1)


def _oddities(found: SectionPosterior) -> list[str]:
    scattered, overdue = found.scatter_tail < FITS_NOTHING, found.service_tail < FITS_NOTHING
    pairs = zip(scattered, overdue, strict=True)
    return ["; ".join(text for text, odd in ((SCATTERED, s), (OVERDUE, o)) if odd) for s, o in pairs]
