"""The state of a measure, the sentence that gives its reason, and its rank: by hand, level by level."""

from __future__ import annotations

import itertools
from collections.abc import Callable
from dataclasses import replace

import numpy as np
import pytest

from convergence.job.schema import ExpectedCurve, Trigger, TriggerRange
from convergence.measures.series import Series
from convergence.projection.result import SectionProjection
from convergence.survey.job import Job
from convergence.survey.noise_model import Noise
from convergence.triggers.amounts import amount_text, level_text
from convergence.triggers.changes import Change
from convergence.triggers.levels import LevelOutlook, level_outlooks
from convergence.triggers.reasons import state_and_reason
from convergence.triggers.silence import active_stage, never_read, reading_habit
from convergence.triggers.standing import FEWEST_READINGS
from convergence.triggers.states import STATES
from convergence.triggers.urgency import chosen_level, urgency

MakeSeries = Callable[..., Series]
MakeProjection = Callable[..., SectionProjection]
MakeTrigger = Callable[..., Trigger]
EPOCH = np.datetime64("2031-03-01T00:00:00", "ns")


class Bench:
    """Puts one measure before its levels on a chosen day."""

    def __init__(self, job: Job, series: MakeSeries, projection: MakeProjection, trigger: MakeTrigger) -> None:
        self.job, self.series, self.projection, self.trigger = job, series, projection, trigger

    def job_on(self, day: float) -> Job:
        now = EPOCH + np.timedelta64(round(day * 86_400), "s")
        return replace(self.job, folder=replace(self.job.folder, as_of=now), epoch=EPOCH)

    def judge(
        self,
        value: list[float],
        *triggers: Trigger,
        final: tuple[float, float] | None = (6.0, 1.0),
        day: float | None = None,
        future: dict[str, float] | None = None,
    ) -> tuple[str, str, LevelOutlook | None]:
        """State, reason and chosen level of readings, with a final value of a mean and a deviation."""
        series = self.series(value)
        last = float(series.time[-1])
        section = None
        if final is not None:
            # the course goes through the readings, not through the last of them
            mean, deviation = [float(np.median(value[-3:])), final[0]], [0.1, final[1]]
            section = self.projection(series, [last, last + 100.0], mean, deviation, future=future)
        levels = tuple(
            level for trigger in triggers for level in level_outlooks(trigger, series, section, Noise(0.5, 0.3, 1.5))
        )
        chosen = chosen_level(levels)
        job = self.job_on(last if day is None else day)
        return (*state_and_reason(job, series, chosen, levels, section), chosen)


@pytest.fixture
def bench(early_job: Job, make_series: MakeSeries, make_projection: MakeProjection, make_trigger: MakeTrigger) -> Bench:
    return Bench(early_job, make_series, make_projection, make_trigger)


QUIET = [0.0, 3.0, 4.0, 5.0, 5.0]


