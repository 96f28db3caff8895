"""The plain data of a job folder after reading: settings, prisms, events; no arrays of results."""

from __future__ import annotations

from dataclasses import dataclass, field, replace
from typing import Literal

import numpy as np

from convergence.job.design_assumptions import GroundAssumptions, LiningAssumptions
from convergence.job.stationing import PLAIN, Stationing

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
class Vertex:
    """One end of an element as an alignment file gives it: distance along the alignment and coordinates [m], line."""

    distance: float
    easting: float
    northing: float
    line: int


@dataclass(frozen=True)
class AlignmentTable:
    """The alignment as the job gives it; start azimuth in rad clockwise from north.

    All chainages are continuous. An alignment file gives the ends of its elements besides their lengths and radii:
    ``vertices``, and ``source`` is its name; both are empty where the settings file holds the alignment itself.
    """

    start_chainage: float
    start_easting: float
    start_northing: float
    start_azimuth: float
    rows: tuple[AlignmentRow, ...]
    profile: tuple[ProfileRow, ...]
    vertices: tuple[Vertex, ...] = ()
    source: str = ""

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
    """One stage of excavation: name, share of the opening's area (None if not given), stage it follows.

    A second tube, or a drift from the other side, may have a ``drive`` of its own (0 for the tunnel's), and chainages
    of its own that become the tunnel's continuous ones by adding ``chainage_shift`` [m]. ``width`` and ``height`` [m]
    are those of its own opening (None for the tunnel's), ``axis_offset`` [m] of its axis from the tunnel's, + right.
    """

    name: str
    share: float | None = None
    follows: str | None = None
    drive: int = 0
    chainage_shift: float = 0.0
    width: float | None = None
    height: float | None = None
    axis_offset: float = 0.0


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
    """One level of a trigger: its name and value in the trigger's own unit, and the unit the job gave it in."""

    name: str
    value: float
    given: str = field(default="", compare=False)


@dataclass(frozen=True)
class ExpectedCurve:
    """The movement the design expects, as a table the job gives.

    Straight between the points; held at its first value before the first and at its last after the last.

    Attributes
    ----------
    name : str
        What triggers call it by.
    against : {"face distance", "age"}
        What it runs along: the face distance of a stage [m], or the days since that stage passed.
    stage : str
        The stage; empty for the first one.
    at : tuple of float
        Face distances [m] or ages [days], rising.
    value : tuple of float
        Movement [mm], sign of the measure.
    line : int or None
        Line in the settings file.
    """

    name: str
    against: Literal["face distance", "age"]
    stage: str
    at: tuple[float, ...]
    value: tuple[float, ...]
    line: int | None = field(default=None, compare=False)


@dataclass(frozen=True)
class TriggerRange:
    """Where along a section's life a trigger is in force: face distances [m] or ages [days] of a stage, ends included.

    ``stage`` is empty for the first stage; an end that is not given is infinite.
    """

    against: Literal["face distance", "age"]
    stage: str
    low: float
    high: float


@dataclass(frozen=True)
class Revision:
    """A change of a trigger's levels, as the job records it.

    Attributes
    ----------
    time : datetime64[ns]
        From when on it is in force, UTC.
    by : str
        Who decided it.
    reason : str
        Why; empty where the job gives none.
    values : tuple of (float or None)
        New value of each level in the trigger's unit; None where it stays.
    """

    time: np.datetime64
    by: str
    reason: str
    values: tuple[float | None, ...]


@dataclass(frozen=True)
class SettledLimit:
    """What the job calls settled.

    Attributes
    ----------
    rate : float
        The rate [mm/day] a section must stay under.
    days : float
        Days of readings over which it is judged.
    reach : float
        A stage is out of reach once its face is so many tunnel widths past.
    finished : tuple of str
        Stages whose drive is over; their standing still is no stoppage.
    """

    rate: float
    days: float = 7.0
    reach: float = 5.0
    finished: tuple[str, ...] = ()


