"""The stages of a run: what is skipped, what an interrupt leaves, who may hold a folder, a study with records."""

from __future__ import annotations

import csv
import json
import os
import signal
import subprocess
import sys
import warnings
from collections.abc import Iterator
from pathlib import Path

import pytest
from runs import HEAVY, STAGES, SURVEYS, calibrated_from_priors, command, files_of, loaded, said

from riskmodel import calibrate as calibration
from riskmodel import pipeline, stages
from riskmodel.errors import RiskModelWarning, StoreError
from riskmodel.store import lock_folder
from riskmodel.study import read_study

# -------------------------------------------------------------------------------------- skipping


def test_a_repeat_loads_no_sampler_and_touches_no_file(done: Path) -> None:
    before = {path: path.stat().st_mtime_ns for path in done.rglob("*")}
    answer = command("run", done, options=("-X", "importtime"))
    assert answer.returncode == 0
    lines = [line for line in answer.stderr.splitlines() if not line.startswith("import time:")]
    assert [line.rsplit(": ", 1)[1] for line in lines] == ["up to date"] * len(STAGES)
    assert not loaded(answer.stderr) & set(HEAVY)
    assert {path: path.stat().st_mtime_ns for path in done.rglob("*")} == before


@pytest.mark.parametrize(
    ("old", "new", "built"),
    [
        ("draws = 20", "draws = 30", STAGES[2:]),
        # the same measures in play: the simulation alone; without records a measure that no portfolio names is out
        ('"prompt_sawing", "internal_curing"', '"internal_curing", "prompt_sawing"', STAGES[3:]),
        ('"prompt_sawing", "internal_curing"', '"prompt_sawing"', STAGES[1:]),
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
        ("tables/exclusion.csv", STAGES[4:], "flipped"),
        ("tables/causes.csv", STAGES[5:], "flipped"),
        ("tables/census.csv", STAGES, "gone"),
        ("report.txt", STAGES[8:], "flipped"),
        ("brief.html", STAGES[9:], "flipped"),
        ("figures/causes.svg", STAGES[9:], "gone"),
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
    # the page states the command
    assert pipeline.run_study(read_study(done), command="riskmodel run north").built == built
    if not name.endswith(".nc"):
        assert file.read_bytes() == good


def test_a_changed_prior_runs_everything(done: Path) -> None:
    override = '[priors.override.early_failure]\ndistribution = "beta"\nparameters = { a = 3, b = 57 }\n'
    override += 'interval_90 = [0.0140, 0.1029]\nstatus = "elicited"\nsource = "invented"\nrationale = "a test"\n'
    with (done / "study.toml").open("a", encoding="utf-8") as handle:
        handle.write(override)
    assert pipeline.run_study(read_study(done)).built == STAGES


# ------------------------------------------------------------------- interrupts and locks


def _interrupt_at(stage: str, monkeypatch: pytest.MonkeyPatch) -> None:
    def stopped(desk: object) -> dict[str, str]:
        raise KeyboardInterrupt

    changed = tuple(
        stages.Stage(s.name, s.words, s.outputs, stopped if s.name == stage else s.build) for s in stages.STAGES
    )
    monkeypatch.setattr(stages, "STAGES", changed)


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


# a shell's background jobs ignore interrupts, and so would what they start
HEEDING = (
    "import runpy, signal; signal.signal(signal.SIGINT, signal.default_int_handler); "
    "runpy.run_module('riskmodel', run_name='__main__', alter_sys=True)"
)


@pytest.fixture
def long_run(done: Path) -> Iterator[subprocess.Popen[str]]:
    """A run in a process of its own, caught in its simulation."""
    file = done / "study.toml"
    file.write_text(file.read_text(encoding="utf-8").replace("draws = 20", "draws = 500"))
    process = subprocess.Popen(
        [sys.executable, "-u", "-c", HEEDING, "run", str(done)],
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


# ---------------------------------------------------------------------------------- with records


@pytest.mark.filterwarnings("ignore:invalid value:RuntimeWarning:arviz_stats")  # R-hat of an element that is fixed
def test_a_study_with_records(
    recorded: Path, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(calibration, "calibrate", calibrated_from_priors)
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
        return calibrated_from_priors(*positional, **named)

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
