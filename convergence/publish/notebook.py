"""Notebooks as files: read, fingerprinted cell by cell, stripped, and what is taken from their outputs."""

from __future__ import annotations

import base64
import binascii
import hashlib
import json
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path

import nbformat
from nbformat import NotebookNode

from convergence.errors import ConvergenceError
from convergence.publish.claims import MIME, Claim, claims_from_output
from convergence.publish.parameters import own_cells, tags
from convergence.publish.plain import printable

LARGEST_NOTEBOOK = 256 * 1024**2
SVG = "image/svg+xml"
#: Pictures that are compared, by kind, with how their files begin; a text has no such mark.
KINDS = {"image/png": b"\x89PNG\r\n\x1a\n", "image/jpeg": b"\xff\xd8\xff", SVG: b""}
MEND = "To mend: open it in JupyterLab and save it again."


@dataclass(frozen=True)
class Figure:
    """A picture in the output of a cell.

    Attributes
    ----------
    cell, number : int
        Number of the cell among the author's, and of the picture in it.
    data : bytes
        What its file would hold.
    kind : str
        ``image/png``, ``image/jpeg`` or ``image/svg+xml``.
    """

    cell: int
    number: int
    data: bytes
    kind: str = "image/png"

    @property
    def place(self) -> tuple[int, int]:
        """Cell and number, by which two runs are compared."""
        return self.cell, self.number


def read_notebook(path: Path) -> NotebookNode:
    """A notebook of the present format, its metadata reduced to what a run needs.

    Raises
    ------
    ConvergenceError
        The file is no notebook.
    OSError
        It cannot be read.
    """
    if not path.is_file():
        raise ConvergenceError(f"{path}: expected a notebook. To mend: give the path of an .ipynb file.")
    if path.stat().st_size > LARGEST_NOTEBOOK:
        raise ConvergenceError(f"{path}: larger than {LARGEST_NOTEBOOK} bytes. To mend: clear its outputs.")
    return parse_notebook(path.read_bytes(), str(path))


def parse_notebook(data: bytes, name: str) -> NotebookNode:
    """A notebook from the bytes of its file; ``name`` is for the message.

    Raises
    ------
    ConvergenceError
        They are no notebook.
    """
    try:
        # a file of an older format is brought to this one; what is wrong with it is told by the check after it
        notebook: NotebookNode = nbformat.reads(data.decode("utf-8"), as_version=4)
        nbformat.validate(notebook)
    except (ValueError, KeyError, AttributeError, TypeError, RecursionError, nbformat.ValidationError) as error:
        why = str(error).splitlines()[0][:200] if str(error) else type(error).__name__
        raise ConvergenceError(f"{name}: expected a notebook ({why}). {MEND}") from error
    if not any(cell.cell_type == "code" for cell in notebook.cells):
        raise ConvergenceError(f"{name}: no code cell, expected a notebook that works something out. {MEND}")
    return notebook


def clean(notebook: NotebookNode) -> NotebookNode:
    """The author's cells alone, without outputs and without the traces an editor or a machine leaves in metadata."""
    cells: list[NotebookNode] = []
    for cell in own_cells(notebook):
        kept = nbformat.from_dict({"cell_type": cell.cell_type, "source": cell.source, "metadata": {}})
        kept["id"] = f"cell-{len(cells):02d}"
        if tags(cell):
            kept.metadata["tags"] = tags(cell)
        if cell.cell_type == "code":
            kept["outputs"], kept["execution_count"] = [], None
        if cell.get("attachments"):
            kept["attachments"] = cell["attachments"]
        cells.append(kept)
    spec = {"display_name": "Python 3", "language": "python", "name": "python3"}
    made = {"nbformat": 4, "nbformat_minor": 5, "metadata": {"kernelspec": spec}, "cells": cells}
    cleaned: NotebookNode = nbformat.from_dict(made)
    return cleaned


def cell_marks(notebook: NotebookNode) -> tuple[str, ...]:
    """SHA-256 of what each of the author's cells says: its kind, its text, its attachments."""
    return tuple(
        hashlib.sha256(
            json.dumps([cell.cell_type, cell.source, tags(cell), cell.get("attachments", {})], sort_keys=True).encode(
                "utf-8", "surrogatepass"
            )
        ).hexdigest()
        for cell in own_cells(notebook)
    )


def edited_cells(before: Sequence[str], now: Sequence[str]) -> str:
    """Which cells differ, in words; empty where none does."""
    different = [number for number, (one, two) in enumerate(zip(before, now, strict=False), start=1) if one != two]
    told = f"cell{'s' if len(different) > 1 else ''} {', '.join(map(str, different[:12]))} edited" if different else ""
    count = f"{len(now)} cells, {len(before)} when published" if len(before) != len(now) else ""
    return "; ".join(part for part in (count, told) if part)


def title_of(notebook: NotebookNode, otherwise: str) -> str:
    """The first heading of the notebook."""
    for cell in notebook.cells:
        if cell.cell_type == "markdown":
            for line in cell.source.splitlines():
                if line.startswith("#") and line.strip("# "):
                    return printable(str(line.strip("# ")))
    return otherwise


def found_claims(notebook: NotebookNode, name: str) -> tuple[Claim, ...]:
    """The claims in the output of the last code cell that is not empty; ``name`` is for the message.

    Raises
    ------
    ConvergenceError
        The last cell shows none.
    """
    # an editor leaves an empty cell after the last one
    code = [(at, cell) for at, cell in enumerate(own_cells(notebook), start=1) if cell.cell_type == "code"]
    number, last = next((pair for pair in reversed(code) if pair[1].source.strip()), code[-1])
    for output in reversed(last.get("outputs", [])):
        data = output.get("data", {})
        if MIME in data:
            found = claims_from_output(data[MIME], f"{name}: cell {number}")
            if found:
                return found
    raise ConvergenceError(
        f"{name}: cell {number}, the last: shows no claims, expected the table of them. To mend: record the numbers "
        "that matter with cv.claim(name, value, unit, tolerance) and let the last line of the last cell be cv.claims()."
    )


def figures(notebook: NotebookNode) -> tuple[Figure, ...]:
    """Every picture in the outputs, in order; of one that an output gives in several kinds the first of KINDS."""
    found: list[Figure] = []
    for number, cell in enumerate(own_cells(notebook), start=1):
        for output in cell.get("outputs", []) if cell.cell_type == "code" else []:
            pictures = ((_bytes(output.get("data", {}).get(kind), kind), kind) for kind in KINDS)
            data, kind = next(((data, kind) for data, kind in pictures if data is not None), (None, ""))
            if data is not None:
                found.append(Figure(number, 1 + sum(item.cell == number for item in found), data, kind))
    return tuple(found)


def _bytes(text: object, kind: str) -> bytes | None:
    """The bytes of a picture, or None where it is none."""
    if not isinstance(text, str):
        return None
    if kind == SVG:
        return text.encode("utf-8", "replace")
    try:
        data = base64.b64decode("".join(text.split()), validate=True)
    except (binascii.Error, ValueError):
        return None
    return data if data.startswith(KINDS[kind]) else None
