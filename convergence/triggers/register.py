"""The register of trigger levels: those in force, and those raised after they were passed without saying why."""

from __future__ import annotations

from collections.abc import Callable, Iterable
from dataclasses import replace

import numpy as np

from convergence.job.schema import Trigger
from convergence.triggers.amounts import level_text
from convergence.triggers.dates import local_date

#: Tells of a trigger, the place of one of its levels and an instant whether any measure had passed it by then.
Passed = Callable[[Trigger, int, np.datetime64], bool]


def register_warnings(
    triggers: Iterable[Trigger], now: np.datetime64, passed: Passed, zone: str = "UTC"
) -> dict[tuple[str, str], str]:
    """Warnings by trigger and level: the level was raised after it had been passed, and no reason is recorded.

    Parameters
    ----------
    triggers : iterable of Trigger
        As the settings file gives them, levels as first set.
    now : datetime64
        Revisions later than this are not known yet.
    passed : callable
        Asked only where a revision without a reason raises a level.
    zone : str
        Time zone of the dates told, by its IANA name.

    Returns
    -------
    dict of (trigger name, level name) to str
        One sentence for each level concerned, about its last such raise.
    """
    found: dict[tuple[str, str], str] = {}
    for trigger in triggers:
        before = trigger
        for revision in trigger.at(now).revisions:
            after = trigger.at(revision.time)
            for place, (old, new) in enumerate(zip(before.levels, after.levels, strict=True)):
                raised = abs(new.value) > abs(old.value) and not revision.reason
                if raised and passed(replace(before, revisions=()), place, revision.time):
                    day = local_date(revision.time, zone)
                    found[trigger.name, new.name] = (
                        f"level {new.name} was raised from {level_text(trigger, old)} to {level_text(trigger, new)} on "
                        f"{day} by {revision.by} after it had been passed, without a recorded "
                        "reason"
                    )
            before = after
    return found
