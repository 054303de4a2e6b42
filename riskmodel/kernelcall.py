"""The compiled sum over cells, called from Python: what it is given, and the call.

`likelihood.section_log_likelihood` is the definition of the sum.
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from . import kernelpath, kernelroom
from .cells import CellData
from .hazard import WEIBULL
from .kernel import section_sums
from .kernelages import LAWS

__all__ = ["given_of", "run_kernel"]

KINDS = {"power_z": kernelpath.POWER_Z, "reverse_s": kernelpath.REVERSE_S, "power_y": kernelpath.POWER_Y}
Labels = tuple[np.ndarray, np.ndarray]
USED, SIDED = 6, 7  # places in what `given_of` returns
COLUMNS = 104  # of the kernel's rows: the 97 edges of the usual grid in whole cache lines


def given_of(
    data: CellData,
    layout: np.ndarray,
    width: int,
    states: np.ndarray,
    labels: Labels | None,
    *,
    lagged: bool,
    law: str = WEIBULL,
) -> tuple[np.ndarray, ...]:
    """Constants of the records as the kernel wants them: fields of `Given` but `open_age`, `kind` and `law`.

    Parameters
    ----------
    data : CellData
    layout : ndarray of int (root, 2)
        Slots and patterns in use of each root.
    width : int
        Slots of a root, padding included.
    states : ndarray of int (state,)
        Section of each state of wear-out, ascending.
    labels : tuple of ndarray, or None
        Mechanisms that apply, bool (section, mechanism), and root and slot of each mechanism, (mechanism, 2).
    lagged : bool
        Whether removal follows the failure by a lag.
    law : {"weibull", "lognormal"}
        Of the ages at failure.
    """
    condition, grid = data.condition, data.grid
    path = bool(data.used.any() or len(data.sided.section))
    constants = np.array([
        float(condition.to_z(condition.threshold)), condition.stretch,
        condition.highest - condition.threshold, float(lagged),
        KINDS[condition.path] if path else kernelpath.NO_PATH, grid.open_age, LAWS.index(law),
    ])  # fmt: skip
    named = _label_rows(data, len(layout), width, labels)
    spans = np.column_stack([data.span, _spans(data, states, lagged), named[0]]).astype(np.int64)
    facts = np.column_stack([data.lower, data.upper, data.in_service, data.removed, data.entry])
    rows = np.nonzero(data.used)
    used = np.column_stack([np.log(data.time[rows] / 10.0), data.z[rows]])
    log_age = np.log(np.maximum(data.sided.time, 1e-3) / 10.0)
    sided = np.column_stack([log_age, data.sided.limit, data.sided.side])
    return grid.edges, grid.ages, constants, layout.astype(np.int64), spans, facts, used, sided, named[1]


def _spans(data: CellData, states: np.ndarray, lagged: bool) -> np.ndarray:
    """Edges that late entry needs, then begin and end of readings, one-sided readings and states."""
    edges = np.minimum(data.grid.edges, data.grid.open_age)
    last = np.minimum(np.searchsorted(edges, data.entry, side="left"), data.grid.cells)
    columns = [np.where((data.entry > 0) & lagged, last, 0)]
    counts = (
        data.used.sum(axis=1).astype(int),
        np.bincount(data.sided.section, minlength=data.sections),
        np.bincount(states, minlength=data.sections),
    )
    for count in counts:
        end = np.cumsum(count)
        columns += [end - count, end]
    return np.column_stack(columns)


def _label_rows(data: CellData, roots: int, width: int, labels: Labels | None) -> tuple[np.ndarray, np.ndarray]:
    """Row of each section in the table of labels (-1: none), and the table."""
    at = np.full(data.sections, -1)
    if labels is None or not data.named.any():
        return at, np.zeros((0, kernelroom.MARKS))
    applies, place = labels
    rows = np.flatnonzero(data.named.any(axis=1))
    at[rows] = np.arange(len(rows))
    table = np.zeros((len(rows), kernelroom.MARKS + roots * width))
    named = data.named[rows]
    table[:, kernelroom.WEAR_NAMED] = named[:, -1]
    table[:, kernelroom.CHANCE] = named.sum(axis=1) / (applies[rows].sum(axis=1) + 1.0)
    table[:, kernelroom.MARKS + place[:, 0] * width + place[:, 1]] = named[:, :-1]
    return at, table


def run_kernel(
    parameters: Sequence[np.ndarray],
    share: np.ndarray,
    given: Sequence[np.ndarray],
    *,
    wanted: bool,
    offsets: Sequence[np.ndarray] | None = None,
) -> tuple[np.ndarray, list[np.ndarray]]:
    """Log-likelihood of every section and derivatives of their weighted total (zeros unless `wanted`).

    Parameters
    ----------
    parameters : sequence of ndarray
        Fields of `kernelroom.Parameters`.
    share : ndarray (section,)
        Weight of each section in the total.
    given : sequence of ndarray
        From `given_of`.
    offsets : sequence of ndarray, optional
        What each reading (reading,) and each one-sided one is read too high, on the z scale; the derivatives to both
        come last.
    """
    given, rated = list(given), offsets is not None
    for n, offset in zip((USED, SIDED), offsets or (), strict=False):
        given[n] = given[n] - offset[:, None] * np.eye(given[n].shape[1])[1]
    doubles = [np.ascontiguousarray(a, float) for a in (*parameters, share)]
    sums, bars = np.empty(len(share)), [np.zeros(a.shape) for a in doubles[:-1]]
    readings = [np.zeros(len(given[n]) * rated) for n in (USED, SIDED)]
    arrays = [*doubles, *given, sums, *bars, *readings]
    addresses = np.array([a.ctypes.data for a in arrays], np.int64)
    moments, median, _, speed, log_median, weight, *_ = doubles
    counts = [len(share), len(given[1]), len(moments), speed.shape[1], median.shape[1], len(log_median), len(weight)]
    sizes = np.array([*counts, *(len(a) for a in given[6:9]), int(wanted), int(rated)], np.int64)
    section_sums(_columns(len(given[0])))(addresses.ctypes.data, sizes.ctypes.data)
    return sums, [*bars, *(-bar for bar in readings if rated)]


def _columns(edges: int) -> int:
    """Length of the kernel's rows for a grid: few lengths, since the kernel is compiled for each."""
    columns = COLUMNS
    while columns < edges:
        columns *= 2
    return columns
