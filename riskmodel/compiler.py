"""Models compiled for the sampler, and one compiled model for the fits of many records of the same roads."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from typing import Any

import numpy as np

__all__ = ["Compile", "Compiler", "compile_model", "evaluator", "same_but_records"]

Compile = Callable[[Any, Mapping[str, Any] | None], Any]


def compile_model(model: Any, points: Mapping[str, Any] | None) -> Any:
    """The model compiled for the sampler, whose chains start at `points`, symbolic or not."""
    import nutpie

    # the library would move a given point by up to 1 in every transformed parameter, off the draw it was
    warm: dict[str, Any] = {} if points is None else {"initial_points": points, "jitter_rvs": set()}
    return nutpie.compile_pymc_model(model, **warm)


class Compiler:
    """Compiles models; of those that differ in what the records say of lives alone, only the first."""

    def __init__(self) -> None:
        self.model: Any = None
        self.compiled: Any = None
        self.evaluate: Any = None

    def __call__(self, model: Any, points: Mapping[str, Any] | None) -> Any:
        """The model compiled, or the first one with this one's records."""
        if points is not None or self.model is None or not same_but_records(self.model, model):
            self.model, self.compiled, self.evaluate = model, compile_model(model, points), evaluator(model)
        records = _records_of(model)
        for ours, new in zip(_records_of(self.model), records, strict=True):
            ours.set_value(new.get_value())
        return self.compiled.with_data(**{v.name: v.get_value() for v in records})


def _records_of(model: Any) -> list[Any]:
    """Shared variables of a model that hold records."""
    from pytensor.graph.traversal import graph_inputs

    from .fused import GIVEN

    found = {v.name: v for v in graph_inputs([model.riskmodel_per_section])}
    return [found[name] for name in GIVEN]


def same_but_records(one: Any, other: Any) -> bool:
    """Whether two models, built with `shared`, differ at most in what the records say of lives."""
    from pytensor.graph.basic import equal_computations

    inputs = [[*model.value_vars, *_records_of(model), *model.dim_lengths.values()] for model in (one, other)]
    return one.coords == other.coords and equal_computations([one.logp()], [other.logp()], *inputs)


def evaluator(model: Any) -> Callable[..., np.ndarray]:
    """Log-likelihood by section as a function of the free variables."""
    import pytensor

    return pytensor.function(model.free_RVs, model.riskmodel_per_section, on_unused_input="ignore")
