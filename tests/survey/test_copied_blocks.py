"""Sweeps of an array that come twice: found together, never in independent, coarse, still or exact readings."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest

from convergence.survey import read_job
from convergence.survey.copied_blocks import copied_blocks
from convergence.survey.copies import copied_readings, frozen_readings
from tests.helpers import job_files, write_job
from tests.survey.test_screens import EPOCH, PRISMS, random_series, readings_of

SWEEP = np.timedelta64(6, "h")


def rounded(seed: int, resolution: float, **options: float) -> list[np.ndarray]:
    return [np.round(series / resolution) * resolution for series in random_series(seed, **options)]  # type: ignore[arg-type]


@pytest.mark.parametrize("resolution", [0.001, 0.01, 0.1])
@pytest.mark.parametrize("sweeps", [1, 2, 3])
def test_a_block_of_all_prisms_is_found_with_one_line(resolution: float, sweeps: int) -> None:
    values = rounded(1, resolution)
    for series in values:
        series[140 : 140 + sweeps] = series[120 : 120 + sweeps]
    readings = readings_of(values, resolution)
    assert not copied_readings(readings, PRISMS)
    (found,) = copied_blocks(readings, PRISMS)
    assert (found.kind, found.section, found.size) == ("copied sweeps", "A", float(sweeps))
    assert found.prism == ":".join(prism.name for prism in PRISMS)
    assert (found.start, found.end) == (EPOCH + 140 * SWEEP, EPOCH + (139 + sweeps) * SWEEP)
    first, last = found.start.astype("datetime64[s]"), found.end.astype("datetime64[s]") + np.timedelta64(1, "s")
    assert found.line == f"{first}Z,A,,readings set aside,until {last}Z"


def test_increments_that_come_again_at_another_level_are_found() -> None:
    values = rounded(2, 0.1)
    for series in values[:5]:
        series[140:143] = series[60:63] - series[60] + series[140]
    found = copied_blocks(readings_of(values), PRISMS)
    assert [item.prism for item in found] == ["P0", "P1", "P2", "P3", "P4"]
    assert {item.size for item in found} == {3.0}
    assert all(
        "2 increments" in item.sentence and f",A,{item.prism},readings set aside," in item.line for item in found
    )


def test_two_prisms_are_not_enough() -> None:
    values = rounded(3, 0.1)
    for series in values[:2]:
        series[140] = series[60]
    assert copied_blocks(readings_of(values), PRISMS) == []


def test_what_is_told_of_each_prism_is_not_told_again() -> None:
    values = rounded(4, 0.01)
    for series in values:
        series[140:150] = series[60:70]
    readings = readings_of(values, 0.01)
    assert copied_blocks(readings, PRISMS, copied_readings(readings, PRISMS)) == []


@pytest.mark.parametrize("noise", [0.05, 0.3, 0.7])
@pytest.mark.parametrize("resolution", [0.1, 0.5, 1.0, 2.0])
@pytest.mark.parametrize("seed", range(2))
def test_nothing_in_readings_however_coarse_or_still(noise: float, resolution: float, seed: int) -> None:
    """Moving for 80 sweeps and still for 220, with noise of the sweep that the array shares."""
    rng = np.random.default_rng(seed)
    way = np.maximum(1.0 - np.arange(300) / 80.0, 0.0) ** 2
    for station in (0.0, 0.5):
        common = rng.normal(0.0, station, (300, 3)) if station else np.zeros((300, 3))
        values = [
            rng.uniform(-30.0, 30.0, 3) + np.outer(way, rng.uniform(-5.0, 20.0, 3)) + common
            + rng.normal(0.0, noise, (300, 3)) for _ in PRISMS
        ]  # fmt: skip
        readings = readings_of(values, resolution)
        assert copied_blocks(readings, PRISMS, frozen_readings(readings, PRISMS)) == []


@pytest.mark.parametrize("resolution", [0.01, 0.1, 0.5, 1.0])
def test_nothing_in_exact_movements(resolution: float) -> None:
    """Without noise, movements of one shape: rounded, they stand still and go on together."""
    way = 1.0 - np.exp(-np.arange(300) / 40.0)
    values = [np.outer(way, (-1.0, 3.0 + index, 20.0 - index)) for index in range(len(PRISMS))]
    assert copied_blocks(readings_of(values, resolution), PRISMS) == []


def test_a_whole_sweep_that_comes_again_is_in_the_log_and_its_line_takes_it_out(tmp_path: Path) -> None:
    rng = np.random.default_rng(5)
    files = job_files(moved=lambda section, place, day: rng.normal(0.0, 0.8, 3) + min(4.0 * day, 30.0))
    rows = files["readings.csv"].splitlines()
    mine = {name: [at for at, row in enumerate(rows) if f",{name}," in row] for name in ("B-CR", "B-LW", "B-RW")}
    for name, places in mine.items():
        rows[places[25]] = f"{rows[places[25]].split(',')[0]},{name},{rows[places[12]].split(',', 2)[2]}"
    files["readings.csv"] = "\n".join(rows) + "\n"
    job = read_job(write_job(tmp_path / "job", files))
    (row,) = job.decisions[job.decisions["kind"] == "copied sweeps"].to_dict("records")
    assert (row["section"], row["size"], row["unit"]) == ("B", 1.0, "readings")
    files["events.csv"] = f"time,section,prism,event,note\n{row['turn_over']}\n"
    mended = read_job(write_job(tmp_path / "mended", files))
    assert set(mended.set_aside["line"]) - set(job.set_aside["line"]) == {places[25] + 1 for places in mine.values()}
