"""The map in DEVELOPERS.md against the code: every module has its room, and imports only go down."""

from __future__ import annotations

import ast
import re
import subprocess
import sys
from pathlib import Path

import pytest

TOP = Path(__file__).resolve().parent.parent
PACKAGE = TOP / "riskmodel"
LONGEST_MODULE = 500
ONLY_WITH_PYMC = {"agelaws", "likelihood", "jointmodel", "model", "cellposterior", "chains"}
ONLY_WITH_JAX = {"jaxlaws", "jaxrows", "jaxpath", "jaxcells", "jaxdensity", "jaxchains"}


def rooms() -> dict[str, int]:
    """Place of each module in the table of rooms: earlier rooms, and earlier modules of a room, lie below."""
    text = (TOP / "DEVELOPERS.md").read_text()
    table = text.split("<!-- rooms -->")[1].split("<!-- end of rooms -->")[0]
    names = [
        name for row in re.findall(r"^\| \d+ \|([^|]*)\|", table, re.MULTILINE) for name in re.findall(r"`(\w+)`", row)
    ]
    return {name: place for place, name in enumerate(names)}


def modules() -> dict[str, Path]:
    found = {p.stem: p for p in PACKAGE.glob("*.py") if p.stem != "__init__"}
    return found | {p.parent.name: p for p in PACKAGE.glob("*/__init__.py")}


def imported(path: Path) -> set[str]:
    """Modules of the package that a file imports when it runs (imports for typing alone do not count)."""
    files = [path] if path.name != "__init__.py" else sorted(path.parent.glob("*.py"))
    own = path.parent.name if path.name == "__init__.py" else path.stem
    names: set[str] = set()
    for file in files:
        tree = ast.parse(file.read_text())
        typing_only = {
            id(inner)
            for node in ast.walk(tree)
            if isinstance(node, ast.If) and "TYPE_CHECKING" in ast.unparse(node.test)
            for inner in ast.walk(node)
        }
        for node in ast.walk(tree):
            if isinstance(node, ast.ImportFrom) and id(node) not in typing_only:
                names |= _targets(node, inside=file.parent != PACKAGE)
    return names - {own, ""}


def _targets(node: ast.ImportFrom, *, inside: bool) -> set[str]:
    known = set(modules())
    module = node.module or ""
    if node.level == 0:
        if not module.startswith("riskmodel"):
            return set()
        module = module.removeprefix("riskmodel").strip(".")
    elif node.level == 1 and inside:
        return set()
    first = module.split(".")[0]
    return {first} if first else {a.name for a in node.names} & known


def test_every_module_has_a_room_and_every_room_is_real():
    assert set(rooms()) == set(modules())


@pytest.mark.parametrize("name", sorted(modules()))
def test_imports_only_go_down(name):
    place = rooms()
    above = {other for other in imported(modules()[name]) if place[other] >= place[name]}
    assert not above, f"{name} imports {sorted(above)}, which stand above it in DEVELOPERS.md"


@pytest.mark.parametrize("name", sorted(modules()))
def test_only_the_model_knows_the_sampler(name):
    text = modules()[name].read_text()
    uses = re.search(r"^\s*(import|from) (pymc|pytensor|nutpie)\b", text, re.MULTILINE)
    assert bool(uses) == (name in ONLY_WITH_PYMC)
    assert bool(re.search(r"^\s*(import|from) jax\b", text, re.MULTILINE)) == (name in ONLY_WITH_JAX)


def test_no_module_is_longer_than_the_limit():
    long = {p.name: n for p in PACKAGE.rglob("*.py") if (n := len(p.read_text().splitlines())) > LONGEST_MODULE}
    assert not long


@pytest.mark.parametrize("statement", ["import riskmodel", "import riskmodel.cli"])
def test_light_imports(statement):
    """Neither the package nor its command line loads PyMC or matplotlib; the command line not even NumPy."""
    code = f"{statement}; import sys; print(*sorted(sys.modules))"
    loaded = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True).stdout.split()
    assert not {"pymc", "pytensor", "matplotlib", "arviz", "numpy", "xarray", "pandas"} & set(loaded)


def test_the_top_level_is_fixed():
    tracked = subprocess.run(["git", "ls-files"], cwd=TOP, capture_output=True, text=True, check=True).stdout
    top = {line.split("/")[0] for line in tracked.splitlines()}
    visible = {name for name in top if not name.startswith(".")}
    assert visible == {"README.md", "DEVELOPERS.md", "pyproject.toml", "riskmodel", "priors", "tests", "studies"}
