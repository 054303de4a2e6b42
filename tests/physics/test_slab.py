"""Slab bending against published examples, closed forms and slow integrals."""

from __future__ import annotations

import warnings

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy import constants
from scipy.integrate import quad

from riskmodel.errors import RangeWarning, RiskModelError
from riskmodel.physics import slab

INCH = constants.inch
PSI = constants.psi / 1e6
PCI = PSI / INCH
KIP = constants.pound * constants.g  # kN in 1000 lbf


def radius_us(modulus: float, inches: float, pci: float) -> float:
    return float(slab.radius_of_relative_stiffness(modulus * PSI, inches * INCH, pci * PCI))


def test_radius_of_the_state_guide():
    # a state department's pavement guide, curling example, module 6: 35.3 in
    assert radius_us(5e6, 9, 200) / INCH == pytest.approx(35.3, abs=0.05)


@pytest.mark.parametrize(("inches", "expected"), [(168, 0.68), (144, 0.45)])
def test_coefficient_of_the_state_guide(inches, expected):
    # same example; the values were read off a chart, hence the tolerance
    assert slab.bradbury_coefficient(inches * INCH, 35.3 * INCH) == pytest.approx(expected, abs=0.03)


def test_coefficient_table():
    # IRC:58 table of the coefficient at B/l = 1 to 10, from memory
    table = [0, 0.04, 0.175, 0.44, 0.72, 0.92, 1.03, 1.077, 1.08, 1.075]
    assert slab.bradbury_coefficient(np.arange(1, 11), 1.0) == pytest.approx(table, abs=0.008)


def test_coefficient_is_the_printed_form():
    # the code has the tangent multiplied out and all scaled; this is Bradbury's form as printed
    ratio = np.array([0.7, 2.3, 5.1, 11.0, 19.0])
    x = ratio / np.sqrt(8)
    printed = 1 - 2 * np.cos(x) * np.cosh(x) / (np.sin(2 * x) + np.sinh(2 * x)) * (np.tan(x) + np.tanh(x))
    assert slab.bradbury_coefficient(ratio, 1.0) == pytest.approx(printed, rel=1e-10, abs=1e-12)
    quarter_turn = np.pi / 2 * np.sqrt(8)
    assert np.isfinite(slab.bradbury_coefficient([quarter_turn, 100.0], [1.0, 0.05])).all()


def test_curling_of_the_textbook():
    # Huang, Pavement Analysis and Design, example 4.1, from memory: l 30.57 in, 238 and 214 psi with C off the chart
    radius = radius_us(4e6, 8, 200)
    assert radius / INCH == pytest.approx(30.57, abs=0.02)
    common = {"modulus": 4e6 * PSI, "expansion": 5e-6 * 1.8, "radius": radius}
    interior = slab.interior_curling_stress(20 / 1.8, along=25 * 12 * INCH, across=12 * 12 * INCH, **common)
    edge = slab.edge_curling_stress(20 / 1.8, length=25 * 12 * INCH, **common)
    assert interior / PSI == pytest.approx(238, abs=3)
    assert edge / PSI == pytest.approx(214, abs=3)


@pytest.mark.parametrize(
    ("place", "stress", "deflection", "tolerance"),
    [("corner", 186.6, 0.0502, 0.3), ("interior", 143.7, 0.0067, 0.3), ("edge", 279.4, 0.0207, 0.6)],
)
def test_wheel_of_the_textbook(place, stress, deflection, tolerance):
    # Huang, examples 4.2 to 4.4, from memory: 10 kip on a 6 in circle, 10 in slab, 100 pci, 4e6 psi
    response = getattr(slab, f"{place}_load")(
        10 * KIP, 6 * INCH, modulus=4e6 * PSI, thickness=10 * INCH, subgrade=100 * PCI
    )
    assert response.stress / PSI == pytest.approx(stress, abs=tolerance)
    assert response.deflection / INCH == pytest.approx(deflection, abs=2e-4)


