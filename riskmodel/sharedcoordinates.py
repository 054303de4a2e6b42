"""Coordinates of the sampler for what the terms of small groups lean on, scaled and moved with the groups' spreads.

Records of a large network tell how often its overlays fail, and how its five districts differ. How far the five stand
from those that might have been is not told: the wider the spread between districts, the less is known of what all
districts share. That is a funnel, in which a sampler gets about slowly.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from functools import cached_property

import numpy as np

from .frame import Density, Frame, Values, slopes_by_element
from .groupcoordinates import GroupTerms
from .parameters import Bends, Layout
from .spreadcoordinates import SpreadCoordinates

__all__ = ["Quadratic", "SharedCoordinates", "Spreads", "few_terms"]

FEW = 40  # terms of all small groups together
ENOUGH, MOST = 0.5, 3  # change of a direction's precision, from half to twice the spreads, that counts; directions


def few_terms(groups: Sequence[GroupTerms]) -> list[GroupTerms]:
    """The smallest groups, in their order, with at most `FEW` terms together."""
    left = FEW - np.cumsum([len(own.raw) for own in reversed(groups)])[::-1]
    return [own for own, rest in zip(groups, left, strict=True) if rest >= 0]


@dataclass(frozen=True)
class Spreads:
    """Spreads of small groups as functions of a frame's elements, each of its own.

    Parameters
    ----------
    layout : Layout
    scores : SpreadCoordinates
        In which the frame stands.
    frame : Frame
        The spreads keep their own directions in it.
    groups : sequence of GroupTerms
    """

    layout: Layout
    scores: SpreadCoordinates
    frame: Frame
    groups: Sequence[GroupTerms]

    @cached_property
    def elements(self) -> np.ndarray:
        """Elements of the spreads, (group,)."""
        return np.array([own.spread for own in self.groups])

    @cached_property
    def raw(self) -> np.ndarray:
        """Elements of the standardised terms, group by group, (term,)."""
        return np.concatenate([own.raw for own in self.groups])

    @cached_property
    def group(self) -> np.ndarray:
        """Group of each term, (term,)."""
        return np.repeat(np.arange(len(self.groups)), [len(own.raw) for own in self.groups])

    def at(self, z: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
        """Spreads at z (..., element), and their derivatives to their elements, (..., group) each."""
        at, (scores, bends) = self.elements, self._own
        y = self.frame.mode[at] + self.frame.width[at] * z[..., at]
        value, slope = bends.natural(scores.place(y))
        return value, slope * scores.slope(y) * self.frame.width[at]

    @cached_property
    def _own(self) -> tuple[SpreadCoordinates, Bends]:
        """The ways from the frame to the spreads, of these alone."""
        return self.scores.only(self.elements), self.layout.bends.of(self.elements)

    @cached_property
    def usual(self) -> np.ndarray:
        """At the mode of the frame, (group,)."""
        return self.at(np.zeros(len(self.frame.mode)))[0]


@dataclass(frozen=True)
class Quadratic:
    """The records' log-likelihood as quadratic in the terms u of small groups and the elements z of a frame.

    It is u slope - u grip u / 2 - u lean z, and what is in z alone.

    Parameters
    ----------
    grip : ndarray (term, term)
    lean : ndarray (term, element)
        0 for elements that the frame does not turn.
    slope : ndarray (term,)
    rest : ndarray (turned, turned)
        Precision of the elements that the frame turns with the terms integrated out, at the usual spreads.
    """

    grip: np.ndarray
    lean: np.ndarray
    slope: np.ndarray
    rest: np.ndarray

    @classmethod
    def measured(cls, density: Density, place: Callable[[np.ndarray], np.ndarray], spreads: Spreads) -> Quadratic:
        """Measure it at the mode of the frame by differences of the gradient.

        Parameters
        ----------
        density : callable
            In the frame.
        place : callable
            The reals of the layout at points in the frame.
        spreads : Spreads
        """
        raw, turned, size = spreads.raw, spreads.frame.turned, len(spreads.frame.mode)
        sds = spreads.usual[spreads.group]
        curvature = -slopes_by_element(density, np.zeros(size), raw)
        within, across = 0.5 * (curvature[:, raw] + curvature[:, raw].T), curvature[:, turned]
        # the terms are linear in their own elements and those turned
        own = np.concatenate([raw, turned])
        points = np.zeros((len(own), size))
        points[np.arange(len(own)), own] = 1.0
        usual = sds * place(np.zeros((1, size)))[0, raw]
        steps = (sds * place(points)[:, raw] - usual).T
        back, moved = np.linalg.inv(steps[:, : len(raw)]), steps[:, len(raw) :]
        joint = back.T @ within @ back
        values, vectors = np.linalg.eigh(joint - np.diag(sds**-2.0))
        lean, rest = np.zeros((len(raw), size)), np.eye(len(turned)) - across.T @ np.linalg.solve(within, across)
        lean[:, turned] = back.T @ across - joint @ moved
        return cls((vectors * np.maximum(values, 0.0)) @ vectors.T, lean, joint @ usual, rest)


@dataclass(frozen=True)
class SharedCoordinates:
    """Points z of a frame from coordinates y: z = y, but along a few directions.

    With p the way along a direction, D the precisions 1 / spread^2 of the terms and S = grip + D, p with the terms
    integrated out is normal with

        precision  K = K_0 + h (S_0^-1 - S^-1) h,    h = lean direction
        mean       c = h (S_0^-1 - S^-1) slope / K

    where K_0 and S_0 are those at the usual spreads; so that p = c + y / sqrt(K). Spreads r times as wide widen p by no
    more than r: where a quadratic that is not quite right leaves less precision, K is held at K_0 / r^2. Only the
    coordinates rest on that: the density in them is the same density, its Jacobian included.

    Parameters
    ----------
    spreads : Spreads
    quadratic : Quadratic
    directions : ndarray (element, direction)
        Of unit length, at right angles, among the elements that the frame turns.
    """

    spreads: Spreads
    quadratic: Quadratic
    directions: np.ndarray

    @classmethod
    def of(cls, spreads: Spreads, quadratic: Quadratic) -> SharedCoordinates:
        """The directions whose precision changes most from half to twice the usual spreads."""
        lean, usual = quadratic.lean, spreads.usual
        none = cls(spreads, quadratic, np.zeros((lean.shape[1], 0)))
        span, within = np.linalg.qr(lean.T)
        gains = [within @ np.linalg.solve(none._precision(usual * times), within.T) for times in (2.0, 0.5)]
        change, vectors = np.linalg.eigh(gains[0] - gains[1])
        return cls(spreads, quadratic, span @ vectors[:, np.flatnonzero(change > ENOUGH)[-MOST:]])

    def _precision(self, spreads: np.ndarray) -> np.ndarray:
        """S (..., term, term)."""
        grip, group = self.quadratic.grip, self.spreads.group
        return grip + np.eye(len(grip)) * spreads[..., group, None] ** -2.0

    @cached_property
    def _along(self) -> np.ndarray:
        """h of each direction, and the slope last, (term, direction + 1)."""
        return np.column_stack([self.quadratic.lean @ self.directions, self.quadratic.slope])

    @cached_property
    def _middle(self) -> np.ndarray:
        """K_0, (direction,)."""
        own = self.directions[self.spreads.frame.turned]
        return (own * (self.quadratic.rest @ own)).sum(axis=0)

    @cached_property
    def _usual(self) -> tuple[np.ndarray, np.ndarray]:
        """K_0 + h S_0^-1 h and h S_0^-1 slope, (direction,) each."""
        own, pulled, _ = self._reach(self.spreads.usual)
        return self._middle + own, pulled

    def _reach(self, spreads: np.ndarray) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
        """h S^-1 h and h S^-1 slope, (..., direction) each, and S^-1 (h, slope), (..., term, direction + 1)."""
        solved = np.linalg.solve(self._precision(spreads), self._along)
        own = self._along[:, :-1]
        return (own * solved[..., :-1]).sum(axis=-2), (own * solved[..., -1:]).sum(axis=-2), solved

    def _normal(self, spreads: np.ndarray) -> tuple[np.ndarray, np.ndarray, np.ndarray, np.ndarray]:
        """K and c, (..., direction) each, S^-1 (h, slope), and whether K is held (..., direction)."""
        own, pulled, solved = self._reach(spreads)
        left, wider = self._usual[0] - own, np.maximum((spreads / self.spreads.usual).max(axis=-1, keepdims=True), 1.0)
        least = self._middle / wider**2
        precision = np.maximum(left, least)
        return precision, (self._usual[1] - pulled) / precision, solved, left < least

    def place(self, y: np.ndarray) -> np.ndarray:
        """z (..., element) at y (..., element)."""
        precision, mean, *_ = self._normal(self.spreads.at(y)[0])
        p = y @ self.directions
        return y + (mean + p * (precision**-0.5 - 1.0)) @ self.directions.T

    def undo(self, z: np.ndarray) -> np.ndarray:
        """y (..., element) at z (..., element)."""
        precision, mean, *_ = self._normal(self.spreads.at(z)[0])
        p = z @ self.directions
        return z + ((p - mean) * np.sqrt(precision) - p) @ self.directions.T

    def density(self, density: Density) -> Density:
        """The density and its gradient as a function of y."""
        directions, group = self.directions, self.spreads.group

        def of(y: np.ndarray) -> tuple[Values, np.ndarray]:
            spreads, slope = self.spreads.at(y)
            precision, mean, solved, held = self._normal(spreads)
            p, width = y @ directions, precision**-0.5
            value, gradient = density(y + (mean + p * (width - 1.0)) @ directions.T)
            pull = gradient @ directions
            # S^-1 changes by -S^-1 dD S^-1, and D by -2 / spread^3
            to_precision = np.where(held, 0.0, 1.0)[..., None, :] * solved[..., :-1] ** 2
            to_mean = solved[..., :-1] * solved[..., -1:]
            by_precision = -(pull * (mean + 0.5 * p * width) + 0.5) / precision
            by_term = (by_precision[..., None, :] * to_precision + (pull / precision)[..., None, :] * to_mean).sum(-1)
            by_term = -2.0 * by_term * spreads[..., group] ** -3.0
            gradient = gradient + (pull * (width - 1.0)) @ directions.T
            ratio = spreads / self.spreads.usual
            widest = (ratio > 1.0) & (ratio == ratio.max(axis=-1, keepdims=True))
            by_held = (
                -2.0 * np.where(held, by_precision * precision, 0.0).sum(axis=-1, keepdims=True) * widest / spreads
            )
            for number, at in enumerate(self.spreads.elements):
                by_spread = by_term[..., group == number].sum(axis=-1) + by_held[..., number]
                gradient[..., at] += slope[..., number] * by_spread
            return value - 0.5 * np.log(precision).sum(axis=-1), gradient

        return of
