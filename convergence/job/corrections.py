"""Rows of the job's tables that ``events.csv`` corrects or leaves out, each by what it says and not by its line number.

A row of the event ``row corrected`` has the note ``FILE: ROW => ROW``: the row as it stands in the file, and as it
should be; nothing after the arrow leaves the row out. The file itself stays as it is. A row that is corrected into
itself is told, and is no correction.
"""

from __future__ import annotations

import csv
import io
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from convergence.job.findings import Finding, finding, removal_of
from convergence.job.tables import Table
from convergence.job.times import parse_times

#: The event, and what stands between the row as it is and as it should be.
EVENT, ARROW = "row corrected", " => "
#: A row longer than this is not offered for correction in the log.
LONGEST = 500


@dataclass(frozen=True)
class Correction:
    """One row of a table as it stands and as it should be; ``line`` is that of the event."""

    time: np.datetime64
    file: str
    old: str
    new: str
    line: int


def corrections_of(table: Table | None, as_of: np.datetime64 | None) -> tuple[Correction, ...]:
    """The corrections in ``events.csv``, without those later than the date of the analysis; in the order of time."""
    if table is None:
        return ()
    instants, _ = parse_times(table.text("time"))
    found = []
    for index, (event, note) in enumerate(zip(table.text("event"), table.text("note"), strict=True)):
        if " ".join(str(event).lower().split()) != EVENT or np.isnat(instants[index]):
            continue
        if as_of is not None and instants[index] > as_of:
            continue
        file, _, rest = str(note).partition(":")
        old, arrow, new = f"{rest.strip()} ".partition(ARROW)
        if arrow and old.strip():
            found.append(Correction(instants[index], file.strip(), old.strip(), new.strip(), int(table.line[index])))
    return tuple(sorted(found, key=lambda item: (item.time, item.line)))


def corrected(body: str, file: str, corrections: Sequence[Correction]) -> tuple[str, list[int], list[Finding]]:
    """The text of a table with its rows corrected.

    Parameters
    ----------
    body : str
        The text of the file.
    file : str
        Its name relative to the job folder.
    corrections : sequence of Correction
        Of all files.

    Returns
    -------
    body : str
        The text with as many lines as before.
    left_out : list of int
        Lines left out, from 1; they are blank in the text now.
    findings : list of Finding
        What was done, and corrections whose row is not in the file.
    """
    left_out: list[int] = []
    findings: list[Finding] = []
    for item in corrections:
        if item.file != file:
            continue
        at = _row_at(body, item.old)
        line = f"{removal_of(item.time, '', '', EVENT)},{quoted(file, item.old, item.new)}"
        if at < 0 or item.new == item.old:
            none = f"{file} has no row '{item.old}', which events.csv:{item.line} corrects; nothing was done"
            same = f"events.csv:{item.line} corrects '{item.old}' of {file} into the same row; nothing was done"
            sentence = none if at < 0 else same
            told = finding("correction without effect", sentence, start=item.time, end=item.time, line=line)
            findings.append(told)
            continue
        body = body[:at] + item.new + body[at + len(item.old) :]
        number = body.count("\n", 0, at) + 1
        place = f"{file}:{number}"
        done = f"read as '{item.new}'" if item.new else "left out"
        sentence = f"{place}: '{item.old}' is {done} by events.csv:{item.line}"
        action = "exchanged" if item.new else "set aside"
        told = finding(
            EVENT, sentence, start=item.time, end=item.time, size=1.0, action=action, line=line, file=file, row=number
        )
        findings.append(told)
        if not item.new:
            left_out.append(number)
    return body, left_out, findings


def without_effect(corrections: Sequence[Correction], files: Sequence[str]) -> list[Finding]:
    """Corrections of files that are no tables of the job, told."""
    return [
        finding(
            "correction without effect",
            f"events.csv:{item.line} corrects a row of '{item.file}', which is no table of the job; nothing was done",
            start=item.time,
            end=item.time,
            line=f"{removal_of(item.time, '', '', EVENT)},{quoted(item.file, item.old, item.new)}",
        )
        for item in corrections
        if item.file not in files
    ]


def _row_at(body: str, row: str) -> int:
    """Where a row begins in a text below its header, blanks around it passed over; -1 where it is no row of it."""
    at = body.find(row, body.find("\n") + 1)
    while at >= 0:
        end = at + len(row)
        before = body[body.rfind("\n", 0, at) + 1 : at]
        stop = body.find("\n", end)
        after = body[end : len(body) if stop < 0 else stop]
        if not before.strip() and not after.strip():
            return at
        at = body.find(row, at + 1)
    return -1


def quoted(file: str, old: str, new: str) -> str:
    """The note of a correction as a field of a CSV file."""
    out = io.StringIO()
    csv.writer(out, lineterminator="", quoting=csv.QUOTE_ALL).writerow([f"{file}: {old}{ARROW}{new}".rstrip(" ")])
    return out.getvalue()


def correction_line(instant: np.datetime64, file: str, old: str, new: str) -> str:
    """A line of ``events.csv`` that corrects a row, or leaves it out; empty where the row is too long to write."""
    if not old.strip() or len(old) > LONGEST or not old.isprintable():
        return ""
    when = f"{np.datetime_as_string(instant.astype('datetime64[ns]'), unit='s')}Z"
    return f"{when},,,{EVENT},{quoted(file, old.strip(), new.strip())}"