def test_quadratic_profile_has_a_closed_form():
    # T = A + B z + C z^2: the end difference bends, C h^2 / 6 is left at the top (identity)
    h, A, B, C = 0.25, 30.0, 12.0, 90.0
    z = np.linspace(0, h, 801)
    profile = slab.split_profile(A + B * z + C * z**2, z)
    assert profile.mean == pytest.approx(A + B * h / 2 + C * h**2 / 3, abs=1e-4)
    assert profile.difference == pytest.approx(B * h + C * h**2, abs=1e-4)
    assert profile.remainder[-1] == pytest.approx(C * h**2 / 6, abs=1e-4)


def test_profile_against_a_slow_integral():
    z = np.array([0.0, 0.04, 0.11, 0.2])
    rows = np.array([[20.0, 25.0, 22.0, 35.0], [18.0, 17.0, 21.0, 12.0]])
    profile = slab.split_profile(rows, z)
    for row, mean, difference in zip(rows, profile.mean, profile.difference, strict=True):

        def temperature(at, row=row):
            return np.interp(at, z, row)

        def moment(at, row=row):
            return np.interp(at, z, row) * (at - 0.1)

        assert mean == pytest.approx(quad(temperature, 0, 0.2, points=z[1:3])[0] / 0.2)
        assert difference == pytest.approx(12 / 0.2**2 * quad(moment, 0, 0.2, points=z[1:3])[0])


@given(st.lists(st.floats(-10, 50), min_size=2, max_size=6))
def test_remainder_has_neither_mean_nor_moment(temperatures):
    z = np.linspace(0, 0.2, len(temperatures))
    again = slab.split_profile(slab.split_profile(temperatures, z).remainder, z)
    assert again.mean == pytest.approx(0, abs=1e-9)
    assert again.difference == pytest.approx(0, abs=1e-9)


def test_a_warm_skin_is_in_compression():
    stress = slab.self_equilibrating_stress([2.0, -1.0], modulus=30_000, expansion=1e-5)
    assert stress == pytest.approx([-30_000 * 1e-5 * 2 / 0.85, 30_000 * 1e-5 / 0.85])


def test_moisture_in_degrees():
    # identity: 100 millionths at 5.5e-6 per degF are 18.2 degF
    got = slab.total_difference(0, at_set=0, moisture_difference=100e-6, expansion=5.5e-6 * 1.8)
    assert -got * 1.8 == pytest.approx(18.2, abs=0.05)


def test_what_was_built_in_is_taken_off():
    assert slab.total_difference(3.0, at_set=8.0, moisture_difference=0, expansion=1e-5) == pytest.approx(-5.0)
    # NCHRP 1-37A, from memory: -10 degF
    assert pytest.approx(-10) == slab.PERMANENT_DIFFERENCE * 1.8


def test_relative_panel_length():
    assert slab.relative_panel_length(4.5, [0.75, 0.9]) == pytest.approx([6, 5])


thick = st.floats(0.1, 0.4)
wheel = {"modulus": 28_000.0, "subgrade": 40.0}


@given(thick, st.floats(1.01, 2.0), st.sampled_from(["interior", "corner", "edge"]))
def test_thicker_slab_lowers_wheel_stress(thickness, factor, place):
    respond = getattr(slab, f"{place}_load")
    thin = respond(40, 0.12, thickness=thickness, **wheel)
    deep = respond(40, 0.12, thickness=thickness * factor, **wheel)
    assert deep.stress < thin.stress
    assert deep.deflection < thin.deflection


@given(thick, st.floats(10, 80), st.floats(1.05, 2))
def test_stiffer_base_lowers_deflection(thickness, subgrade, factor):
    soft = slab.edge_load(40, 0.12, modulus=28_000, thickness=thickness, subgrade=subgrade)
    firm = slab.edge_load(40, 0.12, modulus=28_000, thickness=thickness, subgrade=min(subgrade * factor, 150))
    assert firm.deflection < soft.deflection


@given(st.floats(0.3, 8), st.floats(1.01, 1.5))
def test_longer_panel_curls_harder(ratio, factor):
    # holds up to the hump of the coefficient near B/l = 8.5
    assert slab.bradbury_coefficient(min(ratio * factor, 8.4), 1) >= slab.bradbury_coefficient(ratio, 1)


