"""Section-lives per second: `python tests/benchmarks/bench_lives.py [sections ...] [--draws 1000] [--workers 1]`.

The demo study's sections, repeated to the sizes asked for (416, 4,160 and 41,600 by default), 16 portfolios,
draws of its priors, every size in a process of its own. A section-life is one draw of one section under one
portfolio. Compared with a plain NumPy loop over portfolios that takes its quantiles from scipy.stats, and
with drawing the uniforms alone by `Generator.random` (two generators: PCG64, and Philox, which the streams
are made of). Prints a table and writes `bench_lives.json` beside the current folder's files. Rates are per
second of processor time, so per core. Ends with status 1 below 30 million or above four times the bare
uniforms of PCG64. `--simulate` times the whole simulation too, closed form included.
"""

import json
import os
import subprocess
import sys
import time
from pathlib import Path

os.environ.setdefault("OMP_NUM_THREADS", "1")

import numpy as np
from bench_likelihood import study_of
from scipy import stats

SIZES = (416, 4_160, 41_600)
PORTFOLIOS, NAIVE_DRAWS, PIECE = 16, 20, 416
LIMIT, LIMIT_RATIO = 30e6, 4.0


def case_of(sections: int, draws: int):
    """Draws of the priors, programme, priors and portfolios."""
    from riskmodel.lives import Draws
    from riskmodel.measures import all_portfolios
    from riskmodel.priordraws import prior_draws
    from riskmodel.programme import programme_from_records

    records, priors, _ = study_of(sections)
    programme = programme_from_records(records.sections, priors)
    posterior = prior_draws(priors, draws=draws)
    portfolios = all_portfolios([m.name for m in priors.measures][:4])[:PORTFOLIOS]
    return posterior, Draws.of(posterior), programme, priors, portfolios


def naive_lives(draws, programme, priors, portfolios, terms, draw):
    """Ages at failure the way one writes it first; `draw(purpose, width)` gives uniforms (section, sample, width)."""
    from riskmodel.inputs import Facts
    from riskmodel.measures import NO_MEASURES, Requirements, deltas_of, selections_of
    from riskmodel.quality import SCORED_ROOTS

    facts, bare = Facts.from_table(programme, priors, {}), Requirements.of(programme, priors)
    spread = np.sqrt(facts.score_variance)[:, None, :]
    scores = stats.norm.ppf(draw("score", 3), facts.score_mean[:, None, :], spread)
    wear_u = draw("wear-out", 1)[..., 0]
    mechanism_u = [draw(f"mechanism {m.name}", 2) for m in priors.mechanisms]
    chosen, complied = [], []
    for k, measure in enumerate(priors.measures):
        recorded = bare.required[:, k][:, None]
        unknown = draw(f"required {measure.name}", 1)[..., 0] < bare.rate[k]
        chosen.append(np.where(np.isnan(recorded), unknown, recorded == 1.0))
        complied.append(draw(f"compliance {measure.name}", 1)[..., 0] < draws["compliance"][:, k])
    out = np.empty((draws.count, len(portfolios), facts.sections), np.float32)
    for p, portfolio in enumerate(portfolios):
        asked = Requirements.of(programme, priors, portfolio)
        done = [
            (portfolio.name != NO_MEASURES)
            & ((asked.verified[:, k, None] & chosen[k]) | ((chosen[k] | asked.forced[:, k, None]) & complied[k]))
            for k in range(len(priors.measures))
        ]
        median = draws["wear_out_median"][:, facts.types].T
        for d, driver in enumerate(priors.drivers):
            if driver.acts_on == ("wear_out",):
                median = median * np.exp(facts.drivers[:, d][:, None] * draws["driver_coefficient"][:, d])
        for k, measure in enumerate(priors.measures):
            if measure.time_ratio is not None:
                where = done[k] & np.isin([t.name for t in priors.types], measure.applies_to)[facts.types][:, None]
                median = np.where(where, median * draws["time_ratio"][:, k], median)
        shape = draws["wear_out_shape"]
        life = stats.weibull_min.isf(wear_u, shape, scale=median / np.log(2.0) ** (1.0 / shape))
        for m, mechanism in enumerate(priors.mechanisms):
            eta = draws["intercept"][:, :, m][:, facts.types].T + np.outer(facts.decades, draws["year_slope"])
            for group in priors.groups:
                if mechanism.root in group.roots:
                    eta = eta + terms[group.column].T
            for d, driver in enumerate(priors.drivers):
                if mechanism.name in driver.acts_on:
                    eta = eta + np.outer(facts.drivers[:, d], draws["driver_coefficient"][:, d])
            if mechanism.root in SCORED_ROOTS:
                eta = eta - draws["score_effect"][:, m] * scores[..., SCORED_ROOTS.index(mechanism.root)]
            for n, (k, root) in enumerate(selections_of(priors)):
                if root == mechanism.root:
                    eta = eta + chosen[k] * ~bare.randomised[:, k][:, None] * draws["selection"][:, n]
            slowed = 0.0
            for n, delta in enumerate(deltas_of(priors)):
                if delta.mechanism == m:
                    size = done[delta.measure] * delta.types[facts.types][:, None] * draws["delta"][:, n]
                    eta, slowed = (eta, slowed + size) if delta.scale == "hazard_ratio" else (eta - size, slowed)
            shape = draws["age_shape"][:, m]
            scale = draws["age_median"][:, m] * np.exp(slowed / shape) / np.log(2.0) ** (1.0 / shape)
            age = stats.weibull_min.isf(mechanism_u[m][..., 1], shape, scale=scale)
            susceptible = (mechanism_u[m][..., 0] < stats.logistic.cdf(eta)) & facts.applies[:, m][:, None]
            life = np.minimum(life, np.where(susceptible, age, np.inf))
        out[:, p] = life.T
    return out


