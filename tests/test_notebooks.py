"""Each notebook runs from a clean kernel, in its folder, and its closing cell of asserted numbers holds."""

from __future__ import annotations

from pathlib import Path

import nbformat
import pytest
from nbclient import NotebookClient

FOLDER = Path(__file__).parents[1] / "notebooks"
NOTEBOOKS = sorted(FOLDER.glob("*.ipynb"))


def test_there_are_notebooks() -> None:
    assert [path.name for path in NOTEBOOKS][:1] == ["01_one_section.ipynb"]


@pytest.mark.parametrize("path", NOTEBOOKS, ids=lambda path: path.stem)
def test_notebook_runs_from_a_clean_kernel(path: Path) -> None:
    notebook = nbformat.read(path, as_version=4)
    assert all(not cell.get("outputs") for cell in notebook.cells), "notebooks are kept without outputs"
    NotebookClient(notebook, timeout=300, resources={"metadata": {"path": str(FOLDER)}}).execute()
    last = notebook.cells[-1]
    assert "assert" in last.source
    assert "all numbers hold" in last.outputs[0].text
