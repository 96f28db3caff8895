"""The cell of parameters, and the cells of a notebook that are its author's."""

from __future__ import annotations

import nbformat
import pytest
from nbformat import NotebookNode
from nbformat.v4 import new_code_cell, new_markdown_cell, new_notebook, new_output

from convergence.errors import ConvergenceError
from convergence.publish.claims import MIME
from convergence.publish.notebook import cell_marks, clean, edited_cells, found_claims, parse_notebook, title_of
from convergence.publish.parameters import give_parameters, read_parameters

TAGGED = {"tags": ["parameters"]}


def notebook(*sources: str, tagged: int = 0) -> NotebookNode:
    cells = [new_code_cell(text, metadata=TAGGED if index == tagged else {}) for index, text in enumerate(sources)]
    return new_notebook(cells=cells)


def test_plain_values_are_read() -> None:
    assert read_parameters(notebook('JOB = "job"\nAS_OF = None  # none\nDAYS = (1, 2.5)')) == {
        "JOB": "job",
        "AS_OF": None,
        "DAYS": (1, 2.5),
    }
    assert read_parameters(notebook("x = open('y')", tagged=-1)) == {}


@pytest.mark.parametrize("text", ["import os", 'JOB = open("x")', "JOB: str = 'a'", "JOB = ", "a.b = 1", "a, b = 1, 2"])
def test_anything_else_is_refused(text: str) -> None:
    with pytest.raises(ConvergenceError, match="cell 1, tagged 'parameters'"):
        read_parameters(notebook(text))


def test_two_cells_of_parameters_are_refused() -> None:
    twice = new_notebook(cells=[new_code_cell("A = 1", metadata=TAGGED), new_code_cell("B = 1", metadata=TAGGED)])
    with pytest.raises(ConvergenceError, match="cells 1, 2"):
        read_parameters(twice)


def test_values_are_given_after_the_cell_and_only_once() -> None:
    made = notebook("before = 1", 'JOB = "a"', "after = 1", tagged=1)
    marks = cell_marks(made)
    for _ in range(2):
        give_parameters(made, {"JOB": "inputs/job", "AS_OF": "it's"})
    assert [cell.source.splitlines()[-1] for cell in made.cells] == [
        "before = 1",
        'JOB = "a"',
        'AS_OF = "it\'s"',
        "after = 1",
    ]
    assert cell_marks(made) == marks, "what a publication puts in is not the author's"


def test_clean_keeps_the_text_and_drops_the_traces() -> None:
    made = notebook("1 + 1")
    made.metadata["authors"] = [{"name": "somebody"}]
    made.cells[0].metadata["execution"] = {"iopub.status.busy": "2031"}
    made.cells[0].outputs = [new_output("stream", text="2")]
    made.cells[0].execution_count = 3
    cleaned = clean(made)
    nbformat.validate(cleaned)
    assert "authors" not in cleaned.metadata
    cell = cleaned.cells[0]
    assert (cell.source, cell.metadata, cell.outputs, cell.execution_count) == ("1 + 1", TAGGED, [], None)


def test_edited_cells_are_named() -> None:
    one, two = cell_marks(notebook("a", "b", "c")), cell_marks(notebook("a", "x", "c", "d"))
    assert edited_cells(one, one) == ""
    assert edited_cells(one, two) == "4 cells, 3 when published; cell 2 edited"


def test_the_title_is_the_first_heading() -> None:
    made = new_notebook(cells=[new_markdown_cell("words\n\n## What  \n# Later"), new_code_cell("1")])
    assert title_of(made, "file") == "What"
    assert title_of(notebook("1"), "file") == "file"


@pytest.mark.parametrize("data", [b"", b"{}", b"[1]", b"\xff\xfe", b'{"cells": 3}', b'{"nbformat": 4, "cells": []}'])
def test_what_is_no_notebook_is_told(data: bytes) -> None:
    with pytest.raises(ConvergenceError, match=r"x\.ipynb"):
        parse_notebook(data, "x.ipynb")


def test_claims_stand_in_the_last_cell() -> None:
    made = notebook("first", "last")
    row = {"name": "final", "value": 1.0, "unit": "mm", "tolerance": 0.1, "times": 1}
    shown = new_output("display_data", data={MIME: {"claims": [row]}})
    made.cells[0].outputs = [shown]
    with pytest.raises(ConvergenceError, match="cell 2, the last: shows no claims"):
        found_claims(made, "x.ipynb")
    made.cells[1].outputs = [shown]
    assert [item.name for item in found_claims(made, "x.ipynb")] == ["final"]
