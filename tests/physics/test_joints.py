"""Joint movement against the notebook's example and a textbook's."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy import constants

from riskmodel.errors import RangeWarning, RiskModelError
from riskmodel.physics import joints

INCH, FOOT = constants.inch, constants.foot
PER_F = 1.8  # a value per degF times this is one per degC
SLAB = {"temperature_drop": 25.0, "expansion": 1e-5, "shrinkage": 1e-4, "restraint": 0.8}


def test_movement_of_the_notebook():
    # FHWA Pavement Notebook, ch. 3, pp. 3.3.7-8, example A: 60 ft, 5.5e-6 per degF, 76 degF, 1e-4 -> 0.3 in
    got = joints.joint_movement(
        60 * FOOT, temperature_drop=76 / PER_F, expansion=5.5e-6 * PER_F, shrinkage=1e-4, restraint=0.80
    )
    assert got / INCH == pytest.approx(0.3, abs=0.005)


@pytest.mark.parametrize(("inches", "feet"), [(0.05, 14.9), (0.25, 74.6)])
def test_slab_length_of_the_textbook(inches, feet):
    # Huang, Pavement Analysis and Design, from memory: 0.65, 60 degF, 1e-4, 5.5e-6 per degF
    got = joints.slab_length_for(
        inches * INCH, temperature_drop=60 / PER_F, expansion=5.5e-6 * PER_F, shrinkage=1e-4, restraint=0.65
    )
    assert got / FOOT == pytest.approx(feet, abs=0.1)


@given(st.floats(0.3, 100), st.floats(0.1, 80), st.floats(0, 5e-4), st.floats(0.1, 1))
def test_length_inverts_movement(length, drop, shrinkage, restraint):
    slab = {"temperature_drop": drop, "expansion": 1e-5, "shrinkage": shrinkage, "restraint": restraint}
    movement = joints.joint_movement(length, **slab)
    if 1e-5 <= movement <= 0.1:
        assert joints.slab_length_for(movement, **slab) == pytest.approx(length)


@pytest.mark.parametrize("more", ["temperature_drop", "expansion", "shrinkage"])
@given(st.floats(1.001, 1.4))
def test_colder_drier_and_longer_opens_further(more, factor):
    base = joints.joint_movement(5.0, **SLAB)
    assert joints.joint_movement(5.0, **(SLAB | {more: SLAB[more] * factor})) > base
    assert joints.joint_movement(5.0 * factor, **SLAB) == pytest.approx(float(base) * factor)


def test_stabilised_base_holds_more():
    assert joints.BASE_RESTRAINT["stabilised"] < joints.BASE_RESTRAINT["granular"] < 1
    low, high = joints.NEW_CONCRETE_STRAIN
    assert 0 < low < high < 1e-3


def test_samples_broadcast():
    got = joints.joint_movement([[4.0], [6.0]], **(SLAB | {"temperature_drop": np.array([10.0, 20.0, 30.0])}))
    assert got.shape == (2, 3)
    assert got[1, 1] == pytest.approx(0.8 * 6 * (1e-5 * 20 + 1e-4))


@pytest.mark.parametrize(
    ("change", "match"),
    [
        ({"temperature_drop": -5}, "`temperature_drop`"),
        ({"expansion": 5.5}, "`expansion`"),
        ({"shrinkage": 100}, "shortening positive"),
        ({"restraint": 0}, "`restraint`"),
    ],
)
def test_impossible_slabs_stop(change, match):
    with pytest.raises(RiskModelError, match=match):
        joints.joint_movement(5.0, **(SLAB | change))


def test_impossible_lengths_stop():
    with pytest.raises(RiskModelError, match="`length`"):
        joints.joint_movement(5000, **SLAB)
    with pytest.raises(RiskModelError, match="`movement`"):
        joints.slab_length_for(2.0, **SLAB)
    with pytest.raises(RiskModelError, match="no joint opens"):
        joints.slab_length_for(1e-3, **(SLAB | {"temperature_drop": 0}))


def test_expansion_per_fahrenheit_warns():
    with pytest.warns(RangeWarning, match="per degF"):
        joints.joint_movement(5.0, **(SLAB | {"expansion": 5.5e-6}))
