"""Processes of this machine as a crew: the same numbers as threads, and no process left behind."""

from __future__ import annotations

import os
import signal
import subprocess
import sys
import time
import warnings
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path

import numpy as np
import pytest
import xarray as xr
from builders import priors
from money_cases import MEASURES, case, policy
from surveyed import records_of
from test_reweigh import PRIORS
from test_simulate import roads
from threadpoolctl import threadpool_limits

from riskmodel import chains, costing, simulate
from riskmodel.calibrate import Sampling, calibrate
from riskmodel.crew import PRODUCT_THREADS, Tell, Threads
from riskmodel.decide import decide
from riskmodel.errors import LostProcessError, RiskModelError, RiskModelWarning
from riskmodel.measures import all_portfolios
from riskmodel.policy import OVERLAY_AGAIN
from riskmodel.priordraws import prior_draws
from riskmodel.processes import Processes, processes_at

HERE = Path(__file__).parent
LOOK = 0.05


@pytest.fixture(scope="module")
def crew() -> Iterator[Processes]:
    # as the command line does, before the processes load NumPy
    with processes_at(2) as found, threadpool_limits(1, user_api="blas"), pytest.MonkeyPatch.context() as patch:
        for name in PRODUCT_THREADS:
            patch.setenv(name, "1")
        yield found


@dataclass(frozen=True)
class Slow:
    """Takes a while for each step; says in which process."""

    is_long: bool = True
    step: float = 0.01

    def long(self, items: list[int], running: bool) -> bool:
        return self.is_long or running

    def __call__(self, item: int, tell: Tell) -> tuple[int, int]:
        for done in range(1, item + 1):
            time.sleep(self.step)
            tell(done)
        return item**2, os.getpid()


class Bad(Slow):
    """Cannot do seven and eight."""

    def __call__(self, item: int, tell: Tell) -> tuple[int, int]:
        if item == 7:
            raise RiskModelError("seven is too much")
        if item == 8:
            raise ConnectionError("eight does not answer")
        return super().__call__(item, tell)


class Warned(Slow):
    def __call__(self, item: int, tell: Tell) -> tuple[int, int]:
        warnings.warn(f"item {item} is odd", RiskModelWarning, stacklevel=2)
        return super().__call__(item, tell)


class Deadly(Slow):
    """Is ended by the system, as where memory is short."""

    def __call__(self, item: int, tell: Tell) -> tuple[int, int]:
        os.kill(os.getpid(), signal.SIGKILL)
        return super().__call__(item, tell)


# ------------------------------------------------------------------------------------------ who works


def test_short_work_stays_here_until_the_processes_run():
    with processes_at(2) as crew:
        assert {process for _, process in crew.map(Slow(is_long=False), [1, 2])} == {os.getpid()}
        assert crew.map(lambda item, tell: item, [3, 4]) == [3, 4]
        assert os.getpid() not in {process for _, process in crew.map(Slow(), [1, 2])}
        assert os.getpid() not in {process for _, process in crew.map(Slow(is_long=False), [1, 2])}


def test_both_work_and_results_come_in_order(crew):
    steps: list[int] = []
    items = [5, 60, 5, 60, 0, 7]
    found = crew.map(Slow(), items, steps.append)
    assert [square for square, _ in found] == [n**2 for n in items]
    assert len({process for _, process in found} - {os.getpid()}) == 2
    assert steps == sorted(steps)
    assert steps[-1] == sum(items)
    assert any(0 < done < sum(items) for done in steps)


def test_no_more_are_started_than_there_are_items_or_asked_for():
    with processes_at(3) as crew:
        for count in (2, 3):
            crew.map(Slow(), [5] * count)
            assert len(crew._running) == count
        crew.map(Slow(), [5] * 9)
        assert len(crew._running) == 3


def test_of_one_process_nothing_is_started():
    with processes_at(1) as crew:
        assert {process for _, process in crew.map(Slow(), [1, 2])} == {os.getpid()}


def test_draws_are_cut_for_both(crew):
    assert [(piece.start, piece.stop) for piece in crew.cut(101)] == [(0, 50), (50, 101)]


# ----------------------------------------------------------------------------------- the same numbers


def test_a_simulation_is_the_same_to_the_last_digit(crew, monkeypatch):
    monkeypatch.setattr(simulate, "LONG", 0)
    p = priors()
    programme, posterior = roads(p, 1100), prior_draws(p, draws=9, seed=1)
    asked = {"portfolios": all_portfolios(MEASURES), "seed": 1}
    told: list[tuple[int, int]] = []
    here = simulate.simulate(posterior, programme, p, **asked, workers=2)
    there = simulate.simulate(
        posterior, programme, p, **asked, workers=crew, progress=lambda d, n, _: told.append((d, n))
    )
    xr.testing.assert_identical(here, there)
    assert told[-1] == (18, 18)  # nine draws, two blocks of sections


