"""A calibration on a graphics processor: the density in JAX, all chains in step. Needs the optional extra `gpu`."""

from __future__ import annotations

import time
from collections.abc import Callable, Sequence
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass, replace
from functools import partial
from typing import Any, cast

import jax
import numpy as np
import xarray as xr

from .chains import Chain, Chains, acceptances
from .crew import Tell, Threads
from .density import LogDensity
from .errors import GraphicsError
from .frame import Values
from .jaxdensity import JaxDensity

__all__ = ["Graphics", "graphics"]


def graphics(threads: int) -> Graphics:
    """The first graphics processor that JAX finds.

    Raises
    ------
    GraphicsError
        If it finds none.
    """
    try:
        return Graphics(jax.devices("gpu")[0], Threads(threads))
    except RuntimeError as error:
        raise GraphicsError(
            f"JAX {jax.__version__} finds no graphics processor here, only {jax.devices()[0].platform}. Beside an "
            'NVIDIA one its own build is needed: pip install "jax[cuda12]". Without one leave out --device'
        ) from error


@dataclass(frozen=True)
class Graphics:
    """A crew (`crew.Crew`): threads of this machine, but for the chains of a calibration, which go to a device of JAX.

    Parameters
    ----------
    device : jax.Device
    threads : Threads
    """

    device: Any
    threads: Threads

    @property
    def notes(self) -> dict[str, str]:
        """What is noted beside a posterior: its draws are not those of another device, though they tell the same."""
        return {"device": str(self.device.device_kind)}

    def cut(self, count: int) -> list[slice]:
        """One piece a thread."""
        return self.threads.cut(count)

    def map[T, R](
        self, work: Callable[[T, Tell], R], items: Sequence[T], told: Callable[[int], None] | None = None
    ) -> list[R]:
        """Work every item (see `crew.Crew`)."""
        if not isinstance(work, Chains):
            return self.threads.map(work, items, told)
        together = self.threads.map(_Together(work, self.device), [cast(Sequence[int], items)], told)
        return cast(list[R], together[0])


@dataclass(frozen=True)
class _Evaluated:
    """A density on a device, at one point after the other: many at once take as long there, and compile anew."""

    density: JaxDensity
    device: Any

    @classmethod
    def on(cls, device: Any, density: LogDensity) -> _Evaluated:
        """Its constants lie on the device."""
        there = JaxDensity.of(density)
        return cls(replace(there, constants=jax.device_put(there.constants, device)), device)

    def __call__(self, x: np.ndarray) -> tuple[Values, np.ndarray]:
        """Log density (...) and gradient (..., element) at reals x (..., element)."""
        points = x.reshape(-1, x.shape[-1])
        found = [self.density.value_and_gradient(jax.device_put(point, self.device)) for point in points]
        values, slopes = (np.array([np.asarray(one[part]) for one in found]) for part in (0, 1))
        return values.reshape(x.shape[:-1])[()], slopes.reshape(x.shape)

    def by_section(self, x: np.ndarray) -> np.ndarray:
        """Log-likelihood of each section's records at reals x (element,), shape (section,)."""
        return np.asarray(self.density.by_section(jax.device_put(x, self.device)))


@dataclass(frozen=True)
class _Together:
    """All chains of a calibration as one piece of work."""

    chains: Chains
    device: Any

    def __call__(self, numbers: Sequence[int], tell: Tell) -> list[Chain]:
        """Run the chains, and those once more of which a draw diverged; the steps told are those of all together."""
        sampling = self.chains.sampling
        ready = self.chains.make(by=partial(_Evaluated.on, self.device))
        by_section = cast(_Evaluated, ready.plain).by_section
        with ThreadPoolExecutor(len(numbers)) as hands:
            hands.submit(by_section, ready.density.layout.centre)  # compiled while the chains run
            begun, found = time.perf_counter(), dict[int, tuple[np.ndarray, xr.Dataset]]()
            left = list(numbers)
            for again, accept in enumerate(acceptances(sampling.target_accept)):
                walk = self.chains.walked(
                    ready.evaluate, ready, left, again, accept, lambda done: tell(len(numbers) * done), whole=True
                )
                for i, number in enumerate(left):
                    stats = walk.statistics(i).assign(target_accept=("chain", [accept]))
                    found[number] = walk.draws[i : i + 1], stats
                left = [number for number, lost in zip(left, walk.diverging.any(axis=1), strict=True) if lost]
                if not left:
                    break
            seconds, steps = time.perf_counter() - begun, len(numbers) * (sampling.draws + sampling.tune)

            def chain(number: int) -> Chain:
                posterior, stats = ready.finished(number, *found[number])
                likelihood = ready.density.log_likelihood(posterior, lambda done: tell(steps), by_section)
                return Chain(posterior, stats, likelihood, ready.seconds, seconds)

            return list(hands.map(chain, numbers))
