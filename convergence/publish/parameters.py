"""The cell of parameters: what a notebook is told before it runs, and the cell that tells it.

A notebook has one code cell tagged ``parameters`` with plain values only:

    JOB = "../sample_data/ridge_tunnel"
    AS_OF = None
    SECTION = "S1248"

A publication puts a cell after it that gives ``JOB`` and ``AS_OF``; all other values stay as they are and are recorded.
"""

from __future__ import annotations

import ast
from collections.abc import Mapping

from nbformat import NotebookNode
from nbformat.v4 import new_code_cell

from convergence.errors import ConvergenceError

TAG = "parameters"
#: Tag of the cell put in; it is taken out before a notebook runs again.
GIVEN = "given-parameters"
JOB, AS_OF = "JOB", "AS_OF"
HEAD = "# given by the publication"


def tags(cell: NotebookNode) -> list[str]:
    """The tags of a cell."""
    found = cell.get("metadata", {}).get("tags", [])
    return [tag for tag in found if isinstance(tag, str)] if isinstance(found, list) else []


def own_cells(notebook: NotebookNode) -> list[NotebookNode]:
    """The cells the author wrote: all but the one a publication put in."""
    return [cell for cell in notebook.cells if GIVEN not in tags(cell)]


def read_parameters(notebook: NotebookNode) -> dict[str, object]:
    """The author's parameters by name; empty where no cell is tagged.

    Raises
    ------
    ConvergenceError
        Two cells are tagged, or one holds more than names and plain values.
    """
    cells = [(number, cell) for number, cell in enumerate(own_cells(notebook), start=1) if TAG in tags(cell)]
    if not cells:
        return {}
    if len(cells) > 1:
        raise ConvergenceError(
            f"cells {', '.join(str(number) for number, _ in cells)} are tagged '{TAG}', expected one. To mend: take "
            "the tag off the others."
        )
    number, cell = cells[0]
    mend = 'To mend: leave only lines as JOB = "..." in it; imports and reading go into the cell after it.'
    if cell.cell_type != "code":
        raise ConvergenceError(f"cell {number}, tagged '{TAG}', is no code cell. {mend}")
    found: dict[str, object] = {}
    try:
        lines = ast.parse(cell.source).body
        for line in lines:
            if not isinstance(line, ast.Assign) or not all(isinstance(target, ast.Name) for target in line.targets):
                raise ValueError
            value = ast.literal_eval(line.value)
            found |= {target.id: value for target in line.targets if isinstance(target, ast.Name)}
    except (SyntaxError, ValueError) as error:
        raise ConvergenceError(
            f"cell {number}, tagged '{TAG}': expected names and plain values only. {mend}"
        ) from error
    return found


def read_given(notebook: NotebookNode) -> dict[str, object]:
    """What a publication gave its notebook, by the cell that was put in; empty where that tells nothing."""
    cells = [cell for cell in notebook.cells if GIVEN in tags(cell)]
    found: dict[str, object] = {}
    try:
        for line in ast.parse(cells[0].source).body if cells else []:
            if isinstance(line, ast.Assign) and isinstance(line.targets[0], ast.Name):
                found[line.targets[0].id] = ast.literal_eval(line.value)
    except (SyntaxError, ValueError):
        return {}
    return found


def give_parameters(notebook: NotebookNode, values: Mapping[str, str | None]) -> None:
    """Put the cell with the given values after the author's, in place; without values nothing is put in.

    Raises
    ------
    ConvergenceError
        No cell is tagged.
    """
    notebook.cells = own_cells(notebook)
    if not values:
        return
    place = next((index for index, cell in enumerate(notebook.cells) if TAG in tags(cell)), None)
    if place is None:
        raise ConvergenceError(f"no cell tagged '{TAG}', expected one. To mend: tag the cell that gives {JOB}.")
    lines = [HEAD, *(f"{name} = {value!r}" for name, value in values.items())]
    cell = new_code_cell("\n".join(lines), id="given", metadata={"tags": [GIVEN]})
    notebook.cells.insert(place + 1, cell)
