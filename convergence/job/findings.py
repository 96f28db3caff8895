"""What was noticed in the data: each finding with its place, time, size and what was done."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

_NEVER = np.datetime64("NaT", "ns")
#: Kinds that leave the readings as they are until a person decides.
UNDECIDED = ("jump", "shared jump", "shared spell off")


@dataclass(frozen=True)
class Finding:
    """One thing noticed.

    Attributes
    ----------
    kind : str
        Short name: "rounds missing", "jump", "spike", "copied readings", "blind spell" ...
    section, prism : str
        Where; empty where it concerns more than one.
    start, end : datetime64[ns]
        From and to, UTC; NaT where it has no time.
    size : float
        Size of the thing in mm (m for rounds, hours for spells, a count for copies; the sentence says); NaN
        if none.
    action : str
        What was done: "reported", "set aside", "spliced", "exchanged", "removed", "shifted" in time, or "kept"
        where an event says so.
    sentence : str
        The finding in numbers, with the line of ``events.csv`` that settles it where there is one.
    line : str
        The line of ``events.csv`` that turns the decision over, or which line to remove; empty where there is none.
    file, row : str, int
        The row of a table it is about; empty and 0 where it is about none.
    """

    kind: str
    section: str
    prism: str
    start: np.datetime64
    end: np.datetime64
    size: float
    action: str
    sentence: str
    line: str = ""
    file: str = ""
    row: int = 0


def finding(
    kind: str,
    sentence: str,
    *,
    section: str = "",
    prism: str = "",
    start: np.datetime64 = _NEVER,
    end: np.datetime64 = _NEVER,
    size: float = float("nan"),
    action: str = "reported",
    line: str = "",
    file: str = "",
    row: int = 0,
) -> Finding:
    """A finding with the fields that apply."""
    return Finding(kind, section, prism, start, end, size, action, sentence, line, file, row)


def event_line(instant: np.datetime64, section: str, prism: str, event: str) -> str:
    """A line of ``events.csv`` to write, its note left empty."""
    when = f"{np.datetime_as_string(instant.astype('datetime64[ns]'), unit='s')}Z"
    return f"{when},{section},{prism},{event},"


def removal_of(instant: np.datetime64, section: str, prism: str, event: str) -> str:
    """How the decision of a row of ``events.csv`` is taken back; the row by what it says, wherever it stands."""
    return f"remove from events.csv: {event_line(instant, section, prism, event).removesuffix(',')}"
