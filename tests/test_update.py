"""New rounds of records: taken in whole or not at all, weighed or fitted anew, and what they changed."""

from __future__ import annotations

import json
import os
import shutil
import signal
import subprocess
import sys
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd
import pytest
import surveyed
from pages import Elements
from runs import said, write_recorded

from riskmodel import calibrate as calibration
from riskmodel import pipeline
from riskmodel.changewords import way_lines
from riskmodel.desk import Desk
from riskmodel.errors import CalibrationError, InputError, StudyError
from riskmodel.recalibrate import calibration_of
from riskmodel.stages import STAGES
from riskmodel.study import read_study
from riskmodel.updatecommand import take_in

ROUND = "section,surveyed,pci\nS1,2005-06-01,95\nS1,2017-06-01,88\nS2,2017-06-02,90\n"


@pytest.fixture
def recorded(tmp_path: Path) -> Path:
    return write_recorded(tmp_path / "north")


def offered(folder: Path, surveys: str = "", sections: str = "", **options: object) -> object:
    """What `take_in` answers to tables given as text."""
    files = []
    for name, text in (("NEW_sections.csv", sections), ("NEW.csv", surveys)):
        (folder.parent / name).write_text(text)
        files.append(folder.parent / name if text else None)
    return take_in(read_study(folder), *files, **options)  # type: ignore[arg-type]


def state(folder: Path) -> dict[str, bytes]:
    """Files of the study besides its results and locks."""
    files = (path for path in sorted(folder.rglob("*")) if path.is_file() and path.name != ".lock")
    return {p.relative_to(folder).as_posix(): p.read_bytes() for p in files if "results" not in p.parts}


# ----------------------------------------------------------------------------------- what is taken in


def test_known_rows_are_recognised_and_new_ones_kept_as_they_came(recorded: Path) -> None:
    intake, closing, name = offered(recorded, ROUND)
    assert (intake.surveys_new, intake.surveys_known, intake.surveys_told) == (2, 1, 0)
    assert (str(closing), name) == ("2017-06-02", "2017-06-02")
    assert (recorded / "rounds/2017-06-02/surveys.csv").read_text() == ROUND
    again, _, name = offered(recorded, ROUND)
    assert (again.news, again.surveys_known, name) == (0, 3, "")
    assert [each.name for each in read_study(recorded).rounds] == ["2017-06-02"]
    _, _, name = offered(recorded, "section,surveyed,pci\nS4,2016-01-01,90\n")  # delivered late
    assert name == "2017-06-02-2"
    shutil.rmtree(recorded / "rounds")
    assert read_study(recorded).rounds == ()


def test_a_later_row_fills_and_narrows(recorded: Path) -> None:
    intake, _, _ = offered(recorded, sections="section,last_seen,trucks_per_day\nS1,2016-01-01,400\nS2,,300\n")
    assert (intake.sections_told, intake.sections_new) == (2, 0)
    later = "section,last_seen,removed,removal_reason,cause\nS1,2017-01-01,,,\nS2,,2017-03-01,condition,debonding\n"
    intake, closing, _ = offered(recorded, sections=later)
    assert (intake.sections_told, str(closing)) == (2, "2017-03-01")
    new = "section,opened,bond,base\nS20,2016-05-01,bonded,concrete\n"
    assert offered(recorded, sections=new)[0].sections_new == 1
    # a period of observation that goes on, then its end, then its cause: each fills or extends
    assert offered(recorded, sections="section,last_seen\nS1,2017-02-01\n")[0].sections_told == 1
    assert offered(recorded, sections="section,removed,removal_reason\nS1,2017-06-01,condition\n")[0].sections_told == 1
    assert offered(recorded, sections="section,cause\nS1,random_cracking\n")[0].sections_told == 1
    with pytest.raises(InputError, match=r"what is recorded stands, and .* says 2017-06-01"):
        offered(recorded, sections="section,removed\nS1,2017-08-01\n")  # another date is no later news
    # what is known already says nothing new
    assert offered(recorded, sections="section,last_seen\nS1,2016-06-01\n")[2] == ""


