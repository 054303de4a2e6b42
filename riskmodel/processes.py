"""Processes of this machine as a crew: for long work of which Python's own part is large, where threads take turns."""

from __future__ import annotations

import os
import signal
import threading
import time
import warnings
from collections.abc import Callable, Iterator, Sequence
from concurrent.futures import FIRST_EXCEPTION, Future, ProcessPoolExecutor, wait
from concurrent.futures.process import BrokenProcessPool
from contextlib import contextmanager
from multiprocessing import active_children, get_context, parent_process
from typing import Any

from .crew import POLL_SECONDS, StoppedError, Tell, Threads, even_cuts
from .errors import LostProcessError, RiskModelWarning

__all__ = ["Processes", "processes_at"]

BEGUN = 0  # in place of the number of a job: a process tells its own
Shift = tuple[dict[int, Any], list[tuple[Warning, type[Warning], str, int]]]
"""Results of the items that a process worked, by their numbers, and the warnings that arose."""


@contextmanager
def processes_at(count: int) -> Iterator[Processes]:
    """A crew of `count` processes; they end with the context."""
    crew = Processes(count)
    try:
        yield crew
    finally:
        crew.close()


class Processes:
    """Processes of this machine (see `crew.Crew`), started when first there is long work, and kept.

    Work that says that it is long goes to them: `long(items, running)` of the work, which knows whether they would have
    to be started. The rest is worked by threads of this process. The numbers do not depend on it.

    Parameters
    ----------
    count : int
    """

    def __init__(self, count: int):
        self.count, self._jobs = count, 0
        self._pool: ProcessPoolExecutor | None = None
        self._own: set[int] = set()
        self._next: Any = None
        self._stop: Any = None
        self._steps: Any = None

    def cut(self, count: int) -> list[slice]:
        """One piece a process."""
        return even_cuts(count, self.count)

    def map[T, R](
        self, work: Callable[[T, Tell], R], items: Sequence[T], told: Callable[[int], None] | None = None
    ) -> list[R]:
        """Work every item (see `Crew`); an interrupt ends all of them at their next step.

        Raises
        ------
        LostProcessError
            When the system ended one of the processes.
        """
        long = getattr(work, "long", None)
        if self.count < 2 or len(items) < 2 or long is None or not long(items, self._pool is not None):
            return Threads(self.count).map(work, items, told)
        pool = self._begun()
        futures = [pool.submit(_worked, work, items, self._jobs) for _ in range(min(self.count, len(items)))]
        try:
            self._wait_for(futures, [0] * len(items), told)
            shifts = [future.result() for future in futures]
        except BrokenProcessPool as error:
            self._drop()
            raise LostProcessError(
                "the system ended a process of this run, usually for want of memory. Finished stages are kept: close "
                "other programs and run again."
            ) from error
        except BaseException:
            self._drop()
            raise
        for warning in (warning for _, caught in shifts for warning in caught):
            warnings.warn_explicit(*warning)
        found = {number: result for results, _ in shifts for number, result in results.items()}
        return [found[number] for number in range(len(items))]

    def close(self) -> None:
        """End the processes."""
        if self._pool is not None:
            self._pool.shutdown()
            self._pool = None

    def _begun(self) -> ProcessPoolExecutor:
        """The processes, ready for another job."""
        if self._pool is None:
            context = get_context("spawn")
            self._next, self._stop, self._steps = context.Value("l", 0), context.Event(), context.SimpleQueue()
            shared = (self._next, self._stop, self._steps)
            self._pool = ProcessPoolExecutor(self.count, context, _begin, shared)
        self._jobs, self._next.value = self._jobs + 1, 0
        return self._pool

    def _wait_for(self, futures: Sequence[Future[Shift]], steps: list[int], told: Callable[[int], None] | None) -> None:
        finished = False
        while not finished:
            done, _ = wait(futures, POLL_SECONDS, FIRST_EXCEPTION)
            finished = len(done) == len(futures)
            for future in done:
                future.result()
            while not self._steps.empty():
                job, number, count = self._steps.get()
                if job == BEGUN:
                    self._own.add(number)
                elif job == self._jobs:
                    steps[number] = count
            if told is not None:
                told(sum(steps))

    def _drop(self) -> None:
        """End what is being worked, at once; the next job gets processes of its own."""
        pool, self._pool = self._pool, None
        self._stop.set()
        for child in active_children():
            if child.pid in self._own:
                child.terminate()
        if pool is not None:
            pool.shutdown(cancel_futures=True)


# ---------------------------------------------------------------------------------- in a process


class _Here:
    """What the parent shares with this process."""

    next: Any
    stop: Any
    steps: Any


def _begin(next_: Any, stop: Any, steps: Any) -> None:
    """An interrupt is for the parent, which then ends this process; and where the parent ends, it ends too."""
    signal.signal(signal.SIGINT, signal.SIG_IGN)
    threading.Thread(target=_end_with_parent, daemon=True).start()
    _Here.next, _Here.stop, _Here.steps = next_, stop, steps
    steps.put((BEGUN, os.getpid(), 0))


def _end_with_parent() -> None:
    parent = parent_process()
    if parent is not None:
        parent.join()
        os._exit(1)


def _worked[T, R](work: Callable[[T, Tell], R], items: Sequence[T], job: int) -> Shift:
    """Work items for as long as there are any that nobody has begun."""
    found: dict[int, Any] = {}
    with warnings.catch_warnings(record=True) as caught:
        warnings.simplefilter("always", RiskModelWarning)
        while (number := _take()) < len(items):
            teller = _Teller(job, number)
            found[number] = work(items[number], teller)
            teller.end()
    return found, [(w.message, w.category, w.filename, w.lineno) for w in caught if isinstance(w.message, Warning)]


def _take() -> int:
    with _Here.next.get_lock():
        _Here.next.value += 1
        return int(_Here.next.value) - 1


class _Teller:
    """Tells the parent of an item's steps, now and then."""

    def __init__(self, job: int, number: int):
        self.place, self.done, self.told = (job, number), 0, time.monotonic()

    def __call__(self, done: int) -> None:
        if _Here.stop.is_set():
            raise StoppedError
        self.done = done
        if time.monotonic() - self.told > POLL_SECONDS:
            self.told = time.monotonic()
            self.end()

    def end(self) -> None:
        """Tell of what was done last."""
        _Here.steps.put((*self.place, self.done))
