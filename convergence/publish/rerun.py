"""Reviewing a publication: the folder verified, the notebook run again, the two runs compared."""

from __future__ import annotations

import math
import tempfile
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from datetime import UTC, datetime
from pathlib import Path

from nbformat import NotebookNode

from convergence.errors import ConvergenceError
from convergence.job.times import parse_instant
from convergence.publish.claims import Claim, read_claims
from convergence.publish.compare import ClaimReview, FigureReview, compare_claims, compare_figures
from convergence.publish.environment import differences, environment
from convergence.publish.fingerprints import Changes, FileMark, changes, empty_folders, inside, mark_folder
from convergence.publish.inputs import FOLDER, copy_job
from convergence.publish.kernel import NotebookError
from convergence.publish.manifest import (
    CLAIMS,
    ENVIRONMENT,
    NAME,
    Manifest,
    read_manifest,
    read_small,
    read_table,
)
from convergence.publish.notebook import cell_marks, clean, edited_cells, figures, found_claims, parse_notebook
from convergence.publish.parameters import AS_OF, JOB, read_given, read_parameters
from convergence.publish.publication import Progress, check_instant, run_given
from convergence.publish.review import Review, what_differs
from convergence.publish.seeds import notebook_seeds

NO_CHANGES = Changes((), (), (), {})
#: Characters of a fingerprint that are enough to tell a publication.
SHORTEST_FINGERPRINT = 16
THE_END = "the end of the data"


@dataclass(frozen=True)
class _Folder:
    """A publication as it stands: what is wrong with it, and what can be read of it."""

    manifest: Manifest
    fingerprint: str
    faults: tuple[str, ...]
    refused: str
    edited: str
    notebook: NotebookNode | None
    claims: tuple[Claim, ...]


@dataclass(frozen=True)
class _Outcome:
    """What the run itself gave."""

    failure: str
    claims: tuple[ClaimReview, ...]
    figures: tuple[FigureReview, ...]
    inputs: Changes
    dates: tuple[str, str]
    other_data: bool
    why: str
    seconds: float
    stands_on: Mapping[str, Mapping[str, str]]
    unseeded: tuple[str, ...] = ()


def review_publication(
    folder: str | Path,
    data: str | Path | None = None,
    as_of: str | None = None,
    fingerprint: str | None = None,
    run_edited: bool = False,
    announce: Callable[[str], None] | None = None,
    progress: Progress | None = None,
) -> Review:
    """Verify a publication, run its notebook again and compare every claim.

    This runs the notebook's code, with the rights of whoever calls. A notebook that is not the fingerprinted one is not
    run unless ``run_edited``.

    Parameters
    ----------
    folder : str or Path
        The publication; nothing is written to it.
    data : str or Path, optional
        Another job folder to run on: newer data, or the job itself where the publication keeps fingerprints only.
    as_of : str, optional
        Read nothing later than this instant. As published unless given; to the end where ``data`` are not the files
        published and the publication keeps those.
    fingerprint : str, optional
        The fingerprint of the publication as it was told by another way; at least its first 16 characters.
    run_edited : bool
        Run the notebook although it, or the manifest, is not the one published.
    announce : callable, optional
        Told what will be run, before it is.
    progress : callable, optional
        Called with cells done and in all.

    Returns
    -------
    Review
        Verdict by claim, what differs and may be the reason; ``holds`` only where everything does.

    Raises
    ------
    ConvergenceError
        There is no publication, its manifest cannot be read, or its inputs are not in it and no ``data`` are given.
    """
    place = Path(folder)
    if as_of is not None:
        check_instant(as_of)
    stands = _verify(place, fingerprint, run_edited)
    outcome = _Outcome("", (), (), NO_CHANGES, ("", ""), data is not None, "", math.nan, environment())
    if not stands.refused and stands.notebook is not None:
        if announce is not None:
            announce(
                f"rerun runs the code of {stands.manifest.notebook} ({len(stands.manifest.cells)} cells) on this "
                "machine, with your rights. Read it first if you do not know where it comes from."
            )
        outcome = _run(place, stands, None if data is None else Path(data), as_of, progress)
    return Review(
        place.resolve().name,
        stands.manifest.title,
        stands.manifest.published,
        stands.fingerprint,
        datetime.now(UTC).strftime("%Y-%m-%dT%H:%M:%SZ"),
        stands.faults,
        stands.refused,
        outcome.failure,
        outcome.claims,
        outcome.figures,
        _environment_differences(place, outcome.stands_on),
        outcome.stands_on["platform"],
        outcome.other_data,
        outcome.inputs,
        outcome.dates,
        outcome.why,
        outcome.seconds,
        fingerprint is not None,
        outcome.unseeded,
    )


