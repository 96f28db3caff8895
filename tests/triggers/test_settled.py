"""Settled: a probability by hand, and each thing that refuses it. Limits and rates are known from the normal law."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import numpy as np
import pandas as pd
import pytest
from scipy.stats import norm

from convergence.job.schema import SettledLimit
from convergence.measures.tunnel import find_series
from convergence.survey.job import Job, read_job
from convergence.survey.noise_model import Noise
from convergence.triggers.outlook import outlook
from convergence.triggers.settled import rate_under
from tests.helpers import SECTIONS, instant, settings_text, write_job

LIMIT = "\n[settled]\nlimit_mm_per_day = 0.25\ndays = 5\nreach_widths = 1.5\n"
#: The helpers' faces advance 4 m a day for 21 days: the heading ends at 174 m, the bench at 144 m, A stands at 100 m,
#: so by the last round and reading the bench is 43 m past A, 31 m past B and 19 m past C; 1.5 widths are 16.5 m.


def settled(folder: Path, text: str = LIMIT, **changes: str) -> pd.DataFrame:
    files = {"tunnel.toml": settings_text() + text, **{f"{name}.csv": content for name, content in changes.items()}}
    return outlook(read_job(write_job(folder, files))).settled.set_index(["section", "measure", "prisms"])


def test_the_probability_by_hand(tmp_path: Path) -> None:
    """Readings every twelve hours over five days, independent noise s: error s / sqrt(sum of squares of days)."""
    job = read_job(write_job(tmp_path))
    series = find_series(job, "A", "settlement crown")
    chance, speed, error = rate_under(series, Noise(0.4, 0.0, 1.0), SettledLimit(0.3, days=5.0))
    time = series.time[series.time > series.time[-1] - 5.0 - 1e-9]
    away = time - time.mean()
    by_hand = float(away @ series.value[-len(time) :] / (away @ away))
    assert speed == pytest.approx(by_hand)
    assert error == pytest.approx(0.4 / np.sqrt(away @ away))
    assert chance == pytest.approx(norm.cdf((0.3 - by_hand) / error) - norm.cdf((-0.3 - by_hand) / error))


def test_a_section_at_rest_and_one_that_moves(tmp_path: Path) -> None:
    """A's crown is 20 mm times exp(-age / 3 d) from its end: 0.02 mm/day left; C passed last and goes on faster."""
    found = settled(tmp_path)
    quiet, busy = (found.loc[name, "settlement", f"{name}-CR"] for name in ("A", "C"))
    assert quiet["probability"] > 0.75
    assert busy["probability"] < quiet["probability"]
    assert quiet["limit_mm_per_day"] == 0.25
    assert "every stage out of reach (heading 7" in quiet["sentence"]
    assert "of the projected final is reached" in quiet["sentence"]


def test_without_a_limit_nothing_is_judged(tmp_path: Path) -> None:
    found = settled(tmp_path, "")
    assert found["probability"].isna().all()
    assert found["sentence"].str.contains("gives no .settled. limit").all()
    assert len(found) == sum(len(SECTIONS) * [10])


@pytest.mark.parametrize(
    ("text", "why"),
    [
        (LIMIT.replace("1.5", "6"), "bench is 43 m past, within reach (6 widths, 66 m)"),
        ('[[stage]]\nname = "invert"\nfollows = "bench"\n' + LIMIT, "invert has no round yet"),
        (LIMIT.replace("days = 5", "days = 60"), "of the last 60 days only"),
    ],
)
def test_what_refuses_it(tmp_path: Path, text: str, why: str) -> None:
    row = settled(tmp_path, text).loc["A", "settlement", "A-CR"]
    assert np.isnan(row["probability"])
    assert row["sentence"].startswith("not judged: ")
    assert why in row["sentence"]


def advance(stop: dict[str, tuple[float, float]]) -> str:
    """The helpers' log without the rounds of the days given by stage."""
    rows = [(day, "heading", 90.0 + 4.0 * day) for day in np.arange(0.0, 21.0, 0.5)]
    rows += [(day, "bench", 60.0 + 4.0 * day) for day in np.arange(0.25, 21.0, 0.5)]
    kept = [row for row in rows if not (row[1] in stop and stop[row[1]][0] < row[0] < stop[row[1]][1])]
    return "time,stage,chainage_m\n" + "".join(f"{instant(day)},{name},{at}\n" for day, name, at in sorted(kept))


def both(begin: float, end: float) -> dict[str, tuple[float, float]]:
    return {"heading": (begin, end), "bench": (begin, end)}


def test_never_in_a_stoppage(tmp_path: Path) -> None:
    row = settled(tmp_path / "now", advance=advance(both(16.0, 30.0))).loc["A", "settlement", "A-CR"]
    assert np.isnan(row["probability"])
    assert "heading and bench have stood still for 4." in row["sentence"]
    assert "a stoppage proves nothing" in row["sentence"]
    row = settled(tmp_path / "lately", advance=advance(both(14.1, 18.1))).loc["A", "settlement", "A-CR"]
    assert np.isnan(row["probability"])
    assert "within the last 5 days" in row["sentence"]
    row = settled(tmp_path / "before", advance=advance(both(7.1, 11.1))).loc["A", "settlement", "A-CR"]
    assert np.isfinite(row["probability"])


def test_a_stage_out_of_reach_may_stand_while_others_go_on(tmp_path: Path) -> None:
    """The heading stands 53 m past A from day 16 on, far beyond 1.5 widths; the bench goes on."""
    row = settled(tmp_path, advance=advance({"heading": (16.0, 30.0)})).loc["A", "settlement", "A-CR"]
    assert np.isfinite(row["probability"])


def test_a_stage_lately_within_reach_may_not(tmp_path: Path) -> None:
    """The bench, 22 m past A five days ago, has stood 23 m past it since day 16; 2.05 widths are 22.6 m."""
    text = LIMIT.replace("1.5", "2.05")
    row = settled(tmp_path, text, advance=advance({"bench": (16.0, 30.0)})).loc["A", "settlement", "A-CR"]
    assert np.isnan(row["probability"])
    assert "bench has stood still for" in row["sentence"]


def test_a_stage_that_is_finished_may_stand(tmp_path: Path) -> None:
    text = LIMIT + 'finished_stages = ["heading"]\n'
    row = settled(tmp_path, text, advance=advance({"heading": (16.0, 30.0)})).loc["A", "settlement", "A-CR"]
    assert np.isfinite(row["probability"])


def test_silence_refuses_it(tmp_path: Path) -> None:
    folder = write_job(tmp_path, {"tunnel.toml": settings_text() + LIMIT})
    job: Job = read_job(folder)
    late = replace(job, folder=replace(job.folder, as_of=job.now + np.timedelta64(5, "D")))
    assert outlook(late).settled["sentence"].str.contains("no reading for").all()