class TestStates:
    def test_clear(self, bench: Bench) -> None:
        state, reason, _ = bench.judge(QUIET, bench.trigger(20.0))
        assert state == "clear"
        assert "5.0 mm since zero reading, level 20 at 20 mm: 0% within the horizon, not expected" in reason

    def test_heading_tells_when(self, bench: Bench) -> None:
        state, reason, chosen = bench.judge(QUIET, bench.trigger(20.0), final=(30.0, 4.0))
        assert state == "heading"
        assert chosen is not None
        assert chosen.probability > 0.95
        assert "about 2031-04-" in reason
        assert "(early 2031-03-" in reason
        assert "late 2031-06-" in reason

    def test_heading_tells_which_stage_comes_before(self, bench: Bench) -> None:
        future = {"bench": 20.0, "invert": 400.0}
        state, reason, _ = bench.judge(QUIET, bench.trigger(20.0), final=(30.0, 4.0), future=future)
        assert state == "heading"
        assert "bench passes before, in about 14 days" in reason

    def test_heading_before_any_further_stage(self, bench: Bench) -> None:
        _, reason, _ = bench.judge(QUIET, bench.trigger(20.0), final=(30.0, 4.0), future={"bench": 300.0})
        assert "before any further stage passes" in reason

    def test_past_tells_since_when_and_what_is_next(self, bench: Bench) -> None:
        state, reason, chosen = bench.judge([0, 8, 11, 12, 12], bench.trigger(10.0, 20.0), final=(24.0, 4.0))
        assert state == "past"
        assert chosen is not None
        assert chosen.level.value == 10.0
        assert "12.0 mm since zero reading, past level 10 (10 mm) since 2031-03-06 19:00" in reason
        assert "next level 20 (20 mm): 8" in reason

    def test_the_warning_of_the_next_level_is_told(self, bench: Bench) -> None:
        series = bench.series([0, 8, 11, 12, 12])
        last = float(series.time[-1])
        section = bench.projection(series, [last, last + 100.0], [12.0, 24.0], [0.1, 4.0])
        levels = level_outlooks(bench.trigger(10.0, 20.0), series, section, Noise(0.5, 0.3, 1.5))
        own = (levels[0], replace(levels[1], warning="raised after it was passed"))
        _, reason = state_and_reason(bench.job_on(last), series, chosen_level(own), own, section)
        assert "; raised after it was passed" in reason

    def test_a_rate_holds_nothing_lost(self, bench: Bench) -> None:
        """The same since excavation: the part lost is in the movement and not in its rate."""
        series = bench.series([1.5 * number for number in range(16)])
        last = float(series.time[-1])
        section = bench.projection(series, [last, last + 100.0], [22.5, 24.0], [0.1, 4.0], lost=4.0)
        told = {}
        for quantity in ("rate", "value"):
            trigger = bench.trigger(5.0, quantity=quantity, since="excavation")
            levels = tuple(level_outlooks(trigger, series, section, Noise(0.5, 0.3, 1.5)))
            told[quantity] = state_and_reason(bench.job_on(last), series, levels[0], levels, section)[1]
        assert "lost before" in told["value"]
        assert "lost before" not in told["rate"]

    def test_the_gravest_level_past_is_told(self, bench: Bench) -> None:
        _, _, chosen = bench.judge([0, 8, 31, 32, 32], bench.trigger(10.0, 20.0, 30.0), final=(33.0, 1.0))
        assert chosen is not None
        assert chosen.level.value == 30.0

    def test_a_single_reading_beyond_is_shown_and_asked_again_but_no_alarm(self, bench: Bench) -> None:
        state, reason, _ = bench.judge([*QUIET, 25.0], bench.trigger(20.0), final=(6.0, 1.0))
        assert state == "undetermined"
        assert "1 of the last 3 readings beyond level 20, unconfirmed (2 needed): read again now" in reason

    def test_an_unconfirmed_reading_does_not_hide_that_it_is_heading(self, bench: Bench) -> None:
        state, reason, _ = bench.judge([*QUIET, 25.0], bench.trigger(20.0), final=(30.0, 2.0))
        assert state == "heading"
        assert "read again now" in reason

    def test_the_gravest_unconfirmed_level_is_named(self, bench: Bench) -> None:
        _, reason, _ = bench.judge([*QUIET, 25.0], bench.trigger(10.0, 20.0), final=(6.0, 1.0))
        assert "beyond level 20" in reason

    def test_no_trigger_is_no_all_clear(self, bench: Bench) -> None:
        state, reason, _ = bench.judge(QUIET)
        assert state == "undetermined"
        assert "no trigger level for settlement here" in reason
        assert "5.0 mm since the zero reading" in reason

    def test_no_projection_is_no_all_clear(self, bench: Bench) -> None:
        state, reason, _ = bench.judge(QUIET, bench.trigger(20.0), final=None)
        assert state == "undetermined"
        assert "nothing to project with" in reason

    def test_past_without_a_projection(self, bench: Bench) -> None:
        state, reason, _ = bench.judge([0, 8, 11, 12], bench.trigger(10.0, 20.0), final=None)
        assert state == "past"
        assert "next" not in reason

    def test_two_quantities_never_mix_their_units(self, bench: Bench) -> None:
        """A rate past its limit is told in mm/day though the value is far from its own."""
        value = [1.5 * number for number in range(16)]
        rate = bench.trigger(5.0, quantity="rate", name="rate")
        state, reason, chosen = bench.judge(value, bench.trigger(60.0), rate, final=(25.0, 1.0))
        assert state == "past"
        assert chosen is not None
        assert chosen.trigger.name == "rate"
        assert "6.00 mm/day over 3 days, past level 5 (5 mm/day)" in reason

    def test_no_rate_is_not_a_number_in_the_reason(self, bench: Bench) -> None:
        _, reason, _ = bench.judge([0.0], bench.trigger(5.0, quantity="rate"))
        assert "nan" not in reason
        assert "no value yet" in reason


