"""What a folder holds: its files by name, what is no file or cannot be named elsewhere, and folders that are empty."""

from __future__ import annotations

import os
import stat
from dataclasses import dataclass
from pathlib import Path

from convergence.errors import ConvergenceError, clipped
from convergence.publish.names import hidden_name, safe_name

#: Files a folder may hold; more is no job and no publication.
MOST_FILES = 20_000


@dataclass(frozen=True)
class Contents:
    """What a folder holds.

    Attributes
    ----------
    files : dict of str to Path
        Plain files by name, sorted.
    no_files : tuple of str
        Names of links and of what else is no plain file; nothing of them is looked at.
    odd : tuple of str
        Names of plain files that not every system can keep.
    """

    files: dict[str, Path]
    no_files: tuple[str, ...]
    odd: tuple[str, ...]


def look_into(folder: Path, hidden: bool = True) -> Contents:
    """Everything under a folder; a link is told and not followed.

    Parameters
    ----------
    folder : Path
        The folder; it may itself be reached through a link.
    hidden : bool
        Whether files that file managers and spreadsheets make by themselves count.

    Raises
    ------
    ConvergenceError
        Too many files.
    """
    found: dict[str, Path] = {}
    no_files, odd = [], []
    for place, folders, files in os.walk(folder, onerror=_raise):
        if not hidden:
            folders[:] = [name for name in folders if not hidden_name(name)]
            files = [name for name in files if not hidden_name(name)]
        folders.sort()
        for entry in [*folders, *files]:
            path = Path(place) / entry
            name = path.relative_to(folder).as_posix()
            mode = path.lstat().st_mode
            if stat.S_ISDIR(mode):
                continue
            if not stat.S_ISREG(mode):
                no_files.append(name)
            elif not safe_name(name):
                odd.append(name)
            else:
                found[name] = path
        if len(found) + len(no_files) + len(odd) > MOST_FILES:
            raise ConvergenceError(f"{folder}: more than {MOST_FILES} files. To mend: name the job's own folder.")
    return Contents(dict(sorted(found.items())), tuple(sorted(no_files)), tuple(sorted(odd)))


def list_files(folder: Path, hidden: bool = True) -> dict[str, Path]:
    """Every file under a folder by its name, sorted; a link, or a name that could not be moved elsewhere, is refused.

    Parameters
    ----------
    folder, hidden
        As ``look_into`` takes them.

    Raises
    ------
    ConvergenceError
        A link, something that is no file, a name that is not safe, or too many files.
    """
    found = look_into(folder, hidden)
    if found.no_files:
        raise ConvergenceError(
            f"{clipped(found.no_files[0])} in {folder}: a link or no plain file. To mend: put the file itself in its "
            "place."
        )
    if found.odd:
        raise ConvergenceError(
            f"{clipped(found.odd[0])} in {folder}: expected a name that every system can keep. To mend: rename it."
        )
    return found.files


def empty_folders(folder: Path) -> tuple[str, ...]:
    """Folders below a folder with no file in or under them, by name, sorted; of those in one another the outer."""
    found: list[str] = []
    full: set[Path] = {folder}
    # from the inside out: a folder is known to hold something once what is in it has been seen
    for place, folders, files in os.walk(folder, topdown=False, onerror=_raise):
        path = Path(place)
        # a link to a folder is no folder of this one, and something that lies in it
        if files or path in full or any((path / name).is_symlink() for name in folders):
            full |= {path, path.parent}
        else:
            found = [name for name in found if path not in (folder / name).parents]
            found.append(path.relative_to(folder).as_posix())
    return tuple(sorted(found))


def _raise(error: OSError) -> None:
    raise error
