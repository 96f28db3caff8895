"""From projected final movements back to what ground and lining must be like, and to what they do not tell.

Prisms see the wall, not the ground: stress and stiffness act on them as a quotient, and much else hides behind the
release at the support. So the answer is a posterior of everything the design gave a range for, with what was learned
and what was not.
"""

from __future__ import annotations

import dataclasses
from collections.abc import Sequence

import numpy as np

from convergence.errors import ValueFault
from convergence.job.advance import FaceLog
from convergence.job.design_assumptions import GroundAssumptions, LiningAssumptions
from convergence.job.schema import Stage
from convergence.laws.arrays import FloatArray, floats
from convergence.lining.back_analysis_data import SectionData, section_data
from convergence.lining.back_analysis_model import CLOSE, Response, SectionModel
from convergence.lining.back_analysis_parts import Errors, HeldOut
from convergence.lining.back_analysis_posterior import Draws, Likelihood, sample_posterior
from convergence.lining.back_analysis_prior import Prior, design_priors, values_at
from convergence.lining.back_analysis_result import BackAnalysis
from convergence.projection.result import Projection
from convergence.survey.job import Job

CONSTRUCTION_ERROR = {"elastic": 0.04, "mohr coulomb": 0.12, "hoek brown": 0.12}
"""Standard deviation of what the plane construction gets wrong in all movements alike, over the movement: from 0.4 to
7 % too much against elastic finite-element tunnels, 3 to 19 % in plastic ground (see `convergence.lining.held`)."""
BATCH = 500


def back_analysis(
    job: Job,
    projection: Projection,
    sections: str | Sequence[str],
    ground: GroundAssumptions | None = None,
    lining: LiningAssumptions | None = None,
    held_out: str = "",
    sinking: float = 0.5,
    variation: float = 0.15,
    samples: int = 600,
    seed: int = 0,
) -> BackAnalysis:
    """What the projected finals of sections say of ground and lining.

    Parameters
    ----------
    job : Job
        The job; its ``[ground]`` and ``[lining]`` are the priors unless others are given.
    projection : Projection
        The job projected; finals and lost parts with their uncertainty come from it.
    sections : str or sequence of str
        One section, or several in the same ground, analysed together.
    ground, lining : GroundAssumptions, LiningAssumptions, optional
        In place of the job's tables. Ranges are the middle 90 % of the prior.
    held_out : str
        One of the sections that is kept back and predicted from the others; nothing is held out if empty.
    sinking : float
        How far a section may sink as a whole, which the model does not describe: standard deviation over the root mean
        square movement of the section [-]; half of it sideways. Common practice, no source.
    variation : float
        How much the movement differs between sections of the same ground, standard deviation over the movement [-];
        common practice, no source.
    samples : int
        Samples a round, 200 or more; rounds go on until so many effective ones are there.
    seed : int
        Of the random numbers.

    Returns
    -------
    BackAnalysis
        Parameters, combinations, correlations, misfits, and what was not learned.

    Raises
    ------
    ValueFault
        If ground or the radius is not given, a section is not projected, or nothing has a range.
    """
    soil = ground or job.settings.ground
    built = lining or job.settings.lining
    if soil is None:
        raise ValueFault(
            "back-analysis: the job has no [ground]; expected the design's assumptions. To mend: add [ground] with "
            "ranges to tunnel.toml, or pass ground=GroundAssumptions(...)."
        )
    names = [sections] if isinstance(sections, str) else list(dict.fromkeys(sections))
    if not names:
        raise ValueFault("back-analysis: no section; expected one or more. To mend: name a section that is projected.")
    if held_out and (held_out not in names or len(names) < 2):
        raise ValueFault(
            f"back-analysis: held out {held_out!r} of {names}; expected one of two or more sections. To mend: name one."
        )
    if samples < 200 or sinking < 0.0 or variation < 0.0:
        raise ValueFault(
            f"back-analysis: samples {samples}, sinking {sinking}, variation {variation}; expected 200 or more, and "
            "numbers not below 0. To mend: correct them."
        )
    pairs = [section_case(job, projection, name, soil, built) for name in names]
    fitted = [place for place, name in enumerate(names) if name != held_out]
    priors = design_priors(soil, built, pairs[fitted[0]][0].profile_release())
    draws, errors = analyse([pairs[place] for place in fitted], priors, sinking, variation, samples, seed)
    found = BackAnalysis(
        tuple(names[place] for place in fitted), priors, draws, tuple(pairs[place][1] for place in fitted),
        tuple(pairs[place][0] for place in fitted), errors, str(job.instant(projection.data_until))[:16],
        projection.confidence, job.settings, None, job.epoch,
    )  # fmt: skip
    if not held_out:
        return found
    model, own = pairs[names.index(held_out)]
    kept = draws.equal(min(400, draws.weight.size))
    predicted, error = _predict([(model, own)], priors, draws.normal[kept])
    kept_back = _held_out(own, predicted, error, sinking, variation, soil.strength, projection.confidence, seed)
    return found.with_held_out(dataclasses.replace(kept_back, warning=found.warning))


