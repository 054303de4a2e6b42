"""What the compiled sum over cells works on: constants, parameters, tables that all sections share, rows.

The places of rows and columns are named here once.
"""

from __future__ import annotations

from collections import namedtuple

import numpy as np

from . import kernelpath as kp
from .kernellife import (
    early_at,
    early_at_back,
    failed_table,
    failed_table_back,
    product_table,
    product_table_back,
    wear_at,
    wear_at_back,
)
from .vectormath import cells, exp

__all__ = ["Given", "Parameters", "Room", "room_of", "survival_at", "survival_at_back", "tables_back"]

Table = np.ndarray
TINY = 1e-30
ONE = np.uint64(1)
ZERO = np.uint64(0)

Given = namedtuple("Given", "edges ages open_age kind law constants layout spans facts used sided labels")
"""Constants of the records; see `kernelcall.given_of`."""

Parameters = namedtuple("Parameters", "moments median shape speed log_median weight scalars")
"""What the sum depends on (the derivatives have the same shapes).

moments (root, section, pattern * subset), median and shape (root, slot), speed (root, pattern, slot),
log_median (state,), weight (state,) or empty, scalars (8,): wear-out shape, start, spread, noise,
exponent of wear-out, exponent of early failures, lag, label error.
"""

SHAPE, LAG, ERROR = 0, 6, 7
# columns of `spans`: cells that count, edges that late entry needs, readings, one-sided ones, states, row of `labels`
LOW, HIGH, ENTRY, USED, USED_END, SIDED, SIDED_END, STATE, STATE_END, LABEL = range(10)
# columns of `facts`
LOWER, UPPER, SERVING, REMOVED, ENTERED = range(5)
# columns of `labels`: wear-out named, share named by a wrong label, then a mark for each root and slot
WEAR_NAMED, CHANCE, MARKS = range(3)
# rows of the work array
WEAR, EARLY, CUT_WEAR, CUT_EARLY, FALL, MEAN, STEP, WORN, FAILED, EXIT, EXIT_LAG, LABELLED = range(12)
P_WEAR, P_EARLY, TO_WEAR, TO_EARLY, LEFT_WEAR, RIGHT_WEAR, LEFT_EARLY, RIGHT_EARLY = range(12, 20)
WEAR_BAR, EARLY_BAR, TAIL, TAIL_LAG, REACH, REST, SEEN, SEEN_LAG, FALLS, NAMED_FALLS = range(20, 30)
FREE, LABEL_BAR, ROWS = range(30, 33)
# places in the vector of constants behind those of the path: 1 where removal lags, shape of the path, years, law of
# the ages; then their number
LAGGED, KIND, OPEN_AGE, LAW, CONSTANTS = range(3, 8)

# tables of the roots of a labelled section: ln survival at the edges; and in each cell its fall, what all mechanisms of
# the root that fail there come to, and the share of the named ones
LOG_ROOT, ROOT_FALL, EVERY, SHARE, LABEL_TABLES = range(5)

# tables of every root, and of one past the last, at the edges: its survival, the derivative to it, the product of the
# roots before it, the derivative times the product of those from it on
ALIVE, ALIVE_BAR, BEFORE, FROM_HERE, ROOT_TABLES = range(5)

Room = namedtuple("Room", "w roots paths powers products products_bar middle middle_bar step step_bar left_out "
                  "left_out_bar log_edges path_ages by_root parts named")  # fmt: skip
"""Tables that all sections share and work arrays that each section overwrites."""


@cells
def room_of(given: Given, parameters: Parameters, columns: int) -> Room:
    """Fill the tables that all sections share and set up the work arrays, the largest with rows of `columns`."""
    count, width = given.edges.shape[0], parameters.median.shape[1]
    roots, patterns = given.layout.shape[0], parameters.speed.shape[1]
    rows = patterns << width
    log_edges = np.empty(count)
    for e in range(count):
        log_edges[e] = np.log(max(given.edges[e], 1e-9))
    failed = np.zeros((roots, patterns, width, count))
    failed_table(given.law, log_edges, parameters.median, parameters.shape, parameters.speed, given.layout, failed)
    products = np.zeros((roots, rows, columns))
    product_table(failed, given.layout, -1, products)
    middle = np.zeros((roots, patterns, width, count - 1))
    left_out = np.zeros((width if given.labels.shape[0] else 0, roots, rows, count - 1))
    step = np.zeros(middle.shape)
    _steps(failed, step)
    if given.labels.shape[0]:
        failed_table(
            given.law, np.log(given.ages), parameters.median, parameters.shape, parameters.speed, given.layout, middle
        )
        for m in range(width):
            product_table(middle, given.layout, m, left_out[m])
    turns = 0
    for i in range(given.spans.shape[0]):
        turns = max(turns, given.spans[i, SIDED_END] - given.spans[i, SIDED])
    path_rows = kp.ROWS + kp.TURN * turns
    path_ages = np.empty((3, count - 1))
    for c in range(count - 1):
        path_ages[kp.LOG_AGE, c] = np.log(given.ages[c] / 10.0)
        for k in range(2):
            kappa = parameters.scalars[kp.KAPPA_WEAR + k]
            path_ages[kp.POWER_WEAR + k, c] = np.exp(-kappa * path_ages[kp.LOG_AGE, c])
    log_read, powers = given.used[:, 0].copy(), np.empty((2, given.used.shape[0]))
    for k in range(2):
        _powers(parameters.scalars[kp.KAPPA_WEAR + k], log_read, powers[k])
    return Room(
        np.zeros((ROWS, columns)), np.ones((roots + 1, ROOT_TABLES, columns)), np.zeros((2, path_rows, columns)),
        powers, products, np.zeros(products.shape), middle, np.zeros(middle.shape), step, np.zeros(step.shape),
        left_out, np.zeros(left_out.shape), log_edges, path_ages, np.ones(max(roots, 1)),
        np.zeros((roots * width, columns)), np.zeros((LABEL_TABLES, roots, columns)),
    )  # fmt: skip


