"""Processes of this machine as a crew: for long work of which Python's own part is large, where threads take turns.

Each process has a pipe of its own and no lock is shared, so that an interrupt finds nothing half done.
"""

from __future__ import annotations

import os
import signal
import threading
import time
import warnings
from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager
from multiprocessing import connection, get_context, parent_process
from typing import Any

from .crew import POLL_SECONDS, Tell, Threads, even_cuts
from .errors import LostProcessError, RiskModelWarning

__all__ = ["Processes", "processes_at"]

NEXT, STEPS, RESULT, END, FAILED = range(5)
"""What a process says: it wants an item; steps of an item; its result; nothing left, and warnings; what it raised."""


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
        self.count = count
        self._running: dict[Any, Any] = {}  # process of each pipe

    def cut(self, count: int) -> list[slice]:
        """One piece a process."""
        return even_cuts(count, self.count)

    def map[T, R](
        self, work: Callable[[T, Tell], R], items: Sequence[T], told: Callable[[int], None] | None = None
    ) -> list[R]:
        """Work every item (see `Crew`); an interrupt ends the processes, and the next job gets new ones.

        Raises
        ------
        LostProcessError
            When the system ended one of the processes.
        """
        long = getattr(work, "long", None)
        if self.count < 2 or len(items) < 2 or long is None or not long(items, bool(self._running)):
            return Threads(self.count).map(work, items, told)
        try:
            ahead = None if self._running else getattr(work, "ahead", None)
            if ahead is not None:
                self._worked(ahead, ahead.items, None)
            return self._worked(work, items, told)
        except BaseException:
            self._end()
            raise

    def _worked(self, work: Any, items: Sequence[Any], told: Callable[[int], None] | None) -> list[Any]:
        self._begin(min(self.count, len(items)))
        numbers, busy = iter(range(len(items))), set(list(self._running)[: len(items)])
        for pipe in busy:
            with _told_plainly():
                pipe.send((work, items))
        found: dict[int, Any] = {}
        steps = [0] * len(items)
        while busy:
            ready: Any = connection.wait(busy, POLL_SECONDS)
            for pipe in ready:
                with _told_plainly():
                    said, *rest = pipe.recv()
                    if said == NEXT:
                        pipe.send(next(numbers, None))
                if said == NEXT:
                    continue
                if said == STEPS:
                    steps[rest[0]] = rest[1]
                elif said == RESULT:
                    found[rest[0]] = rest[1]
                elif said == END:
                    busy.remove(pipe)
                    for warning in rest[0]:
                        warnings.warn_explicit(*warning)
                else:
                    raise rest[0]
            if told is not None:
                told(sum(steps))
        return [found[number] for number in range(len(items))]

    def _begin(self, wanted: int) -> None:
        context = get_context("spawn")
        while len(self._running) < wanted:
            own, other = context.Pipe()
            process = context.Process(target=_serve, args=(other,), daemon=True)
            process.start()
            other.close()
            self._running[own] = process

    def _end(self) -> None:
        """End the processes at once, whatever they do."""
        running, self._running = self._running, {}
        for process in running.values():
            process.terminate()
        for pipe, process in running.items():
            process.join()
            pipe.close()

    def close(self) -> None:
        """End the processes, which have nothing to do."""
        self._end()


@contextmanager
def _told_plainly() -> Iterator[None]:
    """Say in our own words that a pipe has nobody at its other end."""
    try:
        yield
    except (EOFError, ConnectionError) as error:
        raise LostProcessError(
            "the system ended a process of this run, usually for want of memory. Finished stages are kept: close "
            "other programs and run again."
        ) from error


# ---------------------------------------------------------------------------------- in a process


def _serve(pipe: Any) -> None:
    """Work one job after the other, for as long as the parent lives; an interrupt is for the parent."""
    signal.signal(signal.SIGINT, signal.SIG_IGN)
    threading.Thread(target=_end_with_parent, daemon=True).start()
    while True:
        work, items = pipe.recv()
        try:
            _work(pipe, work, items)
        except Exception as error:
            _fail(pipe, error)


def _end_with_parent() -> None:
    parent = parent_process()
    if parent is not None:
        parent.join()
        os._exit(1)


def _work(pipe: Any, work: Callable[[Any, Tell], Any], items: Sequence[Any]) -> None:
    """Work items for as long as there are any that nobody has begun."""
    with warnings.catch_warnings(record=True) as caught:
        warnings.simplefilter("always", RiskModelWarning)
        while (number := _asked(pipe)) is not None:
            tell = _Teller(pipe, number)
            found = work(items[number], tell)
            tell.send()
            pipe.send((RESULT, number, found))
    pipe.send((END, [(w.message, w.category, w.filename, w.lineno) for w in caught]))


def _asked(pipe: Any) -> int | None:
    pipe.send((NEXT,))
    number: int | None = pipe.recv()
    return number


def _fail(pipe: Any, error: Exception) -> None:
    try:
        pipe.send((FAILED, error))
    except Exception:  # what cannot travel is told in words
        pipe.send((FAILED, RuntimeError(f"{type(error).__name__}: {error}")))


class _Teller:
    """Tells the parent of an item's steps, now and then."""

    def __init__(self, pipe: Any, number: int):
        self.pipe, self.number, self.done, self.told = pipe, number, 0, time.monotonic()

    def __call__(self, done: int) -> None:
        self.done = done
        if time.monotonic() - self.told > POLL_SECONDS:
            self.told = time.monotonic()
            self.send()

    def send(self) -> None:
        """Tell of what was done last."""
        self.pipe.send((STEPS, self.number, self.done))
