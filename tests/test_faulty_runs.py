"""Runs killed, or met by a full disk or a read-only folder: results are old or new, whole, and the next run ends.

Most cases run in processes of their own (`faulty_runs`).
"""

from __future__ import annotations

import errno
import json
import os
import subprocess
import sys
from collections.abc import Callable
from datetime import datetime, tzinfo
from pathlib import Path
from typing import Any

import pytest
from runs import files_of

from riskmodel import pipeline, stages, store
from riskmodel.errors import StoreError
from riskmodel.study import read_study

HERE = Path(__file__).parent


def run_cases(folder: Path, fault: str, step: int) -> list[dict[str, Any]]:
    alone = {"PYTHONPATH": f"{HERE}{os.pathsep}{HERE.parent}", "OMP_NUM_THREADS": "1", "NUMBA_NUM_THREADS": "1"}
    line = [sys.executable, str(HERE / "faulty_runs.py"), str(folder), fault, "1", str(step)]
    answer = subprocess.run(
        line, capture_output=True, text=True, timeout=1800, check=False, env={**os.environ, **alone}
    )
    assert answer.returncode == 0, answer.stderr[-2000:]
    return [json.loads(line) for line in answer.stdout.splitlines()]


@pytest.mark.slow
@pytest.mark.parametrize(
    ("fault", "step", "least", "ends"),
    [
        ("killed", 2, 150, {"killed"}),
        ("any time", 1, 40, {"killed", "0"}),
        ("full", 12, 20, {"2", "0"}),
        ("full from then on", 25, 10, {"2"}),
        ("file size", 1, 5, {"2"}),
        ("read-only", 1, 1, {"2"}),
    ],
)
def test_results_stay_whole_and_the_next_run_ends(
    tmp_path: Path, fault: str, step: int, least: int, ends: set[str]
) -> None:
    lines = run_cases(tmp_path, fault, step)
    said = [line["said"] for line in lines if "said" in line]
    found = [line for line in lines if "end" in line]
    assert len(found) >= least
    for case in found:
        assert case["end"] in ends, (case, said)
        assert case["results"] in ("old", "new"), case
        assert case["state"] == (["stale"] if case["results"] == "old" else []), case
        assert (case["then"], case["litter"]) == ("new", []), case
    assert all("--out" in words or "Run the study again" in words for words in said)


# ------------------------------------------------------------------------------------- in this process


@pytest.fixture
def quick(done: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    """A finished study whose stages now write a word each, and its setting changed."""

    def build(name: str, outputs: tuple[str, ...]) -> Callable[[Any], dict[str, str]]:
        return lambda desk: {one: store.write_text(name, desk.staging / one) for one in outputs[:3]}

    changed = tuple(stages.Stage(s.name, s.words, s.outputs, build(s.name, s.outputs)) for s in stages.STAGES)
    monkeypatch.setattr(stages, "STAGES", changed)
    file = done / "study.toml"
    file.write_text(file.read_text(encoding="utf-8").replace("draws = 20", "draws = 30"), encoding="utf-8")
    return done


def failing_at(place: int, real: Callable[[int], None]) -> Callable[[int], None]:
    count = 0

    def fsync(handle: int) -> None:
        nonlocal count
        count += 1
        if count == place:
            raise OSError(errno.ENOSPC, os.strerror(errno.ENOSPC))
        real(handle)

    return fsync


@pytest.mark.parametrize("place", [1, 4, 9, 14, 20, 24])
def test_a_full_disk_leaves_the_old_results(quick: Path, monkeypatch: pytest.MonkeyPatch, place: int) -> None:
    before = files_of(quick / "results")
    with monkeypatch.context() as patch:
        patch.setattr(os, "fsync", failing_at(place, os.fsync))
        with pytest.raises(StoreError, match=r"cannot be written \(No space left on device\).*--out"):
            pipeline.run_study(read_study(quick))
    assert files_of(quick / "results") == before
    pipeline.run_study(read_study(quick))
    assert (quick / "results/posterior.nc").read_text() == "calibrate"
    assert pipeline.run_study(read_study(quick)).built == ()
    assert not (quick / "results/.unfinished").exists()


def test_what_a_stopped_run_left_may_be_damaged(quick: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    with monkeypatch.context() as patch:
        patch.setattr(os, "fsync", failing_at(12, os.fsync))
        with pytest.raises(StoreError):
            pipeline.run_study(read_study(quick))
    (quick / "results/.unfinished/provenance.json").write_text('{"schema": 1, "stages": [')
    assert pipeline.run_study(read_study(quick)).built == tuple(s.name for s in stages.stages_of(read_study(quick)))[2:]


@pytest.mark.parametrize("seconds", [0, 10**9, 4 * 10**9])
def test_dates_of_files_mean_nothing(done: Path, seconds: int) -> None:
    for path in done.rglob("*"):
        os.utime(path, (seconds, seconds))
    assert pipeline.run_study(read_study(done)).built == ()


@pytest.mark.parametrize("year", [1970, 2100])
def test_a_clock_set_back_or_forward_rebuilds_nothing_and_hides_nothing(
    done: Path, monkeypatch: pytest.MonkeyPatch, year: int
) -> None:
    class Clock(datetime):
        @classmethod
        def now(cls, tz: tzinfo | None = None) -> Clock:
            return cls(year, 1, 1, tzinfo=tz)

    monkeypatch.setattr(pipeline, "datetime", Clock)
    assert pipeline.run_study(read_study(done)).built == ()
    file = done / "study.toml"
    file.write_text(file.read_text(encoding="utf-8").replace("draws = 20", "draws = 30"), encoding="utf-8")
    assert pipeline.run_study(read_study(done)).built != ()
    provenance = json.loads((done / "results/provenance.json").read_text())
    assert str(year) in json.dumps(provenance["stages"])  # told as the clock said it
    monkeypatch.undo()
    assert pipeline.run_study(read_study(done)).built == ()


DAMAGE = [
    *("{", "[]", "", '"x"', "\x00", "[" * 100_000, '{"schema": "1"}', '{"schema": null}'),
    *('{"schema": 1, "stages": []}', '{"schema": 1, "stages": {"records": 3}}', '{"schema": 1, "study": 3}'),
    *('{"schema": 1, "stages": {"records": {"outputs": []}}}', '{"schema": 1, "settings": {"thresholds": "50"}}'),
]


@pytest.mark.parametrize("content", DAMAGE)
def test_damaged_provenance_is_refused_with_what_to_do(done: Path, content: str) -> None:
    (done / "results/provenance.json").write_text(content)
    before = files_of(done)
    for command in (pipeline.run_study, pipeline.show_results):
        with pytest.raises(StoreError, match=r"provenance\.json .*move them away and run the study again"):
            command(read_study(done))
    assert files_of(done) == before
