"""The programme at prior-mean parameters: where stated totals and ratios are turned into log-odds.

An agency states how many overlays of a type fail early, how these share out over mechanisms, and of
how many early failures a measure would leave. The model works in log-odds; this module finds the
log-odds that mean the stated numbers in the average programme without any of the listed measures.
"""

from __future__ import annotations

from dataclasses import dataclass
from types import ModuleType

import numpy as np

from .elicitation import Distribution, fit_quantiles
from .hazard import Array, EarlyLife, solve_intercepts
from .measures import Delta, deltas_of, log_odds_of_ratio, roots_of
from .priors import PriorSet

__all__ = ["Baseline", "delta_distribution"]

FLOOR = 0.0005  # softness of the floor under early failures by mechanisms (probability)
TAILS = (0.05, 0.50, 0.95)


@dataclass(frozen=True)
class Baseline:
    """Constants of a prior set.

    Parameters
    ----------
    life : EarlyLife
        Constants from which intercepts are solved.
    log_share : ndarray (type, mechanism)
        ln of the table of shares of early failures; -inf where a mechanism does not apply.
    intercept : ndarray (type, mechanism)
        Log-odds of susceptibility at prior-mean parameters.
    anchor : ndarray (type, mechanism)
        What the first guess of `solve_intercepts` misses there.
    """

    life: EarlyLife
    log_share: np.ndarray
    intercept: np.ndarray
    anchor: np.ndarray

    @classmethod
    def of(cls, priors: PriorSet, early_age: float) -> Baseline:
        """Solve the prior-mean programme."""
        life = early_life(priors, early_age)
        share = np.array([[m.share.get(t.name, 0.0) for m in priors.mechanisms] for t in priors.types])
        share = share.reshape(len(priors.types), len(priors.mechanisms))
        with np.errstate(divide="ignore"):
            log_share = np.log(share)
        if not priors.mechanisms:
            return cls(life, log_share, np.zeros(share.shape), np.zeros(share.shape))
        odds = np.array([t.odds_multiplier.distribution.median for t in priors.types])
        mean = priors.early_failure.distribution.mean
        total = mean * odds / (1.0 - mean + mean * odds)
        target = np.where(life.applies, early_part(total, life.wear_failures)[:, None] * share, 0.5)
        solved = solve_intercepts(target, life)
        return cls(life, log_share, solved, solved - solve_intercepts(target, life, steps=0))

    def intercepts(self, total: Array, offset: Array, xp: ModuleType = np) -> Array:
        """Intercepts of one draw.

        Parameters
        ----------
        total : array (type,)
            P(T < early age) of each overlay type, wear-out included, without measures.
        offset : array (mechanism,)
            ln shares relative to the table, before they are normalised.

        Returns
        -------
        array (type, mechanism), log-odds
        """
        weight = xp.exp(np.where(self.life.applies, self.log_share, -1e3) + offset)
        share = weight / weight.sum(axis=1)[:, None]
        target = early_part(total, self.life.wear_failures, xp)[:, None] * share
        return solve_intercepts(xp.where(self.life.applies, target, 0.5), self.life, anchor=self.anchor, steps=1, xp=xp)


def early_part(total: Array, wear_failures: np.ndarray, xp: ModuleType = np) -> Array:
    """Early failures left to the mechanisms when wear-out takes its part, probability (type,).

    total - wear_failures with a soft floor, so that a total below wear-out alone stays positive.
    """
    gap = (total - wear_failures) / FLOOR
    return FLOOR * (xp.maximum(gap, 0.0) + xp.log1p(xp.exp(-abs(gap))))


def early_life(priors: PriorSet, early_age: float) -> EarlyLife:
    """Prior means of everything that shapes early failures."""
    mechanisms = priors.mechanisms
    effect = np.array([0.0 if m.score_effect is None else m.score_effect.distribution.mean for m in mechanisms])
    variance = np.array(
        [sum(g.sd.distribution.mean**2 for g in priors.groups if m.root in g.roots) for m in mechanisms]
    )
    return EarlyLife(
        roots=roots_of(priors),
        spread=np.sqrt(effect**2 + variance),
        median=np.array([m.median.distribution.median for m in mechanisms]),
        shape=np.array([m.shape.distribution.median for m in mechanisms]),
        wear_median=np.array([t.wear_out_median.distribution.median for t in priors.types]),
        wear_shape=priors.wear_out_shape.distribution.median,
        early_age=early_age,
        applies=np.array([[m.share.get(t.name, 0.0) > 0 for m in mechanisms] for t in priors.types]).reshape(
            len(priors.types), len(mechanisms)
        ),
    )


def delta_distribution(priors: PriorSet, baseline: Baseline, delta: Delta, weight: np.ndarray) -> Distribution:
    """Prior of one effect, as the lowering of the log-odds (or of ln hazard).

    The elicited ratio's 5, 50 and 95 % quantiles are translated one by one; a shifted lognormal meets
    all three.

    Parameters
    ----------
    delta : Delta
    weight : ndarray (type,)
        Sections of each type in the programme.
    """
    effects = [effect for measure in priors.measures for effect in measure.effects]
    ratio = effects[delta.effect].ratio.distribution
    quantiles = np.asarray(ratio.ppf(np.array(TAILS)), float)
    values = [translated(float(q), baseline, delta, weight) for q in quantiles[::-1]]
    if np.ptp(values) < 1e-12:
        return Distribution("fixed", (values[1],))
    return fit_quantiles(TAILS, values, family="skewed", name=delta.name).distribution


def translated(ratio: float, baseline: Baseline, delta: Delta, weight: np.ndarray) -> float:
    """Lowering of the log-odds, or of ln hazard, that means `ratio` on the scale the prior file states."""
    if delta.scale != "risk_ratio":
        return float(-np.log(ratio))
    acting = delta.types & baseline.life.applies[:, delta.mechanism]
    share = np.where(acting, weight, 0.0)
    if share.sum() == 0:
        share = acting.astype(float)
    if share.sum() == 0:
        share = baseline.life.applies[:, delta.mechanism].astype(float)
    return log_odds_of_ratio(
        ratio, baseline.intercept[:, delta.mechanism], float(baseline.life.spread[delta.mechanism]), share / share.sum()
    )


def delta_distributions(priors: PriorSet, baseline: Baseline, weight: np.ndarray) -> tuple[Distribution, ...]:
    """Prior of every effect in the order of `measures.deltas_of`."""
    return tuple(delta_distribution(priors, baseline, d, weight) for d in deltas_of(priors))
