"""The sampler's chains, and every section's likelihood at given draws, as pieces of work for a crew.

A chain has a seed of its own and runs alone, so that it is the same wherever it runs and whatever runs beside it.
"""

from __future__ import annotations

import threading
import time
from dataclasses import dataclass
from functools import partial
from typing import TYPE_CHECKING, Any

import numpy as np
import xarray as xr

from .crew import Once, Tell
from .streams import integer_seed

if TYPE_CHECKING:
    from .calibrate import Sampling
    from .model import LifeSettings
    from .priors import PriorSet
    from .records import Records

__all__ = ["Chain", "Chains", "LikelihoodAt", "Model", "SectionLikelihood", "starting_points"]

POLL_SECONDS = 0.5
Model = Any
"""A PyMC model: the library publishes no types."""


@dataclass(frozen=True)
class Chain:
    """What one chain gives.

    Parameters
    ----------
    posterior, stats : Dataset (chain, draw, ...)
        Of one chain.
    likelihood : Dataset (chain, draw, section)
        Log-likelihood of every section's records at these draws.
    compiling, sampling : float
        Seconds.
    """

    posterior: xr.Dataset
    stats: xr.Dataset
    likelihood: xr.Dataset
    compiling: float
    sampling: float


class Chains:
    """The chains of a calibration, to be run one by one.

    Parameters
    ----------
    records : Records
    priors : PriorSet
    settings : LifeSettings or None
    sampling : Sampling
    start : Dataset (chain, draw, ...) or None
        Draws of an earlier fit; each chain starts at one of them.
    """

    def __init__(
        self,
        records: Records,
        priors: PriorSet,
        settings: LifeSettings | None,
        sampling: Sampling,
        start: xr.Dataset | None,
    ):
        self.sampling = sampling
        self.ready = Once(partial(_Ready, records, priors, settings, start))

    def __call__(self, number: int, tell: Tell) -> Chain:
        """Run a chain; its draws are its steps."""
        ready, steps = self.ready(), self.sampling.draws + self.sampling.tune
        begun = time.perf_counter()
        tree = self._sampled(ready, number, tell)
        sampling = time.perf_counter() - begun
        posterior, stats = (tree[name].to_dataset().assign_coords(chain=[number]) for name in _GROUPS)
        stats = stats.drop_vars("divergence_message", errors="ignore")
        likelihood = ready.likelihood()(posterior, lambda done: tell(steps))
        return Chain(posterior, stats, likelihood, ready.seconds, sampling)

    def _sampled(self, ready: _Ready, number: int, tell: Tell) -> xr.DataTree:
        """Run nutpie in the background, so that an interrupt stops it at once."""
        import nutpie

        sampling, done = self.sampling, [0]

        def report(chains: list[Any]) -> None:
            done[0] = sum(chain.finished_draws for chain in chains)

        handle = nutpie.sample(
            ready.compiled,
            draws=sampling.draws,
            tune=sampling.tune,
            chains=1,
            cores=1,
            seed=integer_seed(sampling.seed, "sampler", f"chain {number}"),
            target_accept=sampling.target_accept,
            save_warmup=False,
            progress_bar=False,
            progress_callback=report,
            blocking=False,
        )
        try:
            while True:
                try:
                    return handle.wait(timeout=POLL_SECONDS)
                except TimeoutError:
                    tell(done[0])
        except BaseException:
            handle.cancel()
            raise


_GROUPS = ("posterior", "sample_stats")


class _Ready:
    """The compiled model of one process."""

    def __init__(self, records: Records, priors: PriorSet, settings: LifeSettings | None, start: xr.Dataset | None):
        import nutpie

        from .model import build_model

        begun = time.perf_counter()
        model = build_model(records, priors, settings=settings)
        # the library would move a given point by up to 1 in every transformed parameter, off the draw it was
        warm: dict[str, Any] = (
            {} if start is None else {"initial_points": starting_points(model, start), "jitter_rvs": set()}
        )
        self.compiled = nutpie.compile_pymc_model(model, **warm)
        self.likelihood = Once(partial(SectionLikelihood, model))
        self.seconds = time.perf_counter() - begun


def starting_points(model: Model, draws: xr.Dataset) -> dict[str, Any]:
    """A draw of an earlier fit for every variable that it holds, the same draw for all, another one a chain.

    Symbolic, so that the seed of each chain picks its draw. New levels of a group start at a draw of their prior.
    """
    import pytensor.tensor as pt

    rng = np.random.default_rng(integer_seed(draws.sizes["draw"], "starting points"))
    count = draws.sizes["chain"] * draws.sizes["draw"]
    picked = pt.random.integers(0, count, rng=pt.random.shared_rng(seed=0), return_next_rng=True)[1]
    points: dict[str, Any] = {}
    for variable in model.free_RVs:
        name = str(variable.name)
        if name not in draws:
            continue
        earlier = draws[name].transpose("chain", "draw", ...)
        for dim in earlier.dims[2:]:
            if str(dim) in model.coords and dim in earlier.coords:
                earlier = earlier.reindex({dim: list(model.coords[str(dim)])})
        values = np.where(np.isnan(earlier.values), rng.standard_normal(earlier.shape), earlier.values)
        if values.shape[2:] == tuple(variable.shape.eval()):
            points[name] = pt.as_tensor(values.reshape(count, *values.shape[2:]))[picked]
    return points


class SectionLikelihood:
    """Log-likelihood of every section's records, compiled.

    Parameters
    ----------
    model : Model
    """

    def __init__(self, model: Model):
        import pytensor

        self.names = [v.name for v in model.free_RVs]
        self.sections = list(model.coords["section"])
        self._evaluate = pytensor.function(model.free_RVs, model.riskmodel_per_section, on_unused_input="ignore")
        self._held = threading.Lock()  # the compiled function keeps its arguments in places of its own

    def __call__(self, posterior: xr.Dataset, tell: Tell | None = None) -> xr.Dataset:
        """Log-likelihood at every draw, Dataset (chain, draw, section)."""
        shape = (posterior.sizes["chain"], posterior.sizes["draw"])
        arrays = [posterior[name].values for name in self.names]
        out = np.empty((*shape, len(self.sections)))
        for done, (chain, draw) in enumerate(np.ndindex(shape), 1):
            with self._held:
                out[chain, draw] = self._evaluate(*(a[chain, draw] for a in arrays))
            if tell is not None:
                tell(done)
        return xr.Dataset(
            {"records": (("chain", "draw", "section"), out, {"units": "1"})}, coords={"section": self.sections}
        )


class LikelihoodAt:
    """Log-likelihood of every section's records at some draws.

    Parameters
    ----------
    *arguments, **settings
        Of `model.build_model`.
    """

    def __init__(self, *arguments: object, **settings: object):
        self.ready = Once(partial(_likelihood_of, arguments, settings))

    def __call__(self, draws: xr.Dataset, tell: Tell) -> xr.Dataset:
        """Log-likelihood, Dataset (chain, draw, section)."""
        return self.ready()(draws, tell)


def _likelihood_of(arguments: tuple[Any, ...], settings: dict[str, Any]) -> SectionLikelihood:
    from .model import build_model

    return SectionLikelihood(build_model(*arguments, **settings))
