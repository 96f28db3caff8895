"""What changes if the lining is thicker, sooner, stiffer, closed earlier, or the rounds are shorter.

A variant changes the model's answer, not the ground: the change of movement by each sample of the posterior is put on
what the section is projected to do, so that the design as it is reproduces the projection itself, and sinking or
lopsided movement, which the model does not have, stays as it was found.
"""

from __future__ import annotations

import dataclasses
from collections.abc import Mapping, Sequence

import numpy as np
import pandas as pd

from convergence.errors import ValueFault
from convergence.job.design_assumptions import LayerAssumption, LiningAssumptions
from convergence.laws.arrays import FloatArray
from convergence.lining.back_analysis import CONSTRUCTION_ERROR, predicted_rows, refuse_early_closure
from convergence.lining.back_analysis_data import SectionData
from convergence.lining.back_analysis_model import Response, SectionModel
from convergence.lining.back_analysis_prior import sampled, values_at
from convergence.lining.back_analysis_result import BackAnalysis
from convergence.lining.demand_balance import Utilisation, balance_thrust, balance_utilisation
from convergence.lining.rounds import path_in_rounds
from convergence.lining.what_if_levels import Drawn, drawn_total, holds_at_horizon, level_words, triggers_for
from convergence.lining.what_if_result import WhatIf, WhatIfMap, quantiles
from convergence.lining.what_if_variant import AS_DESIGNED, AXES, Variant

COLUMNS = (
    "variant", "measure", "final_low", "final", "final_high", "change", "total_change", "thrust_low", "thrust",
    "thrust_high", "utilisation_low", "utilisation", "utilisation_high", "worst_age", "worst_at", "utilisation_end",
    "note", "levels",
)  # fmt: skip


