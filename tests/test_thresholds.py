"""Other thresholds of the condition index: asked for, calibrated once, kept while they stand, told of.

Draws come from the priors, shifted by threshold: what is tested is the way there and back.
"""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd
import pytest
from runs import FEW, SURVEYS, calibrated_from_priors, said, write_recorded, write_study
from test_weighing import MONEY

from riskmodel import calibrate as calibration
from riskmodel import pipeline, stages
from riskmodel.errors import CalibrationError, StudyError
from riskmodel.store import load_tree
from riskmodel.study import read_study
from riskmodel.thresholds import parse_thresholds

pytestmark = pytest.mark.filterwarnings("ignore:invalid value:RuntimeWarning:arviz_stats")


@pytest.fixture
def seen(monkeypatch: pytest.MonkeyPatch) -> list[float]:
    """Thresholds at which something was calibrated; a higher one makes every measure useless."""
    found: list[float] = []

    def calibrated(records: Any, priors: object, **settings: Any) -> calibration.Calibration:
        found.append(records.condition.threshold)
        made = calibrated_from_priors(records, priors, **settings)
        if records.condition.threshold > 60:
            posterior = made.tree["posterior"].to_dataset()
            made.tree["posterior"].dataset = posterior.assign(delta=0.0 * posterior["delta"])
        return made

    monkeypatch.setattr(calibration, "calibrate", calibrated)
    return found


@pytest.fixture
def plain(monkeypatch: pytest.MonkeyPatch) -> None:
    """Runs without what takes long and has nothing to do with thresholds."""
    left = tuple(stage for stage in stages.STAGES if stage.name not in ("criticism", "trust", "brief"))
    monkeypatch.setattr(stages, "STAGES", left)
    monkeypatch.setattr(pipeline, "STAGES", left)


@pytest.fixture
def weighed(tmp_path: Path) -> Path:
    return write_recorded(tmp_path / "north", FEW + MONEY)


def rows(folder: Path) -> pd.DataFrame:
    table = pd.read_csv(folder / "results/tables/robustness.csv", dtype={"setting": str})
    return table[table["kind"] == "threshold"].set_index("setting")


def test_other_thresholds_are_calibrated_once_and_told(
    weighed: Path, seen: list[float], capsys: pytest.CaptureFixture[str]
) -> None:
    status, _, err = said(capsys, "run", weighed, "--thresholds", "70, 50")
    assert status == 0, err
    assert seen == [60.0, 50.0, 70.0]
    assert "Calibrating at a threshold of 50" in err
    found = rows(weighed)
    assert list(found.index) == ["50", "70"]
    # without effects nothing that costs saves
    assert found.loc["70", "first_place"] == "current_practice"
    assert found.loc["70", "saving"] == pytest.approx(0.0)
    posterior = load_tree(weighed / "results/thresholds/posterior_70.nc")["posterior"]
    assert np.all(posterior["delta"].values == 0.0)
    for name in ("report.txt", "brief.html"):
        page = " ".join((weighed / "results" / name).read_text(encoding="utf-8").split())
        assert "Calibrated anew at other thresholds of the condition index, first is at 50" in page
        assert "at 70 " in page
    content = json.loads((weighed / "results/provenance.json").read_text())
    assert content["command"] == "riskmodel run north --thresholds 50,70"
    assert content["settings"]["thresholds"] == [50.0, 70.0]


