"""Advance plans on the work calendar: rest days, shifts, stops, the clock change, who follows whom.

The trade's numbers are common practice, no source: rounds of 8 ft take 50 to 55 hours, up to 120; work goes on 24 hours
a day, six days a week.
"""

from __future__ import annotations

import zoneinfo
from collections.abc import Mapping

import numpy as np
import pytest

from convergence.errors import ValueFault
from convergence.job.advance import FaceLog
from convergence.job.schema import Calendar, ProjectionSettings, Settings, Stage, StagePlan, Stop, Tunnel
from convergence.projection import AdvancePlan, FaceTrack, weeks_for_rounds
from convergence.projection.plan import face_tracks, recent_speed

EIGHT_FEET = 8 * 0.3048
SIX_DAYS = Calendar(rest_days=frozenset({6}))
SUNDAY = 6
#: A Monday; days are counted from here, in the time zone of the job.
MONDAY = np.datetime64("2031-01-06T00:00:00", "ns")
HOUR = np.timedelta64(1, "h")


def settings(
    stages: tuple[Stage, ...] = (Stage("heading"),),
    calendar: Calendar = SIX_DAYS,
    plans: Mapping[str, StagePlan] | None = None,
    drive: int = 1,
    zone: str = "UTC",
) -> Settings:
    tunnel = Tunnel("invented", 10.0, 8.0, drive, zone)
    return Settings(tunnel, None, stages, calendar, dict(plans or {}), ProjectionSettings(), (), ())


def log(
    stage: str = "heading",
    rounds: int = 6,
    hours: float = 10.0,
    length: float = 1.0,
    last: float = 100.0,
    drive: int = 1,
    until: np.datetime64 = MONDAY,
) -> FaceLog:
    """Rounds of an even length, every so many hours, the last one ending at an instant and chainage."""
    back = np.arange(rounds - 1, -1, -1)
    time = until - (back * hours * 3600).astype("timedelta64[s]").astype("timedelta64[ns]")
    return FaceLog(stage, drive, time, last - drive * back * length)


def track(
    plan: StagePlan,
    *,
    calendar: Calendar = SIX_DAYS,
    until: float = 700.0,
    zone: str = "UTC",
    drive: int = 1,
    logged: FaceLog | None = None,
    epoch: np.datetime64 = MONDAY,
) -> FaceTrack:
    given = settings(calendar=calendar, plans={"heading": plan}, zone=zone, drive=drive)
    found = face_tracks(given, {"heading": logged or log(drive=drive, until=epoch)}, epoch, 0.0, until)
    return found["heading"]


def position(found: FaceTrack, day: float) -> float:
    return float(np.interp(day, found.time, found.chainage))


class TestTheTradesCalendar:
    """A hundred rounds of 50 to 120 hours on the 144-hour week fill 35 to 83 weeks (common practice, no source)."""

    def test_the_week_has_144_hours(self) -> None:
        assert SIX_DAYS.hours_a_week == 144.0

    @pytest.mark.parametrize(("hours", "weeks"), [(50.0, 35), (120.0, 83)])
    def test_by_the_sum(self, hours: float, weeks: int) -> None:
        assert round(weeks_for_rounds(100, hours, SIX_DAYS)) == weeks

    @pytest.mark.parametrize(("hours", "weeks"), [(50.0, 35), (120.0, 83)])
    def test_by_moving_the_face(self, hours: float, weeks: int) -> None:
        found = track(StagePlan(EIGHT_FEET, hours))
        goal = 100.0 + 100 * EIGHT_FEET
        day = float(np.interp(goal - 1e-9, found.chainage, found.time))
        assert round(day / 7) == weeks
        # from Monday 0 h the whole weeks hold 144 h each, the rest is worked without a break: exact to the second
        whole, rest = divmod(100 * hours, 144.0)
        assert day == pytest.approx(7 * whole + rest / 24, abs=2 / 86_400)

    def test_usual_rounds_lie_between(self) -> None:
        """50 to 55 hours: between 35 and 38 weeks."""
        assert 35 <= round(weeks_for_rounds(100, 55.0, SIX_DAYS)) <= 38

    @pytest.mark.parametrize("hours", [0.0, -1.0, float("nan")])
    def test_a_round_takes_time(self, hours: float) -> None:
        with pytest.raises(ValueFault, match=r"hours_per_round = .*expected above 0.*To mend"):
            weeks_for_rounds(100, hours, SIX_DAYS)


