"""The frame a sampler works in: the normal approximation at the mode of a density, made the standard normal."""

from __future__ import annotations

import os
from collections.abc import Callable, Sequence
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass
from typing import Protocol

import numpy as np
from scipy.linalg import solve_triangular
from scipy.optimize import minimize

__all__ = ["Density", "Frame", "Nested", "Values", "climb", "opposite", "slopes_along", "slopes_by_element"]

Values = float | np.ndarray
Density = Callable[[np.ndarray], tuple[Values, np.ndarray]]
"""Log density (...) and its gradient (..., element) at points (..., element), or at one point only."""
SEARCHES, SEARCH_STEPS, GRADIENT_ENOUGH, FALL_ENOUGH = 4, 400, 1e-2, 1e-9
DIFFERENCE = 1e-3
FLATTEST, STEEPEST = 1e-2, 1e8  # of the curvature


class Coordinates(Protocol):
    """Reals x of the layout as a function of others, y."""

    def place(self, y: np.ndarray) -> np.ndarray:
        """The reals x (..., element) at y (..., element)."""

    def undo(self, x: np.ndarray) -> np.ndarray:
        """y (..., element) at the reals x (..., element)."""

    def density(self, density: Density) -> Density:
        """The density and its gradient as a function of y."""


@dataclass(frozen=True)
class Nested:
    """Coordinates within coordinates, the outermost last: each is measured in those before it."""

    parts: tuple[Coordinates, ...]

    def place(self, y: np.ndarray) -> np.ndarray:
        """The reals x (..., element) at y (..., element)."""
        for part in reversed(self.parts):
            y = part.place(y)
        return y

    def undo(self, x: np.ndarray) -> np.ndarray:
        """y (..., element) at the reals x (..., element)."""
        for part in self.parts:
            x = part.undo(x)
        return x

    def density(self, density: Density) -> Density:
        """The density and its gradient as a function of y."""
        for part in self.parts:
            density = part.density(density)
        return density


@dataclass(frozen=True)
class Frame:
    """x = mode + scale z, so that z is about standard normal.

    Chains that begin near the mode with the shape of the posterior known spend their warm-up on the step size
    alone; the density itself stays what it is.

    Parameters
    ----------
    mode : ndarray (element,)
    turned : ndarray of int (turned,)
        Elements that are scaled together.
    scale : ndarray (turned, turned)
        Square root of the inverse of their negative Hessian at the mode.
    width : ndarray (element,)
        Scale of the elements that keep their own direction.
    evaluations : int
        Gradients that it took.
    """

    mode: np.ndarray
    turned: np.ndarray
    scale: np.ndarray
    width: np.ndarray
    evaluations: int

    @classmethod
    def at_mode(
        cls,
        density: Density,
        start: np.ndarray,
        apart: Sequence[np.ndarray] = (),
        reach: float = DIFFERENCE,
        held: Sequence[int] = (),
    ) -> Frame:
        """Climb from `start` and measure the curvature there by differences of gradients.

        Parameters
        ----------
        density : callable
        start : ndarray (element,)
        apart : sequence of ndarray of int
            Elements whose correlations change over the posterior, as those of a spread and what it scales: they
            keep their own direction. (Turned by the correlations at the mode, the spread between contracts mixed
            fifty times slower than everything else.) Elements of one array do not act on each other, so that one
            difference measures all of them.
        reach : float
            How far to either side the gradients are taken.
        held : sequence of int
            Elements that the search leaves where they are.
        """
        mode, searched = climb(density, start, np.array(held, int))
        turned = np.setdiff1d(np.arange(len(start)), np.concatenate([np.zeros(0, int), *apart]))
        evaluations = searched + 2 * (len(turned) + len(apart))
        return cls(
            mode, turned, _scale(density, mode, turned, reach), _widths(density, mode, apart, reach), evaluations
        )  # fmt: skip

    @classmethod
    def moved(cls, density: Density, start: np.ndarray, own: Sequence[np.ndarray]) -> Frame:
        """Climb from `start` and measure the widths of the elements `own` (as `apart` above); others keep theirs."""
        mode, searched = climb(density, start)
        widths = _widths(density, mode, own, DIFFERENCE)
        return cls(mode, np.zeros(0, int), np.zeros((0, 0)), widths, searched + 2 * len(own))

    def place(self, z: np.ndarray) -> np.ndarray:
        """The reals (..., element) at z (..., element)."""
        x = self.mode + self.width * z
        x[..., self.turned] = self.mode[self.turned] + z[..., self.turned] @ self.scale.T
        return x

    def undo(self, x: np.ndarray) -> np.ndarray:
        """z (..., element) at the reals x (..., element)."""
        z = (x - self.mode) / self.width
        if not len(self.turned):
            return z
        flat = z[..., self.turned].reshape(-1, len(self.turned))
        z[..., self.turned] = np.linalg.solve(self.scale, flat.T).T.reshape(*x.shape[:-1], len(self.turned))
        return z

    def density(self, density: Density) -> Density:
        """The density and its gradient as a function of z."""

        def of(z: np.ndarray) -> tuple[Values, np.ndarray]:
            value, slope = density(self.place(z))
            gradient = self.width * slope
            gradient[..., self.turned] = slope[..., self.turned] @ self.scale
            return value, gradient

        return of


