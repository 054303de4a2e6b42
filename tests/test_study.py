"""study.toml: what is accepted, and that every fault is named at once with place, value and remedy."""

from __future__ import annotations

import tomllib
from datetime import date
from pathlib import Path

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from riskmodel.errors import RiskModelError, StudyError
from riskmodel.layout import LAYOUT
from riskmodel.measures import CURRENT_PRACTICE, NO_MEASURES
from riskmodel.priors import load_priors
from riskmodel.scaffold import write_new_study
from riskmodel.study import portfolios_of, read_study


def study_of(folder: Path, text: str):
    (folder / "study.toml").write_text(text, encoding="utf-8")
    return read_study(folder)


def faults_of(folder: Path, text: str) -> list[str]:
    with pytest.raises(StudyError) as caught:
        study_of(folder, text)
    return [str(fault) for fault in caught.value.faults]


def refusal_of(folder: Path, text: str) -> str:
    """The message, or "" for a study that is accepted; any other exception is a failure of the test."""
    try:
        study_of(folder, text)
    except StudyError as error:
        return str(error)
    return ""


@pytest.fixture
def tables(tmp_path: Path) -> Path:
    (tmp_path / "sections.csv").write_text("section,opened\n")
    (tmp_path / "surveys.csv").write_text("section,surveyed,pci\n")
    return tmp_path


FULL = """
schema = 1
[study]
title = "Überlagen nord"
agency = "Road department"
[records]
sections = "sections.csv"
surveys = "surveys.csv"
until = 2024-06-30
[columns]
thickness_in = "THK"
[condition]
index = "cond"
threshold = 55
removal_level = 40
unrecorded_restorations = "set_aside"
[life]
early_age = 8
horizon = 50
ages = [20, 40]
[priors.override.early_failure]
status = "elicited"
[programme]
source = "records"
score_shift = { workmanship = 0.3 }
weight_by_area = true
[portfolios]
measures = ["a", "b"]
[sampling]
chains = 2
draws = 100
seed = 7
"""


def test_every_statement_arrives(tables: Path) -> None:
    study = study_of(tables, FULL)
    assert (study.title, study.agency) == ("Überlagen nord", "Road department")
    assert study.sections == tables / "sections.csv"
    assert study.until == date(2024, 6, 30)
    assert study.columns == {"thickness_in": "THK"}
    condition = study.condition
    assert (condition.column, condition.threshold, condition.removal_level) == ("cond", 55.0, 40.0)
    assert condition.unrecorded == "set_aside"
    assert study.life == {"early_age": 8.0, "horizon": 50.0, "ages": (20.0, 40.0)}
    assert study.overrides == {"early_failure": {"status": "elicited"}}
    assert study.programme is None
    assert study.score_shift == {"workmanship": 0.3}
    assert study.weight_by_area
    assert study.measures == ("a", "b")
    assert study.sampling == {"chains": 2, "draws": 100, "seed": 7}
    assert study.seed == 7


def test_the_shortest_study_is_prior_only_and_takes_its_folder_for_title(tmp_path: Path) -> None:
    study = study_of(tmp_path, "schema = 1")
    assert study.sections is None
    assert study.title == tmp_path.name
    assert study.measures is None
    assert study.portfolios == ()


def test_defaults_are_those_of_the_model(tmp_path: Path) -> None:
    from riskmodel.calibrate import Sampling
    from riskmodel.lifesettings import LifeSettings

    study = study_of(tmp_path, "schema = 1")
    assert LifeSettings(**study.life) == LifeSettings()
    assert Sampling(**study.sampling) == Sampling()


def test_names_cannot_move_a_terminal(tmp_path: Path) -> None:
    found = faults_of(tmp_path, 'schema = 1\n"a\\u001bb" = 1\n[life]\n"c\\u001bd" = 1\n[columns]\n"e\\u001bf" = 1\n')
    assert len(found) == 3
    assert "\x1b" not in "".join(found)


def test_folder_and_file_name_the_same_study(tables: Path) -> None:
    assert study_of(tables, FULL) == read_study(tables / "study.toml")


def test_byte_order_mark_and_windows_line_ends_are_accepted(tables: Path) -> None:
    (tables / "study.toml").write_bytes(b"\xef\xbb\xbf" + FULL.replace("\n", "\r\n").encode())
    assert read_study(tables).title == "Überlagen nord"


def test_all_faults_come_at_once_with_the_nearest_name(tables: Path) -> None:
    found = faults_of(
        tables,
        """
        schema = 1
        treshold = 60
        [records]
        section = "sections.csv"
        surveys = "lost.csv"
        [condition]
        thresholt = 50
        highest = true
        [life]
        early_age = "ten"
        ages = [25, nan]
        [sampling]
        chains = 2.0
        seed = -1
        """,
    )
    assert len(found) == 10
    for place, remedy in (
        ("`records.section`: the key is not known", "Write sections"),
        ("`records.surveys`: the file exists", "lost.csv"),
        ("`condition.thresholt`: the key is not known", "Write threshold"),
        ("`condition.highest`: a number", "True"),
        ("`life.early_age`: a number from 1 to 30", "'ten'"),
        ("`life.ages`: a number", "nan"),
        ("`sampling.chains`: a whole number", "2.0"),
        ("`sampling.seed`: a whole number", "-1"),
        ("`records.sections`: surveys need the sections", "Name that table"),
        ("`treshold`: the key is not known", ""),
    ):
        line = next(line for line in found if place in line)
        assert line.startswith("study.toml")
        assert remedy in line


