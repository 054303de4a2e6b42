"""Critical saturation: identities, a reference run and the directions that must hold."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from riskmodel.errors import RangeWarning, RiskModelError
from riskmodel.physics import saturation

airs = st.floats(0.005, 0.12)
rates = st.floats(0.0015, 0.006)


def test_identity():
    # (0.11 / 0.002)^2 = 3025 days
    assert saturation.time_to_critical(0.75, rate=0.002) == pytest.approx(3025)
    assert saturation.saturation_at(3025, initial=0.75, rate=0.002) == pytest.approx(0.86)


def test_damage_threshold():
    # Purdue, JTRP report of 2013 (page not seen): damage above about 86 % even after one freeze
    assert pytest.approx(0.86) == saturation.CRITICAL_SATURATION
    assert saturation.time_to_critical([0.86, 0.9], rate=0.003) == pytest.approx([0, 0], abs=1e-9)


def test_reference_run():
    # the equations worked once by hand: 335 kg/m3, w/c 0.42, hydration 0.8, air 2, 3, 4, 6 %
    pores = saturation.matrix_pores(335, 0.42, 0.8)
    start = saturation.matrix_saturation(pores, [0.02, 0.03, 0.04, 0.06])
    years = saturation.time_to_critical(start, rate=0.003) / saturation.DAYS_PER_YEAR
    assert start == pytest.approx([0.83, 0.76, 0.71, 0.62], abs=0.006)
    assert years == pytest.approx([0.3, 2.9, 7.2, 18], abs=0.15)
    # six per cent of air against three: about six times as long
    assert years[3] / years[1] == pytest.approx(6, abs=0.4)


@given(airs, st.floats(0.001, 0.03), rates)
def test_more_air_lengthens_saturation(air, more, rate):
    pores = saturation.matrix_pores(340, 0.42, 0.8)
    few, many = saturation.matrix_saturation(pores, [air, air + more])
    assert many < few
    assert saturation.time_to_critical(many, rate=rate) >= saturation.time_to_critical(few, rate=rate)


@given(st.floats(0.30, 0.6), st.floats(0.001, 0.1), airs)
def test_more_water_shortens_it(ratio, more, air):
    pores = saturation.matrix_pores(340, [ratio, ratio + more], 0.8)
    dry, wet = saturation.matrix_saturation(pores, air)
    assert wet > dry
    assert saturation.time_to_critical(wet, rate=0.003) <= saturation.time_to_critical(dry, rate=0.003)


@given(st.floats(0.3, 0.85), rates, st.floats(0.01, 1))
def test_time_and_saturation_are_inverse(initial, rate, wet):
    days = saturation.time_to_critical(initial, rate=rate, wet_share=wet)
    if days <= 1e6:
        assert saturation.saturation_at(days, initial=initial, rate=rate, wet_share=wet) == pytest.approx(0.86)


@given(st.floats(0.3, 0.85), st.floats(0.01, 1))
def test_a_joint_wet_half_the_time_lasts_twice(initial, wet):
    half = saturation.time_to_critical(initial, rate=0.003, wet_share=max(wet / 2, 0.01))
    assert half == pytest.approx(
        float(saturation.time_to_critical(initial, rate=0.003, wet_share=wet)) * wet / max(wet / 2, 0.01)
    )


@given(st.floats(0, 1e5), st.floats(0, 1e5), rates)
def test_saturation_rises_and_stops_at_one(one, other, rate):
    early, late = sorted((one, other))
    levels = saturation.saturation_at([early, late], initial=0.7, rate=rate)
    assert 0.7 <= levels[0] <= levels[1] <= 1


def test_samples_broadcast():
    got = saturation.time_to_critical([[0.6], [0.7]], rate=np.array([0.002, 0.003, 0.005]))
    assert got.shape == (2, 3)
    assert got[1, 1] == pytest.approx((0.16 / 0.003) ** 2)


@pytest.mark.parametrize(
    ("call", "match"),
    [
        (lambda: saturation.matrix_pores(20, 0.42, 0.8), "`cementitious`"),
        (lambda: saturation.matrix_pores(335, 42, 0.8), "by mass"),
        (lambda: saturation.matrix_pores(335, 0.42, 80), "`hydration`"),
        (lambda: saturation.matrix_saturation(0.1, 6), "not per cent"),
        (lambda: saturation.matrix_saturation(0, 0.06), "`pores`"),
        (lambda: saturation.saturation_at(-1, initial=0.7, rate=0.003), "`time`"),
        (lambda: saturation.time_to_critical(70, rate=0.003), "saturation as a fraction"),
        (lambda: saturation.time_to_critical(0.7, rate=0), "`rate`"),
        (lambda: saturation.time_to_critical(0.7, rate=0.003, critical=86), "`critical`"),
        (lambda: saturation.time_to_critical(0.7, rate=0.003, wet_share=0), "`wet_share`"),
    ],
)
def test_impossible_values_stop(call, match):
    with pytest.raises(RiskModelError, match=match):
        call()


def test_unmeasured_rates_warn():
    with pytest.warns(RangeWarning, match="`rate`"):
        saturation.time_to_critical(0.7, rate=0.05)
