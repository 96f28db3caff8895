"""``advance.csv`` as rows, before they are judged."""

from __future__ import annotations

import re
from collections.abc import Iterable
from dataclasses import dataclass, replace

import numpy as np
import numpy.typing as npt

from convergence.job.account import Account
from convergence.job.advance import KEPT_USED, FaceLog
from convergence.job.findings import Finding, finding, removal_of
from convergence.job.intake import UNREADABLE_SHARE, Intake
from convergence.job.rows import Floats, Lines
from convergence.job.schema import Event, Settings, Stage
from convergence.job.site_chainage import along_the_axis, expected_of, region_columns
from convergence.job.tables import Bools, Table
from convergence.job.times import Instants

FILE = "advance.csv"
#: An event of this kind means the round within so many seconds of it.
ROUND_KEPT, KEPT_WITHIN = "round kept", np.timedelta64(60, "s")


@dataclass(frozen=True)
class Rounds:
    """Rows of ``advance.csv`` that parse, shape (n,).

    End of the round (UTC), stage, chainage [m], line, and the chainage as it is written.
    """

    time: Instants
    stage: npt.NDArray[np.object_]
    chainage: Floats
    line: Lines
    written: npt.NDArray[np.object_]

    def keep(self, mask: Bools) -> Rounds:
        """The rows of the mask."""
        return Rounds(self.time[mask], self.stage[mask], self.chainage[mask], self.line[mask], self.written[mask])


def no_rounds() -> Rounds:
    """Rounds of a log that could not be read."""
    none = np.empty(0, dtype=object)
    return Rounds(np.empty(0, "datetime64[ns]"), none, np.empty(0), np.empty(0, dtype=np.int64), none)


def read_rounds(intake: Intake, settings: Settings | None) -> tuple[tuple[Stage, ...], Rounds]:
    """The stages of the job and the rounds of its log."""
    stages = settings.stages if settings else ()
    table = intake.table(FILE, ("time", "stage"), ("chainage",), region_columns(intake.stationing))
    if table is None:
        return stages, no_rounds()
    instants, keep = intake.times(table)
    stage = table.text("stage")
    if settings is not None and not stages:
        stages = tuple(Stage(str(name)) for name in dict.fromkeys(stage[keep].tolist()) if name)
        names = ", ".join(item.name for item in stages)
        intake.remarks.append(f"tunnel.toml: no [[stage]]; stages taken from {FILE} in their order there: {names}")
    if settings is not None:
        keep = _declared(intake, table.line, stage, stages, instants, keep)
    chainage, keep = intake.values(table, "chainage", instants, keep)
    # chainages of a stage's own do not know the tunnel's equations: the shift makes them continuous
    shifted = np.isin(stage, [item.name for item in stages if item.chainage_shift])
    placed, known = _placed(intake, table, chainage, instants, keep & ~shifted)
    chainage, keep = np.where(shifted, chainage, placed), known | (keep & shifted)
    for item in stages:
        chainage = chainage + np.where(stage == item.name, item.chainage_shift, 0.0)
    written = table.measured_text("chainage")[1]
    return stages, Rounds(instants[keep], stage[keep], chainage[keep], table.line[keep], written[keep])


def _placed(intake: Intake, table: Table, site: Floats, instants: Instants, keep: Bools) -> tuple[Floats, Bools]:
    """Continuous chainages and the rows that have one; a fault where a chainage may stand for several places.

    Which of them is meant is not guessed from the rounds around, for where the face goes through a stretch of
    chainages that come again, all rounds of it may be meant in one region or in the other.
    """
    if not intake.stationing:
        return site, keep
    name, text = table.measured_text("chainage")
    chainage, places = along_the_axis(intake, table, site)
    nowhere, several = keep & (places == 0), keep & (places > 1)
    detail = np.array([f"{name} = {str(value)[:40]}" for value in text[nowhere]], dtype=object)
    intake.set_aside(table, nowhere, "no such chainage", detail, instants)
    expected, mend = expected_of(intake.stationing, 0)
    intake.count(table, "chainage along the axis", name, text, nowhere, int(keep.sum()), expected, mend)
    if several.any():
        first = int(np.flatnonzero(several)[0])
        expected, mend = expected_of(intake.stationing, int(places[first]))
        expected += f"; so for {int(several.sum())} of {int(keep.sum())} rows"
        intake.fault(FILE, int(table.line[first]), name, str(text[first]), expected, mend)
    return chainage, np.asarray(keep & (places == 1))


