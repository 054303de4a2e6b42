"""The direct questions on the command line: amounts as people type them, faults together, files whole or not at all."""

from __future__ import annotations

import csv
import os
from pathlib import Path

import numpy as np
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from runs import HEAVY, command, files_of, loaded, said
from scipy import constants

from riskmodel import ask, cli, store
from riskmodel.amounts import UNITS, Amount, Rule, amount, clock_text, read_clock, rounded, worded
from riskmodel.answers import CAUTIONS
from riskmodel.errors import Faults, StoreError
from riskmodel.options import CORES, CURING, SAWING
from riskmodel.questions import BASES

SAW = (
    "sawing", "--cement", "565lb/yd3", "--w-cm", "0.42", "--thickness", "8in", "--base", "crushed-stone",
    "--mix-temperature", "82F", "--air", "77F", "--swing", "14F", "--paving", "09:00", "--samples", "100",
)  # fmt: skip
CORE = ("cores", "--share", "5%", "--sensitivity", "100%", "--clustering", "0", "--chance", "95%")
CURE = ("curing-water", "--cement", "600lb/yd3", "--w-cm", "0.40", "--absorption", "18%", "--saturation", "100%")
WEATHER = "time,air_c,wind_m_s,humidity_percent,sun_w_m2\n"


def without(line: tuple[str, ...], *flags: str) -> list[str]:
    kept = list(line)
    for flag in flags:
        at = kept.index(flag)
        del kept[at : at + 2]
    return kept


def weather_file(folder: Path, days: int = 5) -> Path:
    rows = [f"2031-07-{14 + h // 24:02d}T{h % 24:02d}:00,{20 + 8 * np.cos((h - 15) * np.pi / 12):.2f},3,50,300"
            for h in range(24 * days)]  # fmt: skip
    path = folder / "station.csv"
    path.write_text(WEATHER + "\n".join(rows) + "\n", encoding="utf-8")
    return path


# -------------------------------------------------------------------------------------- amounts


@pytest.mark.parametrize(
    ("text", "kind", "expected"),
    [
        # unit identities of another library
        ("8in", "length", 8 * constants.inch),
        ("203.2 mm", "length", 8 * constants.inch),
        ("600 lb/yd3", "content", 600 * constants.pound / constants.yard**3),
        ("55lb/ft3", "density", 55 * constants.pound / constants.foot**3),
        ("82F", "temperature", constants.convert_temperature(82, "F", "C")),
        ("27.5 \N{DEGREE SIGN}C", "temperature", 27.5),
        ("27.5degc", "temperature", 27.5),
        ("18F", "difference", 10.0),
        ("-4F", "temperature", -20.0),
        ("7mph", "speed", 7 * constants.mph),
        ("36km/h", "speed", 10.0),
        ("435psi", "strength", 435 * constants.psi / 1e6),
        ("5 mi", "distance", 5 * constants.mile / 1000),
        ("45%", "share", 0.45),
        (".42", "number", 0.42),
    ],
)
def test_amounts_and_their_units(text, kind, expected):
    faults = Faults()
    found = amount("--x", text, Rule(kind, -1e6, 1e6, "1"), faults)
    assert not len(faults)
    assert (found.low, found.high) == pytest.approx((expected, expected), rel=1e-6)


def test_a_range_and_a_shift():
    faults = Faults()
    assert amount("--x", "22..28C", Rule("temperature", -25, 45, "1C"), faults) == Amount(22.0, 28.0)
    assert amount("--x", "-2..0", Rule("number", -5, 5, "1"), faults) == Amount(-2.0, 0.0)
    assert read_clock("--paving", "07:00 .. 15:30", faults) == Amount(7.0, 15.5)
    assert read_clock("--paving", "9:15", faults) == Amount(9.25, 9.25)
    assert not len(faults)


@pytest.mark.parametrize(
    ("text", "match"),
    [
        ("8", "a number and its unit are needed (mm, cm, m, in); got '8'. Write it as 200mm or 8in."),
        ("eight in", "a number and its unit are needed"),
        ("8 furlongs", "a number and its unit are needed"),
        ("nan", "a number and its unit are needed"),
        ("inf mm", "a number and its unit are needed"),
        ("8,5in", "a number and its unit are needed"),
        ("", "a number and its unit are needed"),
        ("-8in", "it lies between 1.9685 and 23.622 in; got '-8in'"),
        ("8m", "it lies between 0.05 and 0.6 m"),
        ("9..7in", "a range goes from low to high"),
        ("1e2mm", "a number and its unit are needed"),
    ],
)
def test_amounts_that_are_refused_teach(text, match):
    faults = Faults()
    assert amount("--thickness", text, Rule("length", 0.05, 0.6, "200mm or 8in"), faults) is None
    (fault,) = faults
    assert match in str(fault)
    assert str(fault).startswith("`--thickness`")


