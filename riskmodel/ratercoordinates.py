"""Coordinates of the sampler where raters have taken many readings.

Where readings tell a rater's offset well, its standardised part is the offset over a spread that they do not tell well:
a curved ridge, in which the sampler gets stuck. There it works with the offset itself.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from .density import LogDensity
from .frame import Density, Values
from .parameters import Layout

__all__ = ["RaterCoordinates"]

MANY = 4.0
"""Standard errors of an offset, from its readings alone, in the spread between raters."""


@dataclass(frozen=True)
class RaterCoordinates:
    """Reals x of the layout from coordinates y: x = y, but for the raters with many readings x = y usual / spread.

    Parameters
    ----------
    layout : Layout
    spread : int
        Element of the spread between raters.
    raw : ndarray of int
        Elements of those raters' standardised offsets; none where the two are the same.
    usual : float
        Median of the spread's prior, so that y is about as large as x.
    """

    layout: Layout
    spread: int
    raw: np.ndarray
    usual: float

    @classmethod
    def of(cls, density: LogDensity) -> RaterCoordinates:
        """Raters with many readings by the medians of the priors."""
        path, layout, raters = density.priors.path, density.layout, density.raters
        spread = layout.spans.get("rater_sd", layout.spans.get("rater_sd_score"))
        if raters is None or spread is None:
            return cls(layout, 0, np.zeros(0, int), 1.0)
        usual, noise = (float(q.distribution.median) for q in (path.between_raters, path.noise))
        taken = np.bincount(np.concatenate([raters.used, raters.sided]), minlength=raters.count)
        rich = np.flatnonzero(taken > (MANY * noise / usual) ** 2)
        return cls(layout, spread.start, layout.spans["rater_raw"].start + rich, usual)

    @property
    def apart(self) -> np.ndarray:
        """Elements of the spread and of the other raters' offsets: the spread scales these, and their shapes change."""
        spans, every = self.layout.spans, np.arange(self.layout.size)
        own = [every[spans[name]] for name in ("rater_sd", "rater_sd_score", "rater_raw") if name in spans]
        return np.setdiff1d(np.concatenate([np.zeros(0, int), *own]), self.raw)

    def place(self, y: np.ndarray) -> np.ndarray:
        """The reals x (..., element) at y (..., element)."""
        return self._scaled(y, 1.0)

    def undo(self, x: np.ndarray) -> np.ndarray:
        """y (..., element) at the reals x (..., element)."""
        return self._scaled(x, -1.0)

    def _scaled(self, from_: np.ndarray, power: float) -> np.ndarray:
        if not len(self.raw):
            return from_
        out, spread = from_.copy(), self.layout.natural(from_)[0][..., self.spread]
        out[..., self.raw] *= ((self.usual / spread) ** power)[..., None]
        return out

    def density(self, density: Density) -> Density:
        """The density and its gradient as a function of y."""
        if not len(self.raw):
            return density

        def of(y: np.ndarray) -> tuple[Values, np.ndarray]:
            x = self.place(y)
            value, gradient = density(x)
            spread, slope = (part[..., self.spread] for part in self.layout.natural(x))
            gradient, ratio = gradient.copy(), self.usual / spread
            along = (gradient[..., self.raw] * x[..., self.raw]).sum(axis=-1)
            gradient[..., self.spread] -= (along + len(self.raw)) * slope / spread
            gradient[..., self.raw] *= ratio[..., None]
            return value + len(self.raw) * np.log(ratio), gradient

        return of
