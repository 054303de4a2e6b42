"""A Dask cluster as a crew: the same pieces of work, on the workers of an existing scheduler.

Pieces and results travel in distributed's own serialisation, which runs whatever it is sent: a scheduler and
its workers belong in a network that is trusted. Nothing is written on a worker.
"""

from __future__ import annotations

import contextlib
import logging
import platform
import time
import uuid
import warnings
from collections.abc import Callable, Iterator, Mapping, Sequence
from concurrent.futures import CancelledError
from typing import TYPE_CHECKING, Any

from .crew import StoppedError, Tell, even_cuts, products_are_whole
from .errors import ClusterError, RiskModelWarning
from .store import PACKAGES, code_digest

if TYPE_CHECKING:
    from distributed import Client

__all__ = ["Cluster", "cluster_at"]

EXTRA = "pip install 'overlay-riskmodel[cluster]'"
CONNECT_SECONDS = 10
WAIT_SECONDS = 60
"""How long a job waits for workers before it gives up."""
POLL_SECONDS = 0.5
PIECES, FEWEST = 3, 16
"""Pieces a thread, so that a slow or lost worker delays the others little; draws a piece, since the constants of a
section are worked for every piece and take as long as nine of its draws."""
TRAVELLING = ("dask", "distributed", "cloudpickle", "msgpack")


@contextlib.contextmanager
def cluster_at(address: str) -> Iterator[Cluster]:
    """Use the cluster of a scheduler.

    Parameters
    ----------
    address : str
        For example `tcp://10.0.0.5:8786`; `tls://` takes its certificates from Dask's configuration.

    Raises
    ------
    ClusterError
        When `distributed` is missing, nobody answers, no worker is there, or a worker has another riskmodel,
        Python or library than this machine.
    """
    try:
        import distributed
    except ImportError as error:
        raise ClusterError(f"a cluster needs the libraries dask and distributed. Install them: {EXTRA}") from error
    with _quiet():
        try:
            client = distributed.Client(address, timeout=CONNECT_SECONDS, set_as_default=False, name="riskmodel")
        except (OSError, ValueError, TimeoutError) as error:
            raise ClusterError(
                f"no scheduler answers at {address} within {CONNECT_SECONDS} s. Is `dask scheduler` running there, and "
                f"is its port open from here?"
            ) from error
        try:
            yield Cluster(client, address)
        finally:
            with contextlib.suppress(Exception):
                client.close(timeout=CONNECT_SECONDS)


@contextlib.contextmanager
def _quiet() -> Iterator[None]:
    """Keep what distributed logs of lost connections off the terminal; what matters is told in an error."""
    logger = logging.getLogger("distributed")
    loggers = [logger, *(logging.getLogger(n) for n in logging.root.manager.loggerDict if n.startswith("distributed."))]
    levels = [one.level for one in loggers]
    for one in loggers:
        one.setLevel(logging.CRITICAL + 1)
    try:
        yield
    finally:
        for one, level in zip(loggers, levels, strict=True):
            one.setLevel(level)