def _verify(place: Path, told: str | None, run_edited: bool) -> _Folder:
    """The folder against its manifest, and the manifest against the fingerprint that was told."""
    manifest, fingerprint = read_manifest(place)
    faults: list[str] = []
    wrong = ""
    if told is not None:
        wanted = told.strip().lower()
        if len(wanted) < SHORTEST_FINGERPRINT:
            raise ConvergenceError(
                f"fingerprint '{told}': expected at least {SHORTEST_FINGERPRINT} of its 64 characters. To mend: copy "
                "it from what convergence publish printed."
            )
        if not fingerprint.startswith(wanted):
            wrong = f"the publication's fingerprint is {fingerprint}, told was {told.strip()}: it is another one"
            faults.append(wrong)
    expected = dict(manifest.files)
    if manifest.inputs_kept:
        expected |= {f"{FOLDER}/{name}": mark for name, mark in manifest.inputs.items()}
    try:
        present = {name: mark for name, mark in mark_folder(place).items() if name != NAME}
    except ConvergenceError as error:
        # what goes through a link is not in the folder: nothing of it is read or run
        refusal = f"not run: {error}"
        return _Folder(manifest, fingerprint, tuple(faults), refusal, "", None, ())
    found = changes(expected, present)
    faults += found.sentences
    faults += [f"{name}/: added (an empty folder)" for name in empty_folders(place)]
    if manifest.notebook in found.missing:
        return _Folder(manifest, fingerprint, tuple(faults), "not run: the notebook is missing", "", None, ())
    notebook = _read(place, manifest)
    if notebook is None:
        refusal = f"not run: {manifest.notebook} is no notebook any more"
        return _Folder(manifest, fingerprint, tuple(faults), refusal, "", None, ())
    edited = edited_cells(manifest.cells, cell_marks(clean(notebook)))
    claims, doubt = _published_claims(place, notebook, found)
    faults += [doubt] if doubt else []
    refusal = ""
    if (manifest.notebook in found.changed or edited or wrong) and not run_edited:
        what = edited or ("its outputs were edited" if manifest.notebook in found.changed else wrong)
        refusal = f"not run: {manifest.notebook} is not the notebook that was published ({what})"
    return _Folder(manifest, fingerprint, tuple(faults), refusal, edited, notebook, claims)


def _read(place: Path, manifest: Manifest) -> NotebookNode | None:
    try:
        return parse_notebook(read_small(inside(place, manifest.notebook)), manifest.notebook)
    except ConvergenceError:
        return None


def _published_claims(place: Path, notebook: NotebookNode, found: Changes) -> tuple[tuple[Claim, ...], str]:
    """What was claimed, from the table unless that has been changed, and what is wrong where the two differ."""
    table: tuple[Claim, ...] | None = None
    shown: tuple[Claim, ...] | None = None
    doubt = ""
    if CLAIMS not in found.missing:
        try:
            table = read_claims(read_small(inside(place, CLAIMS)).decode("utf-8"), CLAIMS)
        except (ConvergenceError, UnicodeDecodeError):
            doubt = f"{CLAIMS}: cannot be read"
    try:
        shown = found_claims(notebook)
    except ConvergenceError:
        doubt = doubt or f"{CLAIMS}: the notebook as it stands shows no claims"
    if table is not None and shown is not None and table != shown:
        names = sorted({item.name for item in set(table) ^ set(shown)})
        doubt = f"{CLAIMS}: not what the notebook shows for {', '.join(names[:6])}"
    trusted = table if table is not None and CLAIMS not in found.changed else shown
    return trusted or table or (), doubt


