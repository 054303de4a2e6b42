"""Faulty files and odd paths met by the commands: status 2, the place, no traceback, nothing written."""

from __future__ import annotations

import os
import re
import subprocess
import sys
from datetime import date, timedelta
from pathlib import Path

import pytest
from bad_input import KINDS, PRIORS, TOML_FILES, cases
from faulty_tables import REFUSED
from good_input import PLANNED, SECTIONS, STUDY, SURVEYS
from runs import command, files_of, said

from riskmodel.errors import InputError, StudyError
from riskmodel.study import read_study

USED = STUDY.replace("[programme]", "[programme]\nsource = 'planned.csv'").replace(
    '[columns]\ndistrict = "region"', "[priors]\ndirectory = 'priors'"
)
GIVEN = {"later sections": ("update", "--sections"), "later surveys": ("update", "--surveys"), "answers": ("elicit",)}


def write_all(folder: Path) -> Path:
    """A study with every file that can be at fault."""
    (folder / "priors").mkdir(parents=True)
    for file in PRIORS.glob("*.toml"):
        (folder / "priors" / file.name).write_bytes(file.read_bytes())
    for table in (SECTIONS, SURVEYS, PLANNED):
        (folder / table.file).write_bytes(table.content)
    (folder / "study.toml").write_text(USED, encoding="utf-8")
    return folder


def line_for(kind: str, study: Path, content: bytes) -> list[str | Path]:
    """The command that meets a changed file, once the file lies where it is looked for."""
    good = KINDS[kind].good
    name = Path(good.file).name
    if kind not in GIVEN:
        file = study / ("priors" if kind in TOML_FILES else "") / name
        file.write_bytes(content)
        return ["check", study]
    file = study.parent / name
    file.write_bytes(content)
    if kind == "answers":
        return ["elicit", "prompt_sawing", file, "--to", study.parent / "out.toml"]
    return ["update", study, GIVEN[kind][1], file]


def check_answer(status: int, out: str, err: str, told: str) -> None:
    assert (status, out) == (2, ""), err
    assert "Traceback" not in err
    assert re.search(told.replace("rounds/", ""), err, re.DOTALL), f"{told} not in {err}"


def faults_of(kind: str, count: int) -> list[tuple[bytes, str]]:
    """The first changes of a kind that must be refused."""
    found = [(c.content, c.told) for _, m, c in cases(kind, 3 * count) if m.verdict == REFUSED]
    return found[:count]


def meet(folder: Path, capsys: pytest.CaptureFixture[str], kind: str, count: int) -> int:
    study = write_all(folder / "north")
    kept = {name: (study / name).read_bytes() for name in files_of(study)}
    for content, told in faults_of(kind, count):
        for name, text in kept.items():
            (study / name).write_bytes(text)
        line = line_for(kind, study, content)
        before = files_of(folder)
        check_answer(*said(capsys, *line), told)
        assert files_of(folder) == before
    return count


@pytest.mark.parametrize("kind", ["sections", "later surveys", "answers", "study", "life.toml"])
def test_commands_refuse_and_write_nothing(tmp_path: Path, capsys: pytest.CaptureFixture[str], kind: str) -> None:
    assert meet(tmp_path, capsys, kind, 3) == 3


@pytest.mark.slow
@pytest.mark.parametrize("kind", KINDS)
def test_commands_refuse_two_hundred_faults(tmp_path: Path, capsys: pytest.CaptureFixture[str], kind: str) -> None:
    count = 10 if kind in TOML_FILES else 25
    assert meet(tmp_path, capsys, kind, count) == count


@pytest.mark.slow
@pytest.mark.parametrize("kind", KINDS)
def test_processes_of_their_own_refuse_faults(tmp_path: Path, kind: str) -> None:
    for number, (content, told) in enumerate(faults_of(kind, 2)):
        study = write_all(tmp_path / str(number) / "north")
        answer = command(*line_for(kind, study, content))
        check_answer(answer.returncode, answer.stdout, answer.stderr, told)


# ------------------------------------------------------------------------------------- odd paths


@pytest.mark.parametrize(
    "name", ["with space", "Überlagen \u6f22", "-dash", "new\nline", "x" * 250, "a=b;c'\"d", "%s{0}"]
)
def test_a_study_may_lie_anywhere(tmp_path: Path, capsys: pytest.CaptureFixture[str], name: str) -> None:
    study = write_all(tmp_path / name)
    status, out, err = said(capsys, "check", "--", study)
    assert (status, err) == (0, "")
    assert "8 " in out


