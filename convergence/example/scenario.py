"""Numbers of the invented scenario: the tunnel, its ground, its excavation and its monitoring.

Nothing here is taken from a known job. The sizes are of the usual order for a road tunnel driven by
sequential excavation in a weak rock (common practice, no source); they were chosen so that the record holds
what an engineer meets in the morning: sections that have finished, sections still moving with the bench to
come, a weak zone.

Units: chainage, offset and height in metres, movement in millimetres, time in days since the start of the
record, stress in MPa. Signs: offset + right looking up-chainage, height + up.
"""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime
from math import radians

from convergence.example.clock import SiteClock
from convergence.survey.alignment import Alignment, Arc, Clothoid, ProfilePoint, Straight

TUNNEL_NAME = "Ridge Tunnel, an invented scenario"
WIDTH = 12.0
HEIGHT = 9.4
ARCH_RADIUS = 6.0
ARCH_CENTRE_HEIGHT = 2.0

CLOCK = SiteClock(zone_name="CET", start_local=datetime(2023, 1, 9, 0, 0, 0))
RECORD_END = 131.29
HORIZON_DAYS = 365.0
SUNDAY = 6

ALIGNMENT = Alignment(
    start_chainage=900.0,
    start_easting=20_450.0,
    start_northing=51_200.0,
    start_azimuth=radians(63.4),
    elements=(
        Straight(length=150.0),
        Clothoid(length=60.0, start_curvature=0.0, end_curvature=1.0 / 450.0),
        Arc(length=310.0, radius=450.0),
    ),
    profile=(
        ProfilePoint(chainage=900.0, elevation=412.0),
        ProfilePoint(chainage=1150.0, elevation=417.5, curve_length=80.0),
        ProfilePoint(chainage=1420.0, elevation=421.28),
    ),
)


@dataclass(frozen=True)
class StagePlan:
    """How one stage of the excavation goes on.

    Attributes
    ----------
    name, follows : str
        Name of the stage, and of the stage it stays behind (empty for the first).
    share : float
        Part of the opening it takes out.
    start_chainage, last_chainage : float
        Face at the start of the record and at the end of the plan [m].
    round_length : tuple of float
        Shortest and longest round [m].
    round_hours : tuple of float
        Mean and standard deviation of the hours of a round [h].
    lag : tuple of float
        Distance behind the leading stage at which work halts, and at which it takes up again [m].
    """

    name: str
    follows: str
    share: float
    start_chainage: float
    last_chainage: float
    round_length: tuple[float, float]
    round_hours: tuple[float, float]
    lag: tuple[float, float]


STAGES = (
    StagePlan("heading", "", 0.55, 1000.0, 1400.0, (1.0, 1.3), (8.0, 0.9), (0.0, 0.0)),
    StagePlan("bench", "heading", 0.30, 957.0, 1400.0, (2.0, 2.4), (9.0, 1.2), (36.0, 46.0)),
    StagePlan("invert", "bench", 0.15, 926.0, 1400.0, (2.2, 2.8), (8.0, 1.0), (26.0, 36.0)),
)

# Stoppages: first and last local day, and the stages that rest. The last one lies in the plan, after the
# record.
STOPPAGES: tuple[tuple[datetime, datetime, tuple[str, ...], str], ...] = (
    (
        datetime(2023, 2, 15, 14),
        datetime(2023, 2, 21, 14),
        ("heading", "bench", "invert"),
        "repair of the drilling plant",
    ),
    (datetime(2023, 3, 30, 6), datetime(2023, 4, 9, 6), ("heading",), "probe drilling ahead of the face"),
    (
        datetime(2023, 6, 3, 0),
        datetime(2023, 6, 6, 0),
        ("heading", "bench", "invert"),
        "planned: change of ventilation",
    ),
)


@dataclass(frozen=True)
class GroundUnit:
    """One ground unit along the drive.

    Attributes
    ----------
    name : str
        Invented name.
    start, end : float
        Chainage from and to [m].
    modulus : float
        Stiffness on unloading [MPa].
    creep_ratio : float
        Delayed over instantaneous movement after an endless time, without lining.
    influence_length : float
        Length over which the face releases the stress [m]; about half to three quarters of the width.
    sink, oval, tilt, along : float
        Stress of the other modes, relative to the uniform one.
    round_factor : tuple of float
        Factors on the length and on the hours of a round.
    """

    name: str
    start: float
    end: float
    modulus: float
    creep_ratio: float
    influence_length: float
    sink: float
    oval: float
    tilt: float
    along: float
    round_factor: tuple[float, float]


