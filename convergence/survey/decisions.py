"""The log of decisions: one table of what was noticed, what was done about it, and the line that turns it over."""

from __future__ import annotations

from collections.abc import Hashable, Iterable, Sequence
from dataclasses import replace

import numpy as np
import pandas as pd

from convergence.job.account import REASONS, SIZES, Account
from convergence.job.corrections import correction_line
from convergence.job.event_notes import end_of
from convergence.job.far_dates import corrected_time
from convergence.job.findings import Finding, event_line, removal_of
from convergence.job.reading import JobFolder
from convergence.job.row_fields import fields_of, to_fill_in, with_values
from convergence.job.schema import LAW_EVENTS, Event

COLUMNS = ("time", "until", "section", "prism", "kind", "size", "unit", "decision", "reason", "turn_over")
#: Units of the sizes that are no millimetres.
UNITS = {
    "rounds missing": "m",
    "movement restarted": "mm/day",
    **dict.fromkeys(("blind spell", "no recent reading", "prism silent"), "h"),
    "copied readings": "increments",
    **dict.fromkeys(("frozen readings", "copied sweeps", "prisms swapped", "prisms joined"), "readings"),
    **dict.fromkeys(("mistyped time", "zero reading lost"), "d"),
    **dict.fromkeys(("row corrected", "round kept"), "rows"),
    **dict.fromkeys(("clock put back", "clock put forward", "clock corrected"), "min"),
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
#: The finding that tells which prism a name that is not in prisms.csv is of.
STRANGER = "prism under another name"
#: The finding of a jump that others of the array share.
SHARED_JUMP = "shared jump"


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
        ``unit``, ``decision`` ("set aside", "spliced", "exchanged", "removed", "shifted" in time, "kept", "reported",
        which leaves the readings as they are, or "law may change" for a ring closed or support added), ``reason``, and
        ``turn_over``: the line of events.csv that overrules it, the one to remove, or what else to do.
    """
    findings = tuple(findings)
    rows: list[tuple[object, ...]] = [
        (
            item.start, item.end, item.section, item.prism, item.kind, item.size,
            UNITS.get(item.kind, "mm") if np.isfinite(item.size) else "", item.action, item.sentence, item.line,
        )
        for item in by_sweep(findings)
    ]  # fmt: skip
    rows += [_closed(event) for event in folder.events if event.event in LAW_EVENTS]
    aside = account.rows_set_aside
    aside = aside[~aside["reason"].isin(["later than as_of", *TOLD])]
    for row in aside.to_dict("records"):
        reason, when = str(row["reason"]), pd.Timestamp(row["time"]).to_datetime64()
        place = f"{row['file']}:{row['line']}"
        detail = f" ({row['detail']})" if row["detail"] else ""
        turn_over = _turned_over(row, begin if np.isnat(when) else when, folder, findings) or f"correct {place}"
        sentence = f"{place}: {REASONS[reason]}{detail}"
        size = float(str(row["size"]))
        unit = SIZES[reason][1] if np.isfinite(size) else ""
        rows.append((when, when, row["section"], row["prism"], reason, size, unit, "set aside", sentence, turn_over))
    table = pd.DataFrame(rows, columns=list(COLUMNS))
    for name in ("time", "until"):
        table[name] = table[name].astype("datetime64[ns]")
    return table.sort_values("time", kind="stable", na_position="last", ignore_index=True)


def by_sweep(findings: Sequence[Finding]) -> list[Finding]:
    """The findings; jumps that prisms of an array share in one sweep are one, for one line takes them all out."""
    groups: dict[object, list[Finding]] = {}
    for place, item in enumerate(findings):
        groups.setdefault((item.section, item.line) if item.kind == SHARED_JUMP else place, []).append(item)
    return [group[0] if len(group) == 1 else _joined(group) for group in groups.values()]


def _joined(group: Sequence[Finding]) -> Finding:
    """Jumps of several prisms in one sweep as one finding: all of them named, with the largest size."""
    largest = max(group, key=lambda item: item.size)
    sizes = ", ".join(f"{item.prism} {item.size:.1f} mm" for item in group)
    sentence = f"{len(group)} prisms jump in one sweep ({sizes}); the largest: {largest.sentence}"
    return replace(
        largest,
        prism=":".join(dict.fromkeys(item.prism for item in group)),
        start=min(item.start for item in group),
        end=max(item.end for item in group),
        sentence=sentence,
    )


def _closed(event: Event) -> tuple[object, ...]:
    """That the projection lets the law change where a ring was closed or support added."""
    where = event.section or "all sections"
    sentence = (
        f"{where}: {event.event} by events.csv; in the projection the rest of the movement may be another share of "
        "what the law says from then on. The readings are untouched"
    )
    line = removal_of(event.time, event.section, event.prism, event.event)
    when = event.time
    return (when, when, event.section, event.prism, event.event, np.nan, "", "law may change", sentence, line)


def _turned_over(
    row: dict[Hashable, object], when: np.datetime64, folder: JobFolder, findings: Sequence[Finding]
) -> str:
    """The line of ``events.csv`` that turns over that a row was set aside, or the one to remove; empty for none."""
    reason, file, line = str(row["reason"]), str(row["file"]), int(str(row["line"]))
    section, prism = str(row["section"]), str(row["prism"])
    corrected = next((item.line for item in findings if (item.file, item.row) == (file, line)), "")
    if reason == "set aside by an event" and corrected:
        return corrected
    if reason in BY_EVENT:
        event = _cause(BY_EVENT[reason], section, prism, when, folder.events)
        return "" if event is None else removal_of(event.time, event.section, event.prism, event.event)
    header, text = folder.texts.get((file, 1), ""), folder.texts.get((file, line), "")
    dated = corrected_time(str(row["detail"]), when, fields_of(header, text).get("time", ""))
    if reason == "time outside the job" and dated is not None:
        # a date some years off is put right, not kept; the event is of the day meant, or an earlier as-of would pass it
        return correction_line(dated[0], file, text, with_values(header, text, {"time": dated[1]}))
    if reason in OVERRULED and file in folder.files and prism:
        return event_line(when, section, prism, "reading kept")
    if reason in ROUNDS and file == "advance.csv":
        fields = fields_of(header, text)
        known = {"stage", "chainage"} <= set(fields)
        return f"{event_line(when, '', '', 'round kept')}{fields['stage']} {fields['chainage']}" if known else ""
    if reason == "no such prism":
        joined = [item.line for item in findings if item.kind == STRANGER and item.prism.endswith(f":{prism}")]
        if joined:
            return joined[0]
    # of two readings at one instant the line leaves this one out, so that the other is used
    new = "" if reason == "conflicting instant" else to_fill_in(header, text, reason)
    return correction_line(when, file, text, new)


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
    ended = [end_of(event.note) for event in mine]
    over = [end is not None and end <= when and kind == "readings set aside" for end in ended]
    mine = [event for event, past in zip(mine, over, strict=True) if not past]
    return next((event for event in reversed(mine) if event.time <= when), None)
