"""Coordinates of the sampler for directions along which the posterior is skewed: their normal scores in it."""

from __future__ import annotations

import os
from collections.abc import Callable
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass

import numpy as np
from scipy.integrate import cumulative_trapezoid
from scipy.interpolate import CubicHermiteSpline, CubicSpline
from scipy.special import ndtri

from .frame import Density, Values
from .integrated import integrated

__all__ = ["ScoreCoordinates"]

SKEWED = 0.25
"""Third derivative of a log density with unit curvature, from which on a direction is taken."""
TURNS, SETTLED, INERTIA = 12, 0.05, 0.3
"""Of the search for a direction: steps at most, change of the third derivative that ends it, and how much of the
direction is kept at a step, in third derivatives."""
PLACES = np.linspace(-6.0, 6.0, 9)
"""Where the density is evaluated along an element."""
NEAR, GROWTH, LOW, MOST_OUTWARD = np.arange(-3.0, 4.0), 1.5, 12.0, 12
"""Where that of a spread is at first, and how its places go on outward: in steps that grow, to where it is so far below
its largest, or for so many steps."""
COARSE, FINER, LOOKS = 2.0, 4.0, 8
"""A largest value that stands so far above one beside it is looked at again, in steps so many times finer, so often."""
SPACING, LAST = 0.5, 4.0
SCORES = np.arange(-LAST, LAST + SPACING, SPACING)
GENTLE = 0.25, 4.0
"""Of the slope of z: beyond a wall along a direction there is room as soon as the others have moved."""
STEEPEST = 3.0
"""Chords beside it that a slope counts for: a cubic that rises at both ends and more steeply there turns back between
them (F. N. Fritsch and R. E. Carlson, SIAM J. Numerical Analysis 17 (1980) 238-246; page not seen)."""
STRAIGHT = 3  # nodes beyond the last score
FINE, LOWEST = 2001, -1e6
HALVINGS, FAR = 60, 1e3