def section_case(
    job: Job,
    projection: Projection,
    section: str,
    ground: GroundAssumptions,
    lining: LiningAssumptions | None,
) -> tuple[SectionModel, SectionData]:
    """Model and data of one section of a job."""
    if section not in projection.sections:
        raise ValueFault(
            f"section {section!r} is not projected; expected one of {', '.join(projection.sections)}. To mend: correct "
            "the name."
        )
    radius = (
        lining.radius.value if lining is not None and lining.radius is not None else 0.5 * job.settings.tunnel.width
    )
    projected = projection.sections[section]
    prisms = {prism.name: prism for prism in job.folder.prisms if prism.section == section}
    data = section_data(projected, prisms, radius)
    paths = {stage: track.path(projected.chainage) for stage, track in projection.tracks.items()}
    for stage, path in paths.items():
        if path.begins_past:
            raise ValueFault(
                f"section {section}: the face of {stage} was {float(path.distance[0]):.1f} m past it when the advance "
                "log begins, so when it passed and what was released before is not known; expected a log that begins "
                "before the section. To mend: add the earlier rounds to advance.csv, or leave the section out."
            )
    weights = stage_weights(job.settings.stages, tuple(paths))
    log = job.folder.advance.get(next(iter(paths), ""))
    rounds = float("nan") if log is None else logged_round(log, projected.chainage, CLOSE * radius)
    model = SectionModel(ground, lining, radius, paths, weights, float(projected.dates[-1]), data.angles, rounds)
    refuse_early_closure(model, f"section {section}")
    return model, data


def refuse_early_closure(model: SectionModel, words: str, closure_distance: float | None = None) -> None:
    """Refuse a ring that closes before its first layer, by the section's own log; as designed, or at a distance."""
    design = model.lining
    if design is None or not design.layers or (design.closure_distance is None and closure_distance is None):
        return
    built = model.built({} if closure_distance is None else {"closure_distance": floats(closure_distance)})
    sprayed, closed = float(np.max(floats(built.layers[0].sprayed))), float(np.min(floats(built.closed)))
    if closed < sprayed - 1e-9 and sprayed <= model.until:
        known = design.closure_distance.value if design.closure_distance is not None else float("nan")
        raise ValueFault(
            f"{words}: the ring closes {sprayed - closed:.3g} days before its first layer is sprayed, when the face is "
            f"{known if closure_distance is None else closure_distance:g} m past; expected not before it. To mend: "
            "correct the closing distance or the time of the layer."
        )


def logged_round(log: FaceLog, chainage: float, reach: float) -> float:
    """Usual length of the rounds by the log within a reach of a section [m]; of the whole log where none is there."""
    near = np.abs(log.chainage[1:] - chainage) <= reach
    steps = np.abs(np.diff(log.chainage))
    return float(np.median(steps[near])) if near.any() else log.usual_round


def stage_weights(stages: Sequence[Stage], logged: Sequence[str]) -> dict[str, float]:
    """Share of the release by each stage with a log: its share of the opening's area, an assumption; they add up to 1.

    A stage without a share gets the mean of what the others leave.
    """
    given = {stage.name: stage.share for stage in stages if stage.name in logged}
    left = max(1.0 - sum(share for share in given.values() if share is not None), 0.0)
    missing = [name for name, share in given.items() if share is None]
    whole = {name: (left / len(missing) if share is None else share) for name, share in given.items()}
    total = sum(whole.values())
    if not total > 0.0:
        return {name: 1.0 / len(given) for name in given}
    return {name: share / total for name, share in whole.items()}


