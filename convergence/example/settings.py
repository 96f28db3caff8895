"""The settings file of the example job: what is built, what is planned, what triggers ask for attention."""

from __future__ import annotations

from math import degrees
from pathlib import Path

from convergence.example import scenario
from convergence.example.write import number, write_text

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

# Published limits differ, so the job says what it calls settled.
[settled]
limit_mm_per_day = 0.15
days = 14
reach_widths = 4

# What the design expects the crown to do since before the face came, in the shale with all stages in their usual order.
[[expected]]
name = "design, crown"
stage = "heading"
face_distance_m = [-12.0, -4.0, 0.0, 6.0, 12.0, 24.0, 48.0, 72.0, 120.0]
value_mm = [0.0, 4.0, 10.0, 20.0, 26.0, 31.0, 36.0, 40.0, 42.0]

[[trigger]]
name = "settlement"
measure = "settlement"
since = "zero reading"
confirm = "2 of 3"
owner = "monitoring engineer"
action = "tell the shift engineer; from alert on meet at the section within the shift"
levels = [
  {name = "attention", value_mm = 40.0},
  {name = "alert", value_mm = 55.0},
  {name = "stop and review", value_mm = 90.0},
]

[[trigger.revisions]]
date = "2023-02-20T10:00:00+01:00"
by = "design team"
reason = "no section in the sandstone came near; the lining of the shale is checked for 45 mm"
levels = [{name = "attention", value_mm = 45.0}]

# Written as it must not be: the level had been passed, and nobody wrote down why it may be higher.
[[trigger.revisions]]
date = "2023-05-12T07:00:00+02:00"
by = "night shift"
levels = [{name = "alert", value_mm = 62.0}]

[[trigger]]
name = "chord"
measure = "chord"
since = "zero reading"
confirm = "2 of 3"
owner = "monitoring engineer"
action = "tell the shift engineer; look at the lining for cracks"
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
owner = "shift engineer"
action = "read every three hours"
levels = [
  {name = "attention", value_mm_per_day = 8.0},
  {name = "alert", value_mm_per_day = 12.0},
]

# While the bench passes, a lower rate counts, and one prism alone raises no alarm.
[[trigger]]
name = "bench passing"
measure = "settlement"
since = "zero reading"
range = {stage = "bench", from_m = -12.0, to_m = 18.0}
confirm = "2 of 3 and independent prism"
owner = "shift engineer"
action = "halve the rounds of the bench until the rate falls"
levels = [
  {name = "slow the bench", value_mm_per_day = 4.0},
  {name = "halt the bench", value_mm_per_day = 7.0},
]

[[trigger]]
name = "whole crown settlement"
measure = "settlement"
since = "excavation"
positions = ["crown"]
confirm = "2 of 3"
heading_from = 0.7
owner = "design team"
action = "check the clearance for the inner lining"
levels = [
  {name = "clearance at risk", value_mm = 100.0},
  {name = "clearance used up", value_mm = 140.0},
]

[[trigger]]
name = "off the design"
measure = "settlement"
since = "excavation"
positions = ["crown"]
expected = "design, crown"
confirm = "2 of 3 or independent prism"
owner = "design team"
action = "go through the design of the support again"
levels = [
  {name = "off course", value_mm = 15.0},
  {name = "far off course", value_mm = 45.0},
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
