"""The command line: quick help, prior-only studies from `new` to `show`, faults, folders, progress."""

from __future__ import annotations

import csv
import json
import os
import sys
from pathlib import Path

import numpy as np
import pytest
from runs import FEW, HEAVY, RESULTS, STAGES, TABLES, WEIGHED, command, files_of, loaded, said, write_study

from riskmodel import calibrate as calibration
from riskmodel import cli, pipeline
from riskmodel.errors import CalibrationError
from riskmodel.priors import load_priors
from riskmodel.scaffold import write_new_study
from riskmodel.store import load_tree
from riskmodel.study import read_study
from riskmodel.weighing import DECISION_TABLES

# ------------------------------------------------------------------------------ light and quick


def test_help_loads_nothing_heavy() -> None:
    answer = command("--help")
    assert answer.returncode == 0
    assert "licensed engineer" in answer.stdout
    modules = loaded(command("--help", options=("-X", "importtime")).stderr)
    assert "click" in modules
    assert not modules & {*HEAVY, "numpy", "scipy", "pandas", "xarray", "arviz"}


@pytest.mark.parametrize("name", ["new", "check", "run", "show"])
def test_help_of_every_command_is_light(name: str) -> None:
    answer = command(name, "--help", options=("-X", "importtime"))
    assert answer.returncode == 0
    assert not loaded(answer.stderr) & {*HEAVY, "numpy", "pandas"}


def test_check_says_what_is_there_without_sampling_or_writing(tmp_path: Path) -> None:
    write_new_study(tmp_path / "north", load_priors())
    before = files_of(tmp_path)
    answer = command("check", tmp_path / "north", options=("-X", "importtime"))
    assert answer.returncode == 0, answer.stderr[-2000:]
    assert not loaded(answer.stderr) & set(HEAVY)
    assert files_of(tmp_path) == before
    for words in ("Records: none", "of 100 overlays fail before age 10", "still would", "Portfolios (17)"):
        assert words in answer.stdout


def test_version(capsys: pytest.CaptureFixture[str]) -> None:
    status, out, _ = said(capsys, "--version")
    assert status == 0
    assert out.startswith("riskmodel, version ")


# ---------------------------------------------------------------------------------- new to show


def test_what_new_writes_runs_as_it_is_and_is_labelled_prior_only(tmp_path: Path) -> None:
    folder = tmp_path / "north"
    assert command("new", folder).returncode == 0
    text = (folder / "study.toml").read_text(encoding="utf-8")
    for line in ("# chains = 4", "# draws = 500                 # per chain"):
        assert line in text
    text = text.replace("# chains = 4", "chains = 2").replace("# draws = 500 ", "draws = 20 ")
    (folder / "study.toml").write_text(text, encoding="utf-8")
    answer = command("run", folder)
    assert answer.returncode == 0, answer.stderr
    assert len(answer.stderr.splitlines()) == len(WEIGHED)
    assert "\r" not in answer.stderr
    results = folder / "results"
    found = sorted(p.name for p in results.iterdir() if p.name != ".lock")
    assert found == sorted([*RESULTS, "decision.nc", "figures", "tables"])
    tables = (*TABLES, "first_places.csv", *(Path(name).name for name in DECISION_TABLES))
    assert sorted(p.name for p in (results / "tables").iterdir()) == sorted(tables)
    for table in set(tables) - {"levels.csv"}:  # no measure of a new study comes in levels
        with (results / "tables" / table).open(newline="", encoding="utf-8") as handle:
            assert {row["basis"] for row in csv.DictReader(handle)} == {"priors only"}, table
    assert "PRIORS ONLY" in (results / "report.txt").read_text(encoding="utf-8")
    assert "Priors only" in (results / "brief.html").read_text(encoding="utf-8")
    shown = command("show", folder)
    assert shown.returncode == 0
    assert "PRIORS ONLY" in shown.stdout
    assert "current_practice" in shown.stdout
    assert "Basis: priors only." in shown.stdout


def test_portfolio_table_holds_every_portfolio_and_quantity(done: Path) -> None:
    with (done / "results/tables/portfolios.csv").open(newline="", encoding="utf-8") as handle:
        rows = list(csv.DictReader(handle))
    assert list(rows[0])[:7] == ["portfolio", "quantity", "unit", "mean", "lower", "upper", "mcse"]
    names = list(dict.fromkeys(row["portfolio"] for row in rows))
    joint = "prompt_sawing + internal_curing"
    assert names == ["no_measures", "current_practice", "prompt_sawing", "internal_curing", joint]
    quantities = {row["quantity"] for row in rows if row["portfolio"] == joint}
    assert quantities >= {"early_failure_probability", "b05_age", "b10_age", "b20_age", "life_gain", "survival_25"}
    for row in rows:
        bound = row["quantity"].startswith("assured")  # one number over all draws, without an interval
        assert bound == (row["lower"] == "")
        assert bound or float(row["lower"]) <= float(row["upper"])


