"""Compiled density of a section's readings in each cell, and its derivatives.

Work arrays have a row for each intermediate result and a column for each cell; `d` is that of one path
exponent. Cells run from `low` to `high` - 1, unsigned numbers.
"""

from __future__ import annotations

import numpy as np

from .cells import LARGEST_POWER
from .vectormath import cells, erfcx, exp, expm1, log

__all__ = [
    "DENSITY", "END", "FALL", "KAPPA_EARLY", "KAPPA_WEAR", "LOG_AGE", "NO_PATH", "POWER_WEAR", "POWER_Y",
    "POWER_Z", "REVERSE_S", "ROWS", "SPREAD", "START", "STRETCH", "TURN", "path_density", "path_density_back",
]  # fmt: skip

Table = np.ndarray

# shapes of the path
NO_PATH, POWER_Z, REVERSE_S, POWER_Y = 0, 1, 2, 3
# places in the vector of scalars (the first is the wear-out shape, the last two are lag and label error)
START, SPREAD, NOISE, KAPPA_WEAR, KAPPA_EARLY = 1, 2, 3, 4, 5
# places in the vector of constants: z at the threshold, stretch, highest index - threshold
END, STRETCH, FALL = 0, 1, 2
# columns of one-sided readings: ln(age / 10), limit, and 1 where the reading is above it, -1 where below
AGE, LIMIT, SIDE = 0, 1, 2
# rows of the table of ages: ln(age / 10), and (age / 10)^-kappa for both exponents
LOG_AGE, POWER_WEAR, POWER_EARLY = 0, 1, 2
# rows of a work array
DENSITY, RR, HR, HH, PER_GAIN, KNOWN, VARIANCE, HR_BAR, HH_BAR, KNOWN_BAR, VARIANCE_BAR = range(11)
X, X_KAPPA, MEAN, LOADING, MEAN_X, LOADING_X, MEAN_START, LOADING_START, MEAN_BAR, LOADING_BAR = range(11, 21)
ROWS = 21  # then `TURN` for each one-sided reading in turn
# of a one-sided reading: mean and variance of the built-in condition before it, its distance above the limit in sds,
# the inverse Mills ratio there, and one over the sd
KNOWN_BEFORE, VARIANCE_BEFORE, DISTANCE, MILLS, PER_SD = range(5)
TURN = 5

LN_2PI = float(np.log(2.0 * np.pi))
SQRT_HALF = float(np.sqrt(0.5))
SQRT_2_OVER_PI = float(np.sqrt(2.0 / np.pi))
LN_LARGEST = float(np.log(LARGEST_POWER))


@cells
def path_density(
    d: Table, ages: Table, kind: int, used: Table, power: Table, sided: Table, low: int, high: int, scalars: Table,
    kappa_at: int, constants: Table,
) -> None:  # fmt: skip
    """ln density of the readings in each cell into row DENSITY.

    `used` (reading, 2) holds ln(age / 10) and z, `power` (reading,) the (age / 10)^kappa of the same, `sided`
    (reading, 3) the one-sided readings in order of age.
    """
    kappa, start = scalars[kappa_at], scalars[START]
    spread, noise = scalars[SPREAD], scalars[NOISE]
    if kind == POWER_Z:
        _sums_power_z(d, ages, used, power, low, high, start, kappa_at, constants[END])
    else:
        _sums_by_reading(d, ages, kind, used, low, high, start, kappa, constants)
    ratio, precision = (spread / noise) ** 2, 1.0 / noise**2
    constant = -used.shape[0] * (0.5 * LN_2PI + log(noise))
    for c in range(low, high):
        gain = 1.0 + ratio * d[HH, c]
        per_gain = 1.0 / gain
        d[PER_GAIN, c] = per_gain
        d[KNOWN, c] = ratio * d[HR, c] * per_gain
        square = d[RR, c] - ratio * d[HR, c] ** 2 * per_gain
        d[DENSITY, c] = constant - 0.5 * log(gain) - 0.5 * precision * square
    for c in range(low, high):
        d[VARIANCE, c] = spread**2 * d[PER_GAIN, c]
    for turn in range(sided.shape[0]):
        side = sided[turn, SIDE]
        _path_at(d, ages, kind, sided[turn, AGE], low, high, start, kappa, constants)
        _turn_to(d, side, low, high)
        _above(d, ROWS + TURN * turn, low, high, noise, side * sided[turn, LIMIT])