ODD = {
    "true": "a flag",
    "12": "a whole number",
    "-0.5": "a number",
    "nan": "no number",
    "inf": "too large",
    '""': "an empty text",
    '"2024-06-30"': "a date as text",
    "2024-06-30": "a date",
    "2024-06-30T10:00:00": "a date and time",
    "10:00:00": "a time",
    "[]": "an empty list",
    "[[1]]": "a list in a list",
    "{}": "an empty table",
    "{ a = { b = 1 } }": "a table in a table",
    "9" * 400: "a number beyond floating point",
    "9" * 5000: "a number beyond what Python reads",
    '"\\u001b[2J"': "a text that clears a terminal",
    '"a\\u0000b"': "a text with a zero byte",
}
KEYS = [f"{table}.{key}" for table, keys in LAYOUT.items() for key in keys] + ["columns.thickness_in", "schema"]


@pytest.mark.parametrize("odd", ODD)
@pytest.mark.parametrize("key", KEYS)
def test_odd_values_are_accepted_or_refused_but_never_a_traceback(tmp_path: Path, key: str, odd: str) -> None:
    table, _, name = key.rpartition(".")
    head = "schema = 1\n" if table else ""
    brackets = f"[[{table}]]\n" if table == "portfolio" else f"[{table}]\n" if table else ""
    refusal = refusal_of(tmp_path, f"{head}{brackets}{name} = {odd}\n")
    assert refusal == "" or "study.toml" in refusal
    assert all(character.isprintable() or character == "\n" for character in refusal)


