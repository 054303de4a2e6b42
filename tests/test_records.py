"""Records: what is accepted and what it becomes. All tables here are invented."""

from __future__ import annotations

import sys
from datetime import date
from pathlib import Path
from types import SimpleNamespace

import numpy as np
import pandas as pd
import pytest
import xarray as xr
from hypothesis import given, settings
from hypothesis import strategies as st
from record_tables import SECTION, SURVEY, UNTIL, WORDS, Rows, one, read, section, survey, table

from riskmodel.cells import OneSided
from riskmodel.errors import PriorError, RecordsError
from riskmodel.records import (
    Condition,
    Records,
    Vocabulary,
    census_table,
    census_text,
    read_planned,
    read_records,
)
from riskmodel.schema import check


def age(day: str, opened: str = "2000-07-01") -> float:
    return (date.fromisoformat(day) - date.fromisoformat(opened)).days / 365.25


# what a section becomes


def test_an_old_section_in_service() -> None:
    records = read([section(thickness_in="6", panel_length_ft="6", area_yd2="1000", trucks_per_day="850", air="6.5")])
    check(records.sections, "sections")
    check(records.readings, "readings")
    assert one(records, "thickness") == pytest.approx(0.1524)
    assert one(records, "panel_length") == pytest.approx(1.8288)
    assert one(records, "area") == pytest.approx(836.12736)
    assert one(records, "trucks_per_day") == 850
    assert one(records, "air") == 6.5
    assert records.sections["air"].attrs["units"] == "percent"
    assert one(records, "age_in_service") == pytest.approx(age("2020-07-01"))
    assert np.isnan(one(records, "age_removed"))
    assert (one(records, "age_entry"), one(records, "age_lower"), one(records, "age_upper")) == (0, 0, np.inf)
    assert not one(records, "named").any()
    assert list(records.sections["cause"].values) == ["reflective_cracking", "faulting", "wear_out"]


@pytest.mark.parametrize(
    ("day", "year"), [("2000-01-01", 2000.0), ("2000-12-31", 2000 + 365 / 366), ("1999-07-02", 1999 + 182 / 365)]
)
def test_opening_year_is_decimal(day: str, year: float) -> None:
    assert one(read([section(opened=day)]), "opened_year") == pytest.approx(year, abs=1e-12)


@pytest.mark.parametrize(
    ("cells", "in_service", "removed"),
    [
        ({}, "2020-07-01", None),
        ({"last_seen": "2012-03-01"}, "2012-03-01", None),
        ({"removed": "2015-03-01", "removal_reason": "other"}, "2015-03-01", None),
        ({"removed": "2015-03-01", "removal_reason": "other", "last_seen": "2014-03-01"}, "2014-03-01", None),
        ({"removed": "2015-03-01", "removal_reason": "condition"}, None, "2015-03-01"),
        ({"removed": "2015-03-01", "removal_reason": "condition", "last_seen": "2014-03-01"}, None, "2015-03-01"),
    ],
)
def test_in_service_or_removed(cells: dict[str, str], in_service: str | None, removed: str | None) -> None:
    records = read([section(**cells)])
    for name, day in (("age_in_service", in_service), ("age_removed", removed)):
        expected = np.nan if day is None else age(day)
        np.testing.assert_allclose(one(records, name), expected)


def test_stated_interval_entry_and_cause() -> None:
    cells = {"failed_after": "2008-01-01", "failed_by": "2009-01-01", "observed_from": "2003-07-01"}
    records = read([section(**cells, cause="faulting;wear_out")])
    assert one(records, "age_lower") == pytest.approx(age("2008-01-01"))
    assert one(records, "age_upper") == pytest.approx(age("2009-01-01"))
    assert one(records, "age_entry") == pytest.approx(age("2003-07-01"))
    assert list(one(records, "named")) == [False, True, True]


def test_observation_before_opening_is_no_truncation() -> None:
    assert one(read([section(observed_from="1990-01-01")]), "age_entry") == 0


