"""How priors go together in the sampler's graph: the log of their joint density over the product of the marginals."""

from __future__ import annotations

from typing import Any

import numpy as np
import pymc as pm
import pytensor.tensor as pt

from .distribution import Distribution
from .places import COMMON, EFFECT, OWN_MEDIAN, Place, taken_jointly
from .priors import PriorSet

__all__ = ["add_joint_prior", "normal_score"]

Tensor = Any
SMALLEST = 1e-300


def add_joint_prior(model: pm.Model, priors: PriorSet) -> None:
    """Add the potential `joint_prior` to a model whose parameters have their marginal priors, if there is a copula."""
    places, joint = taken_jointly(priors)
    if joint is None:
        return
    z = pt.stack([_score(model, place) for place in places])
    square = pt.dot(z, pt.dot(pt.as_tensor(joint.excess_precision), z))
    pm.Potential("joint_prior", -0.5 * (square + joint.log_determinant), model=model)


def _score(model: pm.Model, place: Place) -> Tensor:
    if place.variable == EFFECT:
        return -model[EFFECT][place.index]
    if place.variable == OWN_MEDIAN:
        log_own = pt.log(model["wear_out_median"][place.index]) - (model[COMMON] if COMMON in model.named_vars else 0.0)
        return normal_score(place.prior, pt.exp(log_own))
    variable = model[place.variable]
    return normal_score(place.prior, variable if place.index is None else variable[place.index])


def normal_score(prior: Distribution, x: Tensor) -> Tensor:
    """Normal score of a quantity (see `Distribution.score`), accurate in both tails."""
    a = [float(value) for value in prior.parameters]
    match prior.family:
        case "normal":
            return (x - a[0]) / a[1]
        case "lognormal":
            return (pt.log(x) - a[0]) / a[1]
        case "skewed":
            y = (x - a[0]) / a[1]
            return y if a[2] == 0 else pt.log1p(pt.maximum(a[2] * y, -1.0 + 1e-15)) / a[2]
        case "beta":
            below, above = pt.betainc(a[0], a[1], x), pt.betainc(a[1], a[0], 1.0 - x)
        case "gamma":
            below, above = pt.gammainc(a[0], x / a[1]), pt.gammaincc(a[0], x / a[1])
        case _:
            raise ValueError(f"`family` must vary; got {prior.family!r}")
    # of the smaller tail, kept off nought: the derivative of the branch not taken would be infinite
    low = pt.lt(below, above)
    tail = pt.maximum(pt.switch(low, below, above), SMALLEST)
    return pt.switch(low, -1.0, 1.0) * np.sqrt(2.0) * pt.erfcinv(2.0 * tail)
