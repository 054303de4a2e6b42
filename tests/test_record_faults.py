"""Faults of the record tables: each named with its place, rule and remedy, all at once.

All tables here are invented.
"""

from __future__ import annotations

import builtins
import contextlib
from pathlib import Path

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from record_tables import SECTION, SURVEY, WORDS, Rows, one, read, section, survey, table

from riskmodel.errors import RecordsError
from riskmodel.records import (
    read_records,
)
from riskmodel.schema import check

CELLS = ("section", "opened", "thickness_in", "pre_survey", "verified", "cause", "removed", "last_seen", "district")


# faults of a file

HEAD = "section,opened,bond,base\n"
ROW = "A1,2000-07-01,bonded,asphalt\n"


@pytest.mark.parametrize(
    ("content", "match"),
    [
        ("", r"sections\.csv: the file is empty"),
        ("\ufeff \n", r"the file is empty"),
        (",,,\n,,,\n", r"the file has no line with column names"),
        (ROW, r"row 1: the first line holds the column names; got 'A1,2000-07-01"),
        ((HEAD + ROW).replace(",", ";"), r"separated by commas; this file uses semicolons"),
        ((HEAD + ROW).replace(",", "\t"), r"separated by commas; this file uses tabs"),
        ((HEAD + ROW).replace(",", "|"), r"separated by commas; this file uses vertical bars"),
        (HEAD + "A1,2000-07-01,bonded\n", r"row 2: every row has as many cells as the header, 4; got '3 cells'"),
        (HEAD + "A1,2000-07-01,bonded,asphalt,6\n", r"row 2: every row has as many cells.*got '5 cells'"),
        (HEAD + '"A1,2000-07-01,bonded,asphalt\n', r"row 2: the row cannot be split into cells"),
        ("section,opened,bond,base,opened\n" + ROW, r"`opened`: a column is named once"),
        ("section,opened,bond,base,\nA1,2000-07-01,bonded,asphalt,\n", r"every column has a name; column 5 has none"),
        ("section,opened,bond\nA1,2000-07-01,bonded\n", r"`base`: the column is required and is not in the file"),
        ("section,opened,bond,bse\n", r"`bse`: no such column is known.*Perhaps `base` is meant"),
        ("SECTION,OPENED,BOND,BASE\n", r"`OPENED`: no such column is known\. Perhaps `opened` is meant"),
        (
            "section,opened,bond,base,xyzzy\n",
            r"`xyzzy`: no such column is known\. Map it to a known name",
        ),
        ("section,opened,bond,base,surveyed\n", r"`surveyed`: .*It belongs to the surveys table"),
        ("section,opened,bond,base,thickness_in,thickness_mm\n", r"`thickness_in and thickness_mm`: .*one unit"),
        ((HEAD + "M\xfcn,2000-07-01,bonded,asphalt\n").encode("latin-1"), r"row 2: the text is UTF-8; got 'byte 0xfc"),
        ((HEAD + ROW).encode("utf-16"), r"the text is UTF-8; this file is UTF-16"),
        (b"PK\x03\x04rest of a workbook", r"a table is a CSV or Parquet file; this is a workbook"),
    ],
)
def test_faults_of_a_file(content, match: str) -> None:
    with pytest.raises(RecordsError, match=match):
        read(content)


def test_a_missing_file(tmp_path: Path) -> None:
    with pytest.raises(RecordsError, match=r"none\.csv: the file cannot be read \(No such file or directory\)"):
        read_records(tmp_path / "none.csv", None, vocabulary=WORDS)


def test_a_row_refused_as_a_whole_brings_no_further_faults() -> None:
    with pytest.raises(RecordsError) as error:
        read(HEAD + "A1,yesterday\n", [survey("1999-01-01")])
    assert len(error.value.faults) == 1


def test_an_unreadable_table_of_sections_does_not_blame_the_surveys() -> None:
    with pytest.raises(RecordsError) as error:
        read("", [survey()])
    assert len(error.value.faults) == 1


def test_lines_inside_quotes_keep_the_count() -> None:
    text = (
        'section,opened,bond,base,district\nA1,2000-07-01,bonded,asphalt,"two\nlines"\nA2,2000-07-01,loose,asphalt,x\n'
    )
    with pytest.raises(RecordsError, match=r"row 2, `district`: .*line breaks(.|\n)*row 4, `bond`"):
        read(text)


# faults of a cell


