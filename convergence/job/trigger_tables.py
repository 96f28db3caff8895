"""``[[trigger]]`` of the settings file."""

from __future__ import annotations

import re
from typing import Literal, cast

from convergence.errors import Fault
from convergence.job.keys import Keys
from convergence.job.schema import Datum, Level, Trigger
from convergence.units import MILLIMETRES

MEASURES = ("settlement", "transverse", "longitudinal", "chord")


def read_triggers(rows: list[Keys], faults: list[Fault]) -> tuple[Trigger, ...]:
    """The triggers without fault, in their order."""
    found: list[Trigger] = []
    for keys in rows:
        trigger = _trigger(keys, faults)
        if trigger is None:
            continue
        if trigger.name in [other.name for other in found]:
            keys.fault("name", trigger.name, "each trigger under a name of its own", "give this one a name")
        found.append(trigger)
    return tuple(found)


def _trigger(keys: Keys, faults: list[Fault]) -> Trigger | None:
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
        value, kind = _level_value(inner)
        inner.close()
        if value is not None:
            levels.append(Level(name, value))
            kinds.append(kind)
    if not levels and len(faults) == before:
        keys.fault("levels", None, "at least one level", 'write levels = [{name = "...", value_mm = ...}]')
    sizes = [abs(level.value) for level in levels]
    if len(set(kinds)) > 1:
        mend = "make a [[trigger]] of its own for each of value, rate and strain"
        keys.fault("levels", ", ".join(kinds), "levels of one trigger in one quantity", mend)
    elif sizes != sorted(sizes) or len({level.value > 0 for level in levels}) > 1:
        keys.fault(
            "levels",
            [level.value for level in levels],
            "levels of one sign in rising order",
            "sort the levels",
        )
    needed, of = _confirm(keys)
    kind = kinds[0] if kinds else "value"
    default = measure if kind == "value" else f"{measure} {kind}"
    trigger = Trigger(
        keys.text("name", default),
        measure,
        cast(Literal["value", "rate", "strain"], kind),
        cast(Datum, since),
        tuple(levels),
        needed,
        of,
        keys.texts("sections"),
        keys.texts("positions"),
        keys.line("name"),
    )
    keys.close()
    return trigger if len(faults) == before else None


def _confirm(keys: Keys) -> tuple[int, int]:
    """How many of how many readings confirm a passage; "2 of 3", a table or a number n (n of n)."""
    if not keys.has("confirm"):
        return 2, 3
    value = keys.values["confirm"]
    form = r"\s*([0-9]{1,3})\s*(?:of|/)\s*([0-9]{1,3})\s*(?:readings)?\s*"
    found = re.fullmatch(form, value) if isinstance(value, str) else None
    pair: list[object] = [0, 0]
    if found:
        pair = [int(found[1]), int(found[2])]
    elif isinstance(value, dict):
        pair = [value.get("needed", value.get("n")), value.get("of", value.get("m"))]
    else:
        pair = [value, value]
    needed, of = (number if type(number) is int else 0 for number in pair)
    if not 1 <= needed <= of <= 100:
        keys.fault("confirm", value, 'a rule as "2 of 3"', 'write confirm = "2 of 3"')
        return 2, 3
    return needed, of


def _level_value(keys: Keys) -> tuple[float | None, str]:
    """Value and quantity ("value", "rate", "strain") of one level."""
    found: list[tuple[float | None, str]] = []
    lengths = {
        f"value_{unit}{suffix}": (factor, kind)
        for unit, factor in MILLIMETRES.items()
        for suffix, kind in (("", "value"), ("_per_day", "rate"))
    }
    for key in keys.alternatives([*lengths, "value_percent"]):
        if key == "value_percent":
            found.append((keys.number(key, low=-100.0, high=100.0), "strain"))
        else:
            factor, kind = lengths[key]
            number = keys.number(key, low=-1e6, high=1e6)
            found.append((None if number is None else number * factor, kind))
    if len(found) != 1:
        expected = "one of value_mm, value_mm_per_day, value_percent (or _in, _ft, _m)"
        mend = "give each level one value with its unit in the key"
        keys.fault("value_mm", ", ".join(map(str, keys.values)), expected, mend)
        return None, "value"
    if found[0][0] == 0.0:
        keys.fault("value_mm", 0.0, "a level that is not zero", "correct the level")
    return found[0]
