"""Shrinkage against the worked example of the American report, and identities of warping."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from riskmodel.errors import RangeWarning, RiskModelError
from riskmodel.physics import shrinkage

# ACI 209.2R-08, App. C, pp. 37-38: fcm 33 MPa, 70 % humidity, V/S 100 mm, cured for 7 days
EXAMPLE = {"strength": 33.0, "humidity": 0.70, "volume_surface": 0.100, "drying_from": 7.0}


@pytest.mark.parametrize(("age", "expected"), [(14, -32), (28, -55), (90, -107), (365, -205)])
def test_drying_of_the_report(age, expected):
    assert shrinkage.drying_shrinkage_1990(age, **EXAMPLE) * 1e6 == pytest.approx(expected, abs=1)


def test_notional_values_of_the_report():
    # same pages: 445 and 444 millionths
    assert shrinkage.notional_shrinkage_1990(33) * 1e6 == pytest.approx(445, abs=0.5)
    assert shrinkage.notional_shrinkage_1999(33) * 1e6 == pytest.approx(444, abs=0.5)


def test_humidity_factor_of_the_report():
    # same pages: -1.018, reached by the model at infinite time
    ratio = shrinkage.drying_shrinkage_1990(1e5, **(EXAMPLE | {"volume_surface": 0.005}))
    assert ratio / shrinkage.notional_shrinkage_1990(33) == pytest.approx(-1.018, abs=1e-3)


def test_later_model_of_the_report():
    # same pages: drying part -204 millionths at 365 days
    assert shrinkage.drying_shrinkage_1999(365, **EXAMPLE) * 1e6 == pytest.approx(-204, abs=0.5)


def test_autogenous_part():
    # values by hand from the published equation, normal cement at 28 days
    got = -shrinkage.autogenous_shrinkage(28, strength=[38.0, 50.0]) * 1e6
    by_hand = [700 * (f / (6 + f)) ** 2.5 * (1 - np.exp(-0.2 * 28**0.5)) for f in (3.8, 5.0)]
    assert got == pytest.approx(by_hand)
    assert got == pytest.approx([43, 64], abs=0.5)


def test_identities_of_the_hyperbolas():
    # ACI 209R: half of the end value at 35 days, creep at 46.4 days
    assert shrinkage.shrinkage_hyperbolic(35) == pytest.approx(-390e-6)
    assert shrinkage.creep_hyperbolic(46.4) == pytest.approx(2.35 / 2, rel=1e-3)
    assert shrinkage.shrinkage_hyperbolic(35, correction=0.7) == pytest.approx(-273e-6)


def test_slab_dries_from_one_face():
    assert shrinkage.volume_surface_ratio(0.2) == pytest.approx(0.2)
    assert shrinkage.volume_surface_ratio(0.2, faces=2) == pytest.approx(0.1)


def test_warping_identities():
    # 100 millionths over 0.2 m: curvature 5e-4 per m, lift 1.6 mm at 2.53 m; 18.2 degF at 5.5e-6 per degF
    assert shrinkage.curvature(100e-6, 0.2) == pytest.approx(5e-4)
    assert shrinkage.corner_lift(100e-6, 0.2, 2.53) == pytest.approx(5e-4 * 2.53**2 / 2)
    assert shrinkage.equivalent_difference(100e-6, 9.9e-6) * 1.8 == pytest.approx(18.2, abs=0.05)


def test_nothing_dries_under_cure():
    assert shrinkage.drying_shrinkage_1990([0, 3, 7], **EXAMPLE) == pytest.approx([0, 0, 0])


ages = st.floats(1, 5000)


@given(ages, ages)
@pytest.mark.parametrize("model", [shrinkage.drying_shrinkage_1990, shrinkage.drying_shrinkage_1999])
def test_shrinkage_grows_with_age(model, one, other):
    early, late = sorted((one, other))
    assert model(late, **EXAMPLE) <= model(early, **EXAMPLE) <= 0


@given(st.floats(0.4, 0.95), st.floats(0.001, 0.04), st.floats(20, 70), st.floats(0.05, 0.4))
@pytest.mark.parametrize("model", [shrinkage.drying_shrinkage_1990, shrinkage.drying_shrinkage_1999])
def test_damp_air_and_thick_slabs_shrink_less(model, humidity, more, strength, size):
    base = model(90, strength=strength, humidity=humidity, volume_surface=size)
    assert model(90, strength=strength, humidity=humidity + more, volume_surface=size) >= base
    assert model(90, strength=strength, humidity=humidity, volume_surface=size + more) >= base


@given(st.floats(20, 69), st.floats(0.1, 1))
def test_stronger_paste_dries_less_and_self_desiccates_more(strength, more):
    assert shrinkage.notional_shrinkage_1990(strength + more) < shrinkage.notional_shrinkage_1990(strength)
    assert shrinkage.notional_shrinkage_1999(strength + more) < shrinkage.notional_shrinkage_1999(strength)
    weak = shrinkage.autogenous_shrinkage(28, strength=strength)
    assert shrinkage.autogenous_shrinkage(28, strength=strength + more) < weak


@given(ages, ages)
def test_creep_grows(one, other):
    early, late = sorted((one, other))
    assert shrinkage.creep_hyperbolic(early) <= shrinkage.creep_hyperbolic(late) < 2.35


def test_rapid_cement_shrinks_more():
    rapid, normal, slow = (shrinkage.notional_shrinkage_1990(33, cement=name) for name in ("rapid", "normal", "slow"))
    assert rapid > normal > slow


def test_samples_broadcast():
    got = shrinkage.drying_shrinkage_1990([[28.0], [365.0]], **(EXAMPLE | {"humidity": [0.5, 0.7, 0.9]}))
    assert got.shape == (2, 3)
    assert got[1, 1] == pytest.approx(float(shrinkage.drying_shrinkage_1990(365, **EXAMPLE)))


@pytest.mark.parametrize(
    ("call", "match"),
    [
        (lambda: shrinkage.drying_shrinkage_1990(90, **(EXAMPLE | {"humidity": 70})), "humidity as a fraction"),
        (lambda: shrinkage.drying_shrinkage_1990(90, **(EXAMPLE | {"volume_surface": 100})), "`volume_surface`"),
        (lambda: shrinkage.drying_shrinkage_1990(90, **(EXAMPLE | {"strength": 4800})), "`strength`"),
        (lambda: shrinkage.drying_shrinkage_1990(-1, **EXAMPLE), "`age`"),
        (lambda: shrinkage.drying_shrinkage_1990(90, **(EXAMPLE | {"drying_from": -7})), "`drying_from`"),
        (lambda: shrinkage.autogenous_shrinkage(28, strength=33, cement="type i"), "slow, normal, rapid; got 'type i'"),
        (lambda: shrinkage.volume_surface_ratio(8), "`thickness`"),
        (lambda: shrinkage.volume_surface_ratio(0.2, faces=3), "`faces`"),
        (lambda: shrinkage.shrinkage_hyperbolic(-1), "`drying_time`"),
        (lambda: shrinkage.shrinkage_hyperbolic(1, correction=0), "`correction`"),
        (lambda: shrinkage.creep_hyperbolic(-1), "`loaded_time`"),
        (lambda: shrinkage.curvature(100, 0.2), "not in millionths"),
        (lambda: shrinkage.corner_lift(1e-4, 0.2, 100), "`reach`"),
        (lambda: shrinkage.equivalent_difference(1e-4, 5.5), "`expansion`"),
    ],
)
def test_impossible_values_stop(call, match):
    with pytest.raises(RiskModelError, match=match):
        call()


@pytest.mark.parametrize("change", [{"humidity": 0.3}, {"strength": 80.0}, {"drying_from": 0.5}])
def test_unproved_values_warn(change):
    with pytest.warns(RangeWarning, match=next(iter(change))):
        shrinkage.drying_shrinkage_1990(90, **(EXAMPLE | change))