def spoil(file: Path, how: str) -> None:
    """Put something in the place of a file that is none."""
    file.unlink()
    if how == "gone":
        return
    if how == "a folder":
        file.mkdir()
    elif how == "a pipe":
        os.mkfifo(file)
    elif how == "a link to nothing":
        file.symlink_to("nowhere")
    elif how == "a link to itself":
        file.symlink_to(file.name)
    elif how == "a device":
        file.symlink_to("/dev/zero")


ODD_FILES = ("gone", "a folder", "a pipe", "a link to nothing", "a link to itself", "a device")


@pytest.mark.parametrize("how", ODD_FILES)
@pytest.mark.parametrize("name", ["sections.csv", "surveys.csv", "planned.csv", "study.toml"])
def test_what_is_no_file_is_refused(tmp_path: Path, capsys: pytest.CaptureFixture[str], name: str, how: str) -> None:
    study = write_all(tmp_path / "north")
    spoil(study / name, how)
    check_answer(*said(capsys, "check", study), re.escape(name))


@pytest.mark.parametrize("how", ODD_FILES)
@pytest.mark.parametrize("kind", GIVEN)
def test_what_is_given_and_no_file_is_refused(
    tmp_path: Path, capsys: pytest.CaptureFixture[str], kind: str, how: str
) -> None:
    study = write_all(tmp_path / "north")
    name = Path(KINDS[kind].good.file).name
    line = line_for(kind, study, b"x")
    before = files_of(study)
    spoil(study.parent / name, how)
    check_answer(*said(capsys, *line), re.escape(name))
    assert files_of(study) == before


def test_links_to_files_are_followed(tmp_path: Path) -> None:
    study = write_all(tmp_path / "north")
    for name in ("sections.csv", "study.toml"):
        (study / name).rename(tmp_path / name)
        (study / name).symlink_to(tmp_path / name)
    assert read_study(study).sections == study / "sections.csv"


@pytest.mark.parametrize("name", ["\u00e4" * 200, "a/" * 90 + "b", "../" * 60, "/", ".", "~"])
def test_odd_names_of_tables_are_refused(tmp_path: Path, name: str) -> None:
    (tmp_path / "study.toml").write_text(f"schema = 1\n[records]\nsections = '{name}'\n", encoding="utf-8")
    with pytest.raises(StudyError, match=r"`records\.sections`: the file exists"):
        read_study(tmp_path)


# ------------------------------------------------------------------------------------- large tables

LARGE = """
import resource, sys
from pathlib import Path
sys.path.insert(0, sys.argv[2])
from test_bad_input_commands import read_large
print(read_large(Path(sys.argv[1])), resource.getrusage(resource.RUSAGE_SELF).ru_maxrss)
"""


def write_large(folder: Path, *, faulty: bool) -> None:
    """A thousand sections, each read a thousand times."""
    opened = date(1990, 1, 1)
    head = "section,opened,bond,base\n"
    (folder / "sections.csv").write_text(head + "".join(f"S{i},{opened},bonded,asphalt\n" for i in range(1000)))
    days = [opened + timedelta(days=7 * n + 1) for n in range(1000)]
    index = "x" if faulty else "90"
    with (folder / "surveys.csv").open("w") as file:
        file.write("section,surveyed,pci\n")
        file.writelines(f"S{i},{day},{index}\n" for i in range(1000) for day in days)


def read_large(folder: Path) -> str:
    """Number of readings, or of faults and the first and last line of their message."""
    from bad_input import words

    from riskmodel.records import read_records

    try:
        return str(read_records(folder / "sections.csv", folder / "surveys.csv", vocabulary=words()).readings.sizes)
    except InputError as error:
        lines = str(error).splitlines()
        return f"{len(error.faults)} {len(lines)} {lines[0]} {lines[-1]}"


@pytest.mark.slow
@pytest.mark.parametrize(
    ("faulty", "told"),
    [
        (False, "'reading': 1000000"),
        (True, "1000000 41 surveys.csv, row 2, `pci`: the cell is a number or empty; got 'x'. Correct it. "
               "and 999960 more faults"),
    ],
)  # fmt: skip
def test_a_million_rows(tmp_path: Path, faulty: bool, told: str) -> None:
    write_large(tmp_path, faulty=faulty)
    line = [sys.executable, "-c", LARGE, str(tmp_path), str(Path(__file__).parent)]
    answer = subprocess.run(line, capture_output=True, text=True, timeout=300, check=True)
    assert told in answer.stdout
    assert int(answer.stdout.split()[-1]) < 3_000_000  # kB: half of a small machine's memory