@pytest.mark.parametrize(
    ("surveys", "sections", "told"),
    [
        ("section,surveyed,pci\nS1,2005-06-01,80\n", "",
         "NEW.csv, row 2, `pci`: what is recorded stands, and v.csv, row 2 says 95; got '80'."),
        ("section,surveyed,pci\nS1,3/4/2017,80\n", "", "NEW.csv, row 2, `surveyed`: a date is written year-month-day"),
        ("section,surveyed,pci\nS1,2017-04-03,104\n", "", "NEW.csv, row 2, `pci`: the condition index lies between"),
        ("section,surveyed,pci\nS99,2017-04-03,80\n", "", "NEW.csv, row 2, `section`: the section is in s.csv"),
        ("section,surveyed,pci\nS3,2017-04-03,80\n", "",
         "NEW.csv, row 2, `surveyed`: a section is not surveyed after its removal"),
        ("section,surveyed,pci\nS1,2017-04-03,80\nS1,2017-04-03,80\n", "",
         "NEW.csv, row 3, `surveyed`: a section is surveyed once a day"),
        ("section,surveyed\nS1,2017-04-03\n", "", "NEW.csv, row 1, `pci`: the column is required"),
        ("", "section,opened,bond\nS20,2016-05-01,bonded\n", "NEW_sections.csv, row 1, `base`: the column is required"),
        ("", "section,opened,bond,base\nS20,2016-05-01,,concrete\n",
         "NEW_sections.csv, row 2, `bond`: the cell is empty and may not be"),
        ("", "section,removed,removal_reason\nS5,2008-05-01,condition\n",
         "NEW_sections.csv, row 2, `removed`: a section is not surveyed after its removal"),
        ("", "section,removed\nS5,2018-05-01\n", "NEW_sections.csv, row 2, `removal_reason`: a removal has a reason"),
        ("", "section,removed\nS3,2018-05-01\n", "what is recorded stands, and s.csv, row 4 says 2015-03-01"),
        ("", "section,last_seen\nS1,2000-05-01\n", "NEW_sections.csv, row 2, `last_seen`: a section is not last seen"),
        ("", "section,base\nS1,marble\n", "NEW_sections.csv, row 2, `base`: base is one of"),
        ("", "section,frost\nS1,1\n", "NEW_sections.csv, row 1, `frost`: no such column is known"),
        ("", "section,contractor\nS1,C9\nS1,C9\n", "NEW_sections.csv, row 3, `section`: a section has one row"),
    ],
)  # fmt: skip
def test_new_rows_are_checked_as_the_first_ones_and_nothing_is_written(
    recorded: Path, surveys: str, sections: str, told: str
) -> None:
    before = state(recorded)
    with pytest.raises(InputError) as caught:
        offered(recorded, surveys, sections)
    assert told in str(caught.value)
    assert state(recorded) == before
    assert not (recorded / "rounds").exists()


def test_every_fault_is_told_at_once(recorded: Path) -> None:
    with pytest.raises(InputError) as caught:
        offered(recorded, "section,surveyed,pci\nS1,2005-06-01,80\nS1,x,7\n", "section,contractor\nS1,C7\n")
    assert len(caught.value.faults) == 3


def test_a_correction_replaces_and_says_so(recorded: Path) -> None:
    intake, _, name = offered(recorded, "section,surveyed,pci\nS1,2005-06-01,80\n", correct=True)
    assert intake.corrected == ("S1, `pci`: 95 (v.csv, row 2) to 80",)
    assert json.loads((recorded / "rounds" / name / "round.json").read_text())["corrects"] is True


def test_a_foreign_folder_among_the_rounds_is_refused(recorded: Path) -> None:
    (recorded / "rounds/2019-01-01").mkdir(parents=True)
    with pytest.raises(StudyError, match=r"rounds/2019-01-01.*a round is a folder named by its date"):
        read_study(recorded)