class TestAskingForMore:
    """``heading_from`` of a trigger: between even odds and what it asks for a level is neither heading nor clear."""

    @pytest.mark.parametrize(("final", "state"), [(20.5, "undetermined"), (26.0, "heading"), (16.0, "clear")])
    def test_what_a_trigger_asks_for(self, bench: Bench, final: float, state: str) -> None:
        trigger = replace(bench.trigger(20.0), likely=0.8)
        # 15 mm are three quarters of the level
        found, reason, _ = bench.judge([0.0, 8.0, 13.0, 15.0, 15.0], trigger, final=(final, 3.0))
        assert found == state
        assert ("likelier than not, under the 80% of this trigger" in reason) == (state == "undetermined")

    @pytest.mark.parametrize(("reached", "state"), [(5.0, "undetermined"), (13.9, "undetermined"), (14.1, "heading")])
    def test_far_from_a_level_more_is_asked_for(self, bench: Bench, reached: float, state: str) -> None:
        """From 70 % of a level of 20 mm on 90 % suffice, not 80; before, 90 % do not and 99 % do."""
        value = [0.0, 3.0, reached, reached, reached]
        found, reason, _ = bench.judge(value, bench.trigger(20.0), final=(23.8, 3.0))
        assert found == state
        asked = f"under the 97% asked for while {reached / 20.0:.0%} of the level is reached"
        assert (asked in reason) == (state == "undetermined")
        assert bench.judge(value, bench.trigger(20.0), final=(28.0, 3.0))[0] == "heading"
        state, reason, _ = bench.judge(value, bench.trigger(20.0), final=(22.5, 3.0))
        assert state == "undetermined"
        assert "likelier than not, under the" in reason


class TestFastReading:
    """One reading off what those before led to expect: shown, asked for again, neither an alarm nor the all-clear."""

    def judged(
        self,
        bench: Bench,
        value: list[float],
        final: tuple[float, float],
        surprise: float,
        *limits: float,
        without: float | None = None,
    ) -> tuple[str, str]:
        """``without``: the mean final had the last reading not been made."""
        series = bench.series(value)
        last = float(series.time[-1])
        section = bench.projection(series, [last, last + 100.0], [float(value[-1]), final[0]], [0.1, final[1]])
        unread = None
        if without is not None:
            unread = bench.projection(series, [last, last + 100.0], [float(value[-2]), without], [0.1, final[1]])
        trigger = bench.trigger(*(limits or (20.0,)))
        levels = tuple(level_outlooks(trigger, series, section, Noise(0.5, 0.3, 1.5), surprise=surprise, unread=unread))
        return state_and_reason(bench.job_on(last), series, chosen_level(levels), levels, section, surprise)

    def test_it_is_no_all_clear(self, bench: Bench) -> None:
        state, reason = self.judged(bench, [0, 3, 4, 5, 11], (12.0, 1.0), 6.0)
        assert state == "undetermined"
        assert "last reading +6.0 mm off what those before it led to expect, unconfirmed: read again now" in reason

    def test_it_alone_is_no_alarm(self, bench: Bench) -> None:
        """Heading with the reading and not without it: 24 mm with it, 18 mm without, against a level of 20 mm."""
        state, reason = self.judged(bench, [0, 3, 4, 5, 17], (24.0, 1.0), 12.0, without=18.0)
        assert state == "undetermined"
        assert "without that reading 2%" in reason

    def test_what_is_reached_counts_without_it_too(self, bench: Bench) -> None:
        """21 of 26 mm ask for even odds, the 9 mm without the reading for 95 %: 55 % without it is not enough."""
        state, reason = self.judged(bench, [0, 6, 8, 9, 21], (33.0, 4.0), 12.0, 26.0, without=26.5)
        assert state == "undetermined"
        assert "without that reading 55%" in reason

    def test_where_nothing_tells_it_no_alarm_rests_on_it(self, bench: Bench) -> None:
        assert self.judged(bench, [0, 3, 4, 5, 17], (40.0, 1.0), 12.0)[0] == "undetermined"

    def test_it_hides_no_alarm_that_stands_without_it(self, bench: Bench) -> None:
        state, reason = self.judged(bench, [0, 3, 4, 5, 11], (30.0, 1.0), 6.0, without=24.0)
        assert state == "heading"
        assert "read again now" in reason

    def test_it_is_told_of_a_measure_already_past(self, bench: Bench) -> None:
        """Past 10 mm, and a fast reading beyond 20 mm that nothing confirms: both stand in the reason."""
        state, reason = self.judged(bench, [0, 11, 12, 12, 24], (15.0, 1.0), 11.5, 10.0, 20.0)
        assert state == "past"
        assert "past level 10" in reason
        assert "1 of the last 3 readings beyond level 20, unconfirmed" in reason
        assert "last reading +11.5 mm off what those before it led to expect, unconfirmed: read again now" in reason

    def test_a_graver_level_by_it_alone_hides_no_lighter_one(self, bench: Bench) -> None:
        """24 mm are beyond both levels, the 18 mm without the reading beyond the lighter one only."""
        state, reason = self.judged(bench, [0, 3, 4, 5, 17], (24.0, 1.0), 12.0, 14.0, 20.0, without=18.0)
        assert state == "heading"
        assert "level 14 at 14 mm" in reason
        assert "level 20 at 20 mm is 100% with that reading, 2% without" in reason

    @pytest.mark.parametrize(("without", "state"), [(2.0, "undetermined"), (6.0, "heading")])
    def test_it_alone_is_no_alarm_of_a_rate(self, bench: Bench, without: float, state: str) -> None:
        """A rate of 12 mm/day ahead with the reading; without it under the level of 3 mm/day, or over it still."""
        series = bench.series([0, 4, 6, 7, 13])
        last = float(series.time[-1])
        section, unread = (
            bench.projection(
                series,
                [last, last + 100.0],
                [13.0, 20.0],
                [0.1, 1.0],
                rate=([last, last + 5.0], [ahead] * 2, [0.2] * 2),
            )
            for ahead in (12.0, without)
        )
        trigger = bench.trigger(3.0, quantity="rate", confirm=(5, 5))
        levels = tuple(level_outlooks(trigger, series, section, Noise(0.5, 0.3, 1.5), surprise=6.0, unread=unread))
        assert levels[0].heading
        found, reason = state_and_reason(bench.job_on(last), series, chosen_level(levels), levels, section, 6.0)
        assert found == state
        assert "unconfirmed: read again now" in reason

    def test_without_one_nothing_is_asked(self, bench: Bench) -> None:
        state, reason = self.judged(bench, [0, 3, 4, 5, 5], (12.0, 1.0), 0.0)
        assert (state, "read again" in reason) == ("clear", False)


