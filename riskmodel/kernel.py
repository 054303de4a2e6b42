"""The sum over cells of every section and all its derivatives, compiled, section by section in one pass.

`likelihood` is the readable definition; this is the same sum for speed, held to it by the tests. Work
arrays are as long as the age grid, so that memory beyond inputs and results does not grow with the
sections. A section's weights are kept as a logarithm times a plain factor: the logarithm holds what may
be tiny beyond doubles (survival, readings), the factor what lies between 1e-90 and 1.
"""

from __future__ import annotations

from collections.abc import Callable
from functools import cache
from typing import Any

import numpy as np
from numba import carray, njit, types
from numba.core.cgutils import voidptr_t

from . import kernelpath as kp
from . import kernelroom as kr
from .kernellife import root_survival, root_survival_back, wear_survival, wear_survival_back
from .kernelroom import ONE, TINY, ZERO, Given, Parameters, Room, room_of, survival_at, survival_at_back, tables_back
from .kernelterms import both_sides, entry, entry_back, exit_factor, exit_factor_back, label, label_back
from .vectormath import cells, digest_of, exp, expm1, larger, primitive

__all__ = ["section_sums"]

Table = np.ndarray
NEGLIGIBLE = -300.0  # ln of the weight of a cell, next to the largest, that counts for nothing
LIGHT = 1e-17  # probability of a cell whose derivatives count for nothing
LANES = np.uint64(8)  # cells that loops take at once
OUT = -1e30  # of a section whose records contradict each other: no cell counts


