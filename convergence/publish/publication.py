"""Making a publication: the notebook run from a clean kernel, and everything a reviewer needs to run it again.

Everything is made in a folder beside the place and moved there when it is whole. A failed run leaves nothing.
"""

from __future__ import annotations

import html
import json
import os
import shutil
import tempfile
from collections.abc import Iterator, Mapping
from contextlib import contextmanager, suppress
from dataclasses import dataclass
from datetime import UTC, datetime
from pathlib import Path
from typing import Literal

import nbformat

from convergence.errors import ConvergenceError
from convergence.publish.claims import Claim, ClaimTable, claims_csv
from convergence.publish.fingerprints import FileMark, mark_bytes, mark_folder
from convergence.publish.inputs import FOLDER, copy_job, refuse_no_job
from convergence.publish.kernel import Run
from convergence.publish.manifest import CLAIMS, ENVIRONMENT, NAME, SETTINGS, Manifest, read_small
from convergence.publish.names import safe_name
from convergence.publish.notebook import cell_marks, clean, found_claims, read_notebook, title_of
from convergence.publish.page import notebook_page
from convergence.publish.parameters import AS_OF, JOB, read_parameters
from convergence.publish.pictures import embed_pictures
from convergence.publish.privacy import Veil
from convergence.publish.running import Progress, check_instant, run_given
from convergence.publish.settings import SECONDS, TOML, Settings, job_settings, settings_of

Inputs = Literal["files", "fingerprints"]
#: What the manifest of a publication of any version says, and how many bytes of it are looked at.
FORMAT_WORDS, BEGINNING = b"convergence publication", 4096


@dataclass(frozen=True)
class Publication:
    """A publication that has been made.

    Attributes
    ----------
    folder : Path
        Where it stands.
    fingerprint : str
        SHA-256 of its manifest. Told to the reviewer by another way than the folder, it shows that the folder is whole.
    claims : tuple of Claim
        What it stands for.
    seconds : float
        Time the notebook took [s].
    as_of : str or None
        Instant up to which it read its data; None for their end.
    unseeded : tuple of str
        Draws of the notebook that no seed holds, by cell.
    """

    folder: Path
    fingerprint: str
    claims: tuple[Claim, ...]
    seconds: float
    as_of: str | None = None
    unseeded: tuple[str, ...] = ()

    def _repr_html_(self) -> str:
        told = f"Publication {self.folder.name}, fingerprint {self.fingerprint}"
        return f"<p>{html.escape(told)}</p>{ClaimTable(self.claims)._repr_html_()}"

    def __repr__(self) -> str:
        return f"Publication {self.folder.name}, fingerprint {self.fingerprint}\n{ClaimTable(self.claims)!r}"


def publish_notebook(
    notebook: str | Path,
    out: str | Path,
    job: str | Path | None = None,
    as_of: str | None = None,
    inputs: Inputs = "files",
    progress: Progress | None = None,
) -> Publication:
    """Execute a notebook from a clean kernel and publish it with what it stands on.

    Parameters
    ----------
    notebook : str or Path
        The notebook. Its cell tagged ``parameters`` gives ``JOB`` and ``AS_OF``, plain values; its last cell shows
        ``cv.claims()``.
    out : str or Path
        Folder of the publication; it does not exist yet, or is empty.
    job : str or Path, optional
        The job folder; the notebook's own ``JOB`` unless given, relative to the notebook.
    as_of : str, optional
        Read nothing later than this instant; the notebook's own ``AS_OF`` unless given.
    inputs : {"files", "fingerprints"}
        Whether the job's files go into the publication, or their fingerprints alone.
    progress : callable, optional
        Called with cells done and in all.

    Returns
    -------
    Publication
        Where it stands, its fingerprint and its claims.

    Raises
    ------
    NotebookError
        A cell failed; nothing is published.
    ConvergenceError
        The place is taken, or the notebook, the job or the instant cannot be used.
    """
    source, place = Path(notebook), Path(out)
    refuse_taken(place)
    _refuse_published(place)
    if source.suffix != ".ipynb":
        raise ConvergenceError(f"{source}: expected a notebook. To mend: give a file whose name ends in .ipynb.")
    given = clean(read_notebook(source))
    if not safe_name(source.name):
        raise ConvergenceError(f"{source.name}: expected a name that every system can keep. To mend: rename it.")
    parameters = read_parameters(given)
    values, folder = _given(source, parameters, job, as_of)
    if folder is not None:
        refuse_no_job(folder)
        _refuse_inputs(place, folder)
    veil_folders = {source.absolute().parent: "[folder]", place.absolute().parent: "[folder]"}
    with _parents(place), tempfile.TemporaryDirectory() as room:
        run_folder = Path(room) / "run"
        run_folder.mkdir()
        veil_folders[run_folder] = "."
        if folder is not None:
            veil_folders[folder.absolute()] = FOLDER
        veil = Veil(veil_folders, "\n".join(cell.source for cell in given.cells))
        veil.refuse_source(given, source.name)
        embed_pictures(given, source.absolute().parent, source.name, veil)
        marks, settings = cell_marks(given), settings_of(given, values)
        read = copy_job(folder, run_folder) if folder is not None else {}
        if TOML in read:
            toml = read_small(run_folder / FOLDER / TOML) if inputs == "files" else None
            settings["job"] = job_settings(toml, read[TOML].sha256)
        run = run_given(given, values, run_folder, source.name, read, progress)
        settings["run"][SECONDS] = f"{run.seconds:.1f}"
        veil.clear_outputs(run.notebook)
        found = found_claims(run.notebook, source.name)
        veil.refuse_claims(found, source.name)
        with tempfile.TemporaryDirectory(prefix=f".{place.name}.", dir=place.absolute().parent) as staged:
            made = Path(staged) / "publication"
            made.mkdir()
            if inputs == "files" and read:
                shutil.copytree(run_folder / FOLDER, made / FOLDER)
                if mark_folder(made / FOLDER) != read:
                    raise ConvergenceError(f"{FOLDER}: changed while it was copied. To mend: publish again.")
            manifest = _write(made, source, run, found, settings, marks, read, inputs)
            refuse_taken(place)
            # a folder that is there and empty is replaced; one that has been filled meanwhile makes this fail
            os.replace(made, place)
    unseeded = tuple(settings["unseeded"].values())
    return Publication(place, manifest.fingerprint, found, run.seconds, values.get(AS_OF), unseeded)


