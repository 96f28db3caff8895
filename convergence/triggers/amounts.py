"""A trigger's numbers as a person reads them: with the digits fit for their unit, in the unit the job gave them in."""

from __future__ import annotations

from types import MappingProxyType

import numpy as np

from convergence.job.level_values import GIVEN_UNITS, ONE_PART_IN
from convergence.job.schema import Level, Trigger

#: Decimals worth telling in each unit: one reading's error is some tenths of a millimetre, a rate's over three days a
#: tenth of a millimetre a day, over a chord of ten metres 0.1 mm are 0.001 %.
DECIMALS = MappingProxyType(
    {
        "mm": 1, "mm/day": 2, "mm/hour": 3, "mm/week": 1,
        "m": 4, "m/day": 5, "m/hour": 6, "m/week": 4,
        "in": 2, "in/day": 3, "in/hour": 4, "in/week": 2,
        "ft": 3, "ft/day": 4, "ft/hour": 5, "ft/week": 3,
        "ftUS": 3, "ftUS/day": 4, "ftUS/hour": 5, "ftUS/week": 3,
        "%": 3, "per mille": 2, "mm/m": 2,
    }
)  # fmt: skip
#: Ratios flatter than this are no part of a whole number a person reads.
FLATTEST = 99_999.0


def given_unit(trigger: Trigger, level: Level) -> str:
    """The unit the job gave a level in; the library's own where it is not known."""
    return level.given or trigger.unit


def amount_text(value: float, trigger: Trigger, level: Level) -> str:
    """A value of a trigger's quantity, in the unit of its level with the digits fit for it.

    Parameters
    ----------
    value : float
        In the unit of ``trigger.unit``.
    trigger, level : Trigger, Level
        What it stands against.

    Returns
    -------
    str
        As "38.1 mm", "0.312 %", "1.50 in (38.1 mm)" or "1 in 480 (2.08 mm/m)"; "no value yet" where it is not known.

    Examples
    --------
    >>> strain = Trigger("s", "chord", "strain", "zero reading", (Level("alert", 0.5, "per mille"),))
    >>> amount_text(0.3124, strain, strain.levels[0])
    '3.12 per mille (0.312 %)'
    """
    if not np.isfinite(value):
        return "no value yet"
    inside = _plain(value, trigger.unit)
    unit = given_unit(trigger, level)
    if unit == trigger.unit:
        return inside
    if unit == ONE_PART_IN:
        # a value near nothing is one part in a number nobody reads
        parts = _factor(unit, trigger) / abs(value) if value else np.inf
        return f"{'-' if value < 0 else ''}1 in {parts:.0f} ({inside})" if parts < FLATTEST else inside
    return f"{_plain(value / _factor(unit, trigger), unit)} ({inside})"


def level_text(trigger: Trigger, level: Level) -> str:
    """A level's value as the job gives it, as "38 mm", "1.5 in = 38.1 mm" or "1 in 500 = 2 mm/m"."""
    unit = given_unit(trigger, level)
    if unit == trigger.unit:
        return f"{level.value:g} {trigger.unit}"
    factor = _factor(unit, trigger)
    own = f"1 in {factor / level.value:.6g}" if unit == ONE_PART_IN else f"{level.value / factor:.6g} {unit}"
    return f"{own} = {level.value:.4g} {trigger.unit}"


def percent_text(probability: float) -> str:
    """A probability in whole per cent; what is not certain is never rounded to certainty.

    Examples
    --------
    >>> percent_text(0.376), percent_text(0.002), percent_text(0.9986)
    ('38%', '<1%', '>99%')
    """
    if 0.0 < probability < 0.005:
        return "<1%"
    if 0.995 <= probability < 1.0:
        return ">99%"
    return f"{probability:.0%}"


def _plain(value: float, unit: str) -> str:
    decimals = DECIMALS.get(unit, 2)
    # a rounded minus zero reads like a finding
    return f"{round(value, decimals) + 0.0:.{decimals}f} {unit}"


def _factor(unit: str, trigger: Trigger) -> float:
    """What one of a given unit is in the trigger's own; for one part in so many, what one part in one is."""
    factor, ratio = GIVEN_UNITS[unit]
    return factor * (10.0 if ratio and trigger.quantity == "distortion" else 1.0)
