"""Value and gradient of the log-likelihood: `python tests/benchmarks/bench_likelihood.py [sections ...] [--plain]`.

The demo study's records, repeated to the sizes asked for (416, 4,160 and 41,600 by default), every size in a
process of its own. Prints a table and writes `bench_likelihood.json` beside the current folder's files. With
`--plain` the plain graph is compiled too (a minute or two). Seconds are processor time of one thread. Ends
with status 1 if the sum over cells and its gradient need more than 4 ms per 1,000 sections.
"""

import json
import os
import resource
import subprocess
import sys
import time
from pathlib import Path
from types import SimpleNamespace

os.environ.setdefault("OMP_NUM_THREADS", "1")

import numpy as np
import xarray as xr

TOP = Path(__file__).resolve().parents[2]
sys.path.insert(0, str(TOP))

LIMIT_MS = 4.0
SIZES = (416, 4_160, 41_600)


def study_of(sections: int):
    """Records, priors and settings of the demo, its sections repeated: contracts are new, contractors the same."""
    from riskmodel.lifesettings import LifeSettings
    from riskmodel.measures import in_play
    from riskmodel.priors import load_priors
    from riskmodel.records import Vocabulary, read_records
    from riskmodel.study import portfolios_of, read_study

    study = read_study(TOP / "studies" / "skelderay")
    stated = load_priors(study.priors, study.overrides)
    records = read_records(
        study.sections, study.surveys, vocabulary=Vocabulary.of(stated), condition=study.condition,
        columns=study.columns, until=study.until,
    )  # fmt: skip
    priors = in_play(stated, portfolios_of(study, stated), [records.sections])
    base = records.sections.sizes["section"]
    times = -(-sections // base)
    table = xr.concat([records.sections] * times, dim="section").isel(section=slice(sections))
    names = [f"{n} {name}" for n, name in enumerate(table["section"].values)]
    parts = [records.readings.assign(section_index=records.readings["section_index"] + n * base) for n in range(times)]
    readings = xr.concat(parts, dim="reading")
    readings = readings.isel(reading=readings["section_index"].values < sections)
    contracts = [f"{name} {n // base}" if name else "" for n, name in enumerate(table["project"].values.astype(str))]
    table = table.assign_coords(section=names).assign(project=("section", contracts))
    repeated = SimpleNamespace(sections=table, readings=readings, condition=records.condition)
    return repeated, priors, LifeSettings(**study.life)


def processor_seconds(run, *, at_least: float = 1.0) -> float:
    """Smallest processor time of one call."""
    run()
    spent, best = 0.0, np.inf
    while spent < at_least:
        start = time.process_time()
        run()
        best = min(best, time.process_time() - start)
        spent += time.process_time() - start
    return best


def peak_mb() -> float:
    """Largest resident memory so far, MB (Linux counts KiB)."""
    return resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024


def plain_function(model):
    """The definition compiled by the sampler's own back end, a starting point, and the seconds of its compilation."""
    import nutpie

    start = time.process_time()
    compiled = nutpie.compile_pymc_model(model)
    seconds = time.process_time() - start
    point, function = compiled.initial_point_func(1), compiled.logp_func
    shared = [v.get_value(borrow=True) for v in function.get_shared()]
    return lambda: function.vm.jit_fn(point, *shared), seconds


def measure(sections: int, *, plain: bool) -> dict[str, float]:
    """Figures of one size."""
    from riskmodel.density import LogDensity, point_of
    from riskmodel.kernelcall import run_kernel

    records, priors, settings = study_of(sections)
    begun = time.process_time()
    density = LogDensity.of(records, priors, settings=settings)
    x = density.layout.centre
    density.value_and_gradient(x)
    out = {"sections": sections, "first evaluation s": time.process_time() - begun}
    before, per = peak_mb(), 1e6 / sections
    parameters, share = point_of(density, x).kernel, np.ones(sections)
    for name, wanted in (("sum and gradient", True), ("sum", False)):
        seconds = processor_seconds(lambda w=wanted: run_kernel(parameters, share, density.given, wanted=w))
        out[f"{name} ms/1000"] = seconds * per
    out["whole gradient ms/1000"] = processor_seconds(lambda: density.value_and_gradient(x)) * per
    out["memory while evaluating MB"], out["peak MB"] = peak_mb() - before, peak_mb()
    return out | definition(records, priors, settings, per, plain=plain)


def definition(records, priors, settings, per: float, *, plain: bool) -> dict[str, float]:
    """The same by the plain graph: through NumPy, and compiled."""
    import pytensor

    from riskmodel.model import build_model

    model = build_model(records, priors, settings=settings)
    start = model.initial_point()
    by_section = model.replace_rvs_by_values([model.riskmodel_per_section])
    forward = pytensor.function(model.value_vars, by_section, mode="FAST_COMPILE", on_unused_input="ignore")
    seconds = processor_seconds(lambda: forward(*(start[v.name] for v in model.value_vars)))
    out = {"definition by NumPy, no gradient ms/1000": seconds * per}
    if plain:
        run, out["plain compile s"] = plain_function(model)
        out["plain whole gradient ms/1000"] = processor_seconds(run) * per
    return out


def main(arguments: list[str]) -> int:
    """Measure every size, print, judge."""
    plain = "--plain" in arguments
    if "--one" in arguments:
        print(json.dumps(measure(int(arguments[-1]), plain=plain)))
        return 0
    sizes = [int(a) for a in arguments if a.isdigit()] or list(SIZES)
    rows = []
    for sections in sizes:
        flags = ["--plain"] if plain else []
        done = subprocess.run(
            [sys.executable, __file__, *flags, "--one", str(sections)], capture_output=True, text=True, check=True
        )
        rows.append(json.loads(done.stdout.splitlines()[-1]))
        print("  ".join(f"{key}: {value:,.2f}" for key, value in rows[-1].items()), flush=True)
    Path("bench_likelihood.json").write_text(json.dumps(rows, indent=1))
    return int(max(row["sum and gradient ms/1000"] for row in rows) > LIMIT_MS)


if __name__ == "__main__":
    sys.exit(main(sys.argv[1:]))
