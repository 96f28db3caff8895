"""Files are written whole or not at all."""

from __future__ import annotations

import os
import stat
from pathlib import Path

import pytest

from convergence.report.files import write_text


def test_a_file_and_its_folder_are_made(tmp_path: Path) -> None:
    file = tmp_path / "a" / "b" / "outlook.csv"
    write_text(file, "settlement [mm], 1·5\nend\n")
    assert file.read_bytes() == "settlement [mm], 1·5\nend\n".encode()
    assert os.listdir(file.parent) == ["outlook.csv"]


def test_it_replaces_what_was_there(tmp_path: Path) -> None:
    file = tmp_path / "outlook.csv"
    write_text(file, "old, and longer than the new one")
    write_text(file, "new")
    assert file.read_text(encoding="utf-8") == "new"


def test_it_is_for_everyone_the_folder_is_for(tmp_path: Path) -> None:
    mask = os.umask(0o022)
    try:
        write_text(tmp_path / "outlook.csv", "text")
    finally:
        os.umask(mask)
    assert stat.S_IMODE((tmp_path / "outlook.csv").stat().st_mode) == 0o644
    assert os.umask(mask) == mask, "the mask of the process is as it was"


@pytest.mark.parametrize("step", ["replace", "fsync", "chmod"])
def test_a_failure_leaves_the_old_file_and_nothing_else(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, step: str
) -> None:
    file = tmp_path / "outlook.csv"
    write_text(file, "old")

    def fails(*_: object, **__: object) -> None:
        raise OSError(28, "No space left on device")

    with monkeypatch.context() as patch:
        patch.setattr(os, step, fails)
        with pytest.raises(OSError, match="No space left"):
            write_text(file, "new")
    assert file.read_text(encoding="utf-8") == "old"
    assert os.listdir(tmp_path) == ["outlook.csv"]


def test_an_interruption_leaves_the_old_file(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    file = tmp_path / "outlook.csv"
    write_text(file, "old")

    def interrupted(*_: object) -> None:
        raise KeyboardInterrupt

    with monkeypatch.context() as patch:
        patch.setattr(os, "fsync", interrupted)
        with pytest.raises(KeyboardInterrupt):
            write_text(file, "new")
    assert file.read_text(encoding="utf-8") == "old"
    assert os.listdir(tmp_path) == ["outlook.csv"]


def test_a_folder_that_is_a_file_is_an_os_error(tmp_path: Path) -> None:
    (tmp_path / "results").write_text("not a folder")
    with pytest.raises(OSError, match="results"):
        write_text(tmp_path / "results" / "outlook.csv", "text")
