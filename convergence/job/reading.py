"""Reading a job folder: settings, prisms, face logs, events and raw readings; every row accounted for.

Nothing is reduced or judged here: raw readings come out as they stand in the files, in inside units, each
with its file and line.
"""

from __future__ import annotations

import hashlib
from collections.abc import Mapping
from dataclasses import dataclass, field, replace
from functools import cached_property
from pathlib import Path

import numpy as np
import pandas as pd

from convergence.errors import Fault, JobError
from convergence.job.account import Account
from convergence.job.advance import FaceLog, build_logs
from convergence.job.advance_table import FILE as ADVANCE
from convergence.job.advance_table import Rounds, check_logs, read_rounds, rounds_kept, with_dropped
from convergence.job.corrections import without_effect
from convergence.job.event_table import FILE as EVENT_FILE
from convergence.job.event_table import read_corrections, read_events, with_successors
from convergence.job.face_checks import check_as_of, check_drive, check_reach, stages_to_plan
from convergence.job.far_dates import FAR_DAYS, days_from, far_rows, fitting_words, years_that_fit
from convergence.job.findings import Finding
from convergence.job.intake import Intake
from convergence.job.plain_rows import Parsed
from convergence.job.prism_table import check_places, read_prisms
from convergence.job.reading_files import read_readings, readings_files, set_readings_aside, without_doubles
from convergence.job.row_texts import row_texts
from convergence.job.schema import Event, Prism, Settings, Stage
from convergence.job.settings import read_settings
from convergence.job.tables import Bools
from convergence.job.times import FIRST_YEAR, FORM, LAST_YEAR, parse_instant, shown
from convergence.job.trigger_checks import check_names

#: An event ``reading kept`` means the reading within so many seconds of it.
KEPT_WITHIN = np.timedelta64(60, "s")


@dataclass(frozen=True)
class JobFolder:
    """A job folder as read, before any reduction.

    Attributes
    ----------
    path : str
        The folder.
    settings : Settings
        Everything ``tunnel.toml`` says.
    prisms : tuple of Prism
        In the order of ``prisms.csv``.
    readings : pandas.DataFrame
        Raw readings in use: time (UTC), prism (index into ``prisms``), a, b, c (coordinates [m] or movements
        [mm]), coordinates (True for coordinates), sigma [mm] (NaN if not given), file (index into ``files``),
        line.
    files : tuple of str
        The readings files.
    advance : dict of str to FaceLog
        By stage, in the order of the stages.
    events : tuple of Event
        By time.
    account : Account
        Rows read and set aside.
    findings : tuple of Finding
        What the reader noticed and did not act on.
    remarks : tuple of str
        Keys and columns of the input that are not used.
    as_of : datetime64 or None
        Nothing later was read.
    fingerprint : str
        SHA-256 over the files used, for the record of a run.
    texts : mapping of (str, int) to str
        Rows as they stand in the files, by file and line, of what the log of decisions offers to correct.
    strangers : pandas.DataFrame
        Readings that parse, of names that are not in ``prisms.csv``: ``time``, ``name``, ``a``, ``b``, ``c`` and
        ``coordinates``. They are set aside; where they lie may tell whose they are.
    """

    path: str
    settings: Settings
    prisms: tuple[Prism, ...]
    readings: pd.DataFrame
    files: tuple[str, ...]
    advance: dict[str, FaceLog]
    events: tuple[Event, ...]
    account: Account
    findings: tuple[Finding, ...]
    remarks: tuple[str, ...]
    as_of: np.datetime64 | None
    fingerprint: str
    texts: Mapping[tuple[str, int], str] = field(default_factory=dict)
    strangers: pd.DataFrame = field(default_factory=pd.DataFrame)

    @cached_property
    def now(self) -> np.datetime64:
        """The instant of the analysis: ``as_of``, else the last instant in the data."""
        if self.as_of is not None:
            return self.as_of
        instants = self.readings["time"].to_numpy(dtype="datetime64[ns]")
        last = [log.time[-1:] for log in self.advance.values()]
        return np.datetime64(np.concatenate([instants, *last]).max())


