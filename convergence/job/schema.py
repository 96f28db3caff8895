"""The plain data of a job folder after reading: settings, prisms, events; no arrays of results."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Literal

import numpy as np

Datum = Literal["zero reading", "excavation"]


@dataclass(frozen=True)
class AlignmentRow:
    """One horizontal element as the settings file gives it.

    Radii and length in metres; curvature in 1/m, + to the right.
    """

    kind: Literal["straight", "arc", "clothoid"]
    length: float
    start_curvature: float = 0.0
    end_curvature: float = 0.0


@dataclass(frozen=True)
class ProfileRow:
    """One point of vertical intersection: chainage, elevation and length of the parabola about it [m]."""

    chainage: float
    elevation: float
    curve_length: float = 0.0


@dataclass(frozen=True)
class AlignmentTable:
    """The alignment as the settings file gives it; start azimuth in rad clockwise from north."""

    start_chainage: float
    start_easting: float
    start_northing: float
    start_azimuth: float
    rows: tuple[AlignmentRow, ...]
    profile: tuple[ProfileRow, ...]

    @property
    def end_chainage(self) -> float:
        """Chainage [m] where the last element ends."""
        return self.start_chainage + sum(row.length for row in self.rows)


@dataclass(frozen=True)
class Tunnel:
    """Name, size and direction: width and height in metres, drive +1 up-chainage or -1 down-chainage.

    ``drive_line`` is the line of the drive in the settings file.
    """

    name: str
    width: float
    height: float
    drive: int
    time_zone: str
    drive_line: int | None = field(default=None, compare=False)


@dataclass(frozen=True)
class Stage:
    """One stage of excavation: name, share of the opening's area (None if not given), stage it follows."""

    name: str
    share: float | None = None
    follows: str | None = None


@dataclass(frozen=True)
class Calendar:
    """When work goes on: hours of the day and the weekdays of rest (Monday 0 ... Sunday 6).

    Used to plan advance, never to invent readings.
    """

    start_hour: float = 0.0
    end_hour: float = 24.0
    rest_days: frozenset[int] = frozenset()

    @property
    def hours_a_week(self) -> float:
        """Working hours in a week."""
        return (self.end_hour - self.start_hour) * (7 - len(self.rest_days))


@dataclass(frozen=True)
class Stop:
    """A planned stop of one stage, from and to as UTC instants."""

    start: np.datetime64
    end: np.datetime64


@dataclass(frozen=True)
class StagePlan:
    """Planned rounds of one stage: length [m], hours a round, stops; None where the recent rate is used."""

    round_length: float | None = None
    hours_per_round: float | None = None
    stops: tuple[Stop, ...] = ()


@dataclass(frozen=True)
class ProjectionSettings:
    """Horizon [days] from the first stage's passage of the section, and the stated confidence of bands."""

    horizon_days: float = 365.0
    confidence: float = 0.90


@dataclass(frozen=True)
class Level:
    """One level of a trigger: its name and value in the trigger's own unit."""

    name: str
    value: float


@dataclass(frozen=True)
class Trigger:
    """Levels for one measure.

    Attributes
    ----------
    name : str
        The job's name for it.
    measure : str
        "settlement", "transverse", "longitudinal" or "chord".
    quantity : {"value", "rate", "strain"}
        What the levels limit: the movement [mm], its rate [mm/day] or the strain [%].
    since : {"zero reading", "excavation"}
        The datum: as measured, or including the part lost before the zero reading.
    levels : tuple of Level
        In rising order of magnitude.
    confirm_needed, confirm_of : int
        A passage counts once ``confirm_needed`` of the last ``confirm_of`` readings are beyond the level.
    sections, positions : tuple of str
        Where it applies; empty for everywhere.
    line : int or None
        Line in the settings file.
    """

    name: str
    measure: str
    quantity: Literal["value", "rate", "strain"]
    since: Datum
    levels: tuple[Level, ...]
    confirm_needed: int = 2
    confirm_of: int = 3
    sections: tuple[str, ...] = ()
    positions: tuple[str, ...] = ()
    line: int | None = field(default=None, compare=False)

    @property
    def unit(self) -> str:
        """Unit of the levels' values."""
        return {"value": "mm", "rate": "mm/day", "strain": "%"}[self.quantity]


@dataclass(frozen=True)
class ChordPair:
    """Two positions (or prism names) whose chord the job asks for; section "*" for all that have both."""

    section: str
    start: str
    end: str
    line: int | None = field(default=None, compare=False)


@dataclass(frozen=True)
class Settings:
    """Everything ``tunnel.toml`` says."""

    tunnel: Tunnel
    alignment: AlignmentTable | None
    stages: tuple[Stage, ...]
    calendar: Calendar
    plans: dict[str, StagePlan]
    projection: ProjectionSettings
    triggers: tuple[Trigger, ...]
    chords: tuple[ChordPair, ...]
    lining: dict[str, object] = field(default_factory=dict)
    ground: dict[str, object] = field(default_factory=dict)


@dataclass(frozen=True)
class Prism:
    """One prism as ``prisms.csv`` gives it: chainage, offset (+ right), height (+ up) [m]; file line."""

    name: str
    section: str
    position: str
    chainage: float
    offset: float
    height: float
    line: int


#: Events the library acts on; any other text is kept as a note. The value says what the event does.
EVENTS = {
    "zero reading": "declares the zero reading; earlier readings are set aside",
    "zero reading renewed": "breaks the series: readings before and after have offsets of their own",
    "prism disturbed": "breaks the series: readings before and after have offsets of their own",
    "prism replaced": "breaks the series: readings before and after have offsets of their own",
    "station moved": "breaks the series: readings before and after have offsets of their own",
    "ring closed": "noted; drawn on the figures",
    "lining sprayed": "noted; drawn on the figures",
}

#: The events that give the readings after them an offset of their own.
BREAKING_EVENTS = ("zero reading renewed", "prism disturbed", "prism replaced", "station moved")


@dataclass(frozen=True)
class Event:
    """One row of ``events.csv``; an empty section or prism means all of them."""

    time: np.datetime64
    section: str
    prism: str
    event: str
    note: str
    line: int
