"""Compiled survival of the kernel: early mechanisms and wear-out, at cell edges and at single ages.

Each function has its derivative beside it (`..._back`): it takes the derivative of the total to what the
function gave and adds the derivatives to what it was given.
"""

from __future__ import annotations

import numpy as np

from .kernelages import hazard_at, hazards, slopes
from .vectormath import cells, exp, log

__all__ = [
    "early_at",
    "early_at_back",
    "failed_table",
    "failed_table_back",
    "product_table",
    "product_table_back",
    "root_survival",
    "root_survival_back",
    "wear_at",
    "wear_at_back",
    "wear_survival",
    "wear_survival_back",
]

Table = np.ndarray
DEAD = 600.0  # hazard at which a state of a mixture is cut off
# unsigned numbers of edges: an index that cannot be negative lets loops become vector code
FIRST, SECOND = np.uint64(0), np.uint64(1)


# ----------------------------------------------------------------------- early mechanisms


@cells
def failed_table(
    law: int, log_ages: Table, median: Table, shape: Table, speed: Table, layout: Table, failed: Table
) -> None:
    """Fill `failed` (root, pattern, slot, age) with F; `layout` (root, 2) holds slots and patterns in use."""
    hazard = np.empty(log_ages.shape[0])
    for r in range(layout.shape[0]):
        for s in range(layout[r, 0]):
            hazards(law, log_ages, np.log(median[r, s]), shape[r, s], 0, log_ages.shape[0], hazard)
            for p in range(layout[r, 1]):
                for a in range(log_ages.shape[0]):
                    failed[r, p, s, a] = 1.0 - exp(-speed[r, p, s] * hazard[a])


@cells
def failed_table_back(
    law: int, log_ages: Table, median: Table, shape: Table, speed: Table, layout: Table, bar: Table,
    median_bar: Table, shape_bar: Table, speed_bar: Table,
) -> None:  # fmt: skip
    """Derivatives from `bar` (root, pattern, slot, age)."""
    count = log_ages.shape[0]
    hazard, slope = np.empty(count), np.empty(count)
    for r in range(layout.shape[0]):
        for s in range(layout[r, 0]):
            log_median = np.log(median[r, s])
            hazards(law, log_ages, log_median, shape[r, s], 0, count, hazard)
            slopes(law, log_ages, log_median, shape[r, s], 0, count, hazard, slope)
            for p in range(layout[r, 1]):
                rate, to_shape, to_log = 0.0, 0.0, 0.0
                for a in range(count):
                    alive = bar[r, p, s, a] * exp(-speed[r, p, s] * hazard[a])
                    rate += alive * hazard[a]
                    to_log += alive * slope[a]
                    to_shape += alive * slope[a] * (log_ages[a] - log_median)
                speed_bar[r, p, s] += rate
                shape_bar[r, s] += to_shape * speed[r, p, s]
                median_bar[r, s] -= to_log * speed[r, p, s] * shape[r, s] / median[r, s]


@cells
def product_table(failed: Table, layout: Table, left_out: int, products: Table) -> None:
    """Fill `products` (root, pattern * subset, age) with subset products of F.

    With `left_out` not -1 they are the derivatives to that slot's F: 0 for subsets without it.
    """
    width = failed.shape[2]
    for r in range(layout.shape[0]):
        for p in range(layout[r, 1]):
            for subset in range(1 << layout[r, 0]):
                row = (p << width) + subset
                here = left_out < 0 or (left_out < layout[r, 0] and (subset >> left_out) & 1)
                for a in range(failed.shape[3]):
                    products[r, row, a] = 1.0 if here else 0.0
                for s in range(layout[r, 0]):
                    if here and s != left_out and (subset >> s) & 1:
                        for a in range(failed.shape[3]):
                            products[r, row, a] *= failed[r, p, s, a]


@cells
def product_table_back(failed: Table, layout: Table, left_out: int, bar: Table, failed_bar: Table) -> None:
    """Add to `failed_bar` (root, pattern, slot, age) what `bar` of the products says."""
    width, ages = failed.shape[2], failed.shape[3]
    rest = np.empty(ages)
    for r in range(layout.shape[0]):
        for p in range(layout[r, 1]):
            for subset in range(1 << layout[r, 0]):
                if left_out >= 0 and not (left_out < layout[r, 0] and (subset >> left_out) & 1):
                    continue
                row = (p << width) + subset
                for m in range(layout[r, 0]):
                    if m == left_out or not (subset >> m) & 1:
                        continue
                    for a in range(ages):
                        rest[a] = bar[r, row, a]
                    for s in range(layout[r, 0]):
                        if s not in (m, left_out) and (subset >> s) & 1:
                            for a in range(ages):
                                rest[a] *= failed[r, p, s, a]
                    for a in range(ages):
                        failed_bar[r, p, m, a] += rest[a]