@pytest.mark.parametrize(
    ("text", "rule", "match"),
    [
        ("2.5", Rule("number", 1, 9, "3", whole=True), "a whole number is needed"),
        ("2..3", Rule("number", 1, 9, "3", ranged=False), "one value is needed, not a range"),
        ("0.5", Rule("share", 0, 1, "50%"), "a number and its unit are needed (%)"),
        ("0.4kg", Rule("number", 0, 1, "0.4"), "a plain number is needed"),
    ],
)
def test_rules_of_amounts(text, rule, match):
    faults = Faults()
    assert amount("--x", text, rule, faults) is None
    assert match in str(next(iter(faults)))


@pytest.mark.parametrize("text", ["9am", "25:00", "24:00", "09:60", "9", "07:00..", "a..b", "1:00..2:00..3:00", ""])
def test_clock_times_that_are_refused(text):
    faults = Faults()
    assert read_clock("--paving", text, faults) is None
    assert "a clock time of 24 hours is needed" in str(next(iter(faults)))


def test_a_shift_over_midnight_is_two_questions():
    faults = Faults()
    assert read_clock("--paving", "22:00..04:00", faults) is None
    assert "passes midnight" in str(next(iter(faults)))


@given(st.text(max_size=20), st.sampled_from(sorted(UNITS)))
def test_no_text_escapes_the_reader(text, kind):
    faults = Faults()
    found = amount("--x", text, Rule(kind, 0.1, 0.6, "0.5"), faults)
    clock = read_clock("--x", text, faults)
    assert found is None or 0.1 <= found.low <= found.high <= 0.6
    assert clock is None or 0 <= clock.low <= clock.high < 24
    assert len(faults) == (found is None) + (clock is None)


@given(st.floats(0.001, 9e5))
def test_rounded_keeps_three_digits(value):
    assert float(rounded(value)) == pytest.approx(value, rel=0.0051)
    assert "e" not in rounded(value)


def test_words_of_amounts():
    assert worded(Amount(0.2032, 0.2032), "length", "mm", "in") == "203 mm (8 in)"
    assert worded(Amount(2, 7), "strength", "MPa", "psi") == "2 to 7 MPa (290 to 1020 psi)"
    assert worded(Amount(-20, -20), "temperature", "C", "F") == "-20 C (-4 F)"
    assert rounded(0) == "0"
    assert [clock_text(hour) for hour in (9.0, 23.999, 26.25, 50)] == [
        "09:00", "00:00 next day", "02:15 next day", "02:00 2 days on",
    ]  # fmt: skip


# ------------------------------------------------------------------------------------- commands


@pytest.mark.parametrize("name", ["sawing", "cores", "curing-water"])
def test_help_is_light_and_lists_every_amount(name):
    answer = command(name, "--help", options=("-X", "importtime"))
    assert answer.returncode == 0
    assert not loaded(answer.stderr) & {*HEAVY, "numpy", "scipy", "pandas"}
    for asked in {"sawing": SAWING, "cores": CORES, "curing-water": CURING}[name]:
        assert asked.flag in answer.stdout


def test_bases_of_the_help_are_those_of_the_question():
    assert set(ask.BASE_WORDS) == set(BASES)


def test_every_example_of_an_option_is_accepted():
    for asked in (*SAWING, *CORES, *CURING):
        faults = Faults()
        for text in asked.rule.example.replace(",", " or").split(" or "):
            assert amount(asked.flag, text, asked.rule, faults) is not None, (asked.option, list(map(str, faults)))


def test_sawing_answers(capsys):
    status, out, err = said(capsys, *SAW)
    assert (status, err) == (0, "")
    for words in ("cement              335 kg/m3 (565 lb/yd3)", "earliest", "latest", "no window", "random crack",
                  "ravelling", "10:00", "level shift         -2 to 0"):  # fmt: skip
        assert words in out
    assert said(capsys, *SAW) == (0, out, "")
    assert said(capsys, *SAW, "--seed", "2")[1] != out


