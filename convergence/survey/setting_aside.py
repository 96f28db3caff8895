"""Which readings of one section are not used: before the face, before the zero reading, spikes, short spells off."""

from __future__ import annotations

from collections.abc import Mapping, Sequence

import numpy as np
import numpy.typing as npt

from convergence.job.account import Account
from convergence.job.event_notes import until
from convergence.job.findings import Finding, event_line, finding
from convergence.job.reading import JobFolder
from convergence.job.schema import BREAKING_EVENTS, Prism
from convergence.job.times import days_since, shown
from convergence.laws.path import FacePath
from convergence.survey.breaks import vector_text
from convergence.survey.overrules import names_one, taken_back
from convergence.survey.shared_spikes import FEWEST, MOST, shared_spikes
from convergence.survey.steps import find_short_spells, find_spikes
from convergence.survey.sweeps import PAUSE_MINUTES

Floats = npt.NDArray[np.float64]
Ints = npt.NDArray[np.int64]
Bools = npt.NDArray[np.bool_]

#: A prism may be read while the face is still this far [m] short of it by the log, beyond one usual round.
SHORT_OF_FACE = 1.0
#: Readings of an array within this time of each other belong to one sweep.
TOGETHER = np.timedelta64(PAUSE_MINUTES, "m")


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
    """The readings still in use after spikes and short spells are set aside and told; wanted ones are kept and told.

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
    _set_spells_aside(folder, section, prisms, who, time, days, raw, keep, keep & ~together, wanted, aside, findings)
    return keep


def _set_spells_aside(
    folder: JobFolder,
    section: str,
    prisms: Sequence[Prism],
    who: Ints,
    time: npt.NDArray[np.datetime64],
    days: Floats,
    raw: Floats,
    keep: Bools,
    judged: Bools,
    wanted: Bools,
    aside: Aside,
    findings: list[Finding],
) -> None:
    """Take short spells off out of ``keep``, a finding for each reading; those of most of the array are only told."""
    spells: list[tuple[int, Ints, Floats]] = []
    for index, prism in enumerate(prisms):
        mine = np.flatnonzero(judged & (who == index))
        for first, end, away in find_short_spells(raw[mine], days[mine]):
            # what a person said of the steps at either end stands
            if not _broken(folder, section, prism, time[mine[first - 1]], time[mine[end]]):
                spells.append((index, mine[first:end], away))
    told: set[tuple[str, ...]] = set()
    for index, rows, away in spells:
        start, end_of = time[rows[0]] - TOGETHER, time[rows[-1]] + TOGETHER
        others = [other for other in spells if time[other[1][0]] <= end_of and time[other[1][-1]] >= start]
        names = tuple(prisms[other].name for other in sorted({other[0] for other in others}))
        read = len(np.unique(who[judged & (time >= start) & (time <= end_of)]))
        if len(names) >= max(FEWEST, MOST * read):
            if names not in told:
                findings.append(_shared_spell(section, names, [(other[1], other[2]) for other in others], time))
            told.add(names)
            continue
        for at, size in zip(rows.tolist(), away.tolist(), strict=True):
            sentence = (
                f"{prisms[index].name} of {section}: {size:.1f} mm away from the readings before and after at "
                f"{shown(time[at])}, with {len(rows)} in a row off alike from {shown(time[rows[0]])}"
            )
            sentence += "; kept by events.csv" if wanted[at] else "; set aside, for the next readings came back"
            line = event_line(time[at], section, prisms[index].name, "reading kept")
            findings.append(
                finding(
                    "short spell off",
                    sentence,
                    section=section,
                    prism=prisms[index].name,
                    start=time[at],
                    end=time[at],
                    size=size,
                    action="kept" if wanted[at] else "set aside",
                    line=_kept_line(folder, section, prisms[index], time[at]) if wanted[at] else line,
                )
            )
        out = rows[~wanted[rows]]
        flagged = np.zeros(len(who), dtype=bool)
        flagged[out] = True
        length = np.full(len(who), np.nan)
        length[rows] = away
        detail = [f"{size:.1f} mm, {len(rows)} readings in a row off alike" for size in length[flagged].tolist()]
        aside(flagged, "spike", np.array(detail, dtype=object), length)
        keep[out] = False


def _broken(folder: JobFolder, section: str, prism: Prism, start: np.datetime64, end: np.datetime64) -> bool:
    """Whether an event between two instants declares a step of the prism, or calls one genuine."""
    return any(
        names_one(folder.events, kind, section, prism.name, start, end) is not None
        for kind in (*BREAKING_EVENTS, "jump genuine")
    )


def _shared_spell(
    section: str,
    names: Sequence[str],
    spells: Sequence[tuple[Ints, Floats]],
    time: npt.NDArray[np.datetime64],
) -> Finding:
    """What is told where most of an array is off for a few sweeps: the station, its references, or the ground."""
    first = min(time[rows[0]] for rows, _ in spells)
    last = max(time[rows[-1]] for rows, _ in spells)
    size = max(float(away.max()) for _, away in spells)
    line = event_line(first, section, "", "readings set aside") + until(last + TOGETHER)
    return finding(
        "shared spell off",
        f"{section}: {len(names)} prisms ({', '.join(names)}) are off by up to {size:.1f} mm from {shown(first)} to "
        f"{shown(last)} and come back: the station or its references, or the ground; the readings are used. If the "
        f"ground did not do this, this line of events.csv sets them aside: {line}",
        section=section,
        start=first,
        end=last,
        size=size,
        line=line,
    )


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
