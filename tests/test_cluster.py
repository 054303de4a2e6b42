"""The same numbers from a real scheduler and two workers on loopback; what goes wrong with a cluster, in words."""

from __future__ import annotations

import os
import pty
import re
import shutil
import subprocess
import sys
import threading
import time
from collections.abc import Iterator
from pathlib import Path

import numpy as np
import pytest
import xarray as xr
from builders import priors
from clusters import HERE, PATHS, Counting, Processes, processes, refuse
from money_cases import MEASURES, case, policy
from recovery import Cases
from runs import FEW, files_of, said, write_study
from surveyed import records_of
from test_reweigh import PRIORS
from test_simulate import roads
from threadpoolctl import threadpool_limits

pytest.importorskip("distributed", reason="the optional extra `cluster` is not installed")

from riskmodel.calibrate import Calibration, Sampling, calibrate, records_log_likelihood
from riskmodel.cluster import Cluster, _worked, cluster_at, validate_versions
from riskmodel.crew import Threads
from riskmodel.decide import decide
from riskmodel.errors import ClusterError
from riskmodel.measures import all_portfolios
from riskmodel.policy import OVERLAY_AGAIN
from riskmodel.priordraws import prior_draws
from riskmodel.simulate import simulate

pytestmark = [pytest.mark.slow, pytest.mark.usefixtures("whole_products")]
NOWHERE = "tcp://127.0.0.1:9"


@pytest.fixture(scope="module")
def whole_products() -> Iterator[None]:
    """Matrix products in one thread, as in every process of the command line: NumPy is loaded already here."""
    with threadpool_limits(1, user_api="blas"):
        yield


@pytest.fixture(scope="module")
def address(tmp_path_factory: pytest.TempPathFactory) -> Iterator[str]:
    """A scheduler with two workers."""
    with processes(tmp_path_factory.mktemp("cluster")) as made:
        address = made.scheduler()
        for name in ("one", "two"):
            made.worker(name, address)
        yield address


@pytest.fixture(scope="module")
def crew(address: str) -> Iterator[Cluster]:
    with cluster_at(address) as found:
        yield found


@pytest.fixture
def own(tmp_path: Path) -> Iterator[Processes]:
    """Processes of one test alone."""
    with processes(tmp_path) as made:
        yield made


# ------------------------------------------------------------------------------------ the same numbers


