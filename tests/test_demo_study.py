"""The demo study: its files are what its script makes, and they hold every kind of trouble.

All its data are invented; the comparisons with the prior files are the check outside the script.
"""

import ast
import csv
import json
import subprocess
import sys
from datetime import date
from pathlib import Path

import numpy as np
import pytest

from riskmodel.priors import PriorSet, load_priors
from riskmodel.records import Records, Vocabulary, read_records
from riskmodel.study import portfolios_of, read_study

DEMO = Path(__file__).parents[1] / "studies" / "skelderay"
MADE = ("sections.csv", "surveys.csv", "truth.json")
MEASURES = ("pre_survey", "separation_fabric", "prompt_sawing", "internal_curing")


@pytest.fixture(scope="module")
def truth() -> dict:
    return json.loads((DEMO / "truth.json").read_text(encoding="utf-8"))


@pytest.fixture(scope="module")
def rows() -> list[dict[str, str]]:
    with (DEMO / "sections.csv").open(encoding="utf-8", newline="") as file:
        return list(csv.DictReader(file))


@pytest.fixture(scope="module")
def priors() -> PriorSet:
    return load_priors()


@pytest.fixture(scope="module")
def records(priors: PriorSet) -> Records:
    study = read_study(DEMO)
    return read_records(
        study.sections,
        study.surveys,
        vocabulary=Vocabulary.of(priors),
        condition=study.condition,
        until=study.until,
    )


# the script


def test_the_script_makes_the_same_bytes_again(tmp_path):
    subprocess.run([sys.executable, DEMO / "make_records.py", tmp_path], check=True, capture_output=True)
    for name in MADE:
        assert (tmp_path / name).read_bytes() == (DEMO / name).read_bytes(), name


def test_the_generator_is_independent_of_the_model():
    for script in (DEMO / "make_records.py", DEMO / "true_lives.py"):
        tree = ast.parse(script.read_text(encoding="utf-8"))
        imported = {
            name.split(".")[0]
            for node in ast.walk(tree)
            if isinstance(node, ast.Import | ast.ImportFrom)
            for name in ([a.name for a in node.names] if isinstance(node, ast.Import) else [node.module or ""])
        }
        assert imported <= {*sys.stdlib_module_names, "numpy", "true_lives"}


def test_readme_states_the_truth(truth):
    readme = (DEMO / "README.md").read_text(encoding="utf-8")
    assert "does not exist" in readme
    for name, r in truth["results"]["register"].items():
        line = (
            f"| {name} | {r['early_failure_probability']:.4f} | {r['b10_age']:.2f} | {r['median_age']:.2f} "
            f"| {r['restricted_mean_age']:.2f} | {r['life_gain']:+.3f} |"
        )
        assert line in readme


# the truth


def test_about_one_in_ten_fails_early(truth):
    assert 0.07 < truth["results"]["register"]["current_practice"]["early_failure_probability"] < 0.13
    assert 0.07 < truth["early_failures"]["register"] / truth["sections"]["register"] < 0.13
    ages = np.array(list(truth["age_at_failure"].values()))
    assert (ages < 10).sum() == truth["early_failures"]["register"]


def test_lives_shown_agree_with_the_fates_redrawn(truth):
    """One fate a road against 2,000: within four binomial standard errors at 10, 25 and 45 years.

    The register leaves out roads lost before it began, so its lives lie a little above.
    """
    ages, current = np.array(list(truth["age_at_failure"].values())), truth["results"]["register"]["current_practice"]
    for age, expected in (
        (10.0, 1 - current["early_failure_probability"]),
        (25.0, current["survival_25"]),
        (45.0, current["survival_45"]),
    ):
        error = np.sqrt(expected * (1 - expected) / len(ages))
        assert abs((ages > age).mean() - expected) < 4 * error


def test_no_measure_shortens_life(truth):
    for results in (truth["results"]["register"], truth["results"]["ever_built"]):
        current = results["current_practice"]
        assert results["no_measures"]["life_gain"] < 0
        assert results["no_measures"]["early_failure_probability"] > current["early_failure_probability"]
        for measure in MEASURES:
            assert results[measure]["life_gain"] > 0
            assert results[measure]["early_failure_probability"] < current["early_failure_probability"]


def test_random_cracking_lies_a_prior_sd_from_its_prior(truth, priors):
    offset = truth["constants"]["RANDOM_CRACKING_LOG_SHARE"]
    assert abs(offset) >= priors.share_sd.distribution.median
    for kind, shares in truth["shares"].items():
        for mechanism in priors.mechanisms:
            if mechanism.name == "random_cracking" or kind not in mechanism.share:
                continue
            usual = priors.mechanism("random_cracking").share[kind] / mechanism.share[kind]
            ratio = shares["random_cracking"] / shares[mechanism.name]
            # shares are written with four decimals
            assert np.log(ratio / usual) == pytest.approx(offset, abs=1e-4 / shares[mechanism.name])


