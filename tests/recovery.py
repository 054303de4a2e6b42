"""Known truth, records from it, calibration, and where the truth lies in the posterior. Resumable.

Each case is stored as one line of JSON in `.statistics/` at the top of the project, named by a digest
of the code that makes it, so that an interrupted run goes on where it stopped and a changed model
starts afresh. `python tests/recovery.py --cases 60 --part 0/2` runs half of the cases; with `--scheduler ADDRESS` the
workers of a cluster run them, on which this folder has to be importable.
"""

from __future__ import annotations

import argparse
import hashlib
import json
from contextlib import nullcontext
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
import xarray as xr
from builders import effect, fixed, measure, mechanism, priors, quantity
from generator import Generator, truth_of

from riskmodel.calibrate import Sampling, calibrate
from riskmodel.condition import Condition
from riskmodel.crew import Crew, Tell, Threads
from riskmodel.crews import crew_at
from riskmodel.measures import all_portfolios
from riskmodel.priordraws import prior_draws
from riskmodel.priors import Group, PriorSet
from riskmodel.programme import programme_from_records
from riskmodel.simulate import simulate

TOP = Path(__file__).resolve().parent.parent
MEASURES = ("pre_survey", "prompt_sawing")
SECTIONS, DRAWS, TUNE = 100, 200, 250
PARAMETERS = (
    "wear_out_shape", "start_spread", "noise", "kappa", "kappa_early_log_ratio", "removal_lag", "label_error",
    "early_failure", "year_slope",
)  # fmt: skip


def small_priors() -> PriorSet:
    """Two scored roots with three mechanisms, two measures, contractors: small enough for many data sets."""
    return priors(
        mechanisms=(
            mechanism("support_loss", "existing", 0.5, 5.0, 2.5),
            mechanism("random_cracking", "workmanship", 0.35, 2.5, 2.2),
            mechanism("debonding", "workmanship", 0.15, 1.2, 1.5),
        ),
        measures=(
            measure("pre_survey", [effect(["support_loss"], 0.6)]),
            measure("prompt_sawing", [effect(["random_cracking"], 0.4)]),
        ),
        groups=(Group("contractor", ("workmanship",), quantity("gamma", 3.0, 0.1)),),
        early_failure=quantity("beta", 4, 20),
        share_sd=fixed(0.4),
    )


def digest() -> str:
    """Digest of everything the cases depend on."""
    core = (
        "cells likelihood model inputs baseline hazard measures lives outcomes simulate priordraws vectormath "
        "parameters rows rowkernel interceptkernel intercepts density frame sampler chains"
    )
    files = [TOP / "riskmodel" / f"{name}.py" for name in core.split()]
    files += [
        file for pattern in ("kernel*.py", "*coordinates.py") for file in sorted((TOP / "riskmodel").glob(pattern))
    ]
    files += [TOP / "tests" / "generator.py", TOP / "tests" / "builders.py"]
    settings = repr((SECTIONS, DRAWS, TUNE, PARAMETERS, small_priors())).encode()
    return hashlib.sha256(b"".join(f.read_bytes() for f in files) + settings).hexdigest()[:12]


def run_case(number: int, *, sections: int = SECTIONS, draws: int = DRAWS) -> dict[str, Any]:
    """One data set with truth drawn from the priors: quantile of the truth in the posterior, by quantity."""
    p = small_priors()
    truth = truth_of(prior_draws(p, draws=1, seed=50_000 + number), 0)
    generator = Generator(p, truth, np.random.default_rng(number), Condition())
    records = generator.records(sections)
    sampling = Sampling(chains=2, draws=draws, tune=TUNE, seed=number, cores=1)
    found = calibrate(records, p, sampling=sampling, gate=False)
    places = {name: rank(found.posterior[name].values.ravel(), float(truth[name])) for name in PARAMETERS}
    places |= places_of_quantities(found.posterior, truth, generator, records, p, seed=number)
    checks = {c.name: c.value for c in found.gate.checks} if found.gate else {}
    return {"case": number, "rank": places, "checks": checks}


