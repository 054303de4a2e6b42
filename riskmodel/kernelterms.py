"""Compiled exits, late entry and cause labels of one section, each with its derivative beside it."""

from __future__ import annotations

import numpy as np

from . import kernelroom as kr
from .kernelroom import ONE, TINY, ZERO, Given, Parameters, Room, survival_at, survival_at_back
from .vectormath import SUBNORMAL, cells, exp, expm1, log

__all__ = ["both_sides", "entry", "entry_back", "exit_factor", "exit_factor_back", "label", "label_back"]

Table = np.ndarray


# ----------------------------------------------------------------------------------- exits


@cells
def exit_factor(i: int, given: Given, lag: float, w: Table, low: int, high: int) -> bool:
    """Exit factor averaged over each cell into EXIT, its derivative to the lag into EXIT_LAG.

    Returns False, and fills nothing, where the section's records hold no exit.
    """
    serving, removed = given.facts[i, kr.SERVING], given.facts[i, kr.REMOVED]
    gone = removed == removed
    if given.constants[kr.LAGGED] == 0.0 or not (gone or serving > 0.0):
        return False
    lower, upper = given.facts[i, kr.LOWER], given.facts[i, kr.UPPER]
    for e in range(low, high + ONE):
        edge = given.edges[e]
        edge = lower if edge < lower else edge
        edge = upper if edge > upper else edge
        w[kr.REACH, e] = given.open_age if edge > given.open_age else edge
    if gone:
        _removal(w, removed, lag / 2.0, low, high)
    else:
        _exceedance(w, serving, lag / 2.0, kr.EXIT, kr.EXIT_LAG, low, high)
    return True


@cells
def _removal(w: Table, age: float, scale: float, low: int, high: int) -> None:
    """Density of removal at `age`, averaged over each cell."""
    for e in range(low, high + ONE):
        years = (age - w[kr.REACH, e]) / scale
        years = 0.0 if years < 0.0 else years
        decay = exp(-years)
        w[kr.TAIL, e] = (1.0 + years) * decay
        w[kr.TAIL_LAG, e] = 0.5 * years * years * decay / scale
    for c in range(low, high):
        width = w[kr.REACH, c + ONE] - w[kr.REACH, c]
        per = 1.0 / (1e-9 if width < 1e-9 else width)
        rise = (w[kr.TAIL, c + ONE] - w[kr.TAIL, c]) * per
        w[kr.EXIT, c] = (0.0 if rise < 0.0 else rise) + TINY
        w[kr.EXIT_LAG, c] = 0.0 if rise < 0.0 else (w[kr.TAIL_LAG, c + ONE] - w[kr.TAIL_LAG, c]) * per


@cells
def _exceedance(w: Table, age: float, scale: float, row: int, lag_row: int, low: int, high: int) -> None:
    """P(lag > age - T) averaged over T in each cell between the edges in REACH; its derivative to the lag."""
    for e in range(low, high + ONE):
        years = age - w[kr.REACH, e]
        years = 0.0 if years < 0.0 else years
        ratio = years / scale
        decay = exp(-ratio)
        w[kr.TAIL, e] = (2.0 * scale + years) * decay
        w[kr.TAIL_LAG, e] = (1.0 + ratio + 0.5 * ratio * ratio) * decay
    for c in range(low, high):
        width = w[kr.REACH, c + ONE] - w[kr.REACH, c]
        per = 1.0 / (1e-9 if width < 1e-9 else width)
        beyond = w[kr.REACH, c + ONE] - age
        beyond = 0.0 if beyond < 0.0 else beyond
        before = w[kr.REACH, c] - age
        beyond -= 0.0 if before < 0.0 else before
        w[row, c] = (w[kr.TAIL, c + ONE] - w[kr.TAIL, c] + beyond) * per + TINY
        w[lag_row, c] = (w[kr.TAIL_LAG, c + ONE] - w[kr.TAIL_LAG, c]) * per


