"""Physical priors of effects: Monte Carlo over a sub-model's inputs, made modest; set against elicited ones.

A sub-model says how the log-odds of a failure change. Its inputs are mostly judged and it knows one
mechanism only, so the change is divided by `shrink`, and the spread is at least `LEAST_SD`. What comes
out is a lognormal odds ratio like any other prior.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import lru_cache

import numpy as np

from riskmodel.distribution import Distribution, FloatArray
from riskmodel.elicitation import fit_quantiles, pool
from riskmodel.priorset import Effect, PhysicalInputs, PriorSet, Quantity
from riskmodel.streams import stream
from riskmodel.submodels import SUBMODELS

__all__ = [
    "CONFLICT",
    "LEAST_SD",
    "SEED",
    "Comparison",
    "as_odds_ratio",
    "baseline_chance",
    "compare_effects",
    "physical_ratio",
    "pooled_ratio",
    "raw_change",
    "tail_area",
]

LEAST_SD = 0.7
"""Least standard deviation of a physical effect on the log-odds (judgement: what the sub-model leaves out)."""

CONFLICT = 0.05
"""Tail area below which two priors of one effect are reported as in conflict (convention)."""

SEED = 20260101
"""Seed of every physical prior: a prior is the same in every study."""

_LEVELS = np.array([0.05, 0.5, 0.95])
_GRID = (np.arange(2000) + 0.5) / 2000


def raw_change(physics: PhysicalInputs, *, draws: int | None = None, seed: int = SEED) -> FloatArray:
    """Change of the log-odds that a sub-model gives, before it is shrunk and widened.

    Parameters
    ----------
    physics : PhysicalInputs
        Inputs are drawn independently, each inside the limits of the sub-model.
    draws : int, optional
        The sub-model's own number by default.
    seed : int

    Returns
    -------
    ndarray (sample,)
        Negative where the measure helps.
    """
    distributions = tuple((name, q.distribution) for name, q in sorted(physics.inputs.items()))
    return _change(physics.model, distributions, draws or SUBMODELS[physics.model].draws, seed).copy()


@lru_cache(maxsize=64)
def _change(model: str, inputs: tuple[tuple[str, Distribution], ...], draws: int, seed: int) -> FloatArray:
    submodel = SUBMODELS[model]
    samples = {}
    for name, distribution in inputs:
        limits = submodel.inputs[name]
        low, high = distribution.cdf([limits.lowest, limits.highest])
        uniform = stream(seed, "physical prior", model, name).random(draws)
        drawn = distribution.ppf(low + (high - low) * uniform)
        samples[name] = np.clip(drawn, limits.lowest, limits.highest)
    return submodel.change(samples, stream(seed, "physical prior", model))


def physical_ratio(physics: PhysicalInputs) -> Distribution:
    """Physical prior of an effect as an odds ratio.

    `ln ratio ~ N(mean(change) / shrink, max(sd(change) / shrink, 0.7))`.

    Returns
    -------
    Distribution
        Lognormal.
    """
    change = raw_change(physics) / physics.shrink
    return Distribution("lognormal", (float(change.mean()), max(float(change.std()), LEAST_SD)))


def as_odds_ratio(ratio: Distribution, scale: str, chance: float) -> Distribution:
    """An elicited ratio as an odds ratio.

    Parameters
    ----------
    ratio : Distribution
    scale : {"risk_ratio", "odds_ratio"}
    chance : float
        Chance of the failure without the measure: `odds ratio = r (1 - p) / (1 - r p)`.

    Returns
    -------
    Distribution
        Meets the 5, 50 and 95 % quantiles.
    """
    if scale == "odds_ratio":
        return ratio
    r = np.minimum(ratio.ppf(_LEVELS), 0.99 / chance)
    odds = r * (1.0 - chance) / (1.0 - r * chance)
    if ratio.family == "fixed":
        return Distribution("fixed", (float(odds[1]),))
    return fit_quantiles(_LEVELS, odds, support="positive").distribution


def pooled_ratio(elicited: Distribution, physical: Distribution, *, weight: float, method: str) -> Distribution:
    """Elicited and physical odds ratio as one prior.

    Parameters
    ----------
    elicited, physical : Distribution
        Odds ratios.
    weight : float
        Of the physical one, 0 to 1.
    method : {"linear", "logarithmic"}

    Returns
    -------
    Distribution
        Meets the pool's 5, 50 and 95 % quantiles.
    """
    both = pool([elicited, physical], [1.0 - weight, weight], method=method)
    return fit_quantiles(_LEVELS, both.ppf(_LEVELS), support="positive").distribution


def tail_area(one: Distribution, other: Distribution) -> float:
    """Two-sided tail area of no difference between two independent priors of one ratio, 0 to 1.

    For lognormal ratios this is `2 Phi(-|m1 - m2| / sqrt(s1^2 + s2^2))` of their logarithms.
    """
    with np.errstate(divide="ignore"):
        first, second = np.log(one.ppf(_GRID)), np.log(other.ppf(_GRID))
    below = np.searchsorted(np.sort(second), first, side="left") + np.searchsorted(np.sort(second), first, side="right")
    lower = float(below.mean() / (2 * _GRID.size))
    return float(2.0 * min(lower, 1.0 - lower))


def baseline_chance(early_failure: float, shares: list[float]) -> float:
    """Chance of failing early this way: mean early failure times the mean share of the mechanisms acted on."""
    return early_failure * float(np.mean(shares)) if shares else early_failure


@dataclass(frozen=True)
class Comparison:
    """An effect's elicited and physical prior, as odds ratios.

    Parameters
    ----------
    measure : str
    number : int
        Of the effect in its measure, from 1.
    mechanisms : tuple of str
    model : str
    origin : str
        Which of them the model uses: "elicited", "physics" or "pooled".
    elicited, physical : tuple of float
        5, 50 and 95 % quantiles.
    tail_area : float
        See `tail_area`.
    """

    measure: str
    number: int
    mechanisms: tuple[str, ...]
    model: str
    origin: str
    elicited: tuple[float, float, float]
    physical: tuple[float, float, float]
    tail_area: float

    @property
    def conflict(self) -> bool:
        """Whether the two can hardly both be right."""
        return self.tail_area < CONFLICT


def compare_effects(priors: PriorSet) -> tuple[Comparison, ...]:
    """Elicited against physical prior of every effect that has both, in file order."""
    found = []
    for measure in priors.measures:
        for number, effect in enumerate(measure.effects, start=1):
            if effect.physics is not None and effect.elicited is not None:
                found.append(_compared(measure.name, number, effect, effect.physics, effect.elicited, priors))
    return tuple(found)


def _compared(
    measure: str, number: int, effect: Effect, physics: PhysicalInputs, stated: Quantity, priors: PriorSet
) -> Comparison:
    acted = [m for m in priors.mechanisms if m.name in effect.mechanisms]
    shares = [m.share[kind] for m in acted for kind in effect.applies_to if kind in m.share]
    chance = baseline_chance(priors.early_failure.distribution.mean, shares)
    elicited = as_odds_ratio(stated.distribution, effect.elicited_scale, chance)
    physical = physical_ratio(physics)
    return Comparison(
        measure,
        number,
        effect.mechanisms,
        physics.model,
        effect.origin,
        _quantiles(elicited),
        _quantiles(physical),
        tail_area(elicited, physical),
    )


def _quantiles(ratio: Distribution) -> tuple[float, float, float]:
    low, middle, high = (float(value) for value in ratio.ppf(_LEVELS))
    return low, middle, high
