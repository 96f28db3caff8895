"""Reviewing a publication: the folder verified, the notebook run again, the two runs compared."""

from __future__ import annotations

import math
import tempfile
from collections.abc import Callable, Mapping
from dataclasses import dataclass, field
from datetime import UTC, datetime
from pathlib import Path

from nbformat import NotebookNode

from convergence.errors import ConvergenceError
from convergence.job.times import parse_instant
from convergence.publish.causes import what_differs
from convergence.publish.compare import ClaimReview, compare_claims
from convergence.publish.environment import differences, environment
from convergence.publish.figures import FigureReview, compare_figures
from convergence.publish.fingerprints import Changes, FileMark, changes
from convergence.publish.inputs import FOLDER, copy_job, refuse_no_job
from convergence.publish.kernel import NotebookError
from convergence.publish.manifest import ENVIRONMENT, Manifest, read_table
from convergence.publish.notebook import clean, figures, found_claims
from convergence.publish.parameters import AS_OF, JOB, read_given, read_parameters
from convergence.publish.review import Review
from convergence.publish.running import Progress, check_instant, run_given
from convergence.publish.seeds import notebook_seeds
from convergence.publish.verify import Verified, verify_publication

NO_CHANGES = Changes((), (), (), {})
THE_END = "the end of the data"


@dataclass(frozen=True)
class _Ran:
    """What the run itself gave; nothing where it failed before it began."""

    failure: str = ""
    claims: tuple[ClaimReview, ...] = ()
    figures: tuple[FigureReview, ...] = ()
    inputs: Changes = NO_CHANGES
    dates: tuple[str, str] = ("", "")
    why: str = ""
    seconds: float = math.nan
    stands_on: Mapping[str, Mapping[str, str]] = field(default_factory=environment)
    unseeded: tuple[str, ...] = ()
    instant: str = ""


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
        published.
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
    stands = verify_publication(place, fingerprint, run_edited)
    given = None if data is None else Path(data)
    refused, ran = stands.refused, _Ran()
    if not refused:
        try:
            source = _source(place, stands.manifest, given)
        except ConvergenceError as error:
            # what is wrong with the folder is told all the same
            if not stands.faults:
                raise
            refused = f"not run: {error}"
        else:
            ran = _run(place, stands, source, given is not None, as_of, announce, progress)
    return Review(
        place.resolve().name,
        stands.manifest.title,
        stands.manifest.published,
        stands.fingerprint,
        datetime.now(UTC).strftime("%Y-%m-%dT%H:%M:%SZ"),
        stands.faults,
        refused,
        ran.failure,
        ran.claims,
        ran.figures,
        _environment_differences(place, ran.stands_on),
        ran.stands_on["platform"],
        data is not None,
        ran.inputs,
        ran.dates,
        ran.why,
        ran.seconds,
        fingerprint is not None,
        ran.unseeded,
        stands.notes,
        ran.instant,
    )


def _run(
    place: Path,
    stands: Verified,
    source: Path | None,
    data_given: bool,
    as_of: str | None,
    announce: Callable[[str], None] | None,
    progress: Progress | None,
) -> _Ran:
    """Run the notebook on the data and compare; what cannot be run is found before anything is announced."""
    manifest, notebook = stands.manifest, stands.notebook
    assert notebook is not None
    given = clean(notebook)
    try:
        parameters = read_parameters(given)
        if source is not None and JOB not in parameters:
            raise ConvergenceError(f"{manifest.notebook}: no cell tagged 'parameters' gives {JOB} any more")
    except ConvergenceError as error:
        return _Ran(str(error))
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
                if data_given:
                    raise
                return _Ran(str(error))
        inputs = changes(manifest.inputs, read, Path(room) / FOLDER)
        takes = source is not None and AS_OF in parameters
        date, instant = _date(as_of, published_date, data_given and takes, bool(inputs))
        values: dict[str, str | None] = {JOB: FOLDER} if source is not None else {}
        if takes:
            values[AS_OF] = date
        dates = (published_date or THE_END, date or THE_END)
        if announce is not None:
            announce(
                f"rerun runs the code of {manifest.notebook} ({len(manifest.cells)} cells) on this "
                "machine, with your rights. Read it first if you do not know where it comes from."
            )
            if instant:
                announce(f"data are read up to {dates[1]}: {instant}")
        try:
            run = run_given(given, values, Path(room), manifest.notebook, read, progress)
        except NotebookError as error:
            # a kernel that failed is not asked what it stood on; this process started it
            stood = environment()
            why = what_differs(inputs, dates, stands.edited, _environment_differences(place, stood), unseeded)
            return _Ran(str(error), (), (), inputs, dates, why, math.nan, stood, unseeded, instant)
    apart = _environment_differences(place, run.environment)
    why = what_differs(inputs, dates, stands.edited, apart, unseeded)
    try:
        failure, made = "", found_claims(run.notebook, manifest.notebook)
    except ConvergenceError as error:
        # it ran and claims nothing, or the same thing twice
        failure, made = str(error), ()
    claims = compare_claims(stands.claims, made, why)
    drawn = () if failure else compare_figures(figures(notebook), figures(run.notebook))
    return _Ran(failure, claims, drawn, inputs, dates, why, run.seconds, run.environment, unseeded, instant)


def _source(place: Path, manifest: Manifest, data: Path | None) -> Path | None:
    """The job folder to run on, None where the notebook reads none."""
    if not manifest.inputs:
        if data is not None:
            raise ConvergenceError("--data: the notebook reads no job. To mend: leave it out.")
        return None
    if data is not None:
        refuse_no_job(data)
        return data
    if not manifest.inputs_kept:
        raise ConvergenceError(
            f"{place}: keeps the fingerprints of its inputs and not the files. To mend: give the job folder with "
            "--data; its files are held against the fingerprints."
        )
    return place / FOLDER


def _date(as_of: str | None, published: str | None, data_given: bool, other: bool) -> tuple[str | None, str]:
    """The instant to read up to, and why where a job folder was given.

    It is as told; else other data are read to their end, and the files published as they were read.
    """
    if as_of is None:
        if not data_given:
            return published, ""
        if other:
            upto = f"; --as-of {published} reads them up to the instant published" if published else ""
            return None, f"what --data gives are not the files published, so they are read to their end{upto}"
        return published, "what --data gives are the files published, so they are read as published"
    # the same instant written with another offset is no difference
    same = published is not None and parse_instant(as_of.strip()) == parse_instant(published.strip())
    return (published if same else as_of), ("as --as-of says" if data_given else "")


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