def analyse(
    cases: Sequence[tuple[SectionModel, SectionData]],
    priors: tuple[Prior, ...],
    sinking: float,
    variation: float,
    samples: int,
    seed: int,
) -> tuple[Draws, Errors]:
    """Posterior of the parameters, and the errors of the data under the model."""
    data = np.concatenate([own.values for _, own in cases])
    errors = _errors([own for _, own in cases], sinking, variation, cases[0][0].ground.strength)
    likelihood = Likelihood.of(data, errors.own + errors.common, errors.model, errors.relative)
    draws = sample_posterior(lambda normal: _predict(cases, priors, normal), likelihood, len(priors), samples, seed)
    return draws, errors


def predicted_rows(response: Response, data: SectionData) -> FloatArray:
    """Predicted numbers of a section's rows [mm], shape (samples, rows)."""
    end = np.concatenate(response.movement_at(float(response.balance.time[-1]), data.angles), axis=1)
    before: dict[float, FloatArray] = {}
    found = []
    for row, onto in zip(data.rows, data.onto, strict=True):
        if row.zero not in before:
            before[row.zero] = np.concatenate(response.movement_at(row.zero, data.angles), axis=1)
        found.append((end - before[row.zero] if row.kind == "final" else before[row.zero]) @ onto)
    return np.stack(found, axis=1)


def _predict(
    cases: Sequence[tuple[SectionModel, SectionData]], priors: tuple[Prior, ...], normal: FloatArray
) -> tuple[FloatArray, FloatArray]:
    """Predictions of all rows and the model's error, in batches that fit into a cache."""
    parts, errors = [], []
    for start in range(0, len(normal), BATCH):
        ground, lining, error = values_at(priors, normal[start : start + BATCH])
        parts.append(
            np.concatenate([predicted_rows(model.respond(ground, lining), own) for model, own in cases], axis=1)
        )
        errors.append(error)
    return np.concatenate(parts), np.concatenate(errors)


def _errors(data: Sequence[SectionData], sinking: float, variation: float, strength: str) -> Errors:
    """Errors of all numbers together, the plane construction's and those between sections among them."""
    size = sum(len(own.rows) for own in data)
    own_part, common, model = (np.zeros((size, size)) for _ in range(3))
    relative = [np.full((size, 1), CONSTRUCTION_ERROR[strength])]
    start = 0
    for own in data:
        part = slice(start, start + len(own.rows))
        shifts = own.shifts() * own.scale * sinking * np.array([1.0, 0.5])
        own_part[part, part] = own.own
        common[part, part] = shifts @ shifts.T
        model[part, part] = own.model_error()
        shared = np.zeros((size, 3))
        shared[part, :2] = own.relative
        shared[part, 2] = variation
        relative.append(shared)
        start = part.stop
    return Errors(own_part, common, model, np.concatenate(relative, axis=1))


def _held_out(
    own: SectionData,
    predicted: FloatArray,
    error: FloatArray,
    sinking: float,
    variation: float,
    strength: str,
    confidence: float,
    seed: int,
) -> HeldOut:
    """Prediction of a section that was not used, with everything that makes it uncertain but its own readings."""
    generator = np.random.default_rng(seed + 1)
    count, size = predicted.shape
    # errors in proportion go with what is predicted: the section's own movement must not be known here
    middle = np.median(predicted, axis=0)
    scale = float(np.sqrt(np.mean(middle[own.lost == 0.0] ** 2)))
    common = np.hypot(CONSTRUCTION_ERROR[strength], variation) * generator.standard_normal((count, 1))
    shifts = generator.standard_normal((count, 2)) @ (own.shifts() * scale * sinking * np.array([1.0, 0.5])).T
    points = generator.standard_normal((count, own.onto.shape[1])) @ own.onto.T
    points = error[:, None] * scale * points * np.where(own.lost > 0.0, 0.5, 1.0)
    drawn = predicted * (1.0 + common) + shifts + points
    parts = {
        "ground and lining": predicted.std(axis=0),
        "construction and variation between sections": np.abs(middle) * common.std(),
        "sinking of the section": shifts.std(axis=0),
        "the model at each prism": points.std(axis=0),
    }
    return HeldOut(own, np.asarray(drawn[:, :size]), confidence, parts)