def test_measures_and_lists() -> None:
    rows = [
        section(pre_survey="1", separation_fabric="0", randomised="pre_survey; separation_fabric"),
        section(section="A2", pre_survey="1", verified="pre_survey"),
        section(section="A3", pre_survey=""),
    ]
    ds = read(rows).sections
    np.testing.assert_array_equal(ds["required"], [[1, 0], [1, np.nan], [np.nan, np.nan]])
    np.testing.assert_array_equal(ds["randomised"], [[True, True], [False, False], [False, False]])
    np.testing.assert_array_equal(ds["verified"], [[False, False], [True, False], [False, False]])


def test_projects() -> None:
    rows = [
        section(section="1", contractor="Kestrel", district="North"),
        section(section="2", contractor="Kestrel", district="North", opened="2000-07-30"),
        section(section="3", contractor="Kestrel", district="North", opened="2000-08-01"),
        section(section="4", contractor="Kestrel"),
        section(section="5"),
        section(section="6"),
        section(section="7", contractor="Kestrel", district="North", project="P-7"),
    ]
    project = list(read(rows).sections["project"].values)
    assert project[0] == project[1]
    assert len(set(project)) == 6
    assert project[-1] == "P-7"


def test_no_surveys_and_no_rows() -> None:
    assert read().readings.sizes["reading"] == 0
    empty = read("section,opened,bond,base\n", "section,surveyed,pci\n", until=None)
    assert empty.sections.sizes == {"section": 0, "measure": 2, "cause": 3}
    assert empty.until is None
    assert empty.census.sections == 0
    assert "rest on the priors alone" in census_text(empty)
    assert census_table(empty)["item"].is_unique


def test_records_end_at_the_latest_date_by_default() -> None:
    assert read(surveys=[survey("2011-02-03")], until=None).until == date(2011, 2, 3)


def test_digests_tell_the_files_apart() -> None:
    first, second = read(surveys=[survey()]).digests, read(surveys=[survey(pci="87")]).digests
    assert first["sections"] == second["sections"]
    assert first["surveys"] != second["surveys"]
    assert set(read().digests) == {"sections"}


# readings


def statuses(records: Records) -> list[str]:
    return list(records.readings["status"].values)


def test_readings_are_sorted_and_judged() -> None:
    rows = [
        survey("2015-07-01", "0"),
        survey("2005-07-01", "100"),
        survey("2010-07-01", "40"),
        survey("2012-07-01", "39.9"),
        survey("2001-07-01", "95", section="A0"),
    ]
    records = read([section(section="A0"), SECTION], rows)
    assert list(records.readings["section_index"].values) == [0, 1, 1, 1, 1]
    assert statuses(records) == ["used", "capped", "used", "far_below", "at_floor"]
    assert np.isinf(records.sections["age_upper"]).all()
    sided = OneSided.of(records)
    np.testing.assert_allclose(sided.time, [age("2005-07-01"), age("2012-07-01")])
    np.testing.assert_allclose(sided.limit, records.condition.to_z([100.0, 40.0]))
    assert (sided.section.tolist(), sided.side.tolist()) == ([1, 1], [1.0, -1.0])
    np.testing.assert_allclose(records.readings["z"], records.condition.to_z(records.readings["index"]))


def test_a_restoration_closes_the_history() -> None:
    rows = [survey("2004-07-01", "80"), survey("2006-07-01", "95", restored="1"), survey("2008-07-01", "70")]
    end = {"removed": "2010-01-01", "removal_reason": "condition", "cause": "faulting"}
    records = read([section(**end)], rows)
    assert statuses(records) == ["used", "after_restoration", "after_restoration"]
    assert one(records, "age_in_service") == pytest.approx(age("2004-07-01"))
    assert np.isnan(one(records, "age_removed"))
    assert not one(records, "named").any()
    assert records.census.closed_at_restoration == records.census.removals_unused == records.census.causes_unused == 1


