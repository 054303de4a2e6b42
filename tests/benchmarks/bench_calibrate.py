"""Calibration: `bench_calibrate.py [sections ...] [--draws 250] [--tune 150] [--drawn] [--device gpu] [--means FILE]`

The demo study's records, repeated to the sizes asked for (416 by default); with `--drawn` the records of a
network of that size whose truth is drawn from the priors. (Of a demo repeated ten times everything is ten
times as sure, whether the model fits or not; its posterior is no network's.) Every size in a process of its
own: seconds until the sampler starts (search of the mode included), seconds of sampling, gradients a draw,
smallest effective sample size and R-hat, effective draws a second of processor time; the gate on standard
error. `--device gpu` runs the chains on a graphics processor; `--means` keeps means and standard errors of all
parameters, and compares them with those of an earlier run in that file. `--latent` sets beside it, on few
sections, the model as one writes it first: one latent age at failure a section, sampled by PyMC's default.
Prints a table and writes `bench_calibrate.json`.
"""

import json
import os
import subprocess
import sys
import time
from pathlib import Path
from tempfile import TemporaryDirectory

os.environ.setdefault("OMP_NUM_THREADS", "1")

import numpy as np
from bench_likelihood import peak_mb, study_of

LATENT_SECTIONS = 60


def drawn(sections: int):
    """Records, priors and settings of a network whose truth is drawn from the priors; contracts of three sections."""
    sys.path.insert(0, str(Path(__file__).resolve().parents[1]))
    from register import Register, roads_of, write_records
    from wholeruns import STUDY, the_priors, truth

    from riskmodel.condition import Condition
    from riskmodel.desk import Desk
    from riskmodel.lifesettings import LifeSettings
    from riskmodel.study import read_study

    roads = roads_of(the_priors(), 1, sections)
    register = Register(the_priors(), truth(1, roads), np.random.default_rng(1), Condition(), roads)
    with TemporaryDirectory() as place:
        folder = Path(place)
        write_records(folder, register)
        (folder / "study.toml").write_text(STUDY, encoding="utf-8")
        desk = Desk(read_study(folder), folder, progress=lambda *_: None)
        return desk.records, desk.priors, LifeSettings()


def compared(posterior, file: Path) -> dict[str, float]:
    """Distances of the means to those in a file, in standard errors of the difference; kept there if there is none."""
    import arviz as az

    means, errors = posterior.mean(("chain", "draw")), az.mcse(posterior)
    own = {name: [means[name].values.ravel(), np.asarray(errors[name]).ravel()] for name in posterior.data_vars}
    if not file.exists():
        file.write_text(json.dumps({name: np.array(both).tolist() for name, both in own.items()}), encoding="utf-8")
        return {}
    other = json.loads(file.read_text(encoding="utf-8"))
    here, there = (np.concatenate([table[name] for name in own], axis=1) for table in (own, other))
    varies = here[1] > 1e-9 * (1.0 + np.abs(here[0]))
    z = ((here[0] - there[0]) / np.hypot(here[1], there[1]))[varies]
    return {"means compared": len(z), "mean square": float((z**2).mean()),
            "largest": float(np.abs(z).max())}  # fmt: skip


def spent() -> float:
    """Processor seconds of this process and of those that worked for it and have ended."""
    times = os.times()
    return times.user + times.system + times.children_user + times.children_system


def measure(sections: int, *, of_truth: bool, device: str, means: str, **sampling: float) -> dict[str, float]:
    """Figures of one size."""
    from riskmodel.calibrate import Sampling, calibrate, sampled_only
    from riskmodel.crews import crew_at

    begun = time.perf_counter()
    records, priors, settings = (drawn if of_truth else study_of)(sections)
    print(f"records made in {time.perf_counter() - begun:.0f} s", file=sys.stderr)
    sampling = Sampling(**sampling)
    wall, cpu = time.perf_counter(), spent()
    with crew_at("", device) as crew:
        found = calibrate(records, priors, settings=settings, sampling=sampling, gate=False, crew=crew)
    wall, cpu = time.perf_counter() - wall, spent() - cpu
    posterior, stats = sampled_only(found.posterior), found.tree["sample_stats"].to_dataset()
    smallest, largest = (
        next(check.value for check in found.gate.checks if check.name == name)
        for name in ("bulk effective sample size", "R-hat")
    )
    print(found.gate, file=sys.stderr)
    return {
        "sections": sections, "parameters": sum(v.size for v in found.posterior.isel(chain=0, draw=0).values()),
        "prepare s": found.timing["prepare"], "sample s": found.timing["sample"],
        "whole s": wall, "processor s": cpu, "gradients a draw": float(stats["n_steps"].mean()),
        "smallest bulk ESS": smallest, "ESS / processor s": smallest / cpu, "passed": float(found.gate.passed),
        "largest R-hat": largest, "peak MB": peak_mb(),
    } | (compared(posterior, Path(means)) if means else {})  # fmt: skip


