"""``events.csv``: what happened to sections and prisms."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import replace
from pathlib import Path

import numpy as np

from convergence.job.corrections import ARROW, EVENT, Correction, corrections_of
from convergence.job.event_notes import wrong_note
from convergence.job.intake import Intake
from convergence.job.near import is_meant
from convergence.job.row_fields import CLOSE, OPEN, is_marked
from convergence.job.schema import EVENTS, ONLY_PAIRS, PAIR_EVENTS, Event, Prism
from convergence.job.text_files import is_there

FILE = "events.csv"
#: Unknown names that are held against the known ones; comparing names is slow.
MOST_HINTS = 40


def read_corrections(folder: Path, as_of: np.datetime64 | None) -> tuple[Correction, ...]:
    """Rows of tables that the events correct, read before what they may correct; faults are told with the events."""
    if not is_there(folder / FILE):
        return ()
    return corrections_of(Intake(folder, as_of).table(FILE, ("time", "event"), optional=("note",)), as_of)


def read_events(intake: Intake, prisms: tuple[Prism, ...]) -> tuple[Event, ...]:
    """The events by time; a row that names a prism or section nobody knows is a fault."""
    if not is_there(intake.folder / FILE):
        return ()
    table = intake.table(FILE, ("time", "event"), optional=("section", "prism", "note"))
    if table is None:
        return ()
    instants, keep = intake.times(table)
    section_of = {prism.name: prism.section for prism in prisms}
    sections = set(section_of.values())
    found = []
    hints: dict[str, str] = {}

    def meant(name: str, known: Iterable[str]) -> str:
        """The question whether another name is meant; for the first unknown names only."""
        if name not in hints:
            hints[name] = is_meant(name, known) if len(hints) < MOST_HINTS else ""
        return hints[name]

    for index in np.flatnonzero(keep).tolist():
        line = int(table.line[index])
        section, prism, event, note = (str(table.text(name)[index]) for name in ("section", "prism", "event", "note"))
        event = " ".join(event.lower().split())
        if prisms and (event in ONLY_PAIRS or (event in PAIR_EVENTS and prism not in section_of and ":" in prism)):
            if not _is_pair(prism, section, section_of, event not in ONLY_PAIRS):
                expected = "two prisms of one section of prisms.csv, as A:B"
                if event not in ONLY_PAIRS:
                    expected += "; the second may be a name that only the readings have"
                intake.fault(FILE, line, "prism", prism, expected, "correct the names")
        elif prisms and prism and prism not in section_of:
            expected = f"a prism of prisms.csv, or nothing for all{meant(prism, section_of)}"
            intake.fault(FILE, line, "prism", prism, expected, "correct the name")
        elif prisms and section and section not in sections:
            expected = f"a section of prisms.csv, or nothing for all{meant(section, sections)}"
            intake.fault(FILE, line, "section", section, expected, "correct the name")
        elif prisms and section and prism and section_of[prism] != section:
            expected = f"section {section_of[prism]}, in which prism {prism} stands by prisms.csv"
            intake.fault(FILE, line, "section", section, expected, "correct the section or the prism")
        if event == EVENT and is_marked(note.partition(ARROW)[2]):
            expected = f"the row as it should be; what stands between {OPEN} and {CLOSE} is not yet put right"
            mend = f"write what is right there, and remove the marks {OPEN} and {CLOSE}"
            intake.fault(FILE, line, "note", note, expected, mend)
        if wrong_note(event, note):
            mend = "correct the note, or remove the row"
            intake.fault(FILE, line, "note", note, wrong_note(event, note), mend)
        when = instants[index]
        if not event:
            intake.account.set_aside(FILE, line, "no event", "", section, prism, when)
            continue
        if event not in EVENTS:
            hint = meant(event, EVENTS).removeprefix("; ")
            known = f"{event}: {hint} known are {', '.join(EVENTS)}".replace("  ", " ")
            intake.account.set_aside(FILE, line, "unknown event", known, section, prism, when)
            continue
        found.append(Event(instants[index], section, prism, event, note, line))
    # a line that was pasted twice is one decision
    once = {(item.time, item.section, item.prism, item.event, item.note): item for item in reversed(found)}
    return tuple(sorted(once.values(), key=lambda item: (item.time, item.section, item.prism, item.event, item.line)))


def with_successors(intake: Intake, prisms: tuple[Prism, ...], events: Iterable[Event]) -> tuple[Prism, ...]:
    """The prisms, and beside them those that events say took the place of one under a name that is in no row.

    Such a prism has the place of the one before it, and no row of ``prisms.csv``: its line is 0. The intake receives
    since when the name is that of a prism.
    """
    named = {prism.name: prism for prism in prisms}
    for event in events:
        old, colon, new = event.prism.partition(":")
        if event.event == "prism replaced" and event.prism not in named and colon and old in named:
            named.setdefault(new, replace(named[old], name=new, line=0))
            intake.since.setdefault(new, event.time)
    return tuple(sorted(named.values(), key=lambda prism: (prism.section, prism.name)))


def _is_pair(prism: str, section: str, section_of: dict[str, str], new_name: bool) -> bool:
    """Whether a text names two prisms of one section, and of the one given; or one and, if it may, an unknown name."""
    names = prism.split(":")
    if new_name and len(names) == 2 and names[1] and names[1] not in section_of:
        return names[0] in section_of and section in ("", section_of[names[0]])
    homes = {section_of.get(name) for name in names}
    return len(names) == len(set(names)) == 2 and len(homes) == 1 and None not in homes and {section} <= {"", *homes}