@cells
def _powers(kappa: float, log_ages: Table, out: Table) -> None:
    for j in range(log_ages.shape[0]):
        out[j] = exp(kappa * log_ages[j])


@cells
def _steps(failed: Table, step: Table) -> None:
    """Rise of F over each cell."""
    for r in range(step.shape[0]):
        for p in range(step.shape[1]):
            for s in range(step.shape[2]):
                for c in range(step.shape[3]):
                    step[r, p, s, c] = failed[r, p, s, c + 1] - failed[r, p, s, c]


@cells
def _steps_back(bar: Table, failed_bar: Table) -> None:
    for r in range(bar.shape[0]):
        for p in range(bar.shape[1]):
            for s in range(bar.shape[2]):
                for c in range(bar.shape[3]):
                    failed_bar[r, p, s, c + 1] += bar[r, p, s, c]
                    failed_bar[r, p, s, c] -= bar[r, p, s, c]


@cells
def tables_back(given: Given, parameters: Parameters, room: Room, bars: Parameters) -> None:
    """From the shared tables to medians, shapes and speeds."""
    median, shape, speed = parameters.median, parameters.shape, parameters.speed
    failed = np.zeros((given.layout.shape[0], speed.shape[1], median.shape[1], given.edges.shape[0]))
    failed_bar = np.zeros(failed.shape)
    failed_table(given.law, room.log_edges, median, shape, speed, given.layout, failed)
    product_table_back(failed, given.layout, -1, room.products_bar, failed_bar)
    if given.labels.shape[0]:
        for m in range(median.shape[1]):
            product_table_back(room.middle, given.layout, m, room.left_out_bar[m], room.middle_bar)
        _steps_back(room.step_bar, failed_bar)
        failed_table_back(
            given.law, np.log(given.ages), median, shape, speed, given.layout, room.middle_bar, bars.median, bars.shape,
            bars.speed,
        )  # fmt: skip
    failed_table_back(
        given.law, room.log_edges, median, shape, speed, given.layout, failed_bar, bars.median, bars.shape, bars.speed
    )


@cells
def survival_at(i: int, age: float, given: Given, parameters: Parameters, room: Room) -> tuple[float, float]:
    """ln wear-out survival and early survival of section i at one age."""
    log_age, span = np.log(max(age, 1e-9)), given.spans[i]
    log_wear = wear_at(
        given.law,
        log_age,
        parameters.log_median,
        parameters.weight,
        parameters.scalars[SHAPE],
        span[STATE],
        span[STATE_END],
    )
    early = early_at(
        given.law, parameters.moments, i, log_age, parameters.median, parameters.shape, parameters.speed,
        given.layout, room.by_root,
    )  # fmt: skip
    return log_wear, early


@cells
def survival_at_back(
    i: int, age: float, given: Given, parameters: Parameters, room: Room, wear_bar: float, early_bar: float,
    bars: Parameters,
) -> None:  # fmt: skip
    """From the derivatives to what `survival_at` returned."""
    log_age, span = np.log(max(age, 1e-9)), given.spans[i]
    log_wear, _ = survival_at(i, age, given, parameters, room)
    bars.scalars[SHAPE] += wear_at_back(
        given.law, log_age, parameters.log_median, parameters.weight, parameters.scalars[SHAPE], span[STATE],
        span[STATE_END], log_wear, wear_bar, bars.log_median, bars.weight,
    )  # fmt: skip
    early_at_back(
        given.law, parameters.moments, i, log_age, parameters.median, parameters.shape, parameters.speed, given.layout,
        room.by_root, early_bar, bars.moments, bars.median, bars.shape, bars.speed,
    )  # fmt: skip
