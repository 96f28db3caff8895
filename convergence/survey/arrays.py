"""One section's array: its readings laid out by sweep, prism and axis, zeroed, with breaks spliced and faults decided."""

from __future__ import annotations

from collections.abc import Mapping, Sequence

import numpy as np
import numpy.typing as npt
import xarray as xr

from convergence.job.account import Account
from convergence.job.findings import Finding, finding
from convergence.job.reading import JobFolder
from convergence.job.schema import BREAKING_EVENTS, Prism
from convergence.job.times import days_since, shown
from convergence.laws.path import FacePath
from convergence.survey.steps import SHARED, Step, find_jumps, find_spikes, step_at
from convergence.survey.sweeps import group_sweeps
from convergence.terms import AXES, TERMS

Floats = npt.NDArray[np.float64]
Ints = npt.NDArray[np.int64]
Bools = npt.NDArray[np.bool_]

#: A prism may be read while the face is still this far [m] short of it by the log, beyond one usual round.
SHORT_OF_FACE = 1.0


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
    local = {prism: index for index, prism in enumerate(members)}
    who = np.array([local[index] for index in frame["prism"].to_numpy()[rows]], dtype=np.int64)
    aside = _Aside(folder, rows, prisms, who, time, account)
    days = days_since(time, epoch)
    keep = ~aside(off[rows], "outside the alignment", "more than 5 m from the prism's other readings")
    keep &= ~aside(keep & _before_face(folder, days, paths, stages), "before the face", "")
    keep &= ~aside(keep & _before_zero(folder, section, prisms, who, time), "before the zero reading", "")
    raw = movement[rows]
    for index, prism in enumerate(prisms):
        mine = np.flatnonzero(keep & (who == index))
        spikes = find_spikes(raw[mine], days[mine])
        if spikes.any():
            away = _distance_to_neighbours(raw[mine], np.flatnonzero(spikes))
            for at, size in zip(mine[spikes], away, strict=True):
                findings.append(
                    finding("spike", f"{prism.name} of {section}: {size:.1f} mm away from both neighbouring readings at {shown(time[at])}; set aside, for the next reading came back",
                            section=section, prism=prism.name, start=time[at], end=time[at], size=float(size), action="set aside")
                )
            flagged = np.zeros(len(rows), dtype=bool)
            flagged[mine[spikes]] = True
            aside(flagged, "spike", np.array([f"{size:.1f} mm" for size in away], dtype=object))
            keep[mine[spikes]] = False
    return _layout(folder, section, prisms, rows, who, time, days, keep, raw, paths, stages, findings)


class _Aside:
    """Sets rows of one section aside in the account."""

    def __init__(self, folder: JobFolder, rows: Ints, prisms: list[Prism], who: Ints, time: npt.NDArray[np.datetime64], account: Account) -> None:
        self.frame, self.files = folder.readings, np.array(folder.files, dtype=object)
        self.rows, self.prisms, self.who, self.time, self.account = rows, prisms, who, time, account

    def __call__(self, mask: Bools, reason: str, detail: str | npt.NDArray[np.object_]) -> Bools:
        """Set the rows of the mask aside; returns the mask."""
        if mask.any():
            rows = self.rows[mask]
            names = np.array([self.prisms[index].name for index in self.who[mask]], dtype=object)
            self.account.set_aside(
                self.files[self.frame["file"].to_numpy()[rows]], self.frame["line"].to_numpy()[rows], reason, detail,
                self.prisms[0].section, names, self.time[mask],
            )
        return mask


def _before_face(folder: JobFolder, days: Floats, paths: Mapping[str, FacePath], stages: Sequence[str]) -> Bools:
    """Readings taken while every stage's face, as far as its log reaches, was still well short of the section."""
    first = next((name for name in stages if name in paths), None)
    if first is None:
        return np.zeros(len(days), dtype=bool)
    path, log = paths[first], folder.advance[first]
    slack = SHORT_OF_FACE + (log.usual_round if len(log) > 1 else 0.0)
    short = (path.at(days) < -slack) & (days <= path.time[-1])
    for name in stages:
        if name in paths and name != first:
            short &= paths[name].at(days) < -slack
    return short


def _before_zero(folder: JobFolder, section: str, prisms: list[Prism], who: Ints, time: npt.NDArray[np.datetime64]) -> Bools:
    """Readings earlier than the zero reading that an event declares."""
    early = np.zeros(len(time), dtype=bool)
    for event in folder.events:
        if event.event == "zero reading":
            for index, prism in enumerate(prisms):
                if event.section in ("", section) and event.prism in ("", prism.name):
                    early |= (who == index) & (time < event.time)
    return early


def _distance_to_neighbours(movement: Floats, rows: Ints) -> Floats:
    return np.asarray(np.linalg.norm(movement[rows] - (movement[rows - 1] + movement[rows + 1]) / 2, axis=1))