def test_both_workers_work_and_results_come_in_order(crew: Cluster, tmp_path: Path):
    steps: list[int] = []
    items = [5, 30, 5, 30, 0, 7]
    found = crew.map(Counting(tmp_path), items, steps.append)
    assert [square for square, _ in found] == [n**2 for n in items]
    assert len({process for _, process in found} - {os.getpid()}) == 2
    assert steps == sorted(steps)
    assert 0 < steps[len(steps) // 2] < sum(items)


def test_draws_are_cut_for_both_workers(crew: Cluster):
    cuts = crew.cut(100)
    assert len(cuts) == 6
    assert [n for cut in cuts for n in range(100)[cut]] == list(range(100))


def test_a_simulation_is_the_same_to_the_last_digit(crew: Cluster):
    p = priors()
    programme, posterior = roads(p, 1100), prior_draws(p, draws=9, seed=1)
    asked = {"portfolios": all_portfolios(MEASURES), "seed": 1}
    here = simulate(posterior, programme, p, **asked, workers=2)
    told: list[tuple[int, int]] = []
    there = simulate(posterior, programme, p, **asked, workers=crew, progress=lambda d, n, _: told.append((d, n)))
    xr.testing.assert_identical(here, there)
    assert told == sorted(told)
    assert told[-1] == (18, 18)  # nine draws, two blocks of sections


def test_costs_are_the_same_to_the_last_digit(crew: Cluster):
    c = case(count=60, draws=20)
    asked = {"policy": policy(follow_up=OVERLAY_AGAIN), "portfolios": all_portfolios(MEASURES), "seed": 7}
    here, there = (
        decide(c.posterior, c.programme, c.priors, **asked, workers=workers) for workers in (Threads(2), crew)
    )
    xr.testing.assert_identical(here.result, there.result)


def numbers(calibration: Calibration) -> xr.DataTree:
    """Its arrays, without the time at which they were made."""
    tree = calibration.tree
    return xr.DataTree.from_dict({name: tree[name].to_dataset().drop_attrs() for name in tree.children})


COMPILE = """
from surveyed import records_of
from test_reweigh import PRIORS
from riskmodel.calibrate import Sampling, calibrate
calibrate(records_of(PRIORS, 15), PRIORS, sampling=Sampling(chains=2, draws=12, tune=25), gate=False)
"""


@pytest.fixture(scope="module")
def compiled() -> None:
    """Compiled code is on disk for everybody: the process that compiles rounds otherwise than the next."""
    env = {**os.environ, "PYTHONPATH": os.pathsep.join(PATHS)}
    answer = subprocess.run([sys.executable, "-c", COMPILE], capture_output=True, text=True, env=env, check=False)
    assert answer.returncode == 0, answer.stderr


@pytest.mark.usefixtures("compiled")
def test_chains_and_likelihoods_are_the_same_to_the_last_digit(crew: Cluster):
    records = records_of(PRIORS, 15)
    sampling = Sampling(chains=2, draws=12, tune=25)
    told: list[tuple[int, int, str]] = []
    here = calibrate(records, PRIORS, sampling=sampling, gate=False)
    there = calibrate(records, PRIORS, sampling=sampling, gate=False, crew=crew, progress=lambda *now: told.append(now))
    xr.testing.assert_equal(numbers(here), numbers(there))
    draws = here.posterior
    assert not np.array_equal(draws["removal_lag"][0], draws["removal_lag"][1])
    assert told[0] == (0, 1, "preparing the model")
    assert told[-1] == (74, 74, "sampling")
    weighed = records_log_likelihood(records, PRIORS, draws, crew=crew)
    np.testing.assert_array_equal(weighed, here.tree["log_likelihood"]["records"])


@pytest.mark.usefixtures("compiled")
def test_data_sets_with_known_truth_are_the_same_to_the_last_digit(crew: Cluster):
    """Simulation-based calibration: each data set is drawn, calibrated and ranked on a worker."""
    work = Cases(sections=25, draws=20)
    assert crew.map(work, [3, 4]) == Threads().map(work, [3, 4])


# ---------------------------------------------------------------------------------- what goes wrong


def test_pieces_of_a_killed_worker_are_worked_by_the_other(own: Processes, tmp_path: Path):
    address = own.scheduler()
    for name in ("one", "two"):
        own.worker(name, address)
    steps: list[int] = []

    def watch(done: int) -> None:
        steps.append(done)
        if done > 20 and "one" in own.running:
            own.kill("one")

    with cluster_at(address) as crew:
        found = crew.map(Counting(tmp_path), [40] * 4, watch)
    assert [square for square, _ in found] == [1600] * 4
    assert "one" not in own.running
    assert steps[-1] == 160


def test_a_simulation_survives_a_killed_worker(own: Processes):
    p = priors()
    programme, posterior = roads(p, 1100), prior_draws(p, draws=60, seed=1)
    here = simulate(posterior, programme, p, portfolios=all_portfolios(MEASURES), seed=1)
    address = own.scheduler()
    for name in ("one", "two"):
        own.worker(name, address)

    def watch(done: int, total: int, text: str) -> None:
        if 0 < done < total and "two" in own.running:
            own.kill("two")

    with cluster_at(address) as crew:
        there = simulate(
            posterior, programme, p, portfolios=all_portfolios(MEASURES), seed=1, workers=crew, progress=watch
        )
    assert "two" not in own.running
    xr.testing.assert_identical(here, there)


def test_a_fault_of_the_work_comes_back_as_it_is(crew: Cluster):
    with pytest.raises(ArithmeticError, match="3 cannot be worked"):
        crew.map(refuse, [1, 2, 3, 4])


def test_an_interrupt_ends_the_pieces_on_the_workers(crew: Cluster, tmp_path: Path):
    def interrupt(done: int) -> None:
        if done:
            raise KeyboardInterrupt

    with pytest.raises(KeyboardInterrupt):
        crew.map(Counting(tmp_path), [1000, 1000, 1000], interrupt)
    ends = time.monotonic() + 10
    while len(list(tmp_path.iterdir())) < 1 and time.monotonic() < ends:
        time.sleep(0.1)
    assert {file.read_text() for file in tmp_path.iterdir()} == {"StoppedError"}
    assert crew.map(refuse, [1, 2]) == [1, 2]


def test_a_lost_scheduler_is_told(own: Processes, tmp_path: Path):
    address = own.scheduler()
    own.worker("one", address)

    def watch(done: int) -> None:
        if done and "scheduler" in own.running:
            own.kill("scheduler")

    with cluster_at(address) as crew, pytest.raises(ClusterError, match=r"was lost.*Finished stages are kept"):
        crew.map(Counting(tmp_path), [400], watch)


def test_a_scheduler_without_workers_is_told(own: Processes, monkeypatch: pytest.MonkeyPatch):
    monkeypatch.setattr("riskmodel.cluster.CONNECT_SECONDS", 1)
    address = own.scheduler()
    with pytest.raises(ClusterError, match=f"{address} has no workers. Start some"), cluster_at(address):
        pass


def test_a_worker_with_other_code_is_refused(own: Processes, tmp_path: Path):
    shutil.copytree(HERE.parent / "riskmodel", tmp_path / "other" / "riskmodel")
    with (tmp_path / "other" / "riskmodel" / "streams.py").open("a") as file:
        file.write("# another day\n")
    address = own.scheduler()
    own.worker("old", address, paths=(str(tmp_path / "other"), *PATHS))
    with pytest.raises(ClusterError, match="another riskmodel than here is installed on"), cluster_at(address):
        pass


def test_a_worker_without_riskmodel_is_refused(own: Processes, tmp_path: Path):
    (tmp_path / "bare").mkdir()
    (tmp_path / "bare" / "sitecustomize.py").write_text(
        "import importlib.metadata as m, sys\n"
        "real = m.version\n"
        "def version(name):\n"
        "    if 'riskmodel' in name:\n"
        "        raise m.PackageNotFoundError(name)\n"
        "    return real(name)\n"
        "m.version = version\n"
        "sys.modules['riskmodel'] = None\n"
    )
    address = own.scheduler(paths=(str(tmp_path / "bare"),))
    own.worker("bare", address, paths=(str(tmp_path / "bare"),))
    with pytest.raises(ClusterError, match=r"overlay-riskmodel is missing; here 0\.") as raised, cluster_at(address):
        pass
    assert "the scheduler: overlay-riskmodel is missing" in str(raised.value)
    assert "worker tcp://" in str(raised.value)


def test_a_worker_that_came_later_with_other_code_is_refused():
    with pytest.raises(ClusterError, match="another riskmodel than here is installed on a worker that came later"):
        _worked(refuse, 1, 0, "job", "another digest")


def test_every_other_version_is_named(crew: Cluster):
    found = crew.client.get_versions(packages=["numpy", "nutpie"])
    worker = next(iter(found["workers"]))
    validate_versions(found)
    found["workers"][worker]["packages"] |= {"numpy": "1.0", "nutpie": None, "python": "3.1.final.0"}
    with pytest.raises(ClusterError) as raised:
        validate_versions(found)
    text = str(raised.value)
    assert text.count("\n") == 3
    assert f"worker {worker}: numpy 1.0; here {np.__version__}" in text
    assert "nutpie is missing; here " in text
    assert "python 3.1" in text
    assert text.endswith("Give scheduler and workers the same environment as this machine.")


def test_products_in_several_threads_are_refused(own: Processes, monkeypatch: pytest.MonkeyPatch):
    address = own.scheduler()
    own.worker("split", address, threads="2")
    with pytest.raises(ClusterError, match=r"round differently\. Start workers with OMP_NUM_THREADS=1"):
        cluster_at(address).__enter__()


def test_other_processors_are_noted(crew: Cluster, monkeypatch: pytest.MonkeyPatch):
    monkeypatch.setattr("riskmodel.cluster._processor", lambda: "abacus")
    with pytest.warns(UserWarning, match="not this machine's \\(abacus\\).*last digits"):
        crew.map(refuse, [1])


# -------------------------------------------------------------------------------- the command line


def test_a_run_on_the_cluster_writes_the_same_numbers(
    address: str, tmp_path: Path, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
):
    for place in ("here", "there"):
        (tmp_path / place).mkdir()
    here, there = (write_study(tmp_path / place / "north") for place in ("here", "there"))
    assert said(capsys, "run", here)[0] == 0
    assert said(capsys, "run", there, "--scheduler", address)[0] == 0
    monkeypatch.setenv("RISKMODEL_SCHEDULER", NOWHERE)
    monkeypatch.setattr("riskmodel.cluster.CONNECT_SECONDS", 1)
    assert said(capsys, "run", here)[0] == 2
    one, other = files_of(here), files_of(there)
    assert set(one) == set(other)
    assert len(one) > 10
    # the provenance says when each stage ended
    assert [name for name in one if one[name] != other[name]] == ["results/provenance.json"]


@pytest.mark.parametrize("command", ["run", "update"])
def test_nobody_answers_and_nothing_is_written(
    command: str, tmp_path: Path, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
):
    monkeypatch.setattr("riskmodel.cluster.CONNECT_SECONDS", 1)
    folder = write_study(tmp_path / "north")
    before = files_of(folder)
    status, out, err = said(capsys, command, folder, "--scheduler", NOWHERE)
    assert (status, out) == (2, "")
    assert f"no scheduler answers at {NOWHERE} within 1 s." in err
    assert len(err.splitlines()) == 1
    assert files_of(folder) == before
    assert not (folder / "results").exists()


def test_a_scheduler_lost_in_the_middle_leaves_finished_stages_alone(
    own: Processes, tmp_path: Path, capsys: pytest.CaptureFixture[str]
):
    address = own.scheduler()
    own.worker("one", address)
    folder = write_study(tmp_path / "north", FEW.replace("draws = 20", "draws = 500"))
    line = [sys.executable, "-m", "riskmodel", "run", str(folder), "--scheduler", address]
    run = subprocess.Popen(line, stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True, cwd=HERE.parent)
    assert run.stderr is not None
    told = ""
    while "Calibrating:" not in told:
        told = run.stderr.readline()
    own.kill("scheduler")
    _, err = run.communicate(timeout=120)
    assert run.returncode == 2, err
    assert "was lost" in err.splitlines()[-1]
    left = {path.name for path in (folder / "results").iterdir()}
    assert ".unfinished" in left
    assert left <= {".unfinished", ".lock"}
    status, _, err = said(capsys, "run", folder)
    assert status == 0
    assert "Calibrating: up to date" in err
    assert "Simulating: up to date" not in err


def test_progress_is_shown_on_a_terminal(address: str, tmp_path: Path):
    folder = write_study(tmp_path / "north", FEW.replace("draws = 20", "draws = 500"))
    ours, theirs = pty.openpty()
    line = [sys.executable, "-m", "riskmodel", "run", str(folder), "--scheduler", address]
    run = subprocess.Popen(line, stdout=subprocess.DEVNULL, stderr=theirs, cwd=HERE.parent)
    os.close(theirs)
    seen = bytearray()

    def read() -> None:
        while True:
            try:
                seen.extend(os.read(ours, 4096))
            except OSError:  # the other end is closed
                return

    reader = threading.Thread(target=read)
    reader.start()
    assert run.wait(timeout=120) == 0
    reader.join(timeout=10)
    os.close(ours)
    shares = [int(share) for share in re.findall(r"\rSimulating: (\d+)%", seen.decode())]
    assert shares == sorted(shares)
    assert any(0 < share < 100 for share in shares)
