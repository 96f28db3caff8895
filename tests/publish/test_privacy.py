"""No folder of a machine, no name of it or of its user, gets into a publication."""

from __future__ import annotations

import getpass
import platform
from pathlib import Path

import pytest
from nbformat.v4 import new_code_cell, new_notebook, new_output

from convergence.errors import ConvergenceError
from convergence.publish.privacy import Veil

HOST, USER = "drawing-office-7", "anneliese"


@pytest.fixture
def veil(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Veil:
    monkeypatch.setattr(platform, "node", lambda: f"{HOST}.example")
    monkeypatch.setattr(getpass, "getuser", lambda: USER)
    return Veil({tmp_path / "run": "."}, "the notebook's own words")


def test_folders_are_replaced_the_longer_first(veil: Veil, tmp_path: Path) -> None:
    text = f"{tmp_path / 'run' / 'inputs'} {tmp_path / 'run'} {Path.home() / 'x'} {tmp_path / 'running'}"
    cleared = veil.clear(text)
    assert cleared.startswith("./inputs . [home]/x ")
    assert cleared.endswith("/running"), "a folder whose name only begins alike is another one"
    assert str(tmp_path) not in cleared


def test_names_are_replaced_as_whole_words(veil: Veil) -> None:
    assert veil.clear(f"{USER}@{HOST} {HOST}.example {USER}s") == f"[user]@[host] [host] {USER}s"


def test_ordinary_words_stay(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(platform, "node", lambda: "tunnel")
    monkeypatch.setattr(getpass, "getuser", lambda: "max")
    assert Veil({}, "# The tunnel").clear("max of the tunnel") == "max of the tunnel"


def test_outputs_are_cleared_and_pictures_left(veil: Veil) -> None:
    cell = new_code_cell("1")
    cell.outputs = [
        new_output("stream", text=f"in {Path.home()}"),
        new_output("display_data", data={"text/html": [f"<b>{HOST}</b>"], "image/png": HOST, "image/svg+xml": HOST}),
    ]
    made = new_notebook(cells=[cell])
    veil.clear_outputs(made)
    first, second = made.cells[0].outputs
    assert first.text == "in [home]"
    assert second.data == {"text/html": ["<b>[host]</b>"], "image/png": HOST, "image/svg+xml": "[host]"}


def test_a_notebook_whose_code_names_a_folder_is_refused(veil: Veil, tmp_path: Path) -> None:
    made = new_notebook(cells=[new_code_cell("1"), new_code_cell(f"open('{tmp_path / 'run' / 'x'}')")])
    with pytest.raises(ConvergenceError, match="cell 2 names a folder of this machine"):
        veil.refuse_source(made, "x.ipynb")