class Cluster:
    """The workers of a scheduler (see `crew.Crew`).

    Parameters
    ----------
    client : distributed.Client
    address : str
    """

    def __init__(self, client: Client, address: str):
        self.client, self.address, self.code = client, address, code_digest()
        with self._told_plainly():
            self._wait_for_workers()
            versions: Any = client.get_versions(packages=list(PACKAGES))
            validate_versions(versions)
            found = client.run(installed)
        other = sorted(worker for worker, (code, *_) in found.items() if code != self.code)
        if other:
            raise ClusterError(_other_code(", ".join(other)))
        split = sorted(worker for worker, (*_, whole) in found.items() if not whole)
        if split:
            raise ClusterError(
                f"the matrix products of {', '.join(split)} run in several threads and round differently. Start "
                "workers with OMP_NUM_THREADS=1; `dask worker` does so by itself unless it is told --no-nanny."
            )
        self.processors = {worker: processor for worker, (_, processor, _) in found.items()}

    def cut(self, count: int) -> list[slice]:
        """A few pieces a thread, of a fair number of draws each."""
        with self._told_plainly():
            threads = sum(self.client.nthreads().values())
        return even_cuts(count, min(PIECES * threads, max(threads, count // FEWEST)))

    def map[T, R](
        self, work: Callable[[T, Tell], R], items: Sequence[T], told: Callable[[int], None] | None = None
    ) -> list[R]:
        """Work every item (see `Crew`).

        Pieces of a worker that is lost are worked again by another one.

        Raises
        ------
        ClusterError
            When the scheduler is lost, no worker is left, or a piece ended several workers one after the other.
        """
        self._warn_of_processors()
        job, steps = f"riskmodel-{uuid.uuid4().hex}", [0] * len(items)

        def heard(event: tuple[float, tuple[int, int]]) -> None:
            number, done = event[1]
            steps[number] = max(steps[number], done)

        submit = self.client.submit
        futures: list[Any] = []
        with self._told_plainly(), _large_jobs(), self.client.as_current():
            self.client.subscribe_topic(job, heard)
            try:
                futures.append(held := submit(_same, work, key=job, pure=False))
                failed = self._wait_for(futures)
                if failed is None:
                    # a piece goes where the work lies already, however long the queue there
                    self.client.replicate([held])
                    futures += [
                        submit(_worked, held, item, number, job, self.code, key=f"{job}-{number}", pure=False)
                        for number, item in enumerate(items)
                    ]
                    failed = self._wait_for(futures, lambda: told(sum(steps)) if told is not None else None)
                found = [] if failed is not None else list(self.client.gather(futures[1:]))
            finally:
                with contextlib.suppress(Exception):
                    self.client.cancel(futures, force=True)
                    self.client.unsubscribe_topic(job)
        if failed is not None:
            raise _plainly(failed)
        return found

    def _wait_for(self, futures: Sequence[Any], tell: Callable[[], None] = lambda: None) -> BaseException | None:
        """Wait until all are done; what the first one that failed raised."""
        from distributed import wait

        seen, finished = time.monotonic(), False
        while not finished:
            with contextlib.suppress(TimeoutError):
                wait(futures, timeout=POLL_SECONDS)
            finished = all(future.done() for future in futures)
            tell()
            if failed := [future for future in futures if future.status == "error"]:
                error: BaseException = failed[0].exception()
                return error
            if time.monotonic() - seen > WAIT_SECONDS:
                self._wait_for_workers()
                seen = time.monotonic()
        return None

    def _wait_for_workers(self) -> None:
        try:
            self.client.wait_for_workers(1, timeout=CONNECT_SECONDS)
        except TimeoutError as error:
            raise ClusterError(
                f"the scheduler at {self.address} has no workers. Start some with `dask worker {self.address}`."
            ) from error

    def _warn_of_processors(self) -> None:
        others = sorted({processor for processor in self.processors.values() if processor != _processor()})
        if others:
            warnings.warn(
                f"The cluster's processors ({', '.join(others)}) are not this machine's ({_processor()}): compiled "
                "code may round differently, so that results may differ from a run on this machine in last digits.",
                RiskModelWarning,
                stacklevel=3,
            )

    @contextlib.contextmanager
    def _told_plainly(self) -> Iterator[None]:
        """Say in our own words that the scheduler was lost."""
        try:
            yield
        except (OSError, CancelledError, TimeoutError) as error:
            raise ClusterError(
                f"the scheduler at {self.address} was lost. Finished stages are kept; run again when it is back."
            ) from error


_SAME = "Give scheduler and workers the same environment as this machine."


def _plainly(error: BaseException) -> BaseException:
    """What a piece of work raised, in our own words where the cluster is at fault."""
    from distributed.scheduler import KilledWorker

    if isinstance(error, KilledWorker):
        return ClusterError(
            "a piece of the work ended several workers one after the other; usually their memory is too small. "
            "Give each worker more memory, or fewer threads."
        )
    if isinstance(error, ImportError):
        return ClusterError(f"a worker that came later lacks a module ({error}). {_SAME}")
    return error


def _other_code(where: str) -> str:
    return f"another riskmodel than here is installed on {where}, although its version is the same. {_SAME}"


def validate_versions(found: Mapping[str, Any]) -> None:
    """Refuse a cluster whose Python or libraries differ from this machine's.

    Parameters
    ----------
    found : mapping
        What `distributed.Client.get_versions` says.

    Raises
    ------
    ClusterError
        With every difference.
    """
    here, faults = found["client"]["packages"], []
    places = {
        "the scheduler": found["scheduler"],
        **{f"worker {name}": each for name, each in found["workers"].items()},
    }
    for place, each in places.items():
        for name in ("python", *TRAVELLING, *PACKAGES):
            mine, theirs = here.get(name), each["packages"].get(name)
            if mine != theirs:
                faults.append(f"{place}: {name} {theirs or 'is missing'}; here {mine or 'it is missing'}")
    if faults:
        raise ClusterError("\n".join([*faults, _SAME]))


def installed() -> tuple[str, str, bool]:
    """Digest of this process's code, the processor it is compiled for, and whether its products are whole."""
    return code_digest(), _processor(), products_are_whole()


def _processor() -> str:
    from llvmlite import binding

    return f"{platform.machine()} {binding.get_host_cpu_name()}"


@contextlib.contextmanager
def _large_jobs() -> Iterator[None]:
    """A programme travels with the job: distributed need not warn of its size."""
    import dask

    with dask.config.set({"distributed.admin.large-graph-warning-threshold": "1TB"}):
        yield


# ----------------------------------------------------------------------------- on the worker


def _same[T](work: T) -> T:
    return work


def _worked[T, R](work: Callable[[T, Tell], R], item: T, number: int, job: str, code: str) -> R:
    """Work one item on a worker and tell of its steps."""
    from distributed import get_worker

    if code_digest() != code:
        raise ClusterError(_other_code("a worker that came later"))
    worker = get_worker()
    key, steps, told = worker.get_current_task(), 0, time.monotonic()

    def tell(done: int) -> None:
        nonlocal steps, told
        task = worker.state.tasks.get(key)
        if task is None or task.state == "cancelled":
            raise StoppedError
        steps = done
        if time.monotonic() - told > POLL_SECONDS:
            told = time.monotonic()
            worker.log_event(job, (number, steps))

    found = work(item, tell)
    worker.log_event(job, (number, steps))
    return found
