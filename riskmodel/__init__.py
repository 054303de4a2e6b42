"""Monte Carlo risk simulator for the early failure of concrete overlays.

Submodules load on first use, so that `import riskmodel` stays light.
"""

from __future__ import annotations

import importlib
from importlib.metadata import PackageNotFoundError, version
from types import ModuleType

_ROOMS = (
    "calibrate",
    "elicitation",
    "errors",
    "exclusion",
    "figures",
    "hazard",
    "lifetable",
    "likelihood",
    "measures",
    "model",
    "physics",
    "priors",
    "quality",
    "records",
    "schema",
    "simulate",
    "store",
    "streams",
    "study",
)

try:
    __version__ = version("overlay-riskmodel")
except PackageNotFoundError:  # a source tree that was never installed
    __version__ = "0+uninstalled"

__all__ = ["__version__", *_ROOMS]


def __getattr__(name: str) -> ModuleType:
    if name in _ROOMS:
        return importlib.import_module(f"riskmodel.{name}")
    raise AttributeError(f"module 'riskmodel' has no attribute {name!r}")


def __dir__() -> list[str]:
    return sorted(__all__)
