"""Coordinates of the sampler for elements along which the posterior is skewed: their normal scores in it."""

from __future__ import annotations

import os
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass

import numpy as np
from scipy.integrate import cumulative_trapezoid
from scipy.interpolate import CubicHermiteSpline
from scipy.special import ndtri

from .frame import Density, Values

__all__ = ["ScoreCoordinates"]

SKEWED = 0.3
"""Third derivative of a log density with unit curvature, from which on an element is taken."""
PLACES = np.linspace(-6.0, 6.0, 9)
"""Where the density is evaluated along an element."""
SPACING, LAST = 0.5, 4.0
SCORES = np.arange(-LAST, LAST + SPACING, SPACING)
STEEPEST = 3.0
"""Chords beside it that a slope counts for: a cubic that rises at both ends and more steeply there turns back between
them (F. N. Fritsch and R. E. Carlson, SIAM J. Numerical Analysis 17 (1980) 238-246; page not seen)."""
STRAIGHT = 3  # nodes beyond the last score
FINE, LOWEST = 2001, -1e6
HALVINGS, FAR = 60, 1e3


@dataclass(frozen=True)
class ScoreCoordinates:
    """Points z of a frame from coordinates y: z = y, but along a few elements.

    With F the distribution function along an element while all else stands at the mode, 0, and Phi the normal one,
    z = F^-1(Phi(y)): a cubic B-spline whose coefficients are its values at scores half a unit apart, so that it rises
    everywhere, and straight beyond. Only the coordinates rest on that: the density in them is the same density, its
    Jacobian included.

    Parameters
    ----------
    elements : ndarray of int (own,)
    pieces : ndarray (own, piece, 4)
        Coefficients of the powers 0 to 3 on each piece, of the part of it that lies behind.
    """

    elements: np.ndarray
    pieces: np.ndarray

    @classmethod
    def measured(cls, density: Density, size: int, among: np.ndarray) -> ScoreCoordinates:
        """Measure the elements that are skewed; the gradients are shared out to all cores.

        Parameters
        ----------
        density : callable
            In a frame.
        size : int
            Number of elements.
        among : ndarray of int
        """

        def at(place: tuple[int, float]) -> tuple[float, float]:
            element, own = place
            point = np.zeros(size)
            point[element] = own
            value, gradient = density(point)
            return max(float(np.nan_to_num(value, nan=LOWEST)), LOWEST), float(np.nan_to_num(gradient[element]))

        with ThreadPoolExecutor(os.cpu_count() or 1) as hands:
            beside = np.reshape(list(hands.map(at, [(i, own) for i in among for own in (-1.0, 1.0)])), (-1, 2, 2))
            skewness = beside[:, :, 1].sum(axis=1) - 2.0 * density(np.zeros(size))[1][among]
            elements = among[np.abs(skewness) > SKEWED]
            found = list(hands.map(at, [(i, own) for i in elements for own in PLACES]))
        along = np.reshape(found, (len(elements), len(PLACES), 2))
        return cls(elements, _pieces(np.reshape([_quantiles(*one.T) for one in along], (-1, len(SCORES)))))

    def place(self, y: np.ndarray) -> np.ndarray:
        """z (..., element) at y (..., element)."""
        z = y.copy()
        z[..., self.elements] = self._along(y[..., self.elements])[0]
        return z

    def undo(self, z: np.ndarray) -> np.ndarray:
        """y (..., element) at z (..., element), by halving."""
        y, own = z.copy(), z[..., self.elements]
        low, high = np.full(own.shape, -FAR), np.full(own.shape, FAR)
        for _ in range(HALVINGS):
            middle = 0.5 * (low + high)
            above = self._along(middle)[0] > own
            low, high = np.where(above, low, middle), np.where(above, middle, high)
        y[..., self.elements] = 0.5 * (low + high)
        return y

    def density(self, density: Density) -> Density:
        """The density and its gradient as a function of y."""
        if not len(self.elements):
            return density

        def of(y: np.ndarray) -> tuple[Values, np.ndarray]:
            own, slope, bend = self._along(y[..., self.elements])
            z = y.copy()
            z[..., self.elements] = own
            value, gradient = density(z)
            gradient = gradient.copy()
            gradient[..., self.elements] = slope * gradient[..., self.elements] + bend / slope
            return value + np.log(slope).sum(axis=-1), gradient

        return of

    def _along(self, score: np.ndarray) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
        """z and its first two derivatives at scores, (..., own) each."""
        place = (np.clip(score, -FAR, FAR) - SCORES[0]) / SPACING + STRAIGHT - 1.0
        piece = np.clip(np.floor(place), 0, self.pieces.shape[1] - 1).astype(int)
        t, (a, b, c, d) = place - piece, np.moveaxis(self.pieces[np.arange(len(self.elements)), piece], -1, 0)
        return a + t * (b + t * (c + t * d)), (b + t * (2 * c + t * 3 * d)) / SPACING, (2 * c + t * 6 * d) / SPACING**2


def _pieces(values: np.ndarray) -> np.ndarray:
    """Pieces of the B-splines with these coefficients (own, node), which go on straight."""
    beyond = SPACING * np.arange(1.0, STRAIGHT + 1.0)
    slopes = np.diff(values[:, [0, 1, -2, -1]], axis=1)[:, [0, 2]] / SPACING
    before = values[:, [0]] - slopes[:, [0]] * beyond[::-1]
    all_ = np.concatenate([before, values, values[:, [-1]] + slopes[:, [1]] * beyond], axis=1)
    first, second, third, fourth = (all_[:, i : all_.shape[1] - 3 + i] for i in range(4))
    return np.stack(
        [(first + 4.0 * second + third) / 6.0, (third - first) / 2.0, (first - 2.0 * second + third) / 2.0,
         (fourth - 3.0 * third + 3.0 * second - first) / 6.0], axis=-1
    )  # fmt: skip


def _quantiles(log_density: np.ndarray, slope: np.ndarray) -> np.ndarray:
    """z at the scores from the log density and its slope at `PLACES`; beyond, it falls as a standard normal does."""
    at = np.linspace(PLACES[0] - 1.0, PLACES[-1] + 1.0, FINE)
    chord = np.abs(np.diff(log_density) / np.diff(PLACES))
    steepest = STEEPEST * np.minimum(np.append(chord, chord[-1]), np.append(chord[0], chord))
    curve = CubicHermiteSpline(PLACES, log_density, np.clip(slope, -steepest, steepest))
    inside = np.clip(at, PLACES[0], PLACES[-1])
    value = curve(inside) + curve(inside, 1) * (at - inside) - 0.5 * (at - inside) ** 2
    below = cumulative_trapezoid(np.exp(value - value.max()), at, initial=0.0)
    share, rest = below / below[-1], (below[-1] - below) / below[-1]
    here = (share > 0.0) & (rest > 0.0)
    score, at = np.where(share < 0.5, ndtri(share), -ndtri(rest))[here], at[here]
    rising = np.diff(np.maximum.accumulate(score), prepend=-np.inf) > 0.0
    return np.interp(SCORES, score[rising], at[rising])