@cells
def path_density_back(
    d: Table, ages: Table, kind: int, used: Table, power: Table, sided: Table, low: int, high: int, scalars: Table,
    kappa_at: int, constants: Table, bar: Table, scalars_bar: Table, used_bar: Table, sided_bar: Table,
) -> None:  # fmt: skip
    """Derivatives from `bar` (cell) to the scalars and, where the last two are not empty, to readings and limits."""
    kappa, start = scalars[kappa_at], scalars[START]
    noise = scalars[NOISE]
    for c in range(low, high):
        d[KNOWN_BAR, c] = 0.0
        d[VARIANCE_BAR, c] = 0.0
    for turn in range(sided.shape[0] - 1, -1, -1):
        if turn < sided.shape[0] - 1:  # the path to the last one still stands in its rows
            _path_at(d, ages, kind, sided[turn, AGE], low, high, start, kappa, constants)
            _turn_to(d, sided[turn, SIDE], low, high)
        scalars_bar[NOISE] += _above_back(d, ROWS + TURN * turn, low, high, noise, bar)
        if sided_bar.shape[0]:
            sided_bar[turn] -= sided[turn, SIDE] * _total(d[MEAN_BAR], low, high)
        _path_at_back(d, low, high, kappa_at, scalars_bar)
    if used.shape[0] or sided.shape[0]:
        _density_back(d, used.shape[0], low, high, scalars, bar, scalars_bar)
    if kind == POWER_Z:
        _sums_power_z_back(d, ages, used, power, low, high, scalars, kappa_at, constants[END], bar, scalars_bar)
        if used_bar.shape[0]:
            _readings_power_z_back(d, ages, used, power, low, high, scalars, kappa_at, constants[END], bar, used_bar)
    else:
        _sums_by_reading_back(d, ages, kind, used, low, high, scalars, kappa_at, constants, bar, scalars_bar, used_bar)


@cells
def _density_back(d: Table, count: int, low: int, high: int, scalars: Table, bar: Table, scalars_bar: Table) -> None:
    """From density, known mean and variance to the three sums, the spread and the noise."""
    spread, noise = scalars[SPREAD], scalars[NOISE]
    ratio, precision = (spread / noise) ** 2, 1.0 / noise**2
    to_ratio, to_spread, to_noise = 0.0, 0.0, 0.0
    for c in range(low, high):
        hr, per_gain, w, known = d[HR, c], d[PER_GAIN, c], bar[c], d[KNOWN_BAR, c]
        pull = precision * w * hr * per_gain + known * per_gain
        gain = -0.5 * w * per_gain - 0.5 * ratio * precision * w * (hr * per_gain) ** 2
        gain -= (known * ratio * hr + d[VARIANCE_BAR, c] * spread**2) * per_gain**2
        d[HR_BAR, c] = ratio * pull
        d[HH_BAR, c] = ratio * gain
        to_ratio += gain * d[HH, c] + hr * (pull - 0.5 * precision * w * hr * per_gain)
        to_spread += d[VARIANCE_BAR, c] * 2.0 * spread * per_gain
        to_noise += w * (precision * (d[RR, c] - ratio * hr**2 * per_gain) - count)
    scalars_bar[SPREAD] += to_spread + to_ratio * 2.0 * spread * precision
    scalars_bar[NOISE] += to_noise / noise - to_ratio * 2.0 * ratio / noise


# ------------------------------------------------------------------------- the three sums


@cells
def _largest_slope(power: Table) -> float:
    """Largest (age of the cell / 10)^-kappa that counts, from the last reading."""
    last = 0.0
    for j in range(power.shape[0]):
        last = power[j] if power[j] > last else last
    return LARGEST_POWER / last if last > 0.0 else LARGEST_POWER