def test_an_update_needs_rows_and_records(recorded: Path, study: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert "new rows come in a file" in said(capsys, "update", recorded)[2]
    status, _, err = said(capsys, "update", study, "--surveys", recorded / "v.csv")
    assert (status, "the study has no table of sections" in err) == (2, True)


# ------------------------------------------------------------------------------------- with results


NARROW = "section,surveyed,pci\nS1,2015-03-01,93\n"


@pytest.mark.filterwarnings("ignore::RuntimeWarning:arviz_stats")
def test_a_round_is_weighed_told_and_undone(
    run: Path, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    first = (run / "results/posterior.nc").read_bytes()
    portfolios = pd.read_csv(run / "results/tables/portfolios.csv")
    monkeypatch.setattr("riskmodel.reweigh.LARGEST_K", 1e12)
    (run.parent / "NEW.csv").write_text(NARROW)
    status, out, err = said(capsys, "update", run, "--surveys", run.parent / "NEW.csv")
    assert status == 0, err
    assert "Surveys: 1 new, 0 of which more is known, 0 already there" in out
    assert "The draws of the last fit were weighted by what was recorded since." in out
    assert "Pareto k of the weights" in out
    assert "Look at a flagged section on site, with traffic control" in " ".join(out.split())
    facts = json.loads((run / "results/provenance.json").read_text())["stages"]["calibrate"]["facts"]
    assert (facts["way"], list(facts["fit_rounds"]), list(facts["rounds"])) == ("weighted", [], ["2015-03-01"])
    assert (run / "results/refit.nc").read_bytes() == first == (run / "results/former.nc").read_bytes()
    changes = pd.read_csv(run / "results/tables/changes.csv")
    assert {"parameter", "cause share", "life quantity", "gain", "rank"} == set(changes["kind"])
    drift = pd.read_csv(run / "results/tables/drift.csv")
    assert list(dict.fromkeys(drift["round"])) == ["start", "2015-03-01"]
    told_in_report_and_page(run, drift)
    assert pipeline.run_study(read_study(run)).built == ()
    shutil.rmtree(run / "rounds/2015-03-01")  # undone by hand
    pipeline.run_study(read_study(run))
    pd.testing.assert_frame_equal(pd.read_csv(run / "results/tables/portfolios.csv"), portfolios)
    assert not (run / "results/changes.txt").exists()
    assert 'id="round"' not in (run / "results/brief.html").read_text(encoding="utf-8")


def told_in_report_and_page(run: Path, drift: pd.DataFrame) -> None:
    """Both say what the round did to early failures; the page draws it and lists what to look at next."""
    early = drift[drift["quantity"] == "early_failure_probability"]["mean"]
    went = f"went from {100 * early.iloc[0]:.1f} to {100 * early.iloc[1]:.1f} of 100"
    report = (run / "results/report.txt").read_text(encoding="utf-8")
    assert "What the last round changed\n---" in report
    assert went in " ".join(report.split())
    page = Elements((run / "results/brief.html").read_text(encoding="utf-8"))
    assert {"round", "rounds-figure_1"} <= set(page.values("id"))
    assert went in page.text
    assert "What to look at next" in page.text
    assert (run / "results/figures/rounds.svg").is_file()


def calibrated(folder: Path) -> dict[str, Any]:
    """What the stage that calibrates notes of itself, made from the results that lie there."""
    desk = Desk(read_study(folder), folder / "results/.unfinished", progress=lambda *given: None)
    desk.published = json.loads((folder / "results/provenance.json").read_text())["stages"]
    desk.read_inputs()
    next(stage for stage in STAGES if stage.name == "calibrate").build(desk)
    return dict(desk.facts["calibrate"])


def test_a_correction_fits_anew_from_the_last_draws(run: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    asked: list[dict[str, object]] = []

    def noted(*given: Any, **settings: Any) -> calibration.Calibration:
        asked.append(settings)
        return surveyed.fitted(*given, **settings)

    monkeypatch.setattr(calibration, "calibrate", noted)
    offered(run, "section,surveyed,pci\nS1,2005-06-01,94\n", correct=True)
    facts = calibrated(run)
    words = " ".join(way_lines(facts))
    assert "fitted anew, started from the last fit's draws: round 2015-03-01 corrects what was recorded: S1" in words
    assert "start" in asked[0]


def test_weights_that_cannot_be_trusted_fit_anew(run: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("riskmodel.reweigh.LARGEST_K", -1e12)
    offered(run, NARROW)
    facts = calibrated(run)
    assert "NOT within the limit" in " ".join(way_lines(facts))
    assert "started from the last fit's draws: Pareto k" in " ".join(way_lines(facts))
    assert (facts["way"], list(facts["fit_rounds"])) == ("fit", ["2015-03-01"])


def test_too_few_effective_draws_fit_anew(run: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("riskmodel.reweigh.LARGEST_K", 1e12)
    monkeypatch.setattr("riskmodel.recalibrate._smallest", lambda gate, posterior: 300.0)
    offered(run, NARROW)
    facts = calibrated(run)
    assert facts["why"][0].startswith("effective sample size after weighting")


@pytest.mark.parametrize(
    "line",
    ["[condition]\nthreshold = 58\n", "[life]\nearly_age = 12\n", "[priors.override.measure.prompt_sawing.effect.1]\n"
     'from = "physics"\n'],
)  # fmt: skip
def test_a_changed_setting_or_prior_fits_anew(run: Path, line: str) -> None:
    offered(run, NARROW)
    file = run / "study.toml"
    file.write_text(file.read_text() + line)
    facts = calibrated(run)
    assert (facts["way"], facts["warm"]) == ("fit", False)
    assert facts["why"] == [
        "priors, measures in play, settings, first tables or the program changed since the last fit"
    ]


def wear_out_shape(folder: Path, quantiles: str | None) -> None:
    """Replace the prior of the wear-out shape, or take the replacement back."""
    file, own = folder / "study.toml", "[priors.override.wear_out.shape]\n"
    head, _, _ = file.read_text().partition(own)
    stated = 'family = "lognormal"\nunit = "dimensionless"\nstatus = "judgement"\nsource = "invented"\n'
    file.write_text(head if quantiles is None else f"{head}{own}quantiles = {{ {quantiles} }}\n{stated}")


def test_a_changed_prior_weighs_the_last_fit(
    run: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    """Weights are from the last fit, never from a weighted state, and the old priors bring back the fit itself."""
    monkeypatch.setattr("riskmodel.reweigh.LARGEST_K", 1e12)
    fit = (run / "results/posterior.nc").read_bytes()
    for quantiles in ("p05 = 2.5, p50 = 3.4, p95 = 4.62", "p05 = 2.27, p50 = 3.4, p95 = 5.1"):
        wear_out_shape(run, quantiles)
        assert said(capsys, "run", run)[0] == 0
        facts = json.loads((run / "results/provenance.json").read_text())["stages"]["calibrate"]["facts"]
        assert facts["way"] == "other priors"
        assert (run / "results/refit.nc").read_bytes() == fit
        page = " ".join((run / "results/report.txt").read_text().split())
        assert "effective sample size after weighting" in page
        assert "The draws are those of the last fit, weighted by what changed since" in page
        assert "weighted by the priors as they are now" in " ".join(way_lines(facts))
    weighed = calibration_of(run / "results/posterior.nc")
    assert weighed.gate is not None
    assert weighed.gate.passed
    offered(run, NARROW)  # a round on top of weighted draws: those of the fit were made under other priors
    facts = calibrated(run)
    assert facts["way"] == "fit"
    assert facts["why"][0].startswith("priors, measures in play, settings")
    shutil.rmtree(run / "rounds")
    wear_out_shape(run, None)
    assert calibrated(run)["way"] == "fit"


def test_a_prior_too_far_from_the_last_one_fits_anew(run: Path) -> None:
    wear_out_shape(run, "p05 = 9.8, p50 = 10.0, p95 = 10.2")
    facts = calibrated(run)
    assert facts["way"] == "fit"
    assert facts["why"][0] == "the priors changed since the last fit"
    assert any(why.startswith("Pareto k of the weights") for why in facts["why"])


# ---------------------------------------------------------------------------------------- killed

KILLED = """
import os, signal, sys
folder, delivered, last = os.path.realpath(sys.argv[1]), sys.argv[2], int(sys.argv[3])
import surveyed
from riskmodel import cli
def put(name, value):
    module, _, attribute = name.rpartition(".")
    __import__(module)
    setattr(sys.modules[module], attribute, value)
surveyed.stand_in(put)
put("riskmodel.reweigh.LARGEST_K", 1e12)
done = 0
def hook(event, given):
    global done
    writes = event == "open" and isinstance(given[1], str) and given[1] not in ("r", "rb")
    if writes or event in ("os.rename", "os.mkdir", "os.remove", "os.rmdir"):
        if isinstance(given[0], (str, os.PathLike)) and os.path.realpath(os.fspath(given[0])).startswith(folder):
            done += 1
            if done == last:
                os.kill(os.getpid(), signal.SIGKILL)
sys.addaudithook(hook)
try:
    cli.main(["update", folder, "--surveys", delivered])
finally:
    print("operations", done)
"""
"""An update that kills itself before its n-th operation on a file of the study; 0 counts them."""


def killed_at(folder: Path, delivered: Path, operation: int) -> subprocess.CompletedProcess[str]:
    line = [sys.executable, "-c", KILLED, str(folder), str(delivered), str(operation)]
    helpers = {**os.environ, "PYTHONPATH": str(Path(__file__).parent)}
    return subprocess.run(line, capture_output=True, text=True, timeout=120, check=False, env=helpers)


def operations(folder: Path, delivered: Path) -> int:
    """How many operations on files an update makes that nobody kills."""
    copy = Path(shutil.copytree(folder, folder.parent / "counted"))
    answer = killed_at(copy, delivered, 0)
    assert answer.returncode == 0, answer.stderr
    return int(answer.stdout.rsplit("operations ", 1)[1])


def kills(
    folder: Path, delivered: Path, places: list[int], monkeypatch: pytest.MonkeyPatch, *, finish: bool
) -> dict[str, int]:
    """Kill updates before their n-th file operation; each leaves the old round or the new one, whole."""
    monkeypatch.setattr("riskmodel.reweigh.LARGEST_K", 1e12)
    good = shutil.copytree(folder, folder.parent / "good")
    found = {"old": 0, "new": 0}
    for place in places:
        shutil.rmtree(folder)
        shutil.copytree(good, folder)
        assert killed_at(folder, delivered, place).returncode == -signal.SIGKILL
        study = read_study(folder)
        names = [each.name for each in study.rounds]
        assert names in ([], ["2015-03-01"])
        found["new" if names else "old"] += 1
        assert pipeline.show_results(study)  # the results open, of before or of after
        intake, _, name = take_in(study, None, delivered)
        assert bool(name) is not bool(names)
        assert intake.surveys_new == (0 if names else 1)
        if not finish:
            continue
        pipeline.run_study(read_study(folder))
        assert pipeline.run_study(read_study(folder)).built == ()
        assert sorted(p.name for p in (folder / "rounds").iterdir() if p.name != ".lock") == ["2015-03-01"]
        assert not (folder / "results/.unfinished").exists()
    return found


def test_killed_at_any_point_the_study_opens(run: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    (run.parent / "NEW.csv").write_text(NARROW)
    found = kills(run, run.parent / "NEW.csv", [8, 60], monkeypatch, finish=False)
    assert min(found.values()) > 0


@pytest.mark.slow
def test_killed_at_many_points(run: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    delivered = run.parent / "NEW.csv"
    delivered.write_text(NARROW)
    count = operations(run, delivered)
    assert count > 20
    rest = np.random.default_rng(1).integers(11, count + 1, 50)
    found = kills(run, delivered, [*range(1, 11), *(int(n) for n in rest)], monkeypatch, finish=True)
    assert min(found.values()) > 0


def test_a_delivery_is_kept_whole_or_not_at_all(recorded: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Every file operation of `keep_round` fails in turn."""
    before = state(recorded)
    for name in ("shutil.copyfile", "riskmodel.rounds.write_json", "os.rename"):
        with monkeypatch.context() as patch:
            patch.setattr(name, interrupted)
            with pytest.raises(KeyboardInterrupt):
                offered(recorded, ROUND)
        assert state(recorded) == before
    assert offered(recorded, ROUND)[2] == "2017-06-02"


def interrupted(*given: object, **named: object) -> None:
    raise KeyboardInterrupt


def test_a_warm_fit_that_fails_the_gate_is_made_again_from_the_priors(
    run: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    def fails_warm(*given: Any, **settings: Any) -> calibration.Calibration:
        if "start" in settings:
            raise CalibrationError("the sampler's draws failed the gate")
        return surveyed.fitted(*given, **settings)

    monkeypatch.setattr(calibration, "calibrate", fails_warm)
    offered(run, "section,surveyed,pci\nS1,2005-06-01,94\n", correct=True)
    facts = calibrated(run)
    assert (facts["way"], facts["warm"]) == ("fit", False)
    assert "started from the priors, since a start from the last fit's draws failed the gate" in facts["why"]


def test_a_second_round_is_weighed_from_the_last_fit_not_from_weighted_draws(
    run: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    monkeypatch.setattr("riskmodel.reweigh.LARGEST_K", 1e12)
    first = (run / "results/posterior.nc").read_bytes()
    for name, text in (("A.csv", NARROW), ("B.csv", "section,surveyed,pci\nS2,2016-03-01,91\n")):
        (run.parent / name).write_text(text)
        assert said(capsys, "update", run, "--surveys", run.parent / name)[0] == 0
        assert (run / "results/refit.nc").read_bytes() == first
    facts = json.loads((run / "results/provenance.json").read_text())["stages"]["calibrate"]["facts"]
    assert (facts["way"], list(facts["fit_rounds"]), len(facts["rounds"])) == ("weighted", [], 2)
    # both rounds at once give the same draws
    both = surveyed_draws(run)
    shutil.rmtree(run / "rounds")
    offered(run, NARROW + "S2,2016-03-01,91\n")
    pipeline.run_study(read_study(run))
    np.testing.assert_allclose(surveyed_draws(run), both)


def surveyed_draws(folder: Path) -> np.ndarray:
    return np.asarray(calibration_of(folder / "results/posterior.nc").posterior["early_failure"].values)
