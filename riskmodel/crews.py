"""Who works, as the command line is told: this machine, its graphics processor, or a cluster."""

from __future__ import annotations

import contextlib
import os
from collections.abc import Callable
from typing import TYPE_CHECKING

import click

from .errors import GraphicsError

if TYPE_CHECKING:
    from .crew import Crew

__all__ = ["WHERE", "crew_at"]

MOST = 8  # processes: each holds the libraries and the model
EXTRA = "pip install 'overlay-riskmodel[gpu]'"


def WHERE[F: Callable[..., object]](command: F) -> F:
    """The options of a command that says where it works."""
    scheduler = click.option(
        "--scheduler", default="", envvar="RISKMODEL_SCHEDULER", metavar="ADDRESS",
        help="Work on the Dask cluster of this scheduler, as tcp://HOST:8786 [this machine alone].",
    )  # fmt: skip
    device = click.option(
        "--device", type=click.Choice(["cpu", "gpu"]), default="cpu", show_default=True,
        help="Where chains run: gpu needs the extra `gpu`, and pays for networks of tens of thousands of sections.",
    )  # fmt: skip
    return scheduler(device(command))


def crew_at(scheduler: str, device: str) -> contextlib.AbstractContextManager[Crew | None]:
    """Whoever is named; otherwise this machine alone, in a process for each of its processors, up to a few.

    Raises
    ------
    GraphicsError
        If a graphics processor is wanted and none can be used, or a cluster is wanted too.
    ClusterError
        See `cluster.cluster_at`.
    """
    if device == "cpu":
        if scheduler:
            from .cluster import cluster_at

            return cluster_at(scheduler)
        from .processes import processes_at

        return processes_at(min(os.cpu_count() or 1, MOST))
    if scheduler:
        raise GraphicsError("--device gpu runs the chains on this machine: leave out --scheduler, or --device")
    try:
        from .jaxchains import graphics
    except ImportError as error:
        raise GraphicsError(f"--device gpu needs the library jax. Install it: {EXTRA}") from error
    return contextlib.nullcontext(graphics(os.cpu_count() or 1))
