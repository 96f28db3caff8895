"""One section's array: its readings laid out by sweep, prism and axis, zeroed, with breaks spliced."""

from __future__ import annotations

from collections.abc import Mapping, Sequence

import numpy as np
import numpy.typing as npt
import xarray as xr

from convergence.job.account import Account
from convergence.job.findings import Finding, finding
from convergence.job.reading import JobFolder
from convergence.job.schema import Prism
from convergence.job.stages import stage_geometry
from convergence.job.times import days_since, shown
from convergence.laws.path import FacePath
from convergence.survey.breaks import Jump, declared_breaks, judge_jumps, vector_text
from convergence.survey.overrules import rows_doubted, rows_kept, taken_back
from convergence.survey.resolution import smallest_step
from convergence.survey.setting_aside import Aside, before_face, before_zero, kept_findings, set_spikes_aside
from convergence.survey.steps import find_jumps, step_at
from convergence.survey.sweeps import group_sweeps
from convergence.terms import AXES, TERMS

Floats = npt.NDArray[np.float64]
Ints = npt.NDArray[np.int64]
Bools = npt.NDArray[np.bool_]

RESOLUTION = {"units": "mm", "long_name": "smallest step of the values read, 0 where none is seen"}
STATED = {"units": "mm", "long_name": "standard deviation of a reading as the files state it"}


def section_chainage(prisms: Sequence[Prism]) -> float:
    """Chainage [m] of a section: the median of its prisms."""
    return float(np.median([prism.chainage for prism in prisms]))


def build_array(
    folder: JobFolder,
    section: str,
    members: Sequence[int],
    rows: Ints,
    movement: Floats,
    off: Bools,
    taken: Bools,
    paths: Mapping[str, FacePath],
    stages: Sequence[str],
    epoch: np.datetime64,
    account: Account,
    findings: list[Finding],
) -> xr.Dataset:
    """Lay out one section and take its decisions.

    Parameters
    ----------
    folder : JobFolder
        The folder as read.
    section : str
        The section.
    members : sequence of int
        Its prisms, as indices into ``folder.prisms``.
    rows : array of int
        Its readings, as rows of ``folder.readings``.
    movement, off : arrays
        Reduced raw movement [mm] of all readings, and which are not of their prism, from ``reduce_readings``.
    taken : array of bool
        Readings of the job that have been set aside already.
    paths : mapping of str to FacePath
        Paths of the faces past this section.
    stages : sequence of str
        All stages of the job.
    epoch : datetime64
        Day zero.
    account, findings : Account, list
        Receive rows set aside and what was noticed.

    Returns
    -------
    xarray.Dataset
        Dimensions epoch, prism, axis, stage; see ``Job.arrays``.
    """
    prisms = [folder.prisms[index] for index in members]
    frame = folder.readings
    rows = rows[np.argsort(frame["time"].to_numpy()[rows], kind="stable")]
    time = frame["time"].to_numpy(dtype="datetime64[ns]")[rows]
    local = np.full(len(folder.prisms), -1, dtype=np.int64)
    local[list(members)] = np.arange(len(members))
    who = local[frame["prism"].to_numpy(dtype=np.int64)[rows]]
    aside = Aside(folder, rows, prisms, who, time, account)
    days = days_since(time, epoch)
    keep = ~taken[rows]
    keep &= ~aside(keep & rows_doubted(folder.events, section, prisms, who, time), "set aside by an event", "")
    wanted = rows_kept(folder.events, section, prisms, who, time)
    short, short_of = before_face(folder, days, paths, stages)
    far, early = keep & off[rows], keep & ~off[rows] & short
    findings += kept_findings(folder, section, prisms, who, time, wanted & (far | early))
    raw = movement[rows]
    where = "far from the prism's place or its other readings"
    keep &= ~aside(far & ~wanted, "outside the alignment", where, _away(raw, who, keep & ~far, far))
    keep &= ~aside(early & ~wanted, "before the face", "", short_of)
    unborn, ahead = before_zero(folder, section, prisms, who, time)
    keep &= ~aside(keep & unborn, "before the zero reading", "", ahead)
    keep = set_spikes_aside(folder, section, prisms, who, time, days, raw, keep, wanted, aside, findings)
    return _layout(folder, section, prisms, rows, who, time, days, keep, raw, paths, stages, findings)


