"""A real scheduler and its workers on loopback, as processes of their own; and work for them."""

from __future__ import annotations

import contextlib
import os
import signal
import subprocess
import sys
import time
from collections.abc import Callable, Iterator
from dataclasses import dataclass, field
from pathlib import Path

HERE = Path(__file__).parent
PATHS = (str(HERE.parent), str(HERE))
STARTS_WITHIN = 60.0


@dataclass
class Processes:
    """A scheduler and its workers.

    Parameters
    ----------
    folder : Path
        Where their logs go.
    """

    folder: Path
    running: dict[str, subprocess.Popen[bytes]] = field(default_factory=dict)

    def scheduler(self, *, paths: tuple[str, ...] = PATHS) -> str:
        """Start a scheduler; its address."""
        self._start("scheduler", "dask_scheduler", ["--port", "0"], paths)
        found = self._awaited("scheduler", "Scheduler at:")
        return found.split()[-1]

    def worker(self, name: str, address: str, *, paths: tuple[str, ...] = PATHS, threads: str = "1") -> None:
        """Start a worker of one thread."""
        options = [address, "--no-nanny", "--nthreads", "1", "--name", name, "--local-directory", str(self.folder)]
        self._start(name, "dask_worker", options, paths, threads)
        self._awaited(name, "Registered to:")

    def kill(self, name: str) -> None:
        """End a process without a word."""
        process = self.running.pop(name)
        process.send_signal(signal.SIGKILL)
        process.wait()

    def log(self, name: str) -> str:
        """What it has said."""
        return (self.folder / f"{name}.log").read_text()

    def _start(self, name: str, module: str, options: list[str], paths: tuple[str, ...], threads: str = "1") -> None:
        line = [sys.executable, "-m", f"distributed.cli.{module}", "--host", "127.0.0.1", "--no-dashboard", *options]
        env = {**os.environ, "PYTHONPATH": os.pathsep.join(paths), "PYTHONWARNINGS": "ignore"}
        env |= {"OMP_NUM_THREADS": threads, "OPENBLAS_NUM_THREADS": threads}
        with (self.folder / f"{name}.log").open("wb") as log:
            self.running[name] = subprocess.Popen(line, stdout=log, stderr=log, env=env, cwd=self.folder)

    def _awaited(self, name: str, words: str) -> str:
        ends = time.monotonic() + STARTS_WITHIN
        while time.monotonic() < ends:
            for line in self.log(name).splitlines():
                if words in line:
                    return line
            assert self.running[name].poll() is None, self.log(name)
            time.sleep(0.1)
        raise AssertionError(f"{name} did not start: {self.log(name)}")


@contextlib.contextmanager
def processes(folder: Path) -> Iterator[Processes]:
    """Processes that end with the test."""
    made = Processes(folder)
    try:
        yield made
    finally:
        for process in made.running.values():
            process.kill()
        for process in made.running.values():
            process.wait()


@dataclass(frozen=True)
class Counting:
    """Counts to the item, a step at a time, and says where: notes go to a folder, one file an item."""

    folder: Path
    seconds: float = 0.05

    def __call__(self, item: int, tell: Callable[[int], None]) -> tuple[int, int]:
        """The item squared, and the process that squared it."""
        try:
            for step in range(item):
                time.sleep(self.seconds)
                tell(step + 1)
        except BaseException as error:
            (self.folder / f"stopped {item}").write_text(type(error).__name__)
            raise
        return item**2, os.getpid()


def refuse(item: int, tell: Callable[[int], None]) -> int:
    """Cannot work 3."""
    tell(0)
    if item == 3:
        raise ArithmeticError("3 cannot be worked")
    return item