@pytest.mark.parametrize(
    ("cells", "match"),
    [
        ({"section": ""}, r"row 2, `section`: the cell is empty and may not be"),
        ({"section": "A\x1b[31m"}, r"row 2, `section`: the cell holds no line breaks, control or invisible"),
        ({"section": "A\u202e1"}, r"control or invisible characters"),
        ({"opened": ""}, r"`opened`: the cell is empty and may not be"),
        ({"opened": "7/1/2000"}, r"a date is written year-month-day, as 2019-06-30; got '7/1/2000'"),
        ({"opened": "2000-02-30"}, r"the calendar has no such day; got '2000-02-30'"),
        ({"opened": "1492-10-12"}, r"no date lies before 1900-01-01"),
        ({"opened": "9999-12-31"}, r"no date lies after 2100-12-31"),
        ({"contractor": "A\u00a0B"}, r"control or invisible characters"),
        ({"contractor": "A\ufe0fB"}, r"control or invisible characters"),
        ({"contractor": "x" * 201}, r"a text is no longer than 200 characters"),
        ({"opened": "2000-7-1"}, r"a date is written year-month-day"),
        ({"bond": "Bonded"}, r"`bond`: bond is one of bonded, unbonded; got 'Bonded'\. Perhaps `bonded` is meant"),
        ({"bond": ""}, r"`bond`: the cell is empty and may not be"),
        ({"base": "gravel"}, r"base is one of asphalt, concrete, composite; got 'gravel'"),
        ({"removal_reason": "condtion", "removed": "2010-01-01"}, r"removal_reason is one of .*Perhaps `condition`"),
        ({"thickness_in": "six"}, r"the cell is a number or empty; got 'six'"),
        ({"thickness_in": "0"}, r"thickness lies between 1 and 24 in; got '0'"),
        ({"thickness_in": "-6"}, r"thickness lies between 1 and 24 in; got '-6'"),
        ({"thickness_in": "152"}, r"thickness lies between 1 and 24 in; got '152'"),
        ({"thickness_mm": "6"}, r"thickness lies between 25 and 610 mm"),
        ({"thickness_in": "6 in"}, r"the cell is a number alone; the column name states its unit"),
        ({"thickness_in": "5,5"}, r"decimals follow a point, not a comma; got '5,5'\. Write 5\.5"),
        ({"trucks_per_day": "1 200"}, r"a number has no thousands separator; got '1 200'\. Write 1200"),
        ({"trucks_per_day": "1,200"}, r"a number has no thousands separator.*Write 1200 if that is meant"),
        ({"trucks_per_day": "0"}, r"trucks_per_day lies between 0\.1 and 100000"),
        ({"trucks_per_day": "nan"}, r"what is not recorded stays empty; got 'nan'"),
        ({"trucks_per_day": "N/A"}, r"what is not recorded stays empty"),
        ({"trucks_per_day": "inf"}, r"a number is finite; got 'inf'"),
        ({"trucks_per_day": "1e999"}, r"trucks_per_day lies between"),
        ({"trucks_per_day": "\u0661\u0662"}, r"the cell is a number or empty"),
        ({"existing_pci": "120"}, r"existing_pci lies between 0 and 100"),
        ({"air": "65"}, r"air lies between 0 and 15 percent; got '65'"),
        ({"drained": "yes"}, r"`drained`: the cell is 1 \(yes\), 0 \(no\) or empty"),
        ({"pre_survey": "true"}, r"`pre_survey`: the cell is 1 \(yes\), 0 \(no\) or empty"),
        ({"pre_survey": "1.0"}, r"the cell is 1 \(yes\), 0 \(no\) or empty"),
        ({"cause": "faultin", "failed_by": "2010-01-01"}, r"`cause`: every name here is a cause.*Perhaps `faulting`"),
        (
            {"cause": "rust", "failed_by": "2010-01-01"},
            r"'rust' is none.*Known: reflective_cracking, faulting",
        ),
        ({"cause": "faulting;faulting", "failed_by": "2010-01-01"}, r"a name is listed once"),
        ({"cause": "faulting;", "failed_by": "2010-01-01"}, r"every name here is a cause.*'' is none"),
        ({"randomised": "pre_surve"}, r"`randomised`: every name here is a measure.*Perhaps `pre_survey`"),
    ],
)
def test_faults_of_a_section_cell(cells: dict[str, str], match: str) -> None:
    with pytest.raises(RecordsError, match=match) as error:
        read([section(**cells)])
    assert len(error.value.faults) == 1