def test_a_restoration_before_the_first_survey_closes_at_opening_or_entry() -> None:
    rows = [survey("2006-07-01", "95", restored="1")]
    assert one(read(surveys=rows), "age_in_service") == 0
    late = read([section(observed_from="2005-01-01")], rows)
    assert one(late, "age_in_service") == one(late, "age_entry") == pytest.approx(age("2005-01-01"))


def test_what_is_known_before_a_restoration_stays() -> None:
    rows = [survey("2004-07-01", "30"), survey("2006-07-01", "95", restored="1"), survey("2008-07-01", "20")]
    records = read([section(cause="faulting", failed_after="2002-07-01")], rows)
    assert OneSided.of(records).time == pytest.approx(age("2004-07-01"))
    assert one(records, "age_lower") == pytest.approx(age("2002-07-01"))
    assert one(records, "named").any()


def test_what_is_stated_for_days_after_a_restoration_is_not_used() -> None:
    rows = [survey("2004-07-01", "80"), survey("2006-07-01", "95", restored="1")]
    records = read([section(failed_after="2012-07-01", failed_by="2014-07-01")], rows)
    assert (one(records, "age_lower"), one(records, "age_upper")) == (0, np.inf)


def test_a_survey_without_an_index_still_dates_a_restoration() -> None:
    rows = [
        survey("2004-07-01", "80"),
        survey("2005-07-01", ""),
        survey("2006-07-01", "", restored="1"),
        survey("2008-07-01", "70"),
    ]
    records = read(surveys=rows)
    assert statuses(records) == ["used", "after_restoration"]
    assert one(records, "age_in_service") == pytest.approx(age("2005-07-01"))
    assert records.census.surveys_without_index == 2


RISING = [survey("2004-07-01", "60"), survey("2006-07-01", "90"), survey("2008-07-01", "80")]


def test_a_rise_is_reported_and_trusted() -> None:
    records = read(surveys=RISING)
    assert statuses(records) == ["used"] * 3
    (rise,) = records.census.rises
    assert (rise.section, rise.surveyed, rise.before, rise.after) == ("A1", date(2006, 7, 1), 60, 90)
    assert "section A1, 2006-07-01: from 60 to 90" in set(census_table(records)["note"])
    assert "kept: the study trusts them" in census_text(records)


def test_a_rise_is_set_aside_on_request() -> None:
    records = read(surveys=RISING, condition=Condition(unrecorded="set_aside"))
    assert statuses(records) == ["used", *["after_suspected_restoration"] * 2]
    assert one(records, "age_in_service") == pytest.approx(age("2004-07-01"))
    assert records.census.closed_at_restoration == 1


@pytest.mark.parametrize(("sd", "count"), [(2.99, 1), (3.01, 0)])
def test_the_limit_of_a_rise(sd: float, count: int) -> None:
    """A rise of exactly 3 standard deviations of a difference, by the definition of the setting."""
    scale = Condition()
    high = float(scale.from_z(scale.to_z(60.0) + 3 * 3.0 * np.sqrt(2)))
    rows = [survey("2004-07-01", "60"), survey("2006-07-01", f"{high:.12f}")]
    assert len(read(surveys=rows, condition=Condition(rise_sd=sd)).census.rises) == count


def test_a_recorded_restoration_is_no_suspected_one() -> None:
    rows = [RISING[0], {**RISING[1], "restored": "1"}, survey("2008-07-01", "40"), survey("2009-07-01", "99")]
    assert read(surveys=rows).census.rises == ()


# census