@cells
def _sums_power_z(
    d: Table, ages: Table, used: Table, power: Table, low: int, high: int, start: float, kappa_at: int, end: float
) -> None:
    """Sums of r^2, h r and h^2 for the power path on z, from six sums over the readings."""
    slopes = ages[POWER_WEAR + (kappa_at - KAPPA_WEAR)]
    n, drop = float(used.shape[0]), end - start
    w1, w2, t1, t2, tw = 0.0, 0.0, 0.0, 0.0, 0.0
    most = _largest_slope(power)
    for j in range(used.shape[0]):
        x, w = power[j], used[j, 1] - start
        w1, w2, t1, t2, tw = w1 + w, w2 + w * w, t1 + x, t2 + x * x, tw + x * w
    for c in range(low, high):
        s = slopes[c]
        s = most if s > most else s
        x1, x2, wx = s * t1, s * s * t2, s * tw
        d[RR, c] = w2 - 2.0 * drop * wx + drop**2 * x2
        d[HR, c] = w1 - drop * x1 - wx + drop * x2
        d[HH, c] = n - 2.0 * x1 + x2


@cells
def _sums_power_z_back(
    d: Table, ages: Table, used: Table, power: Table, low: int, high: int, scalars: Table, kappa_at: int, end: float,
    bar: Table, scalars_bar: Table,
) -> None:  # fmt: skip
    if not used.shape[0]:
        return
    slopes = ages[POWER_WEAR + (kappa_at - KAPPA_WEAR)]
    start, precision = scalars[START], 1.0 / scalars[NOISE] ** 2
    drop, last = end - start, used[0, 0]
    t1, t2, tw, k1, k2, kw = 0.0, 0.0, 0.0, 0.0, 0.0, 0.0
    for j in range(used.shape[0]):
        x, w, slope = power[j], used[j, 1] - start, used[j, 0]
        t1, t2, tw = t1 + x, t2 + x * x, tw + x * w
        k1, k2, kw = k1 + slope * x, k2 + 2.0 * slope * x * x, kw + slope * x * w
        last = slope if slope > last else last
    to_start, to_kappa, most = 0.0, 0.0, _largest_slope(power)
    for c in range(low, high):
        s, age, hr, hr_bar, hh_bar = slopes[c], ages[LOG_AGE, c], d[HR, c], d[HR_BAR, c], d[HH_BAR, c]
        beyond = s > most
        s, age = most if beyond else s, last if beyond else age
        rr_bar = -0.5 * precision * bar[c]
        x1, x2, wx = s * (k1 - age * t1), s * s * (k2 - 2.0 * age * t2), s * (kw - age * tw)
        to_start -= rr_bar * 2.0 * hr + hr_bar * d[HH, c]
        to_kappa += rr_bar * (drop**2 * x2 - 2.0 * drop * wx) + hr_bar * (drop * (x2 - x1) - wx)
        to_kappa += hh_bar * (x2 - 2.0 * x1)
    scalars_bar[START] += to_start
    scalars_bar[kappa_at] += to_kappa


@cells
def _readings_power_z_back(
    d: Table, ages: Table, used: Table, power: Table, low: int, high: int, scalars: Table, kappa_at: int, end: float,
    bar: Table, used_bar: Table,
) -> None:  # fmt: skip
    """From r^2 and h r to each reading: their sums over the cells, and over the cells by slope."""
    slopes = ages[POWER_WEAR + (kappa_at - KAPPA_WEAR)]
    start, precision = scalars[START], 1.0 / scalars[NOISE] ** 2
    rr, rr_s, hr, hr_s = 0.0, 0.0, 0.0, 0.0
    most = _largest_slope(power)
    for c in range(low, high):
        s = slopes[c]
        s = most if s > most else s
        rr_bar, hr_bar = -0.5 * precision * bar[c], d[HR_BAR, c]
        rr, rr_s, hr, hr_s = rr + rr_bar, rr_s + rr_bar * s, hr + hr_bar, hr_s + hr_bar * s
    for j in range(used.shape[0]):
        x, w = power[j], used[j, 1] - start
        used_bar[j] += 2.0 * (w * rr - (end - start) * x * rr_s) + hr - x * hr_s