@pytest.mark.parametrize(
    ("cells", "match"),
    [
        ({"section": ""}, r"surveys\.csv, row 2, `section`: the cell is empty"),
        ({"surveyed": ""}, r"`surveyed`: the cell is empty"),
        ({"pci": "104"}, r"`pci`: the condition index lies between 0 and 100; got '104'"),
        ({"pci": "-1"}, r"the condition index lies between 0 and 100"),
        ({"restored": "2"}, r"`restored`: the cell is 1 \(yes\), 0 \(no\) or empty"),
        ({"section": "B9"}, r"`section`: the section is in sections\.csv; got 'B9'\. Add its row there"),
        ({"surveyed": "1999-07-01"}, r"a section is not surveyed before its opening; got '1999-07-01, and opened 2000"),
        ({"surveyed": "2021-07-01"}, r"no date lies after the end of the records, 2020-07-01"),
        ({"surveyed": "2000-07-01", "pci": "20"}, r"a section has not failed on its opening day"),
    ],
)
def test_faults_of_a_survey_cell(cells: dict[str, str], match: str) -> None:
    with pytest.raises(RecordsError, match=match) as error:
        read(surveys=[{**SURVEY, **cells}])
    assert len(error.value.faults) == 1


# faults between cells


@pytest.mark.parametrize(
    ("cells", "match"),
    [
        ({"opened": "2020-08-01"}, r"`opened`: no date lies after the end of the records"),
        ({"observed_from": "2021-01-01"}, r"`observed_from`: no date lies after the end of the records"),
        ({"removed": "2000-07-01", "removal_reason": "other"}, r"a section is removed after its opening"),
        ({"last_seen": "2000-06-30"}, r"a section is not last seen before its opening"),
        (
            {"removed": "2010-01-01", "removal_reason": "other", "last_seen": "2011-01-01"},
            r"`removed`: .* in service after its removal; got '2010-01-01, and last_seen 2011-01-01'",
        ),
        (
            {"removed": "2010-01-01", "removal_reason": "condition", "observed_from": "2011-01-01"},
            r"a section is not removed before it came under observation",
        ),
        ({"last_seen": "2010-01-01", "observed_from": "2011-01-01"}, r"not last seen before it came under observation"),
        ({"failed_after": "2000-06-30"}, r"a section has not failed before its opening"),
        ({"failed_by": "2000-07-01"}, r"a section fails after its opening"),
        ({"failed_after": "2010-01-01", "failed_by": "2010-01-01"}, r"`failed_by` lies after `failed_after`"),
        (
            {"failed_by": "2011-01-01", "removed": "2010-01-01", "removal_reason": "condition"},
            r"a failure is not stated later than the removal",
        ),
        (
            {"failed_after": "2011-01-01", "removed": "2010-01-01", "removal_reason": "other"},
            r"a section is not known to last beyond its removal",
        ),
        (
            {"failed_after": "2011-01-01", "last_seen": "2010-01-01"},
            r"not to have failed on a date was seen until",
        ),
        (
            {"failed_after": "2010-01-01", "removed": "2010-01-01", "removal_reason": "condition"},
            r"`failed_after`: a section removed for its condition had failed before that day",
        ),
        ({"removed": "2010-01-01"}, r"`removal_reason`: a removal has a reason: condition or other"),
        ({"removal_reason": "other"}, r"a removal reason has a date in `removed`"),
        ({"randomised": "pre_survey"}, r"a measure assigned at random has 0 or 1 in its column; got 'pre_survey'"),
        ({"verified": "pre_survey", "pre_survey": "0"}, r"a measure verified has 1 in its column"),
        ({"cause": "faulting"}, r"`cause`: a cause belongs to a failure"),
        ({"cause": "faulting", "removed": "2010-01-01", "removal_reason": "other"}, r"a cause belongs to a failure"),
    ],
)
def test_faults_within_a_section(cells: dict[str, str], match: str) -> None:
    with pytest.raises(RecordsError, match=match) as error:
        read([section(**cells)])
    assert len(error.value.faults) == 1


@pytest.mark.parametrize(
    ("cells", "rows", "match"),
    [
        (
            {"removed": "2010-01-01", "removal_reason": "other"},
            [survey("2010-01-02")],
            r"not surveyed after its removal",
        ),
        ({"last_seen": "2010-01-01"}, [survey("2010-01-02")], r"a section is not surveyed after it was last seen"),
        ({}, [survey(), survey(pci="80")], r"row 3, `surveyed`: a section is surveyed once a day"),
        (
            {"failed_after": "2010-01-01"},
            [survey("2009-01-01", "30")],
            r"says failed by then, but `failed_after`",
        ),
    ],
)
def test_faults_between_the_tables(cells: dict[str, str], rows: Rows, match: str) -> None:
    with pytest.raises(RecordsError, match=match) as error:
        read([section(**cells)], rows)
    assert len(error.value.faults) == 1


