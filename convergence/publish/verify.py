"""A publication looked over before anything runs: every file against the manifest, and what can be worked out again."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path

from nbformat import NotebookNode

from convergence.errors import ConvergenceError
from convergence.publish.claimed_names import claims_edited
from convergence.publish.claims import Claim, read_claims
from convergence.publish.environment import environment
from convergence.publish.fingerprints import Changes, FileMark, changes, mark_file
from convergence.publish.folders import Contents, empty_folders, look_into
from convergence.publish.inputs import FOLDER
from convergence.publish.manifest import (
    CLAIMS,
    ENVIRONMENT,
    NAME,
    Manifest,
    read_manifest,
    read_small,
    read_table,
)
from convergence.publish.names import hidden_name, inside
from convergence.publish.notebook import cell_marks, clean, edited_cells, found_claims, parse_notebook
from convergence.publish.page_check import page_faults
from convergence.publish.parameters import JOB, read_parameters
from convergence.publish.settings import settings_faults

#: Characters of a fingerprint that are enough to tell a publication.
SHORTEST_FINGERPRINT = 16
#: Packages that a page is drawn with.
DRAWERS = ("nbconvert", "nbformat", "jinja2", "mistune", "pygments", "bleach")


@dataclass(frozen=True)
class Verified:
    """A publication as it stands.

    Attributes
    ----------
    manifest : Manifest
        Its manifest.
    fingerprint : str
        Of the manifest as it stands.
    faults : tuple of str
        What is wrong with it, one line each.
    notes : tuple of str
        What is no fault and worth knowing, one line each.
    refused : str
        Why it is not run; empty where it may be.
    edited : str
        Which cells of the notebook are not the ones published; empty where all are.
    notebook : NotebookNode or None
        Its executed notebook; None where it cannot be read.
    claims : tuple of Claim
        What it claims.
    """

    manifest: Manifest
    fingerprint: str
    faults: tuple[str, ...]
    notes: tuple[str, ...]
    refused: str
    edited: str
    notebook: NotebookNode | None
    claims: tuple[Claim, ...]


def verify_publication(place: Path, told: str | None, run_edited: bool) -> Verified:
    """Look a publication over; nothing of it is run.

    Parameters
    ----------
    place : Path
        The publication.
    told : str or None
        Its fingerprint as it was told by another way.
    run_edited : bool
        Whether a notebook, or a manifest, that is not the one published is to be run all the same.

    Raises
    ------
    ConvergenceError
        There is no publication, its manifest cannot be read, or ``told`` is too short.
    """
    manifest, fingerprint = read_manifest(place)
    another = _another(fingerprint, told)
    contents = look_into(place)
    found, faults, notes = _against_manifest(place, manifest, contents)
    refusals = [f"the publication is not the one you were told of ({another})"] if another and not run_edited else []
    faults += (
        [f"the publication is not the one you were told of ({another}), run as told"] if another and run_edited else []
    )
    if contents.no_files:
        refusals.append("what goes through a link is not in the folder")
    edited = ""
    claims: tuple[Claim, ...] = ()
    notebook: NotebookNode | None = None
    if manifest.notebook in found.missing:
        refusals.append("the notebook is missing")
    elif (notebook := _read(place, manifest)) is None:
        refusals.append(f"{manifest.notebook} is no notebook any more")
    else:
        edited = edited_cells(manifest.cells, cell_marks(clean(notebook)))
        claims, doubts = _published_claims(place, notebook, manifest, found)
        faults += doubts
        refusals += _without_inputs(manifest, notebook)
        if manifest.notebook in found.changed or edited:
            told_of = edited or _outputs_edited(manifest.notebook, found)
            faults += [f"{manifest.notebook}: {told_of}, run as told"] if run_edited else []
            faults += [] if run_edited else [f"{manifest.notebook}: {line}" for line in claims_edited(notebook, claims)]
            refusals += (
                [] if run_edited else [f"{manifest.notebook} is not the notebook that was published ({told_of})"]
            )
        else:
            faults += _worked_out_again(place, manifest, notebook, found, notes)
    refused = f"not run: {'; '.join(refusals)}" if refusals else ""
    return Verified(manifest, fingerprint, tuple(faults), tuple(notes), refused, edited, notebook, claims)


def _another(fingerprint: str, told: str | None) -> str:
    """What is wrong where a publication is not the one that was told; empty where it is, or nothing was told."""
    if told is None:
        return ""
    wanted = told.strip().lower()
    if len(wanted) < SHORTEST_FINGERPRINT:
        raise ConvergenceError(
            f"fingerprint '{told}': expected at least {SHORTEST_FINGERPRINT} of its 64 characters. To mend: copy "
            "it from what convergence publish printed."
        )
    return "" if fingerprint.startswith(wanted) else f"told was {wanted}"


def _against_manifest(place: Path, manifest: Manifest, contents: Contents) -> tuple[Changes, list[str], list[str]]:
    """What differs from the manifest, the faults and the notes that come of it."""
    expected = dict(manifest.files)
    if manifest.inputs_kept:
        expected |= {f"{FOLDER}/{name}": mark for name, mark in manifest.inputs.items()}
    present: dict[str, FileMark] = {}
    faults = [f"{name}: a link or no plain file, not looked at" for name in contents.no_files]
    faults += [f"{name}: added (a name that not every system can keep)" for name in contents.odd]
    notes = []
    for name, path in contents.files.items():
        if name == NAME:
            continue
        if hidden_name(name) and name not in expected:
            notes.append(f"{name}: left by a file manager or an editor, not looked at")
            continue
        try:
            present[name] = mark_file(path)
        except OSError as error:
            faults.append(f"{name}: cannot be read ({error.strerror})")
            expected.pop(name, None)
    found = changes({name: mark for name, mark in expected.items() if name not in contents.no_files}, present, place)
    faults += found.sentences
    faults += [f"{name}/: added (an empty folder)" for name in empty_folders(place) if not hidden_name(name)]
    return found, faults, notes


def _read(place: Path, manifest: Manifest) -> NotebookNode | None:
    try:
        return parse_notebook(read_small(inside(place, manifest.notebook)), manifest.notebook)
    except (ConvergenceError, OSError):
        return None


def _outputs_edited(name: str, found: Changes) -> str:
    return "its line ends were changed" if name in found.line_ends else "its outputs were edited"


def _published_claims(
    place: Path, notebook: NotebookNode, manifest: Manifest, found: Changes
) -> tuple[tuple[Claim, ...], list[str]]:
    """What was claimed, from the table unless that has been changed, and what is wrong where the two differ."""
    table: tuple[Claim, ...] | None = None
    shown: tuple[Claim, ...] | None = None
    doubts = []
    if CLAIMS not in found.missing:
        try:
            table = read_claims(read_small(inside(place, CLAIMS)).decode("utf-8"), CLAIMS)
        except (ConvergenceError, UnicodeDecodeError, OSError):
            doubts.append(f"{CLAIMS}: cannot be read")
    try:
        shown = found_claims(notebook, manifest.notebook)
    except ConvergenceError:
        doubts += [] if doubts else [f"{CLAIMS}: the notebook as it stands shows no claims"]
    if table is not None and shown is not None and table != shown:
        names = sorted({item.name for item in set(table) ^ set(shown)})
        doubts = [f"{CLAIMS}: not what the notebook shows for {', '.join(names[:6])}"]
    trusted = table if table is not None and CLAIMS not in found.changed else shown
    return trusted or table or (), doubts


def _without_inputs(manifest: Manifest, notebook: NotebookNode) -> list[str]:
    """Refuse a manifest that tells no inputs of a notebook that reads a job: nothing could be held against them."""
    try:
        reads = JOB in read_parameters(notebook)
    except ConvergenceError:
        # told when it is run
        reads = False
    return (
        [f"the manifest tells no inputs, and {manifest.notebook} reads a job"] if reads and not manifest.inputs else []
    )


def _worked_out_again(
    place: Path, manifest: Manifest, notebook: NotebookNode, found: Changes, notes: list[str]
) -> list[str]:
    """Faults of what the notebook tells again: the page and the settings; a note where that cannot be done in full."""
    here = environment()
    faults = []
    try:
        there: Mapping[str, Mapping[str, str]] = read_table(place, ENVIRONMENT)
    except (ConvergenceError, OSError):
        there = {}
        faults += [] if ENVIRONMENT in found.missing else [f"{ENVIRONMENT}: cannot be read"]
    same_library = there.get("library", {}) == here["library"]
    packages = (there.get("packages", {}), here["packages"])
    same_drawer = same_library and all(packages[0].get(name) == packages[1].get(name) for name in DRAWERS)
    if manifest.page not in found.missing:
        faults += page_faults(place, manifest, notebook, same_drawer)
    faults += settings_faults(place, manifest, notebook, same_library)
    if not same_library:
        notes.append("written by another version of the library: its seeds and its kernel's settings are not compared")
    if not same_drawer:
        notes.append(f"{manifest.page}: drawn by other versions, compared by its words and pictures")
    return faults
