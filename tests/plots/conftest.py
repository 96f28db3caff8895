"""Outlooks of odd jobs for the figures: without triggers, chords or readings, and with every kind of level."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path

import pytest

from convergence.survey.job import read_job
from convergence.triggers import Outlook, outlook
from tests.helpers import job_files, settings_text, write_job

WITHOUT_TRIGGER = settings_text().split("[[trigger]]")[0]
EVERY_LEVEL = """[[trigger]]
name = "from excavation"
measure = "settlement"
since = "excavation"
levels = [{name = "limit", value_mm = 24.0}]

[[trigger]]
name = "strain"
measure = "chord"
since = "zero reading"
levels = [{name = "attention", value_percent = 0.2}]

[[trigger]]
name = "sideways"
measure = "transverse"
since = "zero reading"
levels = [{name = "attention", value_mm = 6.0}]

[[trigger]]
name = "speed"
measure = "settlement"
since = "zero reading"
levels = [{name = "attention", value_mm_per_day = 5.0}]

[[expected]]
name = "class B"
face_distance_m = [0, 10, 30]
value_mm = [0, 12, 20]

[[trigger]]
name = "against design"
measure = "settlement"
since = "zero reading"
expected = "class B"
levels = [{name = "attention", value_mm = 3.0}, {name = "alert", value_mm = 7.5}]
"""


def _rows(text: str, unwanted: Sequence[str]) -> str:
    return "\n".join(line for line in text.splitlines() if not any(name in line for name in unwanted)) + "\n"


def _outlook(folder: Path, changes: dict[str, str]) -> Outlook:
    return outlook(read_job(write_job(folder, changes)))


@pytest.fixture(scope="session")
def plain(tmp_path_factory: pytest.TempPathFactory) -> Outlook:
    """No trigger; section C was never read; the tunnel's name is full of signs that mean something elsewhere."""
    files = job_files()
    changes = {
        "tunnel.toml": WITHOUT_TRIGGER.replace('"Invented"', '"A $1_0$ {tunnel} with % signs"'),
        "readings.csv": _rows(files["readings.csv"], ["C-"]),
    }
    return _outlook(tmp_path_factory.mktemp("plain") / "job", changes)


@pytest.fixture(scope="session")
def crowns(tmp_path_factory: pytest.TempPathFactory) -> Outlook:
    """One prism a section, so that there are no chords."""
    files = job_files()
    changes = {name: _rows(files[name], ["-LW", "-RW"]) for name in ("prisms.csv", "readings.csv")}
    return _outlook(tmp_path_factory.mktemp("crowns") / "job", changes)


@pytest.fixture(scope="session")
def levels(tmp_path_factory: pytest.TempPathFactory) -> Outlook:
    """Levels of every kind: with the lost part, as strain, to both sides, as a rate, and beyond an expected curve."""
    return _outlook(tmp_path_factory.mktemp("levels") / "job", {"tunnel.toml": WITHOUT_TRIGGER + EVERY_LEVEL})
