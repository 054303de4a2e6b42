"""Runs that die or fail at a chosen file operation: forked from one process that has everything loaded and worked out.

`python faulty_runs.py FOLDER FAULT FIRST STEP` runs a small study before and after a change of its records, lets the
second run meet the fault at every STEP-th operation from FIRST on, and prints one line of JSON a case. Numbers are
stand-ins, worked out once: the subject is files.
"""

from __future__ import annotations

import contextlib
import errno
import json
import os
import random
import resource
import shutil
import signal
import sys
import time
import warnings
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import surveyed
from runs import FEW, SURVEYS, files_of, write_recorded

from riskmodel import pipeline
from riskmodel.errors import RiskModelWarning, StoreError
from riskmodel.study import read_study
from riskmodel.verification import FAULTY, verify_study

MONEY = """[decision]
price_year = 2024
follow_up = "reconstruct"
reconstruction_life = { p05 = 22, p50 = 32, p95 = 45 }
reconstruction_shape = 3.5
"""
SLOW = (
    *("calibrate.calibrate", "calibrate.parameter_table", "simulate.simulate", "simulate.portfolio_table"),
    *("simulate.cause_table", "exclusion.exclusion_table", "criticism.criticise", "brief.build_page", "stages.weigh"),
    *("briefdesk.exclude_where_possible",),
)
WRITES = ("os.rename", "os.mkdir", "os.remove", "os.rmdir", "os.truncate")
RANDOM_TIMES = 40


def put(name: str, value: object) -> None:
    module, _, attribute = name.rpartition(".")
    __import__(module)
    setattr(sys.modules[module], attribute, value)


def remember(name: str, which: Callable[[], str]) -> None:
    """Work out what a function answers once for each state of the records."""
    __import__(f"riskmodel.{name.rpartition('.')[0]}")
    module, _, attribute = f"riskmodel.{name}".rpartition(".")
    real, answers = getattr(sys.modules[module], attribute), {}

    def quick(*given: Any, **named: Any) -> Any:
        if which() not in answers:
            with warnings.catch_warnings(record=True) as caught:
                warnings.simplefilter("always", RiskModelWarning)
                answers[which()] = real(*given, **named), caught
        answer, caught = answers[which()]
        for warning in caught:
            if issubclass(warning.category, RiskModelWarning):
                warnings.warn(warning.message, stacklevel=2)
        return answer

    put(f"riskmodel.{name}", quick)


def watch(folder: Path, at: Callable[[int], None]) -> None:
    """Call `at` with its number before each operation that changes a file of a folder."""
    done = 0

    def hook(event: str, given: tuple[Any, ...]) -> None:
        nonlocal done
        writes = event == "open" and isinstance(given[1], str) and given[1] not in ("r", "rb")
        named = (writes or event in WRITES) and isinstance(given[0], str | os.PathLike)
        if named and os.path.realpath(os.fspath(given[0])).startswith(str(folder)):
            done += 1
            at(done)

    sys.addaudithook(hook)


def fault_at(fault: str, place: int) -> Callable[[int], None]:
    """What happens at an operation."""

    def at(done: int) -> None:
        if fault == "killed" and done == place:
            os.kill(os.getpid(), signal.SIGKILL)
        if fault == "full" and done == place:
            raise OSError(errno.ENOSPC, os.strerror(errno.ENOSPC))
        if fault == "full from then on" and done >= place:
            raise OSError(errno.ENOSPC, os.strerror(errno.ENOSPC))
        if fault == "read-only":
            raise OSError(errno.EACCES, os.strerror(errno.EACCES))

    return at


def forked(work: Callable[[], None]) -> int:
    """Process that does the work: status 0 done, 2 refused in words, 9 anything else."""
    with warnings.catch_warnings():
        warnings.simplefilter("ignore", DeprecationWarning)  # idle threads of libraries stay behind
        child = os.fork()
    if child:
        return child
    status = 9
    try:
        work()
        status = 0
    except StoreError as error:
        print(json.dumps({"said": str(error)}), flush=True)
        status = 2
    except BaseException as error:
        print(json.dumps({"said": repr(error)}), flush=True)
    os._exit(status)


def ended(child: int) -> str:
    _, status = os.waitpid(child, 0)
    return "killed" if os.WIFSIGNALED(status) else str(os.waitstatus_to_exitcode(status))


