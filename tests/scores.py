"""Score of the likelihood at the truth: the derivative of the log-likelihood to each parameter.

If the records come from the model, every score has mean zero at the true values (the first Bartlett
identity). One gradient a data set, no sampling: the sharpest check there is that likelihood and
generator describe the same thing. The compiled likelihood is taken; `test_kernel` holds it to the definition.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

import numpy as np
from generator import Generator, truth_of
from recovery import small_priors

from riskmodel.condition import Condition
from riskmodel.density import LogDensity, point_of
from riskmodel.priordraws import prior_draws


def scores(seed: int, sections: int) -> dict[str, float]:
    """Scores of one data set with truth drawn from the priors, summed over the elements of each parameter."""
    p = small_priors()
    truth = truth_of(prior_draws(p, draws=1, seed=90_000 + seed), 0)
    generator = Generator(p, truth, np.random.default_rng(seed), Condition())
    density = LogDensity.of(generator.records(sections), p)
    values = true_values(truth, generator, density.levels["contractor"])
    values["effect_score"] = scores_of_effects(truth["delta"], density)
    point = point_of(density, density.layout.real(values))
    assert point.early is not None
    np.testing.assert_allclose(point.early.solved.intercept, truth["intercept"], atol=1e-6)
    found = point.back(point.run(wanted=True)[1])
    out = {name: float(found[place].sum()) for name, place in density.layout.places.items()}
    each = found[density.layout.places["share_offset"]]
    return out | {f"share of {m.name}": float(score) for m, score in zip(p.mechanisms, each, strict=True)}


def true_values(truth: dict[str, Any], generator: Generator, contractors: Sequence[str]) -> dict[str, Any]:
    """Every free variable but the effects' scores at its true value."""
    terms = np.array([generator.contractors[c] for c in contractors])
    return truth | {
        "wear_out_common": 0.0,
        "wear_out_by_type": np.log(truth["wear_out_median"]),
        "score_effect_part": truth["score_effect"],
        "contractor_raw": terms / float(truth["contractor_sd"]),
    }


def scores_of_effects(delta: np.ndarray, density: LogDensity) -> np.ndarray:
    """Standard normal scores at which the effects are what they are."""
    number, location, scale, skewness = density.effect
    grown = (delta - location) / scale
    straight = np.abs(skewness) < 1e-9
    per = np.where(straight, 1.0, skewness)
    out = np.zeros(density.layout.width("effect_score"))
    out[number] = np.where(straight, grown, np.log1p(np.where(straight, 0.0, per * grown)) / per)
    return out
