"""The commands on a study with records that was really calibrated: a part of the demo. Invented data."""

from __future__ import annotations

import csv
import io
from pathlib import Path

import pandas as pd
import pytest
from runs import said, write_study

from riskmodel.watch import FITS_NOTHING
from riskmodel.watchdesk import WATCH

DEMO = Path(__file__).resolve().parent.parent / "studies" / "skelderay"
STUDY = """[records]
sections = "sections.csv"
surveys = "surveys.csv"
until = 2024-12-31
[sampling]
chains = 4
draws = 500
tune = 400
seed = 3
[portfolios]
measures = ["prompt_sawing"]
"""
KEPT = 70
NAME = "SK_swapped"


def rows_of(name: str) -> list[dict[str, str]]:
    return list(csv.DictReader(io.StringIO((DEMO / name).read_text(encoding="utf-8"))))


def part_of_the_demo(folder: Path) -> Path:
    """Some sections of the demo, and one more whose readings are those of two roads in turn."""
    write_study(folder, STUDY)
    sections = rows_of("sections.csv")[:KEPT]
    names = {row["section"] for row in sections}
    surveys = [row for row in rows_of("surveys.csv") if row["section"] in names]
    plain = {"section": NAME, "opened": "2000-06-01", "bond": "bonded", "base": "asphalt"}
    sections.append({**dict.fromkeys(sections[0], ""), **plain})
    for i, year in enumerate(range(2003, 2024, 2)):
        mixed = {"section": NAME, "surveyed": f"{year}-05-01", "pci": "96" if i % 2 else "64"}
        surveys.append({**dict.fromkeys(surveys[0], ""), **mixed})
    for name, rows in (("sections.csv", sections), ("surveys.csv", surveys)):
        out = io.StringIO()
        writer = csv.DictWriter(out, list(rows[0]), lineterminator="\n")
        writer.writeheader()
        writer.writerows(rows)
        (folder / name).write_text(out.getvalue(), encoding="utf-8")
    return folder


@pytest.mark.slow
def test_run_watch_planned(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    study = part_of_the_demo(tmp_path / "part")
    assert said(capsys, "run", study)[0] == 0
    status, out, _ = said(capsys, "watch", study, "--until", "2026-06-30")
    assert status == 0
    table = pd.read_csv(study / "results" / WATCH, dtype={"fits_nothing": str}).set_index("section")
    assert len(table) == KEPT + 1
    assert table.loc[NAME, "scatter_tail"] < FITS_NOTHING
    assert table["fits_nothing"].notna().sum() <= 2
    assert f"  {NAME}: its readings lie far off any path" in out
    (tmp_path / "next.csv").write_text(
        "section,opened,bond,base,trucks_per_day\nN1,2026-06-01,bonded,asphalt,900\n", encoding="utf-8"
    )
    status, out, err = said(capsys, "planned", study, tmp_path / "next.csv")
    assert status == 0
    assert "It rests on priors and records." in " ".join(out.split())
    assert "opening year" in out
    (study / "surveys.csv").write_text((study / "surveys.csv").read_text().replace(",64", ",65"))
    for line in (("watch", study), ("planned", study, tmp_path / "next.csv")):
        status, _, err = said(capsys, *line)
        assert status == 2
        assert "Bring them up to date with `riskmodel run`" in err
