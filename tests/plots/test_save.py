"""Figures as files: all or the ones asked for, whole or not at all, with names that any file system takes."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import pandas as pd
import pytest
from matplotlib.figure import Figure
from matplotlib.image import imread

from convergence import plots
from convergence.errors import ValueFault
from convergence.plots.canvas import new_figure, write_png
from convergence.plots.save import file_names
from convergence.triggers import Outlook


def test_every_section_becomes_a_file(plain: Outlook, tmp_path: Path) -> None:
    files = plots.save_section_figures(plain, tmp_path / "new" / "figures")
    assert [file.name for file in files] == ["A.png", "B.png", "C.png"]
    assert sorted(file.name for file in files[0].parent.iterdir()) == ["A.png", "B.png", "C.png"], "no parts are left"
    for file in files:
        assert imread(file).shape[:2] == (1240, 1753)


def test_workers_draw_the_same_pictures(plain: Outlook, tmp_path: Path) -> None:
    one = plots.save_section_figures(plain, tmp_path / "one", ["B", "A"])
    two = plots.save_section_figures(plain, tmp_path / "two", ["B", "A"], processes=2)
    assert [file.name for file in two] == ["B.png", "A.png"]
    for first, second in zip(one, two, strict=True):
        assert first.read_bytes() == second.read_bytes()


def test_an_unknown_section_is_told_before_anything_is_drawn(plain: Outlook, tmp_path: Path) -> None:
    with pytest.raises(ValueFault, match="'Z' is not in the job"):
        plots.save_section_figures(plain, tmp_path / "none", ["A", "Z"])
    assert not (tmp_path / "none").exists()


def test_a_file_in_the_place_of_the_folder_is_told(plain: Outlook, tmp_path: Path) -> None:
    (tmp_path / "taken").write_text("")
    with pytest.raises(ValueFault, match="To mend"):
        plots.save_section_figures(plain, tmp_path / "taken")


def test_file_names() -> None:
    assert file_names(["S1012", "MS 3/4", "MS 3:4", "..", "ms_3_4", "S/../x"]) == [
        "S1012.png", "MS_3_4.png", "MS_3_4_2.png", "section.png", "ms_3_4_3.png", "S_.._x.png",
    ]  # fmt: skip


def test_a_picture_that_fails_leaves_the_old_one(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    file = tmp_path / "a.png"
    file.write_text("old")

    def refuse(*_: object, **__: object) -> None:
        raise OSError("disk full")

    monkeypatch.setattr(Figure, "savefig", refuse)
    with pytest.raises(OSError, match="disk full"):
        write_png(new_figure(1.0, 1.0), file)
    assert [item.name for item in tmp_path.iterdir()] == ["a.png"]
    assert file.read_text() == "old"


def test_each_acceleration_has_its_figure_and_without_one_there_is_none(plain: Outlook, tmp_path: Path) -> None:
    kinds = ("acceleration", "step", "acceleration")
    rows = [dict.fromkeys(plain.changes.columns, "") | {"section": "A", "measure": "settlement", "prisms": "A-CR"}]
    changes = pd.DataFrame([rows[0] | {"kind": kind} for kind in kinds], columns=plain.changes.columns)
    moving = replace(plain, changes=changes)
    assert plots.accelerating(moving) == (("A", "settlement crown"),)
    (file,) = plots.save_inverse_velocities(moving, tmp_path / "figures")
    assert file.name == "A_settlement_crown_inverse_velocity.png"
    assert imread(file).ndim == 3
    assert plots.save_inverse_velocities(replace(plain, changes=changes[1:2]), tmp_path / "none") == []
    assert not (tmp_path / "none").exists()
