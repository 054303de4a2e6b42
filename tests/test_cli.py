"""The command line and the stages of a run: prior-only studies from `new` to `show`, faults, interrupts, locks."""

from __future__ import annotations

import csv
import json
import os
import shutil
import signal
import subprocess
import sys
import time
import warnings
from collections.abc import Iterator
from pathlib import Path

import pytest
import xarray as xr

from riskmodel import calibrate as calibration
from riskmodel import cli, pipeline, stages
from riskmodel.errors import CalibrationError, RiskModelWarning, StoreError
from riskmodel.priors import load_priors
from riskmodel.scaffold import write_new_study
from riskmodel.store import load_tree, lock_folder
from riskmodel.study import read_study

RESULTS = ("posterior.nc", "simulation.nc", "provenance.json", "report.txt")
TABLES = ("portfolios.csv", "causes.csv", "parameters.csv", "census.csv")
STAGES = ("records", "priors", "calibrate", "simulate", "tables", "report")
HEAVY = ("pymc", "pytensor", "nutpie", "numba", "matplotlib")
FEW = '[sampling]\nchains = 2\ndraws = 20\nseed = 1\n[portfolios]\nmeasures = ["prompt_sawing", "internal_curing"]\n'


def write_study(folder: Path, text: str = FEW, *, title: str = "Overlays") -> Path:
    folder.mkdir(exist_ok=True)
    (folder / "study.toml").write_text(f'schema = 1\n[study]\ntitle = "{title}"\n{text}', encoding="utf-8")
    return folder


@pytest.fixture
def study(tmp_path: Path) -> Path:
    return write_study(tmp_path / "north")


