"""A small job that goes on after its dates, with noise, and its hindcast worked out once."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path

import numpy as np
import pytest

from convergence.hindcasting import Hindcast, hindcast
from convergence.survey.job import read_job
from tests.helpers import PLACES, SECTIONS, movement, write_job

NOISE = 0.4
Moved = Callable[[str, str, float], np.ndarray]


def noisy(section: str, place: str, days: float) -> np.ndarray:
    """The job's movement with an error of reading that hangs on section, prism and instant alone."""
    seed = [list(SECTIONS).index(section), list(PLACES).index(place), round(days * 1440)]
    return movement(section, place, days) + np.random.default_rng(seed).normal(0.0, NOISE, 3)


@pytest.fixture(scope="session")
def noisy_folder(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Three sections, three weeks; nobody writes there."""
    return write_job(tmp_path_factory.mktemp("hindcast") / "job", moved=noisy)


@pytest.fixture(scope="session")
def found(noisy_folder: Path) -> Hindcast:
    """Its hindcast, every four days."""
    return hindcast(read_job(noisy_folder), every=4.0)
