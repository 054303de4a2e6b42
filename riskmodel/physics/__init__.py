"""What can be measured on the job, turned into chances: one phenomenon a file.

SI inside, arrays broadcast over samples, a `RangeWarning` outside the range a formula was
validated in, an error where a value cannot be right. Each function's docstring gives the
equation, its limits and its source. The results inform a specification; they design no pavement
and replace neither local standards nor a licensed engineer.
"""

from __future__ import annotations

from importlib import import_module
from types import ModuleType

__all__ = [
    "early_age",
    "evaporation",
    "fatigue",
    "hydration",
    "interlayer",
    "internal_curing",
    "joints",
    "maturity",
    "saturation",
    "sawing",
    "shrinkage",
    "slab",
    "survey",
    "thickness",
    "weather",
    "young_slab",
]


def __getattr__(name: str) -> ModuleType:
    """Load a phenomenon on first use, so that importing the package stays cheap."""
    if name in __all__:
        return import_module(f"{__name__}.{name}")
    raise AttributeError(f"module {__name__!r} has no attribute {name!r}")


def __dir__() -> list[str]:
    return sorted(__all__)