def test_units_do_not_change_the_answer(capsys, tmp_path):
    metric = (
        "sawing", "--cement", f"{565 * constants.pound / constants.yard**3:.9f}kg/m3", "--w-cm", "0.42", "--thickness",
        "203.2mm", "--base", "crushed_stone", "--mix-temperature", f"{50 / 1.8:.9f}C", "--air", "25C", "--swing",
        f"{14 / 1.8:.9f}C", "--paving", "9:00", "--samples", "100",
    )  # fmt: skip
    for name, line in (("us", SAW), ("si", metric)):
        assert said(capsys, *line, "--csv", tmp_path / f"{name}.csv")[0] == 0
    with (tmp_path / "us.csv").open() as us, (tmp_path / "si.csv").open() as si:
        for left, right in zip(csv.reader(us), csv.reader(si), strict=True):
            if left[0] == "hours_after_placing":
                assert left == right
            else:
                assert [float(cell) for cell in left] == pytest.approx([float(cell) for cell in right], rel=1e-4)


def test_cores_answer(capsys):
    # 95/95 -> 59, from memory
    status, out, err = said(capsys, *CORE, "--length", "5mi", "--joints", "100")
    assert (status, err) == (0, "")
    assert "59 cores: 11.8 a lane-mile (7.33 a lane-km)" in out
    assert "Of 100 joints, 45 opened" in out
    assert "confirm it before acting" in out


def test_curing_water_answer(capsys):
    # Concrete Construction magazine (page not seen): 600 lb, 18 %, 90 % -> 42 lb of water, 259 lb, 4.7 ft3
    status, out, err = said(capsys, *CURE, "--bulk-density", "55lb/ft3")
    assert (status, err) == (0, "")
    for words in ("24.9 kg/m3 (42 lb/yd3)", "154 kg/m3 (259 lb/yd3)", "4.71 ft3/yd3", "autogenous contraction"):
        assert words in out
    assert said(capsys, *CURE, "--bulk-density", "55lb/ft3")[1] == out
    short = said(capsys, *CURE, "--aggregate", "130lb/yd3", "--spread", "0")[1]
    assert "water supplied over needed    0.50 (nine in ten: 0.50 to 0.50)" in short


@pytest.mark.parametrize("line", [SAW, CORE, CURE])
def test_cautions_are_printed(capsys, line):
    out = " ".join(said(capsys, *line)[1].split())
    for words in ("ocal standards and a licensed engineer decide", "silica dust", "caustic", "live traffic"):
        assert words in out
    for text in CAUTIONS[line[0]]:
        assert text in out


def test_a_cold_day_points_to_another_saw(capsys):
    cold = [*without(SAW, "--mix-temperature", "--air"), "--mix-temperature", "10C", "--air", "4C"]
    assert "--saw early-entry" in said(capsys, *cold)[1]
    assert "--saw early-entry" not in said(capsys, *cold, "--saw", "early-entry")[1]
    assert "often missing" not in said(capsys, *SAW)[1]


def test_a_bonded_overlay_and_a_shift(capsys):
    line = without(SAW, "--base", "--paving")
    status, out, _ = said(capsys, *line, "--bonded", "--paving", "07:00..15:00")
    assert status == 0
    assert "bonded: the old pavement holds it" in out
    assert "paving              07:00 to 15:00" in out
    assert "10:00" not in out.replace("07:00 to 15:00", "")
    assert said(capsys, *line, "--friction", "0.9", "--paving", "09:00")[0] == 0
    assert said(capsys, *SAW[:7], "--thickness", "8in", *SAW[9:], "--base", "cement-stabilized")[0] == 0


def test_what_was_validated_elsewhere_is_noted(capsys):
    status, _, err = said(capsys, *without(CURE, "--w-cm"), "--w-cm", "0.5")
    assert status == 0
    assert err.startswith("Note: `w/cm` is validated between 0.2 and 0.45")


# ---------------------------------------------------------------------------------------- files


def test_files_are_written_and_reproduced(capsys, tmp_path):
    for folder in ("one", "two"):
        (tmp_path / folder).mkdir()
        line = (*SAW, "--figure", tmp_path / folder / "chance.svg", "--csv", tmp_path / folder / "chance.csv")
        status, out, _ = said(capsys, *line)
        assert status == 0
        assert "Written: chance.svg, chance.csv" in out
    assert files_of(tmp_path / "one") == files_of(tmp_path / "two")
    assert set(files_of(tmp_path / "one")) == {"chance.svg", "chance.csv"}
    with (tmp_path / "one/chance.csv").open(newline="") as handle:
        rows = list(csv.DictReader(handle))
    assert list(rows[0]) == [
        "hours_after_placing", "random_cracking", "random_cracking_lower", "random_cracking_upper", "ravelling",
        "ravelling_lower", "ravelling_upper",
    ]  # fmt: skip
    assert said(capsys, *SAW, "--figure", tmp_path / "chance.PNG")[0] == 0
    assert (tmp_path / "chance.PNG").read_bytes().startswith(b"\x89PNG")
    assert said(capsys, *CORE, "--csv", tmp_path / "cores.csv")[0] == 0


