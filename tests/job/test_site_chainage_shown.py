"""In a job with chainage equations everything a user is shown speaks the site's chainages.

The tunnel is that of ``tests.helpers`` with the equation back 106 = ahead 533, so section B, 112 m along the tunnel,
is 533 + 6 = 539 m on site, and C 551 m (route surveying's definition of back and ahead, from memory, by hand).
"""

from __future__ import annotations

import re
from pathlib import Path

import numpy as np
import pandas as pd
import pytest

import convergence as cv
from convergence.cli import main
from convergence.job.stationing import ChainageEquation, Stationing
from convergence.survey import read_job
from tests.job.test_chainage_equations import on_site

SITE = Stationing((ChainageEquation(106.0, 533.0),))
SHOWN = {"A": 100.0, "B": 539.0, "C": 551.0}


@pytest.fixture(scope="module")
def folder(tmp_path_factory: pytest.TempPathFactory) -> Path:
    return on_site(tmp_path_factory.mktemp("site") / "job", SITE)


def test_a_projection_and_its_table_speak_the_site_s_chainages(folder: Path) -> None:
    job = read_job(folder)
    projection = cv.project(job)
    table = projection.dataset()
    np.testing.assert_allclose(table["chainage"].values, [SHOWN[str(name)] for name in table["section"].values])
    assert {name: item.site_chainage for name, item in projection.sections.items()} == pytest.approx(SHOWN)
    np.testing.assert_allclose(job.array("B")["site_chainage"].values, SHOWN["B"], atol=1e-9)


def test_no_file_that_is_written_has_another_chainage(folder: Path, tmp_path: Path) -> None:
    assert main(["outlook", str(folder), "--out", str(tmp_path / "o")]) == 0
    assert main(["report", str(folder), "--out", str(tmp_path / "r")]) == 0
    assert main(["hindcast", str(folder), "--every", "8", "--out", str(tmp_path / "h")]) == 0
    tables = [file for file in sorted(tmp_path.glob("?/*.csv")) if "chainage_m" in file.read_text().splitlines()[0]]
    assert {file.name for file in tables} >= {"outlook.csv", "passages.csv", "hindcast.csv"}
    for file in tables:
        table = pd.read_csv(file)
        for section, value in zip(table["section"], table["chainage_m"], strict=True):
            assert value == pytest.approx(SHOWN[section], abs=6e-4), file.name
    sheet = re.sub(r"base64,[A-Za-z0-9+/=]+", "", (tmp_path / "r" / "sheet.html").read_text(encoding="utf-8"))
    assert "539.0" in sheet
    assert not re.search(r"\b1(?:12|24)\.0+ m", sheet)