def _run(
    place: Path,
    stands: _Folder,
    data: Path | None,
    as_of: str | None,
    progress: Progress | None,
) -> _Outcome:
    """Run the notebook on the data and compare."""
    manifest, notebook = stands.manifest, stands.notebook
    assert notebook is not None
    source = _source(place, manifest, data)
    given = clean(notebook)
    try:
        parameters = read_parameters(given)
        if source is not None and JOB not in parameters:
            raise ConvergenceError(f"{manifest.notebook}: no cell tagged 'parameters' gives {JOB} any more")
    except ConvergenceError as error:
        return _Outcome(str(error), (), (), NO_CHANGES, ("", ""), data is not None, "", math.nan, environment())
    unseeded = notebook_seeds(given).unseeded
    published_date = _published_date(notebook)
    if as_of is not None and (source is None or AS_OF not in parameters):
        raise ConvergenceError(f"--as-of: {manifest.notebook} takes no {AS_OF}. To mend: leave it out.")
    with tempfile.TemporaryDirectory() as room:
        read: Mapping[str, FileMark] = {}
        if source is not None:
            try:
                read = copy_job(source, Path(room))
            except ConvergenceError as error:
                if data is not None:
                    raise
                return _Outcome(str(error), (), (), NO_CHANGES, ("", ""), False, "", math.nan, environment())
        inputs = changes(manifest.inputs, read)
        date = _date(as_of, published_date, data is not None and bool(inputs) and manifest.inputs_kept)
        values: dict[str, str | None] = {JOB: FOLDER} if source is not None else {}
        if source is not None and AS_OF in parameters:
            values[AS_OF] = date
        dates = (published_date or THE_END, date or THE_END)
        asked = data is not None
        try:
            run = run_given(given, values, Path(room), manifest.notebook, read, progress)
        except NotebookError as error:
            # a kernel that failed is not asked what it stood on; this process started it
            stood = environment()
            why = what_differs(inputs, dates, stands.edited, _environment_differences(place, stood), unseeded)
            return _Outcome(str(error), (), (), inputs, dates, asked, why, math.nan, stood, unseeded)
    apart = _environment_differences(place, run.environment)
    why = what_differs(inputs, dates, stands.edited, apart, unseeded)
    try:
        failure, made = "", found_claims(run.notebook)
    except ConvergenceError as error:
        # it ran and claims nothing, or the same thing twice
        failure, made = str(error), ()
    claims = compare_claims(stands.claims, made, why)
    drawn = () if failure else compare_figures(figures(notebook), figures(run.notebook))
    return _Outcome(failure, claims, drawn, inputs, dates, asked, why, run.seconds, run.environment, unseeded)


def _source(place: Path, manifest: Manifest, data: Path | None) -> Path | None:
    """The job folder to run on, None where the notebook reads none."""
    if not manifest.inputs:
        if data is not None:
            raise ConvergenceError("--data: the notebook reads no job. To mend: leave it out.")
        return None
    if data is not None:
        return data
    if not manifest.inputs_kept:
        raise ConvergenceError(
            f"{place}: keeps the fingerprints of its inputs and not the files. To mend: give the job folder with "
            "--data; its files are held against the fingerprints."
        )
    return place / FOLDER


def _date(as_of: str | None, published: str | None, newer: bool) -> str | None:
    """The instant to read up to: as told; else newer data to their end, the same data as they were read."""
    if as_of is None:
        return None if newer else published
    # the same instant written with another offset is no difference
    same = published is not None and parse_instant(as_of.strip()) == parse_instant(published.strip())
    return published if same else as_of


def _published_date(notebook: NotebookNode) -> str | None:
    """Instant up to which the publication read its data; None for their end.

    It is taken from the cell the notebook ran with; the settings say the same, unless somebody changed them.
    """
    date = read_given(notebook).get(AS_OF)
    return date if isinstance(date, str) and parse_instant(date.strip()) is not None else None


def _environment_differences(place: Path, now: Mapping[str, Mapping[str, str]]) -> tuple[tuple[str, str, str], ...]:
    try:
        return differences(read_table(place, ENVIRONMENT), now)
    except (ConvergenceError, OSError):
        return (("environment.json", "cannot be read", "-"),)
