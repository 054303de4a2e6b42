"""The notebook runs from top to bottom as it stands, and carries no output."""

from __future__ import annotations

import json
from pathlib import Path

import pytest

NOTEBOOK = Path(__file__).parents[1] / "studies/skelderay/walkthrough.ipynb"


def test_it_carries_no_output() -> None:
    cells = json.loads(NOTEBOOK.read_text(encoding="utf-8"))["cells"]
    code = [cell for cell in cells if cell["cell_type"] == "code"]
    assert len(code) > 7
    assert all(cell["outputs"] == [] and cell["execution_count"] is None for cell in code)


@pytest.mark.slow
@pytest.mark.filterwarnings("ignore")  # the notebook server's own
def test_it_runs_and_shows_its_results() -> None:
    import nbformat
    from nbclient import NotebookClient

    notebook = nbformat.read(NOTEBOOK, as_version=4)
    NotebookClient(notebook, timeout=900, resources={"metadata": {"path": str(NOTEBOOK.parent)}}).execute()
    shown = [output for cell in notebook.cells if cell.cell_type == "code" for output in cell.outputs]
    html = "".join(output.data.get("text/html", "") for output in shown if "data" in output)
    for words in (
        "416 sections",
        "Calibration",
        "bulk effective sample size",
        "early_failure_probability",
        "not read below 60",
    ):
        assert words in html, words
    assert not [output for output in shown if output.output_type == "error"]