def test_census_counts() -> None:
    rows = [
        section(section="1", removed="2010-01-01", removal_reason="condition", cause="faulting", thickness_in="6"),
        section(section="2", removed="2010-01-01", removal_reason="other"),
        section(section="3", failed_by="2009-01-01", observed_from="2004-01-01"),
        section(section="4", trucks_per_day="100"),
        section(section="5"),
    ]
    seen = [survey("2004-01-01", "75", section="4"), survey("2008-01-01", "55", section="4", restored="0")]
    census = read(rows, seen).census
    assert (census.sections, census.readings) == (5, 2)
    assert (census.in_service, census.removed_condition, census.removed_other) == (3, 1, 1)
    assert (census.failed_by_removal, census.failed_by_statement, census.failed_by_reading) == (1, 1, 1)
    assert (census.failures_seen, census.interval_censored, census.right_censored, census.left_truncated) == (
        3,
        2,
        3,
        1,
    )
    assert census.at_mean == {"trucks_per_day": 4, "thickness": 4}
    assert census.missing["thickness"] == pytest.approx(0.8)
    assert census.missing["cause of a failure"] == pytest.approx(2 / 3)
    assert census.missing["restored"] == pytest.approx(0.5)
    assert census.units == {"thickness": "in"}
    assert (census.causes_named, census.causes_unused) == (1, 0)


def test_census_table_and_page_agree() -> None:
    records = read(surveys=RISING)
    rows = census_table(records)
    assert list(rows.columns) == ["item", "value", "note"]
    values = dict(zip(rows["item"], rows["value"], strict=True))
    assert values["readings"] == 3
    assert values["records_until"] == "2020-07-01"
    page = census_text(records)
    assert "1 section in 1 project" in page
    assert "3 readings of `pci`" in page
    assert "1 rise without a recorded restoration" in page


def test_the_page_shows_ten_rises_and_counts_the_rest() -> None:
    many = [section(section=f"R{i}") for i in range(12)]
    seen = [{**row, "section": f"R{i}"} for i in range(12) for row in RISING]
    assert "and 2 more, in the census table" in census_text(read(many, seen))


# reading, laws


def same(a: Records, b: Records) -> None:
    xr.testing.assert_allclose(a.sections, b.sections, rtol=1e-12)
    xr.testing.assert_identical(a.readings, b.readings)


FULL = [
    section(thickness_in="6", district="Nord ü", pre_survey="1", randomised="pre_survey"),
    section(section="A2", thickness_in="7.5", removed="2010-01-01", removal_reason="condition"),
]
SEEN = [survey(), survey("2008-01-01", "70.5", section="A2", restored="0")]


@pytest.mark.parametrize(
    "dress",
    [
        lambda text: "\ufeff" + text,
        lambda text: text.replace("\n", "\r\n"),
        lambda text: text.replace("\n", "\r"),
        lambda text: text.replace("\n", "\n\n"),
        lambda text: text + "," * text.split("\n")[0].count(",") + "\n",
        lambda text: text.replace("A1", " A1 ").replace("A2", '"A2"'),
    ],
)
def test_accepted_dress_of_a_file(dress) -> None:
    same(read(FULL, SEEN), read(dress(table(FULL)), dress(table(SEEN))))


@settings(max_examples=25, deadline=None)
@given(data=st.data())
def test_column_order_does_not_matter(data) -> None:
    first = data.draw(st.permutations([*FULL[0], "removed", "removal_reason"]))
    second = data.draw(st.permutations([*SURVEY, "restored"]))
    same(read(FULL, SEEN), read(table(FULL, order=first), table(SEEN, order=second)))


@settings(max_examples=25, deadline=None)
@given(data=st.data())
def test_row_order_of_surveys_does_not_matter(data) -> None:
    rows = [*SEEN, survey("2003-07-01", "90", restored="1"), survey("2002-07-01", "91"), survey("2007-07-01", "50")]
    xr.testing.assert_identical(read(FULL, rows).readings, read(FULL, data.draw(st.permutations(rows))).readings)


