"""The whole pipeline on records of known truth: truth, files, reading, calibration, simulation, rank. Resumable.

    python tests/wholeruns.py --cases 200

Each data set leaves one small JSON file under `.statistics/` (or `--folder`), so that an interrupted run goes
on where it stopped. Data sets share their roads in fifties.
"""

from __future__ import annotations

import argparse
import json
import shutil
import time
from collections.abc import Sequence
from dataclasses import replace
from functools import cache
from pathlib import Path
from typing import Any

import numpy as np
import xarray as xr
from generator import truth_of
from misfits import MISFITS
from register import Register, Road, roads_of, write_records

from riskmodel.calibrate import Calibration, Sampling, calibrate, reported
from riskmodel.condition import Condition
from riskmodel.desk import Desk
from riskmodel.priordraws import prior_draws
from riskmodel.priors import PriorSet, load_priors
from riskmodel.simulate import simulate
from riskmodel.store import save_tree
from riskmodel.study import read_study

TOP = Path(__file__).resolve().parent.parent
FOLDER = TOP / ".statistics" / "whole"
MEASURES = ("pre_survey", "separation_fabric", "prompt_sawing", "internal_curing")
SECTIONS, PER_DESIGN, THINNED, RANKS = 150, 50, 5, 200
SAMPLING = Sampling(chains=2, draws=500, cores=1, gate_rhat=1.03, gate_ess=200.0)
STUDY = """schema = 1
[study]
title = "An agency with known truth (invented)"
[records]
sections = "sections.csv"
surveys = "surveys.csv"
until = 2025-01-01
""" + "".join(f'[[portfolio]]\nname = "{name}"\nmeasures = ["{name}"]\n' for name in MEASURES)


@cache
def the_priors() -> PriorSet:
    """The package's priors with the measures in play."""
    every = load_priors()
    return replace(every, measures=tuple(m for m in every.measures if m.name in MEASURES))


@cache
def design(number: int) -> list[Road]:
    """Roads that the data sets of one fifty share."""
    return roads_of(the_priors(), number, SECTIONS)


def truth(number: int, roads: list[Road]) -> dict[str, np.ndarray]:
    """Parameters drawn from the priors."""
    p = the_priors()
    mix = np.bincount([road["type"] for road in roads], minlength=len(p.types))
    return truth_of(prior_draws(p, draws=1, seed=50_000 + number, mix=mix), 0)


