"""``[[trigger]]`` of the settings file."""

from __future__ import annotations

import datetime
import math
import re
from typing import Literal, cast

import numpy as np

from convergence.errors import Fault
from convergence.job.expected_tables import stage_name
from convergence.job.keys import Keys
from convergence.job.level_values import level_value
from convergence.job.schema import Datum, ExpectedCurve, Level, Revision, Trigger, TriggerRange

MEASURES = ("settlement", "transverse", "longitudinal", "chord", "distortion")
_CONFIRM = re.compile(
    r"\s*(?:(?P<needed>[0-9]{1,3})\s*(?:of|/)\s*(?P<of>[0-9]{1,3})\s*(?:readings)?\s*(?:(?P<how>or|and)\s+)?)?"
    r"(?P<prism>(?:an\s+)?independent\s+prism)?\s*"
)


def read_triggers(
    rows: list[Keys],
    faults: list[Fault],
    curves: tuple[ExpectedCurve, ...] = (),
    stages: tuple[str, ...] = (),
) -> tuple[Trigger, ...]:
    """The triggers without fault, in their order; ``stages`` are those the settings file declares."""
    found: list[Trigger] = []
    for keys in rows:
        trigger = _trigger(keys, faults, {curve.name: curve for curve in curves}, stages)
        if trigger is None:
            continue
        if trigger.name in [other.name for other in found]:
            keys.fault("name", trigger.name, "each trigger under a name of its own", "give this one a name")
        found.append(trigger)
    return tuple(found)


def _trigger(
    keys: Keys, faults: list[Fault], curves: dict[str, ExpectedCurve], stages: tuple[str, ...]
) -> Trigger | None:
    before = len(faults)
    measure = keys.text("measure", choices=MEASURES)
    since = keys.text("since", "zero reading", choices=("zero reading", "excavation"))
    if measure == "longitudinal" and since == "excavation":
        expected = (
            'since = "zero reading", for of longitudinal movement the part lost before the zero reading is not known'
        )
        keys.fault("since", since, expected, 'write since = "zero reading", with levels that hold from there')
    levels: list[Level] = []
    kinds: list[str] = []
    for number, row in enumerate(keys.tables("levels")):
        inner = keys.inner(row, "levels", number)
        name = inner.text("name", f"level {number + 1}")
        value, kind, given = level_value(inner, measure)
        inner.close()
        if name in [level.name for level in levels]:
            inner.fault("name", name, "each level of a trigger under a name of its own", "rename one of them")
        if value is not None:
            levels.append(Level(name, value, given))
            kinds.append(kind)
    if not levels and len(faults) == before:
        keys.fault("levels", None, "at least one level", 'write levels = [{name = "...", value_mm = ...}]')
    if len(set(kinds)) > 1:
        mend = "make a [[trigger]] of its own for each of value, rate and strain"
        keys.fault("levels", ", ".join(kinds), "levels of one trigger in one quantity", mend)
    elif not in_order([level.value for level in levels]):
        found = [level.value for level in levels]
        keys.fault("levels", found, "levels of one sign in rising order", "sort the levels")
    kind = kinds[0] if kinds else "value"
    curve = _curve(keys, kind, curves)
    kind = "deviation" if curve is not None else kind
    needed, of, prism = _confirm(keys)
    revisions = _revisions(keys, levels, kinds[0] if kinds else "value", measure, faults)
    default = measure if kind in ("value", measure) else f"{measure} {kind}"
    trigger = Trigger(
        keys.text("name", default),
        measure,
        cast(Literal["value", "rate", "strain", "distortion", "deviation"], kind),
        cast(Datum, since),
        tuple(levels),
        needed,
        of,
        keys.texts("sections"),
        keys.texts("positions"),
        keys.line("name"),
        prism,
        _range(keys, stages),
        curve,
        keys.text("owner", ""),
        keys.text("action", ""),
        revisions,
        keys.number("heading_from", None, low=0.5, high=0.999, mend="write it as a share, 0.80 for 80 %"),
    )
    keys.close()
    return trigger if len(faults) == before else None


def in_order(values: list[float]) -> bool:
    """Whether levels have one sign and rise in magnitude."""
    sizes = [abs(value) for value in values]
    return sizes == sorted(sizes) and len({value > 0 for value in values}) <= 1


def _curve(keys: Keys, kind: str, curves: dict[str, ExpectedCurve]) -> ExpectedCurve | None:
    """The expected curve a trigger's levels are beyond of; None where it has none."""
    name = keys.text("expected", "")
    if not name:
        return None
    if name not in curves:
        expected = f"the name of an [[expected]] curve, one of {', '.join(curves) or 'none'}"
        keys.fault("expected", name, expected, "correct the name, or add the curve")
        return None
    if kind != "value":
        expected = "levels in a unit of length, for a deviation is a movement beyond the expected curve"
        keys.fault("expected", name, expected, "write the levels as value_mm")
    return curves[name]


