"""The exclusion check on the command line: on a finished study, on a stated mixture, and what is refused."""

from __future__ import annotations

import csv
import json
import re
import shutil
from pathlib import Path

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from runs import FEW, HEAVY, SECTIONS, calibrated_from_priors, command, files_of, loaded, said, write_study

from riskmodel import calibrate as calibration
from riskmodel import pipeline
from riskmodel.amounts import amount
from riskmodel.answers import CAUTIONS
from riskmodel.errors import Faults
from riskmodel.options import DELETION, MIXTURE
from riskmodel.store import load_tree, save_tree
from riskmodel.study import read_study

MIX = ("exclusion", "--share-early", "10%", "--early-age", "10", "--life", "45", "--sections", "300")
README = Path(__file__).resolve().parent.parent / "README.md"
# section 5 is poor early, section 8 late, section 3 is removed
SURVEYS = "section,surveyed,pci\n" + "".join(
    f"S{i},20{i + age:02d}-06-01,{max(100 - round(fall * age), 0)}\n"
    for i, fall in ((1, 1.0), (2, 0.8), (3, 5.0), (4, 1.2), (5, 6.0), (7, 1.4), (8, 2.9), (10, 0.5))
    for age in ((3, 7) if i == 3 else (3, 7, 14))
)


@pytest.fixture(scope="module")
def recorded_once(tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = write_study(
        tmp_path_factory.mktemp("recorded") / "north", f"[records]\nsections = 's.csv'\nsurveys = 'v.csv'\n{FEW}"
    )
    (folder / "s.csv").write_text(SECTIONS)
    (folder / "v.csv").write_text(SURVEYS)
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(calibration, "calibrate", calibrated_from_priors)
        pipeline.run_study(read_study(folder))
    return folder


@pytest.fixture
def recorded(recorded_once: Path, tmp_path: Path) -> Path:
    """A copy of a finished study with records."""
    return Path(shutil.copytree(recorded_once, tmp_path / "north"))


def rows_of(path: Path) -> list[dict[str, str]]:
    with path.open(newline="") as handle:
        return list(csv.DictReader(handle))


# ------------------------------------------------------------------------------------ a mixture


def test_help_is_light_and_lists_every_amount() -> None:
    answer = command("exclusion", "--help", options=("-X", "importtime"))
    assert answer.returncode == 0
    assert not loaded(answer.stderr) & {*HEAVY, "numpy", "scipy", "pandas"}
    for asked in (*DELETION, *MIXTURE):
        assert asked.flag in answer.stdout


def test_every_example_of_an_option_is_accepted() -> None:
    for asked in (*DELETION, *MIXTURE):
        faults = Faults()
        assert amount(asked.flag, asked.rule.example, asked.rule, faults) is not None, list(map(str, faults))


def test_a_mixture_answers_and_is_reproduced(capsys: pytest.CaptureFixture[str]) -> None:
    status, out, err = said(capsys, *MIX)
    assert (status, err) == (0, "")
    for words in ("share early         10 %", "early age           10 years", "not read below 60", "In plain words",
                  "mean life", "What bends the line", "Cautions"):  # fmt: skip
        assert words in out
    for text in CAUTIONS["exclusion"]:
        assert text in " ".join(out.split())
    assert said(capsys, *MIX) == (0, out, "")
    assert said(capsys, *MIX, "--seed", "2")[1] != out


def test_the_rule_of_deletion_is_followed(capsys: pytest.CaptureFixture[str]) -> None:
    assert "not read below 70 by age 12.5" in said(capsys, *MIX, "--below", "70", "--at-age", "12.5")[1]
    out = said(capsys, *MIX, "--failed-by", "15")[1]
    assert "not failed by age 15" in out
    assert "not read below" not in out


def test_the_numbers_of_the_readme_are_the_answer(capsys: pytest.CaptureFixture[str]) -> None:
    readme = " ".join(README.read_text(encoding="utf-8").split())
    stated = re.search(
        r"the line moves by ([\d.]+) years, mean life by ([\d.]+), the age nine in ten outlive by ([\d.]+)\.", readme
    )
    assert stated is not None
    out = " ".join(said(capsys, *MIX[:7])[1].split())
    line, mean, nine = stated.groups()
    assert f"the line moves by {line} years" in out
    assert f"mean life moves by {mean} years, the age nine in ten outlive by {nine}." in out


@pytest.mark.parametrize("kind", ["svg", "png"])
def test_files_are_written_and_reproduced(capsys: pytest.CaptureFixture[str], tmp_path: Path, kind: str) -> None:
    for folder in ("one", "two"):
        (tmp_path / folder).mkdir()
        picture, table = tmp_path / folder / f"lines.{kind}", tmp_path / folder / "lines.csv"
        status, out, _ = said(capsys, *MIX, "--figure", picture, "--csv", table)
        assert status == 0
        assert f"Written: lines.{kind}, lines.csv" in out
    assert files_of(tmp_path / "one") == files_of(tmp_path / "two")
    if kind == "svg":
        drawn = picture.read_text(encoding="utf-8")
        for words in ("Age, years", "Condition index, points", "Share not yet failed", "threshold 60", "all sections:",
                      "Deleting sections moves a line", "Preventing every early failure moves life"):  # fmt: skip
            assert words in drawn
    rows = rows_of(table)
    assert [row["name"] for row in rows if row["part"] == "line"] == ["all_sections", "without_below_60", "survivors"]


def test_a_line_that_never_gets_there_is_drawn(capsys: pytest.CaptureFixture[str], tmp_path: Path) -> None:
    line = ("exclusion", "--share-early", "0%", "--early-age", "10", "--life", "200", "--power", "5", "--scatter", "0",
            "--sections", "50", "--surveyed-to", "10", "--figure", tmp_path / "lines.svg")  # fmt: skip
    status, _, err = said(capsys, *line)
    assert (status, err) == (0, "")
    assert "all sections: never" in (tmp_path / "lines.svg").read_text(encoding="utf-8")


# -------------------------------------------------------------------------------------- a study


def test_a_run_writes_the_table(recorded: Path) -> None:
    rows = rows_of(recorded / "results/tables/exclusion.csv")
    assert {row["basis"] for row in rows} == {"priors and records"}
    assert [row["name"] for row in rows if row["part"] == "line"] == [
        "all_sections", "without_below_60", "without_below_60_by_10", "without_failed_by_10", "survivors",
    ]  # fmt: skip
    assert {row["name"] for row in rows if row["part"] == "gain"} >= {"b10_age", "restricted_mean_age"}


def test_a_run_without_records_states_life_alone(done: Path) -> None:
    rows = rows_of(done / "results/tables/exclusion.csv")
    assert {row["basis"] for row in rows} == {"priors only"}
    assert {row["part"] for row in rows} == {"with_early", "without_early", "gain"}


def test_a_finished_study_answers(capsys: pytest.CaptureFixture[str], recorded: Path, tmp_path: Path) -> None:
    before = files_of(recorded)
    status, out, err = said(capsys, "exclusion", recorded, "--csv", tmp_path / "lines.csv")
    assert (status, err) == (0, "")
    assert out.startswith("Exclusion check: Overlays\n")
    assert "Delete the 2 of 8 sections read below 60, and the line" in " ".join(out.split())
    assert files_of(recorded) == before
    table, own = rows_of(tmp_path / "lines.csv"), rows_of(recorded / "results/tables/exclusion.csv")
    assert table == [{name: cell for name, cell in row.items() if name != "basis"} for row in own]


def test_a_study_is_asked_with_a_rule_and_drawn(
    capsys: pytest.CaptureFixture[str], recorded: Path, tmp_path: Path
) -> None:
    line = ("exclusion", recorded, "--below", "60", "--at-age", "10", "--figure", tmp_path / "lines.svg")
    status, out, _ = said(capsys, *line)
    assert status == 0
    assert "Delete the 1 of 8 sections read below 60 by age 10" in " ".join(out.split())
    assert "90 % interval" in (tmp_path / "lines.svg").read_text(encoding="utf-8")
    moved = shutil.move(recorded / "results", tmp_path / "elsewhere")
    assert said(capsys, *line[:-2], "--out", moved)[1] == out.replace("Written: lines.svg\n\n", "")
    assert said(capsys, *line)[0] == 2


# ------------------------------------------------------------------------------------- refusals


@pytest.mark.parametrize(
    ("extra", "message"),
    [
        (("--below", "60", "--failed-by", "10"), "sections are deleted by one rule: --below or --failed-by"),
        (("--at-age", "10"), "--at-age belongs to --below. Add --below 60, or say --failed-by 10."),
        (("--out", "x"), "--out belongs to a study"),
        (("--below", "0"), "`--below`: a level lies above 0 and not above 100, the ends of the scale; got '0'"),
        (("--below", "100"), "Delete fewer: choose a lower level or age"),
        (("--at-age", "0", "--below", "60"), "`--at-age`: it lies between 0.1 and 200; got '0'"),
        (("--failed-by", "never"), "`--failed-by`: a plain number is needed; got 'never'"),
        (("--early-age", "50"), "`--early-age`: early failures come before the others wear out; got '50'"),
        (("--share-early", "0.1"), "`--share-early`: a number and its unit are needed (%); got '0.1'"),
        (("--sections", "5"), "`--sections`: it lies between 20 and 20000"),
        (("--figure", "lines.pdf"), "the file ends in .svg or .png"),
    ],
)
def test_options_that_make_no_sense(
    capsys: pytest.CaptureFixture[str], tmp_path: Path, extra: tuple[str, ...], message: str
) -> None:
    status, out, err = said(capsys, *MIX, *extra, "--csv", tmp_path / "lines.csv")
    assert (status, out) == (2, "")
    assert message in err
    assert files_of(tmp_path) == {}


def test_all_faults_at_once(capsys: pytest.CaptureFixture[str]) -> None:
    status, _, err = said(capsys, "exclusion")
    assert status == 2
    assert err.count(" is needed") == 4
    assert "a STUDY or a mixture is needed. Name a folder with finished results, or state the mixture." in err
    status, _, err = said(capsys, "exclusion", "--life", "x", "--below", "60", "--failed-by", "y", "--csv", "no.txt")
    assert status == 2
    for words in ("--life", "--failed-by", "--csv", "--share-early is needed", "by one rule"):
        assert words in err


def test_a_mixture_beside_a_study_is_refused(capsys: pytest.CaptureFixture[str], recorded: Path) -> None:
    status, _, err = said(capsys, "exclusion", recorded, "--life", "45", "--share-early", "10%")
    assert status == 2
    assert "a mixture is stated in place of a study; got '--share-early, --life'. Drop STUDY or these options." in err


def test_a_study_without_records_or_results(capsys: pytest.CaptureFixture[str], done: Path, tmp_path: Path) -> None:
    status, out, err = said(capsys, "exclusion", done)
    assert (status, out) == (2, "")
    assert "study.toml: a line needs readings; the study has no records. Fill its tables, or state a mixture." in err
    fresh = write_study(tmp_path / "south")
    status, _, err = said(capsys, "exclusion", fresh)
    assert status == 2
    assert "there are no results in results yet. Make them with `riskmodel run`." in err
    assert files_of(fresh).keys() == {"study.toml"}


@pytest.mark.parametrize("what", ["inputs", "settings"])
def test_a_study_that_has_changed_since_is_refused(
    capsys: pytest.CaptureFixture[str], recorded: Path, what: str
) -> None:
    file, old, new = {
        "inputs": (recorded / "v.csv", ",97\n", ",96\n"),
        "settings": (recorded / "study.toml", "[sampling]", "[condition]\nthreshold = 55\n[sampling]"),
    }[what]
    file.write_text(file.read_text().replace(old, new))
    status, out, err = said(capsys, "exclusion", recorded)
    assert (status, out) == (2, "")
    assert "the results in results were made from other inputs, settings or another riskmodel than now" in err


def test_results_of_an_earlier_version_or_damaged_are_refused(
    capsys: pytest.CaptureFixture[str], recorded: Path
) -> None:
    file = recorded / "results/simulation.nc"
    older = load_tree(file).to_dataset().drop_vars("survival_without_early")
    digest = save_tree(older, file, digests={}, settings={})
    status, _, err = said(capsys, "exclusion", recorded)
    assert status == 2
    assert "a file was changed (simulation.nc)" in err
    provenance = recorded / "results/provenance.json"
    content = json.loads(provenance.read_text())
    content["stages"]["simulate"]["outputs"]["simulation.nc"] = digest
    provenance.write_text(json.dumps(content))
    status, _, err = said(capsys, "exclusion", recorded)
    assert status == 2
    assert "made by an earlier riskmodel" in err


@given(
    st.lists(
        st.tuples(
            st.sampled_from([a.flag for a in (*DELETION, *MIXTURE) if a.field != "sections"]), st.text(max_size=6)
        ),
        max_size=4,
    )
)
@settings(max_examples=30, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])
def test_any_text_ends_with_an_answer_or_a_fault(
    capsys: pytest.CaptureFixture[str], pairs: list[tuple[str, str]]
) -> None:
    status, out, err = said(capsys, *MIX, *(word for pair in pairs for word in pair))
    assert status in (0, 2)
    assert bool(out) == (status == 0)
    assert "Traceback" not in err


@given(
    st.fixed_dictionaries(
        {
            a.flag: st.sampled_from([a.rule.lowest, a.rule.highest]).map(
                lambda end, kind=a.rule.kind: f"{100 * end:.6f}%" if kind == "share" else f"{end:.6f}"
            )
            for a in MIXTURE
            if a.field not in ("sections", "seed")
        }
    )
)
@settings(max_examples=30, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])
def test_mixtures_at_the_ends_of_their_ranges(capsys: pytest.CaptureFixture[str], ends: dict[str, str]) -> None:
    status, out, err = said(capsys, "exclusion", "--sections", "20", *(word for pair in ends.items() for word in pair))
    assert status in (0, 2)
    assert "Traceback" not in err
    assert not re.search(r"\b(nan|inf)\b", out)
