"""All measures of all sections as series ready to be fitted."""

from __future__ import annotations

import weakref
from functools import partial

import numpy as np
import numpy.typing as npt
import xarray as xr

from convergence.errors import ValueFault
from convergence.job.schema import Prism
from convergence.laws.path import FacePath
from convergence.measures.chords import chord_convergence, chord_pairs
from convergence.measures.distortion import pair_distortion
from convergence.measures.series import Series
from convergence.survey.job import Job
from convergence.terms import AXES

Floats = npt.NDArray[np.float64]


def measure_section(job: Job, section: str) -> list[Series]:
    """Series of one section: settlement, transverse and longitudinal of each prism, the chords, then distortions.

    The distortions of the chords' pairs are measured where a trigger of the job asks for them. As long as somebody, as
    the projection, holds the series of a section, asking again gives the same ones.

    Parameters
    ----------
    job : Job
        The job.
    section : str
        The section; an unknown one is an error that lists the names.

    Returns
    -------
    list of Series
        One for each measure the section has; a prism that was never read gives series without readings.
    """
    array = job.array(section)
    held = [way() for way in job.made.get(section, ())]
    if held and all(isinstance(item, Series) for item in held):
        return [item for item in held if isinstance(item, Series)]
    found = _measured(job, section, array)
    # a reference that holds nothing, so that the series go with whoever has them; empty ones are no weight
    job.made[section] = tuple(weakref.ref(item) if len(item.time) else partial(_same, item) for item in found)
    return found


def _same(item: Series) -> Series:
    return item


def _measured(job: Job, section: str, array: xr.Dataset) -> list[Series]:
    """The series of a section, made."""
    prisms = [prism for prism in job.folder.prisms if prism.section == section]
    paths = job.paths(float(array.attrs["section_chainage"]))
    aside = job.account.by_prism()
    counts = {prism.name: aside.get((section, prism.name), 0) for prism in prisms}
    names = _labels(prisms)
    found: list[Series] = []
    for axis in ("settlement", "transverse", "longitudinal"):
        for index, prism in enumerate(prisms):
            rows = np.flatnonzero(array["used"].values[:, index])
            found.append(
                _series(
                    job,
                    section,
                    prism.chainage,
                    axis,
                    prism.name,
                    f"{axis} {names[index]}",
                    array["read_days"].values[rows, index],
                    array["movement"].values[rows, index, AXES.index(axis)],
                    array["segment"].values[rows, index],
                    paths,
                    job.settings.tunnel.width,
                    int(counts.get(prism.name, 0)),
                    float(array["kept_steps"].values[rows[-1], index, AXES.index(axis)]) if len(rows) else 0.0,
                )
            )
    for start, end in chord_pairs(section, prisms, job.settings.chords):
        found.append(
            _chord(job, section, array, prisms, start, end, f"chord {names[start]}:{names[end]}", paths, counts)
        )
    if any(trigger.measure == "distortion" for trigger in job.settings.triggers):
        for start, end in chord_pairs(section, prisms, job.settings.chords):
            label = f"distortion {names[start]}:{names[end]}"
            found.append(_distortion(job, section, array, prisms, start, end, label, paths, counts))
    return found


def measure_tunnel(job: Job) -> list[Series]:
    """Series of every measure of every section, in the order of the drive."""
    return [series for section in job.sections for series in measure_section(job, section)]


def find_series(job: Job, section: str, measure: str) -> Series:
    """One series by section and measure.

    ``measure`` is a label ("settlement crown", "chord left wall:right wall"), or a measure with prism names
    ("settlement P1", "chord P1:P2"); an unknown one is an error that lists the labels.
    """
    found = measure_section(job, section)
    for series in found:
        if measure in (series.label, f"{series.measure} {series.prisms}"):
            return series
    raise ValueFault(
        f"measure '{measure}' is not in section {section}; it has {', '.join(series.label for series in found)}"
    )


def _labels(prisms: list[Prism]) -> list[str]:
    """The position of each prism, or its name where the section has the position twice."""
    positions = [prism.position for prism in prisms]
    return [prism.position if positions.count(prism.position) == 1 else prism.name for prism in prisms]


def _series(
    job: Job,
    section: str,
    chainage: float,
    measure: str,
    prisms: str,
    label: str,
    time: Floats,
    value: Floats,
    segment: npt.NDArray[np.int16],
    paths: dict[str, FacePath],
    base: float,
    set_aside: int,
    kept_steps: float,
) -> Series:
    value = value - value[0] if len(value) else value
    # a break of either prism begins a new segment; the numbers themselves run 0, 1, 2 ...
    segment = np.cumsum(np.diff(segment, prepend=segment[:1]) != 0) if len(segment) else segment
    return Series(
        section,
        job.site_chainage(chainage),
        measure,
        prisms,
        label,
        time,
        value,
        segment.astype(np.int64),
        paths,
        job.settings.tunnel.width,
        base,
        set_aside,
        kept_steps,
    )


