"""Chords from 3-D positions: by hand, on a curve, over breaks, and which pairs are measured."""

from __future__ import annotations

import math
from pathlib import Path

import numpy as np
import pytest

from convergence.job.schema import ChordPair, Prism
from convergence.measures.chords import chord_convergence, chord_pairs
from convergence.measures.tunnel import find_series, measure_section
from convergence.survey.job import read_job
from tests.helpers import ALIGNMENT, PLACES, SECTIONS, instant, job_files, movement, settings_text, write_job


def prism(name: str, position: str, offset: float, height: float) -> Prism:
    return Prism(name, "A", position, 100.0, offset, height, 2)


ARRAY = [
    prism("A1", "crown", 0.0, 7.0), prism("A2", "left wall", -5.0, 2.0), prism("A3", "right wall", 5.0, 2.1),
    prism("A4", "left bench", -5.2, -1.0), prism("A5", "right bench", 5.2, -1.2),
]  # fmt: skip


def test_chord_by_hand() -> None:
    """Worked by hand: 3-4-5 and 5-12-13 triangles. Start 13 m; then (5 - 0.02, 12 - 0.01, 0.03): 12.98312 m;
    16.88 mm.
    """
    start = np.zeros((2, 3))
    end = np.array([[5.0, 12.0, 0.0], [4.98, 11.99, 0.03]])
    convergence, length = chord_convergence(start, end)
    assert length == 13.0
    expected = 13_000 - 1e3 * math.sqrt(4.98**2 + 11.99**2 + 0.03**2)
    np.testing.assert_allclose(convergence, [0.0, expected], rtol=0, atol=1e-9)
    assert convergence[1] == pytest.approx(16.88, abs=5e-3)


def test_movement_square_to_the_chord_hardly_counts() -> None:
    """20 mm of settlement of one end of a level chord of 10 m lengthen it by 20^2 / (2 x 10000) = 0.02 mm."""
    start = np.zeros((2, 3))
    end = np.array([[10.0, 0.0, 0.0], [10.0, 0.0, -0.02]])
    assert chord_convergence(start, end)[0][1] == pytest.approx(-0.02, abs=1e-5)


def test_rigid_motion_changes_no_chord() -> None:
    rng = np.random.default_rng(1)
    one, two = rng.normal(0, 5, 3), rng.normal(0, 5, 3)
    angle = 0.3
    turn = np.array([[math.cos(angle), -math.sin(angle), 0], [math.sin(angle), math.cos(angle), 0], [0, 0, 1]])
    convergence, _ = chord_convergence(np.array([one, turn @ one + 7.0]), np.array([two, turn @ two + 7.0]))
    assert convergence[1] == pytest.approx(0.0, abs=1e-9)


def test_chords_on_a_curve_against_exact_geometry(tmp_path: Path) -> None:
    """Distances of the true coordinates, from the alignment itself, against the chord of the job.

    Coordinates are written to 1e-12 m, of which a double holds 2e-13 m at 2000 m: 1e-8 mm is asked.
    """
    job = read_job(write_job(tmp_path, form="coordinates", digits=12))
    for section in SECTIONS:
        series = find_series(job, section, "chord left wall:right wall")
        array = job.arrays[section]
        shift = (job.epoch - np.datetime64("2031-05-05T00:00", "ns")) / np.timedelta64(1, "D")
        days = array["read_days"].values + shift
        ends = []
        for column, place in ((1, "LW"), (2, "RW")):
            _, offset, height, _ = PLACES[place]
            true = np.array([movement(section, place, day) for day in days[:, column]]) / 1e3
            azimuth = float(ALIGNMENT.azimuth(SECTIONS[section]))
            base = np.array([float(value) for value in ALIGNMENT.point(SECTIONS[section], offset, height)])
            along = np.array([math.sin(azimuth), math.cos(azimuth), 0.0])
            right = np.array([math.cos(azimuth), -math.sin(azimuth), 0.0])
            ends.append(base + true[:, :1] * along + true[:, 1:2] * right - true[:, 2:] * np.array([0.0, 0.0, 1.0]))
        length = np.linalg.norm(ends[0] - ends[1], axis=1)
        np.testing.assert_allclose(series.value, 1e3 * (length[0] - length), rtol=0, atol=1e-8)
        assert series.base_length == pytest.approx(length[0], abs=1e-9)
        assert series.value[-1] > 10.0


