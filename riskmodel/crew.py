"""Who works the pieces of a long job: threads of this machine, or the workers of a cluster (`cluster`).

A job is cut by draw, by chain or by data set, and nothing is added up across its pieces, so that the numbers
do not depend on who works them or on how many pieces there are.
"""

from __future__ import annotations

import os
import threading
from collections.abc import Callable, Sequence
from concurrent.futures import FIRST_EXCEPTION, ThreadPoolExecutor, wait
from dataclasses import dataclass
from itertools import pairwise
from typing import Protocol

__all__ = [
    "Crew", "Once", "StoppedError", "Tell", "Threads", "Workers", "crew_of", "even_cuts", "keep_products_whole",
    "machine_threads", "products_are_whole",
]  # fmt: skip

POLL_SECONDS = 0.2
# OpenBLAS, MKL, Accelerate; dask's nanny sets the first two
PRODUCT_THREADS = ("OPENBLAS_NUM_THREADS", "MKL_NUM_THREADS", "VECLIB_MAXIMUM_THREADS")
Tell = Callable[[int], None]
"""Called by a piece of work with the steps it has done so far. It raises `StoppedError` where nobody waits any more."""
_MAKING = threading.RLock()


class StoppedError(Exception):
    """Nobody waits for this piece of work any more."""


class Crew(Protocol):
    """Who works the pieces of a job."""

    def cut(self, count: int) -> list[slice]:
        """As many pieces of `count` draws as keep everybody busy."""

    def map[T, R](
        self, work: Callable[[T, Tell], R], items: Sequence[T], told: Callable[[int], None] | None = None
    ) -> list[R]:
        """Work every item.

        Parameters
        ----------
        work : callable (item, tell)
            A function of a module, or an instance of a class of one: it travels to whoever works it. It calls
            `tell` with its steps done so far, now and then. Two methods are optional: `prepare()`, called before
            threads work it, and `long(items, running)`, whether it is worth processes, which may run already; so is
            `ahead`, other work with its `items`, which new processes do first.
        items : sequence
        told : callable (steps), optional
            Told the steps done of all items together.

        Returns
        -------
        list
            Results in the order of the items.
        """


@dataclass(frozen=True)
class Threads:
    """Threads of this process.

    Parameters
    ----------
    count : int
    """

    count: int = 1

    def cut(self, count: int) -> list[slice]:
        """One piece a thread."""
        return even_cuts(count, self.count)

    def map[T, R](
        self, work: Callable[[T, Tell], R], items: Sequence[T], told: Callable[[int], None] | None = None
    ) -> list[R]:
        """Work every item (see `Crew`); an interrupt ends all of them at their next step.

        Work that has to be prepared (`prepare` of the work) is so here, where an interrupt ends that at once.
        """
        getattr(work, "prepare", lambda: None)()
        steps, stop = [0] * len(items), threading.Event()

        def run(number: int) -> R:
            def tell(done: int) -> None:
                steps[number] = done
                if stop.is_set():
                    raise StoppedError

            return work(items[number], tell)

        with ThreadPoolExecutor(self.count) as pool:
            futures = [pool.submit(run, number) for number in range(len(items))]
            try:
                finished = False
                while not finished:
                    done, _ = wait(futures, POLL_SECONDS, FIRST_EXCEPTION)
                    finished = len(done) == len(futures)
                    for future in done:
                        future.result()
                    if told is not None:
                        told(sum(steps))
                return [future.result() for future in futures]
            except BaseException:
                stop.set()
                pool.shutdown(wait=False, cancel_futures=True)
                raise


Workers = int | Crew
"""A number of threads, or a crew."""


def crew_of(workers: Workers) -> Crew:
    """Threads where a number is given."""
    return Threads(workers) if isinstance(workers, int) else workers


def machine_threads(workers: Workers) -> int:
    """Threads of this machine for work that stays here whoever does the rest."""
    return workers if isinstance(workers, int) else os.cpu_count() or 1


def keep_products_whole() -> None:
    """Let a matrix product run in one thread, so that it rounds alike on every machine; before NumPy is loaded."""
    os.environ.update(dict.fromkeys(PRODUCT_THREADS, "1"))


def products_are_whole() -> bool:
    """Whether this process was started so."""
    return "1" in (os.environ.get("OMP_NUM_THREADS"), os.environ.get(PRODUCT_THREADS[0]))


def even_cuts(count: int, pieces: int) -> list[slice]:
    """At most `pieces` slices of even length that cover `count` places."""
    number = max(1, min(pieces, count))
    edges = [count * i // number for i in range(number + 1)]
    return [slice(a, b) for a, b in pairwise(edges)]


class Once[T]:
    """Something that every process makes once for itself, such as compiled code: it is made again, never sent.

    Parameters
    ----------
    make : callable
    """

    def __init__(self, make: Callable[[], T]):
        self.make = make
        self._made: list[T] = []

    def __call__(self) -> T:
        """What was made."""
        with _MAKING:
            if not self._made:
                self._made.append(self.make())
            return self._made[0]

    def __reduce__(self) -> tuple[type[Once[T]], tuple[Callable[[], T]]]:
        return Once, (self.make,)