@cache
def section_sums(columns: int) -> Callable[[int, int], None]:
    """Log-likelihood of every section, and the derivatives of their weighted total, compiled for rows of `columns`.

    Kept on disk between processes, and outside the interpreter's lock. All arrays are C-contiguous doubles or,
    `layout` and `spans`, 64-bit integers; they are passed by address, since passing forty arrays costs time.

    Parameters
    ----------
    columns : int
        Length of the rows of work arrays, at least the number of edges.

    Returns
    -------
    callable (addresses_at, sizes_at)
        Address of the addresses of the arrays in the order of `ARRAYS`: `Parameters`, weight of each section in the
        total, arrays of `Given`, the sums (section,) to fill, derivatives to add to (the shapes of `Parameters`, then
        one for each reading used and each one-sided reading). Address of the sizes in the order of `SIZES`; without
        `wanted` the derivatives are left alone, without `rated` those to the readings.
    """
    parts = (
        "cells",
        "hazard",
        "vectormath",
        "kernelages",
        "kernellife",
        "kernelpath",
        "kernelroom",
        "kernelterms",
        "kernel",
    )
    version = int(digest_of(*parts)[:15], 16)

    # `version` is part of the key under which the compiled code is kept
    @njit(cache=True, nogil=True, error_model="numpy")
    def run(addresses_at, sizes_at):  # type: ignore[no-untyped-def]
        size = carray(pointer(sizes_at), SIZES, np.int64)
        at = carray(pointer(addresses_at), ARRAYS, np.int64)
        parameters, bars = _parameters_at(at, size, 0), _parameters_at(at, size, SUMS + 1)
        given = _given_at(at, size)
        sections, wanted, rated = size[0], size[SIZES - 2] > 0 and version > 0, size[SIZES - 1]
        used_bar = carray(pointer(at[ARRAYS - 2]), rated * size[7], np.float64)
        sided_bar = carray(pointer(at[ARRAYS - 1]), rated * size[8], np.float64)
        share = carray(pointer(at[PARAMETERS]), sections, np.float64)
        sums = carray(pointer(at[SUMS]), sections, np.float64)
        kept = room_of(given, parameters, columns)
        room = _bare(kept, columns)
        w = room.w
        for i in range(sections):
            span = given.spans[i]
            first, last = np.uint64(span[kr.LOW]), np.uint64(span[kr.HIGH])
            if first >= last:
                sums[i] = OUT
                continue
            low, high = _whole(first, last, given)
            begin = ZERO if span[kr.ENTRY] > 0 else low
            end = max(high, np.uint64(span[kr.ENTRY])) + ONE
            _survival(i, given, parameters, room, begin, end)
            _cut(i, given, parameters, room, low, high, first, last)
            _masses(w, low, high)
            used, sided = _read(i, given)
            read = given.kind > kp.NO_PATH and used.shape[0] + sided.shape[0] > 0
            for k in range(2 if read else 0):
                kp.path_density(
                    room.paths[k], room.path_ages, given.kind, used, _powers(i, k, given, room), sided, low, high,
                    parameters.scalars, kp.KAPPA_WEAR + k, given.constants,
                )  # fmt: skip
            leaves = exit_factor(i, given, parameters.scalars[kr.LAG], w, low, high)
            wear_label = label(i, given, parameters, room, low, high)
            value, wear_total = _sum(room, low, high, first, last, read, leaves, wear_label)
            entered = entry(i, given, parameters, room)
            sums[i] = value - entered
            if not wanted:
                continue
            first, last = _heavy(w, first, last)
            low, high = _whole(first, last, given)
            begin = ZERO if span[kr.ENTRY] > 0 else low
            end = max(high, np.uint64(span[kr.ENTRY])) + ONE
            _sum_back(room, low, high, share[i])
            for e in range(begin, end):
                w[kr.WEAR_BAR, e] = 0.0
                w[kr.EARLY_BAR, e] = 0.0
            both_sides(w, low, high)
            _cut_back(i, given, parameters, room, first, last, bars)
            for k in range(2 if read else 0):
                kp.path_density_back(
                    room.paths[k], room.path_ages, given.kind, used, _powers(i, k, given, room), sided, low, high,
                    parameters.scalars, kp.KAPPA_WEAR + k, given.constants, w[kr.TO_WEAR + k], bars.scalars,
                    used_bar[span[kr.USED] : span[kr.USED_END]], sided_bar[span[kr.SIDED] : span[kr.SIDED_END]],
                )  # fmt: skip
            if leaves:
                bars.scalars[kr.LAG] += exit_factor_back(w, share[i], low, high)
            entry_back(i, given, parameters, room, share[i], entered, bars)
            _early_edges_back(room, begin, end)
            if span[kr.LABEL] >= 0:
                label_back(i, given, parameters, room, low, high, share[i] * wear_total, wear_label, bars)
            _survival_back(i, given, parameters, room, begin, end, bars)
        if wanted:
            tables_back(given, parameters, room, bars)
        kept.w[0, 0] = 0.0  # the arrays behind `room` live until here

    return run


@cells
def _bare(room: Room, columns: int) -> Room:
    """The same arrays without owners: owned ones are counted up and down each time they are passed on.

    Rows of a length known to the compiler: it then knows which loops cannot overlap.
    """
    return Room(
        _rows(room.w, columns), _rows(room.roots, columns), _rows(room.paths, columns), _view(room.powers),
        _rows(room.products, columns), _rows(room.products_bar, columns), _view(room.middle), _view(room.middle_bar),
        _view(room.step), _view(room.step_bar), _view(room.left_out), _view(room.left_out_bar), _view(room.log_edges),
        _view(room.path_ages), _view(room.by_root), _rows(room.parts, columns), _rows(room.named, columns),
    )  # fmt: skip


@cells
def _rows(array: Table, columns: int) -> Table:
    return carray(pointer(array.ctypes.data), (*array.shape[:-1], columns), np.float64)


@cells
def _view(array: Table) -> Table:
    return carray(pointer(array.ctypes.data), array.shape, np.float64)


PARAMETERS = len(Parameters._fields)
GIVEN = 9
SUMS = PARAMETERS + 1 + GIVEN
ARRAYS = SUMS + 1 + PARAMETERS + 2
SIZES = 12
"""Sections, cells, roots, patterns, slots, states, weights of states, readings, one-sided ones, labels, `wanted`,
`rated`."""


