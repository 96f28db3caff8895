"""The inputs of a publication: every file of the job folder, copied and marked before the notebook sees them."""

from __future__ import annotations

import shutil
from collections.abc import Mapping
from pathlib import Path

from convergence.errors import ConvergenceError
from convergence.publish.fingerprints import FileMark, mark_folder
from convergence.publish.folders import list_files
from convergence.publish.manifest import INPUTS
from convergence.publish.names import inside

#: Where the job stands for a notebook that runs, and in a publication; it tells nothing of where it came from.
FOLDER = f"{INPUTS}/job"


def refuse_no_job(job: Path) -> None:
    """Refuse what is no job folder.

    Raises
    ------
    ConvergenceError
        It holds no settings file.
    """
    if not (job / "tunnel.toml").is_file():
        raise ConvergenceError(f"{job}: expected a job folder. To mend: give the folder that holds tunnel.toml.")


def copy_job(job: Path, folder: Path) -> dict[str, FileMark]:
    """Copy a job below a folder and mark the copies; hidden files stay behind.

    Raises
    ------
    ConvergenceError
        No job folder, or a link in it.
    OSError
        A file cannot be read.
    """
    refuse_no_job(job)
    files = list_files(job, hidden=False)
    place = folder / FOLDER
    place.mkdir(parents=True)
    for name, path in files.items():
        target = inside(place, name)
        target.parent.mkdir(parents=True, exist_ok=True)
        shutil.copyfile(path, target)
    return mark_folder(place)


def changed_by_run(folder: Path, before: Mapping[str, FileMark]) -> tuple[str, ...]:
    """Inputs that are not what they were before the notebook ran."""
    now = mark_folder(folder / FOLDER)
    return tuple(sorted(name for name in before.keys() | now.keys() if before.get(name) != now.get(name)))