def what_if(
    analysis: BackAnalysis, section: str, variants: Sequence[Variant], samples: int = 100, seed: int = 0
) -> WhatIf:
    """Final movement, thrust and utilisation of a section under changes of its lining and rounds.

    Strength is drawn from its range for the utilisation; radius and the times of layers stand at their value.

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
        A row a variant and measure, since the zero reading, with bands and probabilities of the trigger levels, and
        with a warning where the posterior is not to be trusted.

    Raises
    ------
    ValueFault
        If the section is not of the analysis, there is no lining, or a variant asks for what it has not or cannot have.
    """
    place = _section_of(analysis, section)
    model, data = analysis.models[place], analysis.data[place]
    _refuse_few(samples)
    _refuse_odd(variants)
    normal = analysis.draws.normal[analysis.draws.equal(min(samples, analysis.draws.weight.size))]
    generator = np.random.default_rng(seed)
    shares = generator.random(len(normal))
    errors = generator.standard_normal(len(normal))
    around = generator.standard_normal((len(normal), len(data.rows)))
    strong = generator.standard_normal(len(normal))
    # measures of a section go up and down together for the most part; each one's own band is what is asked for here
    base = _answer(analysis, model, AS_DESIGNED, normal)
    rows, tail = [], 0.5 * (1.0 - analysis.confidence)
    for variant in [AS_DESIGNED, *variants]:
        changed, response, ground, lining = _answer(analysis, model, variant, normal)
        change = predicted_rows(response, data) - predicted_rows(base[1], data)
        whole = _end(response, data) - _end(base[1], data)
        unsure = 1.0 + 2.0 * CONSTRUCTION_ERROR[model.ground.strength] * errors[:, None]
        change, whole = change * unsure, whole * unsure
        ends = _ends(analysis, _used(changed, response, ground, lining, shares, strong), tail)
        for index, row in enumerate(data.rows):
            if row.kind != "final":
                continue
            final = row.value + row.deviation * around[:, index] + change[:, index]
            total = drawn_total(row, data, around[:, index]) + whole[:, index]
            rules = triggers_for(analysis.settings.triggers, row, analysis.data_until)
            rows.append(
                [
                    variant.name,
                    row.label,
                    *np.quantile(final, (tail, 0.5, 1.0 - tail)),
                    float(np.median(change[:, index])),
                    float(np.median(whole[:, index])),
                    *ends,
                    level_words(rules, model, Drawn(final, total)),
                ]
            )
    table = pd.DataFrame(rows, columns=COLUMNS)
    return WhatIf(section, table, analysis.data_until, analysis.confidence, analysis.warning)


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
        If an axis is not one of `AXES`, both are one, its values do not rise, or the measure is not the section's.
    """
    place = _section_of(analysis, section)
    model, data = analysis.models[place], analysis.data[place]
    labels = [row.label for row in data.rows if row.kind == "final"]
    for axis in (across, up):
        if isinstance(axis, str) or not isinstance(axis, Sequence) or len(axis) != 2 or isinstance(axis[1], str):
            raise ValueFault(
                f'what-if map: axis {axis!r}; expected a name and its values. To mend: give ("thickness", [0.2, 0.3]).'
            )
    names = (across[0], up[0])
    if any(name not in AXES for name in names) or names[0] == names[1]:
        raise ValueFault(f"what-if map: axes {names}; expected two of {', '.join(AXES)}. To mend: name two of them.")
    for name, given in (across, up):
        if not _rise(given):
            raise ValueFault(
                f"what-if map: values of {name} {given!r}; expected two or more, rising. To mend: sort them, and "
                "give each once."
            )
    if measure not in labels:
        raise ValueFault(f"what-if map: measure {measure!r}; expected one of {', '.join(labels)}. To mend: name one.")
    _refuse_few(samples)
    index = labels.index(measure)
    normal = analysis.draws.normal[analysis.draws.equal(min(samples, analysis.draws.weight.size))]
    generator = np.random.default_rng(seed)
    shares, strong = generator.random(len(normal)), generator.standard_normal(len(normal))
    base = predicted_rows(_answer(analysis, model, AS_DESIGNED, normal)[1], data)[:, index]
    shape = (len(up[1]), len(across[1]))
    final, thrust, used, high = (np.empty(shape) for _ in range(4))
    for at_up, upward in enumerate(up[1]):
        for at_across, sideways in enumerate(across[1]):
            values = {names[0]: float(sideways), names[1]: float(upward)}
            variant = Variant(
                "map",
                thickness=values.get("thickness"),
                later=values.get("later"),
                closure_distance=values.get("closure_distance"),
                stiffness=values.get("stiffness"),
                round_length=values.get("round_length"),
            )
            changed, response, ground, lining = _answer(analysis, model, variant, normal)
            moved = predicted_rows(response, data)[:, index] - base
            carried, spent = _used(changed, response, ground, lining, shares, strong)
            final[at_up, at_across] = data.rows[index].value + np.median(moved)
            thrust[at_up, at_across] = np.median(carried)
            _, used[at_up, at_across], high[at_up, at_across] = quantiles(
                spent.worst, 0.5 * (1.0 - analysis.confidence)
            )
    design = tuple(_design_value(model, name) for name in names)
    rules = triggers_for(analysis.settings.triggers, data.rows[index], analysis.data_until)
    levels = tuple(
        (f"{trigger.name} {level.name}", float(level.value)) for trigger in rules
        if trigger.since == "zero reading" and holds_at_horizon(trigger, model) for level in trigger.levels
    )  # fmt: skip
    left_out = tuple(
        trigger.name for trigger in rules if trigger.since != "zero reading" or not holds_at_horizon(trigger, model)
    )
    return WhatIfMap(
        section, measure, names, tuple(AXES[name] for name in names), np.asarray(across[1], dtype=np.float64),
        np.asarray(up[1], dtype=np.float64), final, thrust, used, high, (design[0], design[1]), levels,
        analysis.data_until, analysis.confidence, analysis.warning, left_out,
    )  # fmt: skip


def _used(
    model: SectionModel,
    response: Response,
    ground: Mapping[str, FloatArray],
    lining: Mapping[str, FloatArray],
    shares: FloatArray,
    strong: FloatArray,
) -> tuple[FloatArray, Utilisation]:
    """Thrust at the end and utilisation, the strength drawn from its range; NaN where no lining has come."""
    values = dict(lining)
    if model.lining is not None and model.lining.strength is not None:
        values["strength"] = sampled(model.lining.strength, strong)
    comes = np.broadcast_to(response.installed, shares.shape) < response.balance.time[-1]
    thrust = np.where(comes, balance_thrust(model, response, shares), np.nan)
    return thrust, balance_utilisation(model, response, ground, values, shares)


def _ends(analysis: BackAnalysis, found: tuple[FloatArray, Utilisation], tail: float) -> list[float | str]:
    """Thrust and utilisation of a variant as its rows show them."""
    thrust, used = found
    note = ""
    if np.isnan(thrust).any():
        note = "no lining by the end" if np.isnan(thrust).all() else "no lining by the end in some samples"
    elif np.isnan(used.worst).any():
        note = "no strength in [lining]"
    worst = quantiles(used.worst, tail)
    day, age = (float("nan"),) * 2
    if not np.isnan(worst[1]):
        # the sample that stands at the median, so that day and age belong to one calculation
        middle = int(np.argmin(np.abs(np.nan_to_num(used.worst, posinf=1e30) - min(worst[1], 1e30))))
        day, age = float(used.day[middle]), float(used.age[middle])
    return [*quantiles(thrust, tail), *worst, age, analysis.date(day), quantiles(used.end, tail)[1], note]


def _answer(
    analysis: BackAnalysis, model: SectionModel, variant: Variant, normal: FloatArray
) -> tuple[SectionModel, Response, Mapping[str, FloatArray], Mapping[str, FloatArray]]:
    """Model, answer and numbers of a variant."""
    changed, design = _changed(model, variant)
    ground, lining, _ = values_at(analysis.priors, normal)
    values = dict(lining)
    if variant.thickness is not None and "thickness" in values:
        # what is built is off from what is asked for as much as before, in proportion
        values["thickness"] = values["thickness"] * (variant.thickness / float(model.thickness({})))
    if variant.later is not None:
        values["later"] = np.full(1, variant.later)
    if variant.closure_distance is not None:
        planned = None if model.lining is None else model.lining.closure_distance
        known = values.get("closure_distance")
        if known is not None and planned is not None and planned.value > 0.0:
            values["closure_distance"] = known * (variant.closure_distance / planned.value)
        else:
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
    """Release at the first layer of the variant: the posterior's profile, read where that layer comes now."""
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
        if variant.thickness >= model.radius:
            raise ValueFault(
                f"what-if {variant.name!r}: thickness = {variant.thickness:g} m; expected below the radius of the "
                f"tunnel, {model.radius:g} m. To mend: correct it."
            )
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
    sooner = -(variant.later or 0.0)
    if sooner > 0.0:
        first = float(np.min([np.max(day) for day in model.built({}).installed])) - model.leading.passage()
        if sooner > first + 1e-9:
            raise ValueFault(
                f"what-if {variant.name!r}: later = {variant.later:g} days; expected not before the face, the first "
                f"layer comes {first:.3g} days after it: {-first:.3g} or more. To mend: correct it."
            )
    paths = dict(model.paths)
    if variant.round_length is not None:
        leading = next(iter(paths))
        paths[leading] = path_in_rounds(paths[leading], variant.round_length / _built_round(model))
    changed = dataclasses.replace(model, lining=design, paths=paths)
    if variant.closure_distance is not None:
        refuse_early_closure(changed, f"what-if {variant.name!r}", variant.closure_distance)
    return changed, design