@primitive
def pointer(_context: Any, _address: Any) -> Any:
    """The pointer to an address."""
    return types.voidptr(types.int64), lambda _, builder, __, args: builder.inttoptr(args[0], voidptr_t)


@cells
def _parameters_at(at: Table, size: Table, first: int) -> Parameters:
    sections, roots, patterns, width, states, weights = size[0], size[2], size[3], size[4], size[5], size[6]
    return Parameters(
        carray(pointer(at[first]), (roots, sections, patterns << width), np.float64),
        carray(pointer(at[first + 1]), (roots, width), np.float64),
        carray(pointer(at[first + 2]), (roots, width), np.float64),
        carray(pointer(at[first + 3]), (roots, patterns, width), np.float64),
        carray(pointer(at[first + 4]), states, np.float64),
        carray(pointer(at[first + 5]), weights, np.float64),
        carray(pointer(at[first + 6]), 8, np.float64),
    )


@cells
def _given_at(at: Table, size: Table) -> Given:
    first = PARAMETERS + 1
    sections, count, roots, width, labelled = size[0], size[1], size[2], size[4], size[9]
    constants = carray(pointer(at[first + 2]), kr.CONSTANTS, np.float64)
    return Given(
        carray(pointer(at[first]), count + 1, np.float64),
        carray(pointer(at[first + 1]), count, np.float64),
        constants[kr.OPEN_AGE],
        int(constants[kr.KIND]),
        int(constants[kr.LAW]),
        constants,
        carray(pointer(at[first + 3]), (roots, 2), np.int64),
        carray(pointer(at[first + 4]), (sections, kr.LABEL + 1), np.int64),
        carray(pointer(at[first + 5]), (sections, kr.ENTERED + 1), np.float64),
        carray(pointer(at[first + 6]), (size[7], 2), np.float64),
        carray(pointer(at[first + 7]), (size[8], 3), np.float64),
        carray(pointer(at[first + 8]), (labelled, kr.MARKS + roots * width), np.float64),
    )


# ------------------------------------------------------------------------------ one section


@cells
def _whole(first: np.uint64, last: np.uint64, given: Given) -> tuple[np.uint64, np.uint64]:
    """Cells `first` to `last` - 1 and their neighbours in the same vectors: loops over them leave no remainder."""
    high, count = (last + LANES - ONE) // LANES * LANES, np.uint64(given.ages.shape[0])
    return first // LANES * LANES, high if high < count else count


@cells
def _read(i: int, given: Given) -> tuple[Table, Table]:
    """Readings of section i: those used as they are, and one-sided ones."""
    span = given.spans[i]
    return given.used[span[kr.USED] : span[kr.USED_END]], given.sided[span[kr.SIDED] : span[kr.SIDED_END]]


@cells
def _powers(i: int, k: int, given: Given, room: Room) -> Table:
    """(age / 10)^kappa of the readings of section i used as they are, for path k."""
    span = given.spans[i]
    return room.powers[k, span[kr.USED] : span[kr.USED_END]]


@cells
def _survival(i: int, given: Given, parameters: Parameters, room: Room, begin: int, end: int) -> None:
    """ln wear-out survival and early survival at the edges that section i needs."""
    span = given.spans[i]
    wear_survival(
        given.law, room.log_edges, parameters.log_median, parameters.weight, parameters.scalars[kr.SHAPE],
        span[kr.STATE], span[kr.STATE_END], begin, end, room.w[kr.REST], room.w[kr.WEAR],
    )  # fmt: skip
    width, roots, tables = parameters.median.shape[1], given.layout.shape[0], room.roots
    for r in range(roots):
        slots, patterns = given.layout[r, 0], given.layout[r, 1]
        moment, products = parameters.moments[r, i], room.products[r]
        root_survival(moment, products, slots, patterns, width, begin, end, tables[r, kr.ALIVE])
        _times(tables[r, kr.BEFORE], tables[r, kr.ALIVE], tables[r + 1, kr.BEFORE], begin, end)
    for e in range(begin, end):
        room.w[kr.EARLY, e] = tables[roots, kr.BEFORE, e]