class TestReadingHabit:
    """Late is by the series' own habit: four usual intervals, or half as long again as the longest lately."""

    @pytest.mark.parametrize(
        ("hours", "limit"),
        [
            ([6.0] * 40, 24.0),
            ([24.0] * 20, 36.0),
            ([24.0, 24.0, 24.0, 24.0, 24.0, 48.0] * 3, 72.0),
            ([72.0] * 8, 108.0),
            ([3.0, 3.0, 3.0, 15.0] * 10, 24.0),
            ([24.0] * 30 + [6.0] * 12, 24.0),
        ],
    )
    def test_limit(self, hours: list[float], limit: float) -> None:
        assert reading_habit(np.cumsum([0.0, *hours]) / 24.0)[1] == pytest.approx(limit)


class TestBlind:
    """Silence raises the state; it never lowers one that stands."""

    LATE = 5.0 + 1.0 + 2.0

    def test_silence_overrides_clear(self, bench: Bench) -> None:
        state, reason, _ = bench.judge(QUIET, bench.trigger(20.0), day=self.LATE)
        assert state == "blind"
        assert reason.startswith("no reading for 48 h (usual interval 6 h); 5.0 mm since zero reading")

    def test_silence_overrides_heading(self, bench: Bench) -> None:
        state, reason, _ = bench.judge(QUIET, bench.trigger(20.0), final=(30.0, 4.0), day=self.LATE)
        assert state == "blind"
        assert "100% within the horizon" in reason or "9" in reason.split("% within")[0][-2:]

    def test_silence_does_not_override_past(self, bench: Bench) -> None:
        state, reason, _ = bench.judge([0, 8, 11, 12, 12], bench.trigger(10.0), day=self.LATE)
        assert state == "past"
        assert "and no reading since 2031-03-07 01:00: no reading for 48 h" in reason

    def test_silence_without_a_trigger(self, bench: Bench) -> None:
        state, reason, _ = bench.judge(QUIET, day=self.LATE)
        assert (state, reason) == ("blind", "no reading for 48 h (usual interval 6 h)")

    @pytest.mark.parametrize(("hours", "state"), [(23.0, "clear"), (25.0, "blind")])
    def test_four_readings_a_day_are_missed_after_a_day(self, bench: Bench, hours: float, state: str) -> None:
        assert bench.judge(QUIET, bench.trigger(20.0), day=6.0 + hours / 24)[0] == state

    @pytest.mark.parametrize(("days", "state"), [(1.4, "clear"), (1.6, "blind")])
    def test_one_reading_a_day_is_missed_after_one_and_a_half(self, bench: Bench, days: float, state: str) -> None:
        series = bench.series([0, 3, 4, 5, 5, 5, 5], step=1.0)
        section = bench.projection(series, [series.time[-1], 200.0], [5.0, 6.0], [0.1, 1.0])
        levels = tuple(level_outlooks(bench.trigger(20.0), series, section, Noise(0.5, 0.3, 1.5)))
        job = bench.job_on(float(series.time[-1]) + days)
        assert state_and_reason(job, series, chosen_level(levels), levels, section)[0] == state

    @pytest.mark.parametrize("count", range(1, FEWEST_READINGS))
    def test_a_few_readings_tell_nothing_yet(self, bench: Bench, count: int) -> None:
        state, reason, _ = bench.judge(QUIET[:count], bench.trigger(20.0))
        assert state == "blind"
        assert reason.startswith(f"only {count} reading")

    def test_enough_readings(self, bench: Bench) -> None:
        assert bench.judge(QUIET[:FEWEST_READINGS], bench.trigger(20.0))[0] == "clear"

    def test_a_few_readings_can_be_past(self, bench: Bench) -> None:
        assert bench.judge([0, 25, 25], bench.trigger(20.0))[0] == "past"


