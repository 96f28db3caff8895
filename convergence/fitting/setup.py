"""From a series and what the user asks for to a model: which stages, what is free, what is held."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from difflib import get_close_matches
from typing import Literal

import numpy as np

from convergence.errors import ValueFault
from convergence.fitting.model import Model
from convergence.laws.registry import Law
from convergence.laws.registry import law as law_named
from convergence.measures.series import Series

Zero = Literal["free", "exact"]

ALL_STAGES = "all"
DEFAULT_LAW = "hereditary"


def chosen_law(law: str | Law) -> Law:
    """Give the law itself for its name."""
    return law_named(law) if isinstance(law, str) else law


def check_sigma(sigma: float | None) -> None:
    """Raise if the standard deviation of a reading is not a number above 0."""
    if sigma is not None and not (math.isfinite(sigma) and sigma > 0):
        raise ValueFault(
            f"sigma: found {sigma}, expected a standard deviation above 0 mm. To mend: give it in mm, or leave it out."
        )


def chosen_stage(series: Series, stage: str | None, known: Sequence[str] | None = None) -> str:
    """Give the stage a fit is for: the only one, or all where the job has several.

    Parameters
    ----------
    series : Series
    stage : str or None
        A stage of the job, "all", or None for the usual choice.
    known : Sequence of str, optional
        Stages of the whole job, where this series may lack some; usually those of the series.

    Returns
    -------
    str

    Raises
    ------
    ValueFault
        If there is no such stage.
    """
    names = tuple(series.paths) if known is None else tuple(known)
    if stage is None:
        return names[0] if len(names) == 1 else ALL_STAGES
    if stage != ALL_STAGES and stage not in names:
        raise ValueFault(
            f"stage of the fit of {series.label!r} in section {series.section!r}: found {stage!r}, expected "
            f"{', '.join(repr(name) for name in names)} or 'all'. To mend: name a stage of the job."
        )
    return stage


def job_stages(series: Sequence[Series]) -> tuple[str, ...]:
    """List the stages of all series in the order of the job, as far as the series tell it."""
    return tuple(dict.fromkeys(name for each in series for name in each.paths))


def passed_stages(series: Series, stage: str) -> tuple[str, ...]:
    """List the stages asked for whose face passed the section before the last reading."""
    if series.time.size == 0:
        return ()
    asked = {name: path for name, path in series.paths.items() if stage in (ALL_STAGES, name)}
    return tuple(name for name, path in asked.items() if path.passage() < series.time[-1])


def amplitude_names(law: Law, stages: Sequence[str], stage: str) -> tuple[str, ...]:
    """Name the amplitudes: the law's own name for one stage, with the stage added where all are fitted."""
    own = law.parameters[0].name
    return tuple(f"{own}_{name}" for name in stages) if stage == ALL_STAGES else (own,) * len(stages)