def read_folder(path: str | Path, as_of: str | np.datetime64 | None = None, parsed: Parsed | None = None) -> JobFolder:
    """Read a job folder.

    Parameters
    ----------
    path : str or Path
        The folder.
    as_of : str or datetime64, optional
        Read nothing later than this instant (text: ISO 8601 with an offset; datetime64: UTC).
    parsed : dict, optional
        Rows of readings files of an earlier call, which are not parsed again where the bytes are the same; grows.

    Returns
    -------
    JobFolder
        Everything in it, accounted for.

    Raises
    ------
    JobError
        The folder cannot be used; carries all its faults.
    """
    folder = Path(path)
    intake = Intake(folder, _instant(as_of, str(path)), parsed=parsed)
    if not _is_folder(folder):
        mend = "give the path of the folder that holds tunnel.toml"
        raise JobError(str(folder), [Fault(str(folder), None, "", "", "a job folder", mend)])
    settings = read_settings(folder, intake.faults, intake.remarks)
    if settings is not None:
        intake.stationing = settings.stationing
    intake.corrections = read_corrections(folder, intake.as_of)
    prisms = read_prisms(intake)
    if settings is not None and prisms:
        check_places(intake, settings, prisms)
        check_names(intake, settings, prisms)
    events = read_events(intake, prisms)
    prisms = with_successors(intake, prisms, events)
    stages, rounds = read_rounds(intake, settings)
    files = readings_files(intake)
    frame = read_readings(intake, files, prisms, settings)
    intake.close_counts()
    intake.findings.extend(without_effect(intake.corrections, ["prisms.csv", ADVANCE, EVENT_FILE, *files]))
    kept = rounds_kept(rounds, events, intake.findings)
    frame, rounds, kept = _without_far_dates(intake, frame, rounds, kept, files, prisms, events)
    frame = without_doubles(intake, frame, files, prisms)
    advance = _logs(intake, settings, stages, rounds, kept)
    _check_dates(intake, advance, frame, files)
    if settings is not None:
        check_logs(intake, settings, advance)
        settings = replace(settings, stages=stages)
        _check_faces(intake, settings, prisms, frame, advance)
    if not len(frame) and not intake.faults:
        file, line, why = intake.first_aside(files)
        mend = "see the reasons, and correct the files"
        intake.fault(file, line, "", "", f"at least one usable reading ({why})", mend)
    if intake.faults or settings is None:
        raise JobError(str(folder), sorted(dict.fromkeys(intake.faults), key=_place))
    return JobFolder(
        path=str(folder),
        settings=settings,
        prisms=prisms,
        readings=frame,
        files=tuple(files),
        advance=advance,
        events=events,
        account=intake.account,
        findings=tuple(intake.findings),
        remarks=tuple(intake.remarks),
        as_of=intake.as_of,
        fingerprint=_fingerprint(folder, [*files, *_alignment_file(settings)], intake.as_of, intake.digests),
        texts=row_texts(folder, intake.account.rows_set_aside, prisms),
        strangers=pd.concat(intake.strangers, ignore_index=True) if intake.strangers else pd.DataFrame(),
    )


def _logs(
    intake: Intake, settings: Settings | None, stages: tuple[Stage, ...], rounds: Rounds, kept: Bools
) -> dict[str, FaceLog]:
    """The face logs; none where the drive is wrong, for then most rounds would seem to be."""
    if settings is not None and not check_drive(rounds, stages, settings, intake.faults):
        return {}
    drive = settings.tunnel.drive if settings else 1
    logs = build_logs(
        rounds.time,
        rounds.stage,
        rounds.chainage,
        rounds.line,
        stages,
        drive,
        ADVANCE,
        intake.faults,
        intake.account,
        intake.findings,
        intake.stationing,
        kept,
    )
    intake.findings = with_dropped(intake.findings, intake.account)
    return logs


def _check_dates(intake: Intake, logs: dict[str, FaceLog], frame: pd.DataFrame, files: list[str]) -> None:
    """A date of the analysis before the first round or the first reading is at fault, and not the files."""
    if intake.faults:
        return
    if not any(len(log) for log in logs.values()):
        check_as_of(intake.as_of, intake.first_later.get(ADVANCE), "round", intake.faults)
    if not len(frame):
        later = [intake.first_later[file] for file in files if file in intake.first_later]
        check_as_of(intake.as_of, min(later, default=None), "reading", intake.faults)


def _check_faces(
    intake: Intake, settings: Settings, prisms: tuple[Prism, ...], frame: pd.DataFrame, logs: dict[str, FaceLog]
) -> None:
    """The logs against the sections that are read, and against what the projection needs of them."""
    if intake.faults:
        return
    first = next((logs[stage.name] for stage in settings.stages if len(logs[stage.name])), None)
    if first is not None:
        prism, time = frame["prism"].to_numpy(dtype=np.int64), frame["time"].to_numpy(dtype="datetime64[ns]")
        faults, findings = check_reach(first, prisms, prism, time, settings.tunnel.width, settings.stationing)
        intake.faults.extend(faults)
        intake.findings.extend(findings)
    intake.findings.extend(stages_to_plan(settings, logs))


