"""A small invented job, written to a folder: what tests start from when they need one.

The job is exact: every number in it comes from the functions below, so a test can ask what the truth was.
Three sections of three prisms (crown and two walls), two stages, readings every twelve hours for up to three
weeks without noise. Nothing in it resembles a known tunnel.

    folder = write_job(tmp_path / "job")                               movements along the axes, metric folder
    = write_job(tmp_path / "job", form="coordinates")           coordinates on a curve, with an alignment
    folder = write_job(tmp_path / "job", unit="ft")                    every length in feet, movements in
    inches folder = write_job(tmp_path / "job", changes={"events.csv": "time,event\\n"})
"""

from __future__ import annotations

import math
from collections.abc import Callable, Iterable, Mapping
from pathlib import Path

import numpy as np

from convergence.survey.alignment import Alignment, Arc, ProfilePoint, Straight

EPOCH = np.datetime64("2031-05-05T00:00:00", "ns")
SECTIONS = {"A": 100.0, "B": 112.0, "C": 124.0}
#: Offset and height of each prism [m], and the amplitude of its movement [mm]: longitudinal, transverse,
#: settlement.
PLACES = {
    "CR": ("crown", 0.0, 7.0, (-2.0, 0.5, 20.0)),
    "LW": ("left wall", -5.0, 2.0, (-1.0, 8.0, 12.0)),
    "RW": ("right wall", 5.0, 2.0, (-1.0, -7.0, 11.0)),
}
WIDTH, HEIGHT = 11.0, 8.5
LAST_DAY = 21.0
#: How much of it each section sees, so that no series is a copy of another.
SCALE = {"A": 1.0, "B": 1.13, "C": 0.88}
METRES = {"m": 1.0, "ft": 0.3048, "ftUS": 1200.0 / 3937.0}
TIME_CONSTANT = 3.0

#: Straight for 60 m, then a curve to the right, on a rising grade: sections B and C lie on the curve.
ALIGNMENT = Alignment(
    50.0, 1000.0, 2000.0, math.radians(30.0), (Straight(60.0), Arc(80.0, 150.0)),
    (ProfilePoint(50.0, 300.0), ProfilePoint(190.0, 302.8)),
)  # fmt: skip


def instant(days: float) -> str:
    """A time of the job as the files give it, two hours ahead of UTC."""
    local = EPOCH + np.timedelta64(round(days * 86_400), "s") + np.timedelta64(2, "h")
    return f"{np.datetime_as_string(local, unit='s')}+02:00"


def passage(section: str) -> float:
    """Day on which the heading reaches a section: 4 m a day from chainage 90."""
    return (SECTIONS[section] - 90.0) / 4.0


def movement(section: str, place: str, days: float) -> np.ndarray:
    """True movement [mm] since the heading passed: longitudinal, transverse, settlement."""
    share = 1.0 - math.exp(-(days - passage(section)) / TIME_CONSTANT)
    return np.array(PLACES[place][3]) * SCALE[section] * share


def sweep_days(section: str) -> np.ndarray:
    """Days of a section's sweeps: three hours after the heading, then every twelve hours."""
    return np.arange(passage(section) + 0.125, LAST_DAY, 0.5)


def job_files(
    form: str = "movements",
    unit: str = "m",
    digits: int = 4,
    moved: Callable[[str, str, float], Iterable[float]] | None = None,
) -> dict[str, str]:
    """The files of the job by name.

    Parameters
    ----------
    form : {"movements", "coordinates"}
        Form of the readings.
    unit : {"m", "ft", "ftUS"}
        Unit of every length; movements are in millimetres, or in inches where it is not metres.
    digits : int
        Decimals of a reading in metres (movements in millimetres get three fewer).
    moved : callable, optional
        Movement [mm] by section, place and day instead of ``movement``.
    """
    size = METRES[unit]

    def length(metres: float, decimals: int = 12) -> str:
        return repr(round(float(metres) / size, decimals))

    prisms = [f"prism,section,position,chainage_{unit},offset_{unit},height_{unit}"]
    readings = [_reading_header(form, unit)]
    rounds = [(day, "heading", 90.0 + 4.0 * day) for day in np.arange(0.0, LAST_DAY, 0.5)]
    rounds += [(day, "bench", 60.0 + 4.0 * day) for day in np.arange(0.25, LAST_DAY, 0.5)]
    rows = []
    for section, chainage in SECTIONS.items():
        for minutes, (place, (position, offset, height, _)) in enumerate(PLACES.items()):
            prisms.append(
                f"{section}-{place},{section},{position},{length(chainage)},{length(offset)},{length(height)}"
            )
            for sweep in sweep_days(section):
                day = sweep + minutes / 1440
                true = np.asarray((moved or movement)(section, place, day), dtype=float)
                rows.append((day, f"{section}-{place}", _reading(section, place, true, form, unit, digits)))
    readings += [f"{instant(day)},{prism},{values}" for day, prism, values in sorted(rows)]
    advance = [f"time,stage,chainage_{unit}"]
    advance += [f"{instant(day)},{stage},{length(chainage)}" for day, stage, chainage in sorted(rounds)]
    files = {
        "tunnel.toml": settings_text(unit, form == "coordinates"),
        "prisms.csv": "\n".join(prisms) + "\n",
        "advance.csv": "\n".join(advance) + "\n",
        "readings.csv": "\n".join(readings) + "\n",
    }
    return files


