"""Density of a section's readings in each cell, in JAX, (cell, section): `likelihood` is the definition."""

from __future__ import annotations

from functools import partial
from typing import Any, NamedTuple

import jax
import jax.numpy as jnp
import numpy as np

from .cells import LARGEST_POWER, CellData
from .condition import Condition
from .jaxlaws import LOG_ROOT_2_PI, Array, inverse_mills, log_normal_cdf
from .jaxrows import Grouping, spread

__all__ = ["Path", "Readings", "path_densities"]

LN_LARGEST = float(np.log(LARGEST_POWER))
LN_MOST = 600.0  # of a power of age that is held anyway


class Path(NamedTuple):
    """Built-in condition, its spread and the readings' scatter on the z scale, exponents (path,), offsets of raters
    (rater,) or None."""

    start: Array
    spread: Array
    noise: Array
    kappa: Array
    offset: Array | None


class Turn(NamedTuple):
    """One-sided readings of the first sections of a class, one each: ln(age / 10), limit and side (section,), rater."""

    log_age: Array
    limit: Array
    side: Array
    raters: Grouping | None


class Readings(NamedTuple):
    """Readings of a class of sections.

    Parameters
    ----------
    log_age, z, used : array (reading, section)
        ln(age / 10), reading on the z scale, 0/1 mark.
    last : array (section,)
        ln(age / 10) of the last used reading, 0 where none.
    raters : Grouping or None
        Readings, section by section, by their raters.
    turns : tuple of Turn
    """

    log_age: Array
    z: Array
    used: Array
    last: Array
    raters: Grouping | None
    turns: tuple[Turn, ...]

    @classmethod
    def of(cls, data: CellData, rows: np.ndarray) -> Readings | None:
        """Readings of the sections `rows`, those with most one-sided ones first; None where nobody has any."""
        used = data.used[rows]
        width = int(used.sum(axis=1).max(initial=0))
        sided, place = data.sided, np.full(data.sections, -1)
        place[rows] = np.arange(len(rows))
        turns = []
        for turn in sided.in_turn:
            here = turn[place[sided.section[turn]] >= 0]
            here = here[np.argsort(place[sided.section[here]])]
            if len(here):
                log_age = np.log(np.maximum(sided.time[here], 1e-3) / 10.0)
                raters = Grouping.of(sided.rater[here], len(data.raters)) if data.raters else None
                turns.append(Turn(log_age, sided.limit[here], sided.side[here], raters))
        if not (width or turns):
            return None
        used = used[:, :width].T
        log_age = np.log(data.time[rows, :width].T / 10.0)
        last = np.where(used > 0, log_age, -np.inf).max(axis=0, initial=-np.inf)
        raters = None
        if data.raters:
            raters = Grouping.of(np.where(used > 0, data.rater[rows, :width].T, -1).ravel(), len(data.raters))
        last = np.where(np.isfinite(last), last, 0.0)
        return cls(log_age, data.z[rows, :width].T, used, last, raters, tuple(turns))


def path_densities(readings: Readings, path: Path, data: CellData, ages: np.ndarray) -> list[Array]:
    """ln density of the readings in cells of `ages` (cell,) if wear-out, and if early failures, end the path there."""
    z = readings.z
    if readings.raters is not None:
        z = z - spread(readings.raters, path.offset).reshape(z.shape)
    constant = -readings.used.sum(axis=0) * (LOG_ROOT_2_PI + jnp.log(path.noise))
    log_ages, condition = np.log(ages / 10.0)[:, None], data.condition
    spreads = jnp.stack([(path.spread / path.noise) ** 2, path.noise**-2.0, path.spread**2])

    # kept in memory its steps would be most of what is moved
    @jax.checkpoint
    def density_of(kappa: Array, z: Array, path: Path, readings: Readings, spreads: Array) -> Array:
        if condition.path == "power_z":
            sums, power, held = _six_sums(readings, z, path.start, kappa, log_ages)
            drop = float(condition.to_z(condition.threshold)) - path.start
            fit = _fit_power_z(power, held, sums, drop, spreads, bool(readings.turns))
        else:
            fit = _fit(_sums_by_reading(readings, z, path.start, kappa, log_ages, condition), spreads)
        if readings.turns:
            return constant + _one_sided(readings.turns, path, kappa, log_ages, condition, *fit)
        return constant + fit[0]

    return [density_of(kappa, z, path, readings, spreads) for kappa in path.kappa]