def build_model(
    series: Series,
    law: Law,
    stage: str,
    *,
    free: Sequence[str] | None = None,
    held: Mapping[str, float] | None = None,
    zero: Zero = "free",
    known: Sequence[str] | None = None,
) -> Model:
    """Put up the least-squares problem of one series.

    Parameters
    ----------
    series : Series
    law : Law
    stage : str
        One stage, or "all" for one amplitude a stage with the shape shared.
    free : Sequence of str, optional
        Parameters to estimate; None for all that neither ``held`` nor the law holds. Zero offsets are ruled
        by ``zero`` and not listed.
    held : Mapping of str to float, optional
        Values of parameters not to be estimated.
    zero : {"free", "exact"}
        Whether the zero reading has noise like any other (an offset for each segment is then free), or none.
    known : Sequence of str, optional
        Stages of the whole job, where this series may lack some; usually those of the series.

    Returns
    -------
    Model

    Raises
    ------
    ValueFault
        If a name is unknown, both free and held, neither, or a held value lies outside the bounds.
    """
    if zero not in ("free", "exact"):
        raise ValueFault(f"zero: found {zero!r}, expected 'free' or 'exact'. To mend: give one of the two.")
    stages = passed_stages(series, stage)
    amplitudes = amplitude_names(law, stages, stage)
    amplitude = law.parameters[0]
    parameters = [*((name, amplitude) for name in amplitudes), *((p.name, p) for p in law.parameters[1:])]
    shape_names = [parameter.name for parameter in law.parameters[1:]]
    job_stages = tuple(series.paths) if known is None else tuple(known)
    own = amplitude_names(law, job_stages if stage == ALL_STAGES else (stage,), stage)
    possible = [*own, *shape_names]
    held_values = dict(held or {})
    for name in held_values:
        _check_name(name, possible, law, "held")
    fixed = _fixed_values(law, possible, free, held_values)
    span = series.span if series.span > 0 else 1.0
    ranges = [law.bounds(parameter.name, series.width, span) for _, parameter in parameters]
    for (name, parameter), (low, high) in zip(parameters, ranges, strict=True):
        if name in held_values:
            _check_held(name, held_values[name], parameter.kind, parameter.unit, low, high)
    exact = zero == "exact"
    last_segment = int(series.segment[-1]) if series.time.size else 0
    segments = tuple(range(1 if exact else 0, last_segment + 1))
    start = 1 if exact else 0
    offsets = [f"zero_offset_{number}" for number in segments]
    nothing = [math.inf] * len(offsets)
    return Model(
        law=law,
        stages=stages,
        paths=tuple(series.paths[name] for name in stages),
        zero_time=float(series.time[0]) if series.time.size else math.nan,
        time=series.time[start:],
        value=series.value[start:],
        segment=series.segment[start:],
        names=(*(name for name, _ in parameters), *offsets),
        kinds=(*(p.kind for _, p in parameters), *("offset" for _ in offsets)),
        units=(*(p.unit for _, p in parameters), *("mm" for _ in offsets)),
        lower=np.array([*(low for low, _ in ranges), *(-bound for bound in nothing)]),
        upper=np.array([*(high for _, high in ranges), *nothing]),
        held=np.array([*(fixed.get(name, math.nan) for name, _ in parameters), *(math.nan for _ in offsets)]),
        width=series.width,
        span=span,
        offset_segments=segments,
    )


def _fixed_values(
    law: Law, possible: Sequence[str], free: Sequence[str] | None, held: Mapping[str, float]
) -> dict[str, float]:
    """Value of every parameter that is not to be estimated."""
    fixed = {**law.fixed, **held}
    if free is None:
        return fixed
    own = law.parameters[0].name
    if isinstance(free, str):
        raise ValueFault(f"free: found the text {free!r}, expected a list of names. To mend: write [{free!r}].")
    for name in free:
        _check_name(name, [*possible, own], law, "free")
        if name in held:
            raise ValueFault(
                f"free: found {name!r}, which is also held at {held[name]}. To mend: leave it out of one of the two."
            )
        fixed.pop(name, None)
    for name in possible:
        covered = name in free or (own in free and name.startswith(own))
        if not covered and name not in fixed:
            raise ValueFault(
                f"held: found no value for {name!r} of law {law.name!r}, which is not in free. "
                f"To mend: add it to free, or give its value in held."
            )
    return fixed


def _check_name(name: str, possible: Sequence[str], law: Law, where: str) -> None:
    """Raise if a parameter name is not one of this fit."""
    if name in possible:
        return
    nearest = get_close_matches(name, possible, n=1)
    hint = f"did you mean {nearest[0]!r}" if nearest else "use one of these"
    raise ValueFault(
        f"{where}: found the parameter {name!r}, expected one of {', '.join(possible)} for law {law.name!r}. "
        f"To mend: {hint}."
    )


def _check_held(name: str, value: float, kind: str, unit: str, low: float, high: float) -> None:
    """Raise if a held value is not finite or makes no sense for its kind; bounds of a fit do not bind it."""
    least = 0.0 if kind in ("ratio", "share") else -math.inf
    positive = kind in ("length", "time", "exponent")
    if not math.isfinite(value) or value < least or (positive and value <= 0):
        expected = "a number above 0" if positive else f"a number from {least:g} up" if least == 0 else "a number"
        raise ValueFault(
            f"held[{name!r}]: found {value} {unit}, expected {expected} (a fit would look from {low:.4g} to "
            f"{high:.4g} {unit}). To mend: give a finite value in {unit}."
        )
