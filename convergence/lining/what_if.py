"""What changes if the lining is thicker, sooner, stiffer, closed earlier, or the rounds are shorter.

A variant changes the model's answer, not the ground: the change of movement by each sample of the posterior is put on
what the section is projected to do, so that the design as it is reproduces the projection itself, and sinking or lopsided
movement, which the model does not have, stays as it was found.
"""

from __future__ import annotations

import dataclasses
from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np
import pandas as pd

from convergence.errors import ValueFault
from convergence.job.design_assumptions import LayerAssumption, LiningAssumptions
from convergence.job.schema import Settings, Trigger
from convergence.laws.arrays import FloatArray
from convergence.laws.path import FacePath
from convergence.lining.back_analysis import CONSTRUCTION_ERROR, predicted_rows
from convergence.lining.back_analysis_data import SectionData
from convergence.lining.back_analysis_model import Response, SectionModel
from convergence.lining.back_analysis_prior import values_at
from convergence.lining.back_analysis_result import BackAnalysis
from convergence.lining.demand_balance import balance_thrust, balance_utilisation
from convergence.lining.steps import time_at_distance
from convergence.lining.what_if_result import WhatIf, WhatIfMap

SMALLEST_SHARE = 0.05
"""A change of movement is known to its construction error times this share of the movement, at least."""


@dataclass(frozen=True)
class Variant:
    """One change of the design; None leaves a thing as it is.

    Attributes
    ----------
    name : str
        As tables show it.
    thickness : float or None
        Thickness of all layers together [m]; layers keep their shares.
    later : float or None
        Days by which all layers come later; negative for sooner, not before the face.
    closure_distance : float or None
        How far the leading face is past when the ring is closed [m].
    age_curve : str
        Name of another curve of stiffness and strength, one of `AGE_CURVES`; empty for none.
    stiffness : float or None
        Factor on the modulus of the sprayed concrete [-].
    round_length : float or None
        Rounds of the leading stage [m], at the same mean speed.
    """

    name: str
    thickness: float | None = None
    later: float | None = None
    closure_distance: float | None = None
    age_curve: str = ""
    stiffness: float | None = None
    round_length: float | None = None

    def __post_init__(self) -> None:
        positive = {"thickness": self.thickness, "stiffness": self.stiffness, "round_length": self.round_length}
        for name, value in positive.items():
            if value is not None and not (np.isfinite(value) and value > 0.0):
                raise ValueFault(f"what-if {self.name!r}: {name} = {value}; expected above 0. To mend: correct it.")
        for name, value in {"later": self.later, "closure_distance": self.closure_distance}.items():
            if value is not None and not np.isfinite(value):
                raise ValueFault(f"what-if {self.name!r}: {name} = {value}; expected a number. To mend: correct it.")


AS_DESIGNED = Variant("as designed")
#: Things that a map can vary, with their units and words.
AXES = {
    "thickness": ("m", "thickness of the lining"), "later": ("days", "layers later by"),
    "closure_distance": ("m", "ring closed, face past by"), "stiffness": ("1", "stiffness of the concrete, factor"),
    "round_length": ("m", "round length"),
}  # fmt: skip


