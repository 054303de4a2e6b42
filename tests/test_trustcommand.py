"""The stage and the command `trust`: tables, words, variants kept and found again. Fits are stand-ins."""

from __future__ import annotations

import json
import shutil
from dataclasses import replace
from pathlib import Path

import pandas as pd
import pytest
from runs import files_of, said
from surveyed import fitted

from riskmodel import pipeline
from riskmodel.calibrate import Check, Gate
from riskmodel.errors import StudyError
from riskmodel.study import read_study
from riskmodel.trustdesk import CHECKS, TRUST
from riskmodel.trustwords import short_lines, trust_lines
from riskmodel.variantdesk import FOLDER, VARIANTS, answer_trust
from riskmodel.verdicts import COLUMNS, FAILED, NOT_APPLICABLE, PASSED

TWO = ("no_selection", "one_path_exponent")
pytestmark = pytest.mark.filterwarnings("ignore:invalid value:RuntimeWarning:arviz_stats")


def counted(put: pytest.MonkeyPatch) -> list[int]:
    """Number of sections of every fit from now on."""
    seen: list[int] = []

    def calibrate(records, priors, **settings):  # type: ignore[no-untyped-def]
        seen.append(records.sections.sizes["section"])
        return fitted(records, priors, **settings)

    put.setattr("riskmodel.calibrate.calibrate", calibrate)
    return seen


def test_a_run_checks_the_model(run: Path) -> None:
    results = run / "results"
    checks = pd.read_csv(results / CHECKS)
    assert list(checks.columns) == [*COLUMNS, "basis"]
    assert set(checks["verdict"]) <= {PASSED, FAILED, NOT_APPLICABLE}
    assert checks["finding"].notna().all()
    assert checks.loc[checks["verdict"] == FAILED, "what_to_do"].notna().all()
    assert (checks["basis"] == "priors and records").all()
    noted = json.loads((results / "provenance.json").read_text())["stages"]["trust"]["outputs"]
    assert set(noted) == {name for name in TRUST if (results / name).is_file()}
    assert "tables/left_out.csv" in noted
    report = " ".join((results / "report.txt").read_text(encoding="utf-8").split())
    assert "Whether to believe it" in report
    assert "tables/trust.csv holds them all" in report
    assert "Deleting the poor performers" in report
    assert "Prevent every early failure, and mean life" in report
    page = (results / "brief.html").read_text(encoding="utf-8")
    assert "Checks of the model" in page
    assert "It proves no life beyond the ages seen" in page


def test_without_records_only_the_priors_are_weighed(done: Path) -> None:
    checks = pd.read_csv(done / "results" / CHECKS)
    assert checks["finding"].iloc[0].startswith("No record was used")
    assert set(checks["verdict"]) == {NOT_APPLICABLE}
    sensitivity = pd.read_csv(done / "results/tables/sensitivity.csv")
    assert "priors" in set(sensitivity["component"])
    assert "records" not in set(sensitivity["component"])


