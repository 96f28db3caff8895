"""When readings beyond a level count as its passage."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
import numpy.typing as npt

from convergence.job.schema import Trigger

Floats = npt.NDArray[np.float64]
Bools = npt.NDArray[np.bool_]

#: Another prism confirms a reading if it is read within so many days of it: the same sweep or the next one.
SAME_SWEEP = 0.5


def confirmed(trigger: Trigger, time: Floats, over: Bools, witnesses: Sequence[tuple[Floats, Bools]] = ()) -> Bools:
    """Whether the passage stands confirmed with each reading.

    Parameters
    ----------
    trigger : Trigger
        Its rule: n of the last m readings, an independent prism beside it ("or"), or both ("and").
    time : (n,) array
        Days of the readings, ascending.
    over : (n,) array of bool
        Whether each is beyond the level.
    witnesses : sequence of (time, over)
        The same of measures that share no prism with this one.

    Returns
    -------
    (n,) array of bool
        True with each reading by which the rule is met.
    """
    if not len(over):
        return np.zeros(0, dtype=bool)
    needed, of = trigger.confirm_needed, trigger.confirm_of
    counts = np.convolve(over.astype(int), np.ones(of, dtype=int))[: len(over)] >= needed
    if not trigger.confirm_prism:
        return np.asarray(counts)
    seconded = np.zeros(len(time), dtype=bool)
    for other_time, other_over in witnesses:
        at = other_time[other_over]
        if len(at) and len(time):
            right = np.clip(np.searchsorted(at, time), 0, len(at) - 1)
            left = np.maximum(right - 1, 0)
            gap = np.minimum(np.abs(at[right] - time), np.abs(at[left] - time))
            seconded |= gap <= SAME_SWEEP
    return np.asarray(counts & seconded if trigger.confirm_prism == "and" else counts | (over & seconded))


def first_confirmed(standing: Bools) -> int:
    """The reading with which the passage that now stands was first confirmed; ``standing[-1]`` must be true."""
    without = np.flatnonzero(~standing)
    return int(without[-1]) + 1 if len(without) else 0


def rule_text(trigger: Trigger) -> str:
    """The rule in words, "2 needed" or "2 and an independent prism needed"."""
    prism = {"": "", "or": " or an independent prism", "and": " and an independent prism"}[trigger.confirm_prism]
    return f"{trigger.confirm_needed}{prism} needed"