def _range(keys: Keys, stages: tuple[str, ...]) -> TriggerRange | None:
    """Where along a section's life the trigger is in force; None for always."""
    if not keys.has("range"):
        return None
    value = keys.values["range"]
    mend = 'write range = {stage = "...", from_m = 0.0, to_m = 24.0} or range = {from_days = 0.0, to_days = 30.0}'
    if not isinstance(value, dict):
        keys.fault("range", value, "a table of a stage and its face distances or ages", mend)
        return None
    inner = keys.inner(value, "range")
    stage = stage_name(inner, stages)
    lengths = [inner.length(name, low=-1e4, high=1e5) for name in ("from", "to")]
    ages = [inner.number(f"{name}_days", low=0.0, high=1e5) for name in ("from", "to")]
    inner.close()
    along, aged = ([end is not None for end in ends] for ends in (lengths, ages))
    if any(along) == any(aged):
        inner.fault("from_m", None, "face distances (from_m, to_m) or ages (from_days, to_days), not both", mend)
        return None
    low, high = lengths if any(along) else ages
    found = TriggerRange(
        "face distance" if any(along) else "age",
        stage,
        -math.inf if low is None else low,
        math.inf if high is None else high,
    )
    if not found.low < found.high:
        inner.fault("from_m", f"{found.low:g} to {found.high:g}", "a range that begins before it ends", mend)
    return found


def _revisions(keys: Keys, levels: list[Level], kind: str, measure: str, faults: list[Fault]) -> tuple[Revision, ...]:
    """The recorded changes of the levels, by time; each may change some of them."""
    found: list[Revision] = []
    names = [level.name for level in levels]
    for number, row in enumerate(keys.tables("revisions")):
        before = len(faults)
        inner = keys.inner(row, "revisions", number)
        date = inner.instant("date")
        by = inner.text("by")
        reason = inner.text("reason", "") if inner.values.get("reason") != "" else ""
        inner.has("reason")
        values: list[float | None] = [None] * len(names)
        for place, entry in enumerate(inner.tables("levels")):
            one = inner.inner(entry, "levels", place)
            name = one.text("name", choices=names or ("...",))
            value, unit, _ = level_value(one, measure)
            one.close()
            if value is not None and unit != kind:
                one.fault("value_mm", unit, f"a {kind}, as the level it changes", "use the unit of the level")
            elif name in names:
                values[names.index(name)] = value
        if len(faults) == before and not any(value is not None for value in values):
            inner.fault("levels", None, "the levels that change", 'write levels = [{name = "...", value_mm = ...}]')
        inner.close()
        if date is not None and len(faults) == before:
            instant = np.datetime64(date.astimezone(datetime.UTC).replace(tzinfo=None), "ns")
            found.append(Revision(instant, by, reason, tuple(values)))
    found.sort(key=lambda item: item.time)
    now: list[float] = [level.value for level in levels]
    for revision in found:
        now = [old if new is None else new for old, new in zip(now, revision.values, strict=True)]
        if not in_order(now):
            keys.fault("revisions", now, "levels of one sign in rising order after each revision", "sort the levels")
    return tuple(found)


def _confirm(keys: Keys) -> tuple[int, int, Literal["", "or", "and"]]:
    """How many of how many readings confirm a passage, and whether an independent prism does or must.

    "2 of 3", a table or a number n (n of n); "independent prism", "2 of 3 or independent prism", "2 of 3 and
    independent prism".
    """
    if not keys.has("confirm"):
        return 2, 3, ""
    value = keys.values["confirm"]
    found = _CONFIRM.fullmatch(value) if isinstance(value, str) and value.strip() else None
    prism: Literal["", "or", "and"] = ""
    pair: list[object] = [0, 0]
    # a second prism that must agree stands beside the reading itself: 1 of 1 and the prism
    if found and found["prism"] and not found["needed"]:
        pair, prism = [1, 1], "and"
    elif found and found["needed"] and bool(found["how"]) == bool(found["prism"]):
        pair = [int(found["needed"]), int(found["of"])]
        prism = cast(Literal["", "or", "and"], found["how"] or "")
    elif isinstance(value, dict):
        pair = [value.get("needed", value.get("n")), value.get("of", value.get("m"))]
    elif not isinstance(value, str):
        pair = [value, value]
    needed, of = (number if type(number) is int else 0 for number in pair)
    if not 1 <= needed <= of <= 100:
        expected = 'a rule as "2 of 3", "independent prism" or "2 of 3 or independent prism"'
        keys.fault("confirm", value, expected, 'write confirm = "2 of 3"')
        return 2, 3, ""
    return needed, of, prism
