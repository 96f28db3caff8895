"""The folder of kept results: the user's alone, bounded, and an entry that is not whole is as good as none."""

from __future__ import annotations

import os
import stat
from pathlib import Path

import pytest

from convergence.cache.store import ENDING, OFF, VARIABLE, Store, usual_store

posix = pytest.mark.skipif(not hasattr(os, "getuid"), reason="no such rights here")


def only_entry(folder: Path) -> Path:
    (entry,) = folder.iterdir()
    return entry


def test_what_was_put_there_comes_back(tmp_path: Path) -> None:
    store = Store(str(tmp_path / "kept"))
    assert store.get("a" * 64) is None
    assert store.put("a" * 64, [b"one", memoryview(b"two")])
    assert store.get("a" * 64) == b"onetwo"
    assert store.get("b" * 64) is None
    assert [path.suffix for path in (tmp_path / "kept").iterdir()] == [ENDING]


@posix
def test_nobody_else_may_look_into_it(tmp_path: Path) -> None:
    folder = tmp_path / "kept"
    store = Store(str(folder))
    store.put("a" * 64, [b"x"])
    assert stat.S_IMODE(folder.stat().st_mode) == 0o700
    assert stat.S_IMODE(only_entry(folder).stat().st_mode) == 0o600
    folder.chmod(0o755)
    assert store.get("a" * 64) == b"x"
    assert stat.S_IMODE(folder.stat().st_mode) == 0o700
    (tmp_path / "link").symlink_to(folder)
    assert Store(str(tmp_path / "link")).get("a" * 64) is None
    assert not Store(str(tmp_path / "link")).put("a" * 64, [b"x"])


@pytest.mark.parametrize("change", ["cut", "flip", "swap", "foreign", "empty"])
def test_an_entry_that_is_not_whole_is_not_used(change: str, tmp_path: Path) -> None:
    store = Store(str(tmp_path))
    store.put("a" * 64, [b"x" * 1000])
    entry = only_entry(tmp_path)
    data = entry.read_bytes()
    if change == "swap":
        # the digest holds the key too: an entry under another's name is none
        entry = entry.rename(tmp_path / f"{'b' * 64}{ENDING}")
    else:
        texts = {"cut": data[:-1], "flip": data[:-9] + b"y" + data[-8:], "foreign": b"\x80\x04." + data, "empty": b""}
        entry.write_bytes(texts[change])
    key = entry.name.removesuffix(ENDING)
    assert store.get(key) is None
    assert not entry.exists()
    assert store.put(key, [b"new"])
    assert store.get(key) == b"new"


def test_it_does_not_grow_beyond_its_bounds(tmp_path: Path) -> None:
    store = Store(str(tmp_path), most=5000)
    for number in range(8):
        assert store.put(f"{number:064d}", [b"x" * 1000])
        os.utime(tmp_path / f"{number:064d}{ENDING}", (number, number))
    assert sum(path.stat().st_size for path in tmp_path.iterdir()) <= 5000
    assert store.get(f"{7:064d}") is not None
    assert store.get(f"{0:064d}") is None
    assert not store.put("f" * 64, [b"x" * 6000])
    assert store.get(f"{7:064d}") is not None


def test_a_folder_of_no_use_stops_nobody(tmp_path: Path) -> None:
    (tmp_path / "file").write_text("x")
    store = Store(str(tmp_path / "file" / "kept"))
    assert not store.put("a" * 64, [b"x"])
    assert store.get("a" * 64) is None


def test_where_the_environment_puts_it(monkeypatch: pytest.MonkeyPatch, tmp_path: Path) -> None:
    monkeypatch.setenv(VARIABLE, OFF)
    assert usual_store() is None
    monkeypatch.setenv(VARIABLE, str(tmp_path))
    assert usual_store() == Store(str(tmp_path))
    monkeypatch.delenv(VARIABLE)
    monkeypatch.setenv("XDG_CACHE_HOME", str(tmp_path / "x"))
    assert usual_store() == Store(str(tmp_path / "x" / "convergence"))
    # the XDG base directory specification: a relative path is to be ignored
    monkeypatch.setenv("XDG_CACHE_HOME", "relative")
    monkeypatch.setenv("HOME", str(tmp_path / "home"))
    assert usual_store() == Store(str(tmp_path / "home" / ".cache" / "convergence"))
