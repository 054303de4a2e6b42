"""Small studies, and commands run on them in this process or another; for the tests of the command line."""

from __future__ import annotations

import json
import subprocess
import sys
import warnings
from pathlib import Path

import pytest
import xarray as xr

from riskmodel import calibrate as calibration
from riskmodel import cli

RESULTS = ("posterior.nc", "simulation.nc", "provenance.json", "report.txt", "brief.html")
TABLES = (
    "portfolios.csv",
    "causes.csv",
    "parameters.csv",
    "census.csv",
    "exclusion.csv",
    "trust.csv",
    "sensitivity.csv",
)
STAGES = ("records", "priors", "calibrate", "simulate", "exclusion", "tables", "criticism", "trust", "report", "brief")
WEIGHED = (*STAGES[:5], "decide", *STAGES[5:])  # of a study with a [decision] table
HEAVY = ("pymc", "pytensor", "nutpie", "numba", "matplotlib")
FEW = '[sampling]\nchains = 2\ndraws = 20\nseed = 1\n[portfolios]\nmeasures = ["prompt_sawing", "internal_curing"]\n'


def write_study(folder: Path, text: str = FEW, *, title: str = "Overlays") -> Path:
    folder.mkdir(exist_ok=True)
    (folder / "study.toml").write_text(f'schema = 1\n[study]\ntitle = "{title}"\n{text}', encoding="utf-8")
    return folder


def said(capsys: pytest.CaptureFixture[str], *arguments: str | Path) -> tuple[int, str, str]:
    """Exit status, standard output and standard error of a command in this process."""
    with warnings.catch_warnings(), pytest.raises(SystemExit) as ended:
        cli.main([str(argument) for argument in arguments])
    captured = capsys.readouterr()
    assert isinstance(ended.value.code, int)
    return ended.value.code, captured.out, captured.err


def command(*arguments: str | Path, options: tuple[str, ...] = ()) -> subprocess.CompletedProcess[str]:
    line = [sys.executable, *options, "-m", "riskmodel", *map(str, arguments)]
    return subprocess.run(line, capture_output=True, text=True, timeout=120, check=False)


def loaded(output: str) -> set[str]:
    """Top-level modules in the output of `-X importtime`."""
    lines = [line for line in output.splitlines() if line.startswith("import time:")]
    return {line.rsplit("|", 1)[1].strip().split(".")[0] for line in lines}


def files_of(folder: Path) -> dict[str, bytes]:
    return {
        path.relative_to(folder).as_posix(): path.read_bytes()
        for path in sorted(folder.rglob("*"))
        if path.is_file() and path.name != ".lock" and ".unfinished" not in path.parts
    }


SECTIONS = "section,opened,bond,base,contractor,prompt_sawing,removed,removal_reason,cause\n" + "".join(
    f"S{i},20{i:02d}-05-01,unbonded,{base},C{i % 3},{i % 2},{removed}\n"
    for i, (base, removed) in enumerate(
        [("concrete", ",,"), ("asphalt", ",,"), ("composite", "2015-03-01,condition,random_cracking")] * 4, start=1
    )
)
SURVEYS = "section,surveyed,pci\n" + "".join(f"S{i},20{i + 4:02d}-06-01,{96 - i}\n" for i in range(1, 6))


def write_recorded(folder: Path, text: str = FEW) -> Path:
    """A study of twelve sections on record."""
    write_study(folder, f"[records]\nsections = 's.csv'\nsurveys = 'v.csv'\n{text}")
    (folder / "s.csv").write_text(SECTIONS)
    (folder / "v.csv").write_text(SURVEYS)
    return folder


def calibrated_from_priors(records: object, priors: object, **settings: object) -> calibration.Calibration:
    """Draws from the priors, effects narrowed by a quarter, as if they had been sampled: for the stages around it."""
    prior = calibration.prior_draws(priors, sampling=settings["sampling"], records=records).posterior
    posterior = prior.assign(delta=0.75 * prior["delta"] + 0.25 * prior["delta"].mean(("chain", "draw")))
    half = posterior.sizes["draw"] // 2
    chains = [posterior.isel(draw=part).drop_vars(("chain", "draw")) for part in (slice(half), slice(half, 2 * half))]
    check = calibration.Check("R-hat", 1.0, 1.01, True, "", "")
    tree = xr.DataTree.from_dict({"posterior": xr.concat(chains, "chain"), "prior": prior})
    tree.attrs["gate"] = json.dumps([check.__dict__])
    return calibration.Calibration(tree, calibration.Gate((check,)), prior_only=False)
