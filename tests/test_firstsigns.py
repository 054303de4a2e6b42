"""Which yearly comparison confirms a change first: made-up futures whose answer is known."""

from __future__ import annotations

import numpy as np
import pytest
from scipy import optimize

from riskmodel.condition import Condition
from riskmodel.errors import RiskModelWarning
from riskmodel.firstsigns import EVERYTHING, _probability, first_signs, yearly_signs
from riskmodel.trial import NO_READING, NOT_RECORDED, READ, Outcomes

CONDITION = Condition()


def outcomes(index: np.ndarray, removed: np.ndarray | None = None) -> Outcomes:
    """Trials from readings (trial, section, year); NaN where there is none."""
    there = np.isfinite(index)
    z = np.where(there, CONDITION.to_z(np.where(there, index, 90.0)), np.nan)
    gone = np.full(index.shape[:2], np.inf) if removed is None else removed
    return Outcomes(CONDITION, np.arange(len(index)), np.zeros(index.shape[1], int), gone, z,
                    np.where(there, READ, NO_READING).astype(np.int8), np.full(gone.shape, NOT_RECORDED))  # fmt: skip


def test_comparisons_by_hand():
    """Two pairs, one opened each year, three years. Treated first in each pair."""
    index = np.array(
        [
            [
                [90.0, 80.0, 70.0],  # treated, opened in year 0
                [90.0, 70.0, 55.0],  # control: seen failed at age 3
                [88.0, 84.0, 80.0],  # treated, opened in year 1
                [86.0, np.nan, np.nan],  # control: taken out at age 1.5
            ]
        ]
    )
    removed = np.array([[np.inf, np.inf, np.inf, 1.5]])
    found = yearly_signs(outcomes(index, removed), 1)
    # year 3: treated 5 section-years and no failure; control: 3 + 2 section-years, two failures
    assert found["failures seen so far"][0, 2] == pytest.approx(0.0 - 2 / 5)
    assert found["failures seen so far"][0, 0] == 0.0
    # year 2: readings of that year are at ages 2 and 1
    assert found["worst tenth of the readings"][0, 1] == pytest.approx(80.0 - 70.0)
    assert found["mean fall in a year"][0, 1] == pytest.approx(-10.0 - -20.0)
    assert found["mean reading at age 2"][0, 1] == pytest.approx(10.0)
    # a road taken out keeps its last reading
    assert found["mean reading at age 2"][0, 2] == pytest.approx((80.0 + 84.0) / 2 - (70.0 + 86.0) / 2)
    assert np.isnan(found["mean reading at age 2"][0, 0])
    assert "mean reading at age 5" not in found


def futures(step: np.ndarray, years: int = 8, trials: int = 400, pairs: int = 8, seed: int = 1):
    """Readings around 90 of which those with a positive effect are higher by `step` (year,)."""
    rng = np.random.default_rng(seed)
    event = rng.random(trials) < 0.5
    index = 88.0 + rng.normal(0.0, 2.0, (trials, 2 * pairs, years))
    index[:, 0::2] += np.where(event, 1.0, -1.0)[:, None, None] * step
    return outcomes(np.clip(index, 0.0, 99.0)), event


def test_a_change_is_confirmed_when_it_shows():
    """Nothing for three years, then a clear step at age 4."""
    step = np.where(np.arange(1, 9) >= 4, 8.0, 0.0)
    made, event = futures(step)
    found = first_signs(made, 8, event, level=0.95)
    table = found.table.set_index("reading")
    assert found.likely == pytest.approx(0.5, abs=0.1)
    fall = table.loc["mean fall in a year"]
    assert fall["median_years"] == 4.0
    assert fall["confirmed"] > 0.95
    at_five = table.loc["mean reading at age 5"]
    assert at_five["median_years"] == 5.0
    assert at_five["chance_at_end"] > 0.95
    assert table.loc[EVERYTHING, "median_years"] == 4.0
    early = table.loc["mean reading at age 2"]
    assert early["confirmed"] < 0.1
    assert early["chance_at_end"] < 0.6
    assert list(found.table["confirmed"]) == sorted(found.table["confirmed"], reverse=True)


def test_no_difference_is_never_confirmed():
    made, event = futures(np.zeros(8))
    table = first_signs(made, 8, event).table
    assert first_signs(made, 8, event).before == pytest.approx(0.5, abs=0.01)
    assert (table["confirmed"] < 0.1).all()
    assert (table["chance_at_end"] < 0.6).all()
    assert np.isinf(table["median_years"]).all()


def test_a_sign_that_all_draws_share_needs_no_data():
    made, event = futures(np.zeros(8))
    event[:] = True
    event[:5] = False
    with pytest.warns(RiskModelWarning, match="same sign in all but 5 of 400 draws"):
        table = first_signs(made, 8, event).table
    assert (table["median_years"] == 0.0).all()


def test_the_regression_is_the_penalised_maximum():
    rng = np.random.default_rng(3)
    x = rng.standard_normal((300, 2))
    event = rng.random(300) < 1 / (1 + np.exp(-(0.4 + 1.5 * x[:, 0])))
    z = (x - x.mean(axis=0)) / x.std(axis=0)

    def loss(beta: np.ndarray) -> float:
        eta = beta[0] + z @ beta[1:]
        return float(np.logaddexp(0.0, eta).sum() - eta[event].sum() + 0.5 * (beta[1:] ** 2).sum() / 9.0)

    best = optimize.minimize(loss, np.zeros(3), tol=1e-12).x
    expected = 1 / (1 + np.exp(-(best[0] + z @ best[1:])))
    np.testing.assert_allclose(_probability(x, event), expected, atol=1e-5)
    # separable data end at a finite slope
    sharp = _probability(x[:, :1], x[:, 0] > 0)
    assert np.isfinite(sharp).all()
    assert ((sharp > 0.5) == (x[:, 0] > 0)).mean() > 0.97
