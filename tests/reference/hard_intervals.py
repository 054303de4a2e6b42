"""The model without early mechanisms and readings: its log-likelihood as the libraries write it."""

from pathlib import Path

import numpy as np
import pytensor
from scipy.optimize import minimize

from riskmodel.model import build_model
from riskmodel.priors import load_priors

STUDY = Path(__file__).parents[2] / "studies" / "inservice_histories"
STATED = {"status": "judgement", "source": "this test", "rationale": "hard intervals only"}


def priors():
    """No early mechanism, one type, removal at the threshold."""
    return load_priors(STUDY / "priors", {"removal_lag": {"value": 0, **STATED}})


def likelihood(records):
    """Our compiled log-likelihood, a function of scale and shape as the libraries name them."""
    model = build_model(records, priors())
    evaluate = pytensor.function(model.free_RVs, model.riskmodel_per_section.sum(), on_unused_input="ignore")
    names = [variable.name for variable in model.free_RVs]
    assert {"wear_out_by_type", "wear_out_shape"} < set(names)

    def log_likelihood(scale, shape):
        median = scale * np.log(2.0) ** (1.0 / shape)
        given = {"wear_out_by_type": [np.log(median)], "wear_out_shape": shape}  # sampled as ln median
        return float(evaluate(*(given.get(name, 1.0) for name in names)))

    return log_likelihood


def best(log_likelihood, scale):
    """Scale and shape of the maximum, searched for from a rough scale."""
    found = minimize(
        lambda x: -log_likelihood(*np.exp(x)),
        np.log([scale, 1.5]),
        method="Nelder-Mead",
        options={"xatol": 1e-8, "fatol": 1e-10},
    )
    assert found.success
    return tuple(np.exp(found.x))