@dataclass(frozen=True)
class ScoreCoordinates:
    """Points z of a frame from coordinates y: z = y, but along a few directions.

    With p the way along a direction, F its distribution function while all else stands at the mode, 0 (but the terms
    that a spread belongs to, which are integrated out), and Phi the normal one, p = F^-1(Phi(y)): a cubic B-spline
    whose coefficients are its values at scores half a unit apart, so that it rises everywhere, and straight beyond.
    Only the coordinates rest on that: the density in them is the same density, its Jacobian included.

    Parameters
    ----------
    among : ndarray of int (among,)
        Elements that the directions lie in.
    directions : ndarray (among, own)
        Of unit length, at right angles.
    pieces : ndarray (own, piece, 4)
        Coefficients of the powers 0 to 3 on each piece, of the part of it that lies behind.
    """

    among: np.ndarray
    directions: np.ndarray
    pieces: np.ndarray

    @classmethod
    def measured(cls, density: Density, size: int, among: np.ndarray) -> ScoreCoordinates:
        """Find the directions and measure along them; the gradients are shared out to all cores.

        Parameters
        ----------
        density : callable
            In a frame.
        size : int
            Number of elements.
        among : ndarray of int
        """
        middle = density(np.zeros(size))[0]

        def at(way: np.ndarray) -> tuple[float, np.ndarray]:
            point = np.zeros(size)
            point[among] = way
            value, gradient = density(point)
            return float(_above(value - middle)), np.nan_to_num(gradient[among])

        with ThreadPoolExecutor(os.cpu_count() or 1) as hands:
            directions = _skewed(lambda ways: [slope for _, slope in hands.map(at, ways)], len(among))
            found = list(hands.map(at, [own * one for one in directions.T for own in PLACES]))
        values = np.reshape([value for value, _ in found], (-1, len(PLACES)))
        slopes = np.reshape([slope for _, slope in found], (*values.shape, len(among)))
        along = np.einsum("dpa,ad->dp", slopes, directions)
        quantiles = [_gentle(_quantiles(PLACES, *one)) for one in zip(values, along, strict=True)]
        return cls(among, directions, _pieces(np.reshape(quantiles, (-1, len(SCORES)))))

    @classmethod
    def of_spread(cls, density: Density, size: int, spread: int, terms: np.ndarray) -> ScoreCoordinates:
        """Of the spread of a large group, by its density with the terms integrated out (`integrated`).

        Parameters
        ----------
        density : callable
            In a frame, in which the terms are about standard normal.
        size : int
            Number of elements.
        spread : int
        terms : ndarray of int (term,)
        """
        middle = density(np.zeros(size))[0]
        with ThreadPoolExecutor(os.cpu_count() or 1) as hands:

            def along(places: np.ndarray) -> np.ndarray:
                points = np.zeros((len(places), size))
                points[:, spread] = places
                return _above(integrated(density, points, terms, hands.map) - middle)

            places, values = _seen(along)
        quantiles = _quantiles(places, values, CubicSpline(places, values)(places, 1))
        return cls(
            np.array([spread]), np.eye(1), _pieces(_gentle(quantiles, np.diff(quantiles).mean() / SPACING)[None])
        )

    def place(self, y: np.ndarray) -> np.ndarray:
        """z (..., element) at y (..., element)."""
        z, own = y.copy(), y[..., self.among] @ self.directions
        z[..., self.among] += (self._along(own)[0] - own) @ self.directions.T
        return z

    def undo(self, z: np.ndarray) -> np.ndarray:
        """y (..., element) at z (..., element), by halving."""
        y, own = z.copy(), z[..., self.among] @ self.directions
        low, high = np.full(own.shape, -FAR), np.full(own.shape, FAR)
        for _ in range(HALVINGS):
            middle = 0.5 * (low + high)
            above = self._along(middle)[0] > own
            low, high = np.where(above, low, middle), np.where(above, middle, high)
        y[..., self.among] += (0.5 * (low + high) - own) @ self.directions.T
        return y

    def density(self, density: Density) -> Density:
        """The density and its gradient as a function of y."""
        if not self.directions.size:
            return density

        def of(y: np.ndarray) -> tuple[Values, np.ndarray]:
            own = y[..., self.among] @ self.directions
            way, slope, bend = self._along(own)
            z = y.copy()
            z[..., self.among] += (way - own) @ self.directions.T
            value, gradient = density(z)
            pull = gradient[..., self.among] @ self.directions
            gradient = gradient.copy()
            gradient[..., self.among] += (pull * (slope - 1.0) + bend / slope) @ self.directions.T
            return value + np.log(slope).sum(axis=-1), gradient

        return of

    def _along(self, score: np.ndarray) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
        """The way and its first two derivatives at scores, (..., own) each."""
        place = (np.clip(np.nan_to_num(score), -FAR, FAR) - SCORES[0]) / SPACING + STRAIGHT - 1.0
        piece = np.clip(np.floor(place), 0, self.pieces.shape[1] - 1).astype(int)
        t, (a, b, c, d) = place - piece, np.moveaxis(self.pieces[np.arange(len(self.pieces)), piece], -1, 0)
        return a + t * (b + t * (c + t * d)), (b + t * (2 * c + t * 3 * d)) / SPACING, (2 * c + t * 6 * d) / SPACING**2


def _skewed(gradients: Callable[[list[np.ndarray]], list[np.ndarray]], size: int) -> np.ndarray:
    """Directions of the largest third derivatives, one after the other at right angles, (element, direction).

    With T(v, v) the gradients one unit to either side along v, less twice that at 0, the search goes from v to T(v, v)
    (E. Kofidis and P. A. Regalia, SIAM J. Matrix Analysis and Applications 23 (2002) 863-884; page not seen). It begins
    at the element with the largest own of what is left, and where none is skewed at the sum of T over all elements, to
    which every direction adds.
    """
    axes, flat = np.eye(size), gradients([np.zeros(size)])[0]
    ahead, behind = np.reshape(gradients([*axes, *-axes]), (2, size, size))
    bends = ahead + behind - 2.0 * flat
    own, total = np.diag(bends).copy(), bends.sum(axis=0)
    found, tried = np.zeros((size, 0)), np.zeros(size, bool)
    while found.shape[1] < size:
        first = int(np.argmax(np.where(tried, 0.0, np.abs(own))))
        last = tried[first] or abs(own[first]) < SKEWED
        start = total if last else np.sign(own[first]) * axes[first]
        tried[first] = True
        start = start - found @ (start @ found)
        if np.linalg.norm(start) < SKEWED:
            break
        way, skewness = _most_skewed(gradients, flat, start / np.linalg.norm(start), found)
        if abs(skewness) >= SKEWED:
            found = np.column_stack([found, way])
            own, total = own - skewness * way**3, total - skewness * way
        elif last:
            break
    return found