def _layout(
    folder: JobFolder, section: str, prisms: list[Prism], rows: Ints, who: Ints, time: npt.NDArray[np.datetime64], days: Floats,
    keep: Bools, raw: Floats, paths: Mapping[str, FacePath], stages: Sequence[str], findings: list[Finding],
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
    first = np.unique(sweep, return_index=True)[1] if count else np.empty(0, dtype=np.int64)
    epoch_time, epoch_days = time[first], days[first]
    movement = np.full((*shape, 3), np.nan)
    segment = np.zeros(shape, dtype=np.int16)
    offset = np.zeros((*shape, 3))
    kept = np.zeros((*shape, 3))
    jumps: dict[int, list[tuple[int, Step]]] = {}
    for index, prism in enumerate(prisms):
        mine = np.flatnonzero(used[:, index])
        if not len(mine):
            continue
        values, at = raw_grid[mine, index], day_grid[mine, index]
        breaks = _declared_breaks(folder, section, prism, time=epoch_time[mine])
        for where, event in breaks:
            step = step_at(values, at, where)
            values = values.copy()
            values[where:] -= step.size
            offset[mine[where] :, index] += step.size
            segment[mine[where] :, index] += 1
            findings.append(
                finding(
                    event, f"{prism.name} of {section}: {event} at {shown(epoch_time[mine[where]])} by events.csv; step of {_vector(step.size)} taken out "
                    f"(standard error {step.error:.1f} mm), readings after it have an offset of their own",
                    section=section, prism=prism.name, start=epoch_time[mine[where]], end=epoch_time[mine[where]],
                    size=float(np.linalg.norm(step.size)), action="spliced",
                )
            )
        movement[mine, index] = values - values[0]
        declared = {where for where, _ in breaks}
        jumps[index] = [(int(mine[step.index]), step) for step in find_jumps(values, at) if step.index not in declared]
    _judge_jumps(section, prisms, jumps, movement, segment, kept, epoch_time, findings)
    distance = np.full((count, len(stages)), np.nan)
    for index, stage in enumerate(stages):
        if stage in paths:
            distance[:, index] = paths[stage].at(epoch_days)
    return xr.Dataset(
        {
            "raw": (("epoch", "prism", "axis"), raw_grid, {"units": "mm", "long_name": "movement from the design position, as read"}),
            "movement": (("epoch", "prism", "axis"), movement, {"units": "mm", "long_name": "movement since the zero reading, breaks spliced"}),
            "offset": (("epoch", "prism", "axis"), offset, {"units": "mm", "long_name": "steps taken out at declared breaks"}),
            "read_days": (("epoch", "prism"), day_grid, {"units": "d", "long_name": "days since the job's epoch of each reading"}),
            "kept_steps": (("epoch", "prism", "axis"), kept, {"units": "mm", "long_name": "sum of undeclared jumps the movement keeps"}),
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
            "offset_design": ("prism", np.array([prism.offset for prism in prisms]), TERMS["offset"].attrs),
            "height_design": ("prism", np.array([prism.height for prism in prisms]), TERMS["height"].attrs),
            "axis": list(AXES),
            "stage": list(stages),
        },
        attrs={"section": section, "section_chainage": section_chainage(prisms)},
    )


def _declared_breaks(folder: JobFolder, section: str, prism: Prism, time: npt.NDArray[np.datetime64]) -> list[tuple[int, str]]:
    """Readings (by index) that are the first after a breaking event, with the event."""
    found: dict[int, str] = {}
    for event in folder.events:
        if event.event in BREAKING_EVENTS and event.section in ("", section) and event.prism in ("", prism.name):
            where = int(np.searchsorted(time, event.time))
            if 0 < where < len(time):
                found.setdefault(where, event.event)
    return sorted(found.items())


def _judge_jumps(
    section: str, prisms: list[Prism], jumps: dict[int, list[tuple[int, Step]]], movement: Floats, segment: npt.NDArray[np.int16],
    kept: Floats, time: npt.NDArray[np.datetime64], findings: list[Finding],
) -> None:
    """Report jumps of single prisms, and give the readings after one an offset of their own for the fits.

    The movement keeps the jump: whether the prism was knocked or the ground moved is for a person to decide. A step that
    others of the array share is no fault of a prism and gets no offset.
    """
    for index, found in jumps.items():
        for row, step in found:
            others = [other for other in range(len(prisms)) if other != index]
            size = float(np.linalg.norm(step.size))
            moved = [_own_step(movement[:, other], row) for other in others]
            shared = [prisms[other].name for other, step_of in zip(others, moved, strict=True) if step_of > max(SHARED * size, 2.0)]
            text = f"{prisms[index].name} of {section}: jump of {_vector(step.size)} before {shown(time[row])}"
            if shared:
                sentence = f"{text}, shared by {', '.join(shared)}: unconfirmed movement of the ground or of the station; read again now"
                findings.append(finding("shared jump", sentence, section=section, prism=prisms[index].name, start=time[row - 1], end=time[row], size=size))
                continue
            segment[row:, index] += 1
            kept[row:, index] += step.size
            sentence = (
                f"{text}, alone in its array; the movement keeps it and the fit gives the readings after it an offset of their own. Look at the prism. If it "
                f"was disturbed, this line of events.csv takes the step out: {shown(time[row])},{section},{prisms[index].name},prism disturbed,"
            )
            findings.append(finding("jump", sentence, section=section, prism=prisms[index].name, start=time[row - 1], end=time[row], size=size))


def _own_step(movement: Floats, row: int) -> float:
    """Size [mm] of one prism's step about a sweep: medians of up to three readings before and after."""
    before, after = movement[max(0, row - 3) : row], movement[row : row + 3]
    before, after = before[np.isfinite(before[:, 2])], after[np.isfinite(after[:, 2])]
    if not len(before) or not len(after):
        return 0.0
    return float(np.linalg.norm(np.median(after, axis=0) - np.median(before, axis=0)))


def _vector(size: Floats) -> str:
    """A movement as text: size and parts."""
    return f"{np.linalg.norm(size):.1f} mm (longitudinal {size[0]:+.1f}, transverse {size[1]:+.1f}, settlement {size[2]:+.1f})"
