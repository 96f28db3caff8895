"""Names of files that can't leave their folder, and those that file managers and editors make."""

from __future__ import annotations

import re
from pathlib import Path

from convergence.errors import ConvergenceError, clipped

#: Names that mean a device and no file on some systems.
DEVICES = re.compile(r"(con|prn|aux|nul|com\d|lpt\d)(\..*)?", re.IGNORECASE)
#: Names, in small letters, under which a file manager keeps what it thinks of a folder.
KEEPSAKES = ("thumbs.db", "desktop.ini")


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


def hidden_name(name: str) -> bool:
    """Whether a name, or a folder in it, is one that file managers and spreadsheets make by themselves.

    >>> [hidden_name(name) for name in (".DS_Store", "readings/~$may.csv", "Thumbs.db", "readings/may.csv")]
    [True, True, True, False]
    """
    return any(part.startswith((".", "~")) or part.lower() in KEEPSAKES for part in name.split("/"))


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
