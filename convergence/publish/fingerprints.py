"""Fingerprints of files, and how the files of a folder differ from what was marked."""

from __future__ import annotations

import hashlib
import stat
from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path

from convergence.errors import ConvergenceError
from convergence.publish.folders import list_files
from convergence.publish.names import inside

CHUNK = 1 << 20
#: A larger file is not looked through for the ends of its lines.
LARGEST_TEXT = 1 << 28


@dataclass(frozen=True)
class FileMark:
    """What is kept of a file: SHA-256 of its bytes, their number, and the number of line ends in them."""

    sha256: str
    size: int
    lines: int


def mark_file(path: Path) -> FileMark:
    """The mark of a plain file.

    Raises
    ------
    ConvergenceError
        It is a link or no plain file.
    OSError
        It cannot be read.
    """
    if not stat.S_ISREG(path.lstat().st_mode):
        raise ConvergenceError(f"{path.name}: a link or no plain file. To mend: put the file itself in its place.")
    total, size, lines = hashlib.sha256(), 0, 0
    with path.open("rb") as stream:
        while block := stream.read(CHUNK):
            total.update(block)
            size += len(block)
            lines += block.count(b"\n")
    return FileMark(total.hexdigest(), size, lines)


def mark_bytes(data: bytes) -> FileMark:
    """The mark of what a file will hold."""
    return FileMark(hashlib.sha256(data).hexdigest(), len(data), data.count(b"\n"))


def mark_folder(folder: Path, hidden: bool = True) -> dict[str, FileMark]:
    """The mark of every file under a folder."""
    return {name: mark_file(path) for name, path in list_files(folder, hidden).items()}


@dataclass(frozen=True)
class Changes:
    """How the files of a folder differ from what was marked; names are sorted.

    ``lines`` holds the numbers of line ends before and now of each changed file; ``line_ends`` names those of which
    nothing but the ends of lines was changed, as some programs do when they copy.
    """

    changed: tuple[str, ...]
    missing: tuple[str, ...]
    added: tuple[str, ...]
    lines: Mapping[str, tuple[int, int]]
    line_ends: tuple[str, ...] = ()

    def __bool__(self) -> bool:
        return bool(self.changed or self.missing or self.added)

    @property
    def sentences(self) -> tuple[str, ...]:
        """One line for each file that differs."""
        return (
            *(f"{name}: changed ({self._how(name)})" for name in self.changed),
            *(f"{name}: missing" for name in self.missing),
            *(f"{name}: added" for name in self.added),
        )

    def _how(self, name: str) -> str:
        if name in self.line_ends:
            return "its line ends only, the content is the same"
        before, now = self.lines[name]
        return f"{before} lines as before" if before == now else f"{before} lines, now {now}"


def changes(before: Mapping[str, FileMark], now: Mapping[str, FileMark], folder: Path) -> Changes:
    """What differs between two sets of marks.

    Parameters
    ----------
    before, now : mapping of str to FileMark
        What was marked, and what is there.
    folder : Path
        Where the files of ``now`` stand.
    """
    changed = sorted(name for name in before.keys() & now.keys() if before[name].sha256 != now[name].sha256)
    return Changes(
        tuple(changed),
        tuple(sorted(before.keys() - now.keys())),
        tuple(sorted(now.keys() - before.keys())),
        {name: (before[name].lines, now[name].lines) for name in changed},
        tuple(name for name in changed if _line_ends_alone(folder, name, before[name], now[name])),
    )


def _line_ends_alone(folder: Path, name: str, before: FileMark, now: FileMark) -> bool:
    """Whether a file is the one marked once its lines end as they did."""
    if before.lines != now.lines or max(before.size, now.size) > LARGEST_TEXT:
        return False
    plain = inside(folder, name).read_bytes().replace(b"\r\n", b"\n")
    return before.sha256 in (mark_bytes(plain).sha256, mark_bytes(plain.replace(b"\n", b"\r\n")).sha256)