@given(st.floats(0.3, 100), st.floats(0.3, 2))
def test_coefficient_stays_in_its_range(length, radius):
    assert -1e-9 < slab.bradbury_coefficient(length, radius) < 1.09


@given(st.floats(-15, 15))
def test_curling_is_odd_in_the_difference(difference):
    common = {"modulus": 30_000, "expansion": 1e-5, "along": 4.5, "across": 3.6, "radius": 0.9}
    day = slab.interior_curling_stress(difference, **common)
    night = slab.interior_curling_stress(-difference, **common)
    assert day == pytest.approx(-night)
    assert day * difference >= 0


def test_shapes_broadcast():
    h = np.linspace(0.15, 0.3, 5)[:, None]
    response = slab.interior_load([20.0, 40.0, 60.0], 0.12, thickness=h, **wheel)
    assert response.stress.shape == (5, 3)
    assert response.stress[2, 1] == pytest.approx(
        float(slab.interior_load(40, 0.12, thickness=h[2, 0], **wheel).stress)
    )


@pytest.mark.parametrize(
    ("call", "match"),
    [
        (lambda: slab.radius_of_relative_stiffness(4e6, 0.2, 40), "`modulus` must lie between 100 and 100000 MPa"),
        (lambda: slab.radius_of_relative_stiffness(30, 0.2, 40), "`modulus`"),
        (lambda: slab.radius_of_relative_stiffness(30_000, 8, 40), "`thickness` must lie between 0.02 and 1 m"),
        (lambda: slab.radius_of_relative_stiffness(30_000, 0.2, 0), "`subgrade`"),
        (lambda: slab.radius_of_relative_stiffness(30_000, 0.2, 40, poisson=0.7), "`poisson`"),
        (lambda: slab.checked_expansion(10), "`expansion` must lie between 1e-06 and 3e-05 1/degC"),
        (lambda: slab.bradbury_coefficient(4500, 0.9), "`length`"),
        (lambda: slab.bradbury_coefficient(4.5, 35), "`radius`"),
        (lambda: slab.relative_panel_length(0, 0.9), "`panel_length`"),
        (lambda: slab.interior_load(40_000, 0.12, thickness=0.2, **wheel), "`load`"),
        (lambda: slab.interior_load(40, 6, thickness=0.2, **wheel), "`contact_radius`"),
        (
            lambda: slab.edge_curling_stress(100, modulus=3e4, expansion=1e-5, length=4, radius=0.9),
            "`difference` must lie between -60 and 60 degC",
        ),
        (lambda: slab.split_profile([20, 30], [0.2, 0.0]), "List the nodes from the bottom up"),
        (lambda: slab.split_profile([20, 25, 30], [0, 0.2]), "Put the depth last"),
        (lambda: slab.split_profile([20, np.nan], [0, 0.2]), "`temperature`"),
        (lambda: slab.self_equilibrating_stress(90, modulus=3e4, expansion=1e-5), "`remainder`"),
        (lambda: slab.total_difference(99, at_set=0, moisture_difference=0, expansion=1e-5), "`measured`"),
        (lambda: slab.total_difference(9, at_set=99, moisture_difference=0, expansion=1e-5), "`at_set`"),
        (lambda: slab.total_difference(9, at_set=0, moisture_difference=100, expansion=1e-5), "`moisture_difference`"),
    ],
)
def test_impossible_values_stop(call, match):
    with pytest.raises(RiskModelError, match=match):
        call()


@pytest.mark.parametrize(
    ("call", "match"),
    [
        (lambda: slab.checked_expansion(5.5e-6), "meant per degF"),
        (lambda: slab.radius_of_relative_stiffness(30_000, 0.2, 200), "meant in pci"),
        (lambda: slab.edge_curling_stress(30, modulus=3e4, expansion=1e-5, length=4, radius=0.9), "lift off"),
        (lambda: slab.interior_load(40, 0.6, thickness=0.2, **wheel), "not a wheel"),
    ],
)
def test_unproved_values_warn(call, match):
    with pytest.warns(RangeWarning, match=match):
        call()


def test_ordinary_values_are_quiet():
    with warnings.catch_warnings():
        warnings.simplefilter("error")
        slab.radius_of_relative_stiffness(28_000, 0.25, 54)
