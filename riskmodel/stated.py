"""Draws of every stated prior, as they lie in a posterior."""

from __future__ import annotations

from collections.abc import Iterator, Sequence

import numpy as np
from numpy.typing import NDArray

from .baseline import Baseline, delta_distributions
from .distribution import Distribution
from .lives import Draws
from .measures import deltas_of, selections_of
from .places import COMMON, EFFECT, OWN_MEDIAN, Place, places, taken_jointly
from .priors import PriorSet

__all__ = ["joint_log_ratio", "selection_draws", "stated_draws"]

Floats = NDArray[np.float64]


def stated_draws(
    draws: Draws, priors: PriorSet, early_age: float, mix: Floats
) -> Iterator[tuple[Place, Distribution, Floats]]:
    """Every stated prior with its draws (sample,), and the distribution that these have under it.

    That is the prior itself, but for an effect of a measure: its draws are the change of the log-odds, whose score is
    that of the stated ratio with its sign changed. Quantities that are not among the draws are left out.

    Parameters
    ----------
    draws : Draws
    priors : PriorSet
    early_age : float
        Years.
    mix : ndarray (type,)
        Sections of each overlay type (see `delta_distributions`).
    """
    common = np.exp(-draws.values.get(COMMON, np.zeros(draws.count)).reshape(-1))
    effects = _effects(draws, priors, early_age, mix)
    for place in places(priors):
        if place.variable == EFFECT:
            if place.index in effects:
                yield (place, *effects[place.index])
        elif place.variable == OWN_MEDIAN:
            yield place, place.prior, draws["wear_out_median"][:, place.index] * common
        elif place.variable in draws:
            values = draws[place.variable].reshape(draws.count, -1)
            yield place, place.prior, values[:, place.index or 0]


def _effects(
    draws: Draws, priors: PriorSet, early_age: float, mix: Floats
) -> dict[int | None, tuple[Distribution, Floats]]:
    """Change of the log-odds by each effect on the first of its mechanisms; the others move with it."""
    if "delta" not in draws:
        return {}
    every = delta_distributions(priors, Baseline.of(priors, early_age), mix)
    first = {delta.effect: i for i, delta in reversed(list(enumerate(deltas_of(priors))))}
    return {effect: (every[i], draws["delta"][:, i]) for effect, i in first.items()}


def selection_draws(draws: Draws, priors: PriorSet) -> list[tuple[Distribution, Floats]]:
    """Prior and draws of the severity of the roads for which each measure was chosen; fixed ones are left out."""
    stated = [priors.measures[k].selection[root].distribution for k, root in selections_of(priors)]
    known = stated if "selection" in draws else ()
    return [(d, draws["selection"][:, i]) for i, d in enumerate(known) if d.family != "fixed"]


def joint_log_ratio(stated: Sequence[tuple[Place, Distribution, Floats]], priors: PriorSet) -> Floats | float:
    """Log of the joint prior density of some quantities over the product of their marginals, (sample,).

    0 where they are taken one by one.
    """
    _, joint = taken_jointly(priors)
    if joint is None:
        return 0.0
    turned = {EFFECT: -1.0}
    scores = {place.key: turned.get(place.variable, 1.0) * prior.score(values) for place, prior, values in stated}
    among = joint.among(list(scores))
    if len(among.quantities) < 2:
        return 0.0
    return among.log_ratio(np.stack([scores[key] for key in among.quantities], axis=1))
