"""Compiled intercepts of one draw with all their derivatives; `hazard.solve_intercepts` is the definition."""

from __future__ import annotations

import numpy as np

from .vectormath import cells

__all__ = ["intercepts_and_slopes"]

Table = np.ndarray
LOWEST, HIGHEST = 1e-8, 0.98  # of the first guess's susceptibility
LONGEST_STEP = 3.0


@cells
def intercepts_and_slopes(
    target: Table, applies: Table, share: Table, widened: Table, anchor: Table, spread: Table, home: Table,
    roots: int, step: Table, middle: Table, wear: Table, nodes: Table, weight: Table, out: Table, slopes: Table,
) -> None:  # fmt: skip
    """One Newton step from the anchored guess, type by type.

    Parameters
    ----------
    target, anchor : ndarray (type, mechanism)
    applies : ndarray of bool (type, mechanism)
    share, widened, spread, home : ndarray (mechanism,)
        Share of the susceptible that fail early; scale of the guess; sd of the log-odds; position of the root.
    step, middle : ndarray (mechanism, cell)
        Rise of F over each cell, and its mean there.
    wear : ndarray (type, cell)
    nodes, weight : ndarray (node,)
    out : ndarray (type, mechanism) to fill
    slopes : ndarray (type, mechanism, mechanism) to fill
        Derivative of an intercept (second axis) to a target (last axis).
    """
    count, parts, ages = len(share), len(nodes), wear.shape[1]
    chance, keep = np.empty((parts, count)), np.empty((parts, count, ages))
    by_root, alive = np.empty((parts, roots, ages)), np.empty((roots, ages))
    moved, fall = np.empty((parts, count, ages)), np.empty((count, ages))
    rest, sums = np.empty((parts, ages)), np.empty((2, ages))
    guess, rise = np.empty(count), np.empty(count)
    failing, slope = np.empty(count), np.empty(count)
    to_failing, to_slope = np.empty((count, count)), np.empty((count, count))
    for t in range(len(target)):
        for m in range(count):
            guess[m], rise[m] = _guess(target[t, m], share[m], widened[m], applies[t, m])
            guess[m] += anchor[t, m]
        _survive(guess, applies[t], spread, home, middle, nodes, weight, chance, keep, by_root, alive)
        _falls(home, middle, weight, chance, keep, by_root, alive, moved, fall)
        for m in range(count):
            _incidence(m, home, step, wear[t], weight, chance, keep, by_root, alive, moved, fall, rest, sums,
                       failing, slope, to_failing, to_slope)  # fmt: skip
        _newton(t, target, applies, guess, rise, failing, slope, to_failing, to_slope, out, slopes)


@cells
def _guess(target: float, share: float, widened: float, applies: bool) -> tuple[float, float]:
    """First guess and its derivative."""
    start = (target if applies else 0.5) / share
    free = applies and LOWEST < start < HIGHEST
    start = min(max(start, LOWEST), HIGHEST)
    value = widened * (np.log(start) - np.log(1.0 - start))
    return value, (widened / (start * (1.0 - start)) / share if free else 0.0)


@cells
def _survive(
    guess: Table, applies: Table, spread: Table, home: Table, middle: Table, nodes: Table, weight: Table,
    chance: Table, keep: Table, by_root: Table, alive: Table,
) -> None:  # fmt: skip
    """Susceptibilities at each node, and survival of each root at each node and averaged."""
    by_root[:, :, :] = 1.0
    alive[:, :] = 0.0
    for q in range(len(nodes)):
        for m in range(len(guess)):
            chance[q, m] = 1.0 / (1.0 + np.exp(spread[m] * nodes[q] - guess[m])) if applies[m] else 0.0
            for c in range(keep.shape[2]):
                keep[q, m, c] = 1.0 - chance[q, m] * middle[m, c]
                by_root[q, home[m], c] *= keep[q, m, c]
        for r in range(len(alive)):
            for c in range(keep.shape[2]):
                alive[r, c] += weight[q] * by_root[q, r, c]


@cells
def _falls(
    home: Table, middle: Table, weight: Table, chance: Table, keep: Table, by_root: Table, alive: Table,
    moved: Table, fall: Table,
) -> None:  # fmt: skip
    """Fall of ln survival with each intercept: of its mechanism at each node, and of its whole root."""
    fall[:, :] = 0.0
    for k in range(len(home)):
        for q in range(len(weight)):
            slope = chance[q, k] * (1.0 - chance[q, k])
            for c in range(fall.shape[1]):
                moved[q, k, c] = slope * middle[k, c] / keep[q, k, c]
                fall[k, c] += weight[q] * by_root[q, home[k], c] * moved[q, k, c] / alive[home[k], c]


@cells
def _incidence(
    m: int, home: Table, step: Table, wear: Table, weight: Table, chance: Table, keep: Table, by_root: Table,
    alive: Table, moved: Table, fall: Table, rest: Table, sums: Table, failing: Table, slope: Table,
    to_failing: Table, to_slope: Table,
) -> None:  # fmt: skip
    """Early failures by mechanism m, their slope, and the derivatives of both to every intercept."""
    parts, ages = rest.shape
    failing[m], slope[m], curve = 0.0, 0.0, 0.0
    sums[:, :] = 0.0
    for q in range(parts):
        pi = chance[q, m]
        for c in range(ages):
            others = wear[c] * step[m, c]
            for r in range(len(alive)):
                others *= alive[r, c] if r != home[m] else 1.0
            rest[q, c] = by_root[q, home[m], c] / keep[q, m, c] * weight[q] * others
            failing[m] += pi * rest[q, c]
            slope[m] += pi * (1.0 - pi) * rest[q, c]
            curve += pi * (1.0 - pi) * (1.0 - 2.0 * pi) * rest[q, c]
            sums[0, c] += pi * rest[q, c]
            sums[1, c] += pi * (1.0 - pi) * rest[q, c]
    for k in range(len(home)):
        failed, fallen = 0.0, 0.0
        if home[k] != home[m]:
            for c in range(ages):
                failed += sums[0, c] * fall[k, c]
                fallen += sums[1, c] * fall[k, c]
        else:
            for q in range(parts):
                pi, own = chance[q, m], 0.0
                for c in range(ages):
                    own += rest[q, c] * moved[q, k, c]
                failed += pi * own
                fallen += pi * (1.0 - pi) * own
        to_failing[m, k], to_slope[m, k] = -failed, -fallen
    to_failing[m, m], to_slope[m, m] = slope[m], curve


@cells
def _newton(
    t: int, target: Table, applies: Table, guess: Table, rise: Table, failing: Table, slope: Table,
    to_failing: Table, to_slope: Table, out: Table, slopes: Table,
) -> None:  # fmt: skip
    for m in range(len(guess)):
        out[t, m] = guess[m]
        slopes[t, m, :] = 0.0
        if not applies[t, m]:
            continue
        gap = np.log(target[t, m]) - np.log(failing[m])
        step = gap * failing[m] / slope[m]
        slopes[t, m, m] = rise[m]
        out[t, m] += min(max(step, -LONGEST_STEP), LONGEST_STEP)
        if abs(step) < LONGEST_STEP:
            slopes[t, m, m] += failing[m] / slope[m] / target[t, m]
            for k in range(len(guess)):
                if applies[t, k]:
                    moved = (gap - 1.0) * to_failing[m, k] - step * to_slope[m, k]
                    slopes[t, m, k] += moved / slope[m] * rise[k]
