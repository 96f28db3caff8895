"""Readings whose time contradicts their place in the file are set aside; a clock that was put back is told."""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from convergence.job.account import Account
from convergence.job.findings import Finding, event_line, finding
from convergence.job.reading import JobFolder
from convergence.job.times import shown
from convergence.survey.mistyped import clock_put_back, out_of_file
from convergence.survey.overrules import rows_kept


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
    drop = np.zeros(len(frame), dtype=bool)
    for row, when in zip(rows.tolist(), near, strict=True):
        who = prisms[prism[row]]
        kept = rows_kept(folder.events, who.section, [who], np.zeros(1, dtype=np.int64), time[row : row + 1])[0]
        place = f"{folder.files[file[row]]}:{line[row]}"
        sentence = (
            f"{who.name} of {who.section}: {place} says {shown(time[row])}, the rows around it were read about "
            f"{shown(when)}, when its array was read without it; {'kept by events.csv' if kept else 'set aside'}. "
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
                who.section, who.name, time[row],
            )  # fmt: skip
    left = np.flatnonzero(~drop)
    for before_row, after_row in clock_put_back(time[~drop], file[~drop], line[~drop]):
        before, after = left[before_row], left[after_row]
        minutes = (time[before] - time[after]) / np.timedelta64(1, "m")
        sentence = (
            f"{folder.files[file[after]]}:{line[after]}: the time goes back by {minutes:.0f} min, from "
            f"{shown(time[before])} to {shown(time[after])}, in a file that is in the order of time; ask whether a "
            "clock was put back, and which offset holds from there"
        )
        findings.append(finding("clock put back", sentence, start=time[after], end=time[before], size=float(minutes)))
    if not drop.any():
        return folder
    return replace(folder, readings=frame[~drop].reset_index(drop=True))
