"""From coordinates to movements along the tunnel's axes, on a curve and on a grade."""

from __future__ import annotations

import math
from pathlib import Path

import numpy as np
import pytest

from convergence.job.schema import AlignmentRow, AlignmentTable, ProfileRow
from convergence.survey.alignment import Arc, Clothoid, Straight
from convergence.survey.job import read_job
from convergence.survey.reduction import build_alignment
from tests.helpers import ALIGNMENT, PLACES, SECTIONS, job_files, movement, write_job


def test_alignment_from_the_settings() -> None:
    rows = (
        AlignmentRow("straight", 10.0),
        AlignmentRow("clothoid", 20.0, 0.0, -0.01),
        AlignmentRow("arc", 30.0, -0.01, -0.01),
    )
    table = AlignmentTable(5.0, 100.0, 200.0, 0.5, rows, (ProfileRow(5.0, 50.0), ProfileRow(65.0, 53.0)))
    alignment = build_alignment(table)
    assert alignment.elements == (Straight(10.0), Clothoid(20.0, 0.0, -0.01), Arc(30.0, -100.0))
    assert alignment.end_chainage == table.end_chainage == 65.0
    assert float(alignment.position(35.0)[2]) == pytest.approx(51.5)


def test_movements_of_every_prism_come_back(tmp_path: Path) -> None:
    """Round trip: place, movement along the axes, coordinates by the alignment, file, reader, movement.

    Coordinates are written to 0.1 mm, so a movement since the zero reading is right to 0.1 sqrt(2) mm at
    most.
    """
    job = read_job(write_job(tmp_path, form="coordinates"))
    for section in SECTIONS:
        array = job.arrays[section]
        shift = (np.datetime64(array.attrs["epoch"], "ns") - np.datetime64("2031-05-05T00:00", "ns")) / np.timedelta64(
            1, "D"
        )
        for column, place in enumerate(PLACES):
            truth = np.array([movement(section, place, day + shift) for day in array["read_days"].values[:, column]])
            found = array["movement"].values[:, column]
            np.testing.assert_allclose(found, truth - truth[0], rtol=0, atol=0.142)


@pytest.mark.parametrize("chainage", [60.0, 115.0, 130.0, 185.0])
def test_axes_at_a_place_against_geometry(chainage: float) -> None:
    """The plan tangent by central differences of the axis, 1 mm on either side: good to 1e-9 for a radius of
    150 m.
    """
    ahead, behind = (np.array(ALIGNMENT.position(chainage + step)) for step in (5e-4, -5e-4))
    tangent = (ahead - behind)[:2] / 1e-3
    tangent /= np.linalg.norm(tangent)
    right = np.array([tangent[1], -tangent[0]])
    east, north, down = 3.0 * tangent[0] - 2.0 * right[0], 3.0 * tangent[1] - 2.0 * right[1], 5.0
    found = ALIGNMENT.movement(chainage, east, north, -down)
    np.testing.assert_allclose(found, (3.0, -2.0, 5.0), rtol=0, atol=1e-6)
    assert math.atan2(*tangent) % (2 * math.pi) == pytest.approx(float(ALIGNMENT.azimuth(chainage)), abs=1e-7)


def test_down_chainage_drive_keeps_the_axes(tmp_path: Path) -> None:
    """Signs belong to the alignment, not to the drive: right is right looking up-chainage, whichever way the
    face goes.
    """
    files = job_files("coordinates")
    down = files["tunnel.toml"].replace("up-chainage", "down-chainage")
    header, *rounds = files["advance.csv"].splitlines()
    turned = [",".join([*row.split(",")[:2], str(240.0 - float(row.split(",")[2]))]) for row in rounds]
    advance = "\n".join([header, *turned]) + "\n"
    job = read_job(write_job(tmp_path / "down", {"tunnel.toml": down, "advance.csv": advance}, "coordinates"))
    up = read_job(write_job(tmp_path / "up", form="coordinates"))
    assert job.sections == ("C", "B", "A")
    used = job.arrays["C"]["used"].values.all(axis=1)
    last = job.arrays["C"]["raw"].values[used][-1]
    np.testing.assert_allclose(last, up.arrays["C"]["raw"].values[-1], rtol=0, atol=1e-9)
    distance = job.arrays["C"]["face_distance"].sel(stage="heading").values
    assert distance[-1] == pytest.approx(124.0 - (240.0 - 172.0), abs=2.1)


@pytest.mark.parametrize("row", [4, 100])
def test_reading_of_another_place_is_set_aside(row: int, tmp_path: Path) -> None:
    """A prism's name on a point 30 m on: no movement, and no reason to stop the job."""
    lines = job_files("coordinates")["readings.csv"].splitlines()
    fields = lines[row].split(",")
    fields[2] = str(float(fields[2]) + 30.0)
    lines[row] = ",".join(fields)
    job = read_job(write_job(tmp_path, {"readings.csv": "\n".join(lines) + "\n"}, "coordinates"))
    assert job.set_aside[["line", "reason", "prism"]].to_numpy().tolist() == [
        [row + 1, "outside the alignment", fields[1]]
    ]


def test_prism_listed_at_the_wrong_chainage_is_not_used(tmp_path: Path) -> None:
    """Its section stands at 100 m by the list, at 124 m by coordinates: face distances would be wrong."""
    files = job_files("coordinates")
    prisms = files["prisms.csv"].replace(",124.0,", ",100.0,")
    job = read_job(write_job(tmp_path, {"prisms.csv": prisms}, "coordinates"))
    aside = job.set_aside
    assert set(aside["section"]) == {"C"}
    assert set(aside["reason"]) == {"outside the alignment"}
    assert not job.arrays["C"]["used"].values.any()