@settings(max_examples=150, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(st.binary(max_size=200))
def test_any_bytes_end_in_a_study_or_a_clear_error(tmp_path: Path, content: bytes) -> None:
    (tmp_path / "study.toml").write_bytes(content)
    with pytest.raises(RiskModelError, match=r"study\.toml"):
        read_study(tmp_path)


@settings(max_examples=200, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(st.data())
def test_a_study_with_one_line_damaged_never_ends_in_a_traceback(tables: Path, data: st.DataObject) -> None:
    lines = FULL.splitlines()
    place = data.draw(st.integers(0, len(lines) - 1))
    lines[place] = data.draw(st.one_of(st.just(""), st.text(max_size=30), st.just(lines[place][::-1])))
    refusal = refusal_of(tables, "\n".join(lines))
    assert refusal == "" or "study.toml" in refusal


@pytest.mark.parametrize(
    ("content", "match"),
    [
        (b"schema = 1\n[life\n", "the file is TOML.*line 2"),
        (b"schema = 1\ntitle = 'caf\xe9'\n", "UTF-8 text.*Save it as UTF-8"),
        (b"schema = 1\nx = " + b"[" * 50_000, "nested a few levels deep|the file is TOML"),
        (b"# " + b"x" * 1_000_001, "no larger than 1 MB"),
        (b"", "`schema`: the first line states the layout.*Write schema = 1"),
        (b"schema = 2", "`schema`: this riskmodel reads layout 1.*Install the newer one"),
        (b"schema = true", "`schema`: the first line states the layout"),
        (b"schema = '1'", "`schema`: the first line states the layout"),
    ],
)
def test_files_that_are_no_study(tmp_path: Path, content: bytes, match: str) -> None:
    (tmp_path / "study.toml").write_bytes(content)
    with pytest.raises(StudyError, match=match):
        read_study(tmp_path)


def test_a_folder_without_a_study(tmp_path: Path) -> None:
    with pytest.raises(StudyError, match=r"a study is a folder with a study\.toml in it.*riskmodel new"):
        read_study(tmp_path)
    with pytest.raises(StudyError, match=r"gone\.toml"):
        read_study(tmp_path / "gone.toml")


@pytest.mark.parametrize(
    ("text", "match"),
    [
        ("[condition]\nthreshold = 60\nremoval_level = 70", "taken out at or below the level that counts as failure"),
        ("[condition]\nthreshold = 120", "`threshold` lies between"),
        ("[condition]\npath = 'power'", "one of power_z, power_y, reverse_s is expected, perhaps power_z"),
        ("[life]\nearly_age = 20\nhorizon = 15\nages=[10]", "`life.early_age`: no age lies beyond the horizon"),
        ("[life]\nages = [25, 70]", "`life.ages`: no age lies beyond the horizon; got '70.0'"),
        ("[life]\nages = [25, 25]", "each entry may stand once"),
        ("[records]\nuntil = '2024-06-30'", "`records.until`: a date such as 2024-06-30 is expected, without"),
        ("[programme]\nsource = 'planned.csv'", "`programme.source`: the file exists"),
        ("[programme]\nscore_shift = { workmanship = 9 }", "`programme.score_shift`: a number from -5 to 5"),
        ("[priors]\ndirectory = 'nowhere'", "`priors.directory`: the folder exists"),
        ("[portfolios]\nmeasures = ['a','b','c','d','e','f','g']", "sets of more than 6 measures are searched"),
        ("portfolio = 3", "portfolios stand in double brackets"),
        ("study = 3", "`study`: a table is expected.*Begin it with a line"),
        ("columns = 3", "`columns`: a table is expected"),
        ("[[portfolio]]\nname = 'x'", "`portfolio 1.measures`: a portfolio lists its measures"),
        ("[[portfolio]]\nname = 'no_measures'\nmeasures = ['a']", "a name of its own; got 'no_measures'"),
        ("[[portfolio]]\nmeasures = ['a']\n[[portfolio]]\nmeasures = ['a']", "`portfolio 2.name`: each portfolio has"),
        (
            "[[portfolio]]\nmeasures = ['fabric']\nwhere = { fabrik = { base = ['x'] } }",
            "a rule belongs to.*Write fabric",
        ),
        ("[[portfolio]]\nmeasures = ['a']\nwhere = { a = { base = 'x' } }", "`portfolio 1.where`: a list of 1 to"),
        ("[portfolios]\nmeasures = ['a']\n[[portfolio]]\nmeasures = ['a']", "either all combinations.*or named one"),
    ],
)
def test_contradictions_are_named(tmp_path: Path, text: str, match: str) -> None:
    with pytest.raises(StudyError, match=match):
        study_of(tmp_path, f"schema = 1\n{text}")


def test_named_portfolios_take_rules_and_a_default_name(tmp_path: Path) -> None:
    priors = load_priors()
    text = """
    schema = 1
    [[portfolio]]
    measures = ["separation_fabric", "prompt_sawing"]
    where = { separation_fabric = { base = ["composite"] } }
    [[portfolio]]
    name = "night saws"
    measures = ["prompt_sawing"]
    """
    names = [p.name for p in portfolios_of(study_of(tmp_path, text), priors)]
    assert names == [NO_MEASURES, CURRENT_PRACTICE, "separation_fabric + prompt_sawing", "night saws"]
    assert study_of(tmp_path, text).portfolios[0].where == {"separation_fabric": {"base": ("composite",)}}


def test_all_combinations_of_the_stated_measures(tmp_path: Path) -> None:
    priors = load_priors()
    study = study_of(tmp_path, 'schema = 1\n[portfolios]\nmeasures = ["prompt_sawing", "pre_survey"]')
    names = [portfolio.name for portfolio in portfolios_of(study, priors)]
    assert names == [NO_MEASURES, CURRENT_PRACTICE, "prompt_sawing", "pre_survey", "prompt_sawing + pre_survey"]
    default = portfolios_of(study_of(tmp_path, "schema = 1"), priors)
    assert len(default) == 2 + 2 ** min(4, len(priors.measures)) - 1


def test_names_that_no_prior_file_knows(tmp_path: Path) -> None:
    text = 'schema = 1\n[portfolios]\nmeasures = ["promt_sawing"]\n[programme]\nscore_shift = { workmanshp = 1 }'
    with pytest.raises(StudyError) as caught:
        portfolios_of(study_of(tmp_path, text), load_priors())
    assert "no prior file knows the measure; got 'promt_sawing'. Write prompt_sawing." in str(caught.value)
    assert "no quality score has that name; got 'workmanshp'. Write workmanship." in str(caught.value)


def test_identity_is_title_and_agency_alone(tables: Path) -> None:
    one = study_of(tables, FULL)
    assert study_of(tables, FULL.replace("seed = 7", "seed = 8")).identity == one.identity
    assert study_of(tables, FULL.replace("nord", "süd")).identity != one.identity


def test_settings_hold_no_path_of_this_machine(tables: Path) -> None:
    assert str(tables) not in str(study_of(tables, FULL).settings)


def test_the_new_study_is_the_reference_of_the_layout(tmp_path: Path) -> None:
    """Every key of the layout stands in the file that `new` writes, live or as a comment, and all of it is valid."""
    folder = tmp_path / 'odd "name" \\ here'
    write_new_study(folder, load_priors())
    study = read_study(folder)
    assert study.title == folder.name
    text = (folder / "study.toml").read_text(encoding="utf-8")
    for table, keys in LAYOUT.items():
        for key in keys:
            assert f"{key} =" in text or f"{table}.{key}" in text, (table, key)
    live = "\n".join(line.removeprefix("# ") if _is_setting(line) else line for line in text.splitlines())
    live = live.replace('directory = "priors"', "").replace("[portfolios]\nmeasures", "# unused")
    (folder / "study.toml").write_text(live, encoding="utf-8")
    assert tomllib.loads(live)["condition"]["threshold"] == 60
    everything = read_study(folder)
    assert everything.until == date(2024, 6, 30)
    assert everything.portfolios[0].where
    assert everything.condition == type(study.condition)(removal_level=40)


def _is_setting(line: str) -> bool:
    return line.startswith("# ") and (" = " in line or line.startswith("# [")) and "ours =" not in line
