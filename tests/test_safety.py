"""What the program never does: run code from data, open a socket, load what it need not trust; and its licences."""

from __future__ import annotations

import ast
import subprocess
import sys
from pathlib import Path

import pytest
from licences import licence_of, permissive, runtime_dependencies
from runs import write_study

PACKAGE = Path(__file__).resolve().parent.parent / "riskmodel"
FILES = sorted(PACKAGE.rglob("*.py"))
UNSAFE = {"pickle", "cPickle", "dill", "cloudpickle", "joblib", "marshal", "shelve", "yaml", "code", "codeop"}
NETWORK = {
    *("socket", "ssl", "http", "urllib", "urllib3", "requests", "httpx", "aiohttp", "ftplib", "smtplib", "telnetlib"),
    *("xmlrpc", "asyncio", "webbrowser", "fsspec", "pooch"),
}
CALLS = {"eval", "exec", "compile", "__import__"}
METHODS = {"read_pickle", "to_pickle", "system", "popen", "eval", "query", "urlopen", "urlretrieve"}
HARMLESS = {"platform.system()", "variable.shape.eval()"}  # the latter is a number of a graph of our own
STARTS_PROCESSES = {"printing"}


def imports_of(tree: ast.AST) -> set[str]:
    names: set[str] = set()
    for node in ast.walk(tree):
        if isinstance(node, ast.Import):
            names |= {alias.name.split(".")[0] for alias in node.names}
        elif isinstance(node, ast.ImportFrom) and node.level == 0 and node.module:
            names.add(node.module.split(".")[0])
    return names


def calls_of(tree: ast.AST) -> list[ast.Call]:
    return [node for node in ast.walk(tree) if isinstance(node, ast.Call)]


@pytest.mark.parametrize("file", FILES, ids=lambda file: file.relative_to(PACKAGE).as_posix())
def test_no_module_runs_code_from_data_or_speaks_to_a_network(file: Path) -> None:
    tree = ast.parse(file.read_text(encoding="utf-8"))
    assert not imports_of(tree) & (UNSAFE | NETWORK)
    assert ("subprocess" in imports_of(tree)) == (file.stem in STARTS_PROCESSES)
    calls = calls_of(tree)
    assert not [call.lineno for call in calls if isinstance(call.func, ast.Name) and call.func.id in CALLS]
    named = [call for call in calls if isinstance(call.func, ast.Attribute) and call.func.attr in METHODS]
    assert {ast.unparse(call) for call in named} <= HARMLESS
    for call in calls:
        given = {word.arg: ast.unparse(word.value) for word in call.keywords}
        assert given.get("allow_pickle", "False") == "False"
        assert given.get("shell", "False") == "False"


def test_the_walk_would_find_what_it_looks_for() -> None:
    tree = ast.parse("import pickle, os\nfrom urllib.request import urlopen\neval('1')\n")
    assert imports_of(tree) == {"pickle", "os", "urllib"}
    assert calls_of(tree)[0].func.id == "eval"


WATCHED = """
import sys
opened = []
def hook(event, given):
    if event.startswith(("socket.", "urllib.", "http.", "ftplib.", "smtplib.", "webbrowser.")):
        opened.append((event, str(given)))
sys.addaudithook(hook)
from riskmodel import cli
try:
    cli.main(sys.argv[1:])
finally:
    print("opened", opened)
"""


@pytest.mark.slow
def test_a_run_opens_no_socket(tmp_path: Path) -> None:
    line = [sys.executable, "-c", WATCHED, "run", str(write_study(tmp_path / "north"))]
    answer = subprocess.run(line, capture_output=True, text=True, timeout=300, check=False)
    assert answer.returncode == 0, answer.stderr
    assert answer.stdout.splitlines()[-1] == "opened []"


def test_every_runtime_dependency_has_a_permissive_licence() -> None:
    found = {name: licence_of(name) for name in runtime_dependencies()}
    assert {"numpy", "pymc", "nutpie", "click", "h5py"} <= set(found)
    refused = {name: licence for name, licence in found.items() if not permissive(licence)}
    assert not refused
    assert not permissive("GPL-3.0-only OR MIT")
