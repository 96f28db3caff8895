"""All sections' figures as files."""

from __future__ import annotations

import re
from collections.abc import Iterable, Sequence
from concurrent.futures import ProcessPoolExecutor
from pathlib import Path

from convergence.errors import ValueFault
from convergence.plots.acceleration import accelerating, inverse_velocity
from convergence.plots.canvas import figure_of, write_png
from convergence.plots.overview import outlook_map
from convergence.plots.section import draw_section
from convergence.plots.view import section_view
from convergence.triggers import Outlook

_UNSAFE = re.compile(r"[^A-Za-z0-9._-]+")


def save_section_figures(
    outlook: Outlook, folder: str | Path, sections: Sequence[str] | None = None, processes: int = 1
) -> list[Path]:
    """Write the figure of every section as a PNG, 150 dots per inch.

    A file appears whole or not at all: each figure is written beside its place and moved there.

    Parameters
    ----------
    outlook : Outlook
        The outlook.
    folder : str or Path
        Where to; made if it is not there.
    sections : sequence of str, optional
        The sections; all unless given.
    processes : int
        Worker processes; 1 works in this one. The pictures do not depend on it.

    Returns
    -------
    list of Path
        The files, in the order of the sections.

    Raises
    ------
    ValueFault
        If a section is unknown or the folder is a file.
    """
    folder = Path(folder)
    if folder.exists() and not folder.is_dir():
        raise ValueFault(
            f"folder '{folder}' is a file: expected a folder. To mend: give another name, or move the file away."
        )
    names = list(outlook.job.sections if sections is None else sections)
    for name in names:
        outlook.job.array(name)
    folder.mkdir(parents=True, exist_ok=True)
    files = [folder / file for file in file_names(names)]
    if processes <= 1 or len(names) < 2:
        return [_save(outlook, name, file) for name, file in zip(names, files, strict=True)]
    shares = [slice(start, None, processes) for start in range(min(processes, len(names)))]
    with ProcessPoolExecutor(len(shares)) as pool:
        # each worker gets its share of the sections and one copy of the outlook, not a copy a section
        list(pool.map(_save_share, [(outlook, names[share], files[share]) for share in shares]))
    return files


def save_inverse_velocities(outlook: Outlook, folder: str | Path) -> list[Path]:
    """Write the inverse velocity of every measure in which an acceleration is told, as a PNG each.

    Parameters
    ----------
    outlook : Outlook
        The outlook.
    folder : str or Path
        Where to; made if there is something to write.

    Returns
    -------
    list of Path
        The files; none where nothing accelerates.
    """
    folder = Path(folder)
    moving = accelerating(outlook)
    files = [folder / file for file in file_names(f"{section} {label} inverse velocity" for section, label in moving)]
    for (section, label), file in zip(moving, files, strict=True):
        folder.mkdir(parents=True, exist_ok=True)
        write_png(figure_of(inverse_velocity(outlook, section, label)), file)
    return files


def save_outlook_map(outlook: Outlook, path: str | Path) -> Path:
    """Write the overview of the tunnel as a PNG, 150 dots per inch, whole or not at all.

    Parameters
    ----------
    outlook : Outlook
        The outlook.
    path : str or Path
        The file; its folder is made if it is not there.

    Returns
    -------
    Path
        The file.
    """
    path = Path(path)
    path.parent.mkdir(parents=True, exist_ok=True)
    return write_png(figure_of(outlook_map(outlook)[0]), path)


def file_names(sections: Iterable[str]) -> list[str]:
    """File names for sections whose names may hold anything; two that would fall together get numbers."""
    found: list[str] = []
    taken: set[str] = set()
    for section in sections:
        stem = _UNSAFE.sub("_", section).strip("._") or "section"
        name, count = stem, 1
        while name.lower() in taken:
            count += 1
            name = f"{stem}_{count}"
        taken.add(name.lower())
        found.append(f"{name}.png")
    return found


def _save(outlook: Outlook, section: str, file: Path) -> Path:
    return write_png(draw_section(section_view(outlook, section)), file)


def _save_share(share: tuple[Outlook, list[str], list[Path]]) -> None:
    outlook, sections, files = share
    for section, file in zip(sections, files, strict=True):
        _save(outlook, section, file)