@cells
def exit_factor_back(w: Table, share: float, low: int, high: int) -> float:
    """Derivative to the lag."""
    total = 0.0
    for c in range(low, high):
        total += (w[kr.P_WEAR, c] * w[kr.WORN, c] + w[kr.P_EARLY, c] * w[kr.FAILED, c]) * w[kr.EXIT_LAG, c]
    return share * total


# ------------------------------------------------------------------------------ late entry


@cells
def entry(i: int, given: Given, parameters: Parameters, room: Room) -> float:
    """Ln P(section i was still there when the records began); 0 where they began with it."""
    age, w = given.facts[i, kr.ENTERED], room.w
    if not age > 0.0:
        return 0.0
    if given.constants[kr.LAGGED] == 0.0:
        log_wear, early = survival_at(i, age, given, parameters, room)
        return log_wear + np.log(early)
    last = np.uint64(given.spans[i, kr.ENTRY])
    for e in range(ZERO, last + ONE):
        w[kr.REACH, e] = given.open_age if given.edges[e] > given.open_age else given.edges[e]
    _exceedance(w, age, parameters.scalars[kr.LAG] / 2.0, kr.SEEN, kr.SEEN_LAG, ZERO, last)
    seen = 0.0
    for c in range(ZERO, last):
        fall = w[kr.WEAR, c + ONE] - w[kr.WEAR, c]
        change = expm1(-TINY if fall > -TINY else fall)
        young, old = w[kr.EARLY, c], w[kr.EARLY, c + ONE]
        step = young - old if young > old else 0.0
        mass = exp(w[kr.WEAR, c]) * (step * (1.0 + 0.5 * change) - change * 0.5 * (young + old))
        seen += mass * w[kr.SEEN, c]
    # whoever outlives the first edge beyond the entry was there
    return np.log(seen + exp(w[kr.WEAR, last]) * w[kr.EARLY, last])


@cells
def entry_back(
    i: int, given: Given, parameters: Parameters, room: Room, share: float, value: float, bars: Parameters
) -> None:
    """Derivatives of -`share` times `value`, what `entry` returned: to edges, or beyond them if unlagged."""
    age, w = given.facts[i, kr.ENTERED], room.w
    if not age > 0.0:
        return
    if given.constants[kr.LAGGED] == 0.0:
        _, early = survival_at(i, age, given, parameters, room)
        survival_at_back(i, age, given, parameters, room, -share, -share / early, bars)
        return
    last = np.uint64(given.spans[i, kr.ENTRY])
    bar = -share * np.exp(-value)
    to_lag = 0.0
    for c in range(ZERO, last):
        fall = w[kr.WEAR, c + ONE] - w[kr.WEAR, c]
        change = expm1(-TINY if fall > -TINY else fall)
        young, old = w[kr.EARLY, c], w[kr.EARLY, c + ONE]
        step, mean = (young - old if young > old else 0.0), 0.5 * (young + old)
        alive = bar * exp(w[kr.WEAR, c])
        to_lag += alive * (step * (1.0 + 0.5 * change) - change * mean) * w[kr.SEEN_LAG, c]
        alive *= w[kr.SEEN, c]
        w[kr.LEFT_WEAR, c] = alive * (mean + 0.5 * step)
        w[kr.RIGHT_WEAR, c] = alive * (1.0 + change) * (0.5 * step - mean)
        half = alive * (1.0 + 0.5 * change) * (1.0 if young >= old else 0.0)
        w[kr.LEFT_EARLY, c] = half - 0.5 * alive * change
        w[kr.RIGHT_EARLY, c] = -half - 0.5 * alive * change
    both_sides(w, ZERO, last)
    alive = bar * np.exp(w[kr.WEAR, last])
    w[kr.WEAR_BAR, last] += alive * w[kr.EARLY, last]
    w[kr.EARLY_BAR, last] += alive
    bars.scalars[kr.LAG] += to_lag