def places_of_quantities(
    posterior: xr.Dataset, truth: dict[str, Any], generator: Generator, records: Any, p: PriorSet, *, seed: int
) -> dict[str, float]:
    """Share of draws below the truth for the life quantities of the records' sections as a programme."""
    programme = programme_from_records(records.sections, p)
    settings: dict[str, Any] = {"portfolios": all_portfolios(MEASURES)[:4], "seed": seed}
    found = simulate(posterior, programme, p, samples=1000, **settings)["value"]
    true = simulate(true_posterior(truth, generator, posterior), programme, p, samples=1, **settings)["value"]
    places = {}
    for portfolio, names in (
        ("current_practice", ("early_failure_probability", "b10_age")),
        ("pre_survey", ("life_gain",)),
        ("prompt_sawing", ("life_gain",)),
    ):
        for name in names:
            at = {"portfolio": portfolio, "quantity": name}
            places[f"{name}: {portfolio}"] = rank(found.sel(at).values, float(true.sel(at).values[0]))
    return places


def rank(draws: np.ndarray, truth: float) -> float:
    """Share of draws below the truth."""
    return float((draws < truth).mean())


def true_posterior(truth: dict[str, Any], generator: Generator, like: xr.Dataset) -> xr.Dataset:
    """The truth as a posterior of one draw, with the contractors' true terms."""
    values = {}
    for name, variable in like.data_vars.items():
        dims = variable.dims[2:]
        if name == "contractor_effect":
            terms = [generator.contractors[str(c)] for c in like["contractor"].values]
            values[name] = (("chain", "draw", *dims), np.array(terms)[None, None])
        elif name in truth:
            values[name] = (("chain", "draw", *dims), np.asarray(truth[name])[None, None])
    coords = {d: like[d] for v in values.values() for d in v[0][2:]}
    return xr.Dataset(values, coords={"chain": [0], "draw": [0], **coords})


def stored(folder: Path) -> dict[int, dict[str, Any]]:
    """Cases already done."""
    lines = [line for file in sorted(folder.glob("*.jsonl")) for line in file.read_text().splitlines()]
    return {case["case"]: case for case in map(json.loads, lines)}


@dataclass(frozen=True)
class Cases:
    """Cases as work for a crew."""

    sections: int = SECTIONS
    draws: int = DRAWS

    def __call__(self, number: int, tell: Tell) -> dict[str, Any]:
        """One of them."""
        return run_case(number, sections=self.sections, draws=self.draws)


def run_cases(cases: int, *, part: int = 0, parts: int = 1, crew: Crew | None = None) -> dict[int, dict[str, Any]]:
    """Run what is missing of a part of the cases, and return everything stored; each round of the crew is kept."""
    folder = TOP / ".statistics" / f"coverage-{digest()}"
    folder.mkdir(parents=True, exist_ok=True)
    done, crew = stored(folder), crew or Threads()
    left = [number for number in range(part, cases, parts) if number not in done]
    together = len(crew.cut(len(left)))
    for first in range(0, len(left), together):
        found = crew.map(Cases(), left[first : first + together])
        with (folder / f"part-{part}-of-{parts}.jsonl").open("a") as file:
            file.writelines(json.dumps(case) + "\n" for case in found)
        for case in found:
            print(case["case"], {k: round(v, 3) for k, v in case["rank"].items()}, flush=True)
    return stored(folder)


if __name__ == "__main__":
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--cases", type=int, default=60)
    parser.add_argument("--part", default="0/1", help="which part, as 0/2")
    parser.add_argument("--scheduler", default="", help="address of a cluster")
    arguments = parser.parse_args()
    which, total = (int(n) for n in arguments.part.split("/"))
    with crew_at(arguments.scheduler, "cpu") if arguments.scheduler else nullcontext() as hands:
        run_cases(arguments.cases, part=which, parts=total, crew=hands)
