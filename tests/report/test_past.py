"""Past forecasts on the sheet: from a hindcast or a log at hand, or from a few dates; never silently absent."""

from __future__ import annotations

import html
import re
from pathlib import Path

import numpy as np
import pytest

from convergence.errors import ValueFault
from convergence.hindcasting import hindcast, hindcast_csv
from convergence.hindcasting.forecast_log import LOG_NAME, append_forecast
from convergence.report.past import PastForecasts, coarse_dates, past_forecasts
from convergence.report.sheet import SheetView, sheet_html
from convergence.survey.job import Job, read_job
from convergence.triggers import outlook


@pytest.fixture(scope="module")
def job(cut_folder: Path) -> Job:
    return read_job(cut_folder, "2023-03-20T06:00:00Z")


@pytest.fixture(scope="module")
def past(job: Job) -> PastForecasts:
    return past_forecasts(job, dates=2)


def test_a_few_dates_are_scored_and_said(job: Job, past: PastForecasts) -> None:
    assert past.hindcast is not None
    assert past.hindcast.table["date"].nunique() == 2
    assert "This rests on 2 past dates only" in past.sentence
    same = hindcast(job, dates=coarse_dates(job, 2), coupled=False, levels=False)
    assert past.sentence.startswith(same.sentence())


def test_dates_leave_room_for_an_outcome(job: Job) -> None:
    dates = coarse_dates(job, 4)
    last = max(array["time"].values[-1] for array in job.arrays.values() if array.sizes["epoch"])
    assert len(dates) == 4
    assert last - dates[-1] >= np.timedelta64(7, "D")
    assert (np.diff(np.array(dates)) > np.timedelta64(0)).all()


def test_it_stands_beside_each_projection(job: Job, past: PastForecasts) -> None:
    view = SheetView(outlook(job), None, job.now - np.timedelta64(1, "D"), "x", past)
    page = sheet_html(view)
    text = re.sub("<[^>]*>", "", page).replace("\N{NO-BREAK SPACE}", " ")
    assert html.escape(past.sentence) in text
    held = view.hit_rate(job.sections[0], "settlement")
    assert held is not None
    assert f"held {held.held:.0%} of {held.forecasts}" in text
    rows = page[page.index('<table class="sections">') :].partition("</table>")[0]
    projected = [row for row in view.outlook.table.itertuples() if np.isfinite(float(row.final))]
    assert rows.count("held ") + rows.count("not scored") == len({row.section for row in projected})


def test_none_is_said_with_the_command(job: Job, cut_folder: Path) -> None:
    assert past_forecasts(job, dates=0).sentence == (
        "Past forecasts of this site are not scored (no hindcast or log at hand): "
        "convergence hindcast JOB --out DIR scores them."
    )
    first = read_job(cut_folder).raw["time"].min().to_datetime64()
    young = read_job(cut_folder, first + np.timedelta64(3, "D"))
    assert "too short" in past_forecasts(young).sentence
    with pytest.raises(ValueFault, match="To mend"):
        past_forecasts(job, dates=-1)


def test_one_at_hand_is_used_unless_it_knows_more(job: Job, past: PastForecasts, tmp_path: Path) -> None:
    """Nothing may depend on what is later than the analysis."""
    assert past.hindcast is not None
    (tmp_path / "hindcast.csv").write_text(hindcast_csv(past.hindcast), encoding="utf-8")
    assert "hindcast with data until" in past_forecasts(job, nearby=tmp_path, dates=0).sentence
    before = read_job(job.folder.path, job.now - np.timedelta64(2, "D"))
    assert "log at hand" in past_forecasts(before, nearby=tmp_path, dates=0).sentence
    (tmp_path / "hindcast.csv").write_text("spoilt", encoding="utf-8")
    assert "log at hand" in past_forecasts(job, nearby=tmp_path, dates=0).sentence


def test_a_log_of_enough_dates_is_used(job: Job, tmp_path: Path) -> None:
    latest = outlook(job)
    for days in (22, 16, 10):
        append_forecast(outlook(read_job(job.folder.path, job.now - np.timedelta64(days, "D"))), tmp_path / LOG_NAME)
        found = past_forecasts(job, nearby=tmp_path, latest=latest, dates=0)
        assert ("3 dates in the forecast log" in found.sentence) == (days == 10)
