"""The same seed gives the same results: to the byte on one machine, within rounding on another."""

from __future__ import annotations

import json
import os
import subprocess
import sys
from pathlib import Path

import pytest
import reference_numbers
from reference_numbers import numbers
from runs import FEW, STAGES, files_of, write_recorded

from riskmodel import pipeline
from riskmodel.study import read_study

HERE = Path(__file__).parent
# Processors and libraries round sums, exponentials and logarithms in the last digits (1e-16 each), and differently.
# Quantities are means of closed forms over draws; root finding for ages magnifies that some thousandfold.
ELSEWHERE = 1e-9

STAND_IN = """
import sys
import surveyed
from riskmodel import cli
def put(name, value):
    module, _, attribute = name.rpartition(".")
    __import__(module)
    setattr(sys.modules[module], attribute, value)
surveyed.stand_in(put)
cli.main(["run", sys.argv[1]])
"""


def test_numbers_are_those_of_other_machines() -> None:
    expected = json.loads(reference_numbers.FILE.read_text(encoding="utf-8"))
    assert numbers() == pytest.approx(expected, rel=ELSEWHERE, abs=ELSEWHERE)


def test_every_file_of_a_repeat_has_the_same_bytes(done: Path) -> None:
    before = files_of(done / "results")
    assert pipeline.run_study(read_study(done), fresh=True, command="riskmodel run north").built == STAGES
    after = files_of(done / "results")
    assert {name for name in before if after.get(name) != before[name]} == {"provenance.json"}  # which states times
    outputs = [{name: stage["outputs"] for name, stage in json.loads(found["provenance.json"])["stages"].items()}
               for found in (before, after)]  # fmt: skip
    assert outputs[0] == outputs[1]


@pytest.mark.slow
def test_processes_with_other_threads_and_hashes_write_the_same_bytes(tmp_path: Path) -> None:
    """With records, costs and every stage; the sampler is a stand-in."""
    from faulty_runs import MONEY

    found = []
    for number in ("1", "2"):
        study = tmp_path / number / "north"
        study.parent.mkdir()
        write_recorded(study, MONEY + FEW)
        others = {"PYTHONHASHSEED": number, "OMP_NUM_THREADS": number, "NUMBA_NUM_THREADS": number}
        env = {**os.environ, **others, "PYTHONPATH": f"{HERE}{os.pathsep}{HERE.parent}"}
        line = [sys.executable, "-c", STAND_IN, str(study)]
        answer = subprocess.run(line, capture_output=True, text=True, env=env, check=False)
        assert answer.returncode == 0, answer.stderr
        found.append(files_of(study / "results"))
    assert len(found[0]) > 30
    assert {name for name in found[0] if found[1].get(name) != found[0][name]} == {"provenance.json"}


@pytest.mark.slow
def test_the_sampler_repeats_itself_on_any_number_of_cores() -> None:
    import builders
    from surveyed import records_of

    from riskmodel.calibrate import Sampling, calibrate

    priors = builders.priors()
    lenient = {"gate_rhat": 1e9, "gate_ess": 0.0, "gate_ebfmi": 0.0, "gate_divergences": 1.0}
    draws = [
        calibrate(
            records_of(priors, 12), priors, sampling=Sampling(2, 30, 60, seed=5, cores=cores, **lenient)
        ).posterior
        for cores in (1, 2, 1)
    ]
    assert draws[0].equals(draws[1])
    assert draws[0].equals(draws[2])


FIRST_AND_NEXT = """
import hashlib
import builders
from money_cases import MEASURES, case, policy
from surveyed import records_of
from test_simulate import roads
from riskmodel.calibrate import Sampling, calibrate
from riskmodel.decide import decide
from riskmodel.measures import all_portfolios
from riskmodel.policy import OVERLAY_AGAIN
from riskmodel.priordraws import prior_draws
from riskmodel.simulate import simulate

p, c = builders.priors(), case(count=20, draws=6)
found = [calibrate(records_of(p, 12), p, sampling=Sampling(2, 20, 20, seed=5, cores=1), gate=False).posterior]
asked = {"portfolios": all_portfolios(MEASURES), "seed": 7}
found.append(simulate(prior_draws(p, draws=6, seed=1), roads(p, 30), p, **asked))
found.append(decide(c.posterior, c.programme, c.priors, policy=policy(follow_up=OVERLAY_AGAIN), **asked).result)
for one in found:
    print(hashlib.sha256(b"".join(one[name].values.tobytes() for name in sorted(one.data_vars))).hexdigest())
"""


@pytest.mark.slow
def test_the_process_that_compiles_rounds_as_the_next(tmp_path: Path) -> None:
    """Draws, lives and costs to the last bit, with an empty cache of compiled code and with a full one."""
    env = {**os.environ, "NUMBA_CACHE_DIR": str(tmp_path), "PYTHONPATH": f"{HERE}{os.pathsep}{HERE.parent}"}
    said = []
    for _ in range(2):
        answer = subprocess.run([sys.executable, "-c", FIRST_AND_NEXT], capture_output=True, text=True, env=env,
                                check=False)  # fmt: skip
        assert answer.returncode == 0, answer.stderr
        said.append(answer.stdout)
    assert list(tmp_path.rglob("*.nbc"))
    assert said[0] == said[1]
    assert len(said[0].split()) == 3
