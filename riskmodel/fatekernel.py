"""The compiled kernel of simulated lives: blocks of sections side by side, draw by draw.

A mechanism's log-odds without measures are computed once for each draw and section and compared with the
log-odds of its uniform; only where they come within reach of what measures can add is an age computed and
the portfolios are looked at, each with the change by the measures that are really done under it. The numbers
of a section do not depend on its place in a block.
"""

from __future__ import annotations

from collections.abc import Callable
from functools import cache
from typing import Any, NamedTuple

import numpy as np
from numba import njit

from .fatetables import LANES, Keys, Laws, Roads
from .hazard import LN2
from .vectormath import bits_of, cells, digest_of, exp, float_of, log, normal_quantile

__all__ = ["CELLS", "CELL_EDGES", "Wanted", "kernel"]

# Cells of age for quantiles: 64 to a doubling from a quarter of a year to 1,024 years, the first from 0, the
# last without end.
PER_DOUBLING, DOUBLINGS = 64, 12
CELLS = PER_DOUBLING * DOUBLINGS + 2
_DOUBLING = 0.25 * (1.0 + np.arange(PER_DOUBLING) / PER_DOUBLING)
CELL_EDGES = np.concatenate([[0.0], *(2.0**k * _DOUBLING for k in range(DOUBLINGS)), [1024.0, np.inf]])
SHIFT = 52 - 6
FIRST_CELL = int(np.array(0.25).view(np.int64) >> SHIFT)

# Rows of the workspace.
CHANCE, OTHER, COMMON, MARGIN, WEAR, SCORE = 0, 1, 2, 3, 4, 5
ROWS = 8  # three scores
# Rows of whole numbers.
OWN, COULD, CHOSEN, ASKED, ZERO = 0, 1, 2, 3, 4
MARKS = 5

MULTIPLIER_A, MULTIPLIER_C = np.uint64(0xD2511F53), np.uint64(0xCD9E8D57)
WEYL_A, WEYL_B = np.uint64(0x9E3779B9), np.uint64(0xBB67AE85)
LOW, HALF = np.uint64(0xFFFFFFFF), np.uint64(32)
LIFT, DROP, ONE_BITS = np.uint64(20), np.uint64(12), np.uint64(0x3FF0000000000000)
BELOW_ONE = 1.0 - 2.0**-53


class Wanted(NamedTuple):
    """What the kernel is to leave; an array of length 0 is not wanted.

    Arrays may hold more sections than are worked (see `offset` of `simulate_lives`).

    Parameters
    ----------
    lives : ndarray of float32 (sample, portfolio, section)
        Ages at failure, years.
    worn : ndarray of float32 (sample, section)
        Ages at wear-out under the first portfolio.
    weight : ndarray (sample, section)
        Weights of the sections, for the sums that follow.
    ages : ndarray (age,)
    below : ndarray (sample, portfolio, age)
        Weight of the lives that end before each of `ages`; added to.
    cells : ndarray (sample, portfolio, CELLS)
        Weight of the lives that end in each cell of `CELL_EDGES`; added to.
    """

    lives: np.ndarray
    worn: np.ndarray
    weight: np.ndarray
    ages: np.ndarray
    below: np.ndarray
    cells: np.ndarray


@cells
def _draw_uniforms(w: Any, words: Any, start: int, row: int, draw: int, block: int, key: Any) -> None:
    """Two uniforms for each lane into rows `row` and `row` + 1 (see `streams.uniforms`)."""
    low, high = key & LOW, key >> HALF
    first, second = np.uint64(draw), np.uint64(block)
    for c in range(LANES):
        one, other = first, second
        three, four = words[0, start + c], words[1, start + c]
        k, j = low, high
        for _ in range(10):
            left, right = one * MULTIPLIER_A, three * MULTIPLIER_C
            one, other = (right >> HALF) ^ other ^ k, right & LOW
            three, four = (left >> HALF) ^ four ^ j, left & LOW
            k, j = (k + WEYL_A) & LOW, (j + WEYL_B) & LOW
        w[row, c] = float_of(np.int64((one << LIFT) | (other >> DROP) | ONE_BITS)) - BELOW_ONE
        w[row + 1, c] = float_of(np.int64((three << LIFT) | (four >> DROP) | ONE_BITS)) - BELOW_ONE


@cells
def _draw_scores(w: Any, roads: Any, keys: Any, start: int, draw: int) -> None:
    _draw_uniforms(w, roads.words, start, SCORE, draw, 0, keys.score[0])
    _draw_uniforms(w, roads.words, start, CHANCE, draw, 1, keys.score[0])
    for c in range(LANES):
        w[SCORE + 2, c] = w[CHANCE, c]
    for r in range(3):
        for c in range(LANES):
            z = normal_quantile(w[SCORE + r, c])
            w[SCORE + r, c] = roads.score_mean[r, start + c] + roads.score_sd[r, start + c] * z


