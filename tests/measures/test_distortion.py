"""Distortion of a pair of prisms: by hand, and from a job that asks for it."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest

from convergence.errors import ValueFault
from convergence.measures.distortion import pair_distortion
from convergence.measures.tunnel import find_series, measure_section
from convergence.survey.job import read_job
from convergence.triggers.outlook import outlook
from tests.helpers import movement, passage, settings_text, write_job

DISTORTION = '[[trigger]]\nmeasure = "distortion"\nlevels = [{name = "one", value_one_in = 5000}]\n'


def test_a_level_pair_gives_the_difference_of_settlement() -> None:
    found, length = pair_distortion([[1.0, 9.0], [2.0, 7.0]], [[2.0, 3.0], [6.0, 3.0]], 10.0, 0.0)
    assert found.tolist() == [4.0, 0.0]
    assert length == 10.0


def test_an_upright_pair_gives_the_difference_of_transverse_movement() -> None:
    """The upper prism goes 3 mm to the right of the lower one: clockwise."""
    found, length = pair_distortion([[0.0], [3.0]], [[5.0], [9.0]], 0.0, 4.0)
    assert found.tolist() == [3.0]
    assert length == 4.0


@pytest.mark.parametrize(("across", "up"), [(3.0, 4.0), (-6.0, 2.0), (5.0, -5.0)])
def test_a_rigid_turn_is_found_and_a_rigid_shift_is_not(across: float, up: float) -> None:
    """Turning clockwise by 0.5 mrad moves the far end by 0.5 mm a metre square to the line; a shift by nothing."""
    angle = 5e-4
    right, down = 1e3 * angle * up, 1e3 * angle * across
    found, length = pair_distortion([[7.0], [7.0 + right]], [[2.0], [2.0 + down]], across, up)
    assert found[0] / length == pytest.approx(0.5, rel=1e-12)


def test_one_place_is_no_pair() -> None:
    with pytest.raises(ValueFault, match="different places"):
        pair_distortion([[0.0], [0.0]], [[0.0], [0.0]], 0.0, 0.0)


def test_a_job_gets_it_where_a_trigger_asks(tmp_path: Path) -> None:
    plain = read_job(write_job(tmp_path / "plain"))
    assert not [item for item in measure_section(plain, "A") if item.measure == "distortion"]
    text = settings_text().split("[[trigger]]")[0] + DISTORTION
    job = read_job(write_job(tmp_path / "asked", {"tunnel.toml": text}))
    series = find_series(job, "B", "distortion left wall:right wall")
    first, last = (np.array([movement("B", place, day)[2] for place in ("LW", "RW")]) for day in series.time[[0, -1]])
    moved = last - first
    # readings are written to a tenth of a millimetre, and the two ends are read a minute apart
    assert series.value[-1] == pytest.approx(moved[1] - moved[0], abs=0.21)
    assert series.base_length == pytest.approx(10.0)
    assert series.prisms == "B-LW:B-RW"
    assert series.time[0] > passage("B")


def test_it_stands_in_the_outlook(tmp_path: Path) -> None:
    text = settings_text().split("[[trigger]]")[0] + DISTORTION
    found = outlook(read_job(write_job(tmp_path, {"tunnel.toml": text})))
    rows = found.table[found.table["measure"] == "distortion"]
    assert len(rows) == 3
    assert (rows["trigger"] == "distortion").all()
    assert (rows["level_value"] == 0.2).all()
    passages = found.passages
    assert (passages["quantity"] == "distortion").all()
    assert (passages["unit"] == "mm/m").all()
    series = {item.section: item for item in found.projection.sections["A"].series if item.measure == "distortion"}
    row = passages[passages["section"] == "A"].iloc[0]
    assert row["value"] == pytest.approx(series["A"].value[-1] / 10.0)