class TestNeverRead:
    def series(self, bench: Bench, aside: int = 0) -> Series:
        return replace(bench.series([]), set_aside=aside)

    def test_past_the_face_it_is_blind(self, bench: Bench) -> None:
        state, reason = never_read(self.series(bench), bench.job_on(20.0))
        assert (state, reason) == ("blind", "never read, though the heading face is 30 m past")

    def test_ahead_of_the_face_it_is_not_yet_excavated(self, bench: Bench) -> None:
        state, reason = never_read(self.series(bench), bench.job_on(2.0))
        assert (state, reason) == ("undetermined", "not yet excavated: the heading face is 6 m short of the section")

    def test_a_prism_on_the_bench_waits_for_the_bench(self, bench: Bench) -> None:
        """Its position says which stage it hangs on: no alarm while that stage has yet to come."""
        series = bench.series([], position="left bench")
        chord = bench.series([], measure="chord", position="left bench:right bench")
        for item in (series, chord):
            state, reason = never_read(item, bench.job_on(20.0))
            assert (state, reason) == ("undetermined", "not yet excavated: the bench face is 20 m short of the section")
            state, reason = never_read(item, bench.job_on(40.0))
            assert (state, reason) == ("blind", "never read, though the bench face is 20 m past")

    def test_readings_set_aside_are_told(self, bench: Bench) -> None:
        assert "(3 readings set aside)" in never_read(self.series(bench, 3), bench.job_on(20.0))[1]

    def test_without_a_face_log_nobody_knows(self, bench: Bench) -> None:
        state, reason = never_read(replace(self.series(bench), paths={}), bench.job_on(20.0))
        assert state == "undetermined"
        assert "no face log" in reason


class TestTheChosenLevel:
    def test_likely_and_grave_before_likelier_and_light(self, bench: Bench) -> None:
        _, _, chosen = bench.judge(QUIET, bench.trigger(10.0, 20.0, 60.0), final=(30.0, 4.0))
        assert chosen is not None
        assert chosen.level.value == 20.0

    def test_nearest_where_none_is_likely(self, bench: Bench) -> None:
        _, _, chosen = bench.judge(QUIET, bench.trigger(20.0, 40.0), final=(8.0, 3.0))
        assert chosen is not None
        assert chosen.level.value == 20.0

    def test_past_before_heading(self, bench: Bench) -> None:
        light = bench.trigger(4.0, 100.0, 200.0, name="light")
        heavy = bench.trigger(20.0, name="heavy")
        state, _, chosen = bench.judge([0, 5, 5, 5, 5], light, heavy, final=(30.0, 1.0))
        assert state == "past"
        assert chosen is not None
        assert chosen.trigger.name == "light"

    def test_none_without_a_trigger(self) -> None:
        assert chosen_level(()) is None

    def test_a_trigger_of_fewer_levels_hides_no_graver_passage(self, bench: Bench) -> None:
        """52 mm: past the one level of 30 mm, which is the last of its trigger, and past 50 of 50, 68 and 95 mm."""
        info = replace(bench.trigger(30.0, name="info"), owner="the clerk", action="note it")
        main = replace(bench.trigger(50.0, 68.0, 95.0, name="main"), owner="the engineer", action="stop")
        for order in ((info, main), (main, info)):
            state, reason, chosen = bench.judge([0, 40, 69, 69, 69], *order, final=(75.0, 4.0))
            assert state == "past"
            assert chosen is not None
            assert (chosen.trigger.name, chosen.level.value) == ("main", 68.0)
            assert "past level 68 (68 mm) since" in reason
            assert (
                "also past level 30 (30 mm) since 2031-03-06 13:00 [trigger info; acts: the clerk: note it]" in reason
            )
            assert "next level 95 (95 mm): 0% within the horizon" in reason
        _, reason, chosen = bench.judge([0, 20, 40, 40, 40], info, main, final=(75.0, 4.0))
        assert chosen is not None
        assert chosen.trigger.name == "info"
        assert "next level 50 (50 mm): 100% within the horizon" in reason
        assert "[trigger main; acts: the engineer: stop]" in reason

    def test_strain_and_movement_stand_in_one_order(self, bench: Bench) -> None:
        """Half a percent of 10 m are 50 mm: graver than 30 mm of movement, lighter than 60."""
        strain = bench.trigger(0.5, quantity="strain", name="strain")
        for other, chosen_name in ((30.0, "strain"), (60.0, "movement")):
            movement = bench.trigger(other, name="movement")
            _, _, chosen = bench.judge([0, 60, 70, 70, 70], strain, movement, final=(70.0, 1.0))
            assert chosen is not None
            assert chosen.trigger.name == chosen_name

    def test_a_likely_level_of_another_trigger_is_told(self, bench: Bench) -> None:
        other = replace(bench.trigger(12.0, name="first"), owner="the clerk")
        state, reason, chosen = bench.judge(QUIET, other, bench.trigger(20.0, name="second"), final=(30.0, 4.0))
        assert state == "heading"
        assert chosen is not None
        assert chosen.trigger.name == "second"
        assert "also level 12 at 12 mm: 100% within the horizon" in reason
        assert "[trigger first; acts: the clerk]" in reason