def what_if(
    analysis: BackAnalysis, section: str, variants: Sequence[Variant], samples: int = 100, seed: int = 0
) -> WhatIf:
    """Final movement, thrust and utilisation of a section under changes of its lining and rounds.

    Parameters
    ----------
    analysis : BackAnalysis
        Posterior of the ground, with the section among its sections.
    section : str
        The section.
    variants : sequence of Variant
        Changes; the design as it is stands first in any case.
    samples : int
        Samples of the posterior.
    seed : int
        Of the random numbers.

    Returns
    -------
    WhatIf
        A row a variant and measure, since the zero reading, with bands and probabilities of the trigger levels.

    Raises
    ------
    ValueFault
        If the section is not of the analysis, there is no lining, or a variant asks for what it has not.
    """
    place = _section_of(analysis, section)
    model, data = analysis.models[place], analysis.data[place]
    normal = analysis.draws.normal[analysis.draws.equal(min(samples, analysis.draws.weight.size))]
    generator = np.random.default_rng(seed)
    shares = generator.random(len(normal))
    errors = generator.standard_normal(len(normal))
    projected = data.values + generator.standard_normal((len(normal), len(data.rows))) * [
        row.deviation for row in data.rows
    ]
    # measures of a section go up and down together for the most part; each one's own band is what is asked for here
    base = _answer(analysis, model, AS_DESIGNED, normal)
    rows, tail = [], 0.5 * (1.0 - analysis.confidence)
    for variant in [AS_DESIGNED, *variants]:
        changed, response, ground, lining = _answer(analysis, model, variant, normal)
        change = predicted_rows(response, data) - predicted_rows(base[1], data)
        change = change * (1.0 + 2.0 * CONSTRUCTION_ERROR[model.ground.strength] * errors[:, None])
        thrust = balance_thrust(changed, response, shares)
        used = balance_utilisation(changed, response, ground, lining, thrust)
        ends = np.quantile(thrust, (tail, 0.5, 1.0 - tail)).tolist() + _quantiles(used, tail)
        for index, row in enumerate(data.rows):
            if row.kind != "final":
                continue
            drawn = projected[:, index] + change[:, index]
            lost = _lost_of(data, row.prisms, row.label, projected)
            rows.append([
                variant.name, row.label, *np.quantile(drawn, (tail, 0.5, 1.0 - tail)), float(np.median(change[:, index])),
                *ends, _level_words(analysis.settings, data.section, row.label, drawn, lost),
            ])  # fmt: skip
    columns = ["variant", "measure", "final_low", "final", "final_high", "change", "thrust_low", "thrust", "thrust_high",
               "utilisation_low", "utilisation", "utilisation_high", "levels"]  # fmt: skip
    return WhatIf(section, pd.DataFrame(rows, columns=columns), analysis.data_until, analysis.confidence)


def what_if_map(
    analysis: BackAnalysis,
    section: str,
    across: tuple[str, Sequence[float]],
    up: tuple[str, Sequence[float]],
    measure: str = "settlement crown",
    samples: int = 40,
    seed: int = 0,
) -> WhatIfMap:
    """Movement, thrust and utilisation over two things that are varied together.

    Parameters
    ----------
    analysis, section, samples, seed
        As for `what_if`.
    across, up : tuple of str and sequence of float
        What is varied along each axis, one of `AXES`, and its values, rising.
    measure : str
        Label of the measure whose final value is mapped.

    Returns
    -------
    WhatIfMap
        Medians over the grid, with the design's own point.

    Raises
    ------
    ValueFault
        If an axis is not one of `AXES`, both are one, or the measure is not the section's.
    """
    place = _section_of(analysis, section)
    model, data = analysis.models[place], analysis.data[place]
    labels = [row.label for row in data.rows if row.kind == "final"]
    names = (across[0], up[0])
    if any(name not in AXES for name in names) or names[0] == names[1]:
        raise ValueFault(f"what-if map: axes {names}; expected two of {', '.join(AXES)}. To mend: name two of them.")
    if measure not in labels:
        raise ValueFault(f"what-if map: measure {measure!r}; expected one of {', '.join(labels)}. To mend: name one.")
    index = labels.index(measure)
    normal = analysis.draws.normal[analysis.draws.equal(min(samples, analysis.draws.weight.size))]
    shares = np.random.default_rng(seed).random(len(normal))
    base = predicted_rows(_answer(analysis, model, AS_DESIGNED, normal)[1], data)[:, index]
    shape = (len(up[1]), len(across[1]))
    final, thrust, used, high = (np.empty(shape) for _ in range(4))
    for at_up, upward in enumerate(up[1]):
        for at_across, sideways in enumerate(across[1]):
            values = {names[0]: float(sideways), names[1]: float(upward)}
            variant = Variant("map", **{name: values.get(name) for name in AXES})
            changed, response, ground, lining = _answer(analysis, model, variant, normal)
            moved = predicted_rows(response, data)[:, index] - base
            carried = balance_thrust(changed, response, shares)
            spent = balance_utilisation(changed, response, ground, lining, carried)
            final[at_up, at_across] = data.rows[index].value + np.median(moved)
            thrust[at_up, at_across] = np.median(carried)
            used[at_up, at_across] = np.median(spent)
            high[at_up, at_across] = _quantiles(spent, 0.5 * (1.0 - analysis.confidence))[2]
    design = tuple(_design_value(model, name) for name in names)
    levels = tuple(
        (level.name, float(level.value)) for trigger in _triggers(analysis.settings, section, measure)
        if trigger.since == "zero reading" for level in trigger.levels
    )  # fmt: skip
    return WhatIfMap(
        section, measure, names, tuple(AXES[name] for name in names), np.asarray(across[1], dtype=np.float64),
        np.asarray(up[1], dtype=np.float64), final, thrust, used, high, (design[0], design[1]), levels,
        analysis.data_until, analysis.confidence,
    )  # fmt: skip