class TestTheCalendar:
    def test_the_face_rests_on_the_rest_day_and_only_then(self) -> None:
        found = track(StagePlan(2.4, 24.0), until=14.0)
        gain = np.array([position(found, day + 1) - position(found, day) for day in range(14)])
        expected = np.full(14, 2.4)
        expected[[SUNDAY, SUNDAY + 7]] = 0.0
        assert gain == pytest.approx(expected, abs=1e-9)

    def test_a_shift_works_its_hours(self) -> None:
        found = track(StagePlan(1.6, 16.0), calendar=Calendar(6.0, 22.0), until=2.0)
        assert position(found, 6 / 24) == pytest.approx(100.0)
        assert position(found, 14 / 24) == pytest.approx(100.8)
        assert position(found, 22 / 24) == pytest.approx(101.6)
        assert position(found, 1 + 6 / 24) == pytest.approx(101.6)

    def test_half_hours_count(self) -> None:
        found = track(StagePlan(1.0, 10.0), calendar=Calendar(6.5, 16.5), until=1.0)
        assert position(found, 6.5 / 24) == pytest.approx(100.0)
        assert position(found, 1.0) == pytest.approx(101.0)

    def test_days_are_those_of_the_job_not_of_utc(self) -> None:
        """A rest day in a zone of UTC+13 begins at 11 h UTC of the day before: most of it is another day in UTC."""
        found = track(StagePlan(2.4, 24.0), until=14.0, zone="Etc/GMT-13")
        assert position(found, 5 + 11 / 24) == pytest.approx(100 + 2.4 * (5 + 11 / 24))
        assert position(found, 6 + 11 / 24) == pytest.approx(position(found, 5 + 11 / 24))
        assert position(found, 7 + 11 / 24) == pytest.approx(position(found, 6 + 11 / 24) + 2.4)

    def test_a_planned_stop(self) -> None:
        stop = Stop(MONDAY + 30 * HOUR, MONDAY + 54 * HOUR)
        found = track(StagePlan(2.4, 24.0, (stop,)), until=4.0)
        assert position(found, 30 / 24) == pytest.approx(103.0)
        assert position(found, 54 / 24) == pytest.approx(103.0)
        assert position(found, 3.0) == pytest.approx(103.0 + 1.8)

    def test_stops_that_overlap_count_once(self) -> None:
        stops = (Stop(MONDAY + 24 * HOUR, MONDAY + 60 * HOUR), Stop(MONDAY + 48 * HOUR, MONDAY + 72 * HOUR))
        found = track(StagePlan(2.4, 24.0, stops), until=4.0)
        assert position(found, 4.0) == pytest.approx(100.0 + 2 * 2.4)

    @pytest.mark.parametrize(("day", "hours"), [("2031-03-30", 23.0), ("2031-10-26", 25.0)])
    def test_the_clock_change_gives_a_day_of_23_or_25_hours(self, day: str, hours: float) -> None:
        """Summer time in the EU: last Sunday of March and of October (Directive 2000/84/EC; from memory)."""
        begin = np.datetime64(day, "D")
        midnight = np.datetime64(begin - 1, "ns") + np.timedelta64(23 if hours == 23.0 else 22, "h")
        found = track(
            StagePlan(0.1, 1.0), calendar=Calendar(), until=3.0, zone="Europe/Berlin", epoch=midnight,
            logged=log(until=midnight),
        )  # fmt: skip
        # hours are real hours: round the clock the clock change moves nothing
        assert position(found, hours / 24) == pytest.approx(100.0 + 0.1 * hours)

    @pytest.mark.parametrize(("day", "worked"), [("2031-03-30", 5.0), ("2031-10-26", 7.0)])
    def test_a_shift_over_the_clock_change_keeps_its_hours_on_the_wall(self, day: str, worked: float) -> None:
        begin = np.datetime64(np.datetime64(day, "D") - 1, "ns") + np.timedelta64(23 if worked == 5.0 else 22, "h")
        found = track(
            StagePlan(0.1, 1.0), calendar=Calendar(0.0, 6.0), until=0.9, zone="Europe/Berlin", epoch=begin,
            logged=log(until=begin),
        )  # fmt: skip
        assert position(found, 0.9) == pytest.approx(100.0 + 0.1 * worked)


