"""Brier score and AUC by hand and by laws; against a library in tests/reference."""

from __future__ import annotations

import numpy as np
import pytest

from riskmodel.scoring import brier_score, censoring_survival, dynamic_auc


def test_by_hand():
    """Five lives: failed at 1, 3, 4; ended at 2, 5. G: 3/4 from 2 on."""
    time, event = np.array([1.0, 2.0, 3.0, 4.0, 5.0]), np.array([True, False, True, True, False])
    np.testing.assert_allclose(censoring_survival(time, event, [1.5, 2.0, 4.5]), [1.0, 0.75, 0.75])
    survival = np.array([[0.2], [0.5], [0.4], [0.9], [0.8]])
    by_hand = (0.2**2 + 0.4**2 / 0.75 + (0.1**2 + 0.2**2) / 0.75) / 5
    assert brier_score(time, event, survival, [3.5])[0] == pytest.approx(by_hand)
    risk = np.array([0.9, 0.5, 0.3, 0.3, 0.1])
    # cases 1 (weight 1) and 3 (weight 4/3) against controls 4 and 5
    assert dynamic_auc(time, event, risk, [3.5])[0] == pytest.approx((1.0 + 4 / 3 * 0.75) / (1 + 4 / 3))


def test_without_censoring_they_are_the_plain_ones():
    rng = np.random.default_rng(1)
    life, survival = rng.weibull(2.0, 200) * 20, rng.uniform(size=(200, 3))
    at, event = np.array([8.0, 15.0, 22.0]), np.ones(200, bool)
    plain = ((survival - (life[:, None] > at)) ** 2).mean(axis=0)
    np.testing.assert_allclose(brier_score(life, event, survival, at), plain)
    assert dynamic_auc(life, event, -life, at) == pytest.approx(1.0)
    assert dynamic_auc(life, event, np.zeros(200), at) == pytest.approx(0.5)
    assert np.isnan(dynamic_auc(life, event, -life, [0.0, 1e3])).all()


def test_censoring_at_random_changes_them_by_chance_only():
    """The truth as prediction: both scores within four standard errors of those without censoring."""
    rng = np.random.default_rng(2)
    median = rng.uniform(10.0, 40.0, 4000)
    life = median * rng.weibull(3.0, 4000) / np.log(2) ** (1 / 3)
    end = rng.uniform(5.0, 50.0, 4000)
    at = np.array([12.0, 20.0])
    survival = np.exp(-np.log(2) * (at / median[:, None]) ** 3)
    whole = brier_score(life, np.ones(4000, bool), survival, at), dynamic_auc(life, np.ones(4000, bool), -median, at)
    cut = np.minimum(life, end), life <= end
    np.testing.assert_allclose(brier_score(*cut, survival, at), whole[0], atol=0.012)
    np.testing.assert_allclose(dynamic_auc(*cut, -median, at), whole[1], atol=0.03)