@cells
def root_survival(moment: Table, products: Table, slots: int, patterns: int, width: int, low: int, high: int,
                  out: Table) -> None:  # fmt: skip
    """Survival of one root's mechanisms at edges `low` to `high` - 1: moments times subset products."""
    for e in range(low, high):
        out[e] = 0.0
    for p in range(patterns):
        for q in range(p << width, (p << width) + (1 << slots), 2):
            one, two, a, b = moment[q], moment[q + 1], products[q], products[q + 1]
            for e in range(low, high):
                out[e] += one * a[e] + two * b[e]


@cells
def root_survival_back(moment: Table, products: Table, slots: int, patterns: int, width: int, low: int, high: int,
                       bar: Table, moment_bar: Table, products_bar: Table) -> None:  # fmt: skip
    """Derivatives from `bar` (edge)."""
    for p in range(patterns):
        for q in range(p << width, (p << width) + (1 << slots), 2):
            one, two, a, b = moment[q], moment[q + 1], products[q], products[q + 1]
            a_bar, b_bar, to_one, to_two = products_bar[q], products_bar[q + 1], 0.0, 0.0
            for e in range(low, high):
                to_one += bar[e] * a[e]
                to_two += bar[e] * b[e]
                a_bar[e] += bar[e] * one
                b_bar[e] += bar[e] * two
            moment_bar[q] += to_one
            moment_bar[q + 1] += to_two


@cells
def early_at(law: int, moments: Table, i: int, log_age: float, median: Table, shape: Table, speed: Table, layout: Table,
             by_root: Table) -> float:  # fmt: skip
    """Survival of the early mechanisms of section i at one age; `by_root` (root,) is filled too."""
    width = median.shape[1]
    total = 1.0
    for r in range(layout.shape[0]):
        alive = 0.0
        for p in range(layout[r, 1]):
            for subset in range(1 << layout[r, 0]):
                product = moments[r, i, (p << width) + subset]
                for s in range(layout[r, 0]):
                    if (subset >> s) & 1:
                        product *= _failed(law, log_age, median[r, s], shape[r, s], speed[r, p, s])
                alive += product
        by_root[r] = alive
        total *= alive
    return total


@cells
def _failed(law: int, log_age: float, median: float, shape: float, speed: float) -> float:
    hazard, _ = hazard_at(law, shape * (log_age - np.log(median)))
    return 1.0 - np.exp(-speed * hazard)


@cells
def early_at_back(
    law: int, moments: Table, i: int, log_age: float, median: Table, shape: Table, speed: Table, layout: Table,
    by_root: Table, bar: float, moments_bar: Table, median_bar: Table, shape_bar: Table, speed_bar: Table,
) -> None:  # fmt: skip
    """Derivatives from `bar`, the derivative to the survival."""
    width = median.shape[1]
    for r in range(layout.shape[0]):
        others = bar
        for other in range(layout.shape[0]):
            if other != r:
                others *= by_root[other]
        for p in range(layout[r, 1]):
            for subset in range(1 << layout[r, 0]):
                row = (p << width) + subset
                product = others
                for s in range(layout[r, 0]):
                    if (subset >> s) & 1:
                        product *= _failed(law, log_age, median[r, s], shape[r, s], speed[r, p, s])
                moments_bar[r, i, row] += product
            for m in range(layout[r, 0]):
                slope = others * _slope_to(law, moments, i, log_age, median, shape, speed, layout, r, p, m)
                _failed_back(law, log_age, r, p, m, median, shape, speed, slope, median_bar, shape_bar, speed_bar)


@cells
def _slope_to(law: int, moments: Table, i: int, log_age: float, median: Table, shape: Table, speed: Table,
              layout: Table, r: int, p: int, m: int) -> float:  # fmt: skip
    """Derivative of a root's survival to F of slot m under pattern p."""
    total = 0.0
    for subset in range(1 << layout[r, 0]):
        if (subset >> m) & 1:
            product = moments[r, i, (p << median.shape[1]) + subset]
            for s in range(layout[r, 0]):
                if s != m and (subset >> s) & 1:
                    product *= _failed(law, log_age, median[r, s], shape[r, s], speed[r, p, s])
            total += product
    return total