def path_in_rounds(path: FacePath, length: float) -> FacePath:
    """The same advance blasted in rounds of another length, the section in the middle of one.

    Parameters
    ----------
    path : FacePath
        How the face moved.
    length : float
        Round length [m], > 0.

    Returns
    -------
    FacePath
        Stands until the old face has come to the end of a round, then jumps there.
    """
    low, high = float(path.distance[0]), float(path.distance[-1])
    ends = np.arange(np.ceil((low - 0.5 * length) / length), np.floor((high - 0.5 * length) / length) + 1.0)
    ends = ends * length + 0.5 * length
    ends = ends[(ends > low) & (ends <= high)]
    times = time_at_distance(path, ends)
    before = np.concatenate([[low], ends[:-1]])
    time = np.concatenate([[path.time[0]], np.stack([times, times], axis=1).ravel(), [path.time[-1]]])
    last = ends[-1] if ends.size else low
    distance = np.concatenate([[low], np.stack([before, ends], axis=1).ravel(), [last]])
    return FacePath(time, distance)


def _answer(
    analysis: BackAnalysis, model: SectionModel, variant: Variant, normal: FloatArray
) -> tuple[SectionModel, Response, Mapping[str, FloatArray], Mapping[str, FloatArray]]:
    """Model, answer and numbers of a variant."""
    changed, design = _changed(model, variant)
    ground, lining, _ = values_at(analysis.priors, normal)
    values = dict(lining)
    if variant.thickness is not None:
        values.pop("thickness", None)
    if variant.later is not None:
        values["later"] = np.full(1, variant.later)
    if variant.closure_distance is not None:
        values["closure_distance"] = np.full(1, variant.closure_distance)
    if variant.stiffness is not None:
        given = design.modulus
        if given is None:
            raise ValueFault("what-if: no modulus in [lining]; expected one. To mend: add modulus_mpa.")
        values["modulus"] = variant.stiffness * values.get("modulus", np.full(1, given.value))
    numbers = dict(ground)
    if "release_at_support" in numbers or model.ground.release_at_support is not None:
        numbers["release_at_support"] = _moved_release(model, changed, numbers, lining, values, len(normal))
    return changed, changed.respond(numbers, values), numbers, values


def _moved_release(
    model: SectionModel,
    changed: SectionModel,
    ground: Mapping[str, FloatArray],
    before: Mapping[str, FloatArray],
    after: Mapping[str, FloatArray],
    count: int,
) -> FloatArray:
    """Release at the first layer of the variant: the profile that the posterior found, read where that layer comes now."""
    given = model.ground.release_at_support
    known = ground.get("release_at_support", np.full(1, given.value if given else np.nan))
    places = [float(np.log(case.profile_share(values))) for case, values in ((model, before), (changed, after))]
    return np.asarray(np.broadcast_to(np.clip(known ** (places[1] / places[0]), 1e-4, 1.0 - 1e-4), (count,)))


