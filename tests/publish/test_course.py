"""Every notebook can be published: its parameters stand alone and its last cell shows the claims."""

from __future__ import annotations

import ast
from pathlib import Path

import pytest

from convergence.publish.notebook import read_notebook
from convergence.publish.parameters import AS_OF, JOB, read_parameters

FOLDER = Path(__file__).parents[2] / "notebooks"
NOTEBOOKS = sorted(FOLDER.glob("*.ipynb"))


@pytest.mark.parametrize("path", NOTEBOOKS, ids=lambda path: path.stem)
def test_a_notebook_takes_a_job_and_ends_in_claims(path: Path) -> None:
    notebook = read_notebook(path)
    assert {JOB, AS_OF} <= set(read_parameters(notebook))
    assert notebook.cells[-1].source.splitlines()[-1] == "cv.claims()"
    calls = [node for cell in notebook.cells if cell.cell_type == "code" for node in ast.walk(ast.parse(cell.source))]
    assert any(isinstance(node, ast.Call) and ast.unparse(node.func) == "cv.claim" for node in calls)


@pytest.mark.parametrize("path", NOTEBOOKS, ids=lambda path: path.stem)
def test_the_index_lists_it(path: Path) -> None:
    assert path.stem in (FOLDER / "README.md").read_text(encoding="utf-8")