def test_costs_are_the_same_to_the_last_digit(crew, monkeypatch):
    monkeypatch.setattr(costing, "LONG", 0)
    c = case(count=60, draws=20)
    asked = {"policy": policy(follow_up=OVERLAY_AGAIN), "portfolios": all_portfolios(MEASURES), "seed": 7}
    here, there = (
        decide(c.posterior, c.programme, c.priors, **asked, workers=workers) for workers in (Threads(2), crew)
    )
    xr.testing.assert_identical(here.result, there.result)


@pytest.mark.filterwarnings("ignore::riskmodel.errors.RiskModelWarning")
def test_chains_are_the_same(crew, monkeypatch):
    """To the digits that compiled code keeps between the process that compiles it and the next."""
    monkeypatch.setattr(chains, "LONG", 0)
    sampling = Sampling(chains=2, draws=12, tune=25)
    here, there = (
        calibrate(records_of(PRIORS, 15), PRIORS, sampling=sampling, gate=False, crew=workers).posterior
        for workers in (Threads(2), crew)
    )
    assert list(here.data_vars) == list(there.data_vars)
    for name in here.data_vars:
        np.testing.assert_allclose(here[name].values, there[name].values, rtol=1e-6, atol=1e-9)


# -------------------------------------------------------------------------------------- what goes wrong


def test_what_an_item_raises_is_raised_and_the_next_job_works(crew):
    with pytest.raises(RiskModelError, match="seven is too much"):
        crew.map(Bad(), [7, 500])
    with pytest.raises(ConnectionError, match="eight does not answer"):  # of its own, no lost process
        crew.map(Bad(), [8, 500])
    assert [square for square, _ in crew.map(Slow(), [3, 4])] == [9, 16]


def test_warnings_come_back(crew):
    with pytest.warns(RiskModelWarning) as caught:
        crew.map(Warned(), [1, 3])
    assert {str(w.message) for w in caught} == {"item 1 is odd", "item 3 is odd"}


def test_a_lost_process_is_told_plainly(crew):
    with pytest.raises(LostProcessError, match=r"want of memory\. Finished stages are kept"):
        crew.map(Deadly(), [1, 2])
    assert [square for square, _ in crew.map(Slow(), [3, 4])] == [9, 16]


PARENT = """
import signal, sys, test_processes
from riskmodel.processes import processes_at
if __name__ == "__main__":
    signal.signal(signal.SIGINT, signal.default_int_handler)  # a shell's background jobs are born deaf to it
    with processes_at(2) as crew:
        crew.map(test_processes.Slow(step=0.05), [10_000, 10_000], lambda done: print(done, flush=True))
"""


def status_of(process: int) -> tuple[str, int]:
    """State of a process and its parent, by /proc; no state where there is no such process."""
    try:
        text = Path(f"/proc/{process}/stat").read_text(encoding="utf-8")
    except (FileNotFoundError, ProcessLookupError):
        return "", 0
    state, parent = text.rpartition(")")[2].split()[:2]
    return state, int(parent)


def children(process: int) -> set[int]:
    """Processes below one."""
    every = [int(place.name) for place in Path("/proc").iterdir() if place.name.isdecimal()]
    own = {one for one in every if status_of(one)[1] == process}
    return own.union(*(children(one) for one in own))


def running(process: int) -> bool:
    return status_of(process)[0] not in ("", "Z")


@pytest.mark.skipif(not Path("/proc").is_dir(), reason="looks into /proc")
@pytest.mark.parametrize("how", [signal.SIGKILL, signal.SIGTERM, signal.SIGINT])
def test_no_process_is_left_where_the_parent_ends(tmp_path: Path, how: signal.Signals):
    script = tmp_path / "parent.py"
    script.write_text(PARENT, encoding="utf-8")
    paths = os.pathsep.join([str(HERE), str(HERE.parent)])
    with subprocess.Popen(
        [sys.executable, str(script)], stdout=subprocess.PIPE, stderr=subprocess.DEVNULL, text=True,
        env={**os.environ, "PYTHONPATH": paths},
    ) as parent:  # fmt: skip
        assert parent.stdout is not None
        while not int(parent.stdout.readline() or "1"):
            pass
        below = children(parent.pid)
        assert len(below) >= 2
        parent.send_signal(how)
        parent.wait(timeout=20)
    end = time.monotonic() + 20.0
    while time.monotonic() < end and any(running(one) for one in below):
        time.sleep(LOOK)
    assert [one for one in below if running(one)] == []