def test_texts_that_look_the_same_are_the_same() -> None:
    rows = [
        section(section="\u00c5s", contractor="N\u00f8rr\u00e9"),
        section(section="B", contractor="N\u00f8rre\u0301"),
    ]
    read_back = read(rows, [{**survey(), "section": "A\u030as"}])
    assert len(set(read_back.sections["contractor"].values)) == 1
    assert read_back.readings["section"].values.tolist() == ["\u00c5s"]


def test_a_cause_may_rest_on_a_reading() -> None:
    assert one(read([section(cause="faulting")], [survey(pci="60")]), "named")[1]


def test_an_id_has_one_row() -> None:
    with pytest.raises(RecordsError, match=r"row 4, `section`: .*one row; row 2 has this one already; got 'A1'"):
        read(table([SECTION, section(section="A2"), section(section=" A1 ")]))


def test_the_future_is_refused_without_an_end_of_records() -> None:
    with pytest.raises(RecordsError, match=r"`opened`: no date lies in the future; got '2099-01-01'"):
        read([section(opened="2099-01-01")], until=None)


def test_all_faults_of_both_files_come_at_once_in_file_order() -> None:
    rows = [
        section(bond="loose", thickness_in="six"),
        section(section="A2", opened="2000-13-01", removal_reason="other"),
    ]
    seen = [survey(pci="high"), survey("1990-01-01")]
    with pytest.raises(RecordsError) as error:
        read(rows, seen, columns={"opend": "x"})
    places = [(fault.file, fault.row, fault.column) for fault in error.value.faults]
    assert places == [
        ("", None, "columns.opend"),
        ("sections.csv", 2, "bond"),
        ("sections.csv", 2, "thickness_in"),
        ("sections.csv", 3, "opened"),
        ("sections.csv", 3, "removal_reason"),
        ("surveys.csv", 2, "pci"),
        ("surveys.csv", 3, "surveyed"),
    ]


def test_every_fault_has_a_remedy_and_no_shouting() -> None:
    rows = [section(bond="loose", thickness_in="six", removal_reason="other"), section(opened="x")]
    with pytest.raises(RecordsError) as error:
        read(rows, [survey(pci="high", section="B")])
    assert all(fault.remedy for fault in error.value.faults)
    assert "!" not in str(error.value)


# the map of column names


@pytest.mark.parametrize(
    ("columns", "match"),
    [
        (
            {"thicknes_mm": "T"},
            r"`columns.thicknes_mm`: the left side is a known column.*Perhaps `thickness_mm`",
        ),
        ({"qqqqqq": "T"}, r"the left side is a known column; got 'qqqqqq'\. Delete the line"),
        ({"thickness_mm": "T"}, r"`columns.thickness_mm`: the right side is a column of the table; got 'T'"),
        ({"bond": "bond", "base": "bond"}, r"a column has one meaning; bond and base name the same; got 'bond'"),
        (
            {"opened": "bond"},
            r"`bond`: `opened` comes from one column; `opened` gives it already",
        ),
    ],
)
def test_faults_of_the_map(columns: dict[str, str], match: str) -> None:
    with pytest.raises(RecordsError, match=match):
        read(columns=columns)


def test_the_map_may_name_columns_of_a_table_the_study_lacks() -> None:
    assert read(columns={"surveyed": "date of visit"}).census.sections == 1


# security: cells are text, whatever they look like


@settings(max_examples=60, deadline=None)
@given(head=st.sampled_from([b"", HEAD.encode(), b"section,opened,bond,base,thickness_in,cause\n"]), body=st.binary())
def test_no_file_breaks_the_reader(head: bytes, body: bytes) -> None:
    """Whatever the bytes: records of the published shape, or faults that the user can read."""
    with contextlib.suppress(RecordsError):
        check(read(head + body).sections, "sections")


@settings(max_examples=60, deadline=None)
@given(cells=st.fixed_dictionaries({}, optional={name: st.text(max_size=6) for name in CELLS}))
def test_no_cell_breaks_the_reader(cells: dict[str, str]) -> None:
    with contextlib.suppress(RecordsError):
        read([section(**cells)], [survey(**{name: cells[name] for name in ("pci", "surveyed") if name in cells})])


@pytest.mark.parametrize("cell", ["=1+1", "@SUM(A1)", "../../etc", "__import__('os')", "<b>"])
def test_text_stays_text(cell: str, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(builtins, "eval", lambda *_: pytest.fail("evaluated"))
    assert one(read([section(contractor=cell)]), "contractor") == cell


def test_messages_are_safe_for_a_terminal() -> None:
    with pytest.raises(RecordsError) as error:
        read([section(**{"air\x1b[2J": "1", "bond": "\x1b[31mloose"})])
    assert "\x1b" not in str(error.value)
