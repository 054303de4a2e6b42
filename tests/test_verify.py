"""`verify`: whole, stale, damaged, missing, unfinished and unknown are told apart, and nothing is written."""

from __future__ import annotations

import json
from pathlib import Path

import pytest
from runs import said, write_study

from riskmodel.errors import StoreError
from riskmodel.store import JOURNAL, lock_folder
from riskmodel.study import read_study
from riskmodel.updatecommand import take_in
from riskmodel.verification import verify_study


def verified(capsys: pytest.CaptureFixture[str], folder: Path) -> tuple[int, str]:
    """Status and answer; no file may change, come or go."""
    before = {path: path.stat().st_mtime_ns for path in folder.rglob("*")}
    status, out, err = said(capsys, "verify", folder)
    assert err == ""
    assert {path: path.stat().st_mtime_ns for path in folder.rglob("*")} == before
    return status, out


def test_whole_results(done: Path, capsys: pytest.CaptureFixture[str]) -> None:
    status, out = verified(capsys, done)
    outputs = json.loads((done / "results/provenance.json").read_text())["stages"].values()
    count = sum(len(stage["outputs"]) for stage in outputs)
    assert (status, out) == (0, f"{count} files are those that were written; all is whole and up to date.\n")
    with lock_folder(done / "results"):
        assert verified(capsys, done)[0] == 0


@pytest.mark.parametrize("name", ["posterior.nc", "simulation.nc", "tables/causes.csv", "brief.html", "report.txt"])
@pytest.mark.parametrize("spoil", ["flipped", "truncated", "longer", "gone"])
def test_damage_is_named(done: Path, capsys: pytest.CaptureFixture[str], name: str, spoil: str) -> None:
    file = done / "results" / name
    good = file.read_bytes()
    middle = len(good) // 2
    if spoil == "gone":
        file.unlink()
    else:
        bad = {"flipped": good[:middle] + bytes([good[middle] ^ 4]) + good[middle + 1 :], "truncated": good[:middle],
               "longer": good + b"\n"}  # fmt: skip
        file.write_bytes(bad[spoil])
    status, out = verified(capsys, done)
    state = "missing" if spoil == "gone" else "damaged"
    assert (status, out.splitlines()[0].startswith(f"{state}: results/{name} (")) == (3, True)
    assert out.endswith("1 findings to mend.\n")


@pytest.mark.parametrize(
    ("old", "new", "told"),
    [
        ("draws = 20", "draws = 30", "setting sampling.draws"),
        ("[sampling]", "[condition]\nthreshold = 50\n[sampling]", "setting condition.threshold"),
        ("[sampling]", "[programme]\nscore_shift = { design = 0.2 }\n[sampling]", "setting score_shift.design"),
        ("[sampling]", "[priors.override.early_failure]\nrationale = 'x'\n[sampling]", "priors/[priors.override]"),
    ],
)  # fmt: skip
def test_what_changed_since_is_named(
    done: Path, capsys: pytest.CaptureFixture[str], old: str, new: str, told: str
) -> None:
    file = done / "study.toml"
    file.write_text(file.read_text(encoding="utf-8").replace(old, new), encoding="utf-8")
    status, out = verified(capsys, done)
    assert status == 3
    stale = [line for line in out.splitlines() if line.startswith("stale: ")]
    assert stale
    assert all(told in line for line in stale)


def test_a_changed_table_and_a_damaged_round_are_named(run: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert verified(capsys, run)[0] == 0
    (run.parent / "NEW.csv").write_text("section,surveyed,pci\nS1,2015-03-01,93\n")
    take_in(read_study(run), None, run.parent / "NEW.csv")
    status, out = verified(capsys, run)
    assert status == 3
    assert "changed since: rounds/2015-03-01" in out
    assert "stale: changes (it was not made" in out
    table = run / "rounds/2015-03-01/surveys.csv"
    table.write_text(table.read_text().replace("93", "94"))
    assert "damaged: rounds/2015-03-01/surveys.csv (" in verified(capsys, run)[1]
    with (run / "v.csv").open("a") as file:
        file.write("S2,2012-06-01,88\n")
    assert "rounds/2015-03-01, surveys/v.csv" in verified(capsys, run)[1]


def test_what_no_stage_made_is_unknown_and_does_not_count(done: Path, capsys: pytest.CaptureFixture[str]) -> None:
    (done / "results/notes.txt").write_text("mine")
    status, out = verified(capsys, done)
    words = "no stage of a run made it, so no digest is kept"
    assert (status, out.splitlines()[0]) == (0, f"unknown: results/notes.txt ({words})")


def test_a_hand_over_cut_short_is_told_and_left_alone(done: Path, capsys: pytest.CaptureFixture[str]) -> None:
    staging = done / "results/.unfinished"
    staging.mkdir()
    (staging / JOURNAL).write_text('{"files": []}')
    status, out = verified(capsys, done)
    assert (status, out.startswith("unfinished: results (")) == (3, True)


def test_no_results_and_those_of_others_are_refused(done: Path, tmp_path: Path) -> None:
    with pytest.raises(StoreError, match="there are no results in results yet"):
        verify_study(read_study(write_study(tmp_path / "other")))
    file = done / "study.toml"
    file.write_text(file.read_text(encoding="utf-8").replace("Overlays", "Others"), encoding="utf-8")
    with pytest.raises(StoreError, match="holds the results of another study"):
        verify_study(read_study(done))