@contextmanager
def _parents(place: Path) -> Iterator[None]:
    """Make the folders above a place, before the work, so that what cannot be made is told; gone where it fails."""
    missing = [folder for folder in place.absolute().parents if not folder.exists()]
    place.absolute().parent.mkdir(parents=True, exist_ok=True)
    try:
        yield
    except BaseException:
        # the innermost comes first; one in which somebody has put something meanwhile stays, and those above it
        with suppress(OSError):
            for folder in missing:
                folder.rmdir()
        raise


def refuse_taken(place: Path) -> None:
    """Refuse a place where something stands.

    Raises
    ------
    ConvergenceError
        A file, a link, or a folder that is not empty.
    """
    if os.path.lexists(place) and (place.is_symlink() or not place.is_dir() or any(place.iterdir())):
        raise ConvergenceError(
            f"{place}: already there, and a publication never overwrites another. To mend: name a folder that does "
            "not exist."
        )


def _refuse_published(place: Path) -> None:
    """Refuse a place in another publication, which would no longer be whole."""
    for folder in place.resolve().parents:
        # one whose manifest has been spoilt counts too: somebody's review still has to find it
        if (folder / NAME).is_file() and FORMAT_WORDS in read_small(folder / NAME)[:BEGINNING]:
            raise ConvergenceError(f"{place}: inside the publication {folder.name}. To mend: name a folder outside it.")


def _refuse_inputs(place: Path, job: Path) -> None:
    """Refuse a place in the job that is read."""
    if (job / "tunnel.toml").is_file() and job.resolve() in (place.resolve(), *place.resolve().parents):
        raise ConvergenceError(f"{place}: inside the job folder. To mend: name a folder outside it.")


def _given(
    source: Path, parameters: Mapping[str, object], job: str | Path | None, as_of: str | None
) -> tuple[dict[str, str | None], Path | None]:
    """The values of the cell that is put in, and the job folder; nothing where the notebook reads no job."""
    if JOB not in parameters:
        if job is None and as_of is None:
            return {}, None
        raise ConvergenceError(
            f"{source.name}: no cell tagged 'parameters' that gives {JOB}. To mend: put {JOB} and {AS_OF} alone into a "
            "code cell, tag it 'parameters', and read the job in the cell after it."
        )
    own_job, own_date = parameters[JOB], parameters.get(AS_OF)
    if not isinstance(own_job, str) or not isinstance(own_date, str | None):
        raise ConvergenceError(f"{source.name}: expected texts in {JOB} and {AS_OF}. To mend: write them in quotes.")
    if AS_OF not in parameters and as_of is not None:
        raise ConvergenceError(f"{source.name}: takes no {AS_OF}. To mend: give {AS_OF} = None beside {JOB}.")
    folder = source.absolute().parent / own_job if job is None else Path(job)
    date = own_date if as_of is None else as_of
    if date is not None:
        check_instant(date)
    values: dict[str, str | None] = {JOB: FOLDER}
    if AS_OF in parameters:
        values[AS_OF] = date
    return values, folder


def _write(
    made: Path,
    source: Path,
    run: Run,
    found: tuple[Claim, ...],
    settings: Settings,
    marks: tuple[str, ...],
    read: Mapping[str, FileMark],
    inputs: Inputs,
) -> Manifest:
    """Write every file of the publication, the manifest last."""
    title = title_of(run.notebook, source.stem)
    page_name = f"{source.stem}.html"
    texts = {
        source.name: nbformat.writes(run.notebook) + "\n",
        page_name: notebook_page(run.notebook, title),
        CLAIMS: claims_csv(found),
        SETTINGS: _json(settings),
        ENVIRONMENT: _json(run.environment),
    }
    files = {}
    for name, text in texts.items():
        data = text.encode("utf-8", "backslashreplace")
        (made / name).write_bytes(data)
        files[name] = mark_bytes(data)
    published = datetime.now(UTC).strftime("%Y-%m-%dT%H:%M:%SZ")
    kept = inputs == "files" and bool(read)
    manifest = Manifest(title, published, source.name, page_name, marks, read, kept, files)
    (made / NAME).write_bytes(manifest.text.encode("utf-8"))
    return manifest


def _json(told: object) -> str:
    return json.dumps(told, indent=1, ensure_ascii=False) + "\n"
