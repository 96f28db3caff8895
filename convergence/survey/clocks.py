"""Times of readings shifted where ``events.csv`` says that a clock was wrong; files stay as they are."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import numpy.typing as npt

from convergence.job.account import Account
from convergence.job.event_notes import CLOCK, end_of, minutes_of, until
from convergence.job.findings import Finding, event_line, finding
from convergence.job.reading import JobFolder
from convergence.job.times import shown
from convergence.survey.overrules import taken_back

Bools = npt.NDArray[np.bool_]
Ints = npt.NDArray[np.int64]
Instants = npt.NDArray[np.datetime64]

#: A clock is mostly put back or forward by an hour: a change so near to one [minutes] is offered as one.
HOUR, NEAR_HOUR = 60.0, 12.0
#: A file goes back at the instant of an event where it does so within this time of it.
NEAR = np.timedelta64(60, "s")


def clocks_corrected(folder: JobFolder, account: Account, findings: list[Finding]) -> JobFolder:
    """The folder with the times of readings shifted by the events ``clock corrected``.

    An event shifts the readings of its prism, of its section or of all that are written at its instant or later, until
    the instant in its note where there is one. Where a file goes back in time just there, the rows of the file from
    there on are meant, for the hour before the change is written twice.

    Parameters
    ----------
    folder : JobFolder
        The folder as read.
    account, findings : Account, list of Finding
        Receive what was done, and rows that by the corrected time are later than the date of the analysis.

    Returns
    -------
    JobFolder
        The same where there is no such event.
    """
    events = [event for event in folder.events if event.event == CLOCK]
    if not events:
        return folder
    frame = folder.readings.copy()
    written = frame["time"].to_numpy(dtype="datetime64[ns]")
    file, line = (frame[name].to_numpy(dtype=np.int64) for name in ("file", "line"))
    prism = frame["prism"].to_numpy(dtype=np.int64)
    time = written.copy()
    for event in events:
        minutes = minutes_of(event.note) or 0.0
        meant = [event.section in ("", item.section) and event.prism in ("", item.name) for item in folder.prisms]
        rows = np.array(meant, dtype=bool)[prism] & _from(event.time, written, file, line)
        stop = end_of(event.note)
        if stop is not None:
            rows &= written < stop
        time[rows] += np.timedelta64(round(minutes * 60.0), "s")
        reach = "on" if stop is None else until(stop)
        sentence = (
            f"{event.prism or event.section or 'all sections'}: times of {int(rows.sum())} readings written from "
            f"{shown(event.time)} {reach} shifted by {minutes:+g} min by events.csv"
        )
        findings.append(
            finding(
                CLOCK, sentence, section=event.section, prism=event.prism, start=event.time,
                end=event.time if stop is None else stop, size=abs(minutes), action="shifted", line=taken_back(event),
            )
        )  # fmt: skip
    frame["time"] = time
    late = np.zeros(len(frame), dtype=bool) if folder.as_of is None else time > folder.as_of
    if late.any():
        files = np.array(folder.files, dtype=object)[file[late]]
        who = [folder.prisms[index] for index in prism[late].tolist()]
        sections, names = (np.array([getattr(item, key) for item in who], dtype=object) for key in ("section", "name"))
        account.set_aside(files, line[late], "later than as_of", "by the clock corrected", sections, names, time[late])
    frame = frame[~late].sort_values(["prism", "time", "file", "line"], kind="stable", ignore_index=True)
    return replace(folder, readings=frame)


def _from(instant: np.datetime64, time: Instants, file: Ints, line: Ints) -> Bools:
    """Readings from an instant on, as written; of a file that goes back in time just there, those below that place."""
    after = time >= instant - NEAR
    found = time >= instant
    for number in np.unique(file[after]).tolist():
        rows = np.flatnonzero(file == number)
        rows = rows[np.argsort(line[rows], kind="stable")]
        at = time[rows]
        back = np.flatnonzero((at[1:] < at[:-1]) & (np.abs(at[1:] - instant) <= NEAR) & (at[:-1] > instant))
        if len(back):
            below = np.zeros(len(rows), dtype=bool)
            below[int(back[0]) + 1 :] = True
            found[rows] = below & (at >= instant - NEAR)
    return found


def clock_line(instant: np.datetime64, minutes: float, end: np.datetime64 | None = None) -> tuple[str, float]:
    """The line that corrects a clock, and the minutes it adds to the times.

    Parameters
    ----------
    instant : datetime64
        From when on the times are wrong, as written.
    minutes : float
        How much later [minutes] the readings were taken than is written, as well as that is known.
    end : datetime64, optional
        Until when they are.
    """
    rounded = HOUR if abs(abs(minutes) - HOUR) <= NEAR_HOUR else max(5.0 * round(abs(minutes) / 5.0), 5.0)
    offered = float(np.copysign(rounded, minutes))
    note = f"{offered:+g} min" + ("" if end is None else f" {until(end)}")
    return f"{event_line(instant, '', '', CLOCK)}{note}", offered
