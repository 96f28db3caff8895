"""The log of decisions: one table of what was noticed, what was done about it, and the line that turns it over."""

from __future__ import annotations

from collections.abc import Hashable, Iterable, Sequence

import numpy as np
import pandas as pd

from convergence.job.account import REASONS, Account
from convergence.job.corrections import correction_line
from convergence.job.findings import Finding, event_line, removal_of
from convergence.job.reading import JobFolder
from convergence.job.schema import Event

COLUMNS = ("time", "until", "section", "prism", "kind", "size", "unit", "decision", "reason", "turn_over")
#: Units of the sizes that are no millimetres.
UNITS = {
    "rounds missing": "m",
    **dict.fromkeys(("blind spell", "no recent reading", "prism silent"), "h"),
    "copied readings": "increments",
    **dict.fromkeys(("frozen readings", "prisms swapped", "prisms joined"), "readings"),
    "mistyped time": "d",
    **dict.fromkeys(("clock put back", "clock put forward"), "min"),
}
#: Reasons for setting a row aside that an event ``reading kept`` overrules; of the others, those a finding tells.
BY_EVENT = {
    "set aside by an event": "readings set aside",
    "before the zero reading": "zero reading",
    "replaced prism": "prism replaced",
}
ROUNDS = ("against the drive", "ahead of the stage it follows", "two times for one round", "time outside the job")
OVERRULED = ("before the face", "outside the alignment", "time outside the job")
TOLD = ("spike", "swapped prisms", "time against its file")


def decision_table(
    findings: Iterable[Finding], account: Account, folder: JobFolder, begin: np.datetime64
) -> pd.DataFrame:
    """The log of a job.

    Parameters
    ----------
    findings : iterable of Finding
        What was noticed.
    account : Account
        Rows set aside; those no finding tells of get a row each. Rows later than ``as_of`` are no decision.
    folder : JobFolder
        The folder as read: its files, events and the text of rows.
    begin : datetime64
        The beginning of the job: the instant of lines about rows that have none of their own.

    Returns
    -------
    pandas.DataFrame
        By time, those without one last: ``time`` and ``until`` (UTC), ``section``, ``prism``, ``kind``, ``size`` with
        ``unit``, ``decision`` ("set aside", "spliced", "exchanged", "removed", "kept" or "reported", which leaves the
        readings as they are), ``reason``, and ``turn_over``: the line of events.csv that overrules it, the one to
        remove, or what else to do.
    """
    rows: list[tuple[object, ...]] = [
        (
            item.start, item.end, item.section, item.prism, item.kind, item.size,
            UNITS.get(item.kind, "mm") if np.isfinite(item.size) else "", item.action, item.sentence, item.line,
        )
        for item in findings
    ]  # fmt: skip
    aside = account.rows_set_aside
    aside = aside[~aside["reason"].isin(["later than as_of", *TOLD])]
    for row in aside.to_dict("records"):
        reason, when = str(row["reason"]), pd.Timestamp(row["time"]).to_datetime64()
        place = f"{row['file']}:{row['line']}"
        detail = f" ({row['detail']})" if row["detail"] else ""
        turn_over = _turned_over(reason, row, begin if np.isnat(when) else when, folder) or f"correct {place}"
        sentence = f"{place}: {REASONS[reason]}{detail}"
        rows.append((when, when, row["section"], row["prism"], reason, np.nan, "", "set aside", sentence, turn_over))
    table = pd.DataFrame(rows, columns=list(COLUMNS))
    for name in ("time", "until"):
        table[name] = table[name].astype("datetime64[ns]")
    return table.sort_values("time", kind="stable", na_position="last", ignore_index=True)


def _turned_over(reason: str, row: dict[Hashable, object], when: np.datetime64, folder: JobFolder) -> str:
    """The line of ``events.csv`` that turns over that a row was set aside, or the one to remove; empty for none."""
    file, section, prism = str(row["file"]), str(row["section"]), str(row["prism"])
    if row["detail"] == "row corrected":
        return next((item.line for item in folder.findings if f"{file}:{row['line']}: " in item.sentence), "")
    if reason in BY_EVENT:
        event = _cause(BY_EVENT[reason], section, prism, when, folder.events)
        return "" if event is None else removal_of(event.time, event.section, event.prism, event.event)
    if reason in OVERRULED and file in folder.files and prism:
        return event_line(when, section, prism, "reading kept")
    if reason in ROUNDS and file == "advance.csv":
        return f"{event_line(when, '', '', 'round kept')}{_stage_of(str(row['detail']), folder)}"
    text = folder.texts.get((file, int(str(row["line"]))), "")
    # of two readings at one instant the line leaves this one out, so that the other is used
    return correction_line(when, file, text, "" if reason == "conflicting instant" else text)


def _stage_of(detail: str, folder: JobFolder) -> str:
    """The stage a row of the face log is of, by what is said of it; empty, which means any, where it is not said."""
    named = [name for name in folder.advance if detail.startswith(f"{name} ")]
    return max(named, key=len, default="")


def _cause(kind: str, section: str, prism: str, when: np.datetime64, events: Sequence[Event]) -> Event | None:
    """The event because of which a reading is not used."""
    mine = [
        event
        for event in events
        if event.event == kind
        and event.section in ("", section)
        and (event.prism in ("", prism) or event.prism.startswith(f"{prism}:"))
    ]
    if kind == "zero reading":
        return next((event for event in mine if event.time > when), None)
    return next((event for event in reversed(mine) if event.time <= when), None)