class TestTheRecentRate:
    def test_it_is_metres_per_working_hour(self) -> None:
        logged = log(rounds=20, hours=8.0, length=1.2)
        assert recent_speed(logged, Calendar(), zoneinfo.ZoneInfo("UTC")) == pytest.approx(1.2 / 8.0)

    def test_rest_days_do_not_slow_it(self) -> None:
        """Rounds every eight hours from Monday to Saturday, two weeks long; none on Sundays."""
        hours = np.array([day * 24 + hour for day in range(14) if day % 7 != SUNDAY for hour in (8, 16, 24)])
        time = MONDAY + (hours * 3600).astype("timedelta64[s]").astype("timedelta64[ns]")
        logged = FaceLog("heading", 1, time, 100.0 + 1.2 * np.arange(len(time)))
        assert recent_speed(logged, SIX_DAYS, zoneinfo.ZoneInfo("UTC")) == pytest.approx(1.2 / 8.0)

    def test_stoppages_are_left_out(self) -> None:
        logged = log(rounds=20, hours=8.0, length=1.2)
        time = logged.time.copy()
        time[:10] -= np.timedelta64(6, "D")
        stopped = FaceLog("heading", 1, time, logged.chainage)
        assert recent_speed(stopped, Calendar(), zoneinfo.ZoneInfo("UTC")) == pytest.approx(1.2 / 8.0)

    def test_only_the_last_forty_rounds_count(self) -> None:
        slow, fast = log(rounds=60, hours=20.0, last=160.0), log(rounds=41, hours=5.0, last=200.0)
        time = np.concatenate([slow.time - np.timedelta64(20 * 40, "h"), fast.time])
        both = FaceLog("heading", 1, time, np.concatenate([slow.chainage - 1, fast.chainage]))
        assert recent_speed(both, Calendar(), zoneinfo.ZoneInfo("UTC")) == pytest.approx(1.0 / 5.0)

    @pytest.mark.parametrize("rounds", [1, 2])
    def test_two_rounds_tell_no_rate_and_the_face_stays_where_it_is(self, rounds: int) -> None:
        logged = log(rounds=rounds)
        assert np.isnan(recent_speed(logged, SIX_DAYS, zoneinfo.ZoneInfo("UTC")))
        found = face_tracks(settings(), {"heading": logged}, MONDAY, 0.0, 100.0)["heading"]
        assert found.chainage.max() == 100.0
        assert found.time.max() <= 0.0

    def test_a_plan_of_hours_only_keeps_the_usual_round(self) -> None:
        found = track(StagePlan(hours_per_round=24.0), logged=log(length=1.3, rounds=9), calendar=Calendar(), until=9.0)
        assert position(found, 5.0) == pytest.approx(100.0 + 5 * 1.3)

    def test_a_plan_of_lengths_only_keeps_the_recent_hours_a_round(self) -> None:
        logged = log(length=1.0, hours=12.0, rounds=9)
        found = track(StagePlan(round_length=1.5), logged=logged, calendar=Calendar(), until=9.0)
        assert position(found, 5.0) == pytest.approx(100.0 + 10 * 1.5)

    def test_no_plan_at_all_goes_on_as_of_late(self) -> None:
        logged = log(length=1.0, hours=12.0, rounds=9)
        found = face_tracks(settings(calendar=Calendar()), {"heading": logged}, MONDAY, 0.0, 9.0)["heading"]
        assert position(found, 5.0) == pytest.approx(110.0)