@cells
def _draw_measures(
    w: Any, marks: Any, roads: Any, laws: Any, keys: Any, start: int, s: int, unknown: int, asked: int
) -> None:
    """Bits of the measures that are chosen, done in any case (OWN), or done if required (COULD)."""
    measures = keys.rate.shape[0]
    for c in range(LANES):
        marks[CHOSEN, c] = roads.chosen[start + c]
        marks[COULD, c] = 0
    for k in range(measures):
        bit = 1 << k
        if unknown & bit:
            _draw_uniforms(w, roads.words, start, CHANCE, keys.first + s, 0, keys.required[k])
            for c in range(LANES):
                open_ = (roads.unknown[start + c] & bit) != 0
                marks[CHOSEN, c] |= bit if open_ and w[CHANCE, c] < keys.rate[k] else 0
        if asked & bit:
            _draw_uniforms(w, roads.words, start, CHANCE, keys.first + s, 0, keys.compliance[k])
            for c in range(LANES):
                marks[COULD, c] |= bit if w[CHANCE, c] < laws.compliance[s, k] else 0
    for c in range(LANES):
        marks[OWN, c] = marks[CHOSEN, c] & (roads.verified[start + c] | marks[COULD, c])


@cells
def _wear_out(w: Any, roads: Any, laws: Any, keys: Any, start: int, s: int) -> None:
    """Age at wear-out without measures."""
    _draw_uniforms(w, roads.words, start, CHANCE, keys.first + s, 0, keys.wear[0])
    for c in range(LANES):
        w[WEAR, c] = laws.wear_log_median[s, roads.type[start + c]]
    for d in range(roads.drivers.shape[0]):
        if laws.wear_driver[s, d] != 0.0:
            for c in range(LANES):
                w[WEAR, c] += roads.drivers[d, start + c] * laws.wear_driver[s, d]
    for c in range(LANES):
        w[WEAR, c] = exp(w[WEAR, c] + laws.wear_power[s] * log(-log(w[CHANCE, c]) / LN2))


@cells
def _begin_lives(
    w: Any, marks: Any, lives: Any, roads: Any, laws: Any, keys: Any, start: int, s: int, stretching: int
) -> None:
    """Ages at wear-out under every portfolio."""
    for p in range(lives.shape[0]):
        if not stretching or roads.banned[p]:
            for c in range(LANES):
                lives[p, c] = w[WEAR, c]
            continue
        for c in range(LANES):
            w[OTHER, c] = 0.0
        for k in range(keys.rate.shape[0]):
            bit = 1 << k
            if stretching & bit:
                for c in range(LANES):
                    done = (marks[OWN, c] | (marks[COULD, c] & roads.forced[p, start + c])) & bit
                    w[OTHER, c] += laws.stretch[s, roads.type[start + c], k] if done else 0.0
        for c in range(LANES):
            lives[p, c] = w[WEAR, c] * exp(w[OTHER, c])


@cells
def _common(
    w: Any, marks: Any, roads: Any, laws: Any, keys: Any, terms: Any, start: int, s: int, r: int, row: int
) -> None:
    """What the mechanisms of one root share of their log-odds: year, group terms, selection."""
    for c in range(LANES):
        w[COMMON, c] = roads.decades[start + c] * laws.year_slope[s]
    for g in range(terms.shape[0]):
        if keys.groups[r, g]:
            for c in range(LANES):
                w[COMMON, c] += terms[g, row, start + c]
    for k in range(keys.rate.shape[0]):
        size = laws.selection[s, r, k]
        if size != 0.0:
            for c in range(LANES):
                w[COMMON, c] += size if marks[CHOSEN, c] & roads.free[start + c] & (1 << k) else 0.0


@cells
def _margins(w: Any, roads: Any, laws: Any, keys: Any, start: int, s: int, m: int, score: int) -> None:
    """Log-odds of susceptibility without measures less the log-odds of the uniform; with the most that measures
    can add, in CHANCE.
    """
    _draw_uniforms(w, roads.words, start, CHANCE, keys.first + s, 0, keys.mechanism[m])
    for c in range(LANES):
        w[MARGIN, c] = w[COMMON, c] + laws.intercept[s, m, roads.type[start + c]]
    for d in range(roads.drivers.shape[0]):
        if laws.driver[s, m, d] != 0.0:
            for c in range(LANES):
                w[MARGIN, c] += roads.drivers[d, start + c] * laws.driver[s, m, d]
    if score >= 0:
        for c in range(LANES):
            w[MARGIN, c] -= laws.score_effect[s, m] * w[SCORE + score, c]
    for c in range(LANES):
        w[MARGIN, c] -= log(w[CHANCE, c] / (1.0 - w[CHANCE, c]))
    for c in range(LANES):
        reach = w[MARGIN, c] + laws.slack[s, m, roads.type[start + c]]
        w[CHANCE, c] = reach if roads.applies[m, start + c] else -1.0


