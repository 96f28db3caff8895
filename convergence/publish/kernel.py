"""Running a notebook from a clean kernel: this interpreter, no start-up files, one thread, UTC, fixed seeds.

What a user's own configuration does to a run does not come with a publication, so it is kept out of the run.
"""

from __future__ import annotations

import os
import tempfile
import time
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from pathlib import Path

from jupyter_client.kernelspec import KernelSpecManager
from jupyter_client.manager import AsyncKernelManager
from nbclient.exceptions import CellExecutionError, CellTimeoutError, DeadKernelError
from nbformat import NotebookNode

from convergence.errors import ConvergenceError, clipped
from convergence.publish.origins import origins_cell, read_origins
from convergence.publish.parameters import GIVEN, own_cells, tags
from convergence.publish.stopping import StoppableClient

#: Set for the kernel: sums in one order, one hash order, one clock, one language.
FIXED = {
    "LC_ALL": "C.UTF-8",
    "MKL_NUM_THREADS": "1",
    "MPLBACKEND": "module://matplotlib_inline.backend_inline",
    "OMP_NUM_THREADS": "1",
    "OPENBLAS_NUM_THREADS": "1",
    "PYTHONHASHSEED": "0",
    "TZ": "UTC",
    "VECLIB_MAXIMUM_THREADS": "1",
}
#: Not handed on: they leave assertions out, hide or raise warnings, run code of the user's own.
DROPPED = ("PYTHONOPTIMIZE", "PYTHONSTARTUP", "PYTHONWARNINGS")
#: Cells with this tag are left out by what runs notebooks.
SKIPPED = "skip-execution"
#: A cell that has not ended after so many seconds has failed.
CELL_SECONDS = 600
#: Systems take no longer name for a socket [characters], less what is added to it.
LONGEST_SOCKET = 90


class NotebookError(ConvergenceError):
    """A cell of the notebook failed; the message names it."""


@dataclass(frozen=True)
class Run:
    """An executed notebook, how long it took [s], and the environment its kernel told when it was done."""

    notebook: NotebookNode
    seconds: float
    environment: Mapping[str, Mapping[str, str]]


def run_notebook(
    notebook: NotebookNode,
    folder: Path,
    name: str,
    progress: Callable[[int, int], None] | None = None,
    cell_seconds: int = CELL_SECONDS,
) -> Run:
    """Execute a notebook in a folder; its cells get their outputs in place.

    Parameters
    ----------
    notebook : NotebookNode
        The notebook, without outputs.
    folder : Path
        The folder it runs in.
    name : str
        Its name, for messages.
    progress : callable, optional
        Called with cells done and in all.
    cell_seconds : int
        Longest time for a cell [s].

    Raises
    ------
    NotebookError
        A cell raised, took too long, or the kernel died.
    KeyboardInterrupt
        The run was stopped; its kernel is gone.
    """
    _refuse_skipped(notebook, name)
    begun, count = 0, len(notebook.cells)

    # the names of the two arguments are given by the library that calls
    def begin(cell: NotebookNode, cell_index: int) -> None:
        nonlocal begun
        begun = cell_index
        if progress is not None:
            progress(min(cell_index, count), count)

    start = time.monotonic()
    with tempfile.TemporaryDirectory() as own:
        client = StoppableClient(
            notebook,
            km=_manager(own),
            timeout=cell_seconds,
            allow_errors=False,
            force_raise_errors=True,
            record_timing=False,
            coalesce_streams=True,
            store_widget_state=False,
            resources={"metadata": {"path": str(folder)}},
            on_cell_start=begin,
        )
        notebook.cells.append(origins_cell())
        try:
            client.run(_environment(own))
        except CellExecutionError as error:
            told = f"{error.ename}: {error.evalue}"
            raise NotebookError(_failure(notebook, begun, name, told)) from error
        except CellTimeoutError as error:
            raise NotebookError(_failure(notebook, begun, name, f"not done after {cell_seconds} s")) from error
        except DeadKernelError as error:
            raise NotebookError(_failure(notebook, begun, name, "its kernel died")) from error
        except RuntimeError as error:
            raise NotebookError(f"{name}: its kernel does not start ({error}). To mend: install ipykernel.") from error
        finally:
            origins = notebook.cells.pop()
    told, stands = read_origins(origins)
    if told:
        raise NotebookError(
            f"{name}: {told}, so the environment recorded would not be the one it ran in. To mend: install the library "
            "in one environment and take changes of sys.path out of the notebook."
        )
    if progress is not None:
        progress(count, count)
    return Run(notebook, time.monotonic() - start, stands)


def _refuse_skipped(notebook: NotebookNode, name: str) -> None:
    """Refuse a notebook of which a cell would be left out: its outputs would look like those of a run."""
    for number, cell in enumerate(own_cells(notebook), start=1):
        if SKIPPED in tags(cell):
            raise NotebookError(
                f"{name}: cell {number} is tagged '{SKIPPED}' and would not run. To mend: take the tag off, or the "
                "cell out."
            )


def _manager(own: str) -> AsyncKernelManager:
    """A kernel of this interpreter; those that a user has installed under the same name are not looked for."""
    file = Path(own) / "kernel.json"
    # sockets in a folder of our own where the system has them, and not ports that everybody on the machine can open
    sockets = os.name == "posix" and len(str(file)) < LONGEST_SOCKET
    return AsyncKernelManager(
        kernel_name="python3",
        kernel_spec_manager=KernelSpecManager(kernel_dirs=[]),
        connection_file=str(file),
        transport="ipc" if sockets else "tcp",
    )


def _environment(own: str) -> dict[str, str]:
    """The kernel's environment variables; ``own`` is a folder without start-up files."""
    from matplotlib import get_data_path  # only a run needs it

    settings = str(Path(get_data_path()) / "matplotlibrc")
    kept = {name: value for name, value in os.environ.items() if name not in DROPPED}
    return {**kept, **FIXED, "IPYTHONDIR": own, "MATPLOTLIBRC": settings}


def _failure(notebook: NotebookNode, begun: int, name: str, told: str) -> str:
    """The message for a cell that failed; cells are counted as the author wrote them."""
    cell = notebook.cells[begun]
    number = 1 + sum(GIVEN not in tags(before) for before in notebook.cells[:begun])
    which = "the cell of given parameters" if GIVEN in tags(cell) else f"cell {number}"
    first = next((line.strip() for line in cell.source.splitlines() if line.strip()), "")
    told = told if len(told) <= 2000 else told[:2000] + "..."
    return (
        f"{name}: {which} failed, it begins {clipped(first)}.\n  {told}\nTo mend: run the notebook from a clean kernel "
        "in JupyterLab until every cell passes."
    )
