"""What publishing and reviewing have in common: a notebook run on a copy of its job, with the values it is given."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from pathlib import Path

from nbformat import NotebookNode

from convergence.errors import ConvergenceError
from convergence.job.times import FORM, parse_instant
from convergence.publish.fingerprints import FileMark
from convergence.publish.inputs import changed_by_run
from convergence.publish.kernel import NotebookError, Run, run_notebook
from convergence.publish.parameters import give_parameters

#: Called with cells done and in all.
Progress = Callable[[int, int], None]


def check_instant(as_of: str) -> None:
    """Refuse a text that is no instant.

    Raises
    ------
    ConvergenceError
        It is none.
    """
    if parse_instant(as_of.strip()) is None:
        raise ConvergenceError(
            f"as-of '{as_of}': expected {FORM}. To mend: write the instant with its offset, as 2031-05-04T06:00:00Z."
        )


def run_given(
    notebook: NotebookNode,
    values: Mapping[str, str | None],
    folder: Path,
    name: str,
    read: Mapping[str, FileMark],
    progress: Progress | None,
) -> Run:
    """Run the author's cells with given parameters; inputs that the run changed are a failure.

    Raises
    ------
    NotebookError
        A cell failed, or the notebook wrote to its inputs.
    """
    give_parameters(notebook, values)
    run = run_notebook(notebook, folder, name, progress)
    if read:
        changed = changed_by_run(folder, read)
        if changed:
            raise NotebookError(
                f"{name}: changes its inputs ({', '.join(changed[:6])}). To mend: write results elsewhere than into "
                "the job folder."
            )
    return run