def test_the_command_fits_compares_and_keeps(
    run: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    fits = counted(monkeypatch)
    before = files_of(run / "results")
    line = ("trust", run, "--variants", ",".join(TWO), "--top", "2")
    status, out, err = said(capsys, *line)
    assert status == 0, err
    assert "Variant: one path exponent" in err
    assert out.startswith("Can the model be believed? Basis: priors and records.")
    assert "Other models of the same records" in out
    assert "it proves no life beyond the ages seen" in " ".join(out.split())
    assert max(map(len, out.split("\nTable:")[0].splitlines())) <= 79
    assert len(fits) == 2
    after = files_of(run / "results")
    added = {f"{FOLDER}/{name}.nc" for name in TWO} | {f"{FOLDER}/variants.json", VARIANTS}
    assert set(after) - set(before) == added
    assert {name: after[name] for name in before} == before
    table = pd.read_csv(run / "results" / VARIANTS)
    assert table["variant"].tolist() == list(TWO)
    assert table["difference"].notna().all()
    assert table[["early_failure_probability_mean", "restricted_mean_age_upper"]].notna().all(axis=None)
    assert said(capsys, *line)[0] == 0
    assert len(fits) == 2  # kept
    page = (run / "results/brief.html").read_text(encoding="utf-8")
    assert "Other models of the same records" not in page
    pipeline.remake(read_study(run), "brief")
    page = (run / "results/brief.html").read_text(encoding="utf-8")
    assert "Other models of the same records" in page
    assert (run / "results/figures/trust-variants.svg").is_file()


def test_an_interrupted_command_goes_on_where_it_stopped(
    run: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    fits = counted(monkeypatch)
    study = read_study(run)
    with monkeypatch.context() as patch:

        def stopped(records, priors, **settings):  # type: ignore[no-untyped-def]
            if fits:
                raise KeyboardInterrupt
            fits.append(0)
            return fitted(records, priors, **settings)

        patch.setattr("riskmodel.calibrate.calibrate", stopped)
        assert said(capsys, "trust", run, "--variants", ",".join(TWO))[0] == 130
    assert not (run / "results" / VARIANTS).exists()
    fits.clear()
    assert len(answer_trust(study, wanted=TWO).variants) == 2
    assert len(fits) == 1
    damaged = run / "results" / FOLDER / f"{TWO[0]}.nc"
    damaged.write_bytes(b"x" + damaged.read_bytes()[1:])
    answer_trust(study, wanted=TWO)
    assert len(fits) == 2  # told by its digest, and made anew


def test_what_a_variant_needs_is_fitted_with_it(run: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Models that do not know the causes on record are compared with the study's, fitted without them."""
    counted(monkeypatch)
    found = answer_trust(read_study(run), wanted=("one_early_mechanism",), thresholds=(50.0, 30.0)).variants
    assert found["variant"].tolist() == ["no_recorded_causes", "one_early_mechanism", "threshold_50", "threshold_30"]
    assert found["verdict"].iloc[0] == NOT_APPLICABLE
    assert found["against"].iloc[1] == "no_recorded_causes"
    assert "readings below 40" in found["finding"].iloc[3]


def test_a_variant_that_fails_its_gate_is_no_result(run: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    def failing(records, priors, **settings):  # type: ignore[no-untyped-def]
        made = fitted(records, priors, **settings)
        return replace(made, gate=Gate((Check("R-hat", 1.5, 1.02, False, "kappa", "longer"),)))

    monkeypatch.setattr("riskmodel.calibrate.calibrate", failing)
    found = answer_trust(read_study(run), wanted=("one_early_mechanism", "no_selection")).variants
    assert set(found["verdict"]) == {NOT_APPLICABLE}
    assert set(found["gate"]) == {"FAILED"}
    assert found[["difference", "early_failure_probability_mean"]].isna().all(axis=None)


def test_unknown_variants_are_refused_with_the_known_ones(run: Path, capsys: pytest.CaptureFixture[str]) -> None:
    status, out, err = said(capsys, "trust", run, "--variants", "no_selection,better")
    assert (status, out) == (2, "")
    assert "better" in err
    assert "one_path_exponent" in err
    with pytest.raises(StudyError, match="a variant of this study"):
        answer_trust(read_study(run), wanted=("none_such",))


def test_checks_alone_are_printed_at_once(done: Path, run: Path, capsys: pytest.CaptureFixture[str]) -> None:
    status, out, _ = said(capsys, "trust", done)
    assert status == 0
    assert "n/a     the model against the records" in out
    status, out, _ = said(capsys, "trust", run, "--variants", "none", "--csv")
    assert status == 0
    assert out.splitlines()[0] == ",".join([*COLUMNS, "basis"])


def test_results_that_are_out_of_date_are_refused(done: Path, capsys: pytest.CaptureFixture[str]) -> None:
    file = done / "study.toml"
    file.write_text(file.read_text(encoding="utf-8").replace("seed = 1", "seed = 2"), encoding="utf-8")
    assert "Bring them up to date" in said(capsys, "trust", done)[2]
    shutil.rmtree(done / "results")
    assert said(capsys, "trust", done)[0] == 2


# ------------------------------------------------------------------------------------- words


CHECKED = pd.DataFrame(
    {"check": ["one", "two", "three"], "verdict": [PASSED, FAILED, NOT_APPLICABLE],
     "finding": ["All is well.", "All is not.", "Nothing to ask."], "what_to_do": [None, "mend it", None]}
)  # fmt: skip


def test_failed_checks_stand_in_the_report() -> None:
    text = " ".join(short_lines(CHECKED))
    assert text.startswith("1 of 2 checks passed; 1 could not be made with these records.")
    assert "FAILED: two. All is not. To do: mend it." in text
    assert "one" not in text.split("FAILED")[1]


def test_words_of_a_check() -> None:
    lines = trust_lines(CHECKED, pd.DataFrame(), pd.DataFrame(), basis="priors and records", top=3)
    assert "FAILED  two" in lines
    assert "        To do: mend it." in lines
    assert "n/a     three" in lines
