"""Where results are kept between runs: one file an entry, named by the digest of what it was made from.

A folder of the user's own that nobody else may look into. Entries are written beside and moved to their place, carry a
digest of themselves and are thrown away where it does not fit; when all of them together grow too large the ones that
were used longest ago go. The whole folder can be removed at any time.
"""

from __future__ import annotations

import contextlib
import hashlib
import os
import stat
import tempfile
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path

#: The variable that names the folder, or turns keeping off with this word.
VARIABLE, OFF = "CONVERGENCE_CACHE", "off"
#: All entries together, and one of them, are no larger than this [bytes].
MOST, MOST_OF_ONE = 4 * 1024**3, 1024**3
HEAD = b"convergence kept 1\n"
ENDING = ".kept"


@dataclass(frozen=True)
class Store:
    """A folder of entries.

    Attributes
    ----------
    folder : str
        Made when something is first put there.
    most : int
        Largest size of all entries together [bytes].
    """

    folder: str
    most: int = MOST

    def get(self, key: str) -> bytes | None:
        """The bytes of an entry; None where there is none, or none that is whole."""
        path = self._path(key)
        if not _is_private(Path(self.folder)):
            return None
        try:
            data = path.read_bytes()
        except OSError:
            return None
        start = len(HEAD) + 32
        if not data.startswith(HEAD) or hashlib.sha256(data[start:] + key.encode()).digest() != data[len(HEAD) : start]:
            with contextlib.suppress(OSError):
                path.unlink()
            return None
        with contextlib.suppress(OSError):
            # the ones used longest ago go first
            os.utime(path)
        return data[start:]

    def put(self, key: str, parts: Sequence[bytes | memoryview]) -> bool:
        """Keep some bytes; False where they are too large or the folder is of no use, which stops nobody's work."""
        size = sum(map(len, parts))
        if size > min(MOST_OF_ONE, self.most):
            return False
        folder = Path(self.folder)
        try:
            folder.mkdir(mode=0o700, parents=True, exist_ok=True)
            if not _is_private(folder):
                return False
            total = hashlib.sha256()
            for part in parts:
                total.update(part)
            total.update(key.encode())
            self._make_room(size)
            # made for its owner alone
            handle, name = tempfile.mkstemp(dir=folder, suffix=".part")
            try:
                with os.fdopen(handle, "wb") as stream:
                    stream.write(HEAD + total.digest())
                    for part in parts:
                        stream.write(part)
                os.replace(name, self._path(key))
            except BaseException:
                with contextlib.suppress(OSError):
                    os.unlink(name)
                raise
        except OSError:
            return False
        return True

    def _path(self, key: str) -> Path:
        return Path(self.folder) / f"{key}{ENDING}"

    def _make_room(self, size: int) -> None:
        """Throw out the entries used longest ago, and what was never finished, until there is room."""
        entries = []
        for path in Path(self.folder).iterdir():
            if path.suffix in (ENDING, ".part"):
                with contextlib.suppress(OSError):
                    told = path.stat()
                    entries.append((told.st_mtime, told.st_size, path))
        total = size + sum(entry[1] for entry in entries)
        for _, one, path in sorted(entries):
            if total <= self.most:
                return
            with contextlib.suppress(OSError):
                path.unlink()
            total -= one


def _is_private(folder: Path) -> bool:
    """Whether a folder is the user's own and closed to all others; one of the user's own is closed."""
    if not hasattr(os, "getuid"):
        # where there are no such rights the user's own folders are closed by where they lie
        return folder.is_dir()
    try:
        told = folder.lstat()
        if not stat.S_ISDIR(told.st_mode) or told.st_uid != os.getuid():
            return False
        if told.st_mode & 0o077:
            folder.chmod(0o700)
    except OSError:
        return False
    return True


def usual_store() -> Store | None:
    """The store that the environment asks for: the user's own cache folder unless told otherwise."""
    asked = os.environ.get(VARIABLE, "")
    if asked.strip().lower() == OFF:
        return None
    if asked:
        return Store(asked)
    base = os.environ.get("XDG_CACHE_HOME", "")
    try:
        # the standard of base directories: a relative one is not to be used
        home = Path(base) if Path(base).is_absolute() else Path.home() / ".cache"
    except RuntimeError:
        return None
    return Store(str(home / "convergence"))
