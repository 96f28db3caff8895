"""The record of the invented site: what was read when, and the round log, as rows before they become text.

The rows are kept as objects, so that a planted fault can point at the rows it touched and find its line
numbers once the files are written.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from datetime import timedelta

import numpy as np
import numpy.typing as npt

from convergence.example import noise, scenario
from convergence.example.truth import Truth

FloatArray = npt.NDArray[np.float64]

SECTION_MINUTES = 4.0  # from the start of one array to the start of the next from the same station
PRISM_MINUTES = 0.9  # from prism to prism
MISSED_ARRAY = 0.02
MISSED_PRISM = 0.012


@dataclass(eq=False)
class Row:
    """One row of a file.

    Attributes
    ----------
    day : float
        Time [d] that orders the row in its file.
    cells : dict of str
        Text that stands in the file in place of what the writer would put there, by column.
    file, line : str, int
        Place in the job folder, counted from 1 with the header; filled in when written.
    """

    day: float
    cells: dict[str, str] = field(default_factory=dict)
    file: str = ""
    line: int = 0


@dataclass(eq=False)
class Reading(Row):
    """One reading of one prism: its name and section, and easting, northing, elevation [m], shape (3,)."""

    prism: str = ""
    section: str = ""
    station: int = 0
    place: FloatArray = field(default_factory=lambda: np.zeros(3))


@dataclass(eq=False)
class Advance(Row):
    """One logged round: stage and face after it [m]."""

    stage: str = ""
    chainage: float = 0.0


@dataclass(eq=False)
class Event(Row):
    """One event: section, prism (empty where the whole section is meant), what happened, and a note."""

    section: str = ""
    prism: str = ""
    event: str = ""
    note: str = ""


@dataclass
class Record:
    """All rows of the job, in order of time, and when each prism was first read [d]."""

    readings: list[Reading]
    advance: list[Advance]
    events: list[Event]
    zero: dict[str, float]

    def series(self, prism: str) -> list[Reading]:
        """Readings of a prism in order of time."""
        return [row for row in self.readings if row.prism == prism]


def installed(truth: Truth, generator: np.random.Generator) -> dict[tuple[str, str], float]:
    """Day [d] from which the prisms of a section can be read, by section and stage that uncovers them.

    The prisms go in after the first round that leaves the section 0.5 m behind the face, once it is
    supported.
    """
    ready = {}
    for section in scenario.SECTIONS:
        for stage in ("heading", "bench"):
            end = truth.logs[stage].first_reaching(section.chainage + 0.5).end
            hours = float(generator.uniform(1.0, 3.0))
            late = scenario.LATE_DAYS if (section.name, stage) == (scenario.LATE_SECTION, "heading") else 0.0
            ready[section.name, stage] = end + hours / 24.0 + late
    return ready


def reading_times(truth: Truth, generator: np.random.Generator) -> tuple[list[Reading], list[int], int]:
    """Every reading without its place: who was read when, and the sweep (of one station) it belongs to.

    Returns
    -------
    tuple
        Readings in order of time, index of the sweep of each, number of sweeps.
    """
    clock = scenario.CLOCK
    ready = installed(truth, generator)
    found: list[tuple[Reading, int]] = []
    sweeps = 0
    for midnight, _ in clock.midnights(scenario.RECORD_END):
        for hour in scenario.READING_HOURS:
            begin = clock.day(midnight + timedelta(hours=hour))
            shift: dict[int, tuple[float, int]] = {}
            offset: dict[int, int] = {}
            for section in scenario.SECTIONS:
                station = int((section.chainage - 1000.0) // scenario.STATION_SPACING)
                if station not in shift:
                    minutes = float(np.clip(generator.normal(4.0 * (station % 3), 6.0), -15.0, 25.0))
                    shift[station] = (minutes, sweeps)
                    sweeps += 1
                missed = float(generator.uniform()) < MISSED_ARRAY
                age = begin - ready[section.name, "heading"]
                if age < 0 or missed or (age > scenario.THINNED_AFTER and hour != scenario.THINNED_HOUR):
                    continue
                order = offset.get(station, 0)
                offset[station] = order + 1
                minutes, sweep = shift[station]
                time = begin + (minutes + SECTION_MINUTES * 2.0 * order) / 1440.0
                for prism in truth.prisms:
                    if prism.section != section.name:
                        continue
                    time += (PRISM_MINUTES + 0.3 * float(generator.uniform())) / 1440.0
                    due = time >= ready[section.name, prism.stage] and time <= scenario.RECORD_END
                    if due and float(generator.uniform()) >= MISSED_PRISM:
                        kept = round(time * 86400.0) / 86400.0
                        found.append((Reading(kept, prism=prism.name, section=section.name, station=station), sweep))
    found.sort(key=lambda pair: (pair[0].day, pair[0].prism))
    return [row for row, _ in found], [sweep for _, sweep in found], sweeps


def local_hours(days: FloatArray) -> FloatArray:
    """Local hour of the day, 0 to 24, of day counts."""
    moments = [scenario.CLOCK.moment(float(day)) for day in days]
    return np.array([moment.hour + moment.minute / 60.0 for moment in moments])


def absolute(chainage: float, place: npt.ArrayLike, movement: FloatArray) -> FloatArray:
    """Coordinates [m] of a point with movement (longitudinal, transverse, settlement) [mm], shape (times, 3).

    `place` is offset and height [m] at the chainage [m].
    """
    offset, height = np.asarray(place, dtype=np.float64)
    start = np.array([float(value) for value in scenario.ALIGNMENT.point(chainage, offset, height)])
    return np.asarray(start + to_coordinates(chainage, movement), dtype=np.float64)


def to_coordinates(chainage: float, movement: FloatArray) -> FloatArray:
    """Turn (longitudinal, transverse, settlement) [mm] into easting, northing, elevation [m], (..., 3)."""
    azimuth = float(scenario.ALIGNMENT.azimuth(chainage))
    along, right, down = movement[..., 0], movement[..., 1], movement[..., 2]
    east = along * np.sin(azimuth) + right * np.cos(azimuth)
    north = along * np.cos(azimuth) - right * np.sin(azimuth)
    return np.asarray(np.stack([east, north, -down], axis=-1) / 1000.0, dtype=np.float64)


def make_record(truth: Truth, generator: np.random.Generator) -> Record:
    """Read every prism of the invented site, with errors, and log rounds and events; no planted fault yet."""
    readings, sweeps, count = reading_times(truth, generator)
    shared = noise.sweep(count, generator)
    rows: dict[str, list[int]] = {}
    for index, row in enumerate(readings):
        rows.setdefault(row.prism, []).append(index)
    zero = {}
    for number, prism in enumerate(truth.prisms):
        chosen = rows.get(prism.name, [])
        if not chosen:
            continue
        days = np.array([readings[index].day for index in chosen])
        zero[prism.name] = float(days[0])
        moved = truth.movement(number, days) - truth.movement(number, days[:1])
        errors = noise.white(days.size, generator) + noise.correlated(days, generator) + noise.daily(local_hours(days))
        errors += shared[[sweeps[index] for index in chosen]]
        # The prism is bolted a few millimetres off the place written in the list.
        bolted = (
            prism.offset + 0.003 * generator.standard_normal(),
            prism.height + 0.003 * generator.standard_normal(),
        )
        places = absolute(prism.chainage, bolted, moved + errors)
        for index, place in zip(chosen, places, strict=True):
            readings[index].place = place
    advance = [
        Advance(item.end, stage=item.stage, chainage=item.chainage)
        for log in truth.logs.values()
        for item in log.rounds
        if item.end <= scenario.RECORD_END
    ]
    advance.sort(key=lambda row: row.day)
    return Record(readings, advance, site_events(truth), zero)


def site_events(truth: Truth) -> list[Event]:
    """Plain events of the site: lining sprayed and ring closed at every section reached, by time."""
    events = []
    for section in scenario.SECTIONS:
        sprayed = truth.logs["heading"].first_reaching(section.chainage).end
        closed = truth.logs["invert"].first_reaching(section.chainage + 2.0).end
        events.append(Event(sprayed, section=section.name, event="lining sprayed", note="first layer at the section"))
        events.append(Event(closed, section=section.name, event="ring closed", note="invert concreted"))
    return sorted((row for row in events if row.day <= scenario.RECORD_END), key=lambda row: row.day)