def _declared(
    intake: Intake,
    line: Lines,
    stage: npt.NDArray[np.object_],
    stages: tuple[Stage, ...],
    instants: Instants,
    keep: Bools,
) -> Bools:
    """The rows whose stage the job declares; a fault where most have none."""
    names = [item.name for item in stages]
    known = np.isin(stage, names)
    unknown = keep & ~known
    intake.account.set_aside(FILE, line[unknown], "no such stage", stage[unknown], time=instants[unknown])
    if unknown.any() and unknown.sum() >= UNREADABLE_SHARE * keep.sum():
        first = int(np.flatnonzero(unknown)[0])
        share = f"{int(unknown.sum())} of {int(keep.sum())} rows have none"
        expected = f"a stage of tunnel.toml, one of {', '.join(names)} ({share})"
        mend = "correct the names, or add the [[stage]]"
        intake.fault(FILE, int(line[first]), "stage", str(stage[first]), expected, mend)
    return np.asarray(keep & known)


def rounds_kept(rounds: Rounds, events: Iterable[Event], findings: list[Finding]) -> Bools:
    """Rounds that rows ``round kept`` name: within a minute, and of the stage and chainage in the note where there are.

    A row that fits two rounds of one stage with different chainages says nothing; of two rows that keep two such
    rounds the one that stands last in ``events.csv`` counts. Both are told.
    """
    kept = np.zeros(len(rounds.time), dtype=bool)
    decided: list[Bools] = []
    for event in sorted((item for item in events if item.event == ROUND_KEPT), key=lambda item: -item.line):
        near = np.abs(rounds.time - event.time) <= KEPT_WITHIN
        meant = near & _noted(rounds, event.note)
        line = f"{removal_of(event.time, event.section, event.prism, event.event)},{event.note}".removesuffix(",")
        over = near & np.isin(rounds.stage, rounds.stage[meant])
        last = any((rows & meant).any() and not (kept & meant).any() for rows in decided)
        by_stage = [
            rounds.chainage[meant & (rounds.stage == name)] for name in np.unique(rounds.stage[meant].astype(str))
        ]
        several = any(len(np.unique(chainage)) > 1 for chainage in by_stage)
        if several or last or not meant.any():
            why = "keeps none: no round fits it"
            if several:
                why = "keeps none: rounds of different chainages fit it; write STAGE CHAINAGE in its note"
            elif last:
                why = "is not used: a row below it keeps another round at this time"
            sentence = f"events.csv:{event.line}: round kept {why}"
            findings.append(finding("round not kept", sentence, start=event.time, end=event.time, line=line))
            continue
        decided.append(over)
        kept |= meant
        for row in np.flatnonzero(meant).tolist():
            sentence = f"{FILE}:{rounds.line[row]}: the round of {rounds.stage[row]} is used by events.csv"
            told = finding(
                ROUND_KEPT, sentence, start=event.time, end=event.time, size=1.0, action="kept", line=line, file=FILE,
                row=int(rounds.line[row]),
            )  # fmt: skip
            findings.append(told)
    return kept


def with_dropped(findings: Iterable[Finding], account: Account) -> list[Finding]:
    """The findings, those of rounds that are kept with the rounds that are not used because of them."""
    aside = account.rows_set_aside
    aside = aside[(aside["file"] == FILE) & aside["detail"].astype(str).str.endswith(KEPT_USED)]
    dropped: dict[int, list[str]] = {}
    for row in aside.to_dict("records"):
        by = re.search(rf"by line (\d+); {KEPT_USED}$", str(row["detail"]))
        if by is not None:
            dropped.setdefault(int(by.group(1)), []).append(f"{FILE}:{row['line']}")
    return [
        replace(item, sentence=f"{item.sentence}; against it, and not used: {', '.join(dropped[item.row])}")
        if item.kind == ROUND_KEPT and item.file == FILE and item.row in dropped
        else item
        for item in findings
    ]


def _noted(rounds: Rounds, note: str) -> Bools:
    """Rounds of the stage that a note names, and of the chainage after it as it is written in the file; all without."""
    if not note:
        return np.ones(len(rounds.time), dtype=bool)
    stage, _, chainage = note.rpartition(" ")
    return np.asarray((rounds.stage == note) | ((rounds.stage == stage.strip()) & (rounds.written == chainage)))


def check_logs(intake: Intake, settings: Settings, logs: dict[str, FaceLog]) -> None:
    """A job without one round is at fault, and so is a log that lies off the alignment for good."""
    if not any(len(log) for log in logs.values()) and not intake.faults:
        _, line, why = intake.first_aside([FILE])
        intake.fault(
            FILE,
            line,
            "",
            "",
            f"at least one usable round ({why})",
            "add the rounds, or correct the rows set aside",
        )
    if settings.alignment is None:
        return
    low, high = settings.alignment.start_chainage, settings.alignment.end_chainage
    for log in logs.values():
        outside = (log.chainage < low - 1.0) | (log.chainage > high + 1.0)
        if len(log) and outside.sum() > UNREADABLE_SHARE * len(log):
            at = float(log.chainage[np.flatnonzero(outside)[0]])
            expected = f"{log.stage} on the alignment, {settings.stationing.span(low, high)} (most rounds are not)"
            mend = "correct the unit in the column's name, or the [[alignment]]"
            intake.fault(FILE, None, "chainage", settings.stationing.text(at), expected, mend)
