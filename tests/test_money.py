"""Money over time against published worked values, a general library and identities."""

from __future__ import annotations

import numpy as np
import numpy_financial as library
import pytest
from hypothesis import given
from hypothesis import strategies as st

from riskmodel.money import (
    annuity_worth,
    capital_recovery,
    discount_factor,
    equivalent_annual_cost,
    present_value,
    real_rate,
    salvage_value,
)

RATES = st.floats(0.0, 0.12)
YEARS = st.integers(1, 60)


def test_a_sum_ten_years_away():
    """5 million after ten years at 3 %: 3 720 469.57. Fundamentals of Transportation (open textbook), Evaluation."""
    assert 5e6 * discount_factor(0.03, 10) == pytest.approx(3_720_469.57, abs=0.005)


def test_single_payment_factor():
    """(P/F, 4 %, 15) = 0.5553, from memory of tables of engineering economy."""
    assert discount_factor(0.04, 15) == pytest.approx(0.5553, abs=5e-5)


def test_a_pavement_with_two_rehabilitations_and_salvage():
    """The formula of FHWA-SA-98-079 (page not seen) written out by hand; the amounts are invented."""
    by_hand = 1000 + 300 / 1.04**15 + 300 / 1.04**25 - 150 / 1.04**35
    assert present_value(1000, [300, 300], [15, 25], 0.04, salvage=150, period=35) == pytest.approx(by_hand, rel=1e-12)


@given(RATES, YEARS)
def test_present_value_agrees_with_the_library(rate, years):
    costs = np.linspace(10, 90, years)
    ours = present_value(100.0, costs, np.arange(1, years + 1), rate)
    assert ours == pytest.approx(library.npv(rate, np.concatenate([[100.0], costs])), rel=1e-12)


# at a rate of 0 the library divides by zero, near it it loses digits
@given(st.floats(1e-3, 0.12), YEARS)
def test_annual_cost_agrees_with_the_library(rate, years):
    assert equivalent_annual_cost(1000.0, rate, years) == pytest.approx(-library.pmt(rate, years, 1000.0), rel=1e-9)
    assert annuity_worth(rate, years) == pytest.approx(-library.pv(rate, years, 1.0), rel=1e-9)


@given(st.floats(1e-12, 1e-4), YEARS)
def test_small_rates_keep_their_digits(rate, years):
    series = years - rate * years * (years + 1) / 2  # Taylor in the rate
    assert annuity_worth(rate, years) == pytest.approx(series, rel=(rate * years) ** 2 + 1e-12)


@given(RATES, YEARS)
def test_recovery_and_worth_are_inverse_and_the_yearly_sums_add_up(rate, years):
    assert capital_recovery(rate, years) * annuity_worth(rate, years) == pytest.approx(1.0)
    yearly = np.full(years, float(equivalent_annual_cost(70.0, rate, years)))
    assert present_value(0.0, yearly, np.arange(1, years + 1), rate) == pytest.approx(70.0)


def test_without_discounting_sums_are_sums():
    assert present_value(5.0, [1.0, 2.0], [10, 20], 0.0, salvage=0.5, period=30) == 7.5
    assert equivalent_annual_cost(60.0, 0.0, 30) == 2.0


def test_salvage_goes_with_the_life_that_is_left():
    np.testing.assert_allclose(salvage_value(100.0, [0.0, 5.0, 20.0], 20.0), [0.0, 25.0, 100.0])


def test_real_rate():
    """Nominal 7.12 % at 4 % inflation is 3 %: (1.0712 / 1.04 - 1)."""
    assert real_rate(0.0712, 0.04) == pytest.approx(0.03)


@pytest.mark.parametrize(
    ("call", "match"),
    [
        (lambda: discount_factor(-1.0, 3), "above -1"),
        (lambda: annuity_worth(0.03, 0), "more than 0 years"),
        (lambda: salvage_value(1.0, 1.0, 0.0), "expected life"),
        (lambda: real_rate(-1.0, 0.0), "above -1"),
    ],
)
def test_impossible_amounts_are_refused(call, match):
    with pytest.raises(ValueError, match=match):
        call()
