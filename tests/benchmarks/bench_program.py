"""The program from outside: `python tests/benchmarks/bench_program.py [--run]`.

Wall and processor seconds and peak memory of `import riskmodel`, `--help` and `check` on the demo, each in a process
of its own, the best of three. `--run` runs the demo in a copy of its folder twice: whole, and after one number of
the priors changed (several minutes). Prints a table and writes `bench_program.json`.
"""

import json
import os
import resource
import shutil
import subprocess
import sys
import tempfile
import time
from pathlib import Path

TOP = Path(__file__).resolve().parents[2]
DEMO = TOP / "studies" / "skelderay"
CHANGED = """
[priors.override.wear_out.shape]
quantiles = { p05 = 2.7, p50 = 3.7, p95 = 5.1 }
family = "lognormal"
unit = "dimensionless"
status = "judgement"
source = "invented"
"""


def timed(command: list[str], times: int = 1) -> dict[str, float]:
    """Smallest wall and processor seconds of a command, and its peak memory (the largest of all so far), MB."""
    environment = {**os.environ, "PYTHONPATH": str(TOP), "OMP_NUM_THREADS": "1"}
    best = {"wall s": float("inf"), "processor s": float("inf")}
    for _ in range(times):
        wall, before = time.perf_counter(), resource.getrusage(resource.RUSAGE_CHILDREN)
        subprocess.run([sys.executable, *command], env=environment, capture_output=True, check=True)
        after = resource.getrusage(resource.RUSAGE_CHILDREN)
        spent = after.ru_utime + after.ru_stime - before.ru_utime - before.ru_stime
        best = {
            "wall s": min(best["wall s"], time.perf_counter() - wall),
            "processor s": min(best["processor s"], spent),
        }
    return best | {"peak MB": resource.getrusage(resource.RUSAGE_CHILDREN).ru_maxrss / 1024}


def whole_runs() -> dict[str, dict[str, float]]:
    """The demo whole, and again with one prior changed."""
    with tempfile.TemporaryDirectory() as folder:
        study = Path(folder) / DEMO.name
        shutil.copytree(DEMO, study, ignore=shutil.ignore_patterns("results"))
        first = timed(["-m", "riskmodel", "run", str(study)])
        with (study / "study.toml").open("a") as file:
            file.write(CHANGED)
        return {"run, whole": first, "run, a prior changed": timed(["-m", "riskmodel", "run", str(study)])}


def main(arguments: list[str]) -> int:
    """Measure and print."""
    found = {
        "import": timed(["-c", "import riskmodel"], 3),
        "--help": timed(["-m", "riskmodel", "--help"], 3),
        "check": timed(["-m", "riskmodel", "check", str(DEMO)], 3),
    }
    if "--run" in arguments:
        found |= whole_runs()
    for name, figures in found.items():
        print(f"{name}: " + "  ".join(f"{key}: {value:,.2f}" for key, value in figures.items()), flush=True)
    Path("bench_program.json").write_text(json.dumps(found, indent=1))
    return 0


if __name__ == "__main__":
    sys.exit(main(sys.argv[1:]))
