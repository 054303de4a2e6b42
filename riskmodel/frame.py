"""The frame a sampler works in: the normal approximation at the mode of a density, made the standard normal."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
from scipy.linalg import solve_triangular
from scipy.optimize import minimize

__all__ = ["Frame"]

Density = Callable[[np.ndarray], tuple[float, np.ndarray]]
SEARCH_STEPS, GRADIENT_ENOUGH = 400, 1e-2
DIFFERENCE = 1e-3
FLATTEST, STEEPEST = 1e-2, 1e8  # of the curvature: priors have about 1, so that less is a sign of a bad step


@dataclass(frozen=True)
class Frame:
    """x = mode + scale z, so that z is about standard normal.

    Chains that begin near the mode with the shape of the posterior known spend their warm-up on the step size
    alone; the density itself stays what it is.

    Parameters
    ----------
    mode : ndarray (element,)
    scale : ndarray (element, element)
        Square root of the inverse of the negative Hessian at the mode.
    evaluations : int
        Gradients that it took.
    """

    mode: np.ndarray
    scale: np.ndarray
    evaluations: int

    @classmethod
    def at_mode(cls, density: Density, start: np.ndarray, alone: np.ndarray) -> Frame:
        """Climb from `start` and measure the curvature there by differences of gradients.

        Parameters
        ----------
        density : callable
        start : ndarray (element,)
        alone : ndarray of bool (element,)
            Elements whose correlations change over the posterior, as those of a spread and what it scales: they
            keep their own direction. (Turned by the correlations at the mode, the spread between contracts mixed
            fifty times slower than everything else.)
        """

        def downhill(x: np.ndarray) -> tuple[float, np.ndarray]:
            value, gradient = density(x)
            return (-value, -gradient) if np.isfinite(value) else (1e300, np.zeros_like(x))

        options = {"maxiter": SEARCH_STEPS, "gtol": GRADIENT_ENOUGH, "maxcor": 30}
        found = minimize(downhill, start, jac=True, method="L-BFGS-B", options=options)
        return cls(found.x, _scale(density, found.x, alone), int(found.nfev) + 2 * len(start))

    def place(self, z: np.ndarray) -> np.ndarray:
        """The reals (..., element) at z (..., element)."""
        return self.mode + z @ self.scale.T

    def undo(self, x: np.ndarray) -> np.ndarray:
        """z (..., element) at the reals x (..., element)."""
        flat = (x - self.mode).reshape(-1, len(self.mode))
        return np.asarray(np.linalg.solve(self.scale, flat.T).T.reshape(x.shape))

    def density(self, density: Density) -> Density:
        """The density and its gradient as a function of z."""

        def of(z: np.ndarray) -> tuple[float, np.ndarray]:
            value, gradient = density(self.place(z))
            return value, self.scale.T @ gradient

        return of


def _scale(density: Density, mode: np.ndarray, alone: np.ndarray) -> np.ndarray:
    """Square root of the inverse curvature, from central differences of the gradient."""
    size = len(mode)
    curvature = np.empty((size, size))
    for i, step in enumerate(DIFFERENCE * np.eye(size)):
        curvature[i] = (density(mode - step)[1] - density(mode + step)[1]) / (2.0 * DIFFERENCE)
    curvature = np.nan_to_num(0.5 * (curvature + curvature.T))
    curvature[(alone[:, None] | alone[None, :]) & ~np.eye(size, dtype=bool)] = 0.0
    values, vectors = np.linalg.eigh(curvature)
    root = vectors * np.sqrt(np.clip(values, FLATTEST, STEEPEST))  # root @ root.T is the curvature
    factor = np.linalg.qr(root.T, mode="r")
    return np.asarray(solve_triangular(factor, np.eye(size)))