@cells
def both_sides(w: Table, low: int, high: int) -> None:
    """Add what both sides of each cell say to its edges."""
    for c in range(low, high):
        w[kr.WEAR_BAR, c] += w[kr.LEFT_WEAR, c]
        w[kr.EARLY_BAR, c] += w[kr.LEFT_EARLY, c]
    for c in range(low, high):
        w[kr.WEAR_BAR, c + ONE] += w[kr.RIGHT_WEAR, c]
        w[kr.EARLY_BAR, c + ONE] += w[kr.RIGHT_EARLY, c]


# ---------------------------------------------------------------------------------- labels


@cells
def label(i: int, given: Given, parameters: Parameters, room: Room, low: int, high: int) -> float:
    """Probability of the recorded causes given an early failure in each cell, into LABELLED.

    Returns the same given wear-out. Between roots a cell's early failures are shared out by the fall of
    log survival, within a root by -dE/dF_m dF_m.
    """
    w, at = room.w, given.spans[i, kr.LABEL]
    if at < 0:
        for c in range(low, high):
            w[kr.LABELLED, c] = 1.0
        return 1.0
    error, chance = parameters.scalars[kr.ERROR], given.labels[at, kr.CHANCE]
    for c in range(low, high):
        w[kr.FALLS, c] = TINY
        w[kr.NAMED_FALLS, c] = 0.0
    for r in range(given.layout.shape[0]):
        for m in range(given.layout[r, 0]):
            _part(i, r, m, parameters, room, given.layout[r, 1], low, high)
        _fall(room, r, low, high)
        _share(given.labels[at], room, r, given.layout[r, 0], parameters.median.shape[1], low, high)
        fall, share = room.named[kr.ROOT_FALL, r], room.named[kr.SHARE, r]
        for c in range(low, high):
            counted = fall[c] if fall[c] > 0.0 else 0.0
            w[kr.FALLS, c] += counted
            w[kr.NAMED_FALLS, c] += counted * share[c]
    for c in range(low, high):
        w[kr.LABELLED, c] = (1.0 - error) * w[kr.NAMED_FALLS, c] / w[kr.FALLS, c] + error * chance
    return (1.0 - error) * given.labels[at, kr.WEAR_NAMED] + error * chance


@cells
def _fall(room: Room, r: int, low: int, high: int) -> None:
    """Fall of ln survival of root r over each cell."""
    logs, fall, root = room.named[kr.LOG_ROOT, r], room.named[kr.ROOT_FALL, r], room.roots[r, kr.ALIVE]
    for e in range(low, high + ONE):
        logs[e] = log(root[e])
    for c in range(low, high):
        fall[c] = logs[c] - logs[c + ONE]


@cells
def _share(labels: Table, room: Room, r: int, slots: int, width: int, low: int, high: int) -> None:
    """All failures of root r in each cell, and the named ones' share of them."""
    every, share = room.named[kr.EVERY, r], room.named[kr.SHARE, r]
    for c in range(low, high):
        every[c] = TINY
        share[c] = 0.0
    for m in range(slots):
        part, mark = room.parts[r * width + m], labels[kr.MARKS + r * width + m]
        for c in range(low, high):
            every[c] += part[c]
            share[c] += mark * part[c]
    for c in range(low, high):
        share[c] /= every[c]


@cells
def _part(i: int, r: int, m: int, parameters: Parameters, room: Room, patterns: int, low: int, high: int) -> None:
    """Failures by slot m of root r in each cell, up to a factor that its slots share."""
    width, left_out, w = parameters.median.shape[1], room.left_out[m, r], room.w
    part = room.parts[r * width + m]
    for c in range(low, high):
        part[c] = 0.0
    for p in range(patterns):
        _moments_times(parameters.moments[r, i], left_out, m, p, width, w[kr.REST], low, high)
        step = room.step[r, p, m]
        for c in range(low, high):
            part[c] -= w[kr.REST, c] * step[c]
    for c in range(low, high):
        part[c] = part[c] if part[c] > 0.0 else 0.0


@cells
def _moments_times(moment: Table, products: Table, m: int, p: int, width: int, out: Table, low: int, high: int) -> None:
    """Sum over the subsets with slot m."""
    for c in range(low, high):
        out[c] = 0.0
    for q in range(p << width, (p + 1) << width):
        if (q >> m) & 1:
            known, product = moment[q], products[q]
            for c in range(low, high):
                out[c] += known * product[c]


