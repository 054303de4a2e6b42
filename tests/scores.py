"""Score of the likelihood at the truth: the derivative of the log-likelihood to each parameter.

If the records come from the model, every score has mean zero at the true values (the first Bartlett
identity). One gradient a data set, no sampling: the sharpest check there is that likelihood and
generator describe the same thing.
"""

from __future__ import annotations

from typing import Any

import numpy as np
import pytensor
import pytensor.graph.replace
import pytensor.tensor as pt
from generator import Generator, truth_of
from recovery import small_priors

from riskmodel.condition import Condition
from riskmodel.model import build_model
from riskmodel.priordraws import prior_draws

# these act through `intercept` and `delta`, to which the score is taken instead
INSTEAD = {"early_failure", "odds_multiplier", "share_offset", "effect_score"}


def scores(seed: int, sections: int) -> dict[str, float]:
    """Scores of one data set with truth drawn from the priors, summed over the elements of each parameter."""
    p = small_priors()
    truth = truth_of(prior_draws(p, draws=1, seed=90_000 + seed), 0)
    generator = Generator(p, truth, np.random.default_rng(seed), Condition())
    model = build_model(generator.records(sections), p)
    values = true_values(truth, generator, model)
    free = [v for v in model.free_RVs if v.name not in INSTEAD]
    put = {v: v.type(name=v.name) for v in free} | {model["intercept"]: pt.matrix(), model["delta"]: pt.vector()}
    total = pytensor.graph.replace.clone_replace(model.riskmodel_per_section.sum(), put)
    gradients = pytensor.grad(total, list(put.values()), disconnected_inputs="ignore")
    run = pytensor.function(list(put.values()), gradients, mode="FAST_COMPILE", on_unused_input="ignore")
    names = [v.name for v in put]
    found = run(*(np.asarray(values[name], float) for name in names))
    out = {name: float(np.sum(g)) for name, g in zip(names, found, strict=True)}
    by_mechanism = found[names.index("intercept")].sum(axis=0)
    return out | {f"intercept of {m.name}": float(g) for m, g in zip(p.mechanisms, by_mechanism, strict=True)}


def true_values(truth: dict[str, Any], generator: Generator, model: Any) -> dict[str, Any]:
    """Every free variable at its true value."""
    terms = np.array([generator.contractors[c] for c in model.coords["contractor"]])
    return truth | {
        "wear_out_common": 0.0,
        "wear_out_by_type": np.log(truth["wear_out_median"]),
        "score_effect_part": truth["score_effect"],
        "contractor_raw": terms / float(truth["contractor_sd"]),
    }