def _chord(
    job: Job,
    section: str,
    array: xr.Dataset,
    prisms: list[Prism],
    start: int,
    end: int,
    label: str,
    paths: dict[str, FacePath],
    counts: dict[str, int],
) -> Series:
    used = array["used"].values
    rows = np.flatnonzero(used[:, start] & used[:, end])
    positions = [_positions(job, array, prisms[index], index, rows) for index in (start, end)]
    days = array["read_days"].values
    segment = array["segment"].values
    kept = 0.0
    if len(rows):
        value, length = chord_convergence(*positions)
        without = [_positions(job, array, prisms[index], index, rows, keep_steps=False) for index in (start, end)]
        kept = float(value[-1] - chord_convergence(*without)[0][-1])
    else:
        value = np.empty(0)
        length = float(np.hypot(prisms[start].offset - prisms[end].offset, prisms[start].height - prisms[end].height))
    chainage = (prisms[start].chainage + prisms[end].chainage) / 2
    return _series(
        job,
        section,
        chainage,
        "chord",
        f"{prisms[start].name}:{prisms[end].name}",
        label,
        (days[rows, start] + days[rows, end]) / 2,
        value,
        segment[rows, start] + segment[rows, end],
        paths,
        length,
        int(counts.get(prisms[start].name, 0) + counts.get(prisms[end].name, 0)),
        kept,
    )


def _distortion(
    job: Job,
    section: str,
    array: xr.Dataset,
    prisms: list[Prism],
    start: int,
    end: int,
    label: str,
    paths: dict[str, FacePath],
    counts: dict[str, int],
) -> Series:
    """Movement of the second prism against the first, square to the line between them [mm]."""
    used, ends = array["used"].values, [start, end]
    rows = np.flatnonzero(used[:, start] & used[:, end])
    across = prisms[end].offset - prisms[start].offset
    up = prisms[end].height - prisms[start].height
    movement, kept = (
        array[name].values[rows][:, ends].transpose(2, 1, 0)[[AXES.index("transverse"), AXES.index("settlement")]]
        for name in ("movement", "kept_steps")
    )
    value, length = pair_distortion(movement[0], movement[1], across, up)
    steps, _ = pair_distortion(kept[0], kept[1], across, up)
    days, segment = array["read_days"].values[rows], array["segment"].values[rows]
    return _series(
        job,
        section,
        (prisms[start].chainage + prisms[end].chainage) / 2,
        "distortion",
        f"{prisms[start].name}:{prisms[end].name}",
        label,
        days[:, ends].mean(axis=1),
        value,
        segment[:, start] + segment[:, end],
        paths,
        length,
        int(counts.get(prisms[start].name, 0) + counts.get(prisms[end].name, 0)),
        float(steps[-1]) if len(rows) else 0.0,
    )


def _positions(
    job: Job,
    array: xr.Dataset,
    prism: Prism,
    index: int,
    rows: npt.NDArray[np.int64],
    keep_steps: bool = True,
) -> Floats:
    """Positions [m] of a prism in one Cartesian frame, sweep by sweep, shape (n, 3).

    With an alignment the frame is the map's, the movement turned back by the azimuth at the prism; without
    one it is chainage, offset and height, which is the map's but for the curve of the tunnel over the width
    of one array.
    """
    movement = array["movement"].values[rows, index] / 1e3
    if not keep_steps:
        movement = movement - array["kept_steps"].values[rows, index] / 1e3
    if len(rows):
        first = np.flatnonzero(array["used"].values[:, index])[0]
        movement = movement + (array["raw"].values[first, index] / 1e3 if job.alignment is not None else 0.0)
    along, across, up = movement[:, 0], movement[:, 1], -movement[:, 2]
    if job.alignment is None:
        return np.column_stack([prism.chainage + along, prism.offset + across, prism.height + up])
    design = np.array(
        job.alignment.point(np.array([prism.chainage]), np.array([prism.offset]), np.array([prism.height]))
    )[:, 0]
    azimuth = float(job.alignment.azimuth(np.array([prism.chainage]))[0])
    east = along * np.sin(azimuth) + across * np.cos(azimuth)
    north = along * np.cos(azimuth) - across * np.sin(azimuth)
    return np.asarray(design + np.column_stack([east, north, up]))