@dataclass(frozen=True)
class Trigger:
    """Levels for one measure.

    Attributes
    ----------
    name : str
        The job's name for it.
    measure : str
        "settlement", "transverse", "longitudinal", "chord" or "distortion".
    quantity : {"value", "rate", "strain", "distortion", "deviation"}
        What the levels limit: the movement [mm], its rate [mm/day], the strain [%], the distortion [mm/m] or the
        movement beyond the expected curve [mm].
    since : {"zero reading", "excavation"}
        The datum: as measured, or including the part lost before the zero reading.
    levels : tuple of Level
        In rising order of magnitude, as first set; ``at`` gives those in force at an instant.
    confirm_needed, confirm_of : int
        A passage counts once ``confirm_needed`` of the last ``confirm_of`` readings are beyond the level.
    sections, positions : tuple of str
        Where it applies; empty for everywhere.
    line : int or None
        Line in the settings file.
    confirm_prism : {"", "or", "and"}
        Whether an independent prism beyond the level confirms too ("or"), or must confirm as well ("and").
    valid : TriggerRange or None
        Where along a section's life it is in force; None for always.
    expected : ExpectedCurve or None
        The curve of a deviation.
    owner, action : str
        Who acts when a level is reached, and what is to be done.
    revisions : tuple of Revision
        By time.
    likely : float or None
        Probability within the horizon from which a level counts as one the movement is heading for; None for the usual
        rule, which asks for more while the level is far.
    """

    name: str
    measure: str
    quantity: Literal["value", "rate", "strain", "distortion", "deviation"]
    since: Datum
    levels: tuple[Level, ...]
    confirm_needed: int = 2
    confirm_of: int = 3
    sections: tuple[str, ...] = ()
    positions: tuple[str, ...] = ()
    line: int | None = field(default=None, compare=False)
    confirm_prism: Literal["", "or", "and"] = ""
    valid: TriggerRange | None = None
    expected: ExpectedCurve | None = None
    owner: str = ""
    action: str = ""
    revisions: tuple[Revision, ...] = ()
    likely: float | None = None

    @property
    def unit(self) -> str:
        """Unit of the levels' values."""
        return UNITS_OF_QUANTITIES[self.quantity]

    def at(self, instant: np.datetime64) -> Trigger:
        """The trigger as it stood at an instant: its levels in force then, and the revisions until then."""
        until = tuple(item for item in self.revisions if item.time <= instant)
        values = [level.value for level in self.levels]
        for revision in until:
            values = [old if new is None else new for old, new in zip(values, revision.values, strict=True)]
        levels = tuple(replace(level, value=value) for level, value in zip(self.levels, values, strict=True))
        return replace(self, levels=levels, revisions=until)


#: Unit of the levels of each quantity.
UNITS_OF_QUANTITIES = {"value": "mm", "rate": "mm/day", "strain": "%", "distortion": "mm/m", "deviation": "mm"}


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
    lining: LiningAssumptions | None = None
    ground: GroundAssumptions | None = None
    settled: SettledLimit | None = None
    stationing: Stationing = PLAIN


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
    "prism replaced": "breaks the series: readings before and after have offsets of their own; OLD:NEW joins two",
    "station moved": "breaks the series: readings before and after have offsets of their own",
    "prisms swapped": "for a pair A:B, readings of the one are the other's from then on, until TIME in the note",
    "jump genuine": "the jump there is the ground's: it stays in the movement and gets no offset",
    "reading kept": "the reading, or the spell, that was set aside there is used after all",
    "readings set aside": "readings from then on are set aside, until TIME in the note or readings resumed",
    "readings resumed": "ends readings set aside",
    "clock corrected": "shifts times of readings from then on, by its note: -60 min, or -60 min until TIME",
    "round kept": "the round set aside there is used, and those against it are not; in the note its stage and chainage",
    "row corrected": "a row of a table as it stands and as it should be, in the note FILE: ROW => ROW",
    "common movement removed": "takes the movement that arrays share there out of their readings",
    "ring closed": "from then on the rest of the movement may be another share of the law's; drawn on the figures",
    "support added": "as for a closed ring: bolts or a thicker lining may stop or slow what is still to come",
    "lining sprayed": "drawn on the figures; changes no number",
}

#: The events that give the readings after them an offset of their own.
BREAKING_EVENTS = ("zero reading renewed", "prism disturbed", "prism replaced", "station moved")

#: Events from which on the law may change.
LAW_EVENTS = ("ring closed", "support added")
#: Events that may name a pair of prisms of one section, as A:B; those that must.
PAIR_EVENTS, ONLY_PAIRS = ("prism replaced", "prisms swapped"), ("prisms swapped",)


@dataclass(frozen=True)
class Event:
    """One row of ``events.csv``; an empty section or prism means all of them, a pair of prisms is written A:B."""

    time: np.datetime64
    section: str
    prism: str
    event: str
    note: str
    line: int