class TestChanges:
    """What the readings' own course does not explain: never the all-clear, and heading where the rate says so."""

    def judged(self, bench: Bench, value: list[float], kind: str, size: float) -> tuple[str, str]:
        series = bench.series(value)
        last = float(series.time[-1])
        section = bench.projection(series, [last, last + 100.0], [value[-1], value[-1] + 1.0], [0.1, 0.5])
        levels = tuple(level_outlooks(bench.trigger(20.0), series, section, Noise(0.1, 0.0, 1.0)))
        change = Change("S1", "settlement", "P1", kind, last - 1.0, last - 0.5, size, 0.1)
        job = bench.job_on(last)
        return state_and_reason(job, series, chosen_level(levels), levels, section, 0.0, [change])

    @pytest.mark.parametrize("kind", ["acceleration", "step", "slope change"])
    def test_none_is_clear(self, bench: Bench, kind: str) -> None:
        state, reason = self.judged(bench, [0.0, 3.0, *[5.0] * 14], kind, 1.5)
        assert state == "undetermined"
        assert f"{kind} of +1.50±0.10 mm" in reason
        assert "found 2031-03-09 07:00" in reason

    @pytest.mark.parametrize(("size", "state"), [(1.0, "heading"), (-1.0, "undetermined")])
    def test_a_level_reached_at_the_present_rate(self, bench: Bench, size: float, state: str) -> None:
        """4 mm/day and 5 mm to go: 1.2 days, though the projection says 0 %; slowing down it is told and no alarm."""
        found, reason = self.judged(bench, [float(number) for number in range(16)], "acceleration", size)
        assert found == state
        assert "level 20 at 20 mm is reached in 1.2 days at the present rate of +4.0 mm/day" in reason

    def test_the_rate_off_an_expected_curve_is_told(self, bench: Bench) -> None:
        """4 mm/day where 1 is expected, 11.25 mm off it and 3.75 to go: 1.2 days."""
        series = bench.series([float(number) for number in range(16)])
        last = float(series.time[-1])
        section = bench.projection(series, [last, last + 100.0], [15.0, 16.0], [0.1, 0.5])
        curve = ExpectedCurve("class B", "age", "heading", (0.0, 100.0), (0.0, 100.0))
        trigger = replace(bench.trigger(15.0, quantity="deviation"), expected=curve)
        levels = tuple(level_outlooks(trigger, series, section, Noise(0.1, 0.0, 1.0)))
        change = Change("S1", "settlement", "P1", "acceleration", last - 1.0, last - 0.5, 1.0, 0.1)
        state, reason = state_and_reason(bench.job_on(last), series, levels[0], levels, section, 0.0, [change])
        assert state == "heading"
        assert "in 1.2 days at the present rate of +3.0 mm/day off the expected curve class B" in reason

    def test_a_level_quickened_to_ranks_as_if_it_were_certain(self, bench: Bench) -> None:
        series = bench.series([float(number) for number in range(16)])
        last = float(series.time[-1])
        section = bench.projection(series, [last, last + 100.0], [15.0, 16.0], [0.1, 0.5])
        (level,) = level_outlooks(bench.trigger(20.0), series, section, Noise(0.1, 0.0, 1.0))
        quicker = Change("S1", "settlement", "P1", "acceleration", last - 1.0, last - 0.5, 1.0, 0.1)
        slower = replace(quicker, size=-1.0)
        ranks = [urgency("heading", level, last, (level,), changes) for changes in ((quicker,), (slower,), ())]
        assert ranks[0] > ranks[1] == ranks[2]
        sure = replace(level, probability=1.0, crossing=last + level.present_days)
        assert ranks[0] == pytest.approx(urgency("heading", sure, last, (sure,)))