class TestStages:
    STAGES = (Stage("heading"), Stage("bench", follows="heading"))

    def two(self, heading: StagePlan, bench: StagePlan, drive: int = 1) -> tuple[FaceTrack, FaceTrack]:
        given = settings(self.STAGES, Calendar(), {"heading": heading, "bench": bench}, drive)
        logs = {
            "heading": log(last=100.0, drive=drive),
            "bench": log("bench", last=100.0 - drive * 10.0, drive=drive),
        }
        found = face_tracks(given, logs, MONDAY, 0.0, 60.0)
        return found["heading"], found["bench"]

    @pytest.mark.parametrize("drive", [1, -1])
    def test_a_follower_never_overtakes(self, drive: int) -> None:
        stop = Stop(MONDAY + 10 * HOUR, MONDAY + 20 * HOUR)
        late = Stop(MONDAY + 245 * HOUR, MONDAY + 401 * HOUR)
        heading, bench = self.two(StagePlan(1.0, 24.0, (stop, late)), StagePlan(5.0, 24.0), drive)
        days = np.arange(0.0, 60.0, 0.01)
        ahead = drive * (np.interp(days, heading.time, heading.chainage) - np.interp(days, bench.time, bench.chainage))
        assert ahead.min() > -1e-9
        # it catches up after some days and then goes as fast as the heading lets it
        assert ahead[-1] == pytest.approx(0.0, abs=1e-9)
        assert (np.diff(drive * bench.chainage) >= -1e-9).all()

    def test_a_leaders_stop_within_the_day_holds_the_follower(self) -> None:
        """At the leader's heels, with a stop from 10 h to 20 h that the follower does not have in its own plan."""
        stop = Stop(MONDAY + 10 * HOUR, MONDAY + 20 * HOUR)
        given = settings(
            self.STAGES, Calendar(), {"heading": StagePlan(2.4, 24.0, (stop,)), "bench": StagePlan(9.0, 24.0)}
        )
        found = face_tracks(given, {"heading": log(), "bench": log("bench")}, MONDAY, 0.0, 2.0)
        assert position(found["heading"], 20 / 24) == pytest.approx(101.0)
        assert position(found["bench"], 20 / 24) == pytest.approx(101.0)

    def test_a_stage_without_a_log_has_no_track(self) -> None:
        found = face_tracks(settings(self.STAGES), {"heading": log()}, MONDAY, 0.0, 10.0)
        assert list(found) == ["heading"]

    def test_a_stage_without_rounds_has_no_track(self) -> None:
        empty = FaceLog("bench", 1, np.array([], "datetime64[ns]"), np.array([]))
        found = face_tracks(settings(self.STAGES), {"heading": log(), "bench": empty}, MONDAY, 0.0, 10.0)
        assert list(found) == ["heading"]

    def test_a_drive_down_chainage_mirrors_one_up(self) -> None:
        plan = StagePlan(2.0, 20.0)
        up, down = track(plan, until=30.0), track(plan, until=30.0, drive=-1)
        assert down.time == pytest.approx(up.time)
        assert down.chainage == pytest.approx(200.0 - up.chainage)
        assert down.path(90.0).at(10.0) == pytest.approx(up.path(110.0).at(10.0))
        assert float(down.path(90.0).at(10.0)) > 0.0, "the face distance is positive once the face has passed"

    def test_nothing_is_planned_before_the_last_data(self) -> None:
        """A log that ends days before the last reading: the face stands until then, for nothing says it moved."""
        found = face_tracks(settings(calendar=Calendar()), {"heading": log(rounds=9)}, MONDAY, 5.0, 20.0)["heading"]
        assert position(found, 5.0) == pytest.approx(100.0)
        assert position(found, 6.0) > 100.0
        assert found.logged_until == 0.0


class TestWhatIf:
    def test_a_stop_of_all_stages(self) -> None:
        plan = AdvancePlan.stop_all(("heading",), MONDAY + 24 * HOUR, MONDAY + 72 * HOUR)
        logged = {"heading": log(length=1.0, hours=12.0, rounds=9)}
        found = face_tracks(settings(calendar=Calendar()), logged, MONDAY, 0.0, 9.0, plan)["heading"]
        assert position(found, 1.0) == pytest.approx(102.0)
        assert position(found, 3.0) == pytest.approx(102.0)
        assert position(found, 4.0) == pytest.approx(104.0)

    def test_a_stop_ends_after_it_begins(self) -> None:
        with pytest.raises(ValueFault, match="exchange the two"):
            AdvancePlan.stop_all(("heading",), MONDAY + HOUR, MONDAY)

    def test_a_stage_the_job_does_not_have_is_refused(self) -> None:
        plan = AdvancePlan({"headng": StagePlan(1.0, 10.0)})
        with pytest.raises(ValueFault, match=r"'headng'.*expected one of heading"):
            face_tracks(settings(), {"heading": log()}, MONDAY, 0.0, 9.0, plan)

    @pytest.mark.parametrize("plan", [StagePlan(-1.0, 10.0), StagePlan(1.0, 0.0), StagePlan(float("nan"), 10.0)])
    def test_a_face_does_not_go_backwards(self, plan: StagePlan) -> None:
        with pytest.raises(ValueFault, match=r"in the plan for heading: expected above 0"):
            face_tracks(settings(), {"heading": log()}, MONDAY, 0.0, 9.0, AdvancePlan({"heading": plan}))
