"""A sweep read from a station that moved is one decision, told as the station's; a real step of an array stays."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path

import numpy as np
import pytest

from convergence.survey.job import read_job
from convergence.survey.shared_spikes import shared_spikes
from tests.helpers import sweep_days, write_job
from tests.survey.test_arrays import with_step

EVENTS = "time,section,prism,event,note\n"
SHIFT = (3.0, -4.0, 1.0)
Moved = Callable[[str, str, float], np.ndarray]


def in_one_sweep(section: str, sweep: int, places: tuple[str, ...] = ("CR", "LW", "RW"), base: Moved | None = None):  # type: ignore[no-untyped-def]
    """The prisms of a section off by ``SHIFT`` in one sweep."""
    at = float(sweep_days(section)[sweep])
    back = tuple(-part for part in SHIFT)
    return with_step(at - 0.05, SHIFT, section, places, with_step(at + 0.3, back, section, places, base))


def test_a_sweep_off_as_a_whole_is_one_decision_and_its_line_takes_it_back(tmp_path: Path) -> None:
    moved = in_one_sweep("B", 16, base=in_one_sweep("A", 20))
    job = read_job(write_job(tmp_path / "job", moved=moved))
    log = job.decisions
    rows = log[log["kind"] == "shared spike"]
    assert list(rows["section"]) == ["B", "A"] or list(rows["section"]) == ["A", "B"]
    assert "spike" not in set(log["kind"])
    # noise of 0.3 mm in three prisms and the readings around them
    np.testing.assert_allclose(rows["size"], np.linalg.norm(SHIFT), atol=1.5)
    assert all("the station or its references" in reason for reason in rows["reason"])
    assert (job.set_aside["reason"] == "spike").sum() == 6
    files = {"events.csv": EVENTS + str(rows["turn_over"].iloc[0]) + "\n"}
    kept = read_job(write_job(tmp_path / "kept", files, moved=moved))
    again = kept.decisions[kept.decisions["kind"] == "shared spike"]
    assert sorted(again["decision"]) == ["kept", "set aside"]
    assert (kept.set_aside["reason"] == "spike").sum() == 3
    assert set(kept.set_aside["section"]) == {rows["section"].iloc[1]}


def test_one_prism_alone_and_an_array_that_steps_are_none_of_it(tmp_path: Path) -> None:
    alone = in_one_sweep("A", 20, ("CR",))
    step = with_step(8.3, (1.0, 2.0, 9.0), "B", ("CR", "LW", "RW"), alone)
    log = read_job(write_job(tmp_path, moved=step)).decisions
    assert "shared spike" not in set(log["kind"])
    assert list(log.loc[log["kind"] == "spike", "prism"]) == ["A-CR"]
    assert set(log.loc[log["kind"] == "shared jump", "section"]) == {"B"}


@pytest.mark.parametrize("seed", range(10))
def test_clean_and_fast_sections_have_none(seed: int) -> None:
    """Noise of 0.7 mm, 0.3 mm of it shared, and 20 mm in three days."""
    rng = np.random.default_rng(seed)
    sweeps = 0.25 * np.arange(80.0)
    days = (sweeps[:, None] + 0.001 * np.arange(5)).ravel()
    who = np.tile(np.arange(5), 80)
    movement = 20.0 * np.clip((days - 7.0) / 3.0, 0.0, 1.0)[:, None] * np.array([0.0, 0.3, 1.0])
    movement = movement + rng.normal(0.0, 0.6, (400, 3)) + np.repeat(rng.normal(0.0, 0.3, (80, 3)), 5, axis=0)
    time = np.datetime64("2031-05-01", "ns") + (days * 86_400).astype("timedelta64[s]")
    assert shared_spikes(movement, days, who, time, np.ones(400, dtype=bool)) == []
    movement[200:205] += (0.0, 4.2, 5.6)
    ((rows, shift, apart),) = shared_spikes(movement, days, who, time, np.ones(400, dtype=bool))
    assert rows.tolist() == [200, 201, 202, 203, 204]
    # median of five with the noise of both neighbours: 0.7 sqrt(1.5) (1.25 / sqrt(5)) = 0.5 mm an axis
    np.testing.assert_allclose(shift, (0.0, 4.2, 5.6), atol=2.0)
    assert apart < 3.0
