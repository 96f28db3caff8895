"""Fingerprints of files, and names of files that can't leave their folder."""

from __future__ import annotations

import hashlib
import os
import re
import stat
from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path

from convergence.errors import ConvergenceError, clipped

#: Names that mean a device and no file on some systems.
DEVICES = re.compile(r"(con|prn|aux|nul|com\d|lpt\d)(\..*)?", re.IGNORECASE)
#: Files a folder may hold; more is no job and no publication.
MOST_FILES = 20_000
CHUNK = 1 << 20


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


def safe_name(name: str) -> bool:
    """Whether a name, parts joined by "/", stays in its folder on every system.

    >>> [safe_name(name) for name in ("readings/may.csv", "../may.csv", "/may.csv", "C:may.csv", "a//b", "nul")]
    [True, False, False, False, False, False]
    """
    parts = name.split("/")
    return all(
        part not in ("", ".", "..")
        and part.isprintable()
        and not part.endswith((" ", "."))
        and not set(part) & set('\\:*?"<>|')
        and not DEVICES.fullmatch(part)
        for part in parts
    )


def inside(folder: Path, name: str) -> Path:
    """The path of a name in a folder, refused where it would leave it or goes through a link.

    Raises
    ------
    ConvergenceError
        The name leaves the folder, or a part of it is a link.
    """
    if not safe_name(name):
        raise ConvergenceError(
            f"{clipped(name)}: expected a name inside the folder. To mend: take the folder from its source again."
        )
    place = folder
    for part in name.split("/"):
        place = place / part
        if place.is_symlink():
            raise ConvergenceError(f"{clipped(name)}: goes through a link. To mend: put the file itself in its place.")
    return place


def list_files(folder: Path, hidden: bool = True) -> dict[str, Path]:
    """Every file under a folder by its name, sorted; a link, or a name that could not be moved elsewhere, is refused.

    Parameters
    ----------
    folder : Path
        The folder; it may itself be reached through a link.
    hidden : bool
        Whether names that begin with "." or "~", made by file managers and spreadsheets, count.

    Raises
    ------
    ConvergenceError
        A link, something that is no file, a name that is not safe, or too many files.
    """
    found: dict[str, Path] = {}
    for place, folders, files in os.walk(folder, onerror=_raise):
        if not hidden:
            folders[:] = [name for name in folders if not name.startswith((".", "~"))]
            files = [name for name in files if not name.startswith((".", "~"))]
        folders.sort()
        for entry in [*folders, *files]:
            path = Path(place) / entry
            name = path.relative_to(folder).as_posix()
            mode = path.lstat().st_mode
            if stat.S_ISDIR(mode):
                continue
            if not stat.S_ISREG(mode):
                raise ConvergenceError(
                    f"{clipped(name)} in {folder}: a link or no plain file. To mend: put the file itself in its place."
                )
            if not safe_name(name):
                raise ConvergenceError(
                    f"{clipped(name)} in {folder}: expected a name that every system can keep. To mend: rename it."
                )
            found[name] = path
        if len(found) > MOST_FILES:
            raise ConvergenceError(f"{folder}: more than {MOST_FILES} files. To mend: name the job's own folder.")
    return dict(sorted(found.items()))


def _raise(error: OSError) -> None:
    raise error


def empty_folders(folder: Path) -> tuple[str, ...]:
    """Folders below a folder with no file in or under them, by name, sorted; of those in one another the outer."""
    found: list[str] = []
    full: set[Path] = {folder}
    # from the inside out: a folder is known to hold something once what is in it has been seen
    for place, _, files in os.walk(folder, topdown=False, onerror=_raise):
        path = Path(place)
        if files or path in full:
            full |= {path, path.parent}
        else:
            found = [name for name in found if path not in (folder / name).parents]
            found.append(path.relative_to(folder).as_posix())
    return tuple(sorted(found))


def mark_folder(folder: Path, hidden: bool = True) -> dict[str, FileMark]:
    """The mark of every file under a folder."""
    return {name: mark_file(path) for name, path in list_files(folder, hidden).items()}


@dataclass(frozen=True)
class Changes:
    """How the files of a folder differ from what was marked; names are sorted.

    ``lines`` holds the numbers of line ends before and now of each changed file.
    """

    changed: tuple[str, ...]
    missing: tuple[str, ...]
    added: tuple[str, ...]
    lines: Mapping[str, tuple[int, int]]

    def __bool__(self) -> bool:
        return bool(self.changed or self.missing or self.added)

    @property
    def sentences(self) -> tuple[str, ...]:
        """One line for each file that differs."""
        return (
            *(f"{name}: changed ({_lines(*self.lines[name])})" for name in self.changed),
            *(f"{name}: missing" for name in self.missing),
            *(f"{name}: added" for name in self.added),
        )


def _lines(before: int, now: int) -> str:
    return f"{before} lines as before" if before == now else f"{before} lines, now {now}"


def changes(before: Mapping[str, FileMark], now: Mapping[str, FileMark]) -> Changes:
    """What differs between two sets of marks."""
    changed = sorted(name for name in before.keys() & now.keys() if before[name].sha256 != now[name].sha256)
    return Changes(
        tuple(changed),
        tuple(sorted(before.keys() - now.keys())),
        tuple(sorted(now.keys() - before.keys())),
        {name: (before[name].lines, now[name].lines) for name in changed},
    )
