"""Writing files so that an interrupted write never leaves a half file in place of a good one."""

from __future__ import annotations

import os
import tempfile
from pathlib import Path


def write_text(path: Path, text: str) -> None:
    """Write a text file (UTF-8, LF line ends) beside its place and move it there when it is whole.

    Raises
    ------
    OSError
        The folder cannot be written.
    """
    path.parent.mkdir(parents=True, exist_ok=True)
    handle, name = tempfile.mkstemp(prefix=f".{path.name}.", dir=path.parent)
    try:
        with os.fdopen(handle, "w", encoding="utf-8", newline="\n") as stream:
            stream.write(text)
            stream.flush()
            os.fsync(stream.fileno())
        # mkstemp makes files for the owner only; a report is for everyone the folder is for
        os.chmod(name, 0o666 & ~_umask())
        os.replace(name, path)
    finally:
        # gone where the move was made; still there where a failure or an interruption came before it
        Path(name).unlink(missing_ok=True)


def _umask() -> int:
    """The process's file mode mask; reading it means setting it."""
    mask = os.umask(0)
    os.umask(mask)
    return mask
