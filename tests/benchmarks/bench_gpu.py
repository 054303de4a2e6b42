"""Time of a gradient in JAX: `python tests/benchmarks/bench_gpu.py SECTIONS [--chains 4] [--rounds 10]`.

The demo study's records, repeated. First 416 sections against the compiled density, then the size asked for:
seconds of compilation and milliseconds of value and gradient, of one chain and of several at once.
"""

import argparse
import sys
import time

import jax
import numpy as np
from bench_likelihood import study_of

from riskmodel.density import LogDensity
from riskmodel.jaxdensity import JaxDensity

CHECKED = 416


def density_of(sections: int) -> LogDensity:
    """The compiled density of a size."""
    records, priors, settings = study_of(sections)
    return LogDensity.of(records, priors, settings=settings)


def points(density: LogDensity, chains: int) -> np.ndarray:
    """Reals near the middle of the priors, (chain, element)."""
    noise = np.random.default_rng(1).standard_normal((chains, density.layout.size))
    return density.layout.centre + 0.2 * noise


def differences() -> tuple[float, float]:
    """Relative differences to the compiled density, of the value and of the gradient's largest element."""
    density = density_of(CHECKED)
    x = points(density, 1)[0]
    value, gradient = density.value_and_gradient(x)
    found, slopes = JaxDensity.of(density).value_and_gradient(x)
    apart = np.abs(np.asarray(slopes) - gradient).max() / np.abs(gradient).max()
    return abs(float(found) - value) / abs(value), float(apart)


def milliseconds(density: JaxDensity, x: np.ndarray, rounds: int) -> tuple[float, float, float]:
    """Seconds of the first call, then the least and the middle time of a call, ms."""
    at = jax.numpy.asarray(x)
    begun = time.perf_counter()
    jax.block_until_ready(density.value_and_gradient(at))
    first, spent = time.perf_counter() - begun, []
    for _ in range(rounds):
        begun = time.perf_counter()
        jax.block_until_ready(density.value_and_gradient(at))
        spent.append(1e3 * (time.perf_counter() - begun))
    return first, min(spent), float(np.median(spent))


def main() -> int:
    """Compare, then measure; 1 if the densities differ by more than 1e-9."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("sections", type=int)
    parser.add_argument("--chains", type=int, default=4)
    parser.add_argument("--rounds", type=int, default=10)
    asked = parser.parse_args()
    print(f"jax {jax.__version__} on {jax.devices()[0]}", flush=True)
    apart = differences()
    print(f"{CHECKED} sections: value apart {apart[0]:.1e}, gradient {apart[1]:.1e}", flush=True)
    begun = time.perf_counter()
    density = JaxDensity.of(density_of(asked.sections))
    for window in density.windows:
        print(f"  {len(window.sections):,} sections, cells {window.first} to {window.last}")
    print(f"{asked.sections:,} sections read in {time.perf_counter() - begun:.0f} s", flush=True)
    x = points(density.density, asked.chains)
    for name, at in (("1 chain", x[0]), (f"{asked.chains} chains", x)):
        first, least, middle = milliseconds(density, at, asked.rounds)
        print(f"{name}: compiled in {first:.1f} s; {least:.2f} ms a gradient, median {middle:.2f} ms", flush=True)
    return int(max(apart) > 1e-9)


if __name__ == "__main__":
    sys.exit(main())
