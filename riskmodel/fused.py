"""The compiled sum over cells as an operation of the sampler's graph.

`fused_log_likelihood` takes what `likelihood.section_log_likelihood` takes and gives the same numbers; the
derivatives come with the value in one pass, so that the graph keeps only the way from parameters to
moments, medians and powers.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from functools import cache
from typing import Any

import llvmlite.binding
import numba
import numpy as np
import pytensor
import pytensor.tensor as pt
from numba import literal_unroll, types
from pytensor.gradient import DisconnectedType, disconnected_type
from pytensor.graph.basic import Apply
from pytensor.graph.op import Op
from pytensor.link.numba.cache import CACHED_SRC_FUNCTIONS
from pytensor.link.numba.dispatch.basic import numba_njit, register_funcify_default_op_cache_key

from . import kernelpath, kernelroom
from .cells import CellData
from .kernel import ARRAYS, PARAMETERS, section_sums
from .likelihood import EarlyTerms, LabelTerms, PathTerms, WearTerms
from .vectormath import digest_of

__all__ = ["SectionSums", "WeightedTotal", "fused_log_likelihood", "given_of"]

Tensor = Any
GIVEN = tuple(
    f"records_{name}" for name in ("edges", "ages", "constants", "layout", "spans", "facts", "used", "sided", "named")
)
"""Names of what `given_of` returns."""
KINDS = {"power_z": kernelpath.POWER_Z, "reverse_s": kernelpath.REVERSE_S, "power_y": kernelpath.POWER_Y}


def fused_log_likelihood(
    data: CellData,
    early: EarlyTerms | None,
    wear: WearTerms,
    *,
    path: PathTerms | None,
    lag: Tensor | None,
    labels: LabelTerms | None,
    shared: bool = False,
) -> tuple[Tensor, Tensor]:
    """Log-likelihood of each section's records, and their sum.

    Parameters
    ----------
    data, early, wear, path, lag, labels
        As `likelihood.section_log_likelihood` takes them.
    shared : bool
        Whether the records are shared variables, named in `GIVEN`, that a compiled model can exchange.

    Returns
    -------
    per_section : tensor (section,)
        Without derivatives until a gradient is asked for: cheap to evaluate after sampling.
    total : tensor scalar
        The sum; one pass gives it with its gradient.
    """
    given = given_of(data, early, wear, labels, path=path is not None, lagged=lag is not None)
    constants = [pytensor.shared(a, name=n) if shared else pt.as_tensor(a) for n, a in zip(GIVEN, given, strict=True)]
    parameters = _parameters(data, early, wear, path, lag, labels)
    total, *_ = _outputs(WeightedTotal(), [*parameters, pt.as_tensor(np.ones(data.sections)), *constants])
    return SectionSums()(*parameters, *constants), total


def _outputs(operation: Op, inputs: Sequence[Tensor]) -> list[Tensor]:
    return operation.make_node(*inputs).outputs


def _parameters(
    data: CellData,
    early: EarlyTerms | None,
    wear: WearTerms,
    path: PathTerms | None,
    lag: Tensor | None,
    labels: LabelTerms | None,
) -> list[Tensor]:
    """The tensors of `Parameters`."""
    order = np.argsort(wear.section, kind="stable")
    log_median, weight = wear.log_median, np.zeros(0) if wear.weight is None else wear.weight
    if (np.diff(wear.section) < 0).any():
        log_median, weight = log_median[order], weight if wear.weight is None else weight[order]
    if early is None:
        tables = [np.zeros((0, data.sections, 1)), np.zeros((0, 1)), np.zeros((0, 1)), np.zeros((0, 1, 1))]
    else:
        tables = [early.moments, early.median, early.shape, early.speed]
    read = (
        (path.start, path.spread, path.noise, path.kappa_wear, path.kappa_early) if path else (0.0, 0.0, 1.0, 1.0, 1.0)
    )
    scalars = [wear.shape, *read, 1.0 if lag is None else lag, 0.0 if labels is None else labels.error]
    return [pt.as_tensor(t, dtype="float64") for t in (*tables, log_median, weight, pt.stack(scalars))]


# ------------------------------------------------------------------------------- constants


def given_of(
    data: CellData, early: EarlyTerms | None, wear: WearTerms, labels: LabelTerms | None, *, path: bool, lagged: bool
) -> tuple[np.ndarray, ...]:
    """Constants of the records as the kernel wants them: fields of `Given` but `open_age` and `kind`.

    Parameters
    ----------
    path : bool
        Whether readings count.
    lagged : bool
        Whether removal follows the failure by a lag.
    """
    condition, grid = data.condition, data.grid
    path = path and bool(data.used.any() or len(data.sided.section))
    constants = np.array([
        float(condition.to_z(condition.threshold)), condition.stretch,
        condition.highest - condition.threshold, float(lagged),
        KINDS[condition.path] if path else kernelpath.NO_PATH, grid.open_age,
    ])  # fmt: skip
    named = _label_rows(data, early, labels)
    spans = np.column_stack([data.span, _spans(data, wear, lagged), named[0]]).astype(np.int64)
    facts = np.column_stack([data.lower, data.upper, data.in_service, data.removed, data.entry])
    rows = np.nonzero(data.used)
    used = np.column_stack([np.log(data.time[rows] / 10.0), data.z[rows]])
    log_age = np.log(np.maximum(data.sided.time, 1e-3) / 10.0)
    sided = np.column_stack([log_age, data.sided.limit, data.sided.side])
    return grid.edges, grid.ages, constants, _layout(early), spans, facts, used, sided, named[1]


def _layout(early: EarlyTerms | None) -> np.ndarray:
    """Slots and patterns in use of each root, int (root, 2)."""
    if early is None:
        return np.zeros((0, 2), np.int64)
    if early.in_use is not None:
        return np.asarray(early.in_use, np.int64)
    return np.tile([early.slots, early.speed.type.shape[1]], (early.roots, 1)).astype(np.int64)


def _spans(data: CellData, wear: WearTerms, lagged: bool) -> np.ndarray:
    """Edges that late entry needs, then begin and end of readings, one-sided readings and states."""
    edges = np.minimum(data.grid.edges, data.grid.open_age)
    last = np.minimum(np.searchsorted(edges, data.entry, side="left"), data.grid.cells)
    columns = [np.where((data.entry > 0) & lagged, last, 0)]
    counts = (
        data.used.sum(axis=1).astype(int),
        np.bincount(data.sided.section, minlength=data.sections),
        np.bincount(wear.section, minlength=data.sections),
    )
    for count in counts:
        end = np.cumsum(count)
        columns += [end - count, end]
    return np.column_stack(columns)


def _label_rows(data: CellData, early: EarlyTerms | None, labels: LabelTerms | None) -> tuple[np.ndarray, np.ndarray]:
    """Row of each section in the table of labels (-1: none), and the table."""
    at = np.full(data.sections, -1)
    if labels is None or early is None or not data.named.any():
        return at, np.zeros((0, kernelroom.MARKS))
    rows = np.flatnonzero(data.named.any(axis=1))
    at[rows] = np.arange(len(rows))
    table = np.zeros((len(rows), kernelroom.MARKS + early.roots * early.slots))
    named = data.named[rows]
    table[:, kernelroom.WEAR_NAMED] = named[:, -1]
    table[:, kernelroom.CHANCE] = named.sum(axis=1) / (labels.applies[rows].sum(axis=1) + 1.0)
    table[:, kernelroom.MARKS + labels.place[:, 0] * early.slots + labels.place[:, 1]] = named[:, :-1]
    return at, table


# ------------------------------------------------------------------------------ operations


class SectionSums(Op):
    """Log-likelihood of every section, without derivatives."""

    __props__ = ()

    def make_node(self, *inputs: Tensor) -> Apply:
        """Inputs: tensors of `Parameters`, then constants of `given_of`."""
        inputs = tuple(pt.as_tensor(x) for x in inputs)
        return Apply(self, inputs, [pt.vector(shape=(inputs[0].type.shape[1],))])

    def perform(self, node: Apply, inputs: Sequence[np.ndarray], outputs: list[list[Any]]) -> None:
        """Value, outside the compiled back end."""
        given = inputs[PARAMETERS:]
        outputs[0][0], _ = run_kernel(inputs[:PARAMETERS], np.ones(len(given[4])), given, wanted=False)

    def infer_shape(self, node: Apply, shapes: list[Any]) -> list[Any]:
        """One value a section."""
        return [(shapes[0][1],)]

    def connection_pattern(self, node: Apply) -> list[list[bool]]:
        """The constants have no derivative."""
        return [[n < PARAMETERS] for n in range(len(node.inputs))]

    def pullback(self, inputs: Sequence[Tensor], outputs: Sequence[Tensor], cotangents: Sequence[Tensor]) -> list[Any]:
        """Derivatives of the total weighted by the cotangent."""
        parameters, constants = inputs[:PARAMETERS], inputs[PARAMETERS:]
        _, *bars = _outputs(WeightedTotal(), [*parameters, cotangents[0], *constants])
        return [*bars, *(disconnected_type() for _ in constants)]


class WeightedTotal(Op):
    """Weighted sum of the sections' log-likelihoods, and its derivative to every parameter."""

    __props__ = ()

    def make_node(self, *inputs: Tensor) -> Apply:
        """Inputs: tensors of `Parameters`, weight of each section, constants of `given_of`."""
        inputs = tuple(pt.as_tensor(x) for x in inputs)
        return Apply(self, inputs, [pt.scalar(), *(x.type() for x in inputs[:PARAMETERS])])

    def perform(self, node: Apply, inputs: Sequence[np.ndarray], outputs: list[list[Any]]) -> None:
        """Value and derivatives, outside the compiled back end."""
        parameters, share, given = inputs[:PARAMETERS], inputs[PARAMETERS], inputs[PARAMETERS + 1 :]
        sums, bars = run_kernel(parameters, share, given, wanted=True)
        for place, value in zip(outputs, (np.asarray(share @ sums), *bars), strict=True):
            place[0] = value

    def infer_shape(self, node: Apply, shapes: list[Any]) -> list[Any]:
        """A scalar and the shapes of the parameters."""
        return [(), *shapes[:PARAMETERS]]

    def connection_pattern(self, node: Apply) -> list[list[bool]]:
        """The constants have no derivative."""
        return [[n <= PARAMETERS] * len(node.outputs) for n in range(len(node.inputs))]

    def pullback(self, inputs: Sequence[Tensor], outputs: Sequence[Tensor], cotangents: Sequence[Tensor]) -> list[Any]:
        """Each derivative times the cotangent of the total."""
        if any(not isinstance(c.type, DisconnectedType) for c in cotangents[1:]):
            raise NotImplementedError("the compiled likelihood has no second derivatives; build the plain graph")
        parameters, constants = inputs[:PARAMETERS], inputs[PARAMETERS + 1 :]
        by_section = SectionSums()(*parameters, *constants)
        bars = [cotangents[0] * bar for bar in outputs[1:]]
        return [*bars, cotangents[0] * by_section, *(disconnected_type() for _ in constants)]


