"""Expert quantiles become distributions; several experts become one.

A prior is stated by its parameters or by quantiles ("of 100 roads, how many would ..., at the
least, about, at the most?"). This module fits the first to the second, says how well they agree,
and pools experts.
"""

from __future__ import annotations

import warnings
from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike
from scipy import special
from scipy.optimize import brentq, least_squares

from riskmodel.distribution import PARAMETERS, SUPPORTS, Distribution, ElicitationError, FloatArray, stretched
from riskmodel.errors import RiskModelWarning

__all__ = [
    "MISFIT_LIMIT",
    "PARAMETERS",
    "SUPPORTS",
    "Distribution",
    "ElicitationError",
    "Expert",
    "Fit",
    "Pooled",
    "fit_quantiles",
    "pool",
    "pool_experts",
]

_CANDIDATES: Mapping[str, tuple[str, ...]] = {
    "real": ("normal", "skewed"),
    "positive": ("lognormal", "gamma", "skewed"),
    "unit": ("beta",),
}
MISFIT_LIMIT = 0.03  # above this a fit does not say what the expert said: warn
SAME_FIT = 0.01  # nobody states quantiles closer than this: keep the family with fewer parameters


@dataclass(frozen=True)
class Fit:
    """A distribution fitted to quantiles.

    Parameters
    ----------
    distribution : Distribution
        The fit.
    misfit : float
        Largest distance between the fit's probability at a stated value and the stated probability.
    considered : mapping of str to float
        Misfit of every family that was tried.
    """

    distribution: Distribution
    misfit: float
    considered: Mapping[str, float]


def fit_quantiles(
    probabilities: ArrayLike,
    values: ArrayLike,
    *,
    family: str | None = None,
    support: str | None = None,
    name: str = "",
) -> Fit:
    """Distribution whose quantiles come nearest to the stated ones.

    Least squares on normal scores, ndtri(F(x)) - ndtri(p), so that a tail counts as much as the
    middle. Two quantiles are met exactly by every family of two parameters, three by the skewed family.

    Parameters
    ----------
    probabilities : array_like, shape (n,)
        Increasing, inside 0 to 1, at least two.
    values : array_like, shape (n,)
        The quantiles, increasing, in the quantity's unit.
    family : str, optional
        Family to fit. Without one the families of `support` are tried: the one with the least misfit
        is taken, but the skewed family only if no other comes within 0.01.
    support : {"real", "positive", "unit"}, optional
        Where the quantity can lie. Default: that of `family`, else "real".
    name : str
        What the quantiles are of, for messages.

    Raises
    ------
    ElicitationError
        If the quantiles do not increase, lie outside the support or are too few.

    Warns
    -----
    RiskModelWarning
        If the misfit exceeds 0.03.
    """
    p, x = _checked_quantiles(probabilities, values, name)
    families = (family,) if family is not None else _CANDIDATES[_checked_support(support)]
    bounds = SUPPORTS[_checked_support(support)]
    fits = {candidate: _fit_family(candidate, p, x, bounds, name) for candidate in families}
    possible = {candidate: found for candidate, found in fits.items() if found is not None}
    if not possible:
        raise ElicitationError(
            f"{_named(name)}no {', '.join(fits)} distribution that lies {_span(bounds)} has these quantiles; "
            f"got {_listed(x)}. Check the values or state another family."
        )
    considered = {candidate: _misfit(found, p, x) for candidate, found in possible.items()}
    chosen = _simplest(considered)
    if considered[chosen] > MISFIT_LIMIT:
        warnings.warn(
            f"{_named(name)}the {chosen} distribution misses the stated quantiles by up to "
            f"{considered[chosen]:.3f} in probability. State another family or check the quantiles.",
            RiskModelWarning,
            stacklevel=2,
        )
    return Fit(possible[chosen], considered[chosen], considered)


def _simplest(considered: Mapping[str, float]) -> str:
    plain = {family: misfit for family, misfit in considered.items() if family != "skewed"}
    near = {family: misfit for family, misfit in plain.items() if misfit <= SAME_FIT}
    pick = near or considered
    return min(pick, key=pick.__getitem__)


def _checked_support(support: str | None) -> str:
    support = "real" if support is None else support
    if support not in SUPPORTS:
        raise ElicitationError(f"`support` must be one of {', '.join(SUPPORTS)}; got {support!r}.")
    return support


