"""Univariate distributions of the priors: five families and the fixed value.

Frozen and light: only `scipy.special`, since importing `scipy.stats` costs most of a second.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy import special

from riskmodel.errors import RiskModelError

__all__ = ["PARAMETERS", "SUPPORTS", "Distribution", "ElicitationError", "FloatArray", "stretched"]

type FloatArray = NDArray[np.float64]

PARAMETERS: Mapping[str, tuple[str, ...]] = {
    "normal": ("mean", "sd"),
    "lognormal": ("mu", "sigma"),
    "beta": ("a", "b"),
    "gamma": ("shape", "scale"),
    "skewed": ("location", "scale", "skewness"),
    "fixed": ("value",),
}
_POSITIVE = frozenset({"sd", "sigma", "a", "b", "shape", "scale"})
SUPPORTS: Mapping[str, tuple[float, float]] = {
    "real": (-np.inf, np.inf),
    "positive": (0.0, np.inf),
    "unit": (0.0, 1.0),
}


class ElicitationError(RiskModelError, ValueError):
    """Quantiles, parameters or weights that no distribution can have."""


@dataclass(frozen=True)
class Distribution:
    """A univariate distribution, fitted or stated.

    Parameters
    ----------
    family : str
        "normal", "lognormal", "beta", "gamma", "skewed" or "fixed".
    parameters : tuple of float
        normal (mean, sd); lognormal (mu, sigma) of ln x; beta (a, b); gamma (shape, scale);
        fixed (value,); skewed (location, scale, skewness).

    Raises
    ------
    ElicitationError
        If the family is unknown, or a parameter is missing, not finite or not positive where it must be.

    Notes
    -----
    The skewed family is x = location + scale (exp(skewness z) - 1) / skewness with z standard
    normal: a shifted lognormal (mirrored where the skewness is negative), the SL system of
    N. L. Johnson, Biometrika 36 (1949) 149-176 (page not seen). At skewness 0 it is the normal. It is
    monotone in z whatever the parameters and meets any three increasing quantiles exactly.
    """

    family: str
    parameters: tuple[float, ...]

    def __post_init__(self) -> None:
        names = PARAMETERS.get(self.family)
        if names is None:
            raise ElicitationError(f"`family` must be one of {', '.join(PARAMETERS)}; got {self.family!r}.")
        if len(names) != len(self.parameters):
            raise ElicitationError(
                f"a {self.family} distribution needs {', '.join(names)}; got {len(self.parameters)} values."
            )
        for name, value in zip(names, self.parameters, strict=True):
            if not np.isfinite(value) or (name in _POSITIVE and value <= 0):
                rule = "positive and finite" if name in _POSITIVE else "finite"
                raise ElicitationError(f"`{name}` of a {self.family} distribution must be {rule}; got {value:g}.")

    def __str__(self) -> str:
        named = ", ".join(
            f"{name} {value:.4g}" for name, value in zip(PARAMETERS[self.family], self.parameters, strict=True)
        )
        return f"{self.family}({named})"

    @property
    def support(self) -> tuple[float, float]:
        """Lowest and highest possible value, in the distribution's unit."""
        if self.family == "fixed":
            return self.parameters[0], self.parameters[0]
        if self.family == "skewed":
            location, scale, skewness = self.parameters
            if skewness == 0:
                return SUPPORTS["real"]
            bound = location - scale / skewness
            return (bound, np.inf) if skewness > 0 else (-np.inf, bound)
        return SUPPORTS[{"normal": "real", "beta": "unit"}.get(self.family, "positive")]

    def ppf(self, p: ArrayLike) -> FloatArray:
        """Quantiles at probabilities `p` (any shape; NaN outside 0 to 1)."""
        p = np.asarray(p, dtype=np.float64)
        match self.family, self.parameters:
            case "normal", (mean, sd):
                value = mean + sd * special.ndtri(p)
            case "lognormal", (mu, sigma):
                value = np.exp(mu + sigma * special.ndtri(p))
            case "beta", (a, b):
                value = special.betaincinv(a, b, p)
            case "gamma", (shape, scale):
                value = scale * special.gammaincinv(shape, p)
            case "skewed", (location, scale, skewness):
                value = location + scale * stretched(special.ndtri(p), skewness)
            case _:
                value = np.where((p >= 0) & (p <= 1), self.parameters[0], np.nan)
        return np.asarray(value, dtype=np.float64)

    def cdf(self, x: ArrayLike) -> FloatArray:
        """Probability of a value at or below `x` (any shape)."""
        x = np.asarray(x, dtype=np.float64)
        if self.family == "fixed":
            return np.asarray(x >= self.parameters[0], dtype=np.float64)
        if self.family in ("beta", "gamma"):
            return self._tails(x)[0]
        return np.asarray(special.ndtr(self.score(x)), dtype=np.float64)

    def score(self, x: ArrayLike) -> FloatArray:
        """Normal score of `x`: the z with the same probability below it (any shape, infinite outside the support)."""
        x = np.asarray(x, dtype=np.float64)
        with np.errstate(divide="ignore", invalid="ignore"):
            match self.family, self.parameters:
                case "normal", (mean, sd):
                    return np.asarray((x - mean) / sd)
                case "lognormal", (mu, sigma):
                    return np.asarray((np.log(np.maximum(x, 0.0)) - mu) / sigma)
                case "skewed", (location, scale, skewness):
                    return _unstretched((x - location) / scale, skewness)
                case "fixed", (value,):
                    return np.asarray(np.where(x >= value, np.inf, -np.inf))
        below, above = self._tails(x)
        return np.asarray(np.where(below < 0.5, special.ndtri(below), -special.ndtri(above)), dtype=np.float64)

    def _tails(self, x: FloatArray) -> tuple[FloatArray, FloatArray]:
        first, second = self.parameters
        if self.family == "beta":
            x = np.clip(x, 0.0, 1.0)
            return special.betainc(first, second, x), special.betaincc(first, second, x)
        scaled = np.maximum(x, 0.0) / second
        return special.gammainc(first, scaled), special.gammaincc(first, scaled)

    def logpdf(self, x: ArrayLike) -> FloatArray:
        """Log density at `x` (any shape, per unit of x); -inf outside the support.

        Raises
        ------
        ElicitationError
            For a fixed value, which has no density.
        """
        x = np.asarray(x, dtype=np.float64)
        if self.family == "fixed":
            raise ElicitationError("a fixed value has no density. State a distribution.")
        lower, upper = self.support
        inside = (x >= lower) & (x <= upper)
        with np.errstate(divide="ignore", invalid="ignore", over="ignore"):
            value = np.where(inside, self._logpdf(np.where(inside, x, self.median)), -np.inf)
        return np.asarray(np.where(np.isnan(value) & ~np.isnan(x), -np.inf, value))

    def _logpdf(self, x: FloatArray) -> FloatArray:
        first, second = self.parameters[:2]
        if self.family == "beta":
            return special.xlogy(first - 1, x) + special.xlog1py(second - 1, -x) - special.betaln(first, second)
        if self.family == "gamma":
            return special.xlogy(first - 1, x / second) - x / second - special.gammaln(first) - np.log(second)
        z = self.score(x)
        normal = -0.5 * z**2 - 0.5 * np.log(2 * np.pi) - np.log(second)
        if self.family == "lognormal":
            return normal - np.log(x)
        return normal - self.parameters[2] * z if self.family == "skewed" else normal

    def pdf(self, x: ArrayLike) -> FloatArray:
        """Density at `x` (any shape, per unit of x)."""
        return np.asarray(np.exp(self.logpdf(x)))

    @property
    def mean(self) -> float:
        """Expected value."""
        match self.family, self.parameters:
            case "lognormal", (mu, sigma):
                value = np.exp(mu + sigma**2 / 2)
            case "beta", (a, b):
                value = a / (a + b)
            case "gamma", (shape, scale):
                value = shape * scale
            case "skewed", (location, scale, skewness):
                value = location + scale * (skewness / 2) * special.exprel(skewness**2 / 2)
            case _:
                value = self.parameters[0]
        return float(value)

    @property
    def sd(self) -> float:
        """Standard deviation; 0 for a fixed value."""
        match self.family, self.parameters:
            case "normal", (_, sd):
                value = sd
            case "lognormal", (mu, sigma):
                value = np.exp(mu + sigma**2 / 2) * np.sqrt(np.expm1(sigma**2))
            case "beta", (a, b):
                value = np.sqrt(a * b / (a + b + 1)) / (a + b)
            case "gamma", (shape, scale):
                value = np.sqrt(shape) * scale
            case "skewed", (_, scale, skewness):
                value = scale * np.exp(skewness**2 / 2) * np.sqrt(special.exprel(skewness**2))
            case _:
                value = 0.0
        return float(value)

    @property
    def median(self) -> float:
        """Value with probability one half below it."""
        return float(self.ppf(0.5))

    def interval(self, prob: float = 0.90) -> tuple[float, float]:
        """Central interval that holds probability `prob`."""
        low, high = self.ppf([(1 - prob) / 2, (1 + prob) / 2])
        return float(low), float(high)

    def sample(self, rng: np.random.Generator, size: int | tuple[int, ...] | None = None) -> FloatArray:
        """Independent draws of shape `size`."""
        match self.family, self.parameters:
            case "normal", (mean, sd):
                value = rng.normal(mean, sd, size)
            case "lognormal", (mu, sigma):
                value = rng.lognormal(mu, sigma, size)
            case "beta", (a, b):
                value = rng.beta(a, b, size)
            case "gamma", (shape, scale):
                value = rng.gamma(shape, scale, size)
            case "skewed", (location, scale, skewness):
                value = location + scale * stretched(rng.standard_normal(size), skewness)
            case _:
                value = np.full(() if size is None else size, self.parameters[0])
        return np.asarray(value, dtype=np.float64)


def stretched(z: ArrayLike, skewness: float) -> FloatArray:
    """(exp(skewness z) - 1) / skewness, z itself at skewness 0."""
    z = np.asarray(z, dtype=np.float64)
    if skewness == 0:
        return z
    return np.asarray(np.expm1(skewness * z) / skewness)


def _unstretched(y: ArrayLike, skewness: float) -> FloatArray:
    """The z with `stretched(z) = y`; infinite where no z has it."""
    y = np.asarray(y, dtype=np.float64)
    if skewness == 0:
        return y
    return np.asarray(np.log1p(np.maximum(skewness * y, -1.0)) / skewness)
