"""The program from outside: `python tests/benchmarks/bench_program.py [--run]`.

Wall and processor seconds and peak memory of `import riskmodel`, `--help` and `check` on the demo, each in a process
of its own, the best of three. `--run` runs the demo in a copy of its folder: whole, with nothing compiled and then
with everything, after nothing changed, and after one number of the priors did; and a network of ten times as many
sections whose truth is drawn from the priors (six minutes). Prints a table and writes `bench_program.json`.
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

import numpy as np

TOP = Path(__file__).resolve().parents[2]
DEMO, TENFOLD = TOP / "studies" / "skelderay", 4160
SAMPLING = "[sampling]\ntune = 80\ndraws = 400\ntarget_accept = 0.75\n"
CHANGED = """
[priors.override.wear_out.shape]
quantiles = { p05 = 2.7, p50 = 3.7, p95 = 5.1 }
family = "lognormal"
unit = "dimensionless"
status = "judgement"
source = "invented"
"""


def timed(command: list[str], times: int = 1, **settings: str) -> dict[str, float]:
    """Smallest wall and processor seconds of a command, and its peak memory (the largest of all so far), MB."""
    environment = {**os.environ, "PYTHONPATH": str(TOP), "OMP_NUM_THREADS": "1", **settings}
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
    """The demo whole, and again with one prior changed; and a larger network."""
    found = {}
    with tempfile.TemporaryDirectory() as folder:
        study = Path(folder) / DEMO.name
        shutil.copytree(DEMO, study, ignore=shutil.ignore_patterns("results"))
        run, compiled = ["-m", "riskmodel", "run", str(study)], {"NUMBA_CACHE_DIR": str(Path(folder) / "compiled")}
        found["run, nothing compiled"] = timed(run, **compiled)
        shutil.rmtree(study / "results")
        found["run, whole"] = timed(run, **compiled)
        found["run, nothing changed"] = timed(run, **compiled)
        with (study / "study.toml").open("a") as file:
            file.write(CHANGED)
        found["run, a prior changed"] = timed(run, **compiled)
        network = Path(folder) / "network"
        network.mkdir()
        write_network(network)
        found[f"run, {TENFOLD:,} sections"] = timed(["-m", "riskmodel", "run", str(network)], **compiled)
    return found


def write_network(folder: Path) -> None:
    """A study of records whose truth is drawn from the priors."""
    sys.path.insert(0, str(TOP / "tests"))
    from register import Register, roads_of, write_records
    from wholeruns import STUDY, the_priors, truth

    from riskmodel.condition import Condition

    roads = roads_of(the_priors(), 1, TENFOLD)
    write_records(folder, Register(the_priors(), truth(1, roads), np.random.default_rng(1), Condition(), roads))
    (folder / "study.toml").write_text(STUDY + SAMPLING, encoding="utf-8")


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
