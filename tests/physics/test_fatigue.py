"""Fatigue laws against a published damage table, inverses and order."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from riskmodel.errors import RangeWarning, RiskModelError
from riskmodel.physics import fatigue

ratios = st.floats(0.05, 1.0)
laws = st.sampled_from(sorted(fatigue.LAWS))

# IRC:58-2015, App. VII, table of cumulative damage for bottom-up cracking (page not seen): flexural stress in MPa
# and allowable repetitions, modulus of rupture 1.1 x 4.5 MPa
TABLE = [
    (3.247, 6513),
    (3.128, 12763),
    (3.008, 25010),
    (2.888, 49006),
    (2.768, 96028),
    (2.649, 194161),
    (2.529, 467647),
    (2.409, 1562222),
    (2.289, 10789039),
    (2.8055, 77933),
    (2.6976, 143689),
    (2.5897, 290566),
    (2.4817, 713832),
    (2.3738, 2476456),
    (2.2659, 18917537),
]


@pytest.mark.parametrize(("stress", "repetitions"), TABLE)
def test_piecewise_law_of_the_indian_code(stress, repetitions):
    # the last rows lie near the pole at 0.4325, where the third decimal of the printed stress moves N by 1 %
    tolerance = 0.004 if repetitions < 5e6 else 0.015
    assert 10 ** fatigue.piecewise(stress / 4.95) == pytest.approx(repetitions, rel=tolerance)


def test_below_the_endurance_limit_life_is_unlimited():
    # same table: 2.158 MPa and less are printed as infinite
    assert np.isinf(fatigue.piecewise(np.array([2.158, 2.050, 1.618]) / 4.95)).all()


@pytest.mark.parametrize(("ratio", "repetitions"), [(0.50, 762_043), (0.55, 124_526)])
def test_piecewise_law_of_the_older_code(ratio, repetitions):
    # IRC:58-2002 table, from memory
    assert 10 ** fatigue.piecewise(ratio) == pytest.approx(repetitions, rel=1e-5)


def test_published_damage_sum():
    # the table's own sum of damage, 8.745 for single axles, with its printed counts (IRC:58-2015, page not seen)
    counts = [29396, 33546, 25974, 19986, 9064, 8409, 6589, 6644, 6644, 5916, 5916, 23936]
    stress = [3.247, 3.128, 3.008, 2.888, 2.768, 2.649, 2.529, 2.409, 2.289, 2.170, 2.050, 1.930]
    got = fatigue.damage(counts, np.array(stress) / 4.95, law="piecewise")
    assert got == pytest.approx(8.745, rel=0.003)


def test_the_laws_are_far_apart():
    # the published equations at 0.6: the reason why a law never takes another method's stress
    got = {name: float(10 ** law(0.6)) for name, law in fatigue.LAWS.items()}
    assert got == pytest.approx({"piecewise": 3.1e4, "log_linear": 1.1e7, "power": 1.5e4}, rel=0.05)


@pytest.mark.parametrize(("law", "expected"), [("log_linear", 7.6), ("piecewise", 6.1), ("power", 3.3)])
def test_life_multiplier_between_two_ratios(law, expected):
    # identity of the published equations, stress ratio 0.55 to 0.50
    assert fatigue.life_multiplier(0.50, 0.55, law=law) == pytest.approx(expected, rel=0.02)


def test_life_multiplier_at_the_endurance_limit():
    assert fatigue.life_multiplier([0.3, 0.3, 0.5], [0.4, 0.5, 0.3], law="piecewise") == pytest.approx([1, np.inf, 0])


@pytest.mark.parametrize(("probability", "repetitions"), [(0.5, 3.25e4), (0.1, 1.0e3)])
def test_probabilistic_law(probability, repetitions):
    # Titus-Glover et al. 2005, constants from memory; values by hand from them
    assert 10 ** fatigue.log10_repetitions_at(probability, 0.7) == pytest.approx(repetitions, rel=0.02)


@given(st.floats(0.001, 0.999), st.floats(0.3, 1.0))
def test_probabilistic_law_inverts(probability, ratio):
    log10_n = float(fatigue.log10_repetitions_at(probability, ratio))
    if log10_n < 15:
        assert fatigue.failure_probability(10**log10_n, ratio) == pytest.approx(probability, rel=1e-6)


@given(st.floats(1, 1e12), st.floats(0.3, 0.99))
def test_failure_grows_with_load_and_stress(repetitions, ratio):
    base = fatigue.failure_probability(repetitions, ratio)
    assert 0 <= base <= 1
    assert fatigue.failure_probability(repetitions * 10, ratio) >= base
    assert fatigue.failure_probability(repetitions, ratio + 0.01) >= base


@given(laws, ratios, ratios)
def test_more_stress_never_lasts_longer(law, one, other):
    low, high = sorted((one, other))
    assert fatigue.log10_repetitions(low, law=law) >= fatigue.log10_repetitions(high, law=law)


def test_piecewise_joins_at_its_knee():
    # the two published branches meet at 0.55 within 1 % in N
    assert fatigue.piecewise(0.55) == pytest.approx(fatigue.piecewise(0.55 + 1e-9), abs=0.005)


@given(laws, st.floats(0.3, 0.9), st.floats(0.3, 0.9))
def test_multiplier_and_its_inverse(law, one, other):
    there = float(fatigue.life_multiplier(one, other, law=law))
    back = float(fatigue.life_multiplier(other, one, law=law))
    if 0 < there < np.inf:
        assert there * back == pytest.approx(1)


def test_damage_is_the_slow_sum():
    counts, ratio = np.array([[1e4, 2e3, 50.0], [0.0, 3e3, 1e5]]), np.array([0.5, 0.6, 0.3])
    slow = [sum(n / 10 ** float(fatigue.power(r)) for n, r in zip(row, ratio, strict=True)) for row in counts]
    assert fatigue.damage(counts, ratio, law="power") == pytest.approx(slow)


def test_half_the_slabs_crack_at_a_damage_of_one():
    # NCHRP 1-37A, from memory
    assert fatigue.share_cracked([0.0, 1.0, 1e6]) == pytest.approx([0, 0.5, 1], abs=1e-9)


@given(st.floats(0, 1e4), st.floats(0, 1e4))
def test_more_damage_cracks_more_slabs(one, other):
    low, high = sorted((one, other))
    assert 0 <= fatigue.share_cracked(low) <= fatigue.share_cracked(high) <= 1


@pytest.mark.parametrize(
    ("call", "match"),
    [
        (lambda: fatigue.power(300.0), "Divide the stress by the modulus of rupture"),
        (lambda: fatigue.power(0.0), "`ratio`"),
        (lambda: fatigue.log10_repetitions(0.5, law="beam"), "`law` must be one of piecewise, log_linear, power"),
        (lambda: fatigue.life_multiplier(0.5, 0.6, law=""), "`law` must be one of"),
        (lambda: fatigue.log10_repetitions_at(1.0, 0.5), "`probability`"),
        (lambda: fatigue.failure_probability(0, 0.5), "`repetitions`"),
        (lambda: fatigue.damage([-1], [0.5], law="power"), "`repetitions`"),
        (lambda: fatigue.share_cracked(-1), "`damage`"),
        (lambda: fatigue.share_cracked(1, scale=0), "`scale`"),
        (lambda: fatigue.share_cracked(1, exponent=2), "`exponent`"),
    ],
)
def test_impossible_values_stop(call, match):
    with pytest.raises(RiskModelError, match=match):
        call()


@pytest.mark.parametrize("law", sorted(fatigue.LAWS))
def test_breaking_at_once_warns(law):
    with pytest.warns(RangeWarning, match="breaks at the first load"):
        fatigue.log10_repetitions(1.2, law=law)