# ------------------------------------------------------------------- calls of the kernel


@cache
def _digest() -> str:
    """Digest of the sources that the compiled code is made of."""
    return digest_of(
        "cells", "hazard", "vectormath", "kernellife", "kernelpath", "kernelroom", "kernelterms", "kernel",
        "kernelmoments", "fused", "fusedmoments",
    )  # fmt: skip


SYMBOL = f"riskmodel_section_sums_{_digest()[:16]}"


@cache
def kernel() -> Any:
    """The compiled kernel, kept on disk between processes; other compiled code calls it by its symbol.

    Called by symbol it is compiled once; as an ordinary compiled function it would be optimised anew in
    every function that contains it, the sampler's among them.
    """
    CACHED_SRC_FUNCTIONS[section_sums] = SYMBOL
    signature: Any = types.void(types.int64, types.int64)
    compiled = numba.cfunc(signature, cache=True, error_model="numpy")(section_sums)
    llvmlite.binding.add_symbol(SYMBOL, compiled.address)
    return compiled


VERSION = int(_digest()[:12], 16)
call_kernel: Any = types.ExternalFunction(SYMBOL, types.void(types.int64, types.int64))


@numba_njit
def _call(parameters: Any, share: Any, given: Any, wanted: bool) -> Any:
    """Sums of all sections, their weighted total and its derivatives (zeros unless `wanted`)."""
    moments, median, shape, speed, log_median, weight, scalars = parameters
    sums = np.empty(share.shape[0])
    bars = (
        np.zeros(moments.shape if wanted else (0, 0, 0)), np.zeros(median.shape), np.zeros(shape.shape),
        np.zeros(speed.shape), np.zeros(log_median.shape), np.zeros(weight.shape), np.zeros(scalars.shape),
    )  # fmt: skip
    arrays = (*parameters, share, *given, sums, *bars)
    addresses = np.empty(ARRAYS, np.int64)
    n = 0
    for array in literal_unroll(arrays):
        addresses[n] = array.ctypes.data
        n += 1  # noqa: SIM113 - unrolled, so no enumerate
    sizes = np.array([
        share.shape[0], given[1].shape[0], moments.shape[0], speed.shape[1], median.shape[1], log_median.shape[0],
        weight.shape[0], given[6].shape[0], given[7].shape[0], given[8].shape[0], int(wanted),
    ])  # fmt: skip
    call_kernel(addresses.ctypes.data, sizes.ctypes.data)
    alive = addresses.size + sizes.size  # the arrays behind the addresses live until they are counted here
    for array in literal_unroll(arrays):
        alive += array.size
    total = 0.0 if alive else np.nan
    for i in range(sums.shape[0]):
        total += share[i] * sums[i]
    return sums, total, bars


