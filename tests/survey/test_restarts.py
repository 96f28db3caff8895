"""Movement that starts again with no logged face near is told, and nothing else is taken for it."""

from __future__ import annotations

from collections.abc import Iterable
from pathlib import Path

import numpy as np
import pytest

from convergence.survey import read_job
from tests.helpers import job_files, movement, passage, write_job

HEADING_ONLY = {
    "advance.csv": "\n".join(line for line in job_files()["advance.csv"].splitlines() if ",bench," not in line) + "\n"
}
#: Days after the heading at which the unlogged stage passes: 48 m behind it, beyond two widths of 11 m.
BEHIND = 12.0


def with_later_stage(section: str, place: str, days: float) -> Iterable[float]:
    """The movement of the heading, and 8 mm of settlement by a stage that comes later."""
    since = days - passage(section) - BEHIND
    return movement(section, place, days) + np.array([0.0, 0.0, 8.0 * (1.0 - np.exp(-max(since, 0.0) / 3.0))])


def kinds(folder: Path) -> dict[str, str]:
    return {item.kind: item.sentence for item in read_job(folder).findings}


@pytest.mark.parametrize("declared", [True, False])
def test_a_stage_without_rounds_is_told_by_what_it_causes(declared: bool, tmp_path: Path) -> None:
    files = dict(HEADING_ONLY)
    if not declared:
        stage = '[[stage]]\nname = "bench"\nshare = 0.4\nfollows = "heading"\n'
        assert stage in job_files()["tunnel.toml"]
        files["tunnel.toml"] = job_files()["tunnel.toml"].replace(stage, "")
    told = kinds(write_job(tmp_path, files, moved=with_later_stage))
    # section C is read for half a day after the stage passes it, which is too short to say
    assert told["movement restarted"].startswith("movement started again at A, B, first about 2031-05-1")
    assert ("no rounds of bench" in told["movement restarted"]) is declared
    assert ("a stage that the job does not declare" in told["movement restarted"]) is not declared
    assert ("or has already caused" in told.get("stage not begun", "")) is declared


def test_a_logged_stage_and_a_heading_alone_are_not_told(tmp_path: Path) -> None:
    rounds = [line.split(",") for line in job_files()["advance.csv"].splitlines()]
    logged = [
        ",".join([time, stage, str(float(chainage) - 18.0) if stage == "bench" else chainage])
        for time, stage, chainage in rounds[1:]
    ]
    log = {"advance.csv": "\n".join([",".join(rounds[0]), *logged]) + "\n"}
    assert "movement restarted" not in kinds(write_job(tmp_path / "logged", log, moved=with_later_stage))
    assert "movement restarted" not in kinds(write_job(tmp_path / "heading", HEADING_ONLY))


def test_a_step_or_a_drift_that_comes_back_is_no_start(tmp_path: Path) -> None:
    def step(section: str, place: str, days: float) -> Iterable[float]:
        return movement(section, place, days) + np.array([0.0, 0.0, 8.0 * (days > passage(section) + BEHIND)])

    def drift(section: str, place: str, days: float) -> Iterable[float]:
        since = days - passage(section) - BEHIND
        return movement(section, place, days) + np.array([0.0, 0.0, 1.5 * since * (0.0 < since < 3.0)])

    for name, moved in (("step", step), ("drift", drift)):
        assert "movement restarted" not in kinds(write_job(tmp_path / name, HEADING_ONLY, moved=moved)), name


def test_the_sample_job_has_all_its_stages(sample_folder: Path) -> None:
    assert "movement restarted" not in kinds(sample_folder)
