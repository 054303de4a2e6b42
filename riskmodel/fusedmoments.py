"""Moments of susceptibility as one operation of the sampler's graph, with its derivative."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from typing import Any

import numpy as np
import pytensor.tensor as pt
from pytensor.gradient import disconnected_type
from pytensor.graph.basic import Apply
from pytensor.graph.op import Op
from pytensor.link.numba.dispatch.basic import numba_njit, register_funcify_default_op_cache_key

from .fused import VERSION
from .kernelmoments import add_moments, moments_back

__all__ = ["SubsetMoments"]

Tensor = Any


class SubsetMoments(Op):
    """(-1)^|A| weight E[prod over A of expit(centre - spread x)], added up over the rows of each place.

    Inputs: centre and spread (row, slot), weight (row,); constants: where susceptibility applies
    (row, slot), place (row,), values of the score and their probabilities (node,).

    Parameters
    ----------
    places : int
        Number of places. Output: (place, subset).
    """

    __props__ = ("places",)

    def __init__(self, places: int) -> None:
        self.places = places

    def make_node(self, *inputs: Tensor) -> Apply:
        """Inputs as the class says."""
        inputs = tuple(pt.as_tensor(x) for x in inputs)
        return Apply(self, inputs, [pt.matrix(shape=(self.places, 1 << inputs[0].type.shape[1]))])

    def perform(self, node: Apply, inputs: Sequence[np.ndarray], outputs: list[list[Any]]) -> None:
        """Value, outside the compiled back end."""
        out = np.zeros((self.places, 1 << inputs[0].shape[1]))
        add_moments(*(np.ascontiguousarray(a) for a in inputs), out)
        outputs[0][0] = out

    def infer_shape(self, node: Apply, shapes: list[Any]) -> list[Any]:
        """Known beforehand."""
        return [tuple(node.outputs[0].type.shape)]

    def connection_pattern(self, node: Apply) -> list[list[bool]]:
        """The constants have no derivative."""
        return [[n < 3] for n in range(len(node.inputs))]

    def pullback(self, inputs: Sequence[Tensor], outputs: Sequence[Tensor], cotangents: Sequence[Tensor]) -> list[Any]:
        """Derivatives by the compiled reverse pass."""
        back = SubsetMomentsBack().make_node(*inputs, cotangents[0])
        return [*back.outputs, *(disconnected_type() for _ in inputs[3:])]


class SubsetMomentsBack(Op):
    """Derivatives of `SubsetMoments`; its inputs, then the derivative to its output."""

    __props__ = ()

    def make_node(self, *inputs: Tensor) -> Apply:
        """Inputs as the class says."""
        inputs = tuple(pt.as_tensor(x) for x in inputs)
        return Apply(self, inputs, [x.type() for x in inputs[:3]])

    def perform(self, node: Apply, inputs: Sequence[np.ndarray], outputs: list[list[Any]]) -> None:
        """Derivatives, outside the compiled back end."""
        bars = [np.zeros(a.shape) for a in inputs[:3]]
        moments_back(*(np.ascontiguousarray(a) for a in inputs), *bars)
        for place, bar in zip(outputs, bars, strict=True):
            place[0] = bar

    def infer_shape(self, node: Apply, shapes: list[Any]) -> list[Any]:
        """Shapes of the first three inputs."""
        return list(shapes[:3])


@register_funcify_default_op_cache_key(SubsetMoments)
def _compiled(op: SubsetMoments, node: Apply, **_: Any) -> tuple[Callable[..., Any], int]:
    places = op.places

    @numba_njit
    def subset_moments(centre: Any, spread: Any, weight: Any, applies: Any, place: Any, nodes: Any, share: Any) -> Any:
        total = np.zeros((places, 1 << centre.shape[1]))
        add_moments(
            np.ascontiguousarray(centre), np.ascontiguousarray(spread), np.ascontiguousarray(weight), applies, place,
            nodes, share, total,
        )  # fmt: skip
        return total

    return subset_moments, VERSION


@register_funcify_default_op_cache_key(SubsetMomentsBack)
def _compiled_back(op: Op, node: Apply, **_: Any) -> tuple[Callable[..., Any], int]:
    @numba_njit
    def subset_moments_back(
        centre: Any, spread: Any, weight: Any, applies: Any, place: Any, nodes: Any, share: Any, bar: Any
    ) -> Any:
        centre_bar, spread_bar, weight_bar = np.zeros(centre.shape), np.zeros(spread.shape), np.zeros(weight.shape)
        moments_back(
            np.ascontiguousarray(centre), np.ascontiguousarray(spread), np.ascontiguousarray(weight), applies, place,
            nodes, share, np.ascontiguousarray(bar), centre_bar, spread_bar, weight_bar,
        )  # fmt: skip
        return centre_bar, spread_bar, weight_bar

    return subset_moments_back, VERSION
