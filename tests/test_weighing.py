"""A study that weighs costs, run whole: files, skipping, the page, faults that come before anything is written."""

from __future__ import annotations

import warnings
from pathlib import Path

import pandas as pd
import pytest
import xarray as xr
from runs import FEW, WEIGHED, files_of, said, write_study

from riskmodel import calibrate, pipeline
from riskmodel.advice import Advice, advice_lines, worded_money
from riskmodel.errors import StudyError
from riskmodel.preview import preview
from riskmodel.report import WIDTH
from riskmodel.rounding import Known
from riskmodel.store import load_tree
from riskmodel.study import read_study
from riskmodel.weighing import DECISION, DECISION_TABLES

MONEY = """
[decision]
price_year = 2024
reconstruction_life = { p05 = 22, p50 = 32, p95 = 45 }
reconstruction_shape = 3.5
"""


def run(folder: Path) -> tuple[str, ...]:
    with warnings.catch_warnings():
        return pipeline.run_study(read_study(folder)).built


@pytest.fixture(scope="module")
def weighed(tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = write_study(tmp_path_factory.mktemp("weighed"), FEW + MONEY)
    assert run(folder) == WEIGHED
    return folder


def test_files_and_the_page_that_leads_with_the_recommendation(weighed: Path) -> None:
    results = weighed / "results"
    for name in (DECISION, *DECISION_TABLES):
        assert (results / name).is_file(), name
    decision = load_tree(results / DECISION).to_dataset()
    assert isinstance(decision, xr.Dataset)
    assert dict(decision.sizes)["portfolio"] == 4
    page = (results / "report.txt").read_text(encoding="utf-8")
    assert page.index("What to require") < page.index("How many fail early")
    assert max(map(len, page.splitlines())) <= WIDTH
    page = " ".join(page.split())
    for words in ("in present value", "What would overturn it", "a ledger of its own that is never added", "The first"):
        assert words in page
    ranking = pd.read_csv(results / "tables/ranking.csv")
    assert set(ranking["basis"]) == {"priors only"}


def test_another_rate_weighs_again_and_samples_nothing(weighed: Path) -> None:
    assert run(weighed) == ()
    file = weighed / "study.toml"
    file.write_text(file.read_text().replace("price_year", "discount_rate = 0.04\nprice_year"), encoding="utf-8")
    assert run(weighed) == WEIGHED[5:]


def test_the_same_study_gives_the_same_bytes(tmp_path: Path) -> None:
    tables = []
    for name in ("one", "two"):
        folder = write_study(tmp_path / name, FEW + MONEY)
        run(folder)
        tables.append({k: v for k, v in files_of(folder / "results").items() if k.startswith("tables")})
    assert tables[0] == tables[1]


def test_without_the_table_its_files_go(tmp_path: Path) -> None:
    folder = write_study(tmp_path / "s", FEW + MONEY)
    run(folder)
    write_study(folder, FEW)
    assert "decide" not in run(folder)
    left = files_of(folder / "results")
    assert not {DECISION, *DECISION_TABLES} & set(left)
    assert b"What to require" not in left["report.txt"]


@pytest.mark.parametrize(
    ("text", "match"),
    [
        (
            MONEY + "budget = 1\n",
            "`decision.budget`: the budget allows some portfolio; got '1'.*the cheapest option, prompt_sawing",
        ),
        (MONEY + "replaces = { sawing = ['overlay_area'] }", "no prior file knows the measure; got 'sawing'"),
        (MONEY + "numbers = { cor = 4 }", "a number a lane-mile belongs to a price; got 'cor'.*Write core"),
        (MONEY + 'overlay = ["overlay_are"]\n', "no prior file has a .cost. table of that name.*Write overlay_area"),
        (MONEY.replace("2024", "2023"), "prices are of the year 2023.*'2024'.*price_index"),
    ],
)
def test_faults_leave_nothing_behind(tmp_path: Path, text: str, match: str) -> None:
    folder = write_study(tmp_path / "s", FEW + text)
    with pytest.raises(StudyError, match=f"(?s){match}"):
        run(folder)
    assert not (folder / "results").exists()


def test_a_budget_below_every_option_is_refused_before_anything_is_calibrated(
    tmp_path: Path, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    def never(*positional: object, **named: object) -> None:
        raise AssertionError("it was calibrated")

    monkeypatch.setattr(calibrate, "calibrate", never)
    folder = write_study(tmp_path / "s", FEW + MONEY + "budget = 100\n")
    for name in ("check", "run"):
        status, out, err = said(capsys, name, folder)
        assert (status, out) == (2, "")
        for words in ("study.toml", "`decision.budget`", "got '100'", "prompt_sawing, is expected to cost", "Raise it"):
            assert words in " ".join(err.split())
    assert [file.name for file in folder.iterdir()] == ["study.toml"]
    write_study(folder, FEW + MONEY + "budget = 1e9\n")
    status, out, _ = said(capsys, "check", folder)
    assert status == 0
    assert "the budget allows 3 of 3." in " ".join(out.split())


def test_check_shows_prices_of_a_square_yard(tmp_path: Path) -> None:
    """6 a square yard and inch at 6 in and 8 a square yard make 44; 12 a cubic yard is a sixth of that, 2."""
    folder = write_study(tmp_path / "s", FEW + MONEY)
    page = preview(read_study(folder))
    money = page[page.index("Prices, USD of 2024") :].splitlines()
    figures = {line[:22].strip(): float(line[22:].split()[0]) for line in money if line.startswith("  ")}
    assert figures["overlay"] == pytest.approx(44, rel=0.1)
    assert figures["prompt_sawing"] == pytest.approx(0.57, rel=0.1)
    assert 2.0 < figures["internal_curing"] < 3.5  # skewed: the mean lies above the median
    assert "Costs count over 50 years at 3 % a year, real; after a failure: reconstruct." in " ".join(money)


@pytest.mark.parametrize(
    ("value", "text"),
    [(0.0, "0"), (0.42, "0.42"), (523.4, "523"), (5287.9, "5,300"), (-12_345, "-12,000"), (123_456, "120,000"),
     (999_600, "1.0 million"), (23_400_000, "23.4 million"), (-2.5e8, "-250 million")],
)  # fmt: skip
def test_money_in_words(value: float, text: str) -> None:
    assert worded_money(value) == text


def advice(**changes: object) -> Advice:
    quantities = ("saving", "extra_first_cost", "averted_per_100", "b10_gain", "present_value")
    rows = []
    for name, kind, value in (("saw", "option", 5000.0), ("current_practice", "option", 0.0),
                              ("reconstruct_now", "instead", 9e6), ("patch_on", "instead", 8e6)):  # fmt: skip
        row = {f"{q}_{end}": value * f for q in quantities for end, f in (("mean", 1), ("lower", 0.5), ("upper", 2))}
        rows.append({"portfolio": name, "kind": kind, "chance_best": 0.5, "expected_regret": 10.0,
                     "saving_worst_tenth": -50.0, **row})  # fmt: skip
    robustness = pd.DataFrame(
        [("as stated", "", "saw", "yes"), ("discount rate", "7 %", "current_practice", "no"),
         ("price", "saw, times 0.5", "saw", "yes"),
         ("switching value", "price of saw, times 1.5", "current_practice", "no"),
         ("early age", "5", "saw", ""), ("early age", "8", "fabric", "")],
        columns=["kind", "setting", "first_place", "same_first"],
    )  # fmt: skip
    values: dict[str, object] = {
        "ranking": pd.DataFrame(rows),
        "frontier": pd.DataFrame({"portfolio": ["saw"], "status": ["on the frontier"], "years_gained": [0.2],
                                  "step_cost_per_year": [1e4]}),
        "robustness": robustness,
        "by_type": pd.DataFrame({"type": ["bonded_asphalt", "unbonded_asphalt"], "portfolio": ["saw", "saw"],
                                 "saving_mean": [3.0, -1.0]}),
        "levels": pd.DataFrame({"measure": ["saw"] * 2, "level": ["none", "half"], "pays": ["no", "yes"],
                                "chance_best": [0.3, 0.7]}),
        "information": pd.DataFrame({
            "subject": ["everything", "everything that records of roads could teach", "effect of saw"],
            "value": [100.0, 80.0, 60.0], "mcse": [5.0] * 3, "part_of_everything": [1.0, 0.8, 0.6]}),
        "assured": "90 of 100 sections outlive 5 years",
        "attrs": {"currency": "USD", "price_year": 2024, "analysis_period": 50, "discount_rate": 0.03, "sections": 10,
                  "mean_area": 8361.2736, "horizon": 60, "follow_up": "reconstruct", "area_missing": 2,
                  "thickness_missing": 0, "weighting": "sections alike"},
        "monte_carlo": 0.004,
        "fates": 1.2,
        "replaces": {"saw": ("guess",)},
        **changes,
    }  # fmt: skip
    return Advice(**values)  # type: ignore[arg-type]


def test_money_is_rounded_as_on_the_page() -> None:
    ranking = advice().ranking.copy()
    saving = {"saving_mean": 59_429.0, "saving_lower": 12_706.0, "saving_upper": 113_852.0}
    ranking.loc[ranking.index[0], list(saving)] = list(saving.values())
    text = " ".join(" ".join(advice_lines(advice(ranking=ranking))).split())
    assert f"It saves {Known(*saving.values())} USD of 2024 a section" in text
    assert "It saves 59,000 (13,000 to 114,000) USD" in text


def test_the_advice_in_words() -> None:
    text = " ".join(" ".join(advice_lines(advice())).split())
    for words in (
        "Of what knowing everything would be worth, most is held by effect of saw (60 %).",
        "Require saw. It saves 5,000 (2,500 to 10,000) USD of 2024 a section in present value (0.50 a square yard)",
        "On the 10 sections together it saves 50,000.",
        "It is the best of 2 in 50 of 100 draws of what is not known. This is not settled.",
        "comes to a loss of 50 a section",
        "1 of 2 changes tried put another one first. - discount rate, 7 %: current_practice",
        "The first place changes at - price of saw, times 1.5: current_practice",
        "changes with the early age and the horizon: saw and fabric",
        "saw: bonded on asphalt - current_practice: unbonded on asphalt",
        "saw in 1 levels: the level that pays is half (best in 70 of 100 draws",
        "saw: 0.20 years, a step of 10,000 for each year gained",
        "of reconstructing now 9.0 million; of patching on 8.0 million",
        "Delay of users, disposal and material are not counted.",
        "The price of guess is taken off that of saw, which makes it unnecessary",
        "Monte Carlo part of the variance between draws: 0.4 %.",
        "taken as the mean of the others or as typical: area of 2 sections",
    ):
        assert words in text


def test_the_advice_says_how_sections_count() -> None:
    attrs = {**advice().attrs, "weighting": "lives by area"}
    text = " ".join(" ".join(advice_lines(advice(attrs=attrs))).split())
    assert "early failures of 100 units of area" in text
    assert "In money each counts once" in text
    assert "In money each counts once" not in " ".join(advice_lines(advice()))


def test_where_nothing_pays_the_advice_says_so() -> None:
    ranking = advice().ranking.iloc[[1, 0, 2, 3]]
    text = " ".join(" ".join(advice_lines(advice(ranking=ranking, lines=("user_delay",)))).split())
    assert "No measure pays for itself on top of current practice: none of the 1 portfolios saves money" in text
    assert "Counted besides: user_delay." in text
    assert "This is not settled" not in text