def _away(raw: Floats, who: Ints, good: Bools, far: Bools) -> Floats:
    """How far [m] far readings lie from the middle of the good ones of their prism, or without any from its place."""
    found = np.full(len(who), np.nan)
    for index in np.unique(who[far]).tolist():
        rows, near = far & (who == index), good & (who == index)
        middle = np.median(raw[near], axis=0) if near.any() else 0.0
        found[rows] = np.linalg.norm(raw[rows] - middle, axis=1) / 1e3
    return found


def _layout(
    folder: JobFolder,
    section: str,
    prisms: list[Prism],
    rows: Ints,
    who: Ints,
    time: npt.NDArray[np.datetime64],
    days: Floats,
    keep: Bools,
    raw: Floats,
    paths: Mapping[str, FacePath],
    stages: Sequence[str],
    findings: list[Finding],
) -> xr.Dataset:
    """The Dataset of one section from its readings and the decision which are used."""
    sweep = group_sweeps(time, who)
    count = int(sweep[-1]) + 1 if len(sweep) else 0
    shape = (count, len(prisms))
    raw_grid = np.full((*shape, 3), np.nan)
    raw_grid[sweep, who] = raw
    used = np.zeros(shape, dtype=bool)
    used[sweep, who] = keep
    row_grid = np.full(shape, -1, dtype=np.int64)
    row_grid[sweep, who] = rows
    day_grid = np.full(shape, np.nan)
    day_grid[sweep, who] = days
    time_grid = np.full(shape, np.datetime64("NaT", "ns"))
    time_grid[sweep, who] = time
    first = np.unique(sweep, return_index=True)[1] if count else np.empty(0, dtype=np.int64)
    epoch_time, epoch_days = time[first], days[first]
    movement = np.full((*shape, 3), np.nan)
    segment = np.zeros(shape, dtype=np.int16)
    offset = np.zeros((*shape, 3))
    kept = np.zeros((*shape, 3))
    jumps: dict[int, list[Jump]] = {}
    for index, prism in enumerate(prisms):
        mine = np.flatnonzero(used[:, index])
        if not len(mine):
            continue
        values, at = raw_grid[mine, index], day_grid[mine, index]
        read = time_grid[mine, index]
        breaks = declared_breaks(folder, section, prism, read)
        declared = [where for where, _ in breaks]
        edges = _edges(values, at, declared)
        for where, event in breaks:
            step = step_at(values, at, where, edges)
            values = values.copy()
            values[where:] -= step.size
            offset[mine[where] :, index] += step.size
            segment[mine[where] :, index] += 1
            findings.append(
                finding(
                    event.event,
                    f"{prism.name} of {section}: {event.event} before {shown(read[where])} by events.csv; step of "
                    f"{vector_text(step.size)} taken out (standard error {step.error:.1f} mm), readings "
                    "after it have an offset of their own",
                    section=section,
                    prism=prism.name,
                    start=read[where],
                    end=read[where],
                    size=float(np.linalg.norm(step.size)),
                    action="spliced",
                    line=taken_back(event),
                )
            )
        movement[mine, index] = values - values[0]
        jumps[index] = [
            Jump(int(mine[step.index - 1]), int(mine[step.index]), step) for step in find_jumps(values, at, declared)
        ]
    judge_jumps(section, prisms, jumps, movement, day_grid, time_grid, segment, kept, findings, folder.events)
    distance = np.full((count, len(stages)), np.nan)
    for index, stage in enumerate(stages):
        if stage in paths:
            distance[:, index] = paths[stage].at(epoch_days)
    site = _site_chainages(folder, prisms)
    acting = np.array([stage_geometry(folder.settings, stage).acting_width for stage in stages])
    return xr.Dataset(
        {
            "raw": (
                ("epoch", "prism", "axis"),
                raw_grid,
                {"units": "mm", "long_name": "movement from the design position, as read"},
            ),
            "movement": (
                ("epoch", "prism", "axis"),
                movement,
                {"units": "mm", "long_name": "movement since the zero reading, breaks spliced"},
            ),
            "offset": (
                ("epoch", "prism", "axis"),
                _thin(offset),
                {"units": "mm", "long_name": "steps taken out at declared breaks"},
            ),
            "read_days": (
                ("epoch", "prism"),
                day_grid,
                {"units": "d", "long_name": "days since the job's epoch of each reading"},
            ),
            "kept_steps": (
                ("epoch", "prism", "axis"),
                _thin(kept),
                {"units": "mm", "long_name": "sum of undeclared jumps the movement keeps"},
            ),
            "used": (("epoch", "prism"), used, {"long_name": "reading in use"}),
            "segment": (("epoch", "prism"), segment, {"long_name": "number of breaks before the reading"}),
            "row": (("epoch", "prism"), row_grid, {"long_name": "row of the raw readings, -1 for none"}),
            "face_distance": (("epoch", "stage"), distance, TERMS["face_distance"].attrs),
        },
        coords={
            "time": ("epoch", epoch_time),
            "days": ("epoch", epoch_days, {"units": "d", "long_name": "days since the job's epoch"}),
            "prism": [prism.name for prism in prisms],
            "position": ("prism", [prism.position for prism in prisms]),
            "chainage": ("prism", np.array([prism.chainage for prism in prisms]), TERMS["chainage"].attrs),
            **site,
            "offset_design": ("prism", np.array([prism.offset for prism in prisms]), TERMS["offset"].attrs),
            "height_design": ("prism", np.array([prism.height for prism in prisms]), TERMS["height"].attrs),
            "axis": list(AXES),
            "resolution": ("prism", np.full(len(prisms), _resolution(folder, rows)), RESOLUTION),
            "stated_noise": ("prism", _stated(folder, rows, who, len(prisms)), STATED),
            "stage": list(stages),
            "stage_width": ("stage", acting, {"units": "m", "long_name": "acting width of the stage's opening"}),
        },
        attrs={"section": section, "section_chainage": section_chainage(prisms)},
    )