UNITS = (
    GroundUnit("banded sandstone", 900.0, 1104.0, 1350.0, 0.60, 6.2, 0.42, 0.10, 0.05, 0.16, (1.0, 1.0)),
    GroundUnit("foliated shale", 1104.0, 1223.0, 860.0, 0.95, 7.0, 0.40, -0.06, 0.26, 0.20, (1.0, 1.0)),
    GroundUnit("sheared zone", 1223.0, 1253.5, 560.0, 1.30, 7.6, 0.50, 0.10, 0.10, 0.12, (0.87, 1.45)),
    GroundUnit("foliated shale", 1253.5, 1420.0, 900.0, 0.90, 7.0, 0.40, -0.04, 0.22, 0.20, (1.0, 1.0)),
)
STRESS = 2.4  # MPa, mean stress before the excavation
WEAK_ZONE = (1223.0, 1253.5)


@dataclass(frozen=True)
class Section:
    """A monitoring section: its name, its chainage [m], and whether it has prisms below the bench level."""

    name: str
    chainage: float
    bench_prisms: bool = False


SECTIONS = (
    Section("S1012", 1012.4),
    Section("S1026", 1026.1),
    Section("S1040", 1040.3, True),
    Section("S1054", 1054.0),
    Section("S1068", 1068.2),
    Section("S1082", 1082.1),
    Section("S1096", 1096.5, True),
    Section("S1110", 1110.2),
    Section("S1123", 1123.4, True),
    Section("S1136", 1136.0),
    Section("S1148", 1148.3),
    Section("S1160", 1160.1, True),
    Section("S1172", 1172.2),
    Section("S1184", 1184.4, True),
    Section("S1196", 1196.3),
    Section("S1208", 1208.1, True),
    Section("S1218", 1218.5),
    Section("S1228", 1228.2, True),
    Section("S1238", 1238.3, True),
    Section("S1248", 1248.4),
    Section("S1258", 1258.6),
    Section("S1268", 1268.9),
    Section("S1280", 1280.2),
    Section("S1290", 1290.7),
    Section("S1300", 1300.9),
)
LATE_SECTION = "S1082"
LATE_DAYS = 2.0
STATION_SPACING = 50.0  # m of tunnel read from one total station

# Position: code in the name of the prism, offset and height from the reference point [m], stage that uncovers
# it.
POSITIONS: dict[str, tuple[str, float, float, str]] = {
    "crown": ("CR", 0.0, 7.90, "heading"),
    "left shoulder": ("LS", -4.25, 6.10, "heading"),
    "right shoulder": ("RS", 4.25, 6.10, "heading"),
    "left wall": ("LW", -5.85, 2.90, "heading"),
    "right wall": ("RW", 5.85, 2.90, "heading"),
    "left bench": ("LB", -5.70, 0.60, "bench"),
    "right bench": ("RB", 5.70, 0.60, "bench"),
}
CHORDS = (("left wall", "right wall"), ("left shoulder", "right shoulder"), ("left bench", "right bench"))

READING_HOURS = (0, 6, 12, 18)
THINNED_AFTER = 75.0  # d after the zero reading; from then on one reading a day
THINNED_HOUR = 6


@dataclass(frozen=True)
class Loosening:
    """A wedge that loosens over the crown: the genuine fast movement of the record.

    Attributes
    ----------
    section : str
        Section in the middle of it.
    after_passage : float
        Start, after the heading has passed [d].
    duration : float
        Time over which the extra load comes on [d].
    half_length : float
        Distance along the tunnel over which it dies away [m].
    stress : tuple of float
        Extra load of the five modes [MPa].
    """

    section: str
    after_passage: float
    duration: float
    half_length: float
    stress: tuple[float, float, float, float, float]


LOOSENING = Loosening("S1238", 7.4, 1.7, 7.0, (0.0, 0.40, 0.36, 0.06, 0.0))

# Factors on the stress at single sections: local ground that the smooth variation does not hold.
LOCAL_FACTORS = {
    "S1196": 0.95,
    "S1208": 0.93,
    "S1218": 0.93,
    "S1228": 0.90,
    "S1238": 1.00,
    "S1248": 1.22,
}