def test_internal_curing_lies_a_prior_sd_from_its_prior(truth, priors):
    true = next(e[2] for e in truth["constants"]["EFFECTS"] if e[:2] == ["internal_curing", "random_cracking"])
    effect = next(e for e in priors.measure("internal_curing").effects if "random_cracking" in e.mechanisms)
    assert effect.scale == "risk_ratio"
    prior = effect.ratio.distribution
    high = prior.interval(0.6827)[1]
    assert true > prior.median
    assert true >= high


def test_wear_out_lies_a_prior_sd_from_its_prior(truth, priors):
    common = priors.wear_out_sd_common.distribution.median
    for kind in priors.types:
        own = kind.wear_out_median.distribution
        low, high = own.interval(0.6827)
        sd = np.hypot(common, 0.5 * np.log(high / low))
        assert np.log(truth["wear_out_median"][kind.name] / own.median) <= -sd


def test_names_are_those_of_the_prior_files(truth, priors):
    assert tuple(truth["constants"]["MECHANISMS"]) == tuple(m.name for m in priors.mechanisms)
    assert set(truth["constants"]["TYPES"]) == {t.name for t in priors.types}
    assert set(MEASURES) <= {m.name for m in priors.measures}


# the records


def test_read_without_a_fault(records, truth):
    census = records.census
    assert census.sections == truth["sections"]["register"]
    assert 380 <= census.sections <= 424
    assert 2400 <= census.readings <= 3600
    assert records.until == date(2024, 12, 31)


def test_readme_states_the_counts(records, truth):
    readme, census = (DEMO / "README.md").read_text(encoding="utf-8"), records.census
    for words in (
        f"{census.sections} overlay sections",
        f"{census.readings:,} readings",
        f"{truth['early_failures']['register']} sections fail before age ten",
        f"{census.left_truncated} sections were opened before",
        f"{census.removed_condition} removals for condition",
        f"and {census.removed_other} for widening",
        f"thickness in {census.missing['thickness']:.0%}".replace("%", " %"),
        f"saw times in {census.missing['saw_delay_h']:.0%}".replace("%", " %"),
    ):
        assert words in readme, words


def test_census_shows_every_trouble(records):
    census = records.census
    assert census.left_truncated > 50
    assert census.removed_condition > 30
    assert 0.1 < census.removed_other / (census.removed_other + census.removed_condition) < 0.3
    assert census.failed_by_statement >= 5
    assert census.failed_by_reading > 30
    assert census.closed_at_restoration > 5
    assert census.removals_unused > 0
    assert census.rises
    assert census.projects_inferred > 0
    assert 0 < census.causes_named < 0.5 * census.removed_condition
    assert census.missing["saw_delay_h"] > 0.7
    assert 0.1 < census.missing["thickness"] < 0.2
    assert all(census.by_status.values()), census.by_status


def test_every_type_and_measure_is_there(records, truth):
    counts = truth["sections"]["register_by_type"]
    assert min(counts.values()) >= 15
    assert sorted(counts, key=counts.get)[-2:] == ["bonded_asphalt", "unbonded_concrete"]
    required = records.sections["required"]
    for measure in MEASURES:
        cells = required.sel(measure=measure).values
        assert (cells == 1).any()
        assert (cells == 0).any()
        assert np.isnan(cells).any()
        assert truth["really_done"][measure] < truth["required"][measure]


def test_trials_are_assigned_half_and_half(records):
    randomised, required = records.sections["randomised"], records.sections["required"]
    assert int(randomised.sum()) == 24
    for measure in ("internal_curing", "separation_fabric"):
        cells = required.sel(measure=measure).values[randomised.sel(measure=measure).values]
        assert len(cells) == 12
        assert cells.sum() == 6
    assert int(records.sections["verified"].sum()) > 12


def test_worse_roads_got_more_measures(truth):
    assert all(difference > 0 for difference in truth["selection"].values())


def test_some_recorded_causes_are_wrong(rows, truth):
    recorded = {row["section"]: row["cause"].split(";") for row in rows if row["cause"]}
    right = np.mean([truth["cause_of_failure"][name] in causes for name, causes in recorded.items()])
    assert 0.5 < right < 0.95
    assert any(len(causes) > 1 for causes in recorded.values())


def test_one_contractor_saws_late(rows):
    late = [float(r["saw_delay_h"]) for r in rows if r["saw_delay_h"] and r["contractor"] == "Gristlow Paving"]
    others = [float(r["saw_delay_h"]) for r in rows if r["saw_delay_h"] and r["contractor"] != "Gristlow Paving"]
    assert np.mean(late) > 1.25 * np.mean(others)


def test_contracts_hold_several_sections(rows):
    sizes = np.unique([r["section"].split("-")[0] for r in rows], return_counts=True)[1]
    assert 2 < sizes.mean() < 5
    assert sizes.max() <= 5


def test_study_names_all_combinations(priors):
    assert len(portfolios_of(read_study(DEMO), priors)) == 2 + 15