def _thin(values: Floats) -> Floats:
    """The same numbers; where all are zero, as mostly, one zero that stands for all and cannot be written to."""
    return values if values.any() else np.broadcast_to(np.zeros(()), values.shape)


def _edges(values: Floats, days: Floats, declared: list[int]) -> list[int]:
    """Readings of a prism before which it steps: those declared, and jumps that are not beside one of these."""
    if not declared:
        return []
    # an event written a reading too early or late means the step beside it
    found = [step.index for step in find_jumps(values, days, declared)]
    return sorted({*declared, *(index for index in found if min(abs(index - where) for where in declared) > 1)})


def _resolution(folder: JobFolder, rows: Ints) -> float:
    """Smallest step [mm] of the values of an array as read; a prism that is still has too few values of its own."""
    frame = folder.readings
    scale = np.where(frame["coordinates"].to_numpy(dtype=bool)[rows], 1e3, 1.0)
    return smallest_step(np.column_stack([scale * frame[name].to_numpy()[rows] for name in ("a", "b", "c")]))


def _stated(folder: JobFolder, rows: Ints, who: Ints, count: int) -> Floats:
    """Standard deviation [mm] of a reading of each prism that its files state, the middle one; NaN for none."""
    sigma = folder.readings["sigma"].to_numpy()[rows]
    found = np.full(count, np.nan)
    for index in np.unique(who[np.isfinite(sigma)]).tolist():
        found[index] = np.nanmedian(sigma[who == index])
    return found


def _site_chainages(folder: JobFolder, prisms: Sequence[Prism]) -> dict[str, tuple[str, Floats, dict[str, str]]]:
    """The coordinate with the chainages as the site writes them, where chainage equations make them others."""
    stationing = folder.settings.stationing
    if not stationing:
        return {}
    values = stationing.site(np.array([prism.chainage for prism in prisms]))[0]
    return {"site_chainage": ("prism", values, {"units": "m", "long_name": "chainage as the site writes it"})}