def climb(density: Density, start: np.ndarray, held: np.ndarray | None = None) -> tuple[np.ndarray, int]:
    """The mode near `start`, and the gradients that it took; elements `held` stay where they are.

    A search that met points without a density ends early, with a slope left, and is begun anew from there.
    """
    held = np.zeros(0, int) if held is None else held

    def downhill(x: np.ndarray) -> tuple[float, np.ndarray]:
        value, gradient = density(x)
        if not np.isfinite(value):
            return 1e300, np.zeros_like(x)
        down = -gradient
        down[held] = 0.0
        return -float(value), down

    options = {"maxiter": SEARCH_STEPS, "gtol": GRADIENT_ENOUGH, "ftol": FALL_ENOUGH, "maxcor": 30}
    mode, spent, slope = start, 0, np.inf
    for _ in range(SEARCHES):
        if slope > GRADIENT_ENOUGH:
            found = minimize(downhill, mode, jac=True, method="L-BFGS-B", options=options)
            mode, spent, slope = found.x, spent + int(found.nfev), float(np.abs(found.jac).max())
    return mode, spent


def opposite(density: Density, away: np.ndarray) -> Density:
    """Log density and gradient averaged over two points, `away` (element,) to either side; itself where that is 0."""
    if not away.any():
        return density
    beside = ThreadPoolExecutor(1)  # ends with the density

    def of(x: np.ndarray) -> tuple[Values, np.ndarray]:
        other = beside.submit(density, x - away)
        value, slope = density(x + away)
        rest, back = other.result()
        return 0.5 * (value + rest), 0.5 * (slope + back)

    return of


def _steepness(curvature: np.ndarray) -> np.ndarray:
    """The curvature, and where it is no maximum's that of the priors, about 1."""
    return np.where(curvature < FLATTEST, 1.0, np.minimum(curvature, STEEPEST))


def _widths(density: Density, mode: np.ndarray, apart: Sequence[np.ndarray], reach: float) -> np.ndarray:
    """Scale of elements that keep their own direction, 1 for the others."""
    width = np.ones(len(mode))
    for own in apart:
        width[own] = _steepness(-slopes_along(density, mode, own, reach)[own]) ** -0.5
    return width


def slopes_along(density: Density, at: np.ndarray, moved: np.ndarray, reach: float = DIFFERENCE) -> np.ndarray:
    """Row sums of the Hessian over the elements moved, (element,), from central differences of the gradient."""
    step = np.zeros(len(at))
    step[moved] = reach
    return np.nan_to_num((density(at + step)[1] - density(at - step)[1]) / (2.0 * reach))


def slopes_by_element(density: Density, at: np.ndarray, elements: np.ndarray, reach: float = DIFFERENCE) -> np.ndarray:
    """Rows of the Hessian, (row, element); the gradients are shared out to all cores."""
    with ThreadPoolExecutor(os.cpu_count() or 1) as hands:
        rows = list(hands.map(lambda i: slopes_along(density, at, np.array([i]), reach), elements))
    return np.reshape(rows, (len(elements), len(at)))


def _scale(density: Density, mode: np.ndarray, turned: np.ndarray, reach: float) -> np.ndarray:
    """Square root of the inverse curvature of the elements that are scaled together."""
    curvature = -slopes_by_element(density, mode, turned, reach)[:, turned]
    values, vectors = np.linalg.eigh(0.5 * (curvature + curvature.T))
    root = vectors * np.sqrt(_steepness(values))  # root @ root.T is the curvature
    factor = np.linalg.qr(root.T, mode="r")
    return np.asarray(solve_triangular(factor, np.eye(len(turned))))
