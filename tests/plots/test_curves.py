"""Curves drawn between the projection's dates: on its quantiles at the dates, nothing at the zero reading."""

from __future__ import annotations

import numpy as np
import pytest

from convergence.plots.view import section_view
from convergence.triggers import Outlook


@pytest.mark.parametrize("section", ["S1012", "S1082", "S1110", "S1136"])
def test_curves_meet_the_projection_at_its_dates(early_outlook: Outlook, section: str) -> None:
    view = section_view(early_outlook, section)
    projection = view.projection
    assert projection is not None
    low, high = view.window
    checked = 0
    for index, series in enumerate(projection.series):
        curve = view.curves[series.label]
        for day in projection.dates[(projection.dates >= projection.now) & (projection.dates < high)]:
            place = int(np.flatnonzero(curve.days == day)[0])
            for probability, course in ((0.5, curve.median), (0.05, curve.low), (0.95, curve.high)):
                assert course[place] == pytest.approx(projection.at(index, float(day), probability), abs=1e-6)
                checked += 1
        ahead = curve.ahead
        assert np.all(curve.low[ahead] <= curve.median[ahead])
        assert np.all(curve.median[ahead] <= curve.high[ahead])
        assert np.isnan(curve.low[~ahead]).all()
    assert checked > 100
    assert low < projection.series[0].time[0]


@pytest.mark.parametrize("section", ["S1012", "S1110"])
def test_curves_begin_with_nothing_and_follow_the_readings(early_outlook: Outlook, section: str) -> None:
    view = section_view(early_outlook, section)
    for series in view.kind("settlement"):
        curve = view.curves[series.label]
        assert curve.days[0] == pytest.approx(series.time[0])
        assert curve.median[0] == pytest.approx(0.0, abs=1e-9)
        away = series.value - np.interp(series.time, curve.days, curve.median)
        # noise of a reading and of the zero reading is 0.8 mm each: four standard deviations of the zero reading for
        # all readings, and of both for most of them
        assert np.abs(np.median(away)) < 3.2
        assert np.quantile(np.abs(away), 0.9) < 4 * 0.8 * 2**0.5


def test_between_dates_the_course_is_the_laws_own(early_outlook: Outlook) -> None:
    """Just after the bench passes movement speeds up, which straight lines between dates days apart cannot show."""
    view = section_view(early_outlook, "S1082")
    at, planned = view.passages()["bench"]
    assert not planned
    curve = view.curves["settlement crown"]
    before = np.diff(np.interp([at - 0.5, at], curve.days, curve.median))[0]
    after = np.diff(np.interp([at, at + 0.5], curve.days, curve.median))[0]
    assert after > before + 0.1
