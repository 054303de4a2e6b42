"""Brier score and time-dependent AUC against scikit-survival, on open data sets that it ships.

Worcester Heart Attack Study (500 patients; Hosmer, Lemeshow & May, Applied Survival Analysis, 2008) and the German
Breast Cancer Study Group's second trial (686; Schumacher et al. 1994, J. Clin. Oncol. 12, 2086-2093), both from
`sksurv.datasets`; pages not seen.
"""

from __future__ import annotations

import numpy as np
import pytest

from riskmodel.scoring import brier_score, censoring_survival, dynamic_auc

pytestmark = pytest.mark.reference


@pytest.fixture(params=["whas500", "gbsg2"])
def lives(request):
    datasets = pytest.importorskip("sksurv.datasets")
    covariates, outcome = getattr(datasets, f"load_{request.param}")()
    event, time = (outcome[name] for name in outcome.dtype.names)
    age = covariates["age"].to_numpy(float)
    ages = np.quantile(time[event], [0.1, 0.3, 0.5, 0.7, 0.9]) + 0.5
    # any prediction will do: a curve that falls faster the older the patient, in whole decades so that risks tie
    risk = np.round(age / 10.0)
    survival = np.exp(-np.outer(np.exp(0.3 * (risk - risk.mean())), ages / np.median(time) * 0.5))
    return outcome, time.astype(float), event.astype(bool), risk, survival, ages


def test_brier_score(lives):
    from sksurv.metrics import brier_score as theirs

    outcome, time, event, _, survival, ages = lives
    np.testing.assert_allclose(brier_score(time, event, survival, ages), theirs(outcome, outcome, survival, ages)[1])


def test_dynamic_auc(lives):
    from sksurv.metrics import cumulative_dynamic_auc as theirs

    outcome, time, event, risk, survival, ages = lives
    np.testing.assert_allclose(dynamic_auc(time, event, risk, ages), theirs(outcome, outcome, risk, ages)[0])
    moving = 1.0 - survival
    np.testing.assert_allclose(dynamic_auc(time, event, moving, ages), theirs(outcome, outcome, moving, ages)[0])


def test_censoring(lives):
    from sksurv.nonparametric import CensoringDistributionEstimator

    outcome, time, event, *_, ages = lives
    theirs = CensoringDistributionEstimator().fit(outcome).predict_proba(ages)
    np.testing.assert_allclose(censoring_survival(time, event, ages), theirs)
