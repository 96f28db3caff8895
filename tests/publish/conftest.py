"""A small job and a small notebook on it, published once; tests copy the publication before they change it."""

from __future__ import annotations

import shutil
from collections.abc import Iterator, Sequence
from pathlib import Path

import nbformat
import pytest
from nbformat.v4 import new_code_cell, new_markdown_cell, new_notebook

from convergence.publish.publication import Publication, publish_notebook
from tests.helpers import write_job

#: It reads the job's table with nothing but the standard library, so that a run takes a second and not ten.
PARAMETERS = 'JOB = "job"\nAS_OF = None\nSEED = 7'
READ = """import csv
import convergence as cv

with open(f"{JOB}/readings.csv", encoding="utf-8") as stream:
    rows = [row for row in csv.DictReader(stream) if row["prism"] == "A-CR" and (AS_OF is None or row["time"] < AS_OF)]
settlement = [float(row["settlement_mm"]) for row in rows]"""
DRAW = """import base64
from IPython.display import Image, display

# a picture of one pixel whose only colour follows the number of readings
import struct, zlib
def part(kind, data):
    return struct.pack(">I", len(data)) + kind + data + struct.pack(">I", zlib.crc32(kind + data))
png = b"\\x89PNG\\r\\n\\x1a\\n" + part(b"IHDR", struct.pack(">IIBBBBB", 1, 1, 8, 0, 0, 0, 0))
png += part(b"IDAT", zlib.compress(bytes([0, len(rows)]))) + part(b"IEND", b"")
display(Image(png))"""
CLAIM = """cv.claim("last <b>settlement</b> of A-CR", settlement[-1], "mm", 0.5)
cv.claim("readings of A-CR", len(settlement), "1", 0)
cv.claim("state of A-CR", "past" if settlement[-1] > 19.0 else "clear", "")
print("all numbers hold")
cv.claims()"""


def write_notebook(path: Path, cells: Sequence[str] = (READ, DRAW, CLAIM), parameters: str = PARAMETERS) -> Path:
    """A notebook with a heading, a cell of parameters and the cells given."""
    made = [new_markdown_cell("# Crown of <A>"), new_code_cell(parameters, metadata={"tags": ["parameters"]})]
    nbformat.write(new_notebook(cells=[*made, *map(new_code_cell, cells)]), path)
    return path


@pytest.fixture(scope="session", autouse=True)
def settled() -> Iterator[None]:
    """The library's code counts as the same all through, though somebody may be writing it while the tests run."""
    with pytest.MonkeyPatch.context() as patch:
        for place in ("environment", "origins"):
            patch.setattr(f"convergence.publish.{place}.library_code", lambda: "0" * 64)
        yield


@pytest.fixture(scope="session")
def desk(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A folder with the job and the notebook; nobody writes there."""
    folder = tmp_path_factory.mktemp("desk")
    write_job(folder / "job")
    write_notebook(folder / "crown.ipynb")
    return folder


@pytest.fixture(scope="session")
def published(desk: Path, settled: None, tmp_path_factory: pytest.TempPathFactory) -> Publication:
    """The notebook published with its inputs; nobody writes there."""
    return publish_notebook(desk / "crown.ipynb", tmp_path_factory.mktemp("published") / "crown")


@pytest.fixture
def copy(published: Publication, tmp_path: Path) -> Path:
    """A copy of the publication that may be changed."""
    return Path(shutil.copytree(published.folder, tmp_path / "copy"))
