"""Each notebook runs from a clean kernel, in its folder, and its closing cell of asserted numbers holds."""

from __future__ import annotations

import subprocess
import sys
from collections.abc import Iterator
from concurrent.futures import Future, ThreadPoolExecutor
from pathlib import Path

import nbformat
import pytest

FOLDER = Path(__file__).parents[1] / "notebooks"
NOTEBOOKS = sorted(FOLDER.glob("*.ipynb"))
#: Runs one notebook in a process of its own, for a client of kernels is no friend of threads.
RUN = """
import sys, nbformat
from nbclient import NotebookClient
notebook = nbformat.read(sys.argv[1], as_version=4)
NotebookClient(notebook, timeout=600, resources={"metadata": {"path": sys.argv[2]}}).execute()
print("".join(output.get("text", "") for output in notebook.cells[-1].outputs))
"""


def run(path: Path) -> subprocess.CompletedProcess[str]:
    """Execute one notebook; what its last cell printed is the output."""
    return subprocess.run([sys.executable, "-c", RUN, str(path), str(FOLDER)], capture_output=True, text=True)


@pytest.fixture(scope="module")
def runs() -> Iterator[dict[str, Future[subprocess.CompletedProcess[str]]]]:
    """All notebooks, two at a time."""
    with ThreadPoolExecutor(2) as pool:
        yield {path.stem: pool.submit(run, path) for path in NOTEBOOKS}


def test_there_are_notebooks() -> None:
    assert [path.name for path in NOTEBOOKS][:1] == ["01_one_section.ipynb"]


@pytest.mark.parametrize("path", NOTEBOOKS, ids=lambda path: path.stem)
def test_notebook_runs_from_a_clean_kernel(
    path: Path, runs: dict[str, Future[subprocess.CompletedProcess[str]]]
) -> None:
    notebook = nbformat.read(path, as_version=4)
    assert all(not cell.get("outputs") for cell in notebook.cells), "notebooks are kept without outputs"
    done = runs[path.stem].result()
    assert done.returncode == 0, done.stderr[-4000:]
    assert "assert" in notebook.cells[-1].source
    assert "all numbers hold" in done.stdout