def _refuse_few(samples: int) -> None:
    if samples < 1:
        raise ValueFault(f"what-if: samples = {samples}; expected 1 or more. To mend: correct it.")


def _refuse_odd(variants: Sequence[Variant]) -> None:
    """Refuse what is no list of variants, and two of one name: a table could not tell them apart."""
    if isinstance(variants, Variant | str) or not isinstance(variants, Sequence):
        raise ValueFault(f"what-if: variants {variants!r}; expected a list of Variant. To mend: put it into brackets.")
    strange = [item for item in variants if not isinstance(item, Variant)]
    if strange:
        raise ValueFault(
            f'what-if: {strange[0]!r} among the variants; expected Variant. To mend: write Variant("name", '
            "thickness=0.35)."
        )
    names = [AS_DESIGNED.name, *(item.name for item in variants)]
    twice = sorted({name for name in names if names.count(name) > 1})
    if twice:
        raise ValueFault(f"what-if: two variants are named {twice[0]!r}; expected one each. To mend: rename one.")


def _rise(values: Sequence[float]) -> bool:
    """Whether there are two or more numbers, each above the one before."""
    given = list(np.ravel(np.asarray(values, dtype=object)))
    real = all(isinstance(number, int | float | np.number) and not isinstance(number, bool) for number in given)
    return real and len(given) > 1 and bool(np.all(np.diff(np.array(given, dtype=np.float64)) > 0.0))


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
        return model.usual_round
    return {"later": 0.0, "stiffness": 1.0}[name]


def _built_round(model: SectionModel) -> float:
    """Usual length of the rounds as built [m]."""
    if not model.usual_round > 0.0:
        raise ValueFault(
            "what-if: round_length is varied, but no round is logged near the section; expected two or more rounds in "
            "advance.csv. To mend: add them, or leave round_length out."
        )
    return model.usual_round


def _end(response: Response, data: SectionData) -> FloatArray:
    """Movement of the rows at the end since the ground was undisturbed [mm]."""
    return np.asarray(
        np.concatenate(response.movement_at(float(response.balance.time[-1]), data.angles), axis=1) @ data.onto.T
    )
