"""``tunnel.toml``: what is read, the defaults, and what is remarked without being a fault."""

from __future__ import annotations

import math
from pathlib import Path

import numpy as np
import pytest

from convergence.errors import Fault
from convergence.job.design_assumptions import Assumption
from convergence.job.schema import Calendar, ProjectionSettings, Settings, StagePlan
from convergence.job.settings import read_settings
from convergence.survey.job import read_job
from tests.helpers import edited, settings_text, write_job

BASE = settings_text(alignment=True)
TUNNEL = '[tunnel]\nwidth_m = 10\ndrive = "down-chainage"\n'


def read(folder: Path, text: str) -> tuple[Settings, list[str]]:
    """Settings that must be without fault, and what was remarked."""
    (folder / "tunnel.toml").write_text(text, encoding="utf-8")
    faults: list[Fault] = []
    remarks: list[str] = []
    settings = read_settings(folder, faults, remarks)
    assert faults == []
    assert settings is not None
    return settings, remarks


def test_everything_of_the_small_job(tmp_path: Path) -> None:
    settings, remarks = read(tmp_path, BASE)
    assert remarks == []
    tunnel = settings.tunnel
    assert (tunnel.name, tunnel.width, tunnel.height, tunnel.drive, tunnel.time_zone) == (
        "Invented",
        11.0,
        8.5,
        1,
        "Etc/GMT-2",
    )
    assert [(stage.name, stage.share, stage.follows) for stage in settings.stages] == [
        ("heading", 0.6, None),
        ("bench", 0.4, "heading"),
    ]
    assert settings.alignment is not None
    assert settings.alignment.start_azimuth == pytest.approx(math.radians(30.0))
    assert settings.alignment.end_chainage == 190.0
    assert [(row.kind, row.start_curvature, row.end_curvature) for row in settings.alignment.rows] == [
        ("straight", 0.0, 0.0),
        ("arc", 1 / 150.0, 1 / 150.0),
    ]


def test_defaults(tmp_path: Path) -> None:
    settings, _ = read(tmp_path, TUNNEL)
    assert settings.tunnel.drive == -1
    assert settings.tunnel.height == settings.tunnel.width == 10.0
    assert settings.tunnel.time_zone == "UTC"
    assert settings.projection == ProjectionSettings(365.0, 0.90)
    assert settings.calendar == Calendar(0.0, 24.0, frozenset())
    assert settings.calendar.hours_a_week == 168.0
    assert settings.alignment is None
    assert not settings.stages
    assert not settings.triggers
    assert not settings.chords


def test_calendar_and_plan(tmp_path: Path) -> None:
    text = TUNNEL + (
        '[[stage]]\nname = "heading"\n[[stage]]\nname = "bench"\n'
        '[calendar]\nworking_hours = "06:30-22:00"\nrest_days = ["Saturday", "sunday"]\n'
        "[plan]\nround_length_m = 1.2\nhours_per_round = 9\n"
        'stops = [{from = "2031-06-01T00:00:00+02:00", to = 2031-06-03T00:00:00Z}]\n'
        "[plan.bench]\nround_length_ft = 10\nhours_per_round = 20.5\n"
    )
    settings, remarks = read(tmp_path, text)
    assert remarks == []
    assert settings.calendar == Calendar(6.5, 22.0, frozenset({5, 6}))
    assert settings.calendar.hours_a_week == 77.5
    bench = settings.plans["bench"]
    assert bench.round_length == pytest.approx(3.048)
    # a stop in [plan] itself is a stop of every stage
    assert bench == StagePlan(bench.round_length, 20.5, settings.plans["heading"].stops)
    assert len(bench.stops) == 1
    heading = settings.plans["heading"]
    assert (heading.round_length, heading.hours_per_round) == (1.2, 9.0)
    assert heading.stops[0].start == np.datetime64("2031-05-31T22:00")
    assert heading.stops[0].end == np.datetime64("2031-06-03T00:00")


