"""The page of plain words: figures against draws whose summary is known, labels, cautions, safe text."""

from __future__ import annotations

import math

import numpy as np
import pandas as pd
import pytest
import xarray as xr

from riskmodel.report import PRIORS_ONLY, Findings, build_report, main_table, rounded

PORTFOLIOS = ["no_measures", "current_practice", "fabric", "sawing", "fabric + sawing"]
QUANTITIES = ["early_failure_probability", "b05_age", "b10_age", "b20_age", "median_age", "restricted_mean_age"]
QUANTITIES += ["life_gain", "survival_25", "survival_45"]
CAUSES = ["random_cracking", "wear_out"]


def simulated(samples: int = 101, **attrs: object) -> xr.Dataset:
    """Invented draws: a uniform ladder from 0 to 1 moves every quantity, so quantiles are exact."""
    ladder = np.linspace(0.0, 1.0, samples)
    value = np.zeros((samples, len(PORTFOLIOS), len(QUANTITIES)))
    averted = np.array([-0.02, 0.0, 0.01, 0.03, 0.04])
    value[:, :, 0] = 0.08 + 0.04 * ladder[:, None] - averted
    for place, start in enumerate((6.0, 10.0, 18.0, 40.0, 41.0), start=1):
        value[:, :, place] = start + 4.0 * ladder[:, None] + 100.0 * averted
    value[:, :, 6] = 100.0 * averted
    value[:, :, 7:] = 0.7
    # fabric helps in the upper half of the draws only
    value[:, 2, 0] = value[:, 1, 0] - 0.02 * (ladder - 0.5)
    incidence = np.stack([0.06 + 0.0 * ladder, 0.02 + 0.0 * ladder], axis=1)[:, None, :]
    extrapolated = np.zeros((len(PORTFOLIOS), len(QUANTITIES)))
    extrapolated[:, 4] = 0.9
    extrapolated[:2, 5] = 0.6
    return xr.Dataset(
        {
            "value": (("sample", "portfolio", "quantity"), value),
            "cause_incidence": (("sample", "reference", "cause"), incidence),
            "extrapolated": (("portfolio", "quantity"), extrapolated),
            "assured_age": (("portfolio", "statement"), np.full((len(PORTFOLIOS), 2), [9.5, 8.25])),
            "simulated_difference": (("portfolio",), np.full(len(PORTFOLIOS), 0.002)),
            "simulated_error": (("portfolio",), np.full(len(PORTFOLIOS), 0.001)),
        },
        coords={
            "portfolio": PORTFOLIOS,
            "quantity": QUANTITIES,
            "reference": ["current_practice"],
            "cause": CAUSES,
        },
        attrs={
            "early_age": 10.0,
            "horizon": 60.0,
            "observed_to": 22.4,
            "sections": 400,
            "programme": "records",
            "weighted_by_area": 0,
        }
        | attrs,
    )


GATE = [
    {"name": "R-hat", "value": 1.0042, "limit": 1.01, "passed": True},
    {"name": "bulk effective sample size", "value": 812.3, "limit": 400.0, "passed": True},
]


def findings(**changes: object) -> Findings:
    stated: dict = {
        "title": "Overlays of the north",
        "agency": "Road department",
        "simulation": simulated(),
        "prior_only": False,
        "threshold": 60.0,
        "index": "pci",
        "labels": {"random_cracking": "random cracking by late cuts", "wear_out": "worn out already"},
        "census": ("Records to 2024-06-30: 400 sections.", "Failures seen: 40.", "Readings: 2000."),
        "gate": GATE,
        "taught": {"fabric": 0.123, "sawing": 0.01},
        "priors": {"judgement": 60, "published": 30},
        "cautions": {"sawing": "Dry cutting raises silica dust."},
        "notes": ("The programme has thicker overlays than the records.",),
    }
    return Findings(**(stated | changes))


def flat(text: str) -> str:
    return " ".join(text.split())