@cells
def _sums_by_reading(d: Table, ages: Table, kind: int, used: Table, low: int, high: int, start: float, kappa: float,
                     constants: Table) -> None:  # fmt: skip
    """The same for any path, reading by reading."""
    for c in range(low, high):
        d[RR, c] = 0.0
        d[HR, c] = 0.0
        d[HH, c] = 0.0
    for j in range(used.shape[0]):
        _path_at(d, ages, kind, used[j, 0], low, high, start, kappa, constants)
        z = used[j, 1]
        for c in range(low, high):
            residual, loading = z - d[MEAN, c], d[LOADING, c]
            d[RR, c] += residual * residual
            d[HR, c] += loading * residual
            d[HH, c] += loading * loading


@cells
def _sums_by_reading_back(
    d: Table, ages: Table, kind: int, used: Table, low: int, high: int, scalars: Table, kappa_at: int,
    constants: Table, bar: Table, scalars_bar: Table, used_bar: Table,
) -> None:  # fmt: skip
    precision = 1.0 / scalars[NOISE] ** 2
    for j in range(used.shape[0]):
        _path_at(d, ages, kind, used[j, 0], low, high, scalars[START], scalars[kappa_at], constants)
        z = used[j, 1]
        for c in range(low, high):
            residual, loading = z - d[MEAN, c], d[LOADING, c]
            d[MEAN_BAR, c] = precision * bar[c] * residual - d[HR_BAR, c] * loading
            d[LOADING_BAR, c] = d[HR_BAR, c] * residual + 2.0 * d[HH_BAR, c] * loading
        _path_at_back(d, low, high, kappa_at, scalars_bar)
        if used_bar.shape[0]:
            used_bar[j] -= _total(d[MEAN_BAR], low, high)


@cells
def _total(row: Table, low: int, high: int) -> float:
    total = 0.0
    for c in range(low, high):
        total += row[c]
    return total


# ------------------------------------------------------------------------------- the path


@cells
def _path_at(
    d: Table, ages: Table, kind: int, log_age: float, low: int, high: int, start: float,
    kappa: float, constants: Table,
) -> None:  # fmt: skip
    """Mean reading and its derivative to the built-in condition (the loading), with their derivatives."""
    for c in range(low, high):
        gap = log_age - ages[LOG_AGE, c]
        power = kappa * gap
        beyond = power > LN_LARGEST
        x = exp(LN_LARGEST if beyond else power)
        d[X, c] = x
        d[X_KAPPA, c] = 0.0 if beyond else x * gap
    if kind == POWER_Y and constants[STRETCH] > 0.0:
        _path_power_y(d, low, high, start, constants[STRETCH], constants[FALL])
        return
    if kind == REVERSE_S:
        for c in range(low, high):
            per = 1.0 / (1.0 + d[X, c])
            d[X_KAPPA, c] = 2.0 * per * per * d[X_KAPPA, c]
            d[X, c] = 2.0 * d[X, c] * per
    end = constants[END]
    for c in range(low, high):
        x = d[X, c]
        d[MEAN, c] = start * (1.0 - x) + end * x
        d[LOADING, c] = 1.0 - x
        d[MEAN_X, c] = end - start
        d[LOADING_X, c] = -1.0
        d[MEAN_START, c] = 1.0 - x
        d[LOADING_START, c] = 0.0


@cells
def _path_power_y(d: Table, low: int, high: int, start: float, s: float, fall: float) -> None:
    """The power path on the index: gap = highest - y grows from the start's to `fall`."""
    first = expm1(-s * start) / s
    one = 1.0 + s * first
    for c in range(low, high):
        x = d[X, c]
        per = 1.0 / (1.0 + s * (first * (1.0 - x) + fall * x))
        d[MEAN, c] = log(per) / s
        d[LOADING, c] = (1.0 - x) * one * per
        d[MEAN_X, c] = -(fall - first) * per
        d[LOADING_X, c] = -one * per - (1.0 - x) * one * per * per * s * (fall - first)
        d[MEAN_START, c] = (1.0 - x) * one * per
        d[LOADING_START, c] = s * (1.0 - x) * one * per * ((1.0 - x) * one * per - 1.0)


