"""Reflection over working joints: a reference run of the equations and the directions that must hold."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy import constants
from scipy.stats import beta

from riskmodel.errors import RiskModelError
from riskmodel.physics import interlayer, joints
from riskmodel.physics.interlayer import WorkingJoint

INCH, FOOT = constants.inch, constants.foot
PSI = constants.psi / 1e6


def opening(drop_f):
    return joints.joint_movement(
        15 * FOOT, temperature_drop=drop_f / 1.8, expansion=5.5e-6 * 1.8, shrinkage=0.0, restraint=0.65
    )


# Reference run, worked once by hand: 15 ft old slab, gauge length 24 in, 3.5e6 psi, 400 psi in tension, friction 1.5
JOINT = WorkingJoint(
    movement=opening(40),
    modulus=3.5e6 * PSI,
    strength=400 * PSI,
    overlay_length=15 * FOOT,
    friction=1.5,
    gauge_length=24 * INCH,
)


def test_reference_stresses():
    run = interlayer.reflection_chance(0.5, JOINT)
    assert JOINT.movement / INCH == pytest.approx(0.0257, abs=5e-5)
    assert run.locked_stress / PSI == pytest.approx(1877, abs=5)
    assert run.separated_stress / PSI == pytest.approx(11.7, abs=0.05)


def test_reference_chances():
    run = interlayer.reflection_chance([0.80, 0.10, 0.03], JOINT)
    assert run.chance == pytest.approx([0.80, 0.10, 0.03], abs=5e-4)
    log_odds = np.log(run.chance / (1 - run.chance))
    assert log_odds == pytest.approx([1.39, -2.20, -3.48], abs=0.01)


def test_reference_chances_over_temperature():
    mild = replace(JOINT, movement=opening(np.array([5.0, 8.0, 10.0, 15.0])))
    assert interlayer.reflection_chance(0.80, mild).chance == pytest.approx([0.055, 0.33, 0.60, 0.80], abs=0.006)


def test_effect_of_the_reference_fabric():
    got = interlayer.separation_effect([0.10, 0.03], 0.80, JOINT)
    assert got == pytest.approx([-2.20 - 1.39, -3.48 - 1.39], abs=0.02)


def test_assumed_lock_up_is_ordered_and_wide():
    none, asphalt, fabric = (beta(*interlayer.LOCK_UP[name]) for name in ("none", "asphalt", "fabric"))
    assert none.mean() > asphalt.mean() > fabric.mean()
    assert all(law.ppf(0.95) > 2 * law.ppf(0.05) for law in (asphalt, fabric))


share = st.floats(0, 1)
moves = st.floats(0, 2e-3)


@given(share, moves)
def test_matched_joints_do_not_reflect(lock_up, movement):
    joint = replace(JOINT, movement=movement, matched=True)
    assert interlayer.reflection_chance(lock_up, joint).chance == 0
    assert interlayer.separation_effect(lock_up, 0.8, joint) == 0


@given(share, share, moves)
def test_less_lock_up_never_reflects_more(one, other, movement):
    low, high = sorted((one, other))
    joint = replace(JOINT, movement=movement)
    run = interlayer.reflection_chance([low, high], joint)
    if run.locked_stress >= run.separated_stress:
        assert run.chance[0] <= run.chance[1] + 1e-12
        assert interlayer.separation_effect(low, high, joint) <= 1e-9


@given(share, moves, moves)
def test_more_movement_reflects_more(lock_up, one, other):
    low, high = sorted((one, other))
    run = interlayer.reflection_chance(lock_up, replace(JOINT, movement=[low, high]))
    assert 0 <= run.chance[0] <= run.chance[1] <= 1


@given(share, moves, st.floats(1, 5), st.floats(0.01, 2))
def test_stronger_concrete_reflects_less(lock_up, movement, strength, more):
    run = interlayer.reflection_chance(lock_up, replace(JOINT, movement=movement, strength=[strength, strength + more]))
    assert run.chance[1] <= run.chance[0]


@given(share, st.floats(-2, 0))
def test_learnt_intercept_lowers_the_chance(lock_up, intercept):
    mild = replace(JOINT, movement=3e-4)
    plain = interlayer.reflection_chance(lock_up, mild).chance
    assert interlayer.reflection_chance(lock_up, replace(mild, intercept=intercept)).chance <= plain + 1e-12


def test_a_still_joint_leaves_only_drag():
    run = interlayer.reflection_chance(1.0, replace(JOINT, movement=0.0))
    assert run.locked == 0
    assert run.chance == 0


def test_samples_broadcast():
    joint = replace(JOINT, movement=np.array([1e-4, 2e-4, 3e-4]), matched=np.array([False, True, False]))
    run = interlayer.reflection_chance([[0.1], [0.8]], joint)
    assert run.chance.shape == (2, 3)
    assert (run.chance[:, 1] == 0).all()
    assert run.chance[1, 2] == pytest.approx(
        float(interlayer.reflection_chance(0.8, replace(JOINT, movement=3e-4)).chance)
    )


@pytest.mark.parametrize(
    ("change", "match"),
    [
        ({"movement": 1.0}, "`movement`"),
        ({"modulus": 3.5e6}, "`modulus`"),
        ({"modulus": 25}, "`modulus`"),
        ({"strength": 400}, "`strength`"),
        ({"overlay_length": 4500}, "`overlay_length`"),
        ({"friction": -1}, "`friction`"),
        ({"gauge_length": 24}, "`gauge_length`"),
        ({"relaxation": 2}, "`relaxation`"),
        ({"matched": 1}, "`matched` must be true or false"),
    ],
)
def test_impossible_joints_stop(change, match):
    with pytest.raises(RiskModelError, match=match):
        interlayer.reflection_chance(0.5, replace(JOINT, **change))


def test_lock_up_is_a_share():
    with pytest.raises(RiskModelError, match=r"`lock_up`.*not per cent"):
        interlayer.reflection_chance(80, JOINT)