def _most_skewed(
    gradients: Callable[[list[np.ndarray]], list[np.ndarray]], flat: np.ndarray, way: np.ndarray, found: np.ndarray
) -> tuple[np.ndarray, float]:
    """The direction that the search comes to from `way`, at right angles to those found, and its third derivative."""
    before = 0.0
    for turn in range(TURNS):
        ahead, behind = gradients([way, -way])
        bend = ahead + behind - 2.0 * flat
        bend -= found @ (bend @ found)
        skewness = float(bend @ way)
        if turn and (abs(skewness) < SKEWED or abs(abs(skewness) - before) < SETTLED * before):
            break
        turned = np.sign(skewness) * bend + INERTIA * abs(skewness) * way
        way, before = turned / np.linalg.norm(turned), abs(skewness)
    return way, skewness


def _above(values: Values) -> np.ndarray:
    """Log densities beside that at the mode, none of them out of hand."""
    return np.maximum(np.nan_to_num(values, nan=LOWEST), LOWEST)


def _seen(along: Callable[[np.ndarray], np.ndarray]) -> tuple[np.ndarray, np.ndarray]:
    """Places (place,) from one end of a density to the other, close where it is large, and its logarithm there."""
    middle, step = 0.0, 1.0
    for _ in range(LOOKS):
        places, values = _outward(along, middle + step * NEAR, step)
        top = int(np.argmax(values))
        beside = values[[max(top - 1, 0), min(top + 1, len(values) - 1)]]
        if values[top] - beside.min() < COARSE:
            break
        middle, step = places[top], step / FINER
    return places, values


def _outward(
    along: Callable[[np.ndarray], np.ndarray], places: np.ndarray, step: float
) -> tuple[np.ndarray, np.ndarray]:
    """More places to either side of these, and the values at all."""
    values = along(places)
    for _ in range(MOST_OUTWARD):
        more = values[[0, -1]] > values.max() - LOW
        if not more.any():
            break
        ends = (places[[0, -1]] + step * np.array([-1.0, 1.0]))[more]
        found = np.concatenate([places, ends])
        order = np.argsort(found)
        places, values = found[order], np.concatenate([values, along(ends)])[order]
        step *= GROWTH
    return places, values


def _gentle(values: np.ndarray, unit: float = 1.0) -> np.ndarray:
    """Quantiles no closer and no farther apart than `GENTLE` units, from the middle on."""
    steps = np.clip(np.diff(values), unit * SPACING * GENTLE[0], unit * SPACING * GENTLE[1])
    places = np.concatenate([[0.0], np.cumsum(steps)])
    middle = len(values) // 2
    return values[middle] + places - places[middle]


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


def _quantiles(places: np.ndarray, log_density: np.ndarray, slope: np.ndarray) -> np.ndarray:
    """z at the scores from the log density and its slope at places; beyond, it falls as a standard normal does."""
    at = np.linspace(places[0] - 1.0, places[-1] + 1.0, FINE)
    chord = np.abs(np.diff(log_density) / np.diff(places))
    steepest = STEEPEST * np.minimum(np.append(chord, chord[-1]), np.append(chord[0], chord))
    curve = CubicHermiteSpline(places, log_density, np.clip(slope, -steepest, steepest))
    inside = np.clip(at, places[0], places[-1])
    value = curve(inside) + curve(inside, 1) * (at - inside) - 0.5 * (at - inside) ** 2
    below = cumulative_trapezoid(np.exp(value - value.max()), at, initial=0.0)
    share, rest = below / below[-1], (below[-1] - below) / below[-1]
    here = (share > 0.0) & (rest > 0.0)
    score, at = np.where(share < 0.5, ndtri(share), -ndtri(rest))[here], at[here]
    rising = np.diff(np.maximum.accumulate(score), prepend=-np.inf) > 0.0
    return np.interp(SCORES, score[rising], at[rising])