class TestRanges:
    def test_one_that_is_over_says_so(self, bench: Bench) -> None:
        trigger = replace(bench.trigger(20.0), valid=TriggerRange("age", "heading", 0.0, 0.6))
        state, reason, _ = bench.judge(QUIET, trigger)
        assert state == "clear"
        assert "its range is over, in force from 0 d to 0.6 d (days since heading passed)" in reason

    def test_one_passed_without_readings_is_not_clear(self, bench: Bench) -> None:
        """In force before the first reading only."""
        trigger = replace(bench.trigger(20.0), valid=TriggerRange("age", "heading", -2.0, -1.0))
        state, reason, _ = bench.judge(QUIET, bench.trigger(30.0, name="other"), trigger)
        assert state == "undetermined"
        assert "range of made by hand passed with 0 readings: level 20 not judged" in reason

    def test_what_is_beyond_by_estimate_is_perhaps_reached_already(self, bench: Bench) -> None:
        series = bench.series([0, 8, 8, 8, 8])
        last = float(series.time[-1])
        section = bench.projection(series, [last, last + 100.0], [8.0, 8.5], [0.1, 0.1], lost=5.0)
        section = replace(section, lost_deviation=np.full(1, 3.0))
        levels = tuple(level_outlooks(bench.trigger(10.0, since="excavation"), series, section, Noise(0.5, 0.3, 1.5)))
        state, reason = state_and_reason(bench.job_on(last), series, chosen_level(levels), levels, section)
        assert state == "heading"
        assert "100% within the horizon, perhaps already" in reason
        assert "about 2031" not in reason


class TestUrgency:
    """Past, heading, blind, clear, undetermined; within a state by probability, gravity and how soon."""

    def level(self, bench: Bench, probability: float, crossing: float, place: int = 0) -> LevelOutlook:
        trigger = bench.trigger(10.0, 20.0, 30.0)
        return LevelOutlook(
            trigger, trigger.levels[place], place, False, 0, probability, crossing, crossing, crossing, 5.0
        )

    def test_states_come_first(self, bench: Bench) -> None:
        """Whatever the level, within what a state can have: from 50 % on a level is likely, and the row heading."""
        most = {"past": 1.0, "heading": 1.0, "blind": 1.0, "undetermined": 0.499, "clear": 0.499}
        assert set(most) == set(STATES)
        for upper, lower in itertools.pairwise(most):
            least = self.level(bench, 0.5 if upper == "heading" else 0.0, float("nan"))
            assert urgency(upper, least, 10.0) > urgency(lower, self.level(bench, most[lower], 10.0, 2), 10.0)

    def test_what_is_undetermined_for_want_of_a_level_comes_last(self, bench: Bench) -> None:
        assert urgency("undetermined", None, 10.0) < urgency("clear", self.level(bench, 0.0, float("nan")), 10.0)

    def test_sooner_is_more_urgent(self, bench: Bench) -> None:
        ranks = [urgency("heading", self.level(bench, 0.9, day), 10.0) for day in (10.0, 15.0, 60.0, float("nan"))]
        assert ranks == sorted(ranks, reverse=True)
        assert len(set(ranks)) == 4

    def test_likelier_is_more_urgent(self, bench: Bench) -> None:
        assert urgency("clear", self.level(bench, 0.4, 20.0), 10.0) > urgency(
            "clear", self.level(bench, 0.1, 20.0), 10.0
        )

    def test_graver_is_more_urgent(self, bench: Bench) -> None:
        ranks = [urgency("heading", self.level(bench, 0.9, 20.0, place), 10.0) for place in range(3)]
        assert ranks == sorted(ranks)

    def test_a_crossing_already_due_is_as_urgent_as_today(self, bench: Bench) -> None:
        assert urgency("heading", self.level(bench, 0.9, 2.0), 10.0) == urgency(
            "heading", self.level(bench, 0.9, 10.0), 10.0
        )

    def test_without_a_level_the_state_alone_counts(self) -> None:
        assert urgency("blind", None, 10.0) == 2.0


class TestTheActiveStage:
    @pytest.mark.parametrize(
        ("day", "stage", "distance"), [(2.0, "heading", -6.0), (10.0, "heading", 10.0), (40.0, "bench", 20.0)]
    )
    def test_it_is_the_last_to_have_passed(self, bench: Bench, day: float, stage: str, distance: float) -> None:
        found = active_stage(bench.series([0.0]), day)
        assert found[0] == stage
        assert found[1] == pytest.approx(distance)

    def test_without_a_log_there_is_none(self, bench: Bench) -> None:
        name, distance = active_stage(replace(bench.series([0.0]), paths={}), 5.0)
        assert name == ""
        assert np.isnan(distance)