@numba_njit
def _contiguous(a: Any) -> Any:
    """The tensors of `Parameters` as the kernel reads them."""
    return (
        np.ascontiguousarray(a[0]), np.ascontiguousarray(a[1]), np.ascontiguousarray(a[2]), np.ascontiguousarray(a[3]),
        np.ascontiguousarray(a[4]), np.ascontiguousarray(a[5]), np.ascontiguousarray(a[6]),
    )  # fmt: skip


@register_funcify_default_op_cache_key(SectionSums)
def _compiled_sums(op: Op, node: Apply, **_: Any) -> tuple[Callable[..., Any], int]:
    kernel()

    @numba_njit
    def section_sums_of(*arrays: Any) -> Any:
        given = arrays[7:]
        return _call(_contiguous(arrays), np.ones(given[4].shape[0]), given, False)[0]

    return section_sums_of, VERSION


@register_funcify_default_op_cache_key(WeightedTotal)
def _compiled_total(op: Op, node: Apply, **_: Any) -> tuple[Callable[..., Any], int]:
    kernel()

    @numba_njit
    def weighted_total(*arrays: Any) -> Any:
        _, value, bars = _call(_contiguous(arrays), np.ascontiguousarray(arrays[7]), arrays[8:], True)
        return np.asarray(value), bars[0], bars[1], bars[2], bars[3], bars[4], bars[5], bars[6]

    return weighted_total, VERSION


def run_kernel(
    parameters: Sequence[np.ndarray], share: np.ndarray, given: Sequence[np.ndarray], *, wanted: bool
) -> tuple[np.ndarray, list[np.ndarray]]:
    """Sums of all sections and derivatives of their weighted total (zeros unless `wanted`), from Python."""
    doubles = [np.ascontiguousarray(a, float) for a in (*parameters, share)]
    sums, bars = np.empty(len(share)), [np.zeros(a.shape) for a in doubles[:-1]]
    arrays = [*doubles, *given, sums, *bars]
    addresses = np.array([a.ctypes.data for a in arrays], np.int64)
    moments, median, _, speed, log_median, weight, *_ = doubles
    counts = [len(share), len(given[1]), len(moments), speed.shape[1], median.shape[1], len(log_median), len(weight)]
    sizes = np.array([*counts, *(len(a) for a in given[6:9]), int(wanted)], np.int64)
    kernel().ctypes(addresses.ctypes.data, sizes.ctypes.data)
    return sums, bars
