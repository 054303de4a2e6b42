"""Licences of the packages that a plain installation brings, as their metadata state them.

`python tests/licences.py` prints the list, `python tests/licences.py --pins` names and versions for an audit.
"""

from __future__ import annotations

import re
import sys
from importlib.metadata import PackageNotFoundError, distribution, metadata, version

from packaging.requirements import Requirement

PROJECT = "overlay-riskmodel"
PERMISSIVE = (
    *("0BSD", "Apache Software License", "Apache-2.0", "BSD", "BSD License", "BSD-2-Clause", "BSD-3-Clause", "CC0-1.0"),
    *("HPND", "ISC", "MIT", "MIT License", "MIT-CMU", "PSF-2.0", "Python Software Foundation License", "Unlicense"),
    *("Zlib", "LLVM-exception"),
)


def runtime_dependencies() -> list[str]:
    """Names of everything that the project's dependencies need, themselves included."""
    found: dict[tuple[str, str], str] = {}
    waiting = [Requirement(PROJECT)]
    while waiting:
        wanted = waiting.pop()
        for extra in ("", *sorted(wanted.extras)):
            key = (re.sub(r"[-_.]+", "-", wanted.name).lower(), extra)
            if key in found:
                continue
            try:
                needs = distribution(wanted.name).requires or []
            except PackageNotFoundError:  # of another platform
                continue
            found[key] = wanted.name
            inner = [Requirement(text) for text in needs]
            waiting += [one for one in inner if one.marker is None or one.marker.evaluate({"extra": extra})]
    return sorted({name for name, _ in found} - {PROJECT})


def licence_of(name: str) -> str:
    """The licence that a package states: its expression, its classifiers, or its own words."""
    stated = metadata(name)
    classes = [text.split(" :: ")[-1] for text in stated.get_all("Classifier") or [] if text.startswith("License :: ")]
    return stated.get("License-Expression") or ", ".join(classes) or (stated.get("License") or "none stated")[:60]


def permissive(licence: str) -> bool:
    """Whether every licence of an expression may be used freely."""
    return all(part.strip(" ()") in PERMISSIVE for part in re.split(r" AND | OR | WITH |, ", licence))


if __name__ == "__main__":
    for name in runtime_dependencies():
        print(f"{name}=={version(name)}" if "--pins" in sys.argv else f"{name} {version(name)}: {licence_of(name)}")