def _checked_quantiles(probabilities: ArrayLike, values: ArrayLike, name: str) -> tuple[FloatArray, FloatArray]:
    p = np.atleast_1d(np.asarray(probabilities, dtype=np.float64))
    x = np.atleast_1d(np.asarray(values, dtype=np.float64))
    if p.ndim != 1 or p.shape != x.shape or p.size < 2:
        raise ElicitationError(
            f"{_named(name)}at least two quantiles are needed, one value to each probability; "
            f"got {p.size} probabilities and {x.size} values."
        )
    if not ((p > 0) & (p < 1)).all() or (np.diff(p) <= 0).any():
        raise ElicitationError(f"{_named(name)}probabilities must increase inside 0 to 1; got {_listed(p)}.")
    if not np.isfinite(x).all() or (np.diff(x) <= 0).any():
        raise ElicitationError(
            f"{_named(name)}quantiles must be finite and increase with their probability; got {_listed(x)}. "
            f"Swap the values or correct them."
        )
    return p, x


def _fit_family(
    family: str, p: FloatArray, x: FloatArray, bounds: tuple[float, float], name: str
) -> Distribution | None:
    """Best member of `family`, or None if it has none that stays within `bounds`."""
    if family not in PARAMETERS or family == "fixed":
        raise ElicitationError(
            f"{_named(name)}`family` must be one of {', '.join(f for f in PARAMETERS if f != 'fixed')}; got {family!r}."
        )
    lower, upper = SUPPORTS["unit" if family == "beta" else "positive" if family in ("lognormal", "gamma") else "real"]
    lower, upper = max(lower, bounds[0]), min(upper, bounds[1])
    if x[0] <= lower or x[-1] >= upper:
        raise ElicitationError(
            f"{_named(name)}quantiles must lie {_span((lower, upper))}; got {_listed(x)}. "
            f"Check the values and the unit."
        )
    z = special.ndtri(p)
    if family == "normal":
        fitted = Distribution("normal", _line(z, x))
    elif family == "lognormal":
        fitted = Distribution("lognormal", _line(z, np.log(x)))
    elif family == "skewed":
        fitted = _fit_skewed(z, x, name)
    else:
        fitted = _fit_by_search(family, z, x)
    inside = bounds[0] <= fitted.support[0] and fitted.support[1] <= bounds[1]
    return fitted if inside else None


def _line(z: FloatArray, x: FloatArray) -> tuple[float, float]:
    """Mean and sd that minimise the squares of (x - mean)/sd - z: linear in 1/sd and mean/sd."""
    middle, spread = x.mean(), np.ptp(x)
    y = (x - middle) / spread  # scaled, so that large values and narrow ranges stay well conditioned
    slope, level = np.linalg.lstsq(np.column_stack([y, -np.ones_like(y)]), z, rcond=None)[0]
    return float(middle + spread * level / slope), float(spread / slope)


def _fit_by_search(family: str, z: FloatArray, x: FloatArray) -> Distribution:
    """Beta or gamma: no closed form, least squares over the logarithms of both parameters."""

    def built(logs: FloatArray) -> Distribution:
        return Distribution(family, tuple(float(value) for value in np.exp(np.clip(logs, -30.0, 30.0))))

    def residual(logs: FloatArray) -> FloatArray:
        return np.clip(built(logs).score(x), -40.0, 40.0) - z

    mean, sd = _line(z, x)
    if family == "gamma":
        level, spread = _line(z, np.log(x))
        start = [-2 * np.log(spread), level + 2 * np.log(spread)]
    else:
        mean = float(np.clip(mean, 0.01, 0.99))
        total = max(mean * (1 - mean) / sd**2 - 1, 0.1)
        start = [np.log(total * mean), np.log(total * (1 - mean))]
    return built(least_squares(residual, start, xtol=1e-14, ftol=1e-14, gtol=1e-14, max_nfev=400).x)