@pytest.mark.parametrize(
    ("rule", "pair"),
    [
        ('"3 of 4"', (3, 4)),
        ('"2/3"', (2, 3)),
        ("2", (2, 2)),
        ("{needed = 1, of = 2}", (1, 2)),
        ("{n = 2, m = 5}", (2, 5)),
        ('"2 of 3 readings"', (2, 3)),
    ],
)
def test_confirmation_rules(rule: str, pair: tuple[int, int], tmp_path: Path) -> None:
    text = TUNNEL + f'[[trigger]]\nmeasure = "chord"\nlevels = [{{value_mm = 9}}]\nconfirm = {rule}\n'
    trigger = read(tmp_path, text)[0].triggers[0]
    assert (trigger.confirm_needed, trigger.confirm_of) == pair


@pytest.mark.parametrize(
    ("level", "quantity", "value", "unit"),
    [
        ("value_mm = 12", "value", 12.0, "mm"),
        ("value_in = 0.5", "value", 12.7, "mm"),
        ("value_mm_per_day = 3", "rate", 3.0, "mm/day"),
        ("value_in_per_day = 0.1", "rate", 2.54, "mm/day"),
        ("value_percent = 0.5", "strain", 0.5, "%"),
        ("value_mm = -8", "value", -8.0, "mm"),
    ],
)
def test_levels(level: str, quantity: str, value: float, unit: str, tmp_path: Path) -> None:
    text = TUNNEL + f'[[trigger]]\nmeasure = "settlement"\nsince = "excavation"\nlevels = [{{{level}}}]\n'
    trigger = read(tmp_path, text)[0].triggers[0]
    assert (trigger.quantity, trigger.unit) == (quantity, unit)
    assert trigger.levels[0].value == pytest.approx(value)
    assert trigger.since == "excavation"
    assert (trigger.confirm_needed, trigger.confirm_of) == (2, 3)


def test_left_turn_and_clothoid(tmp_path: Path) -> None:
    text = edited(BASE, ('turn = "right"', 'turn = "left"')) + (
        '[[alignment]]\nkind = "clothoid"\nlength_m = 40\nstart_radius_m = 150\nturn = "left"\n'
    )
    table = read(tmp_path, text)[0].alignment
    assert table is not None
    assert [(row.start_curvature, row.end_curvature) for row in table.rows[1:]] == [
        (-1 / 150, -1 / 150),
        (-1 / 150, 0.0),
    ]


def test_unknown_keys_and_tables_are_remarked_with_a_hint(tmp_path: Path) -> None:
    text = edited(BASE, ("width_m = 11.0", "width_m = 11.0\nheigth_m = 8")) + "[extras]\na = 1\n"
    _, remarks = read(tmp_path, text)
    assert any(
        "tunnel.toml:4" in remark and "tunnel.heigth_m not used; is height_m meant?" in remark for remark in remarks
    )
    assert any("extras not used" in remark for remark in remarks)


def test_lining_and_ground_are_read_with_their_ranges(tmp_path: Path) -> None:
    ring = "[lining]\nthickness_m = [0.25, 0.35]\nafter_hours = 4\nmodulus_mpa = 12000\n"
    soil = "[ground]\nvertical_stress_mpa = 3\nmodulus_mpa = 900\npoisson_ratio = 0.3\n"
    settings, _ = read(tmp_path, TUNNEL + ring + soil)
    assert settings.lining is not None
    assert settings.ground is not None
    assert settings.lining.thickness == Assumption(0.3, 0.25, 0.35)
    assert settings.ground.modulus == Assumption(900.0, 900.0, 900.0)


def test_stages_come_from_the_log_where_the_settings_name_none(tmp_path: Path) -> None:
    text = settings_text()
    text = text[: text.index("[[stage]]")] + text[text.index("[projection]") :]
    job = read_job(write_job(tmp_path, {"tunnel.toml": text}))
    assert [stage.name for stage in job.settings.stages] == ["heading", "bench"]
    assert any("stages taken from advance.csv" in remark for remark in job.folder.remarks)


def test_columns_that_are_not_used_are_remarked(tmp_path: Path) -> None:
    job = read_job(
        write_job(tmp_path, {"events.csv": "time,section,event,weather\n2031-05-10T00:00:00Z,A,ring closed,rain\n"})
    )
    assert "events.csv: column weather not used" in job.folder.remarks


def test_lines_of_triggers_and_chords_do_not_make_settings_differ(tmp_path: Path) -> None:
    one, _ = read(tmp_path, BASE)
    two, _ = read(tmp_path, "\n\n" + BASE)
    assert one == two
    assert one.triggers[0].line != two.triggers[0].line
