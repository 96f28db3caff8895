"""Trigger levels under a what-if: which are in force at the horizon, and how likely each is passed then.

A level since excavation limits the whole movement, so the part lost before the zero reading and its change belong to
it, for chords as for prisms.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from convergence.job.schema import Trigger
from convergence.laws.arrays import FloatArray
from convergence.lining.back_analysis_data import Row, SectionData
from convergence.lining.back_analysis_model import SectionModel
from convergence.triggers.quantities import beyond, in_force


@dataclass(frozen=True)
class Drawn:
    """Draws of one measure at the horizon.

    Attributes
    ----------
    final : ndarray, shape (samples,)
        Since the zero reading [mm].
    total : ndarray, shape (samples,)
        Since excavation, the lost part included [mm]; NaN where none is given.
    """

    final: FloatArray
    total: FloatArray


def drawn_total(row: Row, data: SectionData, normal: FloatArray) -> FloatArray:
    """Movement of a measure since excavation, as projected, for the standard normal numbers of its final value.

    total = final + lost, as wide as the projection says the two together are

    Parameters
    ----------
    row : Row
        A final value.
    data : SectionData
        Its section.
    normal : ndarray, shape (samples,)
        Standard normal numbers.

    Returns
    -------
    ndarray, shape (samples,)
        Movement [mm]; NaN where no lost part is given.
    """
    lost, unsure = row.lost, row.lost_deviation
    if not np.isfinite(lost):
        same = [
            other for other in data.rows
            if (other.kind, other.label, other.prisms) == ("lost", row.label, row.prisms)
        ]  # fmt: skip
        if not same:
            return np.full(normal.shape, np.nan)
        lost, unsure = same[0].value, same[0].deviation
    whole = row.total_deviation
    wide = whole if np.isfinite(whole) else float(np.hypot(row.deviation, np.nan_to_num(unsure)))
    return np.asarray(row.value + lost + wide * normal)


def triggers_for(triggers: Sequence[Trigger], row: Row, until: str) -> list[Trigger]:
    """Triggers with levels of movement that apply to a measure, with the levels that hold at the instant of the data.

    A trigger may name positions or prisms, and for a chord the pair "a:b" of either, in any order.
    """
    measure, _, positions = row.label.partition(" ")
    names = set()
    for pair in (positions.split(":"), row.prisms.split(":")):
        names |= {*pair, ":".join(pair), ":".join(reversed(pair))}
    return [
        trigger.at(np.datetime64(until)) for trigger in triggers
        if trigger.quantity == "value" and trigger.measure == measure and trigger.expected is None
        and (not trigger.sections or row.section in trigger.sections)
        and (not trigger.positions or not names.isdisjoint(trigger.positions))
    ]  # fmt: skip


def holds_at_horizon(trigger: Trigger, model: SectionModel) -> bool:
    """Whether the trigger's range along the section's life holds at the last instant of the model."""
    return bool(in_force(trigger.valid, np.array([model.until]), model.paths)[0])


def level_words(triggers: Sequence[Trigger], model: SectionModel, drawn: Drawn) -> str:
    """Probability of each level at the horizon, in words; a trigger that is not in force then is said to be so."""
    found = []
    for trigger in triggers:
        if not holds_at_horizon(trigger, model):
            found.append(f"{trigger.name}: not in force at the horizon")
            continue
        since = trigger.since == "excavation"
        values = drawn.total if since else drawn.final
        if np.isnan(values).any():
            found.append(f"{trigger.name}: not told, no part lost before the zero reading is given")
            continue
        for level in trigger.levels:
            share = float(np.mean(beyond(values, level.value, trigger.measure)))
            datum = " since excavation" if since else ""
            found.append(f"{trigger.name} {level.name} {level.value:g} mm{datum}: {share:.0%}")
    return ", ".join(found)
