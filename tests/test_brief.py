"""The committee's page: its numbers are the tables', its texts are escaped, it asks nothing of any network."""

from __future__ import annotations

import re
from dataclasses import replace
from pathlib import Path

import numpy as np
import pandas as pd
import pytest
from pages import (
    BOTH,
    FORMULA,
    MONEY,
    NAMED,
    SAWING,
    SCRIPT,
    Elements,
    data_of,
    decision_tables,
    material_of,
    trials_table,
    with_tables,
)
from runs import said, write_study

from riskmodel import pipeline
from riskmodel.brief import Material, build_page, page
from riskmodel.brief.answer import recommend
from riskmodel.brief.life import QUANTITIES
from riskmodel.brief.pictures import COLOURS, broken
from riskmodel.printing import find_browser, print_page
from riskmodel.rounding import Known, known, percent, places_for, plain, with_error
from riskmodel.store import StoreError, load_table
from riskmodel.study import read_study

LARGEST = 3_000_000


@pytest.fixture(scope="module")
def material(done_once: Path) -> Material:
    return material_of(done_once)


@pytest.fixture(scope="module")
def html(done_once: Path) -> str:
    return (done_once / "results/brief.html").read_text(encoding="utf-8")


@pytest.fixture(scope="module")
def hostile(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A study whose names would do harm where they are not escaped."""
    folder = write_study(tmp_path_factory.mktemp("hostile") / "north", NAMED, title=SCRIPT)
    file = folder / "study.toml"
    file.write_text(file.read_text().replace("[sampling]", f'agency = "{SCRIPT}"\n[sampling]', 1))
    pipeline.run_study(read_study(folder), command="riskmodel run north")
    return folder


def shown(material: Material) -> Elements:
    return Elements(build_page(material).html)


# ---------------------------------------------------------------------------- one file, alone


def test_it_is_one_small_file_that_asks_nothing_of_a_network(html: str) -> None:
    assert len(html.encode()) < LARGEST
    elements = Elements(html)
    for attribute in ("src", "srcset", "action", "data", "poster"):
        assert not elements.values(attribute)
    for place in elements.values("href"):
        assert place.startswith(("#", "data:,")), place
    outside = re.sub(r"<script\b.*?</script>", "", html, flags=re.DOTALL)
    assert not re.search(r"https?:|@import|url\((?!#)", outside)
    policy = next(a["content"] for t, a in elements.elements if t == "meta" and a.get("http-equiv"))
    assert "default-src 'none'" in policy
    assert "connect-src" not in policy


def test_sixteen_portfolios_stay_below_three_megabytes(material: Material) -> None:
    """The demo's page with records and 16 portfolios has 1.6 MB; here the data alone are scaled up."""
    html = build_page(material).html
    data = len(re.search(r'id="data">(.*?)</script>', html, re.DOTALL)[1])
    assert len(html) + data * (16 / 4 - 1) < LARGEST


def test_the_same_results_give_the_same_bytes(material: Material) -> None:
    first, second = build_page(material), build_page(material)
    assert first == second


def test_every_figure_is_a_file_of_each_kind_and_says_what_it_shows(done_once: Path, html: str) -> None:
    files = {path.name for path in (done_once / "results/figures").iterdir()}
    assert files == {f"{name}.{kind}" for name in ("life", "averted", "causes", "exclusion") for kind in ("svg", "png")}
    elements = Elements(html)
    pictures = [a for tag, a in elements.elements if tag == "svg"]
    assert len(pictures) == 4
    assert all(a["role"] == "img" and len(a["aria-label"]) > 60 for a in pictures)
    ids = elements.values("id")
    assert len(ids) == len(set(ids))


# ---------------------------------------------------------------------------- numbers


def test_every_combination_is_there_with_the_numbers_of_the_tables(done_once: Path, html: str) -> None:
    table = load_table(done_once / "results/tables/portfolios.csv").set_index(["portfolio", "quantity"])
    choices = {choice["key"]: choice for choice in data_of(html)["choices"]}
    names = {"": "current_practice", SAWING: SAWING, "internal_curing": "internal_curing",
             "prompt_sawing+internal_curing": BOTH}  # fmt: skip
    assert set(choices) == set(names)
    for key, name in names.items():
        for quantity in QUANTITIES:
            factor = 100.0 if quantity == "early_failure_probability" else 1.0
            row = table.loc[(name, quantity)]
            expected = known(*(factor * row[end] for end in ("mean", "lower", "upper")))
            assert choices[key]["cells"][quantity] == expected, (name, quantity)
        assert choices[key]["cells"]["assured_age"] == plain(table.loc[(name, "assured_age_p90_c95"), "mean"], 1)
        for age in (25, 45):
            row = table.loc[(name, f"survival_{age}")]
            assert choices[key]["alive"][age] == known(*(100.0 * row[end] for end in ("mean", "lower", "upper")))


def test_curves_and_differences_are_those_of_the_simulation(material: Material, html: str) -> None:
    data = data_of(html)
    assert data["ages"] == list(range(61))
    survival = material.simulation["survival"].sel(age=np.arange(61.0))
    for choice in data["choices"]:
        name = {"": "current_practice", "prompt_sawing+internal_curing": BOTH}.get(choice["key"], choice["key"])
        one = survival.sel(portfolio=name)
        low, high = one.quantile((0.05, 0.95), "sample").values
        for key, values in (("mean", one.mean("sample").values), ("low", low), ("high", high)):
            assert choice[key] == pytest.approx(values, abs=6e-4)
        if choice["key"]:
            gap = 100.0 * (one - survival.sel(portfolio="current_practice")).sel(age=25.0).values
            text = known(gap.mean(), *np.quantile(gap, (0.05, 0.95)))
            assert choice["more"][25].lstrip("+") == text


def test_the_still_text_is_that_of_the_first_choice(html: str) -> None:
    data = data_of(html)
    first = next(choice for choice in data["choices"] if choice["key"] == data["start"])
    text = Elements(html).text
    assert f"with {first['words']} {first['alive'][data['startAge']]}" in text
    for quantity in QUANTITIES:
        assert first["cells"][quantity] in text


def test_causes_add_up(material: Material) -> None:
    causes = material.tables["causes"]
    fair = causes[causes["quantity"] == "fair_share_of_loss: early_failure_probability"].set_index("cause")["mean"]
    roots = 100.0 * fair[fair.index.str.startswith("root: ")].sum()
    assert f"all of them together {Known(roots)}" in shown(material).text


# ---------------------------------------------------------------------------- names of the study


def test_names_do_no_harm_in_the_page(hostile: Path) -> None:
    html = (hostile / "results/brief.html").read_text(encoding="utf-8")
    assert SCRIPT not in html
    assert html.count("<script") == 3
    elements = Elements(html)
    assert SCRIPT in elements.text
    assert FORMULA in elements.text
    chosen = [a["value"] for tag, a in elements.elements if tag == "option"]
    assert chosen == ["", SCRIPT, FORMULA]
    assert {choice["key"] for choice in data_of(html)["choices"]} == set(chosen)


def test_names_do_no_harm_in_tables_and_figures(hostile: Path) -> None:
    results = hostile / "results"
    raw = (results / "tables/portfolios.csv").read_text(encoding="utf-8")
    assert f"\n{FORMULA}" not in raw
    assert f"\n'{FORMULA}" in raw
    assert FORMULA in set(load_table(results / "tables/portfolios.csv")["portfolio"])
    for figure in (results / "figures").glob("*.svg"):
        assert "<script" not in figure.read_text(encoding="utf-8")


def test_every_text_of_the_material_is_escaped(material: Material) -> None:
    dangerous = f"{SCRIPT}\"'&$x^2$"
    spoilt = replace(
        material, title=dangerous, agency=dangerous, notes=(dangerous,), census=(dangerous,), index=dangerous,
        prior_only=False, provenance={"command": dangerous, "inputs": {dangerous: "0" * 64}, "versions": {}, "seed": 1},
        gate=[{"name": dangerous, "value": 1.0, "limit": 2.0, "passed": True}],
    )  # fmt: skip
    html = build_page(spoilt).html
    assert SCRIPT not in html
    assert html.count("<script") == 3
    assert Elements(html).text.count(SCRIPT) >= 6


# ---------------------------------------------------------------------------- what it says


def test_without_costs_it_says_so_and_names_the_measure_that_averts_most(material: Material) -> None:
    chosen = recommend(material)
    averted = {name: material.averted(name).mean() for name in (SAWING, "internal_curing")}
    assert chosen.first == max(averted, key=averted.__getitem__)
    text = shown(material).text
    assert "This study states no costs" in text
    assert f"Require {material.words(chosen.first)} first" in text
    assert "Nothing was asked about trials yet" in text
    assert "No record was used" in text


def test_with_costs_it_leads_with_the_first_place_and_what_overturns_it(material: Material) -> None:
    built = build_page(with_tables(material, **decision_tables()))
    text = Elements(built.html).text
    assert "Require prompt sawing + internal curing, beginning with prompt sawing" in text
    assert f"saving in present value 5,200 {MONEY}" in text
    assert "comes first in 71 of 100 draws" in text
    assert "2 of 4 changes tried put another one first" in text
    assert "Discount rate, 7 %: prompt sawing." in text
    assert "The first place changes at price of internal curing, times 1.9: prompt sawing." in text
    assert "To be first alone, internal curing: price times 0.2; effect times 3.1." in text
    assert "This study states no costs" not in text
    assert "would be worth 212.3 (se 9.1) USD of 2024 a section" in text
    assert "the part most worth knowing is effect of prompt sawing (48 %)" in text
    assert "reconstruct now" not in text
    assert {"frontier.svg", "acceptability.png"} <= set(built.figures)
    assert "averted.svg" not in built.figures


def test_where_nothing_pays_it_recommends_nothing(material: Material) -> None:
    tables = decision_tables()
    ranking = tables["ranking"]
    ranking.loc[ranking["portfolio"] != "current_practice", "saving_mean"] = -10.0
    text = shown(with_tables(material, **tables)).text
    assert "No requirement of this study is worth adding to current practice" in text
    assert "Current practice comes first in 0 of 100 draws" in text
    assert "What would overturn it" in text
    assert not re.search(r"Require prompt sawing( first| \+)", text)


def test_sensitivity_to_priors_comes_from_the_table_of_robustness(material: Material) -> None:
    read = replace(with_tables(material, **decision_tables()), prior_only=False)
    text = shown(read).text
    assert "1 of 2 changes put another portfolio first; 1 cannot be trusted" in text


def test_trials_are_shown_and_left_out_when_they_rest_on_an_earlier_simulation(material: Material) -> None:
    asked = with_tables(material, trials=trials_table(material.simulation_digest))
    built = build_page(asked)
    text = Elements(built.html).text
    assert (
        "10 sections with prompt sawing and as many without, surveyed for 5 years: 30,120 (se 900) USD of 2024" in text
    )
    assert "trials.svg" in built.figures
    stale = with_tables(material, trials=trials_table("f" * 64))
    assert "rests on an earlier simulation" in shown(stale).text


def test_fit_and_readings_are_told_from_their_tables(material: Material) -> None:
    ages = np.arange(1.0, 11.0)
    fit = pd.DataFrame({"curve": "in_service", "age": ages, "given": 1.0, "at_risk": 50, "recorded": 1 - ages / 50,
                        "model": 1 - ages / 60, "lower": 1 - ages / 55, "upper": 1 - ages / 70})  # fmt: skip
    fit = fit.assign(recorded_lower=fit["recorded"] - 0.01, recorded_upper=fit["recorded"] + 0.01)
    # the two overlap while age (1 / 50 - 1 / 55) <= 0.01
    readings = pd.DataFrame(
        {"age_from": [0.0] * 3, "age_to": [5.0] * 3, "readings": 30, "level": [0.05, 0.5, 0.95],
         "expected": [-1.6, 0, 1.6], "recorded": [-1.5, 0.1, 3.0], "lower": [-1.8, -0.2, 1.4],
         "upper": [-1.4, 0.2, 1.8]}
    )  # fmt: skip
    moved = pd.DataFrame(
        {"quantity": ["early_failure_probability", "averted"], "portfolio": ["current_practice", SAWING], "unit": "1",
         "prior_mean": [0.12, 0.004], "prior_lower": [0.04, 0.0], "prior_upper": [0.24, 0.01],
         "mean": [0.11, 0.003], "lower": [0.09, 0.0], "upper": [0.14, 0.007]}
    )  # fmt: skip
    read = replace(
        with_tables(material, fit=fit, readings=readings, moved=moved), prior_only=False, census=("Records: few.",),
        gate=[{"name": "R-hat", "value": 1.0042, "limit": 1.02, "passed": True}],
    )  # fmt: skip
    built = build_page(read)
    text = Elements(built.html).text
    assert "at 5 of 10 ages the model lies where the life tables of the records do" in text
    assert "2 of 3 quantiles of the readings" in text
    assert "the sampler passed its gate" in text
    assert "11.0 (9.0 to 14.0) 25 %" in text
    assert {"fit-service.svg", "readings.svg", "moved.svg"} <= set(built.figures)


def test_without_the_charting_library_the_page_says_so(material: Material, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(page, "can_draw", lambda: False)
    html = build_page(material).html
    assert "the charting library is not installed" in Elements(html).text
    assert 'id="library"' not in html
    assert data_of(html)["chart"] is None
    assert len(html) < 700_000


# ---------------------------------------------------------------------------- rounding


@pytest.mark.parametrize(
    ("ends", "text"),
    [
        ((9.234, 6.12, 13.31), "9.2 (6.1 to 13.3)"),
        ((12.3, 3.2, 24.4), "12 (3 to 24)"),
        ((5210.0, 3110.0, 7310.0), "5,200 (3,100 to 7,300)"),
        ((-0.2, -0.9, 0.5), "\N{MINUS SIGN}0.20 (\N{MINUS SIGN}0.90 to 0.50)"),
        ((0.4321, 0.43204, 0.43216), "0.4321 (0.4320 to 0.4322)"),
        ((8.25, float("nan"), float("nan")), "8.25"),
        ((float("nan"),) * 3, ""),
        ((0.0, 0.0, 0.0), "0"),
        ((3.2, 3.2, 3.2), "3.20"),
    ],
)
def test_a_number_has_two_significant_digits_of_half_its_interval(ends: tuple[float, float, float], text: str) -> None:
    assert known(*ends) == text


def test_places_percent_and_errors() -> None:
    assert [places_for(0.0, width) for width in (0.0123, 0.5, 9.9, 10.0, 99.0, 4000.0)] == [4, 2, 1, 1, 0, -2]
    said_of = {0.0: "0 %", 0.004: "under 1 %", 0.42: "42 %", 0.996: "over 99 %", 1.0: "100 %"}
    assert {share: percent(share) for share in said_of} == said_of
    assert with_error(30123.0, 900.0) == "30,120 (se 900)"
    assert plain(-0.01, 1) == "0.0"
    assert broken("prompt sawing + internal curing", 20) == "prompt sawing +\ninternal curing"
    assert Known(1.0, 0.5, 2.0).times(-1.0) == Known(-1.0, -2.0, -0.5)


# ---------------------------------------------------------------------------- colours


def tokens() -> dict[str, dict[str, str]]:
    """Colours of the style sheet by scheme."""
    style = Path(page.__file__).with_name("templates").joinpath("style.css").read_text(encoding="utf-8")
    light, dark, printed = (
        dict(re.findall(r"--(\w+): (#[0-9a-f]{6})", block))
        for block in re.findall(r":root \{(.*?)\}", style, re.DOTALL)
    )
    return {"light": light, "dark": dark, "print": printed}


def linear(colour: str) -> np.ndarray:
    channel = np.array([int(colour[i : i + 2], 16) / 255 for i in (1, 3, 5)])
    return np.where(channel <= 0.04045, channel / 12.92, ((channel + 0.055) / 1.055) ** 2.4)


def contrast(one: str, other: str) -> float:
    """Contrast ratio of WCAG 2.2, definition of relative luminance (w3.org/TR/WCAG22, terms; page not seen)."""
    light, dark = sorted((float(linear(c) @ [0.2126, 0.7152, 0.0722]) for c in (one, other)), reverse=True)
    return (light + 0.05) / (dark + 0.05)


@pytest.mark.parametrize("scheme", ["light", "dark", "print"])
def test_text_and_lines_stand_out_as_level_aa_asks(scheme: str) -> None:
    colour = tokens()[scheme]
    assert set(COLOURS.values()) <= set(colour)
    for ground in ("paper", "tint"):
        for name in ("ink", "soft", "blue", "brick"):
            assert contrast(colour[name], colour[ground]) >= 4.5, (name, ground)
    for name in ("ochre", "violet", "grey"):
        assert contrast(colour[name], colour["paper"]) >= 3.0, name


# severity 1 of G. M. Machado, M. M. Oliveira and L. A. F. Fernandes, IEEE Transactions on Visualization and
# Computer Graphics 15(6), 2009, 1291-1298, table 1 (from memory; page not seen)
SEEN_BY = {
    "protan": [[0.152286, 1.052583, -0.204868], [0.114503, 0.786281, 0.099216], [-0.003882, -0.048116, 1.051998]],
    "deutan": [[0.367322, 0.860646, -0.227968], [0.280085, 0.672501, 0.047413], [-0.011820, 0.042940, 0.968881]],
    "tritan": [[1.255528, -0.076749, -0.178779], [-0.078411, 0.930809, 0.147602], [0.004733, 0.691367, 0.303900]],
}


@pytest.mark.parametrize("scheme", ["light", "dark"])
@pytest.mark.parametrize("eyes", sorted(SEEN_BY))
def test_the_two_curves_stay_apart_for_colour_blind_readers(scheme: str, eyes: str) -> None:
    """Far apart in hue or lightness; they differ in dash as well."""
    one, other = (np.array(SEEN_BY[eyes]) @ linear(tokens()[scheme][name]) for name in ("ochre", "blue"))
    assert np.linalg.norm(np.clip(one, 0, 1) ** (1 / 2.2) - np.clip(other, 0, 1) ** (1 / 2.2)) > 0.2


# ---------------------------------------------------------------------------- the command


def test_brief_writes_the_page_again_and_the_next_run_has_nothing_to_do(
    done: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    before = (done / "results/brief.html").read_bytes()
    (done / "results/brief.html").write_text("spoilt")
    status, out, _ = said(capsys, "brief", done)
    assert status == 0
    assert out.strip().endswith("brief.html")
    assert (done / "results/brief.html").read_bytes() == before
    assert pipeline.run_study(read_study(done)).built == ()


def test_brief_needs_results(study: Path, capsys: pytest.CaptureFixture[str]) -> None:
    status, _, err = said(capsys, "brief", study)
    assert status == 2
    assert "there are no results" in err


def test_printing_needs_a_browser(tmp_path: Path) -> None:
    assert find_browser(("no-such-browser",)) is None
    page_file = tmp_path / "page.html"
    page_file.write_text("<p>x</p>")
    false = tmp_path / "false"
    false.write_text("#!/bin/sh\nexit 3\n")
    false.chmod(0o755)
    with pytest.raises(StoreError, match=r"false did not print the page \(exit status 3\)\. Name another browser"):
        print_page(page_file, false)
    false.write_text("#!/bin/sh\nfor a; do case $a in --print-to-pdf=*) echo pdf > ${a#*=};; esac; done\n")
    assert print_page(page_file, false) == b"pdf\n"


def test_printing_without_any_browser_says_what_to_do(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("riskmodel.printing.find_browser", lambda: None)
    with pytest.raises(StoreError, match=r"needs a browser: none of Chromium, Chrome and Edge was found\. Install one"):
        print_page(tmp_path / "page.html")


def test_names_between_backticks_are_set_as_code_and_nothing_else_gets_through():
    assert page.with_code("`--thresholds` & <b>") == "<code>--thresholds</code> &amp; &lt;b&gt;"
    assert page.with_code("one ` alone") == "one ` alone"
    assert page.with_code("`<i>`") == "<code>&lt;i&gt;</code>"