def _fit(sums: tuple[Array, ...], spreads: Array) -> tuple[Array, ...]:
    """ln density but for its constant, and mean and variance of the built-in condition about its mean.

    Parameters
    ----------
    sums : tuple of array (cell, section)
        Of r^2, h r and h^2 over the readings.
    spreads : array (3,)
        Variance of the built-in condition over that of the scatter, one over the latter, the former.
    """
    (rr, hr, hh), (ratio, precision, variance) = sums, spreads
    gain = 1.0 + ratio * hh
    known = ratio * hr / gain
    return -0.5 * jnp.log(gain) - 0.5 * precision * (rr - known * hr), known, variance / gain


def _six_sums(
    readings: Readings, z: Array, start: Array, kappa: Array, log_ages: np.ndarray
) -> tuple[tuple[Array, ...], Array, Array]:
    """Sums over a section's readings of 1, powers of age, their squares and products with w = z - start, w and w^2;
    powers of the cells' ages (cell, 1), and the largest that counts (section,)."""
    x, w = readings.used * jnp.exp(kappa * readings.log_age), readings.used * (z - start)
    sums = tuple(a.sum(axis=0) for a in (readings.used, x, x**2, x * w, w, w**2))
    return sums, jnp.exp(jnp.minimum(-kappa * log_ages, LN_MOST)), jnp.exp(LN_LARGEST - kappa * readings.last)


def _sums_power_z(power: Array, held: Array, sums: tuple[Array, ...], drop: Array) -> tuple[Array, ...]:
    """Sums of r^2, h r and h^2 for the power path on z, (cell, section), from six sums a section."""
    n, t1, t2, tw, w1, w2 = sums
    s = jnp.minimum(power, held)
    x1, x2, wx = s * t1, s**2 * t2, s * tw
    return w2 - 2.0 * drop * wx + drop**2 * x2, w1 - drop * x1 - wx + drop * x2, n - 2.0 * x1 + x2


@partial(jax.custom_vjp, nondiff_argnums=(5,))
def _fit_power_z(
    power: Array, held: Array, sums: tuple[Array, ...], drop: Array, spreads: Array, sided: bool
) -> tuple[Array, ...]:
    """`_fit` of `_sums_power_z`; without one-sided readings the density alone. Its derivatives are written out: all
    are sums of few products, which need nothing of this size in memory."""
    return _fit(_sums_power_z(power, held, sums, drop), spreads)[: 3 if sided else 1]


def _fit_power_z_forward(*given: Any) -> tuple[tuple[Array, ...], tuple[Any, ...]]:
    return _fit_power_z(*given), given[:5]


