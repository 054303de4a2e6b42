"""Time and memory of reading 10,000 sections with 100,000 readings.

Run: `python tests/benchmarks/records_time.py`. Invented data; the time includes every check.
"""

from __future__ import annotations

import csv
import tempfile
import time
from datetime import date, timedelta
from pathlib import Path

import numpy as np

from riskmodel.records import Vocabulary, census_text, read_records

SECTIONS, VISITS = 10_000, 10
MEASURES = ("pre_survey", "separation_fabric", "prompt_sawing", "internal_curing")
INDICATORS = {"air": (0.0, 15.0, "number"), "w_cm": (0.2, 0.8, "number"), "drained": (0.0, 1.0, "yes_no")}


def write_tables(folder: Path) -> tuple[Path, Path]:
    """Two tables without faults."""
    rng = np.random.default_rng(7)
    paths = folder / "sections.csv", folder / "surveys.csv"
    with paths[0].open("w", newline="") as sections, paths[1].open("w", newline="") as surveys:
        built, seen = csv.writer(sections), csv.writer(surveys)
        built.writerow(["section", "opened", "bond", "base", "thickness_in", "trucks_per_day", "contractor"])
        seen.writerow(["section", "surveyed", "pci", "restored"])
        for i in range(SECTIONS):
            opened = date(1990, 1, 1) + timedelta(days=int(rng.integers(9000)))
            thickness, trucks = f"{rng.normal(6, 0.5):.2f}", f"{rng.lognormal(6.5, 0.8):.0f}"
            built.writerow([f"S{i}", opened, "bonded", "asphalt", thickness, trucks, f"C{i % 40}"])
            for visit in range(VISITS):
                age = 365 * (visit + 1) + int(rng.integers(300))
                index = np.clip(95 - 1.5 * age / 365 + rng.normal(0, 4), 0, 100)
                seen.writerow([f"S{i}", opened + timedelta(days=age), f"{index:.1f}", 0])
    return paths


def main() -> None:
    """Write, read, report."""
    vocabulary = Vocabulary(("faulting", "random_cracking"), MEASURES, INDICATORS, types_required=True)
    with tempfile.TemporaryDirectory() as folder:
        sections, surveys = write_tables(Path(folder))
        start = time.perf_counter()
        records = read_records(sections, surveys, vocabulary=vocabulary, until=date(2025, 12, 31))
        seconds = time.perf_counter() - start
    print(census_text(records))
    print(f"read in {seconds:.2f} s")


if __name__ == "__main__":
    main()