def test_prisms_of_a_section_at_different_chainages_on_a_curve(tmp_path: Path) -> None:
    """A right wall set 2 m ahead of its section, on the curve: its axes are turned, the chord is the distance
    of points.
    """
    files = job_files("coordinates", digits=12)
    prisms = files["prisms.csv"].replace("C-RW,C,right wall,124.0", "C-RW,C,right wall,126.0")
    _, offset, height, _ = PLACES["RW"]
    ahead = np.array([float(value) for value in ALIGNMENT.point(126.0, offset, height)])
    there = np.array([float(value) for value in ALIGNMENT.point(124.0, offset, height)])
    lines = []
    for line in files["readings.csv"].splitlines():
        fields = line.split(",")
        if fields[1] == "C-RW":
            fields[2:] = [
                repr(float(value)) for value in np.array([float(value) for value in fields[2:]]) - there + ahead
            ]
        lines.append(",".join(fields))
    job = read_job(
        write_job(
            tmp_path,
            {"prisms.csv": prisms, "readings.csv": "\n".join(lines) + "\n"},
            "coordinates",
            digits=12,
        )
    )
    series = find_series(job, "C", "chord C-LW:C-RW")
    points = [job.raw[job.raw["prism"] == index][["a", "b", "c"]].to_numpy() for index in (7, 8)]
    length = np.linalg.norm(points[0] - points[1], axis=1)
    np.testing.assert_allclose(series.value, 1e3 * (length[0] - length), rtol=0, atol=1e-8)


def test_chord_counts_from_the_later_zero_reading(tmp_path: Path) -> None:
    day = 8.0
    events = f"time,section,prism,event\n{instant(day)},A,A-RW,zero reading\n"
    job = read_job(write_job(tmp_path, {"events.csv": events}))
    series = find_series(job, "A", "chord A-LW:A-RW")
    shift = (job.epoch - np.datetime64("2031-05-05T00:00", "ns")) / np.timedelta64(1, "D")
    assert series.time[0] + shift >= day - 1e-9
    assert series.value[0] == 0.0


def test_break_of_either_prism_begins_a_new_segment(tmp_path: Path) -> None:
    events = f"time,section,prism,event\n{instant(8.0)},A,A-LW,prism replaced\n"
    events += f"{instant(12.0)},A,A-RW,prism replaced\n"
    job = read_job(write_job(tmp_path, {"events.csv": events}))
    series = find_series(job, "A", "chord A-LW:A-RW")
    assert sorted(set(series.segment.tolist())) == [0, 1, 2]
    assert find_series(job, "A", "settlement A-LW").segment.max() == 1
    assert find_series(job, "A", "settlement A-CR").segment.max() == 0


def test_level_pairs_are_found_where_none_is_named() -> None:
    assert chord_pairs("A", ARRAY, []) == [(1, 2), (3, 4)]
    assert chord_pairs("A", ARRAY[:2], []) == []


@pytest.mark.parametrize(
    ("named", "expected"),
    [
        ([ChordPair("*", "left wall", "right wall")], [(1, 2)]),
        ([ChordPair("A", "crown", "A4")], [(0, 3)]),
        ([ChordPair("B", "left wall", "right wall")], []),
        ([ChordPair("*", "left wall", "roof")], []),
        ([ChordPair("*", "left wall", "right wall"), ChordPair("A", "A2", "A3")], [(1, 2)]),
    ],
)
def test_named_pairs(named: list[ChordPair], expected: list[tuple[int, int]]) -> None:
    assert chord_pairs("A", ARRAY, named) == expected


def test_position_that_stands_twice_is_paired_in_height() -> None:
    array = [*ARRAY[:3], prism("A6", "left wall", -5.1, 4.0), prism("A7", "right wall", 5.1, 4.2)]
    assert chord_pairs("A", array, [ChordPair("*", "left wall", "right wall")]) == [(1, 2), (3, 4)]


def test_chord_named_in_the_settings(tmp_path: Path) -> None:
    text = settings_text() + '[[chord]]\nfrom = "crown"\nto = "left wall"\n'
    job = read_job(write_job(tmp_path, {"tunnel.toml": text}))
    chords = [series for series in measure_section(job, "B") if series.measure == "chord"]
    assert [(series.label, series.prisms) for series in chords] == [("chord crown:left wall", "B-CR:B-LW")]
    assert chords[0].chainage == 112.0