def naive_seconds(programme, priors, portfolios, draws) -> float:
    """Processor seconds of a section-life by the plain loop, which must give the kernel's lives."""
    from riskmodel.lives import group_terms
    from riskmodel.montecarlo import draw_lives
    from riskmodel.streams import uniforms

    count = min(NAIVE_DRAWS, draws.count)
    some = type(draws)({n: v[:count] for n, v in draws.values.items()}, draws.coords, count)
    part = programme.isel(section=slice(PIECE))
    terms, names, rng = group_terms(some, part, priors, 1), part["section"].values.astype(str), np.random.default_rng(1)

    def streamed(purpose: str, width: int) -> np.ndarray:
        return uniforms(1, purpose, names, count, width).reshape(len(names), -1, width)

    same = naive_lives(some, part, priors, portfolios, terms, streamed)
    np.testing.assert_allclose(draw_lives(some, part, priors, portfolios, seed=1), same, rtol=1e-6)
    start = time.process_time()
    naive_lives(some, part, priors, portfolios, terms, lambda _, width: rng.random((len(names), count, width)))
    return (time.process_time() - start) / same.size


def uniforms_of(priors, programme) -> int:
    """Uniforms of a draw and section that every portfolio shares: scores, wear-out, two a mechanism, measures."""
    recorded = np.isfinite(programme["required"].sel(measure=[m.name for m in priors.measures]).values).all(axis=0)
    return 3 + 1 + 2 * len(priors.mechanisms) + len(priors.measures) + int((~recorded).sum())


def bare_seconds(generator, count: int) -> float:
    """Processor seconds of `count` uniforms by `Generator.random`, into memory already there."""
    rng, out = np.random.Generator(generator), np.empty(1 << 16)
    best = np.inf
    for _ in range(200):
        start = time.process_time()
        rng.random(out=out)
        best = min(best, time.process_time() - start)
    return best / out.size * count


def resident(field: str) -> float:
    """Resident memory now (`VmRSS`) or at its peak (`VmHWM`), MB (Linux)."""
    lines = Path("/proc/self/status").read_text().splitlines()
    return next(float(line.split()[1]) for line in lines if line.startswith(field)) / 1024


def forget_peak() -> float:
    """Begin a new peak (Linux: 5 written to clear_refs); the memory resident now, MB."""
    Path("/proc/self/clear_refs").write_text("5")
    return resident("VmRSS")


def best_seconds(run, times: int) -> float:
    """Smallest processor time of a call."""
    found = []
    for _ in range(times):
        start = time.process_time()
        run()
        found.append(time.process_time() - start)
    return min(found)