def run_case(number: int, folder: Path, kind: type[Register] = Register) -> dict[str, Any]:
    """One data set from truth to ranks; its files are left in `folder`."""
    began, roads = time.process_time(), design(number // PER_DESIGN)
    true = kind.changed(truth(number, roads))
    register = kind(the_priors(), true, np.random.default_rng([number, 2]), Condition(), roads)
    folder.mkdir(parents=True, exist_ok=True)
    write_records(folder, register)
    (folder / "study.toml").write_text(STUDY, encoding="utf-8")
    desk = Desk(read_study(folder), folder, progress=lambda *_: None)
    sampling = replace(SAMPLING, seed=number)
    found = calibrate(desk.records, desk.priors, sampling=sampling, gate=False)
    save_tree(found.tree, folder / "posterior.nc", digests={}, settings={})
    like = true_posterior(true, register, found.posterior)
    made = [life_quantities(posterior, desk, count) for posterior, count in ((found.posterior, RANKS), (like, 1))]
    ranked = ranks_of(found.posterior, like) | {name: place(draws, made[1][name][0]) for name, draws in made[0].items()}
    return {
        "case": number,
        "ranks": ranked,
        "quantities": {name: summary(draws, float(made[1][name][0])) for name, draws in made[0].items()},
        "noise": summary(found.posterior["noise"].values.ravel(), float(true["noise"])),
        "checks": checks(found),
        "facts": {"removed": int(np.isfinite(desk.records.sections["age_removed"]).sum()),
                  "readings": int(desk.records.readings.sizes["reading"]),
                  "processor_seconds": round(time.process_time() - began, 1)},
    }  # fmt: skip


def checks(found: Calibration) -> dict[str, list[Any]]:
    """Value and verdict of each check of the gate."""
    return {} if found.gate is None else {c.name: [c.value, bool(c.passed)] for c in found.gate.checks}


def life_quantities(posterior: xr.Dataset, desk: Desk, count: int) -> dict[str, np.ndarray]:
    """Draws of the quantities that results rest on."""
    value = simulate(
        posterior, desk.programme, desk.priors, portfolios=desk.portfolios, **desk.study.life, seed=1, samples=count
    )["value"]
    wanted = [("early_failure_probability", "current_practice"), ("b10_age", "current_practice")]
    wanted += [("life_gain", measure) for measure in MEASURES]
    return {f"{q}: {p}": value.sel(quantity=q, portfolio=p).values for q, p in wanted}


def ranks_of(posterior: xr.Dataset, truth: xr.Dataset) -> dict[str, int]:
    """Rank of every true parameter among thinned draws."""
    found: dict[str, int] = {}
    for name, variable in reported(posterior).data_vars.items():
        if name not in truth:
            continue
        inner = variable.dims[2:]
        for at in np.ndindex(*variable.shape[2:]):
            draws = variable.values[(slice(None), slice(None), *at)].ravel()
            if draws.std() > 0:
                labels = ", ".join(str(variable[d].values[i]) for d, i in zip(inner, at, strict=True))
                key = f"{name}[{labels}]" if labels else str(name)
                found[key] = place(draws[::THINNED], float(truth[name].values[(0, 0, *at)]))
    return found


def place(draws: np.ndarray, truth: float) -> int:
    """Rank of the truth among `RANKS` - 1 draws: 0 to `RANKS` - 1, each as likely where all is right."""
    return int((draws[: RANKS - 1] < truth).sum())


def summary(draws: np.ndarray, truth: float) -> dict[str, float]:
    """Truth, mean, spread and central 90 % interval."""
    low, high = np.quantile(draws, [0.05, 0.95])
    values = {"truth": truth, "mean": draws.mean(), "sd": draws.std(), "lower": low, "upper": high}
    return {name: float(value) for name, value in values.items()}


def true_posterior(truth: dict[str, Any], register: Register, like: xr.Dataset) -> xr.Dataset:
    """The truth as a posterior of one draw, with the true terms of every group."""
    groups = {
        "contractor": register.contractors,
        "project": register.project_terms,
        "district": register.district_terms,
    }
    values = {}
    for name, variable in like.data_vars.items():
        column = str(name).removesuffix("_effect")
        at = ("chain", "draw", *variable.dims[2:])
        if column in groups and column != name:
            values[name] = (at, np.array([groups[column][str(c)] for c in like[column].values])[None, None])
        elif name in truth:
            values[name] = (at, np.asarray(truth[name])[None, None])
    coords = {d: like[d] for v in values.values() for d in v[0][2:]}
    return xr.Dataset(values, coords={"chain": [0], "draw": [0], **coords})


# ------------------------------------------------------------------------------------ many of them


def stored(folder: Path) -> dict[int, dict[str, Any]]:
    """Data sets already done, by number."""
    found = (json.loads(path.read_text()) for path in sorted(folder.glob("[0-9]*.json")))
    return {case["case"]: case for case in found}


def run_cases(
    cases: int, folder: Path, kinds: Sequence[str] = ("none",), *, first: int = 0, keep: int = 0
) -> dict[int, dict[str, Any]]:
    """Run the data sets that are missing, number by number, and return those of the first kind.

    Parameters
    ----------
    cases, first : int
        Data sets are numbered from `first` to `cases` - 1.
    folder : Path
        With a folder for each of `kinds`, which are names of `MISFITS`.
    keep : int
        Tables and draws of the data sets below this number stay beside their JSON.
    """
    for number in range(first, cases):
        for kind in kinds:
            if not (folder / kind / f"{number:03d}.json").exists():
                run_and_store(number, folder / kind, keep=number < keep)
    return stored(folder / kinds[0])


def run_and_store(number: int, folder: Path, *, keep: bool) -> None:
    """One data set and its JSON, which is there whole or not at all."""
    files, done = folder / f"{number:03d}", folder / f"{number:03d}.json"
    case = run_case(number, files, MISFITS[folder.name])
    unfinished = done.with_suffix(".unfinished")
    unfinished.write_text(json.dumps(case))
    unfinished.replace(done)
    if not keep:
        shutil.rmtree(files)
    failed = {name: value for name, (value, passed) in case["checks"].items() if not passed}
    print(folder.name, number, case["facts"], failed, flush=True)


if __name__ == "__main__":
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--cases", type=int, default=200, help="number of data sets")
    parser.add_argument("--first", type=int, default=0, help="number of the first")
    parser.add_argument("--keep", type=int, default=0, help="leave files and draws of the first so many")
    parser.add_argument("--kinds", default="none", help=f"names joined by commas: {', '.join(MISFITS)}")
    parser.add_argument("--folder", type=Path, default=FOLDER)
    arguments = parser.parse_args()
    kinds = arguments.kinds.split(",")
    run_cases(arguments.cases, arguments.folder, kinds, first=arguments.first, keep=arguments.keep)
