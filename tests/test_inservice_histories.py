"""The conversion of the public histories, its rule, and the simulation that checks the model on them."""

import importlib.util
import sys
from pathlib import Path

import numpy as np
import pandas as pd
import pytest
import xarray as xr

from riskmodel.condition import Condition
from riskmodel.priors import load_priors
from riskmodel.records import Vocabulary, read_records

STUDY = Path(__file__).parents[1] / "studies" / "inservice_histories"


def module(name):
    """A script of the study as a module."""
    spec = importlib.util.spec_from_file_location(name, STUDY / f"{name}.py")
    loaded = importlib.util.module_from_spec(spec)
    sys.modules[name] = loaded
    spec.loader.exec_module(loaded)
    return loaded


convert, compare = module("convert"), module("compare")
NONE = -1.0


def visits(*rows):
    return pd.DataFrame(rows, columns=["section", "surveyed", "ride_index", "restored"])


def rule(*rows):
    table = convert.failure_intervals(visits(*rows), 50.0)
    return {name: tuple(row) for name, row in table.fillna(NONE).iterrows()}


def test_the_failure_lies_between_two_visits():
    assert rule(("a", 3.0, 70, 0), ("a", 5.0, 52, 0), ("a", 8.0, 49, 0)) == {"a": (3.0, 5.0, 5.0, 8.0)}


def test_readings_after_the_first_low_one_change_nothing():
    found = rule(("a", 3.0, 70, 0), ("a", 5.0, 49, 0), ("a", 8.0, 55, 0), ("a", 9.0, 40, 0))
    assert found == {"a": (3.0, 3.0, 3.0, 5.0)}


def test_at_the_threshold_is_not_below_it():
    assert rule(("a", 3.0, 50, 0), ("a", 5.0, 50, 0)) == {"a": (3.0, 5.0, NONE, NONE)}


def test_work_closes_a_history_before_the_visit_that_reports_it():
    assert rule(("a", 3.0, 70, 0), ("a", 5.0, 55, 0), ("a", 8.0, 40, 1), ("a", 9.0, 30, 0)) == {
        "a": (3.0, 5.0, NONE, NONE)
    }


def test_a_section_low_at_its_first_visit_is_left_out():
    assert rule(("a", 3.0, 45, 0), ("a", 5.0, 60, 0), ("b", 4.0, 60, 0)) == {"b": (4.0, 4.0, NONE, NONE)}


def test_the_tables_are_what_the_script_makes():
    sections, surveys = convert.records()
    made = {
        "sections": sections,
        "surveys": surveys,
        "intervals": convert.interval_records(sections, surveys, convert.threshold()),
    }
    for name, table in made.items():
        text = table.to_csv(index=False, date_format="%Y-%m-%d", lineterminator="\n")
        assert (STUDY / f"{name}.csv").read_text(encoding="utf-8") == text, f"run convert.py: {name}.csv is old"


def test_the_census_counts_what_was_left_out():
    sections, surveys = convert.records()
    lines = convert.census(sections, surveys, convert.interval_records(sections, surveys, convert.threshold()))
    text = "\n".join(lines)
    assert "281 sections in the source, 9 without a date of construction" in text
    assert "272 sections with 3282 visits; 171 histories with recorded work" in text
    assert "14 sections below index 50 at the first visit" in text
    assert "258 sections with intervals: 13 failures, 12 without a second visit" in text


def test_our_reader_makes_the_same_ages_of_the_intervals():
    vocabulary = Vocabulary.of(load_priors(STUDY / "priors"))
    sections = read_records(STUDY / "intervals.csv", None, vocabulary=vocabulary).sections
    ages = convert.ages(convert.interval_records(*convert.records(), convert.threshold()))
    np.testing.assert_array_equal(sections["section"], ages["section"])
    np.testing.assert_allclose(sections["age_entry"], ages["age_entry"])
    np.testing.assert_allclose(sections["age_in_service"], ages["age_lower"])
    np.testing.assert_allclose(sections["age_upper"], ages["age_upper"])


def test_our_reader_takes_the_full_records():
    vocabulary = Vocabulary.of(load_priors(STUDY / "priors"))
    condition = Condition(column="ride_index", threshold=convert.threshold(), stretch=0.0)
    records = read_records(STUDY / "sections.csv", STUDY / "surveys.csv", vocabulary=vocabulary, condition=condition)
    status = pd.Series(records.readings["status"].values).value_counts()
    untouched = compare.all_visits().groupby("section")["restored"].cumsum() == 0
    assert status["used"] + status["far_below"] == untouched.sum()
    assert status["after_restoration"] == (~untouched).sum()


def test_the_threshold_is_a_published_limit():
    # poor ride above 170 inches a mile: US Code of Federal Regulations, title 23, section 490.313(b)(1) (from memory,
    # page not seen); index 100 exp(-0.26 IRI) with IRI in m/km
    roughness = 170 * 0.0254 / 1.609344
    assert 100 * np.exp(-0.26 * roughness) == pytest.approx(convert.threshold(), abs=0.5)


def test_simulated_readings_give_back_the_life_they_come_from():
    draw = xr.Dataset(
        {
            "wear_out_median": 30.0,
            "wear_out_shape": 2.0,
            "removal_lag": 1e6,
            "start_index": 80.0,
            "start_spread": 5.0,
            "noise": 1e-6,
            "kappa": 1.3,
        }
    )
    rng = np.random.default_rng(4)
    n = 1000
    ages = np.sort(np.column_stack([rng.uniform(0, 5, n), rng.uniform(5, 40, (n, 20))]), axis=1)
    plan = visits(*((f"s{i}", age, 0.0, 0) for i in range(n) for age in ages[i]))
    simulated = compare.simulate(draw, plan, np.array([-50.0, 0.0, 0.0, 0.0]), rng)
    assert not simulated["restored"].any()
    at = np.array([10.0, 20.0, 30.0, 35.0])
    survival, _ = compare.curve(simulated, at, 5.0)
    truth = 0.5 ** ((at / 30.0) ** 2 - (5.0 / 30.0) ** 2)
    # inspected 20 times: close to exact ages, so 4 binomial errors
    assert (np.abs(survival - truth) < 4 * np.sqrt(truth * (1 - truth) / n) + 0.005).all()


def test_simulated_work_has_the_odds_it_is_given():
    odds = np.array([-2.0, -0.5, 0.3, 0.5])
    rng = np.random.default_rng(8)
    draw = xr.Dataset(
        {
            "wear_out_median": 60.0,
            "wear_out_shape": 2.0,
            "removal_lag": 1e6,
            "start_index": 70.0,
            "start_spread": 8.0,
            "noise": 1.5,
            "kappa": 1.3,
        }
    )
    plan = compare.all_visits()
    found = [compare.work_odds(compare.simulate(draw, plan, odds, rng)) for _ in range(40)]
    error = np.std(found, axis=0) / np.sqrt(len(found))
    # logistic estimates lean outwards by about 1 / events; a hundred events or more each
    assert (np.abs(np.mean(found, axis=0) - odds) < 4 * error + 0.02).all()