def test_it_answers_how_many_why_what_and_how_sure() -> None:
    page = flat(build_report(findings()))
    for said in (
        "Under current practice 10.0 (8.2 to 11.8) of 100 sections fail before age 10",
        "condition index (pci) is down to 60",
        "95 in 100 outlive 8.0 (6.2 to 9.8) years",
        "90 in 100 outlive 12.0 (10.2 to 13.8) years",
        "80 in 100 outlive 20.0 (18.2 to 21.8) years",
        "mean life up to age 60 43.0 (41.2 to 44.8) years, extrapolated by the path",
        "the 400 sections of the records, built again",
        "random cracking by late cuts ######## 75 (75 to 75)",
        "worn out already ### 25 (25 to 25)",
        "no measures -2.0 (-2.0 to -2.0) -2.0 (-2.0 to -2.0) -2.0 (-2.0 to -2.0)",
        "sawing 3.0 (3.0 to 3.0) 3.0 (3.0 to 3.0) 3.0 (3.0 to 3.0)",
        "Of the single requirements sawing averts most early failures in 100 of 100 draws",
        "fabric: averts some in 50 of 100 draws; the records narrowed its effect by 12 %",
        "sawing: averts some in 100 of 100 draws; its effect rests on the prior, the records taught next to nothing",
        "outlive 9.5 years with 95 % credibility in a large programme, and 8.2 years in one of 400 sections",
        "seen up to age 22 or less",
        "median_age extrapolated by the path",
        "restricted_mean_age extrapolated by the path for 2 of 5 portfolios",
        "Records to 2024-06-30: 400 sections. Failures seen: 40. Readings: 2000.",
        "Priors: 90 quantities, 60 of them judgement without a measurement behind it.",
        "Sampler gate passed: R-hat 1.004, limit 1.01; bulk effective sample size 812.3, limit 400.",
        "agree with the closed form within 2.0 standard errors",
        "Note: The programme has thicker overlays",
        "design no pavement: local standards and a licensed engineer decide",
        "silica dust",
        "fresh concrete is caustic",
        "live traffic",
        "sawing: Dry cutting raises silica dust.",
    ):
        assert said in page, said
    assert PRIORS_ONLY not in page


def test_measures_that_avert_most_come_first_and_singles_before_joint_ones() -> None:
    lines = build_report(findings()).splitlines()
    order = [next(i for i, line in enumerate(lines) if line.startswith(f"  {name}")) for name in ("sawing ", "fabric ")]
    joint = next(i for i, line in enumerate(lines) if line.startswith("  fabric + sawing"))
    assert order[0] < order[1] < joint


def test_without_records_the_page_says_so_first() -> None:
    programme = {"programme": "types", "sections": 6, "observed_to": 0.0}
    page = build_report(findings(prior_only=True, simulation=simulated(**programme), gate=None, taught={}, census=()))
    assert flat(page).startswith(flat(f"Overlays of the north {'=' * 21} Road department {PRIORS_ONLY}"))
    for said in (
        "one of each overlay type stands for it",
        "Nothing was observed; all ages rest on the priors.",
        "independent draws from the priors",
        "in a large programme.",
    ):
        assert said in flat(page), said
    assert "extrapolated by the path" not in page
    assert "narrowed" not in page


def test_weights_by_area_are_said() -> None:
    page = flat(build_report(findings(simulation=simulated(weighted_by_area=1))))
    assert "of 100 units of area fail before age 10" in page


def test_no_early_failures_at_all() -> None:
    simulation = simulated()
    simulation["cause_incidence"] = 0.0 * simulation["cause_incidence"]
    assert "No early failures are expected." in build_report(findings(simulation=simulation))


def test_the_page_fits_79_columns_and_holds_no_control_characters() -> None:
    long = "a" * 60 + " + " + "b" * 60
    simulation = simulated().assign_coords(portfolio=[*PORTFOLIOS[:-1], long])
    page = build_report(
        findings(
            title="\x1b[2J<script>" + "x" * 200,
            agency="one\ntwo",
            index="p\x07ci",
            notes=("bad \x1b[31m note",),
            labels={"random_cracking": "cracking \x1b]0;title\x07" + "y" * 100},
            simulation=simulation,
        )
    )
    assert all(character.isprintable() or character == "\n" for character in page)
    assert max(map(len, page.splitlines())) <= 79
    assert page.endswith("\n")


@pytest.mark.parametrize(
    ("figures", "text"),
    [
        ((9.234, 6.12, 13.31), "9 (6 to 13)"),
        ((0.43, 0.11, 1.0), "0.4 (0.1 to 1.0)"),
        ((-0.01, -0.04, 0.04), "0.0 (0.0 to 0.0)"),
        ((123.4, 23.0, 400.0), "123 (23 to 400)"),
        ((5.0, 5.0, 5.0), "5.0 (5.0 to 5.0)"),
    ],
)
def test_figures_are_rounded_to_what_their_interval_allows(figures: tuple[float, float, float], text: str) -> None:
    assert rounded(*figures) == text


def test_main_table_gives_means_and_ends_of_intervals() -> None:
    rows = [
        (portfolio, quantity, unit, mean, lower, upper, 0.0, "priors only")
        for portfolio, shift in (("no_measures", 0.0), ("sawing", 1.0))
        for quantity, unit, mean, lower, upper in (
            ("early_failure_probability", "1", 0.1234, 0.05, 0.2),
            ("b10_age", "years", 12.34 + shift, 8.0, math.nan),
        )
    ]
    columns = ["portfolio", "quantity", "unit", "mean", "lower", "upper", "mcse", "basis"]
    text = main_table(pd.DataFrame(rows, columns=columns))
    assert "Basis: priors only." in text
    assert "(1) early_failure_probability\n" in text
    assert "(2) b10_age, years\n" in text
    lines = text.splitlines()
    place = lines.index("sawing")
    assert [line.split() for line in lines[place + 1 : place + 4]] == [
        ["mean", "0.123", "13.3"],
        ["from", "0.050", "8.0"],
        ["to", "0.200"],
    ]