@cells
def label_back(
    i: int, given: Given, parameters: Parameters, room: Room, low: int, high: int, wear: float, wear_label: float,
    bars: Parameters,
) -> None:  # fmt: skip
    """Derivatives from TO_EARLY (cell) and from `wear`, those to ln of the label given early failure and wear-out."""
    w, at, roots = room.w, given.spans[i, kr.LABEL], given.layout.shape[0]
    labels, width = given.labels[at], parameters.median.shape[1]
    error, chance = parameters.scalars[kr.ERROR], labels[kr.CHANCE]
    to_error = wear / wear_label * (chance - labels[kr.WEAR_NAMED]) if wear != 0.0 else 0.0
    for c in range(low, high):
        bar = w[kr.TO_EARLY, c] / w[kr.LABELLED, c]
        named = w[kr.NAMED_FALLS, c] / w[kr.FALLS, c]
        to_error += bar * (chance - named)
        w[kr.LABEL_BAR, c] = bar * (1.0 - error) / w[kr.FALLS, c]
        w[kr.NAMED_FALLS, c] = named
    for r in range(roots):
        _fall_back(room, r, low, high)
        every, share, fall = room.named[kr.EVERY, r], room.named[kr.SHARE, r], room.named[kr.ROOT_FALL, r]
        for m in range(given.layout[r, 0]):
            part, mark = room.parts[r * width + m], labels[kr.MARKS + r * width + m]
            for c in range(low, high):
                counted = fall[c] if fall[c] > 0.0 and part[c] > 0.0 else 0.0
                part[c] = w[kr.LABEL_BAR, c] * counted / every[c] * (mark - share[c])
    bars.scalars[kr.ERROR] += to_error
    for r in range(roots):
        for m in range(given.layout[r, 0]):
            _part_back(i, r, m, parameters, room, given.layout[r, 1], low, high, bars)


@cells
def _fall_back(room: Room, r: int, low: int, high: int) -> None:
    """From the fall of ln survival of root r over each cell to its survival at both edges."""
    w, root, root_bar = room.w, room.roots[r, kr.ALIVE], room.roots[r, kr.ALIVE_BAR]
    fall, share, rest = room.named[kr.ROOT_FALL, r], room.named[kr.SHARE, r], room.w[kr.REST]
    for c in range(low, high):
        to_fall = w[kr.LABEL_BAR, c] * (share[c] - w[kr.NAMED_FALLS, c])
        rest[c] = to_fall if fall[c] >= 0.0 else 0.0
    for c in range(low, high):
        root_bar[c] += rest[c] / root[c] if root[c] >= SUBNORMAL else 0.0
    for c in range(low, high):
        root_bar[c + ONE] -= rest[c] / root[c + ONE] if root[c + ONE] >= SUBNORMAL else 0.0


@cells
def _part_back(
    i: int, r: int, m: int, parameters: Parameters, room: Room, patterns: int, low: int, high: int, bars: Parameters
) -> None:
    """From the derivatives that `label_back` left in the rows of parts."""
    width, left_out, rest = parameters.median.shape[1], room.left_out[m, r], room.w[kr.REST]
    part, left_out_bar, moment = room.parts[r * width + m], room.left_out_bar[m, r], parameters.moments[r, i]
    for p in range(patterns):
        step, step_bar = room.step[r, p, m], room.step_bar[r, p, m]
        _moments_times(moment, left_out, m, p, width, rest, low, high)
        for c in range(low, high):
            step_bar[c] -= part[c] * rest[c]
            rest[c] = part[c] * step[c]
        for q in range(p << width, (p + 1) << width):
            if (q >> m) & 1:
                known, product, product_bar, total = moment[q], left_out[q], left_out_bar[q], 0.0
                for c in range(low, high):
                    total -= rest[c] * product[c]
                    product_bar[c] -= rest[c] * known
                bars.moments[r, i, q] += total
