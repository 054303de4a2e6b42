"""How priors go together, in plain arrays: `jointmodel` is the definition."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
from scipy import special, stats

from .joint import Joint
from .parameters import Layout
from .places import EFFECT, OWN_MEDIAN, Place, taken_jointly
from .priors import PriorSet

__all__ = ["Together"]

SMALLEST = 1e-300


@dataclass(frozen=True)
class Together:
    """The copula's log density over a vector of reals.

    Parameters
    ----------
    joint : Joint
    element : ndarray of int (quantity,)
        Where each quantity stands in the vector.
    scale, shift : ndarray (quantity,)
        Its normal score is `scale` x - `shift` where it is linear in its real number x.
    minus_common : ndarray (quantity,)
        Factor of the common part of the ages at wear-out.
    common : int
        Element of that part, or -1.
    curved : tuple of (int, callable)
        Quantities whose score is not linear: place, and score and derivative from value and real number.
    """

    joint: Joint
    element: np.ndarray
    scale: np.ndarray
    shift: np.ndarray
    minus_common: np.ndarray
    common: int
    curved: tuple[tuple[int, Callable[[float], tuple[float, float]]], ...]

    @classmethod
    def of(cls, priors: PriorSet, layout: Layout) -> Together | None:
        """Take the copula of `priors`; None without one."""
        places, joint = taken_jointly(priors)
        if joint is None:
            return None
        linear = np.array([_linear(place) for place in places])
        apart = "wear_out_by_type" in layout.places
        minus = [
            -scale if apart and p.variable == OWN_MEDIAN else 0.0 for p, (scale, _) in zip(places, linear, strict=True)
        ]
        curved = tuple((i, _curved(p)) for i, p in enumerate(places) if p.prior.family in ("beta", "gamma"))
        element = np.array([_element(layout, place) for place in places])
        return cls(joint, element, linear[:, 0], linear[:, 1], np.array(minus), layout.common, curved)

    def log_ratio(self, x: np.ndarray) -> tuple[float, np.ndarray]:
        """Log of the joint density over the product of the marginals at reals x (element,), and its gradient."""
        z, slope = self.scale * x[self.element] - self.shift, self.scale.copy()
        if self.common >= 0:
            z += self.minus_common * x[self.common]
        for i, score in self.curved:
            z[i], slope[i] = score(x[self.element[i]])
        pull, gradient = self.joint.excess_precision @ z, np.zeros(len(x))
        np.subtract.at(gradient, self.element, slope * pull)
        if self.common >= 0:
            gradient[self.common] -= self.minus_common @ pull
        return -0.5 * float(z @ pull + self.joint.log_determinant), gradient


def _linear(place: Place) -> tuple[float, float]:
    """Scale and shift of the score of a quantity whose real number is normal."""
    if place.variable == EFFECT:
        return -1.0, 0.0
    match place.prior.family:
        case "normal" | "lognormal":
            location, spread = place.prior.parameters[:2]
            return 1.0 / spread, location / spread
        case "skewed":  # the real number is the score
            return 1.0, 0.0
    return 0.0, 0.0


def _curved(place: Place) -> Callable[[float], tuple[float, float]]:
    """Score and derivative at a real number, the logit of a beta quantity or the ln of a gamma one."""
    a, b = (float(v) for v in place.prior.parameters[:2])

    def of_share(x: float) -> tuple[float, float]:
        p = special.expit(x)
        density = np.exp(-a * np.logaddexp(0.0, -x) - b * np.logaddexp(0.0, x) - special.betaln(a, b))
        return _score(special.betainc(a, b, p), special.betainc(b, a, special.expit(-x)), density)

    def of_size(x: float) -> tuple[float, float]:
        y = np.exp(x) / b
        density = np.exp(a * np.log(y) - y - special.gammaln(a))
        return _score(special.gammainc(a, y), special.gammaincc(a, y), density)

    return of_share if place.prior.family == "beta" else of_size


def _score(below: float, above: float, density: float) -> tuple[float, float]:
    """Normal score with these tails, from the smaller one, and its derivative where `density` is that of the tail."""
    tail = min(below, above)
    z = special.ndtri(max(tail, SMALLEST))
    slope = density / stats.norm.pdf(z) if tail > SMALLEST else 0.0
    return float(z if below < above else -z), float(slope)


def _element(layout: Layout, place: Place) -> int:
    """Where a quantity stands in the vector of reals."""
    name = place.variable
    if name == OWN_MEDIAN and name not in layout.places:
        name = "wear_out_multiplier_by_type"
    return layout.target.index(layout.places[name].start + (place.index or 0))