@cells
def _early_edges_back(room: Room, begin: int, end: int) -> None:
    """From the early survival to that of each root."""
    tables, behind = room.roots, room.w[kr.EARLY_BAR]
    for r in range(tables.shape[0] - 2, -1, -1):
        _times(behind, tables[r, kr.BEFORE], tables[r, kr.ALIVE_BAR], begin, end)
        _times(behind, tables[r, kr.ALIVE], tables[r, kr.FROM_HERE], begin, end)
        behind = tables[r, kr.FROM_HERE]


@cells
def _times(a: Table, b: Table, out: Table, begin: int, end: int) -> None:
    for e in range(begin, end):
        out[e] = a[e] * b[e]


@cells
def _survival_back(
    i: int, given: Given, parameters: Parameters, room: Room, begin: int, end: int, bars: Parameters
) -> None:
    span, w = given.spans[i], room.w
    bars.scalars[kr.SHAPE] += wear_survival_back(
        given.law, room.log_edges, parameters.log_median, parameters.weight, parameters.scalars[kr.SHAPE],
        span[kr.STATE], span[kr.STATE_END], begin, end, w[kr.WEAR], w[kr.WEAR_BAR], w[kr.REST], w[kr.TAIL],
        bars.log_median, bars.weight,
    )  # fmt: skip
    for r in range(given.layout.shape[0]):
        slots, patterns = given.layout[r, 0], given.layout[r, 1]
        root_survival_back(
            parameters.moments[r, i], room.products[r], slots, patterns, parameters.median.shape[1], begin, end,
            room.roots[r, kr.ALIVE_BAR], bars.moments[r, i], room.products_bar[r],
        )  # fmt: skip


# ------------------------------------------------------------------------------ hard bounds


@cells
def _cut(i: int, given: Given, parameters: Parameters, room: Room, low: int, high: int, first: int, last: int) -> None:
    """Survival at the edges, the outer ones of the cells that count moved to the hard bounds within them."""
    w = room.w
    for e in range(low, high + ONE):
        w[kr.CUT_WEAR, e] = w[kr.WEAR, e]
        w[kr.CUT_EARLY, e] = w[kr.EARLY, e]
    lower, upper = given.facts[i, kr.LOWER], given.facts[i, kr.UPPER]
    if given.edges[first] < lower:
        w[kr.CUT_WEAR, first], w[kr.CUT_EARLY, first] = survival_at(i, lower, given, parameters, room)
    if given.edges[last] > upper:
        w[kr.CUT_WEAR, last], w[kr.CUT_EARLY, last] = survival_at(i, upper, given, parameters, room)


@cells
def _cut_back(
    i: int, given: Given, parameters: Parameters, room: Room, first: int, last: int, bars: Parameters
) -> None:
    w = room.w
    for e, age, moved in (
        (first, given.facts[i, kr.LOWER], given.edges[first] < given.facts[i, kr.LOWER]),
        (last, given.facts[i, kr.UPPER], given.edges[last] > given.facts[i, kr.UPPER]),
    ):
        if moved:
            survival_at_back(i, age, given, parameters, room, w[kr.WEAR_BAR, e], w[kr.EARLY_BAR, e], bars)
            w[kr.WEAR_BAR, e] = 0.0
            w[kr.EARLY_BAR, e] = 0.0


# ------------------------------------------------------------------------- masses and sum


@cells
def _masses(w: Table, low: int, high: int) -> None:
    """Wear-out and early part of each cell's probability, over the wear-out survival at its young edge."""
    for c in range(low, high):
        fall = w[kr.CUT_WEAR, c + ONE] - w[kr.CUT_WEAR, c]
        change = expm1(-TINY if fall > -TINY else fall)
        young, old = w[kr.CUT_EARLY, c], w[kr.CUT_EARLY, c + ONE]
        step = (young - old if young > old else 0.0) + TINY
        w[kr.FALL, c] = change
        w[kr.MEAN, c] = 0.5 * (young + old) + TINY
        w[kr.STEP, c] = step
        w[kr.FREE, c] = 1.0 if young >= old else 0.0
        w[kr.WORN, c] = -change * w[kr.MEAN, c]
        w[kr.FAILED, c] = step * (1.0 + 0.5 * change)


