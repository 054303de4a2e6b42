"""One million sawing windows in bounded memory: run `python tests/benchmarks/bench_sawing.py [samples]`.

Ends with status 1 if a million would take 60 s or more, or if the march needs more than 256 MB
beyond its inputs and results.
"""

import resource
import sys
import time

import numpy as np

from riskmodel.physics.hydration import Binder, hydration_of
from riskmodel.physics.sawing import SawingCase, sawing_window
from riskmodel.physics.weather import Day

LIMIT_S = 60.0
LIMIT_MB = 256.0


def case_of(samples: int) -> SawingCase:
    """Every input uncertain (invented spreads)."""
    rng = np.random.default_rng(20_310_714)

    def between(low: float, high: float) -> np.ndarray:
        return rng.uniform(low, high, samples)

    weather = Day(
        mean=between(8, 32), half_swing=between(4, 11), wind_speed=between(0, 8), humidity=between(0.3, 0.8),
        noon_sun=between(200, 900),
    )  # fmt: skip
    return SawingCase(
        mix=hydration_of(Binder(blaine=between(320, 420)), between(0.36, 0.46)),
        cementitious=between(300, 390),
        strength_28=between(28, 42),
        thickness=between(0.1, 0.3),
        mix_temperature=between(12, 36),
        paving_clock=between(6, 18),
        weather=weather,
        friction=between(0.9, 3.0),
        expansion=between(8e-6, 12e-6),
        saw_strength=between(1, 7),
    )


def peak_mb() -> float:
    """Largest resident memory so far, MB (Linux counts KiB)."""
    return resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024


def main(samples: int) -> int:
    """Measure, print, judge."""
    case = case_of(samples)
    before = peak_mb()
    start = time.perf_counter()
    window = sawing_window(case, workers=2)
    seconds = time.perf_counter() - start
    results = 5.1 * 8 * samples * 2 / 1e6  # parts and their concatenation
    grown = peak_mb() - before - results
    print(f"{samples:,} samples: {seconds:.1f} s, {seconds / samples * 1e6:.1f} s a million")
    print(f"memory beyond inputs and results: {grown:.0f} MB; share with a window {window.has_window.mean():.3f}")
    return int(seconds / samples * 1e6 >= LIMIT_S or grown > LIMIT_MB)


if __name__ == "__main__":
    sys.exit(main(int(sys.argv[1]) if len(sys.argv) > 1 else 1_000_000))
