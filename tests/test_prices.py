"""Prices as money of a section: units against hand values, one draw for all, and every fault with its remedy."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
import xarray as xr
from builders import priors, quantity
from money_cases import MEASURES, cost, costs, policy

from riskmodel.errors import StudyError
from riskmodel.measures import Portfolio
from riskmodel.policy import Level
from riskmodel.prices import Prices, Sizes, costs_of, shares_newly, validate_prices

# one lane-mile at 12 ft is 7,040 yd2 (5,280 ft x 12 ft / 9); 6 in thick
LANE_MILE = xr.Dataset({"area": ("section", [7040 * 0.83612736]), "thickness": ("section", [6 * 0.0254])})


@pytest.mark.parametrize(
    ("unit", "amount"),
    [
        ("yd2", 7040.0),
        ("yd2-in", 42_240.0),
        ("yd3", 7040 / 6),  # 6 in is a sixth of a yard
        ("m2", 5886.3366),
        ("m2-mm", 5886.3366 * 152.4),
        ("m3", 897.0776),
        ("lane-mile", 1.0),
        ("lane-km", 1.609344),
        ("each", 4.0),
        ("day", 4.0),
        ("section", 1.0),
    ],
)
def test_amounts_of_work_on_a_lane_mile(unit, amount):
    """By hand from exact units; 7,040 yd2 a lane-mile is an identity of the trade."""
    assert Sizes.of(LANE_MILE, policy()).amount(unit, 4.0)[0] == pytest.approx(amount, rel=1e-6)


def test_what_is_not_recorded_counts_as_the_mean_or_as_typical():
    table = xr.Dataset({"area": ("section", [100.0, np.nan, 300.0])})
    sizes = Sizes.of(table, policy(typical_thickness=0.15))
    np.testing.assert_allclose(sizes.area, [100, 200, 300])
    np.testing.assert_allclose(sizes.thickness, 0.15)
    assert (sizes.area_missing, sizes.thickness_missing) == (1, 3)


def prices_of(*more, count=4000, **changes):
    p = priors(costs=(*costs(), *more))
    return Prices(p, policy(**changes), LANE_MILE, seed=5, count=count)


def test_a_price_is_drawn_once_from_its_own_stream():
    one, two = prices_of(), prices_of(cost("another", 3.0))
    np.testing.assert_array_equal(one.draws("standby"), two.draws("standby"))
    assert np.corrcoef(one.draws("standby"), one.draws("repair"))[0, 1] == pytest.approx(0.0, abs=4 / np.sqrt(4000))
    assert np.median(one.draws("standby")) == pytest.approx(0.6, rel=4 * 1.25 * 0.2 / np.sqrt(4000))


def test_prices_of_another_year_come_with_an_index():
    old = cost("old", 10.0, year=2018, sd=0.0)
    found = prices_of(old, price_index={"2018": 1.3})
    np.testing.assert_allclose(found.draws("old"), 13.0)
    assert found.currency == "USD"


def test_prices_of_one_work_add_up():
    found = prices_of(cost("core", 250.0, "USD/each", sd=0.0), cost("radar", 300.0, "USD/lane-mile", sd=0.0),
                      numbers={"core": 4.0})  # fmt: skip
    np.testing.assert_allclose(found.money(("core", "radar"))[:, 0], 4 * 250 + 300)
    np.testing.assert_allclose(found.money(("core",), number=8.0)[:, 0], 2000)


def test_a_measures_prices_are_those_that_name_it_unless_the_study_says_otherwise():
    p = priors(costs=costs())
    assert costs_of("prompt_sawing", policy(), p) == ("standby",)
    assert costs_of("prompt_sawing", policy(measure_costs={"prompt_sawing": ("repair",)}), p) == ("repair",)


def test_where_a_measure_is_new():
    required = np.array([[1.0], [0.0], [np.nan], [0.0]])
    forced = np.array([[True], [True], [True], [False]])
    np.testing.assert_allclose(shares_newly(required, np.array([0.3]), forced)[:, 0], [0, 1, 0.7, 0])


PORTFOLIOS = [Portfolio("all", MEASURES)]


def test_sound_statements_pass():
    validate_prices(policy(levels=(Level("prompt_sawing", "half", 0.5, 0.4),)), priors(costs=costs()), PORTFOLIOS)


@pytest.mark.parametrize(
    ("changes", "lose", "add", "match"),
    [
        ({}, "standby", (), "a measure of a portfolio has a price; got 'prompt_sawing'.*measure_costs"),
        (
            {"overlay": ("overlay_aera",)},
            "",
            (),
            "no prior file has a .cost. table.*'overlay_aera'.*Write overlay_area",
        ),
        ({}, "repair", (cost("repair", 1.0, year=0),), "cost.repair.price_year`: a price states its price year"),
        ({}, "repair", (cost("repair", 1.0, year=2019),), "prices are of the year 2024.*'2019'.*price_index"),
        ({}, "repair", (cost("repair", 1.0, "EUR/m2"),), "one currency; got 'EUR, USD'"),
        ({}, "repair", (cost("repair", 1.0, "USD"),), "states currency and unit of work; got 'USD'.*USD/yd2"),
        ({}, "repair", (cost("repair", 1.0, "USD/each"),), "decision.numbers.repair`: a price each needs a number"),
        ({"survey": None}, "", (), "`decision.survey`: a survey before design costs what it finds"),
        (
            {"levels": (Level("prompt_sawin", "x", 0.5, 1.0),)},
            "",
            (),
            "decision.level x.*levels belong to a measure.*Write prompt_sawing",
        ),
    ],
)
def test_faults_are_named_with_their_remedy(changes, lose, add, match):
    p = priors(costs=(*(c for c in costs() if c.name != lose), *add))
    with pytest.raises(StudyError, match=f"(?s){match}"):
        validate_prices(policy(**changes), p, PORTFOLIOS)


def test_a_negative_price_is_refused():
    bad = replace(cost("repair", 1.0), amount=quantity("normal", 5.0, 10.0))
    p = priors(costs=(*(c for c in costs() if c.name != "repair"), bad))
    with pytest.raises(StudyError, match="a price is never below zero; got 'normal"):
        validate_prices(policy(), p, PORTFOLIOS)


def test_all_faults_come_at_once():
    p = priors(costs=tuple(c for c in costs() if c.name not in ("standby", "wet_sand")))
    with pytest.raises(StudyError) as caught:
        validate_prices(policy(survey=None), p, PORTFOLIOS)
    assert len(caught.value.faults) == 3