def test_a_failed_write_leaves_the_old_file(capsys, tmp_path, monkeypatch):
    target = tmp_path / "chance.svg"
    target.write_text("old")

    def fails(*_: object) -> None:
        raise OSError(28, "No space left on device")

    monkeypatch.setattr(os, "replace", fails)
    status, out, err = said(capsys, *SAW, "--figure", target)
    assert (status, out) == (2, "")
    assert "chance.svg cannot be written (No space left on device)" in err
    assert files_of(tmp_path) == {"chance.svg": b"old"}
    with pytest.raises(StoreError, match="cannot be written"):
        store.write_bytes(b"new", target)


@pytest.mark.parametrize(
    ("flag", "name", "match"),
    [
        ("--figure", "chance.pdf", "the file ends in .svg or .png; got 'chance.pdf'"),
        ("--csv", "chance.txt", "the file ends in .csv"),
        ("--csv", "folder.csv", "there is a folder of this name"),
        ("--figure", "missing/chance.svg", "the folder must exist and be writable; got 'missing'"),
    ],
)
def test_files_that_cannot_be_are_told_before_work(capsys, tmp_path, flag, name, match):
    (tmp_path / "folder.csv").mkdir()
    status, out, err = said(capsys, *SAW, flag, tmp_path / name)
    assert (status, out) == (2, "")
    assert match in err
    assert str(tmp_path) not in err
    assert files_of(tmp_path) == {}


# -------------------------------------------------------------------------------------- weather


def test_an_hourly_table_in_place_of_a_described_day(capsys, tmp_path):
    line = [*without(SAW, "--air", "--swing"), "--weather", str(weather_file(tmp_path))]
    status, out, _ = said(capsys, *line)
    assert status == 0
    assert "hourly table, taken as it is" in out
    assert "humidity" not in out
    # every day of the table is the same, so the second tells what the first does
    assert said(capsys, *line, "--day", "2")[1] == out


def test_faults_of_the_table_come_with_those_of_the_options(capsys, tmp_path):
    path = tmp_path / "station.csv"
    path.write_text(WEATHER + "2031-07-14T00:00,x,3,50,0\n2031-07-14T09:00,20,-3,50,0\n", encoding="utf-8")
    line = [*without(SAW, "--air", "--swing", "--thickness"), "--weather", str(path), "--thickness", "8"]
    status, out, err = said(capsys, *line)
    assert (status, out) == (2, "")
    for words in ("`--thickness`", "station.csv, row 2, `air_c`", "station.csv, row 3, `wind_m_s`", "at most 3 h"):
        assert words in err


@pytest.mark.parametrize(
    ("extra", "match"),
    [
        (["--wind", "3m/s"], "not both; got '--wind'"),
        (["--day", "9"], "the table holds 5 days; got '9'"),
        (["--day", "0"], "`--day`: it lies between 1 and 1000"),
        (["--day", "5"], "from paving to 24 h after it"),
    ],
)
def test_weather_that_cannot_be_used(capsys, tmp_path, extra, match):
    line = [*without(SAW, "--air", "--swing"), "--weather", str(weather_file(tmp_path)), *extra]
    status, out, err = said(capsys, *line)
    assert (status, out) == (2, "")
    assert match in err


# --------------------------------------------------------------------------------------- faults


def test_all_faults_at_once_and_nothing_written(capsys, tmp_path):
    line = ("sawing", "--cement", "nan", "--w-cm", "-3", "--thickness", "8", "--base", "mud", "--mix-temperature",
            "300F", "--paving", "9am", "--saw", "laser", "--day", "2", "--spread", "lots", "--samples", "1.5",
            "--csv", tmp_path / "x.csv", "--figure", tmp_path / "x.gif")  # fmt: skip
    status, out, err = said(capsys, *line)
    assert (status, out) == (2, "")
    for flag in ("cement", "w-cm", "thickness", "base", "mix-temperature", "paving", "saw", "spread", "samples",
                 "figure"):  # fmt: skip
        assert f"`--{flag}`" in err
    for words in ("--air is needed", "--swing is needed", "--day belongs to an hourly table", "old-asphalt"):
        assert words in err
    assert "Traceback" not in err
    assert "!" not in err
    assert files_of(tmp_path) == {}


