"""Every series of a tunnel fitted at once, with a shape shared by each section or one of its own: many at a time."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Literal

import numpy as np
import numpy.typing as npt
import xarray as xr

from convergence.errors import ValueFault
from convergence.fitting.columns import QUICK_FAMILIES
from convergence.fitting.gram import readings_of
from convergence.fitting.section_fit import Question, fitted
from convergence.fitting.section_precision import SectionFits, section_fits
from convergence.fitting.section_table import SectionTable
from convergence.fitting.setup import ALL_STAGES, check_sigma, chosen_law, chosen_stage, job_stages
from convergence.fitting.status import SPARE_READINGS
from convergence.fitting.tunnel import attributes, labelled, refuse_doubles
from convergence.laws.registry import Law
from convergence.measures.series import Series

FloatArray = npt.NDArray[np.float64]
IntArray = npt.NDArray[np.int64]
Shape = Literal["section", "series"]

STRETCH = 1.4
"""Sections are worked on together while the longest has at most this many times the epochs of the shortest."""

LARGEST_GROUP = 4_000_000
"""Most readings of sections worked on together."""


@dataclass(frozen=True, eq=False)
class _Section:
    """The series of a section that can be fitted, on the epochs of all of them."""

    places: list[int]
    distance: FloatArray
    elapsed: FloatArray
    value: FloatArray
    segment: IntArray | None


def question_of(law: str | Law, held: Mapping[str, float] | None) -> Question:
    """Check that a law and what is held can be fitted by the section, and say what is asked.

    Parameters
    ----------
    law : str or Law
    held : Mapping of str to float or None
        Values of nonlinear parameters not to be estimated.

    Returns
    -------
    Question

    Raises
    ------
    ValueFault
        If the law needs the whole path of the face, or a held parameter is not one that bends it.
    """
    chosen = chosen_law(law)
    if chosen.family not in QUICK_FAMILIES:
        raise ValueFault(
            f"law: found {chosen.name!r} of the family {chosen.family!r}, expected one of {', '.join(QUICK_FAMILIES)}. "
            f"To mend: name another law, or fit the series one by one with shape=None."
        )
    bending = [p.name for p in chosen.parameters if p.kind not in ("amplitude", "ratio")]
    for name, value in (held or {}).items():
        if name not in bending or not (math.isfinite(value) and value > 0):
            raise ValueFault(
                f"held[{name!r}]: found {value}, expected a number above 0 for one of {', '.join(bending)}. "
                f"To mend: hold one of these, or fit the series one by one with shape=None."
            )
    fixed = {name: value for name, value in {**chosen.fixed, **(held or {})}.items() if name in bending}
    names = tuple(name for name in bending if name not in fixed)
    if not names:
        raise ValueFault(
            f"held: found every nonlinear parameter of law {chosen.name!r}, expected at least one free. "
            f"To mend: leave one out, or fit the series one by one with shape=None."
        )
    upper = tuple(chosen.bounds(p.name, 1.0, 1.0)[1] for p in chosen.parameters if p.kind == "ratio")
    return Question(chosen, names, fixed, upper)


def fit_sections(
    series: Sequence[Series],
    law: str | Law = "coupled",
    *,
    shape: Shape = "section",
    stage: str | None = None,
    held: Mapping[str, float] | None = None,
    sigma: float | None = None,
) -> xr.Dataset:
    r"""Fit one law to every series of a tunnel, all sections at once.

    .. math:: v_{ik} = A_i \big[B_0(\theta, t_k) + \sum_j m_{ij} B_j(\theta, t_k)\big] + z_{i g(k)}

    by least squares, with amplitude A, ratios m and offsets z of each series its own, and lengths, times and exponents
    theta either shared by the series of a section or each series' own. Amplitudes, ratios and offsets are projected
    out, so only theta is searched for: on a coarse grid of a thinned copy of the readings, from the best two cells to
    the minimum there, and from that on all readings. The columns B are worked out once for all series of a section.

    Parameters
    ----------
    series : Sequence of Series
        At least one; no label twice in a section.
    law : str or Law
        Of the families "face", "time" or "coupled".
    shape : {"section", "series"}
        What shares a shape.
    stage : str, optional
        The stage whose face moves the ground; may be left out where there is only one.
    held : Mapping of str to float, optional
        Lengths, times and exponents not to be estimated.
    sigma : float, optional
        Standard deviation of a reading [mm]; taken from the residuals unless given.

    Returns
    -------
    xarray.Dataset
        Fields as of `fit_all`. With a shared shape ``sigma`` and ``degrees_of_freedom`` are those of the section.

    Raises
    ------
    ValueFault
        If an option is not possible; `question_of` says which laws are.
    """
    check_sigma(sigma)
    question = question_of(law, held)
    refuse_doubles(series)
    stages = job_stages(series)
    which = chosen_stage(series[0], stage, stages)
    if which == ALL_STAGES:
        raise ValueFault(
            f"stage: found none of {', '.join(map(repr, stages))} chosen, expected one, because sections are fitted "
            f"for one stage at a time. To mend: name it, or fit the series one by one with shape=None."
        )
    if shape not in ("section", "series"):
        raise ValueFault(f"shape: found {shape!r}, expected 'section' or 'series'. To mend: give one of the two.")
    out = SectionTable(series, question)
    for group in _grouped(_sections(series, which, out)):
        places = np.array([one.places for one in group])
        out.enter(places, *_fits(question, out.frame, group, shape == "section", sigma))
    names = [p.name for p in question.law.parameters] + [f"zero_offset_{k}" for k in range(out.segments)]
    units = [p.unit for p in question.law.parameters] + ["mm"] * out.segments
    attrs = {**attributes(question.law, stage, sigma), "shape": f"one for each {shape}"}
    return labelled(out.table(), series, names, units, attrs)


def _sections(series: Sequence[Series], stage: str, out: SectionTable) -> list[_Section]:
    """Put the series of each section on common epochs; those that cannot be fitted get their reason."""
    least = len(out.free_names) + SPARE_READINGS
    by_section: dict[str, list[int]] = {}
    for place, each in enumerate(series):
        needed = least + (int(each.segment[-1]) if each.readings else 0)
        path = each.paths.get(stage)
        if each.readings == 0:
            out.refuse(place, "never read")
        elif path is None or not path.passage() < each.time[-1]:
            out.refuse(
                place,
                f"the face of stage {stage!r} has not passed the section before the last of {each.readings} readings",
            )
        elif each.readings < needed:
            free = needed - SPARE_READINGS
            out.refuse(place, f"{each.readings} readings for {free} free parameters; at least {needed} are needed")
        else:
            by_section.setdefault(each.section, []).append(place)
    return [_section([series[place] for place in places], places, stage) for places in by_section.values()]


def _section(members: list[Series], places: list[int], stage: str) -> _Section:
    time = members[0].time
    same = all(each.time.size == time.size and np.array_equal(each.time, time) for each in members[1:])
    broken = any(each.segment[-1] for each in members)
    segment = None
    if same:
        value = np.stack([each.value for each in members])
        if broken:
            segment = np.stack([each.segment for each in members])
    else:
        time = np.unique(np.concatenate([each.time for each in members]))
        value = np.full((len(members), time.size), np.nan)
        segment = np.zeros(value.shape, dtype=np.int64)
        for row, each in enumerate(members):
            columns = np.searchsorted(time, each.time)
            value[row, columns], segment[row, columns] = each.value, each.segment
    path = members[0].paths[stage]
    return _Section(places, path.at(time), path.elapsed(time), value, segment if broken else None)


def _grouped(sections: list[_Section]) -> list[list[_Section]]:
    """Sections with as many series and about as many epochs, complete ones apart from those with gaps or breaks."""

    def kind(one: _Section) -> tuple[int, bool, bool]:
        return len(one.places), one.segment is not None, bool(np.isnan(one.value).any())

    groups: list[list[_Section]] = []
    for one in sorted(sections, key=lambda each: (kind(each), each.distance.size)):
        first = groups[-1][0] if groups else None
        if (
            first is None
            or kind(first) != kind(one)
            or one.distance.size > STRETCH * first.distance.size
            or one.value.size * (len(groups[-1]) + 1) > LARGEST_GROUP
        ):
            groups.append([])
        groups[-1].append(one)
    return groups


def _fits(
    question: Question, frames: Sequence[tuple[float, float]], group: list[_Section], shared: bool, sigma: float | None
) -> tuple[SectionFits, FloatArray, FloatArray]:
    """Fit a group of sections, given width and span of all series; give also the bounds of the shapes, (s, m, q)."""
    most, count = max(one.distance.size for one in group), len(group[0].places)
    distance, elapsed = np.full((len(group), most), np.nan), np.full((len(group), most), np.nan)
    value = np.full((len(group), count, most), np.nan)
    segment = None if group[0].segment is None else np.zeros(value.shape, dtype=np.int64)
    low = np.empty((len(group), count, len(question.names)))
    high = np.empty_like(low)
    known: dict[tuple[float, float], list[tuple[float, float]]] = {}
    for row, one in enumerate(group):
        size = one.distance.size
        distance[row, :size], elapsed[row, :size], value[row, :, :size] = one.distance, one.elapsed, one.value
        if segment is not None and one.segment is not None:
            segment[row, :, :size] = one.segment
        for column, place in enumerate(one.places):
            key = frames[place]
            if key not in known:
                known[key] = [question.law.bounds(name, *key) for name in question.names]
            low[row, column], high[row, column] = zip(*known[key], strict=True)
    if shared:
        low[:], high[:] = low.min(axis=1, keepdims=True), high.max(axis=1, keepdims=True)
    readings = readings_of(distance, elapsed, value, segment)
    return section_fits(question, *fitted(question, readings, low, high, shared), sigma), low, high