def _fit_skewed(z: FloatArray, x: FloatArray, name: str) -> Distribution:
    if z.size < 3:
        raise ElicitationError(f"{_named(name)}the skewed family needs three quantiles; got {z.size}.")
    middle = z.size // 2
    ends = [0, middle, -1]
    start = _skewed_through(z[ends], x[ends])
    if z.size == 3:
        return start
    spread = np.ptp(x)

    def built(free: FloatArray) -> Distribution:
        return Distribution("skewed", (x[middle] + spread * free[0], spread * float(np.exp(free[1])), float(free[2])))

    def residual(free: FloatArray) -> FloatArray:
        return np.clip(built(free).score(x), -40.0, 40.0) - z

    location, scale, skewness = start.parameters
    free = [(location - x[middle]) / spread, np.log(scale / spread), skewness]
    return built(least_squares(residual, free, xtol=1e-14, ftol=1e-14, gtol=1e-14, max_nfev=400).x)


def _skewed_through(z: FloatArray, x: FloatArray) -> Distribution:
    """The skewed distribution through three quantiles.

    With d the step from quantile to quantile, ln(d2/d1) = skewness (z2 - z1)
    + ln(expm1(skewness (z3 - z2)) / expm1(skewness (z2 - z1))), which increases with the skewness;
    for probabilities p, 1/2, 1 - p it is skewness x z3.
    """
    down, up = z[1] - z[0], z[2] - z[1]
    target = np.log((x[2] - x[1]) / (x[1] - x[0]))

    def excess(skewness: float) -> float:
        ratio = _log_stretch(skewness * up) - _log_stretch(skewness * down) + np.log(up / down)
        return float(ratio + skewness * down - target)

    if np.isclose(down, up, rtol=1e-12):
        skewness = float(target / up)
    else:
        reach = (abs(target) + abs(np.log(up / down)) + 1) / min(down, up)
        skewness = float(brentq(excess, -reach, reach, xtol=1e-14, rtol=1e-14))
    unit = stretched(z, skewness)
    scale = (x[2] - x[0]) / (unit[2] - unit[0])
    return Distribution("skewed", (float(x[1] - scale * unit[1]), float(scale), skewness))


def _log_stretch(u: float) -> float:
    """ln((exp(u) - 1) / u) without overflow."""
    return float(u + np.log(special.exprel(-u)) if u > 0 else np.log(special.exprel(u)))


@dataclass(frozen=True)
class Expert:
    """What one expert said.

    Parameters
    ----------
    name : str
        Name or label, for messages.
    probabilities, values : tuple of float
        Quantiles, both increasing.
    weight : float
        Positive; weights are relative.
    """

    name: str
    probabilities: tuple[float, ...]
    values: tuple[float, ...]
    weight: float = 1.0


@dataclass(frozen=True)
class Pooled:
    """Several distributions as one.

    Parameters
    ----------
    distributions : tuple of Distribution
        What was pooled.
    weights : tuple of float
        Sum to 1.
    method : str
        "linear": the weighted mean of the probabilities (one of the experts is right, nobody knows
        which). "logarithmic": the normalised weighted geometric mean of the densities (all speak of
        the same evidence); narrower.
    grid, below : ndarray
        Logarithmic pool only: values and the probability below each.
    """

    distributions: tuple[Distribution, ...]
    weights: tuple[float, ...]
    method: str
    grid: FloatArray
    below: FloatArray

    def cdf(self, x: ArrayLike) -> FloatArray:
        """Probability of a value at or below `x` (any shape)."""
        x = np.asarray(x, dtype=np.float64)
        if self.method == "logarithmic":
            return np.asarray(np.interp(x, self.grid, self.below))
        parts = [w * d.cdf(x) for w, d in zip(self.weights, self.distributions, strict=True)]
        return np.asarray(np.sum(parts, axis=0))

    def ppf(self, p: ArrayLike) -> FloatArray:
        """Quantiles at probabilities `p` (any shape, inside 0 to 1; NaN outside)."""
        p = np.asarray(p, dtype=np.float64)
        return np.asarray([self._quantile(float(one)) for one in p.ravel()]).reshape(p.shape)

    def _quantile(self, p: float) -> float:
        if not 0 < p < 1:
            return float("nan")
        if self.method == "logarithmic":
            return float(np.interp(p, self.below, self.grid))
        ends = [float(d.ppf(p)) for d in self.distributions]
        low, high = min(ends), max(ends)
        if high - low <= 1e-12 * max(abs(low), abs(high)):
            return low
        return float(brentq(lambda x: float(self.cdf(x)) - p, low, high, xtol=1e-12 * (high - low)))