@cells
def _path_at_back(d: Table, low: int, high: int, kappa_at: int, scalars_bar: Table) -> None:
    """From MEAN_BAR and LOADING_BAR to start and exponent."""
    to_start, to_kappa = 0.0, 0.0
    for c in range(low, high):
        mean, loading = d[MEAN_BAR, c], d[LOADING_BAR, c]
        to_start += mean * d[MEAN_START, c] + loading * d[LOADING_START, c]
        to_kappa += (mean * d[MEAN_X, c] + loading * d[LOADING_X, c]) * d[X_KAPPA, c]
    scalars_bar[START] += to_start
    scalars_bar[kappa_at] += to_kappa


# --------------------------------------------------------------------- one-sided readings


@cells
def _turn_to(d: Table, side: float, low: int, high: int) -> None:
    """A reading below a limit is its negative above the negative limit: turn the path at it over."""
    if side > 0.0:
        return
    for row in (MEAN, LOADING, MEAN_X, LOADING_X, MEAN_START, LOADING_START):
        for c in range(low, high):
            d[row, c] = -d[row, c]


@cells
def _tail(t: float) -> tuple[float, float]:
    """ln Phi(t) and the inverse Mills ratio phi(t) / Phi(t)."""
    size = t if t > 0.0 else -t
    scaled = erfcx(SQRT_HALF * size)
    density = exp(-0.5 * t * t)
    mass = 0.5 * scaled if t < 0.0 else 1.0 - 0.5 * scaled * density
    mills = 0.5 * SQRT_2_OVER_PI * (1.0 if t < 0.0 else density) / mass
    return log(mass) - (0.5 * t * t if t < 0.0 else 0.0), mills


@cells
def _above(d: Table, at: int, low: int, high: int, noise: float, limit: float) -> None:
    """Add one reading's tail above its limit; the truncated normal is matched by its first two moments.

    Rows from `at` on keep what `_above_back` needs.
    """
    for c in range(low, high):
        m, v, h = d[KNOWN, c], d[VARIANCE, c], d[LOADING, c]
        s = 1.0 / np.sqrt(noise**2 + h * h * v)
        t = (d[MEAN, c] + h * m - limit) * s
        tail, mills = _tail(t)
        vhs = v * h * s
        d[at + KNOWN_BEFORE, c] = m
        d[at + VARIANCE_BEFORE, c] = v
        d[at + DISTANCE, c] = t
        d[at + MILLS, c] = mills
        d[at + PER_SD, c] = s
        d[DENSITY, c] += tail
        d[KNOWN, c] = m + vhs * mills
        d[VARIANCE, c] = v - vhs * vhs * mills * (mills + t)


@cells
def _above_back(d: Table, at: int, low: int, high: int, noise: float, bar: Table) -> float:
    """From `bar`, KNOWN_BAR and VARIANCE_BAR after one one-sided reading to those before it.

    Fills MEAN_BAR and LOADING_BAR; returns the derivative to the noise.
    """
    to_noise = 0.0
    for c in range(low, high):
        m, v, h = d[at + KNOWN_BEFORE, c], d[at + VARIANCE_BEFORE, c], d[LOADING, c]
        t, mills, s = d[at + DISTANCE, c], d[at + MILLS, c], d[at + PER_SD, c]
        per = s * s
        fall = mills * (mills + t)  # - d mills / d t
        known, variance = d[KNOWN_BAR, c], d[VARIANCE_BAR, c]
        vh = v * h
        to_t = bar[c] * mills - known * vh * s * fall
        to_t -= variance * vh * vh * per * (mills * (1.0 - fall) - fall * (mills + t))
        square = (variance * vh * vh * fall * per - 0.5 * (to_t * t + known * vh * mills * s)) * per
        d[MEAN_BAR, c] = to_t * s
        inner = known * v * mills * s - 2.0 * variance * v * vh * fall * per + to_t * m * s
        d[LOADING_BAR, c] = inner + 2.0 * square * vh
        d[KNOWN_BAR, c] = known + to_t * h * s
        d[VARIANCE_BAR, c] = variance * (1.0 - 2.0 * vh * h * fall * per) + known * h * mills * s + square * h * h
        to_noise += 2.0 * square * noise
    return to_noise
