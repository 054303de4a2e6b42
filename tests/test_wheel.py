"""The built wheel carries the prior files and works from an empty folder (slow: it builds)."""

from __future__ import annotations

import os
import subprocess
import sys
from pathlib import Path

import pytest

TOP = Path(__file__).resolve().parent.parent


@pytest.mark.slow
def test_the_wheel_works_from_an_empty_folder(tmp_path):
    site, place = tmp_path / "site", tmp_path / "elsewhere"
    place.mkdir()
    pip = [sys.executable, "-m", "pip", "install", "--quiet", "--no-deps", "--target", str(site), str(TOP)]
    subprocess.run(pip, check=True)
    assert sorted(p.name for p in (site / "riskmodel" / "prior_files").glob("*.toml")) == sorted(
        p.name for p in (TOP / "priors").glob("*.toml")
    )
    environment = os.environ | {"PYTHONPATH": str(site)}
    for arguments in (["new", "roads"], ["check", "roads"], ["run", "roads"], ["show", "roads"]):
        done = subprocess.run(
            [sys.executable, "-m", "riskmodel", *arguments],
            cwd=place, env=environment, capture_output=True, text=True, check=False,
        )  # fmt: skip
        assert done.returncode == 0, done.stderr
    assert "priors only" in (place / "roads" / "results" / "tables" / "portfolios.csv").read_text()
