"""``[[expected]]`` and ``[settled]`` of the settings file: what triggers and the settled state are measured by."""

from __future__ import annotations

import itertools
import math
from collections.abc import Mapping
from typing import Literal

from convergence.errors import Fault
from convergence.job.keys import Keys
from convergence.job.schema import ExpectedCurve, SettledLimit
from convergence.units import METRES, MILLIMETRES


def read_expected(rows: list[Keys], stages: tuple[str, ...], faults: list[Fault]) -> tuple[ExpectedCurve, ...]:
    """The expected curves without fault, in their order."""
    found: list[ExpectedCurve] = []
    for keys in rows:
        before = len(faults)
        name = keys.text("name")
        if name in [other.name for other in found]:
            keys.fault("name", name, "each curve under a name of its own", "rename one of them")
        stage = stage_name(keys, stages)
        distance = _numbers(keys, "face_distance", METRES)
        age = _numbers(keys, "age", {"days": 1.0})
        value = _numbers(keys, "value", MILLIMETRES)
        at = distance or age
        if bool(distance) == bool(age):
            expected = "either face_distance_m = [...] or age_days = [...]"
            keys.fault("face_distance_m", None, expected, "keep the one the curve runs along")
        elif not value:
            keys.fault("value_mm", None, "the movement at each point", "add value_mm = [...]")
        elif len(at) != len(value) or len(at) < 2:
            expected = "as many movements as points, two at the least"
            keys.fault("value_mm", f"{len(value)} for {len(at)} points", expected, "give one value a point")
        elif any(two <= one for one, two in itertools.pairwise(at)):
            key = "face_distance_m" if distance else "age_days"
            keys.fault(key, list(at), "points in rising order", "sort the points, and give each once")
        keys.close()
        if len(faults) == before:
            against: Literal["face distance", "age"] = "face distance" if distance else "age"
            found.append(ExpectedCurve(name, against, stage, at, value, keys.line("name")))
    return tuple(found)


def read_settled(keys: Keys | None, stages: tuple[str, ...]) -> SettledLimit | None:
    """What the job calls settled; None where it does not say, for published limits differ."""
    if keys is None:
        return None
    lengths = {f"limit_{unit}_per_{time}": (factor, time) for unit, factor in MILLIMETRES.items() for time in _DAYS}
    given = keys.alternatives(list(lengths))
    rate = None
    if len(given) != 1:
        expected = "one rate as limit_mm_per_day (or _in, _ft, _m; _per_week)"
        keys.fault("limit_mm_per_day", ", ".join(given) or None, expected, "write limit_mm_per_day = ...")
    else:
        factor, time = lengths[given[0]]
        rate = keys.number(given[0], low=1e-6, high=1e3)
        rate = None if rate is None else rate * factor / _DAYS[time]
    days = keys.number("days", 7.0, low=1.0, high=365.0)
    reach = keys.number("reach_widths", 5.0, low=0.0, high=100.0)
    finished = keys.texts("finished_stages")
    for stage in finished:
        if stages and stage not in stages:
            keys.fault("finished_stages", stage, f"stages of the job, of {', '.join(stages)}", "correct the name")
    keys.close()
    return None if rate is None else SettledLimit(rate, days or 7.0, 5.0 if reach is None else reach, finished)


_DAYS = {"day": 1.0, "week": 7.0}


def stage_name(keys: Keys, stages: tuple[str, ...]) -> str:
    """The stage a table names; empty for the first one."""
    stage = keys.text("stage", "")
    if stage and stages and stage not in stages:
        keys.fault("stage", stage, f"a stage of the job, one of {', '.join(stages)}", "correct the name")
    return stage


def _numbers(keys: Keys, quantity: str, units: Mapping[str, float]) -> tuple[float, ...]:
    """A list of numbers under a key that carries its unit, in inside units; empty where absent or at fault."""
    given = keys.alternatives([f"{quantity}_{unit}" for unit in units])
    if not given:
        return ()
    if len(given) > 1:
        keys.fault(given[1], keys.values[given[1]], f"{quantity} in one unit", f"keep one of {', '.join(given)}")
        return ()
    key = given[0]
    values = keys.values[key]
    if not isinstance(values, list) or not all(
        isinstance(item, int | float) and not isinstance(item, bool) and abs(item) < 1e9 and math.isfinite(item)
        for item in values
    ):
        keys.fault(key, values, "a list of finite numbers", f"write {key} = [0.0, 10.0, 20.0]")
        return ()
    return tuple(float(item) * units[key[len(quantity) + 1 :]] for item in values)
