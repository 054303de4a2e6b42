"""What a section costs where a crew simulates its programme: `python tests/benchmarks/bench_cluster.py 5000 20000`.

Processor seconds of one piece of work, at two numbers of draws: what a section costs once a piece, and what it
costs each draw; memory of the process; what travels to a worker and back.
"""

from __future__ import annotations

import os

os.environ.setdefault("OMP_NUM_THREADS", "1")

import argparse
import pickle
import resource
import time

from bench_lives import case_of

from riskmodel.simulate import ProgrammeSums

FEW, MORE = 2, 8


def measure(sections: int) -> dict[str, float]:
    """Figures of one size of programme."""
    _, draws, programme, priors, portfolios = case_of(sections, MORE)
    work = ProgrammeSums(programme, priors, tuple(portfolios), 10.0, 60.0, 1, 7, None, False, 1024)
    seconds = {}
    for count in (FEW, FEW, MORE):  # the first one loads compiled code
        begun = time.process_time()
        found = work(draws.part(slice(0, count)), lambda done: None)
        seconds[count] = time.process_time() - begun
    draw = (seconds[MORE] - seconds[FEW]) / (MORE - FEW)
    return {
        "microseconds a section and draw": 1e6 * draw / sections,
        "microseconds a section once a piece": 1e6 * (seconds[FEW] - FEW * draw) / sections,
        "memory, MB": resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024,
        "work sent, bytes a section": len(pickle.dumps(work)) / sections,
        "draws sent, kB a draw": len(pickle.dumps(draws)) / MORE / 1000,
        "sums returned, kB a draw": len(pickle.dumps(found)) / MORE / 1000,
    }


def main() -> None:
    """Print the figures of every size asked for."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("sections", type=int, nargs="+")
    for sections in parser.parse_args().sections:
        for name, value in measure(sections).items():
            print(f"{sections:>9,} sections  {name:<38}{value:12.4g}")


if __name__ == "__main__":
    main()