@pytest.mark.slow
@pytest.mark.usefixtures("plain")
def test_they_are_kept_while_they_stand(weighed: Path, seen: list[float], capsys: pytest.CaptureFixture[str]) -> None:
    assert said(capsys, "run", weighed, "--thresholds", "50")[0] == 0
    del seen[:]
    # nothing to do: asked for again, or not asked for
    assert pipeline.run_study(read_study(weighed)).built == ()
    assert said(capsys, "run", weighed, "--thresholds", "50")[0] == 0
    assert pipeline.open_results(read_study(weighed), needs=["decide", "report"]).study.thresholds == (50.0,)
    assert seen == []
    # another one joins, another rate weighs again, and neither calibrates anew what stands
    assert said(capsys, "run", weighed, "--thresholds", "40")[0] == 0
    file = weighed / "study.toml"
    file.write_text(file.read_text().replace("price_year", "discount_rate = 0.04\nprice_year"), encoding="utf-8")
    assert said(capsys, "run", weighed)[0] == 0
    assert seen == [40.0]
    assert list(rows(weighed).index) == ["40", "50"]
    # other records: without the option nothing is calibrated but the study itself
    (weighed / "v.csv").write_text(SURVEYS.replace(",95\n", ",94\n"))
    status, _, err = said(capsys, "run", weighed)
    assert status == 0
    assert seen == [40.0, 60.0]
    assert "--thresholds 40,50 makes it anew" in " ".join(err.split())
    assert rows(weighed).empty
    assert not list((weighed / "results").glob("thresholds/*"))
    assert "was not tried" in " ".join((weighed / "results/report.txt").read_text(encoding="utf-8").split())


@pytest.mark.usefixtures("plain", "seen")
def test_a_failed_gate_says_at_which_threshold(
    weighed: Path, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    made = calibration.calibrate

    def refused(records: Any, priors: object, **settings: Any) -> calibration.Calibration:
        if records.condition.threshold == 50:
            raise CalibrationError("the sampler's draws failed the gate")
        return made(records, priors, **settings)

    monkeypatch.setattr(calibration, "calibrate", refused)
    assert said(capsys, "run", weighed)[0] == 0
    before = (weighed / "results/report.txt").read_bytes()
    status, _, err = said(capsys, "run", weighed, "--thresholds", "50")
    assert (status, "at a threshold of 50 the sampler's draws failed the gate" in err) == (2, True)
    assert (weighed / "results/report.txt").read_bytes() == before


def test_every_impossible_threshold_is_named_before_anything_runs(
    tmp_path: Path, seen: list[float], capsys: pytest.CaptureFixture[str]
) -> None:
    folder = write_recorded(tmp_path / "s", f"[condition]\nremoval_level = 45\n{FEW}{MONEY}")
    status, _, err = said(capsys, "run", folder, "--thresholds", "40,60,120,70")
    assert (status, seen) == (2, [])
    said_of = " ".join(err.split())
    for words in ("above the threshold 40", "has this threshold already; got '60'", "lies between `lowest` 0"):
        assert words in said_of
    assert "'70'" not in said_of
    assert not (folder / "results").exists()


def test_records_that_another_threshold_contradicts_are_named(
    tmp_path: Path, seen: list[float], capsys: pytest.CaptureFixture[str]
) -> None:
    """A cause belongs to a failure; the section that states one was read at 55, a failure at 60 and none at 50."""
    folder = write_recorded(tmp_path / "s", FEW + MONEY)
    (folder / "s.csv").write_text("section,opened,bond,base,cause\nA,2001-05-01,unbonded,concrete,random_cracking\n")
    (folder / "v.csv").write_text("section,surveyed,pci\nA,2010-06-01,55\n")
    status, _, err = said(capsys, "run", folder, "--thresholds", "50,52")
    assert (status, seen) == (2, [])
    assert "(at a threshold of 50)" in err
    assert "(at a threshold of 52)" in err
    assert not (folder / "results").exists()


@pytest.mark.usefixtures("seen")
@pytest.mark.parametrize(("text", "match"), [(FEW + MONEY, "the study has none"), (FEW, "without costs there is none")])
def test_a_study_that_cannot_answer(tmp_path: Path, text: str, match: str, capsys: pytest.CaptureFixture[str]) -> None:
    folder = write_study(tmp_path / "s", text)
    status, _, err = said(capsys, "run", folder, "--thresholds", "50")
    assert status == 2
    assert match in " ".join(err.split())
    assert not (folder / "results").exists()


def test_what_is_typed() -> None:
    assert parse_thresholds("70, 50") == (50.0, 70.0)
    with pytest.raises(StudyError) as caught:
        parse_thresholds("50,fifty,50,")
    text = str(caught.value)
    for words in ("got 'fifty'", "got '50'", "Write --thresholds 50,70"):
        assert words in text
    with pytest.raises(StudyError, match="at most 8 thresholds"):
        parse_thresholds(",".join(map(str, range(40, 50))))