def measure_latent() -> dict[str, float]:
    """Few sections with one latent age at failure each, wear-out and one early cause, by PyMC's default sampler."""
    import arviz as az
    import pymc as pm
    import pytensor.tensor as pt

    records, _, _ = study_of(LATENT_SECTIONS)
    owner = np.asarray(records.readings["section_index"].values, int)
    used = records.readings["status"].values == "used"
    age, z = (np.asarray(records.readings[n].values, float)[used] for n in ("age", "z"))
    end = float(records.condition.to_z(records.condition.threshold))
    with pm.Model():
        share, median = pm.Beta("share", 3, 27), pm.LogNormal("median", np.log(38.0), 0.2)
        young, shape = pm.LogNormal("young", np.log(5.0), 0.3), pm.LogNormal("shape", np.log(3.0), 0.2)
        kappa, noise = pm.LogNormal("kappa", np.log(2.0), 0.2), pm.LogNormal("noise", np.log(3.0), 0.3)
        unit = np.log(2.0) ** (1.0 / 3.0)
        parts = [pm.Weibull.dist(shape, young / unit), pm.Weibull.dist(shape, median / unit)]
        weights = pt.stack([share, 1 - share])
        life = pm.Mixture("life", weights, parts, shape=LATENT_SECTIONS)
        pm.Normal("readings", end * (age / life[owner[used]]) ** kappa, noise, observed=z)
        cpu = time.process_time()
        tree = pm.sample(
            300, tune=500, chains=2, cores=1, random_seed=1, progressbar=False, compute_convergence_checks=False
        )
        cpu = time.process_time() - cpu
    smallest = min(float(v.min()) for v in az.ess(tree.posterior.to_dataset()).data_vars.values())
    return {
        "sections": LATENT_SECTIONS,
        "processor s": cpu,
        "smallest bulk ESS": smallest,
        "ESS / processor s": smallest / cpu,
    }


def main(arguments: list[str]) -> int:
    """Measure every size, print."""
    import argparse

    parser = argparse.ArgumentParser()
    parser.add_argument("sections", type=int, nargs="*", default=[416])
    parser.add_argument("--draws", type=int, default=250)
    parser.add_argument("--tune", type=int, default=150)
    parser.add_argument("--latent", action="store_true")
    parser.add_argument("--drawn", action="store_true")
    parser.add_argument("--accept", type=float, default=0.7)
    parser.add_argument("--device", default="cpu")
    parser.add_argument("--means", default="")
    parser.add_argument("--one", action="store_true")
    asked = parser.parse_args(arguments)
    if asked.one:
        how = {"of_truth": asked.drawn, "device": asked.device, "means": asked.means}
        how |= {"draws": asked.draws, "tune": asked.tune, "target_accept": asked.accept}
        found = measure_latent() if asked.latent else measure(asked.sections[0], **how)
        print(json.dumps(found))
        return 0
    rows = []
    settings = ["--draws", str(asked.draws), "--tune", str(asked.tune), "--one", *(["--drawn"] if asked.drawn else [])]
    settings += ["--accept", str(asked.accept), "--device", asked.device, "--means", asked.means]
    runs = [[str(n), *settings] for n in asked.sections]
    if asked.latent:
        runs += [[str(LATENT_SECTIONS), *settings], ["--latent", "--one"]]
    for run in runs:
        done = subprocess.run([sys.executable, __file__, *run], stdout=subprocess.PIPE, text=True, check=True)
        rows.append(json.loads(done.stdout.splitlines()[-1]) | {"latent ages": float("--latent" in run)})
        print("  ".join(f"{key}: {value:,.2f}" for key, value in rows[-1].items()), flush=True)
    Path("bench_calibrate.json").write_text(json.dumps(rows, indent=1))
    return 0


if __name__ == "__main__":
    sys.exit(main(sys.argv[1:]))
