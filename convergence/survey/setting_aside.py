"""Which readings of one section are not used: before the face, before the zero reading, spikes."""

from __future__ import annotations

from collections.abc import Mapping, Sequence

import numpy as np
import numpy.typing as npt

from convergence.job.account import Account
from convergence.job.findings import Finding, event_line, finding
from convergence.job.reading import JobFolder
from convergence.job.schema import Prism
from convergence.job.times import days_since, shown
from convergence.laws.path import FacePath
from convergence.survey.breaks import vector_text
from convergence.survey.overrules import names_one, taken_back
from convergence.survey.shared_spikes import shared_spikes
from convergence.survey.steps import find_spikes

Floats = npt.NDArray[np.float64]
Ints = npt.NDArray[np.int64]
Bools = npt.NDArray[np.bool_]

#: A prism may be read while the face is still this far [m] short of it by the log, beyond one usual round.
SHORT_OF_FACE = 1.0


class Aside:
    """Sets rows of one section aside in the account."""

    def __init__(
        self,
        folder: JobFolder,
        rows: Ints,
        prisms: list[Prism],
        who: Ints,
        time: npt.NDArray[np.datetime64],
        account: Account,
    ) -> None:
        self.frame, self.files = folder.readings, np.array(folder.files, dtype=object)
        self.rows, self.prisms, self.who, self.time, self.account = rows, prisms, who, time, account

    def __call__(
        self, mask: Bools, reason: str, detail: str | npt.NDArray[np.object_], size: Floats | float = np.nan
    ) -> Bools:
        """Set the rows of the mask aside, ``size`` a number or one for each of all rows; returns the mask."""
        if mask.any():
            rows = self.rows[mask]
            names = np.array([self.prisms[index].name for index in self.who[mask]], dtype=object)
            self.account.set_aside(
                self.files[self.frame["file"].to_numpy()[rows]],
                self.frame["line"].to_numpy()[rows],
                reason,
                detail,
                self.prisms[0].section,
                names,
                self.time[mask],
                size[mask] if isinstance(size, np.ndarray) else size,
            )
        return mask


def before_face(
    folder: JobFolder, days: Floats, paths: Mapping[str, FacePath], stages: Sequence[str]
) -> tuple[Bools, Floats]:
    """Readings taken while every stage's face, as far as its log reaches, was still short of the section.

    And how far [m] the nearest of them was short of it.
    """
    first = next((name for name in stages if name in paths), None)
    if first is None:
        return np.zeros(len(days), dtype=bool), np.full(len(days), np.nan)
    path, log = paths[first], folder.advance[first]
    slack = SHORT_OF_FACE + (log.usual_round if len(log) > 1 else 0.0)
    short = (path.at(days) < -slack) & (days <= path.time[-1])
    for name in stages:
        if name in paths and name != first:
            short &= paths[name].at(days) < -slack
    nearest = np.full(len(days), np.nan)
    if short.any():
        faces = [paths[name].at(days[short]) for name in stages if name in paths]
        nearest[short] = -np.max(faces, axis=0)
    return np.asarray(short), nearest


def before_zero(
    folder: JobFolder, section: str, prisms: list[Prism], who: Ints, time: npt.NDArray[np.datetime64]
) -> tuple[Bools, Floats]:
    """Readings earlier than the zero reading that an event declares, and how many days."""
    early, days = np.zeros(len(time), dtype=bool), np.full(len(time), np.nan)
    for event in folder.events:
        if event.event == "zero reading":
            for index, prism in enumerate(prisms):
                if event.section in ("", section) and event.prism in ("", prism.name):
                    rows = (who == index) & (time < event.time)
                    early |= rows
                    days = np.where(rows, np.fmax(days, -days_since(time, event.time)), days)
    return early, days


def _distance_to_neighbours(movement: Floats, rows: Ints) -> Floats:
    return np.asarray(np.linalg.norm(movement[rows] - (movement[rows - 1] + movement[rows + 1]) / 2, axis=1))


def _kept_line(folder: JobFolder, section: str, prism: Prism, instant: np.datetime64) -> str:
    event = names_one(folder.events, "reading kept", section, prism.name, instant, instant)
    return taken_back(event) if event is not None else ""