def pool(
    distributions: Sequence[Distribution],
    weights: Sequence[float] | None = None,
    *,
    method: str = "linear",
) -> Pooled:
    """Pool distributions of the same quantity.

    Parameters
    ----------
    distributions : sequence of Distribution
        At least one, none of them fixed.
    weights : sequence of float, optional
        Positive, relative; equal by default.
    method : {"linear", "logarithmic"}
        See `Pooled`.

    Raises
    ------
    ElicitationError
        If weights, method or distributions cannot be pooled.
    """
    parts = tuple(distributions)
    if not parts or any(part.family == "fixed" for part in parts):
        raise ElicitationError("a pool needs at least one distribution and no fixed value. State quantiles.")
    raw = np.asarray([1.0] * len(parts) if weights is None else list(weights), dtype=np.float64)
    if raw.size != len(parts) or not np.isfinite(raw).all() or (raw <= 0).any():
        raise ElicitationError(f"every expert needs one positive, finite weight; got {_listed(raw)}.")
    if method not in ("linear", "logarithmic"):
        raise ElicitationError(f"`method` must be linear or logarithmic; got {method!r}.")
    shares = raw / raw.sum()
    grid, below = _geometric(parts, shares) if method == "logarithmic" else (np.empty(0), np.empty(0))
    return Pooled(parts, tuple(float(share) for share in shares), method, grid, below)


def _geometric(parts: tuple[Distribution, ...], shares: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Grid and probability below it of the normalised weighted geometric mean of densities.

    The grid joins every part's own quantiles with even steps between: fine where any part has mass
    and where the pool lies between parts.
    """
    scores = special.ndtr(np.linspace(-6.5, 6.5, 2001))
    own = np.concatenate([part.ppf(scores) for part in parts])
    grid = np.unique(np.concatenate([own, np.linspace(own.min(), own.max(), 4001)]))
    logs = np.sum([share * part.logpdf(grid) for share, part in zip(shares, parts, strict=True)], axis=0)
    usable = np.isfinite(logs)
    grid, logs = grid[usable], logs[usable]
    if grid.size < 100:
        raise ElicitationError(
            "the experts' ranges do not overlap, so a logarithmic pool has nothing to share. "
            "Use the linear pool, or ask them again."
        )
    density = np.exp(logs - logs.max())
    steps = np.diff(grid) * (density[1:] + density[:-1]) / 2
    below = np.concatenate([[0.0], np.cumsum(steps)])
    return grid, below / below[-1]


def pool_experts(
    experts: Sequence[Expert],
    *,
    family: str | None = None,
    support: str | None = None,
    method: str = "linear",
    name: str = "",
) -> Fit:
    """One distribution for what several experts said.

    Each expert's quantiles are fitted, the fits pooled, and the pool's 5, 50 and 95 % quantiles
    fitted again.

    Parameters
    ----------
    experts : sequence of Expert
        At least one.
    family, support, name
        As in `fit_quantiles`; used for the experts and for the pool.
    method : {"linear", "logarithmic"}
        See `Pooled`.

    Returns
    -------
    Fit
        Its misfit is that of the second fit.
    """
    if not experts:
        raise ElicitationError(f"{_named(name)}no expert was given. State at least one.")
    fits = [
        fit_quantiles(
            expert.probabilities,
            expert.values,
            family=family,
            support=support,
            name=": ".join(part for part in (name, expert.name) if part),
        )
        for expert in experts
    ]
    if len(fits) == 1:
        return fits[0]
    pooled = pool([fit.distribution for fit in fits], [expert.weight for expert in experts], method=method)
    asked = np.array([0.05, 0.5, 0.95])
    return fit_quantiles(asked, pooled.ppf(asked), family=family, support=support, name=f"{_named(name)}the pool")


def _misfit(fitted: Distribution, p: FloatArray, x: FloatArray) -> float:
    return float(np.abs(fitted.cdf(x) - p).max())


def _named(name: str) -> str:
    return f"{name}: " if name else ""


def _listed(values: FloatArray) -> str:
    return ", ".join(f"{value:g}" for value in values)


def _span(bounds: tuple[float, float]) -> str:
    low, high = bounds
    if np.isfinite(low) and np.isfinite(high):
        return f"between {low:g} and {high:g}"
    return f"above {low:g}" if np.isfinite(low) else "anywhere"