def settings_text(unit: str = "m", alignment: bool = False) -> str:
    """``tunnel.toml`` of the job."""
    size = METRES[unit]
    text = f"""[tunnel]
name = "Invented"
width_{unit} = {WIDTH / size!r}
height_{unit} = {HEIGHT / size!r}
drive = "up-chainage"
time_zone = "Etc/GMT-2"

[[stage]]
name = "heading"
share = 0.6

[[stage]]
name = "bench"
share = 0.4
follows = "heading"

[projection]
horizon_days = 365
confidence = 0.9

[[trigger]]
measure = "settlement"
levels = [{{name = "attention", value_mm = 20.0}}, {{name = "alarm", value_mm = 30.0}}]
"""
    if alignment:
        text += f"""
[[alignment]]
kind = "straight"
length_{unit} = {60.0 / size!r}
start_chainage_{unit} = {50.0 / size!r}
start_easting_{unit} = {1000.0 / size!r}
start_northing_{unit} = {2000.0 / size!r}
start_azimuth_deg = 30.0

[[alignment]]
kind = "arc"
length_{unit} = {80.0 / size!r}
radius_{unit} = {150.0 / size!r}
turn = "right"

[[profile]]
chainage_{unit} = {50.0 / size!r}
elevation_{unit} = {300.0 / size!r}

[[profile]]
chainage_{unit} = {190.0 / size!r}
elevation_{unit} = {302.8 / size!r}
"""
    return text


def _reading_header(form: str, unit: str) -> str:
    if form == "coordinates":
        return f"time,prism,easting_{unit},northing_{unit},elevation_{unit}"
    small = "mm" if unit == "m" else "in"
    return f"time,prism,longitudinal_{small},transverse_{small},settlement_{small}"


def _reading(section: str, place: str, true: np.ndarray, form: str, unit: str, digits: int) -> str:
    if form == "movements":
        scale = 1.0 if unit == "m" else 25.4
        return ",".join(repr(round(float(value) / scale, max(digits - 3, 1))) for value in true)
    _, offset, height, _ = PLACES[place]
    east, north, up = (float(value) for value in ALIGNMENT.point(SECTIONS[section], offset, height))
    azimuth = float(ALIGNMENT.azimuth(SECTIONS[section]))
    along, across, down = true / 1e3
    east += along * math.sin(azimuth) + across * math.cos(azimuth)
    north += along * math.cos(azimuth) - across * math.sin(azimuth)
    return ",".join(repr(round(float(value) / METRES[unit], digits)) for value in (east, north, up - down))


def write_job(
    folder: Path,
    changes: Mapping[str, str | bytes | None] | None = None,
    form: str = "movements",
    unit: str = "m",
    digits: int = 4,
    moved: Callable[[str, str, float], Iterable[float]] | None = None,
) -> Path:
    """Write the job and return its folder.

    ``changes`` replaces files by name, adds others, and leaves out those that are None; the other parameters
    are those of ``job_files``.
    """
    files: dict[str, str | bytes | None] = dict(job_files(form, unit, digits, moved))
    files.update(changes or {})
    for name, content in files.items():
        if content is None:
            continue
        path = folder / name
        path.parent.mkdir(parents=True, exist_ok=True)
        path.write_bytes(content.encode() if isinstance(content, str) else content)
    return folder


def edited(text: str, *changes: tuple[str, str]) -> str:
    """The text with each change made once; a change that does not apply is a mistake of the test."""
    for old, new in changes:
        assert old in text, f"{old!r} is not in the text"
        text = text.replace(old, new, 1)
    return text


def with_line(text: str, line: int, new: str) -> str:
    """The text with one line (from 1) replaced."""
    lines = text.splitlines()
    lines[line - 1] = new
    return "\n".join(lines) + "\n"
