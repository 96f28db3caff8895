"""Fingerprints, and names that can't leave their folder."""

from __future__ import annotations

from pathlib import Path

import pytest

from convergence.errors import ConvergenceError
from convergence.publish.fingerprints import FileMark, changes, mark_bytes, mark_file
from convergence.publish.folders import list_files
from convergence.publish.names import inside, safe_name

#: SHA-256 of "abc": FIPS 180-4, example of the one-block message (from memory); every digit is compared.
ABC = "ba7816bf8f01cfea414140de5dae2223b00361a396177a9cb410ff61f20015ad"


def test_the_fingerprint_is_sha_256(tmp_path: Path) -> None:
    (tmp_path / "abc").write_bytes(b"abc")
    assert mark_file(tmp_path / "abc") == mark_bytes(b"abc") == FileMark(ABC, 3, 0)


@pytest.mark.parametrize("name", ["a.csv", "readings/2031-05.csv", "Überblick.md", "a b.txt"])
def test_names_that_stay(name: str) -> None:
    assert safe_name(name)


@pytest.mark.parametrize(
    "name",
    ["", "/a", "../a", "a/../b", "./a", "a//b", "a\\b", "C:a", "a/", "nul", "COM1.txt", "a\nb", "a ", "a.", "~/a/.."],
)
def test_names_that_leave_or_mean_something_else(name: str) -> None:
    assert not safe_name(name)


def test_a_name_through_a_link_is_refused(tmp_path: Path) -> None:
    (tmp_path / "outside").mkdir()
    (tmp_path / "in").mkdir()
    (tmp_path / "in" / "readings").symlink_to(tmp_path / "outside")
    with pytest.raises(ConvergenceError, match="link"):
        inside(tmp_path / "in", "readings/may.csv")
    with pytest.raises(ConvergenceError, match="link"):
        list_files(tmp_path / "in")
    with pytest.raises(ConvergenceError, match="inside the folder"):
        inside(tmp_path / "in", "../outside/may.csv")


def test_a_linked_file_is_no_file(tmp_path: Path) -> None:
    (tmp_path / "a").write_text("x")
    (tmp_path / "b").symlink_to(tmp_path / "a")
    with pytest.raises(ConvergenceError, match="link"):
        mark_file(tmp_path / "b")


def test_hidden_files_can_be_left_out(tmp_path: Path) -> None:
    for name in (".lock", "~$prisms.csv", "prisms.csv", ".cache/x"):
        (tmp_path / name).parent.mkdir(exist_ok=True)
        (tmp_path / name).write_text("x")
    assert list(list_files(tmp_path, hidden=False)) == ["prisms.csv"]
    assert len(list_files(tmp_path)) == 4


def test_each_change_is_named(tmp_path: Path) -> None:
    before = {"a": mark_bytes(b"1\n"), "b": mark_bytes(b"2"), "c": mark_bytes(b"3")}
    (tmp_path / "a").write_bytes(b"1\n2\n")
    found = changes(before, {"a": mark_bytes(b"1\n2\n"), "c": mark_bytes(b"3"), "d": mark_bytes(b"4")}, tmp_path)
    assert found.sentences == ("a: changed (1 lines, now 2)", "b: missing", "d: added")
    assert found
    assert not changes(before, before, tmp_path)
