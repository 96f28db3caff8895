"""Units of the inputs: one job in metres, feet, survey feet, inches and millimetres is the same job."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest

from convergence.errors import JobError
from convergence.measures.tunnel import measure_tunnel
from convergence.survey.job import Job, read_job
from convergence.units import METRES, MILLIMETRES, split_unit
from tests.helpers import ALIGNMENT, edited, job_files, movement, settings_text, write_job

#: Decimals written, so that rounding in the file is far below what is compared.
DIGITS = 15


def test_defined_units() -> None:
    """Foot and inch exact by definition (24 FR 5348, 1959), survey foot 1200/3937 m exactly (Mendenhall
    order, 1893).

    Both from memory.
    """
    assert METRES["ft"] == 0.3048
    assert METRES["in"] == 0.0254
    assert METRES["ftUS"] * 3937 == pytest.approx(1200.0, rel=1e-15)
    for unit, metres in METRES.items():
        assert MILLIMETRES[unit] == pytest.approx(1e3 * metres, rel=1e-15)


def test_survey_foot_is_longer_by_two_millionths() -> None:
    """1 ftUS = 1.000002 ft (from memory): 2 ppm, half a millimetre in 250 m of chainage, 1 m in 500 km of
    grid.
    """
    assert METRES["ftUS"] / METRES["ft"] - 1 == pytest.approx(2e-6, rel=1e-4)


@pytest.mark.parametrize(
    ("name", "split"),
    [
        ("chainage_ftUS", ("chainage", "ftUS")),
        ("sigma_mm", ("sigma", "mm")),
        ("prism", ("prism", None)),
        ("_m", ("_m", None)),
        ("x_in", ("x", "in")),
        ("chainage_FT", ("chainage_FT", None)),
        ("a_b_m", ("a_b", "m")),
    ],
)
def test_split_unit(name: str, split: tuple[str, str | None]) -> None:
    assert split_unit(name) == split


def compare(one: Job, two: Job, tolerance: float) -> None:
    """Same sections, prisms, faces and movements; lengths to 1e-9 m, movements [mm] to the tolerance."""
    assert one.settings.tunnel.width == pytest.approx(two.settings.tunnel.width, abs=1e-9)
    for prism, other in zip(one.folder.prisms, two.folder.prisms, strict=True):
        assert prism.chainage == pytest.approx(other.chainage, abs=1e-9)
        assert prism.offset == pytest.approx(other.offset, abs=1e-9)
        assert prism.height == pytest.approx(other.height, abs=1e-9)
    for stage, log in one.folder.advance.items():
        np.testing.assert_allclose(log.chainage, two.folder.advance[stage].chainage, rtol=0, atol=1e-9)
    for section in one.sections:
        left, right = one.arrays[section], two.arrays[section]
        np.testing.assert_allclose(left["movement"], right["movement"], rtol=0, atol=tolerance)
        np.testing.assert_allclose(left["face_distance"], right["face_distance"], rtol=0, atol=1e-9)


@pytest.mark.parametrize("unit", ["ft", "ftUS"])
def test_movements_in_feet_and_inches(unit: str, tmp_path: Path) -> None:
    metric = read_job(write_job(tmp_path / "m", digits=DIGITS))
    compare(metric, read_job(write_job(tmp_path / unit, unit=unit, digits=DIGITS)), 1e-9)


@pytest.mark.parametrize("unit", ["m", "ft", "ftUS"])
def test_coordinates_give_the_movements(unit: str, tmp_path: Path) -> None:
    """Coordinates of the order of 2e3 m hold 2.3e-13 m in a double; a movement is a difference of two such:
    1e-9 mm.
    """
    movements = read_job(write_job(tmp_path / "movements", digits=DIGITS))
    coordinates = read_job(write_job(tmp_path / unit, form="coordinates", unit=unit, digits=DIGITS))
    compare(movements, coordinates, 2e-9)
    array = coordinates.arrays["C"]
    epoch = np.datetime64(array.attrs["epoch"], "ns")
    shift = (epoch - np.datetime64("2031-05-05T00:00", "ns")) / np.timedelta64(1, "D")
    for column, place in enumerate(("CR", "LW", "RW")):
        days = array["read_days"].values[:, column] + shift
        truth = np.array([movement("C", place, day) for day in days])
        np.testing.assert_allclose(array["movement"].values[:, column], truth - truth[0], rtol=0, atol=2e-9)


def test_mixed_units_in_one_job(tmp_path: Path) -> None:
    """Prisms in survey feet, advance in feet, settings in metres, readings in millimetres and, in another
    file, metres.
    """
    metric, survey, feet = job_files(digits=DIGITS), job_files(unit="ftUS"), job_files(unit="ft")
    header, *rows = metric["readings.csv"].splitlines()
    half = len(rows) // 2
    metres = [
        ",".join([*row.split(",")[:2], *(repr(float(value) / 1e3) for value in row.split(",")[2:])])
        for row in rows[half:]
    ]
    changes = {
        "prisms.csv": survey["prisms.csv"],
        "advance.csv": feet["advance.csv"],
        "readings.csv": "\n".join([header, *rows[:half]]) + "\n",
        "readings/more.csv": "\n".join([header.replace("_mm", "_m"), *metres]) + "\n",
    }
    mixed = read_job(write_job(tmp_path / "mixed", changes, digits=DIGITS))
    compare(read_job(write_job(tmp_path / "plain", digits=DIGITS)), mixed, 1e-9)


def test_chords_of_both_forms_agree(tmp_path: Path) -> None:
    """Without an alignment chords are measured in chainage, offset and height, a turned frame of the same
    section.

    Coordinates begin at the first reading, movements at the design position: half a millimetre apart, which
    on 10 m turns a chord by 5e-5 rad and changes 13 mm of convergence by less than 1e-5 mm.
    """
    one = measure_tunnel(read_job(write_job(tmp_path / "a", digits=DIGITS)))
    two = measure_tunnel(read_job(write_job(tmp_path / "b", form="coordinates", digits=DIGITS)))
    for left, right in zip(one, two, strict=True):
        assert left.label == right.label
        atol = 1e-5 if left.measure == "chord" else 2e-9
        np.testing.assert_allclose(left.value, right.value, rtol=0, atol=atol)


def test_levels_in_inches(tmp_path: Path) -> None:
    text = edited(settings_text(), ("value_mm = 20.0", "value_in = 1.0"), ("value_mm = 30.0", "value_ft = 0.25"))
    trigger = read_job(write_job(tmp_path, {"tunnel.toml": text})).settings.triggers[0]
    assert [level.value for level in trigger.levels] == pytest.approx([25.4, 76.2], rel=1e-15)


def test_sigma_is_read_in_its_unit_and_useless_ones_are_told(tmp_path: Path) -> None:
    rows = job_files()["readings.csv"].splitlines()
    sigmas = ["sigma_in", "0.05", "-1", "none", "", *["0.02"] * (len(rows) - 5)]
    text = "\n".join(f"{row},{sigma}" for row, sigma in zip(rows, sigmas, strict=True)) + "\n"
    job = read_job(write_job(tmp_path, {"readings.csv": text}))
    sigma = job.raw.set_index("line")["sigma"]
    assert sigma.loc[2] == pytest.approx(1.27)
    assert sigma.loc[[3, 4, 5]].isna().all()
    assert any("2 values of sigma_in not used" in remark for remark in job.folder.remarks)


def test_feet_taken_for_metres_stop_the_job(tmp_path: Path) -> None:
    """The column says metres, the numbers are feet: 190 m of alignment end long before chainage 295."""
    feet = job_files("coordinates", "ft")["advance.csv"].replace("chainage_ft", "chainage_m")
    with pytest.raises(JobError, match="correct the unit"):
        read_job(write_job(tmp_path, {"advance.csv": feet}, "coordinates"))


def test_alignment_of_the_settings_is_the_alignment_of_the_helper(tmp_path: Path) -> None:
    job = read_job(write_job(tmp_path, form="coordinates", unit="ft"))
    assert job.alignment is not None
    chainage = np.linspace(50.0, 190.0, 29)
    np.testing.assert_allclose(job.alignment.position(chainage), ALIGNMENT.position(chainage), rtol=0, atol=1e-9)