class TestWhatComesNext:
    """Of rows past a level the one that is nearer to a graver one comes first."""

    def levels(self, bench: Bench, final: float, days: float = 100.0) -> tuple[LevelOutlook, ...]:
        series = bench.series([0, 8, 11, 12, 12])
        last = float(series.time[-1])
        section = bench.projection(series, [last, last + days], [12.0, final], [0.1, 2.0])
        return tuple(level_outlooks(bench.trigger(10.0, 20.0, 30.0), series, section, Noise(0.5, 0.3, 1.5)))

    def rank(self, levels: tuple[LevelOutlook, ...]) -> float:
        return urgency("past", chosen_level(levels), 6.0, levels)

    def test_likelier_and_sooner_comes_first(self, bench: Bench) -> None:
        ranks = [self.rank(self.levels(bench, final)) for final in (13.0, 19.0, 21.0, 26.0)]
        assert ranks == sorted(ranks)
        assert len(set(ranks)) == 4
        assert self.rank(self.levels(bench, 24.0, 10.0)) > self.rank(self.levels(bench, 24.0, 300.0))

    def test_past_the_last_level_comes_before_all(self, bench: Bench) -> None:
        _, _, last = bench.judge([0, 8, 31, 32, 32], bench.trigger(10.0, 20.0, 30.0), final=(33.0, 1.0))
        assert last is not None
        assert 6.0 > urgency("past", last, 6.0, (last,)) > self.rank(self.levels(bench, 60.0, 2.0))


class TestAmounts:
    """Digits fit for the unit, and the unit the job gave."""

    @pytest.mark.parametrize(
        ("quantity", "given", "level", "value", "told", "words"),
        [
            ("value", "mm", 38.0, 12.34, "12.3 mm", "38 mm"),
            # an inch is 25.4 mm exactly
            ("value", "in", 38.1, 12.7, "0.50 in (12.7 mm)", "1.5 in = 38.1 mm"),
            ("rate", "mm/day", 2.0, 1.234, "1.23 mm/day", "2 mm/day"),
            ("rate", "mm/week", 2.0, 1.0, "7.0 mm/week (1.00 mm/day)", "14 mm/week = 2 mm/day"),
            ("strain", "%", 0.5, 0.31234, "0.312 %", "0.5 %"),
            ("strain", "per mille", 0.5, 0.31234, "3.12 per mille (0.312 %)", "5 per mille = 0.5 %"),
            ("distortion", "one part in", 2.0, 1.25, "1 in 800 (1.25 mm/m)", "1 in 500 = 2 mm/m"),
            ("distortion", "one part in", 2.0, 0.0, "0.00 mm/m", "1 in 500 = 2 mm/m"),
            ("distortion", "", 2.0, float("nan"), "no value yet", "2 mm/m"),
        ],
    )
    def test_values_and_levels(
        self, bench: Bench, quantity: str, given: str, level: float, value: float, told: str, words: str
    ) -> None:
        trigger = bench.trigger(level, quantity=quantity)
        own = replace(trigger.levels[0], given=given)
        assert amount_text(value, trigger, own) == told
        assert level_text(trigger, own) == words


class TestEstimatedPart:
    def test_a_level_passed_by_the_estimate_alone_is_told(self, bench: Bench) -> None:
        """8 mm read and 4±2 mm lost: beyond 10 mm in the middle, 8.7 mm with the least of it."""
        series = bench.series([0, 5, 8, 8, 8])
        last = float(series.time[-1])
        section = bench.projection(series, [last, last + 100.0], [8.0, 8.1], [0.1, 0.1], lost=4.0)
        section = replace(section, lost_deviation=np.full(1, 2.0))
        trigger = bench.trigger(10.0, since="excavation")
        levels = tuple(level_outlooks(trigger, series, section, Noise(0.5, 0.3, 1.5)))
        _, reason = state_and_reason(bench.job_on(last), series, levels[0], levels, section)
        assert not levels[0].past
        assert levels[0].by_estimate
        assert "(of it 4.0±2.0 mm lost before the zero reading, estimated)" in reason
        assert "beyond the level only with what is estimated of the part lost" in reason

    def test_nothing_is_asked_again_of_a_range_that_is_over(self, bench: Bench) -> None:
        """In force to day 6; the last reading within it is beyond the level, those after it as well."""
        series = bench.series([0, 5, 8, 8, 21, 21, 21])
        last = float(series.time[-1])
        valid = TriggerRange("age", "heading", 0.0, 1.0)
        trigger = replace(bench.trigger(20.0), valid=valid)
        section = bench.projection(series, [last, last + 100.0], [21.0, 21.1], [0.1, 0.1])
        levels = tuple(level_outlooks(trigger, series, section, Noise(0.5, 0.3, 1.5)))
        assert levels[0].over
        assert levels[0].unconfirmed == 0
        _, reason = state_and_reason(bench.job_on(last), series, levels[0], levels, section, 9.0)
        assert "read again" not in reason