@pytest.mark.parametrize(("name", "count"), [("sawing", 8), ("cores", 1), ("curing-water", 3)])
def test_what_is_needed_is_told_together(capsys, name, count):
    status, out, err = said(capsys, name)
    assert (status, out) == (2, "")
    assert err.count(" is needed") == count


def test_a_choice_said_twice(capsys):
    status, _, err = said(capsys, *SAW, "--saw", "early-entry", "--saw-strength", "3MPa")
    assert status == 2
    assert "say the same thing twice" in err


@pytest.mark.parametrize("line", [SAW, CORE, CURE])
@pytest.mark.parametrize("value", ["nan", "inf", "-1", "1e400", "", "\x1b[2J", "9" * 400, "%", "..", "0"])
def test_odd_values_never_trace(capsys, line, value):
    for flag in [word for word in line if word.startswith("--")]:
        changed = [*without(line, flag), flag, value]
        status, out, err = said(capsys, *changed)
        assert "Traceback" not in err
        assert "\x1b" not in err + out
        assert (status == 0) == bool(out)
        if status:
            assert flag in err


@given(st.lists(st.tuples(st.sampled_from([a.flag for a in CORES]), st.text(max_size=8)), max_size=4))
@settings(max_examples=40, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])
def test_any_text_ends_with_an_answer_or_a_fault(capsys, pairs):
    status, out, err = said(capsys, "cores", *(word for pair in pairs for word in pair))
    assert status in (0, 2)
    assert bool(out) == (status == 0)
    assert "Traceback" not in err


@given(
    st.fixed_dictionaries(
        {
            "--share": st.sampled_from(["0.1%", "10%", "100%"]),
            "--chance": st.sampled_from(["1%", "90%", "99.99%"]),
            "--sensitivity": st.sampled_from(["1%", "85%", "100%"]),
            "--specificity": st.sampled_from(["50%", "97%", "100%"]),
            "--clustering": st.sampled_from(["0", "0.1", "0.99"]),
            "--belief": st.sampled_from(["0%", "40%", "99.9%"]),
            "--cores": st.sampled_from(["1", "12", "10000"]),
        }
    )
)
@settings(max_examples=30, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])
def test_cores_at_the_ends_of_their_ranges(capsys, given_amounts):
    status, out, err = said(capsys, "cores", *(word for pair in given_amounts.items() for word in pair))
    assert status == 0 or "leave no core reported unsound" in err
    assert "nan" not in out


@given(
    st.fixed_dictionaries(
        {
            a.flag: st.sampled_from([f"{a.rule.lowest:.6f}", f"{a.rule.highest:.6f}"]).map(
                lambda text, kind=a.rule.kind: f"{float(text) * 100:.4f}%" if kind == "share"
                else text + next(u for u, (f, o) in UNITS[kind].items() if (f, o) == (1.0, 0.0))
            )
            for a in SAWING
            if a.field not in ("samples", "seed")
        }
    )
)  # fmt: skip
@settings(max_examples=25, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])
def test_sawing_at_the_ends_of_its_ranges(capsys, given_amounts):
    words = [word for pair in given_amounts.items() for word in pair]
    status, out, err = said(capsys, "sawing", *words, "--paving", "14:00", "--base", "gravel", "--samples", "100")
    assert status == 0, err
    assert "nan" not in out


def test_questions_stand_in_the_list_of_commands(capsys):
    assert set(cli.commands.commands) >= {"sawing", "cores", "curing-water"}
    assert "sawing" in said(capsys, "--help")[1]


def test_the_answer_in_the_readme_is_the_answer(capsys):
    readme = (Path(__file__).resolve().parent.parent / "README.md").read_text(encoding="utf-8")
    section = readme.split("## Questions asked directly")[1].split("\n## ")[0]
    lines = section.replace("\\\n", " ").splitlines()
    commands = [line.split()[1:] for line in lines if line.startswith("    riskmodel ")]
    assert [line[0] for line in commands] == ["sawing", "cores", "curing-water", "exclusion"]
    answers = [said(capsys, *(without(tuple(line), "--figure") if "--figure" in line else line)) for line in commands]
    assert [status for status, _, _ in answers] == [0, 0, 0, 0]
    quoted = [line[4:] for line in lines if line.startswith("    ") and not line.startswith("    riskmodel ")]
    printed = answers[0][1].splitlines()
    assert len(quoted) == 9
    assert not [line for line in quoted if line not in printed]
