"""What was noticed in the data: each finding with its place, time, size and what was done."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

_NEVER = np.datetime64("NaT", "ns")


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
        What was done: "reported", "set aside" or "spliced".
    sentence : str
        The finding in numbers, with the line of ``events.csv`` that settles it where there is one.
    """

    kind: str
    section: str
    prism: str
    start: np.datetime64
    end: np.datetime64
    size: float
    action: str
    sentence: str


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
) -> Finding:
    """A finding with the fields that apply."""
    return Finding(kind, section, prism, start, end, size, action, sentence)
