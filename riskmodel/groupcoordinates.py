"""Coordinates of the sampler for the terms of a group: each about standard normal whatever the group's spread.

What the records of a contract say of its term widens and moves with the spread between contracts, and moves with what
all contracts share. Hundreds of terms that move together are a ridge that a sampler walks along in small steps.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from functools import cached_property

import numpy as np

from .frame import Density, Values, slopes_along, slopes_by_element
from .parameters import Bends, Layout

__all__ = ["GroupCoordinates", "GroupTerms", "terms_of"]


@dataclass(frozen=True)
class GroupTerms:
    """Elements of a group: its spread, and the standardised terms that the spread scales, (level,), side by side."""

    spread: int
    raw: np.ndarray

    @property
    def part(self) -> slice:
        """The terms' places: a slice is taken and filled ten times as fast as numbers one by one."""
        return slice(int(self.raw[0]), int(self.raw[-1]) + 1)


def terms_of(layout: Layout, columns: Sequence[str]) -> list[GroupTerms]:
    """Groups with terms of their own and a spread that is not fixed, most terms first."""
    found = []
    for column in columns:
        spread = layout.spans.get(f"{column}_sd", layout.spans.get(f"{column}_sd_score"))
        if spread is not None and f"{column}_raw" in layout.spans:
            found.append(GroupTerms(spread.start, np.arange(layout.size)[layout.spans[f"{column}_raw"]]))
    return sorted(found, key=lambda terms: -len(terms.raw))


@dataclass(frozen=True)
class GroupCoordinates:
    """Reals x from coordinates y: x = y, but for the standardised terms of one group.

    The records' log-likelihood of a level's term spread * x is taken as quadratic, with curvature -`grip` and with a
    slope at 0, `pull`, that is linear in the other elements. With its standard normal prior, x is then normal with
    variance v = 1 / (1 + spread^2 grip) and mean spread v pull:

        x = spread v (pull + lean (w - w_at)) + sqrt(v) y

    where w are the other elements, and of `smaller` groups the terms with their spreads multiplied in: those are what
    the records know. Only the coordinates rest on that: the density in them is the same density, its Jacobian included.

    Parameters
    ----------
    layout : Layout
    terms : GroupTerms
    smaller : sequence of GroupTerms
        Groups whose terms these lean on as their spreads scale them.
    pull, grip : ndarray (level,)
    others : ndarray of int (other,)
        Elements that the terms lean on: not the group's own, nor those of groups whose coordinates these rest on.
    at : ndarray (other,)
        w where the quadratic was measured.
    lean : ndarray (level, other)
    """

    layout: Layout
    terms: GroupTerms
    smaller: Sequence[GroupTerms]
    pull: np.ndarray
    grip: np.ndarray
    others: np.ndarray
    at: np.ndarray
    lean: np.ndarray

    @classmethod
    def measured(
        cls, layout: Layout, density: Density, at: np.ndarray, groups: Sequence[GroupTerms], number: int,
        scaled: bool = True,
    ) -> GroupCoordinates:  # fmt: skip
        """Measure the quadratic at the reals `at` by differences of the gradient.

        Parameters
        ----------
        layout : Layout
        density : callable
        at : ndarray (element,)
        groups : sequence of GroupTerms
            Most terms first.
        number : int
            Of this group among them.
        scaled : bool
            Whether terms of smaller groups count with their spreads, or as they stand.
        """
        terms, smaller = groups[number], groups[number + 1 :] if scaled else ()
        raw, spread = terms.raw, float(layout.natural(at)[0][terms.spread])
        apart = [*(own.raw for own in groups[: number + 1]), np.array([own.spread for own in (terms, *smaller)])]
        others = np.setdiff1d(np.arange(len(at)), np.concatenate(apart))
        slopes = slopes_by_element(density, at, others)[:, raw].T / spread
        curvature = -slopes_along(density, at, raw)[raw]  # levels do not act on each other
        grip = np.maximum((curvature - 1.0) / spread**2, 0.0)
        pull = (density(at)[1][raw] + at[raw]) / spread + grip * spread * at[raw]
        unset = cls(layout, terms, smaller, pull, grip, others, np.zeros(len(others)), slopes)
        values, scale, _ = unset._leant(at)
        return replace(unset, at=values, lean=slopes / scale)

    def place(self, y: np.ndarray) -> np.ndarray:
        """The reals x (..., element) at y (..., element)."""
        mean, sd, *_ = self._normal(y)
        x, part = y.copy(), self.terms.part
        x[..., part] = mean + sd * y[..., part]
        return x

    def undo(self, x: np.ndarray) -> np.ndarray:
        """y (..., element) at the reals x (..., element)."""
        mean, sd, *_ = self._normal(x)
        y, part = x.copy(), self.terms.part
        y[..., part] = (x[..., part] - mean) / sd
        return y

    @cached_property
    def _bend(self) -> Bends:
        return self.layout.bends.of(np.array([self.terms.spread]))

    @cached_property
    def _scaled(self) -> list[tuple[np.ndarray, Bends]]:
        """Of each smaller group its terms' places among the others, and its spread's bend."""
        return [
            (np.searchsorted(self.others, own.raw), self.layout.bends.of(np.array([own.spread])))
            for own in self.smaller
        ]  # fmt: skip

    def _leant(self, reals: np.ndarray) -> tuple[np.ndarray, np.ndarray, list[np.ndarray]]:
        """w and its derivative to the others (..., other), and the slope of each smaller group's spread (..., 1)."""
        values, slopes = reals[..., self.others], []
        scale = np.ones_like(values)
        for group, (places, bend) in zip(self.smaller, self._scaled, strict=True):
            spread, slope = bend.natural(reals[..., [group.spread]])
            scale[..., places] = spread
            slopes.append(slope)
        return values * scale, scale, slopes

    def _normal(self, reals: np.ndarray) -> tuple[np.ndarray, np.ndarray, np.ndarray, np.ndarray]:
        """Mean and sd of each standardised term given the other elements, (..., level); spread and its slope."""
        spread, slope = self._bend.natural(reals[..., [self.terms.spread]])
        variance = 1.0 / (1.0 + spread**2 * self.grip)
        moved = self._leant(reals)[0] - self.at
        return spread * variance * (self.pull + moved @ self.lean.T), np.sqrt(variance), spread, slope

    def density(self, density: Density) -> Density:
        """The density and its gradient as a function of y."""
        part, at = self.terms.part, self.terms.spread

        def of(y: np.ndarray) -> tuple[Values, np.ndarray]:
            mean, sd, spread, slope = self._normal(y)
            x = y.copy()
            x[..., part] = mean + sd * y[..., part]
            value, gradient = density(x)
            pull, own = gradient[..., part], gradient.copy()
            own[..., part] = sd * pull
            _, scale, slopes = self._leant(y)
            to_others = (spread * sd**2 * pull) @ self.lean
            own[..., self.others] += to_others * scale
            for group, (places, _), rise in zip(self.smaller, self._scaled, slopes, strict=True):
                own[..., group.spread] += rise[..., 0] * (to_others[..., places] * y[..., group.part]).sum(axis=-1)
            # d ln sd / d spread = -spread grip sd^2
            shrink = spread * self.grip * sd**2
            to_mean = mean / spread - 2.0 * mean * shrink
            own[..., at] += slope[..., 0] * (pull * (to_mean - sd * shrink * y[..., part]) - shrink).sum(axis=-1)
            return value + np.log(sd).sum(axis=-1), own

        return of
