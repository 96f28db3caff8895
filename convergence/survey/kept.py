"""A job read again from files that have not changed: kept between runs where the command asks for it."""

from __future__ import annotations

import hashlib
import tomllib
from pathlib import Path

import numpy as np

from convergence.cache import keeping, kept, key_of
from convergence.job.text_files import LARGEST_FILE
from convergence.survey.job import Job, read_job

#: The files of a job besides its readings and the file of its alignment.
TABLES = ("tunnel.toml", "prisms.csv", "advance.csv", "events.csv", "readings.csv")


def kept_job(path: str | Path, as_of: str | np.datetime64 | None = None) -> Job:
    """``read_job``, or what it gave for the same bytes; faults are never kept. Parameters as there."""
    before = None if keeping() is None else _contents(Path(path))
    if before is None:
        return read_job(path, as_of)

    def work() -> Job:
        job = read_job(path, as_of)
        # files that changed while they were read belong to no key
        return job if _contents(Path(path)) == before else _changed(job)

    try:
        found: Job = kept(key_of("job", (str(path), as_of, before)), Job, work)
    except _ChangedError as changed:
        return changed.job
    return found


class _ChangedError(Exception):
    """The files changed while they were read; carries what was read of them."""

    def __init__(self, job: Job) -> None:
        super().__init__("the files changed while they were read")
        self.job = job


def _changed(job: Job) -> Job:
    raise _ChangedError(job)


def _contents(folder: Path) -> tuple[tuple[str, str], ...] | None:
    """Names and digests of all that a job is read from; None where that cannot be said, and reading will say why."""
    try:
        inner = sorted(path.name for path in (folder / "readings").iterdir()) if (folder / "readings").is_dir() else []
        names = [*TABLES, *(f"readings/{name}" for name in inner if name.endswith(".csv"))]
        settings = tomllib.loads((folder / "tunnel.toml").read_text(encoding="utf-8-sig"))
        alignment = settings.get("alignment")
        if isinstance(alignment, dict):
            names.append(str(alignment.get("file", "")))
        found = [("readings", "\n".join(inner))]
        for name in names:
            path = folder / name
            if path.is_file():
                if path.stat().st_size > LARGEST_FILE:
                    return None
                # where a link leads is part of what is read
                digest = hashlib.sha256(str(path.resolve()).encode() + b"\0" + path.read_bytes()).hexdigest()
                found.append((name, digest))
            else:
                found.append((name, "none" if not path.is_symlink() and not path.exists() else "odd"))
        return tuple(found)
    except (OSError, ValueError):
        return None