def _instant(as_of: str | np.datetime64 | None, folder: str) -> np.datetime64 | None:
    """The date of the analysis in nanoseconds UTC; anything else is a fault, told like one of the job."""
    if as_of is None:
        return None
    found: np.datetime64 | None = None
    if isinstance(as_of, np.datetime64) and not np.isnat(as_of):
        year = int(as_of.astype("datetime64[Y]").astype(np.int64)) + 1970
        found = as_of.astype("datetime64[ns]") if FIRST_YEAR <= year <= LAST_YEAR else None
    elif isinstance(as_of, str):
        found = parse_instant(as_of.strip())
    if found is None:
        mend = "write the instant with its offset, as 2031-05-04T06:00:00+02:00 or 2031-05-04T04:00:00Z"
        raise JobError(folder, [Fault("as-of", None, "", str(as_of), FORM, mend)])
    return found


def _is_folder(folder: Path) -> bool:
    try:
        return folder.is_dir()
    except OSError:
        # a name too long for the file system, or a folder nobody may look into
        return False


def _place(fault: Fault) -> tuple[int, str, int]:
    """Order of faults: by file as a user would go through them, then by line."""
    rank = {"tunnel.toml": 0, "prisms.csv": 1, "advance.csv": 2, "events.csv": 3}
    return rank.get(fault.file, 9), fault.file, fault.line or 0


def _without_far_dates(
    intake: Intake,
    frame: pd.DataFrame,
    rounds: Rounds,
    kept: Bools,
    files: list[str],
    prisms: tuple[Prism, ...],
    events: tuple[Event, ...],
) -> tuple[pd.DataFrame, Rounds, Bools]:
    """Set aside the few readings and rounds that lie far in time from all others, unless an event keeps them."""
    if not prisms or len(frame) + len(rounds.time) < 3:
        return frame, rounds, kept
    number = {name: index for index, name in enumerate(dict.fromkeys(prism.section for prism in prisms))}
    section_of = np.array([number[prism.section] for prism in prisms], dtype=np.int64)
    prism = frame["prism"].to_numpy(dtype=np.int64)
    none = np.full(len(rounds.time), -1, dtype=np.int64)
    time = np.concatenate([frame["time"].to_numpy(dtype="datetime64[ns]"), rounds.time])
    far = far_rows(time, np.concatenate([section_of[prism], none]), np.concatenate([prism, none]))
    for event in events:
        if event.event == "reading kept":
            meant = [event.prism in ("", item.name) and event.section in ("", item.section) for item in prisms]
            far[: len(frame)] &= ~(np.array(meant)[prism] & (np.abs(time[: len(frame)] - event.time) <= KEPT_WITHIN))
    far[len(frame) :] &= ~kept
    if not far.any():
        return frame, rounds, kept
    reason, away = "time outside the job", f"more than {FAR_DAYS:g} days from everything else"
    file = np.concatenate([frame["file"].to_numpy(dtype=np.int64), none])
    years = years_that_fit(time, file, np.concatenate([frame["line"].to_numpy(dtype=np.int64), rounds.line]), far)
    detail = np.array(["; ".join(filter(None, (away, fitting_words(year)))) for year in years], dtype=object)
    read, logged = far[: len(frame)], far[len(frame) :]
    size = days_from(time[far], time[~far])
    count = int(read.sum())
    set_readings_aside(intake, frame[read], files, prisms, reason, detail[:count], size[:count])
    intake.account.set_aside(
        ADVANCE, rounds.line[logged], reason, detail[count:], time=rounds.time[logged], size=size[count:]
    )
    return frame[~read].reset_index(drop=True), rounds.keep(~logged), kept[~logged]


def _alignment_file(settings: Settings) -> list[str]:
    """The alignment's own file, where it has one."""
    return [settings.alignment.source] if settings.alignment and settings.alignment.source else []


def _fingerprint(folder: Path, files: list[str], as_of: np.datetime64 | None, digests: Mapping[str, bytes]) -> str:
    """SHA-256 over names and contents of the files used; of some the digests are known."""
    total = hashlib.sha256()
    for file in ("tunnel.toml", "prisms.csv", "advance.csv", "events.csv", *sorted(files)):
        path = folder / file
        if path.is_file():
            digest = digests.get(file) or hashlib.sha256(path.read_bytes()).digest()
            total.update(file.encode("utf-8", "surrogateescape") + b"\0" + digest)
    if as_of is not None:
        total.update(shown(as_of).encode())
    return total.hexdigest()
