"""What the notes of some events say in a fixed form: until when they hold, and by how much a clock was off."""

from __future__ import annotations

import re

import numpy as np

from convergence.job.times import parse_instant, shown

#: Events that hold from their time on, and until the instant that their note may name.
WITH_END = ("prisms swapped", "clock corrected", "readings set aside")
CLOCK = "clock corrected"
UNTIL_FORM = "until TIME, as until 2031-05-04T06:10:00Z"
CLOCK_FORM = "minutes to add to the times, as -60 min, or -60 min until 2031-05-04T06:10:00Z"
#: A clock is off by a day at most.
MOST_MINUTES = 1440.0

_UNTIL = re.compile(r"^(?P<rest>.*?)\s*\buntil\s+(?P<time>\S.*)$", re.IGNORECASE)
_MINUTES = re.compile(r"^(?P<minutes>[+-]?[0-9]{1,4}(?:\.[0-9]+)?)\s*min(?:utes?)?$", re.IGNORECASE)


def end_of(note: str) -> np.datetime64 | None:
    """The instant after ``until`` in a note; None where it names none."""
    found = _UNTIL.match(note.strip())
    return None if found is None else parse_instant(found["time"].strip())


def minutes_of(note: str) -> float | None:
    """Minutes to add to the times, by the note of ``clock corrected``; None where it does not say."""
    text = note.strip()
    until = _UNTIL.match(text)
    found = _MINUTES.match((until["rest"] if until else text).strip())
    if found is None:
        return None
    minutes = float(found["minutes"])
    return minutes if 0.0 < abs(minutes) <= MOST_MINUTES else None


def wrong_note(event: str, note: str) -> str:
    """What the note of an event should say; empty where nothing is wrong with it."""
    if event == CLOCK and minutes_of(note) is None:
        return CLOCK_FORM
    if event in WITH_END and _UNTIL.match(note.strip()) and end_of(note) is None:
        return CLOCK_FORM if event == CLOCK else UNTIL_FORM
    return ""


def until(instant: np.datetime64) -> str:
    """The words of a note that end an event."""
    return f"until {shown(instant)}"
