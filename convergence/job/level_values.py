"""The value of one trigger level: its quantity and unit are in the key, ``value_mm``, ``value_in_per_day`` ..."""

from __future__ import annotations

from types import MappingProxyType

from convergence.job.keys import Keys
from convergence.units import MILLIMETRES

#: Days in each unit of time a rate may have.
DAYS = MappingProxyType({"hour": 1.0 / 24.0, "day": 1.0, "week": 7.0})
#: Keys of movement and rate with the factor into mm and mm/day.
LENGTHS = MappingProxyType(
    {
        f"value_{unit}{suffix}": (factor / days, kind)
        for unit, factor in MILLIMETRES.items()
        for suffix, days, kind in (
            ("", 1.0, "value"),
            *((f"_per_{name}", length, "rate") for name, length in DAYS.items()),
        )
    }
)
#: Keys of a ratio with the factor into per cent.
RATIOS = MappingProxyType({"value_percent": 1.0, "value_per_mille": 0.1, "value_mm_per_m": 0.1})
#: One part in so many, as 500 for a distortion of 1/500.
ONE_IN = "value_one_in"
#: What the units the job may give a level in are called, in the order of the keys; for one part in so many the last.
ONE_PART_IN = "one part in"
_CALLED = MappingProxyType(
    {key: key.removeprefix("value_").replace("_per_", "/") for key in LENGTHS}
    | {"value_percent": "%", "value_per_mille": "per mille", "value_mm_per_m": "mm/m", ONE_IN: ONE_PART_IN}
)
#: By the name of a unit: the factor into mm, mm/day or %, and whether it is a ratio.
GIVEN_UNITS = MappingProxyType(
    {_CALLED[key]: (factor, False) for key, (factor, _) in LENGTHS.items()}
    | {_CALLED[key]: (factor, True) for key, factor in RATIOS.items()}
    | {ONE_PART_IN: (100.0, True)}
)
ACCEPTED = (
    "one of value_mm, value_mm_per_day, value_percent (or _in, _ft, _m, _ftUS; _per_hour, _per_week; "
    "value_per_mille, value_mm_per_m, value_one_in)"
)


def level_value(keys: Keys, measure: str) -> tuple[float | None, str, str]:
    """Value and quantity of one level, and the unit it is given in.

    Returns
    -------
    value : float or None
        In mm, mm/day, % (strain) or mm/m (distortion); None where it is at fault.
    quantity : {"value", "rate", "strain", "distortion"}
        What it limits; a ratio is a distortion where the measure is one, else a strain.
    given : str
        The unit it is given in, a key of ``GIVEN_UNITS``; empty where it is at fault.
    """
    found: list[tuple[float | None, str, str]] = []
    ratio, scale = ("distortion", 10.0) if measure == "distortion" else ("strain", 1.0)
    for key in keys.alternatives([*LENGTHS, *RATIOS, ONE_IN]):
        if key in RATIOS:
            most = 100.0 / RATIOS[key]
            number = keys.number(key, low=-most, high=most)
            found.append((None if number is None else number * RATIOS[key] * scale, ratio, _CALLED[key]))
        elif key == ONE_IN:
            number = keys.number(key, low=1.0, high=1e6, mend="write 500 for one part in 500")
            found.append((None if number is None else 100.0 / number * scale, ratio, _CALLED[key]))
        else:
            factor, kind = LENGTHS[key]
            number = keys.number(key, low=-1e6, high=1e6)
            found.append((None if number is None else number * factor, kind, _CALLED[key]))
    if len(found) != 1:
        mend = "give each level one value with its unit in the key"
        keys.fault("value_mm", ", ".join(map(str, keys.values)), ACCEPTED, mend)
        return None, "value", ""
    if found[0][0] == 0.0:
        keys.fault("value_mm", 0.0, "a level that is not zero", "correct the level")
    return found[0]
