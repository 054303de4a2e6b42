"""Coordinates of the sampler for the terms of a group: each about standard normal whatever the group's spread.

What the records of a contract say of its term widens and moves with the spread between contracts, and moves with what
all contracts share. Hundreds of terms that move together are a ridge that a sampler walks along in small steps.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from functools import cached_property

import numpy as np

from .frame import Density, Values, slopes_along, slopes_by_element
from .parameters import Bends, Layout

__all__ = ["GroupCoordinates", "GroupTerms", "terms_of"]


@dataclass(frozen=True)
class GroupTerms:
    """Elements of a group: its spread, and the standardised terms that the spread scales, (level,)."""

    spread: int
    raw: np.ndarray


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

        x = spread v (pull + lean (y - at)) + sqrt(v) y

    Only the coordinates rest on that: the density in them is the same density, its Jacobian included.

    Parameters
    ----------
    layout : Layout
    terms : GroupTerms
    at : ndarray (element,)
        Where the quadratic was measured.
    pull, grip : ndarray (level,)
    others : ndarray of int (other,)
        Elements that the terms lean on: not the group's own, nor those of groups whose coordinates these rest on.
    lean : ndarray (level, other)
    """

    layout: Layout
    terms: GroupTerms
    at: np.ndarray
    pull: np.ndarray
    grip: np.ndarray
    others: np.ndarray
    lean: np.ndarray

    @classmethod
    def measured(
        cls, layout: Layout, density: Density, at: np.ndarray, terms: GroupTerms, apart: np.ndarray
    ) -> GroupCoordinates:
        """Measure the quadratic at the reals `at` by differences of the gradient.

        Parameters
        ----------
        layout : Layout
        density : callable
        at : ndarray (element,)
        terms : GroupTerms
        apart : ndarray of int
            Elements that these terms do not lean on: terms of larger groups.
        """
        raw, spread = terms.raw, float(layout.natural(at)[0][terms.spread])
        others = np.setdiff1d(np.arange(len(at)), np.concatenate([apart, raw, [terms.spread]]))
        lean = slopes_by_element(density, at, others)[:, raw].T / spread
        curvature = -slopes_along(density, at, raw)[raw]  # levels do not act on each other
        grip = np.maximum((curvature - 1.0) / spread**2, 0.0)
        pull = (density(at)[1][raw] + at[raw]) / spread + grip * spread * at[raw]
        return cls(layout, terms, at, pull, grip, others, lean)

    def place(self, y: np.ndarray) -> np.ndarray:
        """The reals x (..., element) at y (..., element)."""
        mean, sd, *_ = self._normal(y)
        x = y.copy()
        x[..., self.terms.raw] = mean + sd * y[..., self.terms.raw]
        return x

    def undo(self, x: np.ndarray) -> np.ndarray:
        """y (..., element) at the reals x (..., element)."""
        mean, sd, *_ = self._normal(x)
        y = x.copy()
        y[..., self.terms.raw] = (x[..., self.terms.raw] - mean) / sd
        return y

    @cached_property
    def _bend(self) -> Bends:
        return self.layout.bends.of(np.array([self.terms.spread]))

    def _normal(self, reals: np.ndarray) -> tuple[np.ndarray, np.ndarray, np.ndarray, np.ndarray]:
        """Mean and sd of each standardised term given the other elements, (..., level); spread and its slope."""
        spread, slope = self._bend.natural(reals[..., [self.terms.spread]])
        variance = 1.0 / (1.0 + spread**2 * self.grip)
        moved = reals[..., self.others] - self.at[self.others]
        return spread * variance * (self.pull + moved @ self.lean.T), np.sqrt(variance), spread, slope

    def density(self, density: Density) -> Density:
        """The density and its gradient as a function of y."""
        raw, at = self.terms.raw, self.terms.spread

        def of(y: np.ndarray) -> tuple[Values, np.ndarray]:
            mean, sd, spread, slope = self._normal(y)
            x = y.copy()
            x[..., raw] = mean + sd * y[..., raw]
            value, gradient = density(x)
            pull, own = gradient[..., raw], gradient.copy()
            own[..., raw] = sd * pull
            own[..., self.others] += (spread * sd**2 * pull) @ self.lean
            # d ln sd / d spread = -spread grip sd^2
            shrink = spread * self.grip * sd**2
            to_mean = mean / spread - 2.0 * mean * shrink
            own[..., at] += slope[..., 0] * (pull * (to_mean - sd * shrink * y[..., raw]) - shrink).sum(axis=-1)
            return value + np.log(sd).sum(axis=-1), own

        return of
