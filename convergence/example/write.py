"""Text of the job folder: every number with a fixed count of digits, every file with the same line end.

Line numbers are given to the rows here, so the list of planted faults can name them.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from math import degrees
from pathlib import Path

from convergence.example import scenario
from convergence.example.record import Advance, Event, Reading, Record, Row
from convergence.example.truth import Truth

READING_COLUMNS = ("time", "prism", "easting_m", "northing_m", "elevation_m")
ADVANCE_COLUMNS = ("time", "stage", "chainage_m")
EVENT_COLUMNS = ("time", "section", "prism", "event", "note")

SETTINGS_TAIL = """
[calendar]
working_hours = "00:00-24:00"
rest_days = ["Sunday"]

[plan]
stops = [{from = "2023-06-03T00:00:00+02:00", to = "2023-06-06T00:00:00+02:00"}]

[plan.heading]
round_length_m = 1.15
hours_per_round = 8.0

[plan.bench]
round_length_m = 2.2
hours_per_round = 15.3

[plan.invert]
round_length_m = 2.5
hours_per_round = 17.4

[projection]
horizon_days = 365
confidence = 0.90

[[trigger]]
name = "settlement"
measure = "settlement"
since = "zero reading"
confirm = "2 of 3"
levels = [
  {name = "attention", value_mm = 45.0},
  {name = "alert", value_mm = 62.0},
  {name = "stop and review", value_mm = 90.0},
]

[[trigger]]
name = "chord"
measure = "chord"
since = "zero reading"
confirm = "2 of 3"
levels = [
  {name = "attention", value_mm = 49.0},
  {name = "alert", value_mm = 70.0},
  {name = "stop and review", value_mm = 95.0},
]

[[trigger]]
name = "settlement rate"
measure = "settlement"
since = "zero reading"
confirm = "2 of 3"
levels = [
  {name = "attention", value_mm_per_day = 8.0},
  {name = "alert", value_mm_per_day = 12.0},
]

# What the design assumed; a range is what the designer holds possible. The modulus has the ground's creep in it.
[ground]
vertical_stress_mpa = {value = 2.4, low = 1.9, high = 3.0}
stress_ratio = {value = 0.9, low = 0.6, high = 1.3}
modulus_mpa = {value = 1000.0, low = 400.0, high = 2200.0}
poisson_ratio = 0.25
release_at_support = {value = 0.30, low = 0.15, high = 0.50}