@settings(max_examples=25, deadline=None)
@given(inches=st.integers(10, 240), feet=st.integers(20, 1200), yards=st.integers(20, 10**6))
def test_units_do_not_matter(inches: int, feet: int, yards: int) -> None:
    """Exact factors: 1 in = 25.4 mm, 1 ft = 0.3048 m, 1 yd = 0.9144 m (international yard, 1959; page not seen)."""
    us = section(thickness_in=str(inches / 10), panel_length_ft=str(feet / 10), area_yd2=str(yards))
    si = section(
        thickness_mm=f"{inches * 2.54:.6f}", panel_length_m=f"{feet * 0.03048:.9f}", area_m2=f"{yards * 0.83612736:.8f}"
    )
    xr.testing.assert_allclose(read([us]).sections, read([si]).sections, rtol=1e-6)


@settings(max_examples=40, deadline=None)
@given(y=st.floats(0, 100), stretch=st.sampled_from([0.0, 0.01, 0.04, 0.2]))
def test_z_scale_is_monotone_and_undone(y: float, stretch: float) -> None:
    scale = Condition(stretch=stretch)
    assert scale.from_z(scale.to_z(y)) == pytest.approx(y, abs=1e-9)
    assert scale.to_z(y) <= scale.to_z(100.0) == 0
    slope = (scale.to_z(y) - scale.to_z(y - 1e-5)) / 1e-5
    assert slope == pytest.approx(1 / (1 + stretch * (100 - y)), rel=1e-4)


def test_columns_may_have_the_agencys_names() -> None:
    ours = [{"ID": "A1", "Opened to traffic": "2000-07-01", "bond": "bonded", "base": "asphalt", "Dicke": "152.4"}]
    seen = [{"ID": "A1", "surveyed": "2005-07-01", "ride": "88"}]
    columns = {"section": "ID", "opened": "Opened to traffic", "thickness_mm": "Dicke", "ride_index": "ride"}
    records = read(ours, seen, columns=columns, condition=Condition(column="ride_index"))
    same(records, read([section(thickness_in="6")], [survey()]))


def test_parquet_and_csv_agree(tmp_path: Path) -> None:
    sections, surveys = tmp_path / "s.parquet", tmp_path / "v.parquet"
    frame = pd.DataFrame(FULL)
    frame["opened"] = pd.to_datetime(frame["opened"])
    frame["removed"] = pd.to_datetime(frame["removed"]).dt.date
    frame["thickness_in"] = frame["thickness_in"].astype(float)
    frame["pre_survey"] = frame["pre_survey"].map({"1": True}).astype("boolean")
    frame.to_parquet(sections)
    pd.DataFrame(SEEN).assign(pci=[88.0, 70.5], restored=[np.nan, 0.0]).to_parquet(surveys)
    same(read_records(sections, surveys, vocabulary=WORDS, until=UNTIL), read(FULL, SEEN))