@cells
def _sum(
    room: Room, low: int, high: int, first: int, last: int, read: bool, leaves: bool, wear_label: float
) -> tuple[float, float]:
    """Ln of the sum over cells, and wear-out's share of it; leaves scaled weights in rows P_WEAR and P_EARLY."""
    w, wear, early = room.w, room.paths[0], room.paths[1]
    for c in range(low, high):
        w[kr.P_WEAR, c] = w[kr.CUT_WEAR, c] + (wear[kp.DENSITY, c] if read else 0.0)
        w[kr.P_EARLY, c] = w[kr.CUT_WEAR, c] + (early[kp.DENSITY, c] if read else 0.0)
    for begin, end in ((low, first), (last, high)):
        for c in range(begin, end):
            w[kr.P_WEAR, c] = OUT
            w[kr.P_EARLY, c] = OUT
    if not leaves:
        for c in range(low, high):
            w[kr.EXIT, c] = 1.0
    top = -np.inf
    for c in range(low, high):
        top = larger(top, larger(w[kr.P_WEAR, c], w[kr.P_EARLY, c]))
    total, worn = 0.0, 0.0
    for c in range(low, high):
        wear_log, early_log = w[kr.P_WEAR, c] - top, w[kr.P_EARLY, c] - top
        w[kr.P_WEAR, c] = 0.0 if wear_log < NEGLIGIBLE else exp(wear_log) * wear_label
        w[kr.P_EARLY, c] = 0.0 if early_log < NEGLIGIBLE else exp(early_log) * w[kr.LABELLED, c]
        worn += w[kr.P_WEAR, c] * w[kr.WORN, c] * w[kr.EXIT, c]
        total += w[kr.P_EARLY, c] * w[kr.FAILED, c] * w[kr.EXIT, c]
    total += worn
    for c in range(low, high):
        w[kr.P_WEAR, c] /= total
        w[kr.P_EARLY, c] /= total
    return top + np.log(total), worn / total


@cells
def _heavy(w: Table, low: np.uint64, high: np.uint64) -> tuple[np.uint64, np.uint64]:
    """The cells without those at either end that the derivatives do not feel."""
    first, last = low, high - ONE
    while first < last and _weight(w, first) < LIGHT:
        first = first + ONE
    while first < last and _weight(w, last) < LIGHT:
        last = last - ONE
    return first, last + ONE


@cells
def _weight(w: Table, c: int) -> float:
    """Probability of cell c given the section's records."""
    return (w[kr.P_WEAR, c] * w[kr.WORN, c] + w[kr.P_EARLY, c] * w[kr.FAILED, c]) * w[kr.EXIT, c]


@cells
def _sum_back(room: Room, low: int, high: int, share: float) -> None:
    """Derivatives to survival at both edges of each cell, and to ln density (and label) into TO_WEAR and TO_EARLY."""
    w = room.w
    for c in range(low, high):
        wear, early = share * w[kr.P_WEAR, c] * w[kr.EXIT, c], share * w[kr.P_EARLY, c] * w[kr.EXIT, c]
        change, step = w[kr.FALL, c], w[kr.STEP, c]
        w[kr.LEFT_WEAR, c] = wear * w[kr.MEAN, c] + 0.5 * early * step
        w[kr.RIGHT_WEAR, c] = (1.0 + change) * (0.5 * early * step - wear * w[kr.MEAN, c])
        half = early * (1.0 + 0.5 * change) * w[kr.FREE, c]
        w[kr.LEFT_EARLY, c] = half - 0.5 * wear * change
        w[kr.RIGHT_EARLY, c] = -half - 0.5 * wear * change
        w[kr.TO_WEAR, c] = wear * w[kr.WORN, c]
        w[kr.TO_EARLY, c] = early * w[kr.FAILED, c]