def _changed(model: SectionModel, variant: Variant) -> tuple[SectionModel, LiningAssumptions]:
    """The section's model with what a variant changes in the design itself."""
    design = model.lining
    if design is None or not design.layers or design.thickness is None:
        raise ValueFault("what-if: the design has no lining; expected layers. To mend: add a thickness to [lining].")
    if variant.thickness is not None:
        factor = variant.thickness / design.thickness.value
        layers = tuple(
            LayerAssumption(
                dataclasses.replace(
                    layer.thickness, value=layer.thickness.value * factor, low=layer.thickness.low * factor,
                    high=layer.thickness.high * factor,
                ),
                layer.delay, layer.face_distance,
            )
            for layer in design.layers
        )  # fmt: skip
        design = dataclasses.replace(design, layers=layers)
    if variant.age_curve:
        design = dataclasses.replace(design, age_curve=variant.age_curve, ages=())
    paths = dict(model.paths)
    if variant.round_length is not None:
        leading = next(iter(paths))
        paths[leading] = path_in_rounds(paths[leading], variant.round_length)
    return dataclasses.replace(model, lining=design, paths=paths), design


def _section_of(analysis: BackAnalysis, section: str) -> int:
    if section not in analysis.sections:
        raise ValueFault(
            f"what-if: section {section!r}; expected one of {', '.join(analysis.sections)}. To mend: name one of them."
        )
    return analysis.sections.index(section)


def _design_value(model: SectionModel, name: str) -> float:
    """Where the design stands on an axis; NaN where it has no such number."""
    design = model.lining
    if name == "thickness":
        return design.thickness.value if design is not None and design.thickness is not None else float("nan")
    if name == "closure_distance":
        return design.closure_distance.value if design is not None and design.closure_distance else float("nan")
    if name == "round_length":
        steps = np.diff(np.unique(model.leading.distance))
        return float(np.median(steps[steps > 0.2])) if np.any(steps > 0.2) else float("nan")
    return {"later": 0.0, "stiffness": 1.0}[name]


def _triggers(settings: Settings, section: str, label: str) -> list[Trigger]:
    """Triggers with levels of movement that apply to a measure."""
    return [
        trigger for trigger in settings.triggers
        if trigger.quantity == "value" and label.split(" ")[0] == trigger.measure and trigger.expected is None
        and (not trigger.sections or section in trigger.sections)
        and (not trigger.positions or any(position in label for position in trigger.positions))
    ]  # fmt: skip


def _level_words(settings: Settings, section: str, label: str, drawn: FloatArray, lost: FloatArray) -> str:
    """Probability of each level at the horizon, in words."""
    found = []
    for trigger in _triggers(settings, section, label):
        values = drawn + (lost if trigger.since == "excavation" else 0.0)
        if trigger.measure == "transverse":
            values = np.abs(values)
        for level in trigger.levels:
            share = float(np.mean(values >= level.value if level.value >= 0.0 else values <= level.value))
            found.append(f"{level.name} {level.value:g}: {share:.0%}")
    return ", ".join(found)


def _lost_of(data: SectionData, prisms: str, label: str, drawn: FloatArray) -> FloatArray:
    """Draws of the lost part of a measure [mm]; 0 where none is given."""
    for index, row in enumerate(data.rows):
        if row.kind == "lost" and row.label == label and row.prisms == prisms:
            return drawn[:, index]
    return np.zeros(len(drawn))


def _quantiles(values: FloatArray, tail: float) -> list[float]:
    """Quantiles of numbers some of which may be infinite; NaN if one is not known."""
    if np.isnan(values).any():
        return [float("nan")] * 3
    ordered = np.sort(values)
    return [float(ordered[round(share * (ordered.size - 1))]) for share in (tail, 0.5, 1.0 - tail)]