def test_parquet_needs_its_package(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setitem(sys.modules, "pyarrow.parquet", None)
    with pytest.raises(RecordsError, match=r"needs the package pyarrow.*pip install 'overlay-riskmodel\[parquet\]'"):
        read_records(tmp_path / "s.parquet", None, vocabulary=WORDS)


def test_damaged_parquet(tmp_path: Path) -> None:
    (tmp_path / "s.parquet").write_bytes(b"no parquet at all")
    with pytest.raises(RecordsError, match=r"s\.parquet: the Parquet file cannot be read"):
        read_records(tmp_path / "s.parquet", None, vocabulary=WORDS)


# planned sections


def plan(tmp_path: Path, rows: Rows, **options) -> xr.Dataset:
    path = tmp_path / "planned.csv"
    path.write_text(table(rows))
    return read_planned(path, vocabulary=WORDS, **options)


def test_a_programme_needs_no_dates(tmp_path: Path) -> None:
    rows = [{"section": "P1", "bond": "bonded", "base": "asphalt", "Dicke": "150", "pre_survey": "1"}]
    ds = plan(tmp_path, rows, columns={"thickness_mm": "Dicke", "removed": "Abbruch"})
    check(ds, "programme")
    assert ds["thickness"].item() == pytest.approx(0.15)
    assert np.isnan(ds["opened_year"].item())
    assert ds["required"].values.tolist()[0][0] == 1
    assert not ds["verified"].any()
    assert "age_entry" not in ds


def test_a_programme_may_open_in_the_future(tmp_path: Path) -> None:
    assert plan(tmp_path, [section(opened="2035-01-01")])["opened_year"].item() == 2035


@pytest.mark.parametrize(
    ("rows", "match"),
    [
        ([section(removed="2010-01-01")], r"`removed`: no such column is known\. It belongs to the records of built"),
        ([SECTION, SECTION], r"row 3, `section`: a section has one row"),
        ([{"section": "P1", "bond": "bonded"}], r"`base`: the column is required"),
    ],
)
def test_faults_of_a_programme(tmp_path: Path, rows: Rows, match: str) -> None:
    with pytest.raises(RecordsError, match=match):
        plan(tmp_path, rows)


# settings


@pytest.mark.parametrize(
    ("stated", "match"),
    [
        ({"removal_level": 65}, r"`removal_level` is 65, above the threshold 60; a section is taken out at or below"),
        ({"removal_level": -5}, r"`removal_level` is not below `lowest` 0"),
        ({"highest": float("inf")}, r"`lowest` and `highest` are finite"),
        ({"threshold": 100}, r"`threshold` lies between `lowest` 0 and `highest` 100"),
        ({"stretch": -0.1}, r"`stretch` is zero or positive"),
        ({"far_below": 0}, r"`far_below` is positive"),
        ({"rise_sd": 0}, r"`rise_sd` is positive"),
        ({"reading_sd": float("nan")}, r"`reading_sd` is positive; got nan"),
        ({"path": "cubic"}, r"`path` is one of power_z, power_y, reverse_s; got 'cubic'"),
        ({"unrecorded": "ignore"}, r"`unrecorded` is one of trust, set_aside"),
        ({"column": "section"}, r"`column` names the column of the index"),
    ],
)
def test_faults_of_the_condition_scale(stated, match: str) -> None:
    with pytest.raises(ValueError, match=match):
        Condition(**stated)


def test_all_faults_of_the_condition_scale_at_once() -> None:
    with pytest.raises(ValueError, match=r"`stretch`(.|\n)*`path`"):
        Condition(stretch=-1, path="cubic")  # type: ignore[arg-type]


def named(*names: str) -> tuple[SimpleNamespace, ...]:
    return tuple(SimpleNamespace(name=name) for name in names)


def indicator(name: str, column: str, highest: float = 15.0) -> SimpleNamespace:
    source = SimpleNamespace(column=column, lowest=0.0, highest=highest, kind="number", unit="percent")
    return SimpleNamespace(name=name, sources=(source,))


def priors(*indicators: SimpleNamespace, drivers: tuple[str, ...] = ()) -> SimpleNamespace:
    return SimpleNamespace(
        mechanisms=named("faulting"),
        measures=named("pre_survey"),
        indicators=indicators,
        drivers=tuple(SimpleNamespace(column=column) for column in drivers),
        uses_types=False,
    )


def test_vocabulary_of_a_prior_set() -> None:
    words = Vocabulary.of(priors(indicator("a", "air"), indicator("b", "air"), drivers=("thickness", "frost_days")))
    assert words.causes == ("faulting", "wear_out")
    assert words.indicator_columns == ("existing_pci", "air", "frost_days")
    rows = [{"section": "1", "opened": "2000-01-01", "air": "6", "frost_days": "-40"}]
    ds = read(rows, vocabulary=words).sections
    assert ds["frost_days"].item() == -40
    assert ds["bond"].item() == ""


def test_vocabulary_refuses_a_name_with_two_meanings() -> None:
    with pytest.raises(PriorError, match="`cause`: a column has one meaning; this name is taken"):
        Vocabulary(("faulting",), ("cause",))
    with pytest.raises(PriorError, match="indicators that read column `air` state one range and kind"):
        Vocabulary.of(priors(indicator("a", "air"), indicator("b", "air", highest=9.0)))