@cells
def _strike(w: Any, marks: Any, lives: Any, roads: Any, laws: Any, keys: Any, start: int, s: int, m: int) -> None:
    """Shorten the lives of the sections that are susceptible to mechanism `m`."""
    for c in range(LANES):
        if w[CHANCE, c] <= 0.0:
            continue
        kind, margin = roads.type[start + c], w[MARGIN, c]
        age = exp(laws.log_median[s, m] + laws.power[s, m] * log(-log(w[OTHER, c]) / LN2))
        acting, last = keys.acting[m, kind], np.int64(-1)
        found = np.inf
        for p in range(lives.shape[0]):
            done = marks[ZERO, c] if roads.banned[p] else marks[OWN, c] | (marks[COULD, c] & roads.forced[p, start + c])
            done &= acting
            if done != last:
                last, change, slowing = done, 0.0, 0.0
                for k in range(keys.rate.shape[0]):
                    if done & (1 << k):
                        change += laws.change[s, m, kind, k]
                        slowing += laws.slowing[s, m, kind, k]
                found = np.inf
                if margin + change > 0.0:
                    found = age if slowing == 0.0 else age * exp(slowing)
            lives[p, c] = found if found < lives[p, c] else lives[p, c]


@cells
def _hand_over(lives: Any, marks: Any, wanted: Any, row: int, at: int, here: int) -> None:
    """Write or add up what is wanted of one block."""
    if wanted.lives.shape[0]:
        for p in range(lives.shape[0]):
            for c in range(here):
                wanted.lives[row, p, at + c] = lives[p, c]
    for a in range(wanted.ages.shape[0]):
        for p in range(lives.shape[0]):
            total = 0.0
            for c in range(here):
                total += wanted.weight[row, at + c] if lives[p, c] < wanted.ages[a] else 0.0
            wanted.below[row, p, a] += total
    if wanted.cells.shape[0]:
        for p in range(lives.shape[0]):
            for c in range(LANES):
                cell = (bits_of(lives[p, c]) >> SHIFT) - FIRST_CELL + 1
                cell = 0 if cell < 0 else cell
                marks[ASKED, c] = CELLS - 1 if cell > CELLS - 1 else cell
            for c in range(here):
                wanted.cells[row, p, marks[ASKED, c]] += wanted.weight[row, at + c]


@cells
def simulate_lives(
    roads: Any, laws: Any, keys: Any, terms: Any, wanted: Any, first: int, last: int, count: int, offset: int
) -> None:
    """Lives of `count` sections in the draws `first` to `last`.

    Parameters
    ----------
    roads : Roads
    laws : Laws
    keys : Keys
    terms : ndarray (group, sample, section)
        Group terms; sections in whole blocks.
    wanted : Wanted
    first, last, count : int
    offset : int
        Column of the first section in the arrays of `wanted`.
    """
    w, marks = np.empty((ROWS, LANES)), np.zeros((MARKS, LANES), np.int64)
    lives = np.empty((roads.forced.shape[0], LANES))
    for start in range(0, count, LANES):
        at, here = offset + start, min(LANES, count - start)
        unknown, asked, stretching = 0, 0, 0
        for c in range(LANES):
            unknown |= roads.unknown[start + c]
            asked |= roads.chosen[start + c] | roads.unknown[start + c]
            stretching |= keys.stretching[roads.type[start + c]]
            for p in range(lives.shape[0]):
                asked |= roads.forced[p, start + c]
        for s in range(first, last):
            _draw_measures(w, marks, roads, laws, keys, start, s, unknown, asked)
            _wear_out(w, roads, laws, keys, start, s)
            _begin_lives(w, marks, lives, roads, laws, keys, start, s, stretching)
            if wanted.worn.shape[0]:
                for c in range(here):
                    wanted.worn[s, at + c] = lives[0, c]
            if keys.order.shape[0]:
                _draw_scores(w, roads, keys, start, keys.first + s)
            root = -1
            for j in range(keys.order.shape[0]):
                m = keys.order[j]
                if keys.root[j] != root:
                    root = keys.root[j]
                    _common(w, marks, roads, laws, keys, terms, start, s, root, s)
                _margins(w, roads, laws, keys, start, s, m, keys.score_of_root[root])
                _strike(w, marks, lives, roads, laws, keys, start, s, m)
            _hand_over(lives, marks, wanted, s, at, here)


@cache
def kernel() -> Callable[[Roads, Laws, Keys, np.ndarray, Wanted, int, int, int, int], None]:
    """`simulate_lives`, kept on disk between processes, and outside the interpreter's lock."""
    version = int(digest_of("vectormath", "fatetables", "fatekernel", "hazard")[:15], 16)

    # `version` is part of the key under which the compiled code is kept
    @njit(cache=True, nogil=True, error_model="numpy")
    def run(roads, laws, keys, terms, wanted, first, last, count, offset):  # type: ignore[no-untyped-def]
        if version:
            simulate_lives(roads, laws, keys, terms, wanted, first, last, count, offset)

    return run
