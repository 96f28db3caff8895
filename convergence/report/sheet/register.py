"""The register of triggers as it stands: every trigger whole, with its range, its rule, who acts, and its history."""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from convergence.job.schema import Revision, Trigger
from convergence.plots.level_spans import range_words
from convergence.report.sheet.markup import Markup, bullets, element, join, table
from convergence.report.sheet.view import SheetView
from convergence.report.sheet.words import kept_name, local_minute, own_units, percent, small
from convergence.terms import WARNED
from convergence.triggers.amounts import level_text
from convergence.triggers.levels import ASKED, ASKED_FAR, REACHED

#: Columns that are left out where no trigger of the job has anything to tell in them.
_SPARED = ("sections", "in force", "owner", "action")


def register(view: SheetView) -> Markup:
    """Every trigger of the job as it stands at the instant of the analysis, its revisions below it."""
    triggers = tuple(trigger.at(view.job.now) for trigger in view.job.settings.triggers)
    idle = view.outlook.idle_triggers
    if not set(idle) < {trigger.name for trigger in triggers}:
        return join([element("p", "No trigger level applies."), _idle(idle)])
    warnings = _warnings(view)
    first = view.job.settings.stages[0].name
    heads = (
        "trigger",
        "measure",
        "datum",
        "levels in force",
        "sections",
        "in force",
        "confirmed by",
        "heading from",
        "owner",
        "action",
    )
    rows: list[tuple[object, ...]] = [
        (
            trigger.name,
            _measure(trigger),
            trigger.since,
            join((_level(trigger, place, warnings) for place in range(len(trigger.levels))), "<br>"),
            ", ".join(trigger.sections) or ("all" if any(item.sections for item in triggers) else ""),
            range_words(trigger, first).removeprefix("in force ")
            or ("always" if any(item.valid for item in triggers) else ""),
            _rule(trigger),
            "usual rule" if trigger.likely is None else percent(trigger.likely),
            trigger.owner,
            trigger.action,
        )
        for trigger in triggers
    ]
    under = [_history(view, trigger, warnings) for trigger in view.job.settings.triggers]
    kept = [place for place, head in enumerate(heads) if head not in _SPARED or any(row[place] for row in rows)]
    usual = (
        f"Heading from: the probability within the horizon from which a measure is told to be heading for a level; by "
        f"the usual rule {ASKED:.0%}, and {ASKED_FAR:.0%} while less than {REACHED:.0%} of the level is reached."
    )
    told = table([heads[place] for place in kept], [[row[place] for place in kept] for row in rows], under=under)
    return join([element("p", small(usual), "lead"), told, _idle(idle)])


def _idle(names: tuple[str, ...]) -> Markup:
    """Triggers that look at nothing."""
    return bullets([f"{name} applies to no measure that has been read" for name in names]) if names else Markup("")


def _warnings(view: SheetView) -> dict[tuple[str, str], str]:
    """What is wrong with levels, by trigger and level."""
    found = view.outlook.passages
    own = found[found["warning"] != ""]
    return {
        (str(trigger), str(level)): str(words)
        for trigger, level, words in zip(own["trigger"], own["level"], own["warning"], strict=True)
    }


def _measure(trigger: Trigger) -> str:
    """Measure, quantity, and the positions it is limited to."""
    quantity = "movement" if trigger.quantity == "value" else trigger.quantity
    curve = "" if trigger.expected is None else f" from {trigger.expected.name}"
    words = trigger.measure if quantity == trigger.measure else f"{trigger.measure}, {quantity}{curve}"
    return f"{words}; {', '.join(trigger.positions).replace(':', ' to ')}" if trigger.positions else words


def _rule(trigger: Trigger) -> str:
    """When a passage counts, as "2 of 3 readings, or an independent prism"."""
    prism = {"": "", "or": ", or an independent prism", "and": ", and an independent prism"}[trigger.confirm_prism]
    return f"{trigger.confirm_needed} of {trigger.confirm_of} readings{prism}"


def _level(trigger: Trigger, place: int, warnings: dict[tuple[str, str], str]) -> Markup:
    level = trigger.levels[place]
    sign = element("b", f" {WARNED}") if (trigger.name, level.name) in warnings else ""
    return join([kept_name(f"{level.name} {own_units(level_text(trigger, level))}"), sign])


def _history(view: SheetView, trigger: Trigger, warnings: dict[tuple[str, str], str]) -> Markup:
    """Revisions known at the instant of the analysis, one line each, and what is wrong with them; empty without any."""
    lines: list[object] = [_revision(view, trigger, item) for item in trigger.at(view.job.now).revisions]
    lines += [
        element("b", f"{WARNED} {view.clock.words(words)}")
        for (name, _), words in warnings.items()
        if name == trigger.name
    ]
    return join(lines, "<br>")


def _revision(view: SheetView, trigger: Trigger, revision: Revision) -> Markup:
    """One revision: when, by whom, what from and to, and why."""
    before = trigger.at(revision.time - np.timedelta64(1, "ns"))
    changed = [
        f"{old.name} from {own_units(level_text(trigger, old))} to "
        f"{own_units(level_text(trigger, replace(old, value=value)))}"
        for old, value in zip(before.levels, revision.values, strict=True)
        if value is not None
    ]
    when = local_minute(view.job, view.clock, revision.time)
    why = revision.reason or element("b", "no reason recorded")
    return join([f"Revised {when} by {revision.by}: {', '.join(changed)}; reason: ", why])
