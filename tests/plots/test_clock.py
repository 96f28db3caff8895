"""The date axis: ticks at local midnights, across a clock change, for spans from hours to years."""

from __future__ import annotations

import datetime
import zoneinfo
from collections.abc import Callable
from typing import Any

import numpy as np
import pytest
from matplotlib.dates import date2num, num2date

from convergence.plots.clock import Clock, LocalDates, LocalMidnights

BERLIN = zoneinfo.ZoneInfo("Europe/Berlin")


# matplotlib leaves these two without types
to_number: Callable[[object], Any] = date2num
to_instant: Callable[..., datetime.datetime] = num2date


def number(year: int, month: int, day: int, hour: int = 0) -> float:
    return float(to_number(datetime.datetime(year, month, day, hour, tzinfo=BERLIN)))


def test_days_become_dates_of_the_zone() -> None:
    # 2023-03-26T01:00Z is the clock change in central European time: 02:00 becomes 03:00
    clock = Clock(float(to_number(np.datetime64("2023-03-25"))), "Europe/Berlin")
    assert clock.minute(0.0) == "2023-03-25 01:00 +01:00"
    assert clock.minute(1.0) == "2023-03-26 01:00 +01:00"
    assert clock.minute(2.0) == "2023-03-27 02:00 +02:00"
    assert clock.date(1.95) == "2023-03-27"


def test_an_instant_carries_the_offset_of_its_day_and_never_the_name_of_a_zone() -> None:
    # summer time in central Europe runs from 26 March to 29 October 2023: two hours ahead of UTC, one in winter
    clock = Clock(float(to_number(np.datetime64("2023-05-20T04:44"))), "CET")
    assert clock.minute(0.0) == "2023-05-20 06:44 +02:00"
    assert clock.minute(200.0) == "2023-12-06 05:44 +01:00"
    assert Clock(clock.origin, "UTC").minute(0.0) == "2023-05-20 04:44 +00:00"
    assert clock.axis_label == "date, ticks at midnight, local time (CET)"


def test_the_clock_agrees_with_matplotlibs_own_dates() -> None:
    clock = Clock(float(to_number(np.datetime64("2023-03-25"))), "UTC")
    np.testing.assert_allclose(clock.numbers([0.0, 1.5]), to_number(np.array(["2023-03-25", "2023-03-26T12"], "M8[h]")))


def test_ticks_stand_at_midnight_on_both_sides_of_a_clock_change() -> None:
    ticks = LocalMidnights(BERLIN).tick_values(number(2023, 3, 23), number(2023, 3, 29, 12))
    local = [to_instant(tick, tz=BERLIN) for tick in ticks]
    assert [item.day for item in local] == [23, 24, 25, 26, 27, 28, 29]
    assert all(item.hour == 0 and item.minute == 0 for item in local)


def test_weeks_begin_on_mondays() -> None:
    ticks = LocalMidnights(BERLIN).tick_values(number(2023, 3, 1), number(2023, 4, 20))
    assert len(ticks) > 4
    assert all(to_instant(tick, tz=BERLIN).weekday() == 0 for tick in ticks)


@pytest.mark.parametrize("days", [0.3, 1.0, 3.0, 8.0, 20.0, 60.0, 100.0, 200.0, 700.0, 4000.0])
def test_there_are_some_ticks_and_never_many(days: float) -> None:
    start = number(2023, 2, 10, 7)
    ticks = LocalMidnights(BERLIN).tick_values(start, start + days)
    assert 2 <= len(ticks) <= 10
    assert all(start <= tick <= start + days for tick in ticks)
    assert list(ticks) == sorted(set(ticks))


def test_the_year_stands_under_the_first_tick_and_where_it_changes() -> None:
    ticks = [number(2023, 12, 1), number(2024, 1, 1), number(2024, 2, 1)]
    assert LocalDates(BERLIN).format_ticks(ticks) == ["1 Dec\n2023", "1 Jan\n2024", "1 Feb"]
    assert LocalDates(BERLIN)(number(2024, 2, 1, 6)) == "1 Feb\n06:00 2024"


def test_universal_instants_in_a_sentence_become_local() -> None:
    clock = Clock(float(to_number(np.datetime64("2023-01-01"))), "Europe/Berlin")
    # one hour ahead of UTC in winter, two in summer; the day turns with it
    told = "since 2023-03-25T23:30Z and 2023-05-19T22:30:00Z, at 2023-05-19 22:30 and on 2023-05-19"
    assert clock.words(told) == "since 2023-03-26 00:30 and 2023-05-20 00:30, at 2023-05-19 22:30 and on 2023-05-19"
    assert clock.day("2023-05-19T22:30:00Z") == "2023-05-20"
    assert clock.day("") == ""


@pytest.mark.parametrize(
    "line",
    [
        "2023-03-24T11:38:46Z,S1,P 1,prism disturbed,",
        "2023-03-24T11:38:46Z,,,common movement removed,",
        "2023-03-24T11:38:46Z,S 1,,readings set aside,until 2023-03-25T11:38:46Z",
        "2023-03-24T11:38:46Z,,,clock corrected,-60 min until 2023-03-25T11:38:46Z",
        '2023-03-24T11:38:46Z,,,row corrected,"readings.csv: 2023-03-24T11:38:46Z,P,1 => 2023-03-24T12:38:46Z,P,1"',
        "2023-03-24T11:38:46Z,S1,P1,reading kept",
    ],
)
def test_a_line_to_be_copied_keeps_its_universal_times(line: str) -> None:
    """A line of events.csv in local time without an offset would be refused, or taken for another instant."""
    clock = Clock(float(to_number(np.datetime64("2023-03-20"))), "Europe/Berlin")
    text = f"a jump before 2023-03-24T11:38:46Z, alone. This line takes it out: {line}; from 2023-03-24T11:38:46Z on"
    # winter time, one hour ahead of UTC
    told = f"a jump before 2023-03-24 12:38, alone. This line takes it out: {line}; from 2023-03-24 12:38 on"
    assert clock.words(text) == told
