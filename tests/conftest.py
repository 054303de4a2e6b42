"""Studies that several test modules share."""

from __future__ import annotations

import shutil
from pathlib import Path

import pytest
from runs import write_recorded, write_study
from surveyed import stand_in

from riskmodel import pipeline
from riskmodel.study import read_study


@pytest.fixture
def study(tmp_path: Path) -> Path:
    return write_study(tmp_path / "north")


@pytest.fixture(scope="session")
def done_once(tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = write_study(tmp_path_factory.mktemp("done") / "north")
    pipeline.run_study(read_study(folder), command="riskmodel run north")
    return folder


@pytest.fixture
def done(done_once: Path, tmp_path: Path) -> Path:
    """A copy of a finished study."""
    return Path(shutil.copytree(done_once, tmp_path / "north"))


@pytest.fixture
def recorded(tmp_path: Path) -> Path:
    return write_recorded(tmp_path / "north")


@pytest.fixture(scope="session")
def run_once(tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = write_recorded(tmp_path_factory.mktemp("run") / "north")
    with pytest.MonkeyPatch.context() as patch:
        stand_in(patch.setattr)
        pipeline.run_study(read_study(folder))
    return folder


@pytest.fixture
def run(run_once: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    """A finished study with records, whose fit and likelihood are stand-ins."""
    stand_in(monkeypatch.setattr)
    return Path(shutil.copytree(run_once, tmp_path / "south"))