[lining]
radius_m = 6.0
thickness_m = {value = 0.25, low = 0.22, high = 0.30}
after_hours = 4.8
modulus_mpa = {value = 14000.0, low = 9000.0, high = 20000.0}
strength_mpa = {value = 25.0, low = 21.0, high = 30.0}
age_curve = "en 1992 rapid"
creep_coefficient = {value = 0.8, low = 0.3, high = 1.5}
closure_distance_m = 70.0
open_share = {value = 0.45, low = 0.30, high = 0.70}
"""


def write_text(path: Path, lines: Iterable[str]) -> None:
    """Write lines with a line feed each, on every system."""
    path.parent.mkdir(parents=True, exist_ok=True)
    path.write_text("".join(f"{line}\n" for line in lines), encoding="utf-8", newline="\n")


def number(value: float, digits: int) -> str:
    """A number with a fixed count of digits and no minus before zero."""
    text = f"{value:.{digits}f}"
    return text.removeprefix("-") if float(text) == 0.0 else text


def write_rows(
    folder: Path, name: str, columns: Sequence[str], rows: Sequence[Row], texts: list[dict[str, str]]
) -> None:
    """Write one CSV file and tell each row its place; texts in `Row.cells` go before the usual ones."""
    lines = [",".join(columns)]
    for row, usual in zip(rows, texts, strict=True):
        row.file, row.line = name, len(lines) + 1
        lines.append(",".join(row.cells.get(column, usual[column]) for column in columns))
    write_text(folder / name, lines)


def reading_text(row: Reading) -> dict[str, str]:
    """Cells of a reading; coordinates to 0.1 mm."""
    east, north, up = (number(float(value), 4) for value in row.place)
    time = scenario.CLOCK.text(row.day)
    return {"time": time, "prism": row.prism, "easting_m": east, "northing_m": north, "elevation_m": up}


def advance_text(row: Advance) -> dict[str, str]:
    """Cells of a logged round; the face to the centimetre."""
    return {"time": scenario.CLOCK.text(row.day), "stage": row.stage, "chainage_m": number(row.chainage, 2)}


def event_text(row: Event) -> dict[str, str]:
    """Cells of an event."""
    time = scenario.CLOCK.text(row.day)
    return {"time": time, "section": row.section, "prism": row.prism, "event": row.event, "note": row.note}


def write_record(folder: Path, record: Record) -> None:
    """Write readings (a file a month), round log and events."""
    months: dict[str, list[Reading]] = {}
    for row in record.readings:
        months.setdefault(scenario.CLOCK.moment(row.day).strftime("%Y-%m"), []).append(row)
    for month, rows in sorted(months.items()):
        write_rows(folder, f"readings/{month}.csv", READING_COLUMNS, rows, [reading_text(row) for row in rows])
    write_rows(folder, "advance.csv", ADVANCE_COLUMNS, record.advance, [advance_text(row) for row in record.advance])
    write_rows(folder, "events.csv", EVENT_COLUMNS, record.events, [event_text(row) for row in record.events])


def write_prisms(folder: Path, truth: Truth) -> None:
    """Write the list of prisms."""
    lines = ["prism,section,position,chainage_m,offset_m,height_m"]
    for item in truth.prisms:
        place = ",".join(number(value, 2) for value in (item.chainage, item.offset, item.height))
        lines.append(f"{item.name},{item.section},{item.position},{place}")
    write_text(folder / "prisms.csv", lines)


def alignment_tables() -> list[str]:
    """The alignment of the scenario as tables of the settings file."""
    line = scenario.ALIGNMENT
    start = [
        f"start_chainage_m = {number(line.start_chainage, 1)}",
        f"start_easting_m = {number(line.start_easting, 1)}",
        f"start_northing_m = {number(line.start_northing, 1)}",
        f"start_azimuth_deg = {number(degrees(line.start_azimuth), 4)}",
    ]
    tables = [
        ['kind = "straight"', "length_m = 150.0"],
        ['kind = "clothoid"', "length_m = 60.0", "end_radius_m = 450.0", 'turn = "right"'],
        ['kind = "arc"', "length_m = 310.0", "radius_m = 450.0", 'turn = "right"'],
    ]
    tables[0] += start
    lines = []
    for table in tables:
        lines += ["", "[[alignment]]", *table]
    for point in line.profile:
        lines += [
            "",
            "[[profile]]",
            f"chainage_m = {number(point.chainage, 1)}",
            f"elevation_m = {number(point.elevation, 2)}",
            f"curve_length_m = {number(point.curve_length, 1)}",
        ]
    return lines


def write_settings(folder: Path) -> None:
    """Write tunnel.toml."""
    lines = [
        "# An invented tunnel: no known job, not for design.",
        "[tunnel]",
        f'name = "{scenario.TUNNEL_NAME}"',
        f"width_m = {number(scenario.WIDTH, 1)}",
        f"height_m = {number(scenario.HEIGHT, 1)}",
        'drive = "up-chainage"',
        f'time_zone = "{scenario.CLOCK.zone_name}"',
        *alignment_tables(),
    ]
    for stage in scenario.STAGES:
        lines += ["", "[[stage]]", f'name = "{stage.name}"', f"share = {number(stage.share, 2)}"]
        lines += [f'follows = "{stage.follows}"'] if stage.follows else []
    for left, right in scenario.CHORDS:
        lines += ["", "[[chord]]", 'section = "*"', f'from = "{left}"', f'to = "{right}"']
    write_text(folder / "tunnel.toml", [*lines, *SETTINGS_TAIL.rstrip("\n").split("\n")])
