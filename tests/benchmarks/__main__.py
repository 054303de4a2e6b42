"""All benchmarks at small sizes: `python tests/benchmarks [--large]`.

Each prints its table and writes its JSON into the current folder. `--large` adds ten times the size to each, so that
growth shows, the plain graph, latent ages, and whole runs of the demo (twenty minutes).
"""

import subprocess
import sys
from pathlib import Path

HERE = Path(__file__).parent
SMALL = (
    ("bench_program.py",),
    ("bench_likelihood.py", "416"),
    ("bench_calibrate.py", "416", "--draws", "100", "--tune", "100"),
    ("bench_lives.py", "416", "--draws", "200"),
)
LARGE = (
    ("bench_program.py", "--run"),
    ("bench_likelihood.py", "416", "4160", "41600", "--plain"),
    ("bench_calibrate.py", "416", "4160", "--drawn", "--tune", "80", "--draws", "400", "--accept", "0.75", "--latent"),
    ("bench_lives.py", "416", "4160", "41600"),
)


def main(arguments: list[str]) -> int:
    """Run each in a process of its own; the status is the largest."""
    status = 0
    for name, *options in LARGE if "--large" in arguments else SMALL:
        print(f"== {name} {' '.join(options)}", flush=True)
        status = max(status, subprocess.run([sys.executable, str(HERE / name), *options], check=False).returncode)
    return status


if __name__ == "__main__":
    sys.exit(main(sys.argv[1:]))
