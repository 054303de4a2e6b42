"""The commands `watch` and `planned` on small finished studies. Invented data."""

from __future__ import annotations

import csv
import io
import math
from datetime import date
from pathlib import Path
from types import SimpleNamespace

import pandas as pd
import pytest
from builders import priors
from runs import command, files_of, loaded, said
from test_likelihood import draws_of, records
from test_watch import posterior_of

from riskmodel import watchdesk
from riskmodel.model import build_model
from riskmodel.planned import COLUMNS
from riskmodel.watchdesk import WATCH
from riskmodel.watchwords import watch_lines

PLANNED = "section,bond,base,prompt_sawing,internal_curing\nN1,bonded,asphalt,0,0\nN2,unbonded,concrete,1,\n"


# ------------------------------------------------------------------------------- planned


def planned(folder: Path, text: str = PLANNED) -> Path:
    file = folder / "next_year.csv"
    file.write_text(text, encoding="utf-8")
    return file


def test_planned_tells_chance_drivers_measures_and_bonds(
    done: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    target = tmp_path / "chances.csv"
    status, out, err = said(capsys, "planned", done, planned(tmp_path), "--csv", target)
    assert status == 0
    assert "Weighing planned sections: " in err
    told = " ".join(out.split())
    assert "chance of failing before age 10, of 100" in told
    assert "It rests on priors only." in told
    assert "N1, bonded on asphalt: " in told
    assert "prompt_sawing not required" in told
    assert "On this base either bond is possible: " in told
    assert "licensed engineer decide" in told
    assert "caustic fresh concrete" in told
    table = pd.read_csv(target)
    assert tuple(table.columns) == (*COLUMNS, "basis")
    first = table[table["section"] == "N1"].set_index(["subject", "item"])["mean"]
    whole = first["early_failure", "planned"] - first["early_failure", "average section"]
    assert first["driver"].sum() == pytest.approx(whole, abs=1e-7)
    assert set(first["measure"].index) == {"prompt_sawing", "internal_curing"}


def test_a_table_of_planned_sections_is_read_as_strictly_as_records(
    done: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    before = files_of(done)
    faulty = "section,bond,base,prompt_sawing,removed\nN1,glued,asphalt,2,2020-01-01\nN1,bonded,asphalt,0,\n"
    status, out, err = said(capsys, "planned", done, planned(tmp_path, faulty), "--csv", tmp_path / "x.csv")
    assert (status, out) == (2, "")
    for part in ("glued", "row 2, `prompt_sawing`", "`removed`", "built sections"):
        assert part in err, part
    assert not (tmp_path / "x.csv").exists()
    assert files_of(done) == before


@pytest.mark.parametrize(
    ("text", "options", "match"),
    [
        ("section,bond,base\n", (), "holds no section"),
        (PLANNED, ("--csv", "x.txt"), "ends in .csv"),
        (None, (), "does not exist"),
    ],
)
def test_faults_of_planned(
    done: Path,
    tmp_path: Path,
    capsys: pytest.CaptureFixture[str],
    text: str | None,
    options: tuple[str, ...],
    match: str,
) -> None:
    file = tmp_path / "next_year.csv" if text is None else planned(tmp_path, text)
    status, out, err = said(capsys, "planned", done, file, *options)
    assert (status, out) == (2, "")
    assert match in err


def test_measures_that_the_study_does_not_play_are_told(
    done: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    text = "section,bond,base,drainage\nN1,bonded,asphalt,1\n"
    status, out, err = said(capsys, "planned", done, planned(tmp_path, text))
    assert status == 0
    assert "neither records nor plays drainage" in " ".join((out + err).split())


def test_names_cannot_move_a_terminal_or_run_in_a_spreadsheet(
    done: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    text = 'section,bond,base\n"=HYPERLINK(""x"")",bonded,asphalt\n'
    target = tmp_path / "chances.csv"
    assert said(capsys, "planned", done, planned(tmp_path, text), "--csv", target)[0] == 0
    cells = [row[0] for row in csv.reader(io.StringIO(target.read_text()))][1:]
    assert all(cell.startswith("'=") for cell in cells)


def test_refused_without_a_run(study: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    for line in (("planned", study, planned(tmp_path)), ("watch", study)):
        status, out, err = said(capsys, *line)
        assert (status, out) == (2, "")
        assert "Make them with `riskmodel run`" in err


# ------------------------------------------------------------------------------- watch


def test_without_records_there_is_nothing_to_watch(done: Path, capsys: pytest.CaptureFixture[str]) -> None:
    status, _, err = said(capsys, "watch", done)
    assert status == 2
    assert "no section on record, so there is nothing to watch" in err
    assert "riskmodel planned" in err


@pytest.fixture
def watched(done: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    """A finished study with records; one draw stands for the posterior, as sampling takes too long here."""
    p, r = priors(), records(16)
    r.until = date(2025, 1, 1)
    r.sections = r.sections.assign_coords(section=["=1+1", "\x1b[31mred", *r.sections["section"].values[2:]])
    model = build_model(r, p)
    calibration = SimpleNamespace(posterior=posterior_of(model, draws_of(model, 1)))
    desk = SimpleNamespace(records=r, priors=p, calibration=calibration, basis="priors and records")
    monkeypatch.setattr(watchdesk, "open_results", lambda *arguments, **options: desk)
    return done


def test_watch_prints_the_first_and_writes_all(watched: Path, capsys: pytest.CaptureFixture[str]) -> None:
    status, out, _ = said(capsys, "watch", watched, "--until", "2027-01-01", "--top", "3")
    assert status == 0
    told = " ".join(out.split())
    assert "by the chance of reaching pci 60 by 2027-01-01" in told
    assert "A watch list is no inspection" in told
    assert "licensed engineer decide" in told
    assert "inside a protected closure" in told
    assert "\x1b" not in out
    table = pd.read_csv(watched / "results" / WATCH)
    assert len(table) == 16
    assert table["years_ahead"].to_numpy() == pytest.approx(2.0, abs=0.002)
    assert (table["basis"] == "priors and records").all()
    rows = [line for line in out.splitlines() if line.startswith("  ") and "section" not in line]
    assert len(rows) == 3
    assert "'=1+1" in set(table["section"])


def test_watch_as_csv(watched: Path, capsys: pytest.CaptureFixture[str]) -> None:
    status, out, _ = said(capsys, "watch", watched, "--years", "3", "--csv")
    assert status == 0
    assert "\x1b" not in out
    assert out == (watched / "results" / WATCH).read_text(encoding="utf-8").replace("\x1b", "\N{REPLACEMENT CHARACTER}")
    later = pd.read_csv(watched / "results" / WATCH).set_index("section")["reached_by_next"]
    assert said(capsys, "watch", watched)[0] == 0
    sooner = pd.read_csv(watched / "results" / WATCH).set_index("section")["reached_by_next"]
    later, both = later[sooner.index], sooner.notna()
    assert (later[both] >= sooner[both]).all()
    assert (later[both] > sooner[both]).any()


@pytest.mark.parametrize(
    ("options", "match"),
    [
        (("--until", "2024-06-01"), "after the records close (2025-01-01); got 2024-06-01"),
        (("--until", "June"), "does not match"),
        (("--years", "0"), "not in the range"),
        (("--years", "1", "--until", "2026-01-01"), "drop --until or --years"),
    ],
)
def test_faults_of_watch(
    watched: Path, capsys: pytest.CaptureFixture[str], options: tuple[str, ...], match: str
) -> None:
    status, out, err = said(capsys, "watch", watched, *options)
    assert (status, out) == (2, "")
    assert match in err
    assert not (watched / "results" / WATCH).exists()


def test_mistakes_are_listed() -> None:
    row = {
        "section": "A", "state": "in service", "age": 9.0, "last_index": math.nan, "reached_by_next": 0.2,
        "reached_already": 0.1, "remaining_mean": 9.0, "remaining_lower": 0.0, "remaining_upper": 20.0,
        "early_failure": 0.9, "likely_mechanism": "late cuts", "mechanism_chance": 0.8, "fits_nothing": "odd",
    }  # fmt: skip
    told = "\n".join(watch_lines(pd.DataFrame([row] * 12), survey="s", threshold="t", basis="b", top=2))
    assert "* 12 sections with records that the model gives less than one chance in a thousand" in " ".join(
        told.split()
    )
    assert "  A: odd" in told
    assert "and 2 more in the table" in told
    assert "80 % late cuts *" in told
    assert "9 (past to 20)" in told
    past = row | {"remaining_mean": 0.1, "remaining_upper": 0.3}
    assert "past the threshold" in "\n".join(watch_lines(pd.DataFrame([past]), survey="s", threshold="t", basis="b"))


def test_help_loads_nothing_heavy() -> None:
    for name in ("watch", "planned"):
        found = command(name, "--help", options=("-X", "importtime"))
        assert found.returncode == 0
        assert not {"numpy", "xarray", "pandas", "pymc"} & loaded(found.stderr)