@pytest.fixture(scope="module")
def done_once(tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = write_study(tmp_path_factory.mktemp("done") / "north")
    pipeline.run_study(read_study(folder), command="riskmodel run north")
    return folder


@pytest.fixture
def done(done_once: Path, tmp_path: Path) -> Path:
    """A copy of a finished study."""
    return Path(shutil.copytree(done_once, tmp_path / "north"))


def said(capsys: pytest.CaptureFixture[str], *arguments: str | Path) -> tuple[int, str, str]:
    """Exit status, standard output and standard error of a command in this process."""
    with warnings.catch_warnings(), pytest.raises(SystemExit) as ended:
        cli.main([str(argument) for argument in arguments])
    captured = capsys.readouterr()
    assert isinstance(ended.value.code, int)
    return ended.value.code, captured.out, captured.err


def command(*arguments: str | Path, options: tuple[str, ...] = ()) -> subprocess.CompletedProcess[str]:
    line = [sys.executable, *options, "-m", "riskmodel", *map(str, arguments)]
    return subprocess.run(line, capture_output=True, text=True, timeout=120, check=False)


def loaded(output: str) -> set[str]:
    """Top-level modules in the output of `-X importtime`."""
    lines = [line for line in output.splitlines() if line.startswith("import time:")]
    return {line.rsplit("|", 1)[1].strip().split(".")[0] for line in lines}


def files_of(folder: Path) -> dict[str, bytes]:
    return {
        path.relative_to(folder).as_posix(): path.read_bytes()
        for path in sorted(folder.rglob("*"))
        if path.is_file() and path.name != ".lock" and ".unfinished" not in path.parts
    }


# ------------------------------------------------------------------------------ light and quick


def test_help_is_quick_and_loads_nothing_heavy() -> None:
    seconds = []
    for _ in range(3):
        started = time.perf_counter()
        answer = command("--help")
        seconds.append(time.perf_counter() - started)
    assert answer.returncode == 0
    assert "licensed engineer" in answer.stdout
    assert min(seconds) < 0.4
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
    started = os.times()
    answer = command("check", tmp_path / "north", options=("-X", "importtime"))
    ended = os.times()
    assert answer.returncode == 0, answer.stderr[-2000:]
    assert ended.children_user - started.children_user < 3.0
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
    assert len(answer.stderr.splitlines()) == len(STAGES)
    assert "\r" not in answer.stderr
    results = folder / "results"
    assert sorted(p.name for p in results.iterdir() if p.name != ".lock") == sorted([*RESULTS, "tables"])
    assert sorted(p.name for p in (results / "tables").iterdir()) == sorted(TABLES)
    for table in TABLES:
        with (results / "tables" / table).open(newline="", encoding="utf-8") as handle:
            assert {row["basis"] for row in csv.DictReader(handle)} == {"priors only"}, table
    assert "PRIORS ONLY" in (results / "report.txt").read_text(encoding="utf-8")
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
        assert float(row["lower"]) <= float(row["mean"]) + 1e-9 or row["quantity"].startswith("assured")


def test_the_table_agrees_with_the_simulation_it_was_made_from(done: Path) -> None:
    results = done / "results"
    simulation = load_tree(results / "simulation.nc").to_dataset()
    draws = simulation["value"].sel(portfolio="current_practice", quantity="b10_age").values
    with (results / "tables/portfolios.csv").open(newline="", encoding="utf-8") as handle:
        rows = {(row["portfolio"], row["quantity"]): row for row in csv.DictReader(handle)}
    row = rows["current_practice", "b10_age"]
    assert float(row["mean"]) == pytest.approx(draws.mean(), rel=1e-6)


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


# -------------------------------------------------------------------------------------- skipping


def test_a_repeat_is_quick_loads_no_sampler_and_touches_no_file(done: Path) -> None:
    before = {path: path.stat().st_mtime_ns for path in done.rglob("*")}
    started = time.perf_counter()
    answer = command("run", done, options=("-X", "importtime"))
    assert time.perf_counter() - started < 5.0
    assert answer.returncode == 0
    lines = [line for line in answer.stderr.splitlines() if not line.startswith("import time:")]
    assert [line.rsplit(": ", 1)[1] for line in lines] == ["up to date"] * len(STAGES)
    assert not loaded(answer.stderr) & set(HEAVY)
    assert {path: path.stat().st_mtime_ns for path in done.rglob("*")} == before


@pytest.mark.parametrize(
    ("old", "new", "built"),
    [
        ("draws = 20", "draws = 30", STAGES[2:]),
        ('"prompt_sawing", "internal_curing"', '"prompt_sawing"', STAGES[3:]),
        ("[sampling]", "[programme]\nweight_by_area = true\n[sampling]", STAGES[3:]),
        ("[sampling]", "[condition]\nthreshold = 50\n[sampling]", STAGES),
        ("[sampling]", "[life]\nearly_age = 12\n[sampling]", STAGES[2:]),
        ("chains = 2", "chains = 2 # the same", ()),
    ],
)
def test_a_change_runs_what_depends_on_it_and_nothing_else(
    done: Path, old: str, new: str, built: tuple[str, ...]
) -> None:
    file = done / "study.toml"
    file.write_text(file.read_text(encoding="utf-8").replace(old, new), encoding="utf-8")
    assert pipeline.run_study(read_study(done)).built == built
    assert pipeline.run_study(read_study(done)).built == ()


@pytest.mark.parametrize(
    ("name", "built", "spoil"),
    [
        ("posterior.nc", STAGES[2:], "flipped"),
        ("simulation.nc", STAGES[3:], "flipped"),
        ("simulation.nc", STAGES[3:], "gone"),
        ("tables/causes.csv", STAGES[4:], "flipped"),
        ("tables/census.csv", STAGES, "gone"),
        ("report.txt", STAGES[5:], "flipped"),
    ],
)
def test_what_is_damaged_or_gone_is_rebuilt_to_the_same_bytes(
    done: Path, name: str, built: tuple[str, ...], spoil: str
) -> None:
    file = done / "results" / name
    good = file.read_bytes()
    if spoil == "gone":
        file.unlink()
    else:
        file.write_bytes(good[:-1] + bytes([good[-1] ^ 1]))
    assert pipeline.run_study(read_study(done)).built == built
    if not name.endswith(".nc"):
        assert file.read_bytes() == good


def test_fresh_runs_everything_and_gives_the_same_numbers(done: Path) -> None:
    before = files_of(done / "results")
    assert pipeline.run_study(read_study(done), fresh=True).built == STAGES
    after = files_of(done / "results")
    assert set(after) == set(before)
    for name in before:
        if name.endswith((".csv", ".txt")):
            assert after[name] == before[name], name


def test_a_changed_prior_runs_everything(done: Path) -> None:
    override = '[priors.override.early_failure]\ndistribution = "beta"\nparameters = { a = 3, b = 57 }\n'
    override += 'interval_90 = [0.0140, 0.1029]\nstatus = "elicited"\nsource = "invented"\nrationale = "a test"\n'
    with (done / "study.toml").open("a", encoding="utf-8") as handle:
        handle.write(override)
    assert pipeline.run_study(read_study(done)).built == STAGES


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
    assert "report.txt" in out
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


def test_show_before_run_and_of_damaged_results(
    study: Path, done_once: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
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


# ------------------------------------------------------------------- interrupts, locks, progress


def _interrupt_at(stage: str, monkeypatch: pytest.MonkeyPatch) -> None:
    def stopped(desk: object) -> dict[str, str]:
        raise KeyboardInterrupt

    changed = tuple(
        stages.Stage(s.name, s.words, s.outputs, stopped if s.name == stage else s.build) for s in stages.STAGES
    )
    monkeypatch.setattr(pipeline, "STAGES", changed)


@pytest.mark.parametrize("stage", ["records", "simulate", "report"])
def test_an_interrupt_leaves_the_old_results_whole_and_the_next_run_goes_on(
    done: Path, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch, stage: str
) -> None:
    before = files_of(done / "results")
    file = done / "study.toml"
    file.write_text(file.read_text(encoding="utf-8").replace("[sampling]", "[condition]\nthreshold=50\n[sampling]"))
    with monkeypatch.context() as patch:
        _interrupt_at(stage, patch)
        status, out, err = said(capsys, "run", done)
    assert (status, out) == (130, "")
    assert err.splitlines()[-1] == "riskmodel: stopped. The earlier results are as they were."
    assert files_of(done / "results") == before
    assert said(capsys, "show", done)[0] == 0
    assert pipeline.run_study(read_study(done)).built == STAGES[STAGES.index(stage) :]
    assert not (done / "results/.unfinished").exists()
    assert pipeline.run_study(read_study(done)).built == ()


def test_fresh_does_not_go_on_with_what_was_left(done: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    with monkeypatch.context() as patch:
        _interrupt_at("tables", patch)
        with pytest.raises(KeyboardInterrupt):
            pipeline.run_study(read_study(done), fresh=True)
    assert (done / "results/.unfinished/posterior.nc").is_file()
    assert pipeline.run_study(read_study(done), fresh=True).built == STAGES


def test_left_overs_of_a_run_that_is_not_wanted_any_more_are_cleared(
    done: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    before = files_of(done / "results")
    with monkeypatch.context() as patch:
        _interrupt_at("tables", patch)
        with pytest.raises(KeyboardInterrupt):
            pipeline.run_study(read_study(done), fresh=True)
    assert pipeline.run_study(read_study(done)).built == ()
    assert files_of(done / "results") == before


def test_a_hand_over_cut_short_is_carried_on_by_the_next_command(
    done: Path, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    file = done / "study.toml"
    file.write_text(file.read_text(encoding="utf-8").replace("seed = 1", "seed = 2"))
    real, moved = os.replace, []

    def replace(source: Path, target: Path) -> None:
        if Path(source).parent.name == ".unfinished" and Path(target).parent.name == "results":
            if moved:
                raise KeyboardInterrupt
            moved.append(target)
        real(source, target)

    with monkeypatch.context() as patch:
        patch.setattr(os, "replace", replace)
        with pytest.raises(KeyboardInterrupt):
            pipeline.run_study(read_study(done))
    assert said(capsys, "show", done)[0] == 0
    assert not (done / "results/.unfinished").exists()
    assert json.loads((done / "results/provenance.json").read_text())["seed"] == 2
    assert pipeline.run_study(read_study(done)).built == ()


@pytest.fixture
def long_run(done: Path) -> Iterator[subprocess.Popen[str]]:
    """A run in a process of its own, caught in its simulation."""
    file = done / "study.toml"
    file.write_text(file.read_text(encoding="utf-8").replace("draws = 20", "draws = 500"))
    process = subprocess.Popen(
        [sys.executable, "-u", "-m", "riskmodel", "run", str(done)],
        stderr=subprocess.PIPE,
        stdout=subprocess.PIPE,
        text=True,
    )
    assert process.stderr is not None
    while not process.stderr.readline().startswith("Calibrating"):
        assert process.poll() is None
    yield process
    process.kill()
    process.communicate()


@pytest.mark.skipif(os.name == "nt", reason="Windows has no such signal")
def test_ctrl_c_ends_with_status_130_and_one_line(done: Path, long_run: subprocess.Popen[str]) -> None:
    before = files_of(done / "results")
    long_run.send_signal(signal.SIGINT)
    _, err = long_run.communicate(timeout=60)
    assert long_run.returncode == 130
    assert err.strip() == "riskmodel: stopped. The earlier results are as they were."
    assert files_of(done / "results") == before


def test_a_second_run_is_refused_and_a_killed_one_can_be_repeated(
    done: Path, long_run: subprocess.Popen[str], capsys: pytest.CaptureFixture[str]
) -> None:
    before = files_of(done / "results")
    status, _, err = said(capsys, "run", done)
    assert status == 2
    assert "another run is at work" in err
    long_run.kill()
    long_run.communicate()
    assert files_of(done / "results") == before
    file = done / "study.toml"
    file.write_text(file.read_text(encoding="utf-8").replace("draws = 500", "draws = 30"))
    assert pipeline.run_study(read_study(done)).built == STAGES[2:]


def test_an_up_to_date_study_can_be_shown_while_a_run_holds_it(done: Path, capsys: pytest.CaptureFixture[str]) -> None:
    with lock_folder(done / "results"):
        assert said(capsys, "show", done)[0] == 0
        assert pipeline.run_study(read_study(done)).built == ()
        with pytest.raises(StoreError, match="another run is at work"):
            pipeline.run_study(read_study(done), fresh=True)


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


# ---------------------------------------------------------------------------------- with records


SECTIONS = "section,opened,bond,base,contractor,prompt_sawing,removed,removal_reason,cause\n" + "".join(
    f"S{i},20{i:02d}-05-01,unbonded,{base},C{i % 3},{i % 2},{removed}\n"
    for i, (base, removed) in enumerate(
        [("concrete", ",,"), ("asphalt", ",,"), ("composite", "2015-03-01,condition,random_cracking")] * 4, start=1
    )
)
SURVEYS = "section,surveyed,pci\n" + "".join(f"S{i},20{i + 4:02d}-06-01,{96 - i}\n" for i in range(1, 6))


@pytest.fixture
def recorded(tmp_path: Path) -> Path:
    folder = write_study(tmp_path / "north", f"[records]\nsections = 's.csv'\nsurveys = 'v.csv'\n{FEW}")
    (folder / "s.csv").write_text(SECTIONS)
    (folder / "v.csv").write_text(SURVEYS)
    return folder


def _calibrated_from_priors(records: object, priors: object, **settings: object) -> calibration.Calibration:
    """Draws from the priors, effects narrowed by a quarter, as if they had been sampled: for the stages around it."""
    prior = calibration.prior_draws(priors, sampling=settings["sampling"], records=records).posterior
    posterior = prior.assign(delta=0.75 * prior["delta"] + 0.25 * prior["delta"].mean(("chain", "draw")))
    half = posterior.sizes["draw"] // 2
    chains = [posterior.isel(draw=part).drop_vars(("chain", "draw")) for part in (slice(half), slice(half, 2 * half))]
    check = calibration.Check("R-hat", 1.0, 1.01, True, "", "")
    tree = xr.DataTree.from_dict({"posterior": xr.concat(chains, "chain"), "prior": prior})
    tree.attrs["gate"] = json.dumps([check.__dict__])
    return calibration.Calibration(tree, calibration.Gate((check,)), prior_only=False)


@pytest.mark.filterwarnings("ignore:invalid value:RuntimeWarning:arviz_stats")  # R-hat of an element that is fixed
def test_a_study_with_records(
    recorded: Path, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(calibration, "calibrate", _calibrated_from_priors)
    assert said(capsys, "check", recorded)[::2] == (0, "")
    status, _, err = said(capsys, "run", recorded)
    assert status == 0, err
    page = (recorded / "results/report.txt").read_text(encoding="utf-8")
    assert "PRIORS ONLY" not in page
    assert "the 12 sections of the records" in page
    assert "Sampler gate passed: R-hat 1, limit 1.01." in " ".join(page.split())
    assert "narrowed its effect by 25 %" in " ".join(page.split())
    content = json.loads((recorded / "results/provenance.json").read_text())
    assert {"sections/s.csv", "surveys/v.csv"} <= set(content["inputs"])
    with (recorded / "results/tables/census.csv").open(newline="") as handle:
        rows = list(csv.DictReader(handle))
    assert next(row["value"] for row in rows if row["item"] == "sections") == "12"
    assert {row["basis"] for row in rows} == {"priors and records"}
    (recorded / "v.csv").write_text(SURVEYS.replace(",95\n", ",94\n"))
    expected = tuple(stage for stage in STAGES if stage != "priors")
    assert set(pipeline.run_study(read_study(recorded)).built) >= set(expected)


def test_warnings_on_the_way_are_shown_and_kept(
    recorded: Path, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    def warned(*positional: object, **named: object) -> calibration.Calibration:
        warnings.warn("the draws are few", RiskModelWarning, stacklevel=2)
        return _calibrated_from_priors(*positional, **named)

    monkeypatch.setattr(calibration, "calibrate", warned)
    status, _, err = said(capsys, "run", recorded)
    assert status == 0
    assert "Note: the draws are few" in err
    content = json.loads((recorded / "results/provenance.json").read_text())
    assert content["stages"]["calibrate"]["notes"] == ["the draws are few"]
    assert "Note: the draws are few" in (recorded / "results/report.txt").read_text()


@pytest.mark.slow
def test_too_few_draws_fail_the_real_gate_and_leave_nothing(recorded: Path) -> None:
    answer = command("run", recorded)
    assert answer.returncode == 2
    assert "failed the gate" in answer.stderr
    assert "Traceback" not in answer.stderr
    assert not (recorded / "results").exists()
