"""Readings whose time contradicts their place in the file are set aside; a clock put back or forward is told."""

from __future__ import annotations

import datetime
from dataclasses import replace

import numpy as np
import numpy.typing as npt

from convergence.job.account import Account
from convergence.job.findings import Finding, event_line, finding
from convergence.job.reading import JobFolder
from convergence.job.times import shown
from convergence.job.zones import time_zone
from convergence.survey.clocks import HOUR, clock_line
from convergence.survey.mistyped import clock_put_back, out_of_file, sweeps_out_of_file
from convergence.survey.overrules import rows_kept
from convergence.survey.rhythm import FEWEST, hours_changed, least_told, sweeps_of

DAY = np.timedelta64(1, "D")
#: A change of the hours within so many minutes of that of the zone's own clock keeps its local hours.
SAME_HOURS = 12.0
#: What is said of the sweep of a reading, or of several of one sweep, at its place in the file.
ALONE = "its array was read without it"
WHOLE = "its array lacks a sweep, while it has another where these {count} readings of one say they are"


def in_their_time(folder: JobFolder, account: Account, findings: list[Finding]) -> JobFolder:
    """The folder without readings whose time is mistyped, by the order of their file.

    Parameters
    ----------
    folder : JobFolder
        The folder as read.
    account, findings : Account, list of Finding
        Receive rows set aside and what was found.

    Returns
    -------
    JobFolder
        The same where nothing was found.
    """
    frame, prisms = folder.readings, folder.prisms
    number = {name: index for index, name in enumerate(dict.fromkeys(prism.section for prism in prisms))}
    home = np.array([number[prism.section] for prism in prisms], dtype=np.int64)
    time = frame["time"].to_numpy(dtype="datetime64[ns]")
    file, line = (frame[name].to_numpy(dtype=np.int64) for name in ("file", "line"))
    prism = frame["prism"].to_numpy(dtype=np.int64)
    rows, near = out_of_file(time, file, line, home[prism], prism)
    wrong = {int(row): (when, 1) for row, when in zip(rows, near, strict=True)}
    for block, when in sweeps_out_of_file(time, file, line, home[prism]):
        wrong |= {int(row): (when, len(block)) for row in block if int(row) not in wrong}
    drop = np.zeros(len(frame), dtype=bool)
    for row, (when, count) in wrong.items():
        who = prisms[prism[row]]
        kept = rows_kept(folder.events, who.section, [who], np.zeros(1, dtype=np.int64), time[row : row + 1])[0]
        place = f"{folder.files[file[row]]}:{line[row]}"
        sentence = (
            f"{who.name} of {who.section}: {place} says {shown(time[row])}, the rows around it were read about "
            f"{shown(when)}, when {WHOLE.format(count=count) if count > 1 else ALONE}; "
            f"{'kept by events.csv' if kept else 'set aside'}. "
            "Correct the time in the file"
        )
        days = float(np.abs((time[row] - when) / np.timedelta64(1, "D")))
        findings.append(
            finding(
                "mistyped time", sentence, section=who.section, prism=who.name, start=time[row], end=time[row],
                size=days, action="kept" if kept else "set aside",
                line=event_line(time[row], who.section, who.name, "reading kept"),
            )
        )  # fmt: skip
        if not kept:
            drop[row] = True
            account.set_aside(
                folder.files[file[row]], int(line[row]), "time against its file", f"read about {shown(when)}",
                who.section, who.name, time[row], days,
            )  # fmt: skip
    findings.extend(_clocks(folder, ~drop, home[prism]))
    if not drop.any():
        return folder
    return replace(folder, readings=frame[~drop].reset_index(drop=True))


def _clocks(folder: JobFolder, keep: npt.NDArray[np.bool_], home: npt.NDArray[np.int64]) -> list[Finding]:
    """Clocks put back or forward, by the order of a file or by the hours at which sections are read."""
    left = np.flatnonzero(keep)
    frame = folder.readings
    time = frame["time"].to_numpy(dtype="datetime64[ns]")
    file, line = (frame[name].to_numpy(dtype=np.int64) for name in ("file", "line"))
    sweeps = sweeps_of(time[left], home[left])
    hours = [
        (low, high, change, change + _zone_change(folder.settings.tunnel.time_zone, low, high))
        for low, high, change in hours_changed(time[left], home[left], sweeps)
    ]
    count = len(np.unique(home[left]))
    found = []
    for before_row, after_row in clock_put_back(time[left], file[left], line[left]):
        before, after = left[before_row], left[after_row]
        minutes = float((time[before] - time[after]) / np.timedelta64(1, "m"))
        # the file goes back by the change less the pause between the two readings: the hours of reading say more
        said = [-off for low, high, _, off in hours if time[after] - DAY <= high and low <= time[before] + DAY]
        line_of, offered = clock_line(time[after], max([minutes if minutes > HOUR else HOUR, *said]))
        sentence = (
            f"{folder.files[file[after]]}:{line[after]}: the time goes back by {minutes:.0f} min, from "
            f"{shown(time[before])} to {shown(time[after])}, in a file that is in the order of time; ask whether a "
            f"clock was put back, and which offset holds from there. If it was by {offered:.0f} min, this line of "
            f"events.csv puts the times right: {line_of}"
        )
        found.append(
            finding(
                "clock put back", sentence, start=time[after], end=time[before], size=minutes, line=line_of,
                file=folder.files[file[after]], row=int(line[after]),
            )
        )  # fmt: skip
    for low, high, change, off in hours:
        told = any(item.start - DAY <= high and low <= item.end + DAY for item in found)
        if told or abs(off) < SAME_HOURS:
            continue
        way, when = ("back", "earlier") if change < 0 else ("forward", "later")
        line_of, offered = clock_line(low + (high - low) / 2 if low < high else high, -off)
        sentence = (
            f"all sections are read about {abs(change):.0f} min {when} in the day from {shown(high)} on, by the times "
            f"as written; the last reading before is of {shown(low)}. Ask whether a clock was put {way} or the hours "
            f"of reading were changed, and which offset holds from there. If it was the clock, by "
            f"{abs(offered):.0f} min, this line of events.csv puts the times right: {line_of}"
        )
        if count < FEWEST:
            sentence += f". Only {count} section{'s are' if count > 1 else ' is'} read, so other hours look the same"
        told_of = finding(f"clock put {way}", sentence, start=low, end=high, size=abs(change), line=line_of)
        found.append(told_of)
    least = least_told(time[left], home[left], sweeps)
    if least > HOUR:
        why = f"only one by {least:.0f} min or more would be seen" if np.isfinite(least) else "the sweeps are too few"
        sentence = (
            "a clock put back or forward by an hour while nothing was read would not be noticed: no section is read "
            f"often enough at the same hours ({why}). A file that goes back in time is noticed all the same"
        )
        found.append(finding("clock not checked", sentence))
    return found


def _zone_change(zone: str, low: np.datetime64, high: np.datetime64) -> float:
    """By how much [minutes] the clock of a zone was put forward between the day before and the day after, if at all."""
    offsets = []
    for instant in (low - DAY, high + DAY):
        moment = datetime.datetime.fromisoformat(f"{np.datetime_as_string(instant, unit='s')}+00:00")
        offset = moment.astimezone(time_zone(zone)).utcoffset() or datetime.timedelta(0)
        offsets.append(offset.total_seconds() / 60.0)
    return offsets[1] - offsets[0]