def _fit_power_z_back(sided: bool, given: tuple[Any, ...], bars: tuple[Array, ...]) -> tuple[Any, ...]:
    power, held, sums, drop, spreads = given
    (rr, hr, hh), (ratio, precision, variance) = _sums_power_z(power, held, sums, drop), spreads
    density, s, per = bars[0], jnp.minimum(power, held), 1.0 / (1.0 + ratio * hh)
    pull = precision * density * hr
    gain = -0.5 * per * (density + ratio * pull * hr * per)
    to_ratio, to_variance = 0.5 * pull * hr * per, 0.0 * per
    if sided:
        known, spread_bar = bars[1], bars[2]
        pull = pull + known
        gain = gain - (known * ratio * hr + spread_bar * variance) * per**2
        to_ratio, to_variance = to_ratio + known * hr * per, spread_bar * per
    to_rr, to_hr, to_hh = -0.5 * precision * density, ratio * per * pull, ratio * gain
    x1, x2, wx = -drop * to_hr - 2.0 * to_hh, drop * (drop * to_rr + to_hr) + to_hh, -2.0 * drop * to_rr - to_hr
    _, t1, t2, tw, *_ = sums
    slope = x1 * t1 + 2.0 * s * t2 * x2 + wx * tw
    free = power < held
    by_section = [a.sum(axis=0) for a in (to_hh, s * x1, s**2 * x2, s * wx, to_hr, to_rr)]
    to_drop = (2.0 * to_rr * (drop * s * t2 - tw) + to_hr * (s * t2 - t1)) * s
    to_precision = -0.5 * density * (rr - ratio * hr**2 * per)
    return (
        jnp.where(free, slope, 0.0).sum(axis=1, keepdims=True), jnp.where(free, 0.0, slope).sum(axis=0),
        tuple(by_section), to_drop.sum(),
        jnp.stack([(gain * hh + to_ratio).sum(), to_precision.sum(), to_variance.sum()]),
    )  # fmt: skip


_fit_power_z.defvjp(_fit_power_z_forward, _fit_power_z_back)


def _sums_by_reading(
    readings: Readings, z: Array, start: Array, kappa: Array, log_ages: np.ndarray, condition: Condition
) -> tuple[Array, ...]:
    """The same for any path, reading by reading."""

    @jax.checkpoint
    def add(sums: tuple[Array, ...], reading: tuple[Array, ...]) -> tuple[tuple[Array, ...], None]:
        log_age, z, used = reading
        mean, loading = _path_at(log_age, start, kappa, log_ages, condition)
        residual, loading = used * (z - mean), used * loading
        return tuple(a + b for a, b in zip(sums, (residual**2, loading * residual, loading**2), strict=True)), None

    nothing = (jnp.zeros((len(log_ages), z.shape[1])),) * 3
    return jax.lax.scan(add, nothing, (readings.log_age, z, readings.used))[0]


def _path_at(
    log_age: Array, start: Array, kappa: Array, log_ages: np.ndarray, condition: Condition
) -> tuple[Array, Array]:
    """Mean reading at ln(age / 10) (section,), and its derivative to the built-in condition, (cell, section)."""
    x = jnp.exp(jnp.minimum(kappa * (log_age - log_ages), LN_LARGEST))
    s, end = condition.stretch, float(condition.to_z(condition.threshold))
    if condition.path == "power_y" and s:
        first = jnp.expm1(-s * start) / s  # highest - y at opening
        gap = first * (1.0 - x) + (condition.highest - condition.threshold) * x
        return -jnp.log1p(s * gap) / s, (1.0 - x) * (1.0 + s * first) / (1.0 + s * gap)
    if condition.path == "reverse_s":
        x = 2.0 * x / (1.0 + x)
    return start * (1.0 - x) + end * x, 1.0 - x


def _one_sided(
    turns: tuple[Turn, ...], path: Path, kappa: Array, log_ages: np.ndarray, condition: Condition, density: Array,
    known: Array, variance: Array,
) -> Array:  # fmt: skip
    """Add the tail of each one-sided reading in turn; the truncated normal is matched by its first two moments.

    The sections of a turn are the first of those of the turn before: mean and variance of the others are done with.
    """
    for turn in turns:
        limit = turn.limit if turn.raters is None else turn.limit - spread(turn.raters, path.offset)
        count = len(limit)
        mean, h = _path_at(turn.log_age, path.start, kappa, log_ages, condition)
        m, v = known[:, :count], variance[:, :count]
        per = 1.0 / (path.noise**2 + h**2 * v)
        s = turn.side * jnp.sqrt(per)
        t = (mean + h * m - limit) * s
        mills = inverse_mills(t)
        density = density + jnp.pad(log_normal_cdf(t), ((0, 0), (0, density.shape[1] - count)))
        known, variance = m + v * h * mills * s, v - (v * h) ** 2 * mills * (mills + t) * per
    return density