def kept_findings(
    folder: JobFolder,
    section: str,
    prisms: Sequence[Prism],
    who: Ints,
    time: npt.NDArray[np.datetime64],
    kept: Bools,
) -> list[Finding]:
    """What is told of readings that would have been set aside, but for an event."""
    return [
        finding(
            "reading kept",
            f"{prisms[who[at]].name} of {section}: reading of {shown(time[at])} used by events.csv; it lies before the "
            "face or far from the others",
            section=section,
            prism=prisms[who[at]].name,
            start=time[at],
            end=time[at],
            action="kept",
            line=_kept_line(folder, section, prisms[who[at]], time[at]),
        )
        for at in np.flatnonzero(kept).tolist()
    ]


def set_spikes_aside(
    folder: JobFolder,
    section: str,
    prisms: Sequence[Prism],
    who: Ints,
    time: npt.NDArray[np.datetime64],
    days: Floats,
    raw: Floats,
    keep: Bools,
    wanted: Bools,
    aside: Aside,
    findings: list[Finding],
) -> Bools:
    """The readings still in use after spikes are set aside and told; wanted ones are kept and told.

    First those that most prisms of a sweep share, a decision for the sweep, then those of each prism.
    """
    keep = keep.copy()
    together = _set_sweeps_aside(folder, section, prisms, who, time, days, raw, keep, aside, findings)
    for index, prism in enumerate(prisms):
        mine = np.flatnonzero(keep & ~together & (who == index))
        spikes = find_spikes(raw[mine], days[mine])
        if not spikes.any():
            continue
        away = _distance_to_neighbours(raw[mine], np.flatnonzero(spikes))
        for at, size in zip(mine[spikes], away, strict=True):
            sentence = (
                f"{prism.name} of {section}: {size:.1f} mm away from both neighbouring readings at {shown(time[at])}"
            )
            sentence += "; kept by events.csv" if wanted[at] else "; set aside, for the next reading came back"
            findings.append(
                finding(
                    "spike",
                    sentence,
                    section=section,
                    prism=prism.name,
                    start=time[at],
                    end=time[at],
                    size=float(size),
                    action="kept" if wanted[at] else "set aside",
                    line=_kept_line(folder, section, prism, time[at])
                    if wanted[at]
                    else event_line(time[at], section, prism.name, "reading kept"),
                )
            )
        flagged = np.zeros(len(who), dtype=bool)
        flagged[mine[spikes]] = True
        flagged &= ~wanted
        sizes = away[~wanted[mine[spikes]]]
        length = np.full(len(who), np.nan)
        length[mine[spikes]] = away
        aside(flagged, "spike", np.array([f"{size:.1f} mm" for size in sizes], dtype=object), length)
        keep &= ~flagged
    return keep


def _set_sweeps_aside(
    folder: JobFolder,
    section: str,
    prisms: Sequence[Prism],
    who: Ints,
    time: npt.NDArray[np.datetime64],
    days: Floats,
    raw: Floats,
    keep: Bools,
    aside: Aside,
    findings: list[Finding],
) -> Bools:
    """Take sweeps that most prisms share an excursion of out of ``keep``, a finding each; those kept by an event."""
    together = np.zeros(len(who), dtype=bool)
    for rows, shift, apart in shared_spikes(raw, days, who, time, keep):
        first, last = time[rows[0]], time[rows[-1]]
        names = [prisms[index].name for index in np.unique(who[rows])]
        event = names_one(folder.events, "reading kept", section, "", first, last)
        size = float(np.linalg.norm(shift))
        sentence = (
            f"{section}: {len(names)} prisms ({', '.join(names)}) are off together by {vector_text(shift)} in the "
            f"sweep of {shown(first)}, within {apart:.1f} mm of each other, and the sweeps before and after agree: the "
            "station or its references, not the ground"
        )
        sentence += "; kept by events.csv" if event is not None else "; set aside as a whole"
        middle = (first + (last - first) // 2).astype("datetime64[s]").astype("datetime64[ns]")
        findings.append(
            finding(
                "shared spike",
                sentence,
                section=section,
                start=first,
                end=last,
                size=size,
                action="set aside" if event is None else "kept",
                line=event_line(middle, section, "", "reading kept") if event is None else taken_back(event),
            )
        )
        together[rows] = True
        if event is None:
            flagged = np.zeros(len(who), dtype=bool)
            flagged[rows] = True
            aside(flagged, "spike", f"{size:.1f} mm, shared by {len(names)} prisms of the sweep", size)
            keep[rows] = False
    return together
