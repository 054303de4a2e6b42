"""Public histories of in-service concrete pavements, in the layout that riskmodel reads.

    python studies/inservice_histories/convert.py

reads `source/` and the threshold of `study.toml` and writes, beside this file,

- `sections.csv`, `surveys.csv`: the records with all their readings;
- `intervals.csv`: the same sections without readings, each with the interval in which its ride
  index first fell below the threshold, by the rule of `failure_intervals`.
"""

from __future__ import annotations

import tomllib
from pathlib import Path

import pandas as pd

HERE = Path(__file__).resolve().parent


def main() -> None:
    """Write the three tables and say what was left out."""
    sections, surveys = records()
    intervals = interval_records(sections, surveys, threshold())
    for name, table in {"sections": sections, "surveys": surveys, "intervals": intervals}.items():
        table.to_csv(HERE / f"{name}.csv", index=False, date_format="%Y-%m-%d", lineterminator="\n")
    for line in census(sections, surveys, intervals):
        print(line)


def threshold() -> float:
    """Ride index below which a section has failed, as the study states it."""
    return float(tomllib.loads((HERE / "study.toml").read_text(encoding="utf-8"))["condition"]["threshold"])


def read_source() -> tuple[pd.DataFrame, pd.DataFrame]:
    """The two public tables with dates as dates."""
    return (
        pd.read_csv(HERE / "source" / "concrete_sections.csv", parse_dates=["built_date"]),
        pd.read_csv(HERE / "source" / "concrete_surveys.csv", parse_dates=["date"]),
    )


def records() -> tuple[pd.DataFrame, pd.DataFrame]:
    """`sections` and `surveys` in the layout of riskmodel.

    A section without a date of construction has no age and is left out. Nothing says why visits
    end, so the last visit is all that is known of the end of service.
    """
    source_sections, source_surveys = read_source()
    built = source_sections.dropna(subset="built_date").set_index("id")
    kept = source_surveys[source_surveys["id"].isin(built.index)].sort_values(["id", "date"])
    visits = kept.groupby("id")["date"]
    sections = pd.DataFrame(
        {
            "opened": built["built_date"],
            "observed_from": visits.first(),
            "last_seen": visits.last(),
            "thickness_in": built["thickness_in"],
            "trucks_per_day": built["aadtt"],
        }
    )
    surveys = kept[["id", "date", "index", "work_since_prev"]]
    surveys.columns = ["section", "surveyed", "ride_index", "restored"]
    return sections.rename_axis("section").reset_index(), surveys.reset_index(drop=True)


def failure_intervals(surveys: pd.DataFrame, below: float) -> pd.DataFrame:
    """Interval in which each section's ride index first fell below a threshold.

    The rule, fixed before anything was fitted:

    1. A history is closed at its first recorded work event: that visit and all later ones go.
    2. A section comes under observation at its first visit; one that is below the threshold there
       is left out, because it never was at risk under observation.
    3. The failure lies after the last visit at or above the threshold and not later than the first
       visit below it, whatever the readings afterwards.
    4. Without a visit below the threshold the section is last seen in service at its last visit.

    Parameters
    ----------
    surveys : DataFrame
        Columns `section`, `surveyed` (dates, or ages in years), `ride_index`, `restored`; sorted by
        section and visit.
    below : float
        Threshold.

    Returns
    -------
    DataFrame
        Index `section`; `observed_from`, `last_seen` (in service and above the threshold),
        `failed_after`, `failed_by` (missing without a failure), in the kind of `surveyed`.
    """
    open_visits = surveys[surveys.groupby("section")["restored"].cumsum() == 0]
    by_section = open_visits.groupby("section")["surveyed"]
    first_below = open_visits[open_visits["ride_index"] < below].groupby("section")["surveyed"].min()
    failed_by = first_below.reindex(by_section.first().index)
    above = open_visits[~(open_visits["surveyed"] >= open_visits["section"].map(first_below))]
    last_above = above.groupby("section")["surveyed"].last()
    table = pd.DataFrame({"observed_from": by_section.first(), "last_seen": last_above, "failed_by": failed_by})
    table = table.dropna(subset="last_seen")
    table["failed_after"] = table["last_seen"].where(table["failed_by"].notna())
    return table[["observed_from", "last_seen", "failed_after", "failed_by"]]


def interval_records(sections: pd.DataFrame, surveys: pd.DataFrame, below: float) -> pd.DataFrame:
    """The failure intervals as a sections table: with it the surveys are not needed."""
    intervals = failure_intervals(surveys, below)
    return sections[["section", "opened"]].merge(intervals.reset_index(), on="section")


def ages(intervals: pd.DataFrame) -> pd.DataFrame:
    """Interval records as ages in years: `age_entry`, `age_lower`, `age_upper` (infinite without a failure)."""
    since = {
        name: (intervals[column] - intervals["opened"]).dt.days / 365.25
        for name, column in {"age_entry": "observed_from", "age_lower": "last_seen", "age_upper": "failed_by"}.items()
    }
    return pd.DataFrame({"section": intervals["section"], **since}).fillna({"age_upper": float("inf")})


def census(sections: pd.DataFrame, surveys: pd.DataFrame, intervals: pd.DataFrame) -> list[str]:
    """What was read, left out and found."""
    source_sections, _ = read_source()
    restored = surveys.groupby("section")["restored"].any()
    seen_once = (intervals["observed_from"] == intervals["last_seen"]) & intervals["failed_by"].isna()
    return [
        f"{len(source_sections)} sections in the source, {len(source_sections) - len(sections)} without a date of "
        f"construction left out",
        f"{len(sections)} sections with {len(surveys)} visits; {int(restored.sum())} histories with recorded work",
        f"{len(sections) - len(intervals)} sections below index {threshold():g} at the first visit, left out of the "
        f"intervals",
        f"{len(intervals)} sections with intervals: {int(intervals['failed_by'].notna().sum())} failures, "
        f"{int(seen_once.sum())} without a second visit before any work",
    ]


if __name__ == "__main__":
    main()
