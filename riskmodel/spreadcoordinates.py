"""Coordinates of the sampler for spreads between groups: the normal score of each in its prior.

Records leave a small spread possible. Its logarithm then has a long tail to the left, where the sampler gets stuck.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from scipy.special import gammainc, gammaincc, gammainccinv, gammaincinv, gammaln, ndtr, ndtri

from .frame import Density, Values
from .parameters import Layout

__all__ = ["SpreadCoordinates"]

LOG_ROOT_2PI = 0.5 * float(np.log(2.0 * np.pi))
FAR, SMALLEST = 20.0, 1e-300
"""A search may look further out; the quantity stays where it is there, within the range of a double."""


@dataclass(frozen=True)
class SpreadCoordinates:
    """Reals x from coordinates y: x = y, but for quantities with a gamma prior, whose logarithm x is.

    With F the prior's distribution function of the quantity t = exp(x) / scale,

        F(t) = Phi(y),    dx/dy = phi(y) / (t f(t))

    Parameters
    ----------
    elements : ndarray of int (spread,)
    shape, scale : ndarray (spread,)
        Of the gamma priors.
    """

    elements: np.ndarray
    shape: np.ndarray
    scale: np.ndarray

    @classmethod
    def of(cls, layout: Layout) -> SpreadCoordinates:
        """Of all quantities with a gamma prior."""
        elements = layout.by_family["gamma"]
        shape, scale = layout.tables["gamma"] if len(elements) else np.zeros((2, 0))
        return cls(elements, shape, scale)

    def only(self, elements: np.ndarray) -> SpreadCoordinates:
        """Of some elements of the reals, numbered anew in this order."""
        own = [(n, np.flatnonzero(self.elements == i)[0]) for n, i in enumerate(elements) if i in self.elements]
        at, kept = np.array(own, int).reshape(-1, 2).T
        return SpreadCoordinates(at, self.shape[kept], self.scale[kept])

    def place(self, y: np.ndarray) -> np.ndarray:
        """The reals x (..., element) at y (..., element)."""
        x, own = y.copy(), np.clip(y[..., self.elements], -FAR, FAR)
        t = np.where(own < 0.0, gammaincinv(self.shape, ndtr(own)), gammainccinv(self.shape, ndtr(-own)))
        x[..., self.elements] = np.log(self.scale * np.maximum(t, SMALLEST))
        return x

    def undo(self, x: np.ndarray) -> np.ndarray:
        """y (..., element) at the reals x (..., element)."""
        y, t = x.copy(), np.exp(x[..., self.elements]) / self.scale
        below, above = gammainc(self.shape, t), gammaincc(self.shape, t)
        y[..., self.elements] = np.where(below < above, ndtri(below), -ndtri(above))
        return y

    def slope(self, y: np.ndarray) -> np.ndarray:
        """dx / dy at y (..., element), (..., element)."""
        out = np.ones_like(y)
        out[..., self.elements] = np.exp(self._log_slope(y, self.place(y))[0])
        return out

    def _log_slope(self, y: np.ndarray, x: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
        """ln dx / dy and t, (..., spread) each."""
        t, own, a = np.exp(x[..., self.elements]) / self.scale, y[..., self.elements], self.shape
        return t - a * np.log(t) + gammaln(a) - 0.5 * own**2 - LOG_ROOT_2PI, t

    def density(self, density: Density) -> Density:
        """The density and its gradient as a function of y."""
        at, a = self.elements, self.shape
        if not len(at):
            return density

        def of(y: np.ndarray) -> tuple[Values, np.ndarray]:
            x, own = self.place(y), y[..., at]
            value, gradient = density(x)
            log_slope, t = self._log_slope(y, x)
            slope, gradient = np.exp(log_slope), gradient.copy()
            gradient[..., at] = slope * (gradient[..., at] + t - a) - own
            return value + log_slope.sum(axis=-1), gradient

        return of
