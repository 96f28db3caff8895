"""Where along a section's life a trigger level is in force: the spells it is drawn over, and its range in words."""

from __future__ import annotations

from collections.abc import Mapping

import numpy as np

from convergence.job.schema import Trigger
from convergence.laws.path import FacePath
from convergence.triggers.quantities import days_in_force

#: Spells from one day to another, since the job's epoch.
Spans = tuple[tuple[float, float], ...]


def spans_in_force(trigger: Trigger, paths: Mapping[str, FacePath], window: tuple[float, float]) -> Spans | None:
    """Spells of a window in which a trigger is in force.

    Parameters
    ----------
    trigger : Trigger
        The trigger.
    paths : mapping of str to FacePath
        Logged and planned faces past the section.
    window : tuple of float
        First and last day since the job's epoch.

    Returns
    -------
    tuple of (float, float), or None
        First and last day of each spell; None where the trigger has no range and always holds.
    """
    if trigger.valid is None:
        return None
    first, last = days_in_force(trigger.valid, paths)
    if not (first <= window[1] and last >= window[0]):
        return ()
    return ((max(first, window[0]), min(last, window[1])),)


def range_words(trigger: Trigger, first: str) -> str:
    """The range of a trigger in words; empty where it always holds. ``first`` is the job's first stage."""
    valid = trigger.valid
    if valid is None:
        return ""
    unit = "m" if valid.against == "face distance" else "d"
    low, high = (f"{end:g}".replace("-", "\N{MINUS SIGN}") for end in (valid.low, valid.high))
    if np.isfinite(valid.low) and np.isfinite(valid.high):
        ends = f"from {low} to {high} {unit}"
    else:
        ends = f"from {low} {unit} on" if np.isfinite(valid.low) else f"to {high} {unit}"
    after = f"past the {valid.stage or first} face" if unit == "m" else f"after {valid.stage or first} passed"
    return f"in force {ends} {after}"
