"""The command `trial-sections` on a small finished study without records."""

from __future__ import annotations

from pathlib import Path

import pandas as pd
import pytest
from runs import FEW, command, files_of, said, write_study

from riskmodel.trialdesk import COLUMNS, TRIALS

ASKED = ("--measure", "internal_curing", "--sections", "3", "--years", "3", "--trials", "20")
FULL = (*ASKED, "--sections-per-year", "12", "--no-ordinary")


def test_it_tells_what_a_trial_is_worth_and_writes_the_table(done: Path, capsys: pytest.CaptureFixture[str]) -> None:
    price = ("--causes", "--worth", "1000", "--price", "internal_curing=150", "--cost", "500", "--survey-cost", "2")
    status, out, err = said(capsys, "trial-sections", done, *FULL, *price)
    assert status == 0
    assert "Valuing trials: " in err
    assert "What a trial of internal_curing is worth" in out
    assert "each worth 1,000, less the first cost of internal_curing 150, in money" in " ".join(out.split())
    assert "No first cost is counted for prompt_sawing." in " ".join(out.split())
    assert "It rests on priors only." in " ".join(out.split())
    assert "the cause of every removal is recorded" in " ".join(out.split())
    assert "licensed engineer decide" in out
    table = pd.read_csv(done / "results" / TRIALS)
    assert tuple(table.columns) == COLUMNS
    trial = table[table["subject"] == "trial of internal_curing"].set_index("quantity")["value"]
    assert trial["cost"] == pytest.approx(500 / 1.03 + sum(12 / 1.03 ** (1 + y) for y in (1, 2, 3)))
    assert trial["net_value"] == pytest.approx(trial["gain"] - trial["cost"])
    assert trial["evsi"] >= 0
    assert table.loc[table["quantity"] == "evpi", "value"].iloc[0] >= 0
    assert (table["basis"] == "priors only").all()
    assert table["simulation"].str.len().eq(12).all()


def test_ordinary_condition_data_and_the_same_numbers_twice(done: Path, capsys: pytest.CaptureFixture[str]) -> None:
    line = ("trial-sections", done, *ASKED, "--sections-per-year", "4", "--level", "0.8")
    status, out, _ = said(capsys, *line)
    assert status == 0
    assert "where chance decides which roads get the measure" in out
    assert "where the agency chooses which roads get the measure" in out
    first = (done / "results" / TRIALS).read_bytes()
    assert said(capsys, *line)[1] == out
    assert (done / "results" / TRIALS).read_bytes() == first
    assert b"ordinary data, assigned by chance: failures seen so far" in first


def test_refused_before_a_run(study: Path, capsys: pytest.CaptureFixture[str]) -> None:
    status, out, err = said(capsys, "trial-sections", study, *FULL)
    assert (status, out) == (2, "")
    assert "there are no results in results yet. Make them with `riskmodel run`." in err
    assert not (study / "results").exists()


def test_refused_when_results_are_stale_or_changed(done: Path, capsys: pytest.CaptureFixture[str]) -> None:
    before = files_of(done)
    write_study(done, FEW.replace("seed = 1", "seed = 2"))
    status, out, err = said(capsys, "trial-sections", done, *FULL)
    assert (status, out) == (2, "")
    assert "were made from other inputs, settings or another riskmodel" in err
    assert "Bring them up to date with `riskmodel run`" in err
    write_study(done)
    (done / "results/simulation.nc").write_bytes(b"something else")
    assert said(capsys, "trial-sections", done, *FULL)[0] == 2
    assert {n: b for n, b in files_of(done).items() if not n.endswith(".nc")} == {
        n: b for n, b in before.items() if not n.endswith(".nc")
    }


@pytest.mark.parametrize(
    ("options", "match"),
    [
        (("--measure", "sealing"), "does not play the measure 'sealing'; it plays prompt_sawing, internal_curing"),
        (("--measure", "internal_curing", "--price", "fabric=3"), "no portfolio holds fabric"),
        (("--measure", "internal_curing", "--price", "fabric", "--price", "x=-1"), "--price internal_curing=1200"),
        (("--measure", "internal_curing", "--price", "prompt_sawing=1", "--price", "prompt_sawing=2"), "one price"),
        (("--measure", "internal_curing", "--overlay-type", "thin"), "no prior file knows the overlay type 'thin'"),
        (("--measure", "internal_curing", "--sections", "0"), "0 is not in the range"),
        (("--measure", "internal_curing", "--cost", "-1"), "is not in the range"),
        ((), "Missing option '--measure'"),
    ],
)
def test_faults_of_the_question(
    done: Path, capsys: pytest.CaptureFixture[str], options: tuple[str, ...], match: str
) -> None:
    before = files_of(done)
    status, out, err = said(capsys, "trial-sections", done, "--sections-per-year", "12", "--no-ordinary", *options)
    assert (status, out) == (2, "")
    assert match in err
    assert files_of(done) == before


def test_without_records_the_size_of_the_programme_is_asked_for(done: Path, capsys: pytest.CaptureFixture[str]) -> None:
    status, _, err = said(capsys, "trial-sections", done, *ASKED)
    assert status == 2
    assert "State it: --sections-per-year 20" in err


def test_help_loads_nothing_heavy() -> None:
    found = command("trial-sections", "--help", options=("-X", "importtime"))
    assert found.returncode == 0
    assert "--section-cost" in found.stdout
    loaded = {line.rsplit("|", 1)[1].strip().split(".")[0] for line in found.stderr.splitlines() if "|" in line}
    assert not {"numpy", "xarray", "pandas", "pymc", "arviz_stats"} & loaded