@cells
def _failed_back(
    law: int, log_age: float, r: int, p: int, s: int, median: Table, shape: Table, speed: Table, bar: float,
    median_bar: Table, shape_bar: Table, speed_bar: Table,
) -> None:  # fmt: skip
    gap = log_age - np.log(median[r, s])
    hazard, slope = hazard_at(law, shape[r, s] * gap)
    alive = bar * np.exp(-speed[r, p, s] * hazard)
    speed_bar[r, p, s] += alive * hazard
    shape_bar[r, s] += alive * slope * speed[r, p, s] * gap
    median_bar[r, s] -= alive * slope * speed[r, p, s] * shape[r, s] / median[r, s]


# -------------------------------------------------------------------------------- wear-out


@cells
def wear_survival(law: int, log_edges: Table, log_median: Table, weight: Table, shape: float, begin: int, end: int,
                  low: int, high: int, hazard: Table, out: Table) -> None:  # fmt: skip
    """ln wear-out survival at edges `low` to `high` - 1 of a section with states `begin` to `end` - 1.

    `weight` is empty where every section has one state; `hazard` (edge) is overwritten.
    """
    if weight.shape[0] == 0:
        hazards(law, log_edges, log_median[begin], shape, low, high, out)
        for e in range(low, high):
            out[e] = -out[e]
        return
    for e in range(low, high):
        out[e] = 0.0
    for state in range(begin, end):
        hazards(law, log_edges, log_median[state], shape, low, high, hazard)
        for e in range(low, high):
            out[e] += weight[state] * exp(-(DEAD if hazard[e] > DEAD else hazard[e]))
    for e in range(low, high):
        out[e] = log(out[e])


@cells
def wear_survival_back(
    law: int, log_edges: Table, log_median: Table, weight: Table, shape: float, begin: int, end: int, low: int,
    high: int, value: Table, bar: Table, hazard: Table, slope: Table, log_median_bar: Table, weight_bar: Table,
) -> float:  # fmt: skip
    """Derivatives from `bar` (edge); returns the one to the shape. `hazard` and `slope` (edge) are overwritten."""
    mixed = weight.shape[0] > 0
    total_shape = 0.0
    for state in range(begin, end):
        to_shape, to_log, to_weight = 0.0, 0.0, 0.0
        share = weight[state] if mixed else 1.0
        if mixed:
            hazards(law, log_edges, log_median[state], shape, low, high, hazard)
        else:
            for e in range(low, high):
                hazard[e] = -value[e]
        slopes(law, log_edges, log_median[state], shape, low, high, hazard, slope)
        if mixed:
            for e in range(low, high):
                over = hazard[e] > DEAD
                alive = bar[e] * exp(-(DEAD if over else hazard[e]) - value[e])
                to_weight += alive
                slope[e] *= 0.0 if over else alive * share
            weight_bar[state] += to_weight
        else:
            for e in range(low, high):
                slope[e] *= bar[e]
        for e in range(low, high):
            to_log += slope[e]
            to_shape -= slope[e] * (log_edges[e] - log_median[state])
        log_median_bar[state] += shape * to_log
        total_shape += to_shape
    return total_shape


@cells
def wear_at(
    law: int, log_age: float, log_median: Table, weight: Table, shape: float, begin: int, end: int
) -> float:  # fmt: skip
    """ln wear-out survival of a section at one age."""
    at, room, out = np.full(1, log_age), np.empty(1), np.empty(1)
    wear_survival(law, at, log_median, weight, shape, begin, end, FIRST, SECOND, room, out)
    return out[0]


@cells
def wear_at_back(
    law: int, log_age: float, log_median: Table, weight: Table, shape: float, begin: int, end: int, value: float,
    bar: float, log_median_bar: Table, weight_bar: Table,
) -> float:  # fmt: skip
    """Derivatives from `bar`; returns the one to the shape."""
    at, known, bars, room, more = np.full(1, log_age), np.full(1, value), np.full(1, bar), np.empty(1), np.empty(1)
    return wear_survival_back(
        law, at, log_median, weight, shape, begin, end, FIRST, SECOND, known, bars, room, more, log_median_bar,
        weight_bar,
    )  # fmt: skip