class Bench:
    """A study with results of before, and what they become."""

    def __init__(self, folder: Path):
        self.study, self.good = folder / "north", folder / "good"
        write_recorded(self.study, MONEY + FEW)
        surveyed.stand_in(put)
        for name in SLOW:
            remember(name, lambda: (self.study / "v.csv").read_text())
        self.run()
        shutil.copytree(self.study, self.good)
        self.old = self.results()
        self.change()
        self.run()
        self.new = self.results()
        shutil.rmtree(self.study)

    def run(self) -> tuple[str, ...]:
        with warnings.catch_warnings():
            warnings.simplefilter("ignore")
            return pipeline.run_study(read_study(self.study), command="riskmodel run north").built

    def change(self) -> None:
        (self.study / "v.csv").write_text(SURVEYS.replace(",95\n", ",94\n"))

    def results(self) -> dict[str, bytes]:
        """All but the provenance, which states times; it is held against the files by `verify`."""
        found = files_of(self.study / "results")
        return {name: content for name, content in found.items() if name != "provenance.json"}

    def fresh(self) -> None:
        shutil.rmtree(self.study, ignore_errors=True)
        shutil.copytree(self.good, self.study)
        self.change()

    def states(self) -> list[str]:
        return sorted({f.state for f in verify_study(read_study(self.study)) if f.state in FAULTY})

    def after(self, case: dict[str, object]) -> dict[str, object]:
        """What lies there after a fault, and after the next run."""
        with contextlib.suppress(StoreError):
            pipeline.show_results(read_study(self.study))
        found = self.results()
        case["results"] = "old" if found == self.old else "new" if found == self.new else "neither"
        case["state"] = self.states()
        self.run()
        case["then"] = "new" if self.results() == self.new and not self.states() else "neither"
        case["litter"] = [p.name for p in (self.study / "results").rglob(".*") if p.name != ".lock"]
        return case

    def operations(self) -> int:
        """How many operations an undisturbed run makes."""
        self.fresh()
        counted = self.study.parent / "counted"

        def work() -> None:
            numbers: list[int] = []
            watch(self.study, numbers.append)
            self.run()
            counted.write_text(str(len(numbers)))

        assert ended(forked(work)) == "0"
        return int(counted.read_text())

    def meet(self, fault: str, place: int) -> dict[str, object]:
        self.fresh()

        def work() -> None:
            watch(self.study / "results", fault_at(fault, place))
            self.run()

        return self.after({"fault": fault, "at": place, "end": ended(forked(work))})

    def limited(self, size: int) -> dict[str, object]:
        """No file may grow beyond a size: the libraries below meet it, too."""
        self.fresh()

        def work() -> None:
            signal.signal(signal.SIGXFSZ, signal.SIG_IGN)
            resource.setrlimit(resource.RLIMIT_FSIZE, (size, size))
            self.run()

        return self.after({"fault": "file size", "at": size, "end": ended(forked(work))})

    def timed(self, seconds: float) -> dict[str, object]:
        self.fresh()
        child = forked(lambda: self.run() and None)
        time.sleep(seconds)
        with contextlib.suppress(ProcessLookupError):
            os.kill(child, signal.SIGKILL)
        return self.after({"fault": "killed", "at": round(seconds, 3), "end": ended(child)})


def cases(bench: Bench, fault: str, first: int, step: int) -> Iterator[dict[str, object]]:
    if fault == "read-only":
        yield bench.meet(fault, 0)
    elif fault == "file size":
        yield from (bench.limited(size) for size in (10, 1_000, 5_000, 20_000, 100_000)[::step])
    elif fault == "any time":
        bench.fresh()
        started = time.monotonic()
        bench.run()
        longest, rng = time.monotonic() - started, random.Random(1)
        yield from (bench.timed(rng.uniform(0.0, longest)) for _ in range(RANDOM_TIMES))
    else:
        yield from (bench.meet(fault, place) for place in range(first, bench.operations() + 1, step))


if __name__ == "__main__":
    bench = Bench(Path(sys.argv[1]).resolve())
    for case in cases(bench, sys.argv[2], int(sys.argv[3]), int(sys.argv[4])):
        print(json.dumps(case), flush=True)