def measure(sections: int, draws_count: int, workers: int, *, whole: bool) -> dict[str, float]:
    """Figures of one size."""
    from riskmodel.montecarlo import Fates, Tally, draw_lives

    posterior, draws, programme, priors, portfolios = case_of(sections, draws_count)
    two = type(draws)({n: v[:2] for n, v in draws.values.items()}, draws.coords, 2)
    begun = time.process_time()
    draw_lives(two, programme.isel(section=slice(PIECE)), priors, portfolios, seed=1)
    out: dict[str, float] = {"sections": sections, "first call s": time.process_time() - begun}
    number = draws_count * sections * len(portfolios)
    fates = Fates(draws, programme, priors, portfolios, seed=1)
    tally = Tally.empty(draws.count, len(portfolios), [10.0])
    weight = np.ones((draws.count, 1024))
    for array in (tally.cells, tally.below):
        array.fill(0.0)  # memory is counted once it is touched
    before = forget_peak()

    def sums() -> None:
        for piece in fates.pieces(1024):
            tally.add(fates, piece, weight[:, : piece.stop - piece.start], workers=workers)

    begun = time.perf_counter()
    seconds = best_seconds(sums, 5 if sections < 1000 else 1)
    out["summed wall s"], out["summed M lives/s"] = time.perf_counter() - begun, number / seconds / 1e6
    out["sums MB"] = tally.cells.nbytes / 2**20
    out["memory while summing MB"] = resident("VmHWM") - before
    part = programme.isel(section=slice(min(sections, 4096)))
    seconds = best_seconds(lambda: draw_lives(draws, part, priors, portfolios, seed=1), 5)
    rate = draws_count * part.sizes["section"] * len(portfolios) / seconds
    out["kept M lives/s"] = rate / 1e6
    shared = uniforms_of(priors, programme)
    for name, generator in (("PCG64", np.random.PCG64(1)), ("Philox", np.random.Philox(1))):
        out[f"times bare {name}"] = len(portfolios) / rate / bare_seconds(generator, shared)
    out["plain loop M lives/s"] = 1e-6 / naive_seconds(programme, priors, portfolios, draws)
    if whole:
        out.update(simulated(posterior, programme, priors, portfolios, workers))
    return out


def simulated(posterior, programme, priors, portfolios, workers: int) -> dict[str, float]:
    """The whole simulation, closed form included."""
    from riskmodel.simulate import simulate

    before = forget_peak()
    wall, cpu = time.perf_counter(), time.process_time()
    simulate(posterior, programme, priors, portfolios=portfolios, seed=1, samples=10**6, workers=workers)
    wall, cpu = time.perf_counter() - wall, time.process_time() - cpu
    rows = posterior.sizes["chain"] * posterior.sizes["draw"] * programme.sizes["section"]
    memory = resident("VmHWM") - before
    return {"simulate wall s": wall, "simulate us/draw and section": cpu / rows * 1e6, "simulate MB": memory}


def main(arguments: list[str]) -> int:
    """Measure every size, print, judge."""
    import argparse

    parser = argparse.ArgumentParser()
    parser.add_argument("sections", type=int, nargs="*", default=list(SIZES))
    parser.add_argument("--draws", type=int, default=1000)
    parser.add_argument("--workers", type=int, default=1)
    parser.add_argument("--simulate", action="store_true")
    parser.add_argument("--one", action="store_true")
    asked = parser.parse_args(arguments)
    if asked.one:
        print(json.dumps(measure(asked.sections[0], asked.draws, asked.workers, whole=asked.simulate)))
        return 0
    rows = []
    for sections in asked.sections:
        flags = ["--simulate"] if asked.simulate else []
        command = [sys.executable, __file__, str(sections), "--draws", str(asked.draws), "--one"]
        command += ["--workers", str(asked.workers), *flags]
        done = subprocess.run(command, capture_output=True, text=True, check=True)
        rows.append(json.loads(done.stdout.splitlines()[-1]))
        print("  ".join(f"{key}: {value:,.2f}" for key, value in rows[-1].items()), flush=True)
    Path("bench_lives.json").write_text(json.dumps(rows, indent=1))
    slow = min(row["kept M lives/s"] for row in rows) * 1e6 < LIMIT
    return int(slow or max(row["times bare PCG64"] for row in rows) > LIMIT_RATIO)


if __name__ == "__main__":
    sys.exit(main(sys.argv[1:]))