def test_the_table_agrees_with_the_simulation_it_was_made_from(done: Path) -> None:
    results = done / "results"
    simulation = load_tree(results / "simulation.nc").to_dataset()
    draws = simulation["value"].sel(portfolio="current_practice", quantity="b10_age").values
    with (results / "tables/portfolios.csv").open(newline="", encoding="utf-8") as handle:
        rows = {(row["portfolio"], row["quantity"]): row for row in csv.DictReader(handle)}
    row = rows["current_practice", "b10_age"]
    stated = [float(row[name]) for name in ("mean", "lower", "upper")]
    assert stated == pytest.approx([draws.mean(), *np.quantile(draws, (0.05, 0.95))], rel=1e-6)


def test_provenance_says_what_made_the_results_and_names_no_place(done: Path) -> None:
    text = (done / "results/provenance.json").read_text(encoding="utf-8")
    content = json.loads(text)
    assert content["command"] == "riskmodel run north"
    assert content["seed"] == 1
    assert content["settings"]["life"] == {"early_age": 10.0, "horizon": 60.0, "ages": [25.0, 45.0]}
    assert set(content["stages"]) == set(STAGES)
    assert {"python", "numpy", "pymc", "nutpie"} <= set(content["versions"])
    assert any(name.startswith("priors/") and len(sha) == 64 for name, sha in content["inputs"].items())
    for entry in content["stages"].values():
        assert entry["seconds"] >= 0
        assert len(entry["key"]) == 64
    for place in (str(done), str(Path.home()), os.getcwd(), "/tmp", sys.prefix):
        assert place not in text


def test_the_file_of_draws_holds_its_settings_and_digests(done: Path) -> None:
    tree = load_tree(done / "results/posterior.nc")
    assert json.loads(tree.attrs["riskmodel_settings"])["sampling"] == {"seed": 1, "chains": 2, "draws": 20}
    assert tree["posterior"].sizes["draw"] * tree["posterior"].sizes["chain"] == 40


# ---------------------------------------------------------------------------- folders and faults


def test_results_of_another_study_are_left_alone(
    done: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    before = files_of(done / "results")
    other = write_study(tmp_path / "south", title="Overlays of the south")
    status, out, err = said(capsys, "run", other, "--out", done / "results")
    assert status == 2
    assert out == ""
    assert "holds the results of another study, 'Overlays'" in err
    assert files_of(done / "results") == before
    status, _, err = said(capsys, "show", other, "--out", done / "results")
    assert status == 2
    assert "another study" in err


@pytest.mark.parametrize("kind", ["foreign folder", "file", "study folder", "newer", "broken"])
def test_folders_that_are_not_for_results(
    study: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str], kind: str
) -> None:
    out = tmp_path / "out"
    expected = "is not empty and holds no results"
    if kind == "file":
        out.write_text("mine")
        expected = "is a file"
    elif kind == "study folder":
        out = study
    else:
        out.mkdir()
        (out / "notes.txt").write_text("mine")
        if kind == "newer":
            (out / "provenance.json").write_text('{"schema": 99}')
            expected = "newer riskmodel"
        elif kind == "broken":
            (out / "provenance.json").write_text("{")
            expected = "provenance.json cannot be read"
    before = files_of(tmp_path)
    status, _, err = said(capsys, "run", study, "--out", out)
    assert status == 2
    assert expected in err
    assert files_of(tmp_path) == before


