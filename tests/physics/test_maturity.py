"""Maturity, equivalent age and setting."""

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from riskmodel.errors import RangeWarning
from riskmodel.physics.limits import LimitError
from riskmodel.physics.maturity import (
    GAS_CONSTANT,
    arrhenius_rate,
    equivalent_age,
    exponential_strength,
    freiesleben_activation_energy,
    hyperbolic_strength,
    model_code_rate,
    setting_degree,
    temperature_time_factor,
)


def test_temperature_time_factor_of_two_half_days():
    # tutorial on ASTM C1074 (page not seen): 12 h at 20 and 12 h at 25 degC, datum 0: 540 degC h, exact
    assert temperature_time_factor([20, 25], [12, 12]) == 540


def test_datum_of_agency_practice():
    # agencies use a datum of -10 degC (page not seen): 10 degC h more an hour
    assert temperature_time_factor([20, 25], [12, 12], datum=-10) == 540 + 240


def test_fahrenheit_hours():
    # identity: 1 degF h = 5/9 degC h
    fahrenheit = np.array([68.0, 77.0])
    assert temperature_time_factor((fahrenheit - 32) * 5 / 9, 12) == pytest.approx(
        ((fahrenheit - 32) * 12).sum() * 5 / 9
    )


def test_temperature_time_factor_of_many_histories():
    history = np.array([[20.0, 25.0], [-5.0, 10.0]])
    np.testing.assert_allclose(temperature_time_factor(history, [12, 12]), [540, 120])
    np.testing.assert_allclose(temperature_time_factor(history, [12, 12], datum=[0, -10]), [540, 60 + 240])


def test_rate_from_20_to_30():
    # customary Q = 5000 K: 1.755 (from memory; tolerance .005)
    assert arrhenius_rate(30.0, activation_energy=5000 * GAS_CONSTANT) == pytest.approx(1.755, abs=0.005)


def test_model_code_rate_is_arrhenius_with_4000_kelvin():
    # identity to 0.4 %: EN 1992-1-1, annex B (page not seen)
    temperature = np.linspace(0, 60, 13)
    arrhenius = arrhenius_rate(temperature, activation_energy=4000 * GAS_CONSTANT, reference_temperature=20)
    np.testing.assert_allclose(model_code_rate(temperature), arrhenius, rtol=0.004)


def test_activation_energy_of_freiesleben_hansen_and_pedersen():
    # Freiesleben Hansen and Pedersen (1977), from memory
    np.testing.assert_allclose(freiesleben_activation_energy([5, 20, 35]), [33_500 + 22_050, 33_500, 33_500])


def test_equivalent_age_is_real_age_at_the_reference():
    assert equivalent_age(np.full(24, 20.0), np.ones(24)) == pytest.approx(24)
    many = equivalent_age(np.full((3, 24), 20.0), np.ones(24), activation_energy=[35e3, 40e3, 45e3])
    np.testing.assert_allclose(many, [24, 24, 24])


@given(st.floats(0, 40), st.floats(0.5, 30), st.floats(30e3, 60e3))
def test_warmth_ages_faster(temperature, warmer, energy):
    rates = arrhenius_rate([temperature, temperature + warmer], activation_energy=energy)
    assert rates[1] > rates[0]


def test_hyperbola():
    # identities: half the limit at k (t - t0) = 1, nothing before the start
    ours = hyperbolic_strength([10, 34], ultimate=40, rate=1 / 24, start=10)
    np.testing.assert_allclose(ours, [0, 20])
    assert hyperbolic_strength(5, ultimate=40, rate=1 / 24, start=10) == 0


def test_exponential():
    # identities: Su/e at te = tau, 0 at age 0, Su in the end
    ours = exponential_strength([0, 20, 1e9], ultimate=40, time_constant=20, shape=0.8)
    np.testing.assert_allclose(ours, [0, 40 / np.e, 40], rtol=1e-5)


def test_setting_degrees():
    # Schindler (2004), from memory: 0.15 and 0.26 w/cm
    initial, final = setting_degree(0.42)
    assert (initial, final) == (pytest.approx(0.063), pytest.approx(0.1092))


@pytest.mark.parametrize(
    ("call", "message"),
    [
        (
            lambda: temperature_time_factor([200], [1]),
            r"`temperature` must lie between -20 and 90 degC; got 200 at \[0\]",
        ),
        (lambda: temperature_time_factor([20], [-1]), "`hours` must lie at or above 0 h"),
        (lambda: temperature_time_factor([20], [1], datum=40), "`datum`"),
        (lambda: arrhenius_rate(20, activation_energy=40), "`activation_energy` must lie .* J/mol; got 40"),
        (lambda: arrhenius_rate(20, reference_temperature=70), "`reference_temperature`"),
        (lambda: setting_degree(42), "`w_cm` must lie between 0.25 and 0.7; got 42"),
        (lambda: hyperbolic_strength(1, ultimate=4000, rate=1), "`ultimate` must lie between 0 and 150 MPa"),
        (lambda: exponential_strength(-1, ultimate=40, time_constant=20, shape=1), "`age`"),
        (lambda: model_code_rate(120), "`temperature`"),
        (lambda: freiesleben_activation_energy(120), "`temperature`"),
    ],
)
def test_messages(call, message):
    with pytest.raises(LimitError, match=message):
        call()


def test_warns_outside_the_validated_range():
    with pytest.warns(RangeWarning, match="ettringite"):
        arrhenius_rate(85)
    with pytest.warns(RangeWarning, match="standard"):
        model_code_rate(-5)
