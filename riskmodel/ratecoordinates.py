"""Coordinates of the sampler for mechanisms: how often each strikes, which is what records tell of it.

An early-failure prior, shares of mechanisms and the strength of quality scores make that number together. The stronger
the score acts on a mechanism, the more sections it strikes at the same intercept, by about the square of the effect: in
the parameters themselves the records' one firm word is a curved wall, off which a sampler's steps bounce.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from scipy.special import expit

from .density import LogDensity
from .frame import Density, Values
from .hazard import gauss_hermite
from .parameters import Layout

__all__ = ["RateCoordinates"]

NODES = 20
FURTHEST = 300.0  # ln of a rate; a search may look that far out
SMALLEST = 1e-12  # variance


@dataclass(frozen=True)
class RateCoordinates:
    """Reals x from coordinates y: x = y, but for early failures and the offsets of shares.

    With early failures E, shares s_m, and v_m the standard deviation of a mechanism's log-odds between sections (its
    score effect and the spreads between many levels together), the coordinates in place of the offsets o_m and of
    logit E are

        r_m = ln(-ln(1 - E)) + ln s_m + ln mean(a_m, v_m),    the mean of o_m,

    where mean(a, v) is that of a logistic-normal chance with the prior programme's intercept a. Only the coordinates
    rest on that: the density in them is the same density, its Jacobian included.

    Parameters
    ----------
    layout : Layout
    early : int
        Element of early failures.
    offsets : ndarray of int (mechanism,)
        Elements of the offsets; none where the two are the same.
    effects : ndarray of int (effect,)
        Elements of score effects.
    acts : ndarray (effect, mechanism)
        1 where an effect is the mechanism's.
    spreads : ndarray of int (spread,)
        Elements of spreads between many levels.
    widens : ndarray (spread, mechanism)
        1 where a spread widens a mechanism's log-odds.
    fixed : ndarray (mechanism,)
        Variance of the log-odds that is no function of the elements.
    log_share, intercept : ndarray (mechanism,)
        Of the prior programme, over the types of the records.
    """

    layout: Layout
    early: int
    offsets: np.ndarray
    effects: np.ndarray
    acts: np.ndarray
    spreads: np.ndarray
    widens: np.ndarray
    fixed: np.ndarray
    log_share: np.ndarray
    intercept: np.ndarray

    @classmethod
    def of(cls, density: LogDensity, few: Sequence[int]) -> RateCoordinates:
        """Of all mechanisms where early failures have a beta prior and shares are free.

        Parameters
        ----------
        density : LogDensity
        few : sequence of int
            Elements of spreads between so few levels that the terms' own sizes count.
        """
        layout, priors, baseline = density.layout, density.priors, density.baseline
        offsets, early = layout.elements("share_offset"), layout.elements("early_failure")
        if not len(offsets) or not np.isin(early, layout.by_family["beta"]).all():
            none, nothing = np.zeros(0, int), np.zeros((0, 0))
            return cls(layout, 0, none, none, nothing, none, nothing, *np.zeros((3, 0)))
        mechanisms, effect = priors.mechanisms, layout.elements("score_effect")
        fixed = np.where(effect < 0, np.array(layout.constant)[layout.places["score_effect"]] ** 2, 0.0)
        spreads, widens = [], []
        for group in priors.groups:
            own, on = layout.elements(f"{group.column}_sd")[0], [float(m.root in group.roots) for m in mechanisms]
            if own >= 0 and own not in few:
                spreads.append(own)
                widens.append(on)
            else:
                fixed = fixed + group.sd.distribution.mean**2 * np.array(on)
        mix = np.bincount(density.inputs.types, minlength=len(priors.types)) + 1.0
        weight = mix[:, None] * np.exp(baseline.log_share)
        intercept = (weight * np.where(baseline.life.applies, baseline.intercept, 0.0)).sum(axis=0) / weight.sum(axis=0)
        return cls(
            layout, int(early[0]), offsets, effect[effect >= 0], np.eye(len(mechanisms))[effect >= 0],
            np.array(spreads, int), np.reshape(widens, (-1, len(mechanisms))), fixed,
            np.log(weight.sum(axis=0) / mix.sum()), intercept,
        )  # fmt: skip

    def place(self, y: np.ndarray) -> np.ndarray:
        """The reals x (..., element) at y (..., element)."""
        return self._placed(y, self._part(y, self._mean(y)[0]))

    def undo(self, x: np.ndarray) -> np.ndarray:
        """y (..., element) at the reals x (..., element)."""
        if not len(self.offsets):
            return x
        y, offset = x.copy(), x[..., self.offsets]
        share = offset + self.log_share
        share -= np.logaddexp.reduce(share, axis=-1, keepdims=True)
        y[..., self.early] = offset.mean(axis=-1)
        total = np.log(np.logaddexp(0.0, x[..., self.early]))
        y[..., self.offsets] = total[..., None] + share + self._mean(x)[0]
        return y

    def density(self, density: Density) -> Density:
        """The density and its gradient as a function of y."""
        if not len(self.offsets):
            return density

        def of(y: np.ndarray) -> tuple[Values, np.ndarray]:
            mean, to_effect, to_spread = self._mean(y)
            part = self._part(y, mean)
            value, gradient = density(self._placed(y, part))
            offset, early = gradient[..., self.offsets], gradient[..., self.early]
            total = part.sum(axis=-1)
            chance = -np.expm1(-total)
            # the Jacobian is total / chance
            to_total = (early + chance - 1.0) / chance + 1.0 / total
            to_rate = offset - offset.mean(axis=-1, keepdims=True) + to_total[..., None] * part
            gradient = gradient.copy()
            gradient[..., self.offsets] = to_rate
            gradient[..., self.early] = offset.sum(axis=-1)
            gradient[..., self.effects] -= (to_rate @ self.acts.T) * to_effect
            gradient[..., self.spreads] -= (to_rate[..., None, :] * to_spread).sum(axis=-1)
            return value + np.log(total / chance), gradient

        return of

    def _part(self, y: np.ndarray, mean: np.ndarray) -> np.ndarray:
        """-ln(1 - E) s_m, (..., mechanism)."""
        return np.exp(np.clip(y[..., self.offsets] - mean, -FURTHEST, FURTHEST))

    def _placed(self, y: np.ndarray, part: np.ndarray) -> np.ndarray:
        if not len(self.offsets):
            return y
        x, total = y.copy(), part.sum(axis=-1)
        offset = np.log(part) - self.log_share
        x[..., self.early] = total + np.log(-np.expm1(-total))
        x[..., self.offsets] = offset - offset.mean(axis=-1, keepdims=True) + y[..., [self.early]]
        return x

    def _mean(self, x: np.ndarray) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
        """ln mean (..., mechanism), and its derivatives to the elements of effects (..., effect) and of spreads
        (..., spread, mechanism)."""
        effect, effect_slope = self.layout.bends.of(self.effects).natural(x[..., self.effects])
        spread, spread_slope = self.layout.bends.of(self.spreads).natural(x[..., self.spreads])
        variance = self.fixed + effect**2 @ self.acts + spread**2 @ self.widens
        sd = np.sqrt(np.maximum(variance, SMALLEST))
        nodes, weights = gauss_hermite(NODES)
        chance = expit(self.intercept[:, None] + sd[..., None] * nodes)
        mean = chance @ weights
        by_variance = (chance * (1.0 - chance) * nodes) @ weights / (2.0 * mean * sd)
        to_effect = 2.0 * effect * effect_slope * (by_variance @ self.acts.T)
        to_spread = (2.0 * spread * spread_slope)[..., None] * by_variance[..., None, :] * self.widens
        return np.log(mean), to_effect, to_spread