def test_out_names_another_folder(study: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    status, out, _ = said(capsys, "run", study, "--out", tmp_path / "deep" / "er")
    assert status == 0
    assert (tmp_path / "deep/er/report.txt").is_file()
    assert not (study / "results").exists()
    assert "brief.html" in out
    content = json.loads((tmp_path / "deep/er/provenance.json").read_text(encoding="utf-8"))
    assert content["command"] == "riskmodel run north --out er"


@pytest.mark.parametrize("name", ["check", "run", "show"])
def test_faults_of_the_study_go_to_stderr_with_status_2_and_nothing_is_written(
    tmp_path: Path, capsys: pytest.CaptureFixture[str], name: str
) -> None:
    study = write_study(tmp_path / "north", "[life]\nearly_aeg = 3\nhorizon = 'x'\n")
    before = files_of(tmp_path)
    status, out, err = said(capsys, name, study)
    assert (status, out) == (2, "")
    assert err.startswith("riskmodel: study.toml")
    assert "Write early_age" in err
    assert "life.horizon" in err
    assert "Traceback" not in err
    assert files_of(tmp_path) == before


@pytest.mark.parametrize("name", ["check", "run"])
@pytest.mark.parametrize(
    ("sections", "text", "match"),
    [
        ("section,opened\nA,2010-01-01\n", "[records]\nsections = 's.csv'\n", "`bond`"),
        ("section,opened\n", "[records]\nsections = 's.csv'\n[columns]\nthicknes_in = 'x'\n", "thickness_in"),
        ("", "[records]\nsections = 's.csv'\n", "s.csv"),
        ("x\n", "[programme]\nsource = 's.csv'\n", "s.csv"),
        ("", "[priors.override.early_falure]\nvalue = 1\n", "early_failure"),
        ("", "[portfolios]\nmeasures = ['sawing']\n", "no prior file knows the measure"),
    ],
)
def test_faults_of_tables_and_priors_leave_nothing_behind(
    tmp_path: Path, capsys: pytest.CaptureFixture[str], name: str, sections: str, text: str, match: str
) -> None:
    study = write_study(tmp_path / "north", text)
    (study / "s.csv").write_text(sections)
    before = files_of(tmp_path)
    status, out, err = said(capsys, name, study)
    assert (status, out) == (2, "")
    assert match in err
    assert files_of(tmp_path) == before
    assert not (study / "results").exists()


def test_a_failed_gate_is_no_result(
    study: Path, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    def fails(*positional: object, **named: object) -> None:
        raise CalibrationError("R-hat is 1.2, limit 1.01. Raise `draws`.")

    monkeypatch.setattr(calibration, "calibrate", fails)
    status, out, err = said(capsys, "run", study)
    assert (status, out) == (2, "")
    assert "R-hat is 1.2" in err
    assert not (study / "results").exists()
    (study / "results").mkdir()
    assert said(capsys, "run", study)[0] == 2
    assert list((study / "results").iterdir()) == []


def test_show_before_run_and_of_damaged_results(study: Path, capsys: pytest.CaptureFixture[str]) -> None:
    status, _, err = said(capsys, "show", study)
    assert status == 2
    assert "there are no results in results yet" in err
    pipeline.run_study(read_study(study))
    (study / "results/report.txt").write_text("something else")
    status, _, err = said(capsys, "show", study)
    assert status == 2
    assert "report.txt is not the file that was written" in err
    (study / "results/report.txt").unlink()
    assert said(capsys, "show", study)[0] == 2


@pytest.mark.parametrize("line", [["rnu", "x"], ["run"], ["run", "x", "--fast"], ["check", "a", "b"]])
def test_wrong_use_ends_with_status_2(capsys: pytest.CaptureFixture[str], line: list[str]) -> None:
    status, out, err = said(capsys, *line)
    assert (status, out) == (2, "")
    assert "Usage" in err


def test_new_refuses_what_is_there(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    (tmp_path / "full").mkdir()
    (tmp_path / "full/mine.txt").write_text("mine")
    for folder, words in ((tmp_path / "full", "full is not empty"), (tmp_path / "full/mine.txt", "is a file")):
        status, out, err = said(capsys, "new", folder)
        assert (status, out) == (2, "")
        assert words in err
    assert files_of(tmp_path) == {"full/mine.txt": b"mine"}
    (tmp_path / "empty").mkdir()
    assert said(capsys, "new", tmp_path / "empty")[0] == 0


def test_text_of_users_cannot_move_a_terminal(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    study = write_study(tmp_path / "no\x1b[2Jrth")
    (study / "study.toml").write_text("schema = 1\n" + FEW, encoding="utf-8")
    status, out, _ = said(capsys, "run", study)
    assert status == 0
    shown = said(capsys, "show", study)[1] + said(capsys, "check", study)[1] + out
    assert "\x1b" not in shown


def test_a_terminal_sees_progress_and_time_left(
    capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    clock = iter([100.0, 160.0, 170.0, 170.01, 190.0])
    monkeypatch.setattr(cli.time, "monotonic", lambda: next(clock))
    watcher = cli.TerminalWatcher(moving=True)
    watcher.begin("Calibrating", "The first one takes longer.")
    watcher.advance(0, 1, "compiling")
    watcher.advance(0, 100, "sampling")
    watcher.advance(25, 100, "sampling")
    watcher.advance(26, 100, "sampling")
    watcher.advance(100, 100, "sampling")
    watcher.end("Calibrating", 90.0)
    err = capsys.readouterr().err
    assert err.startswith("The first one takes longer.\n")
    assert "Calibrating: 25%, 30 s left (sampling)" in err
    assert "26%" not in err
    assert err.endswith("\rCalibrating: 2 min\n")
    assert all(len(part) <= 79 for part in err.replace("\n", "\r").split("\r"))


def test_a_pipe_sees_one_line_a_stage(capsys: pytest.CaptureFixture[str]) -> None:
    watcher = cli.TerminalWatcher(moving=False)
    watcher.begin("Simulating", "It takes a while.")
    watcher.advance(25, 100, "closed form")
    watcher.end("Simulating", 200.0)
    watcher.note("read with care \x1b[2J")
    assert capsys.readouterr().err == "Simulating: 3 min\nNote: read with care \ufffd[2J\n"
