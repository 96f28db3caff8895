"""Levels against readings and projections made by hand: every probability and date is known from the normal law."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace

import numpy as np
import pytest
from scipy.stats import norm

from convergence.job.schema import ExpectedCurve, Trigger, TriggerRange
from convergence.measures.series import Series
from convergence.projection.result import PROBABILITIES, SectionProjection
from convergence.survey.noise_model import Noise
from convergence.triggers.levels import LevelOutlook, applies, level_outlooks

MakeSeries = Callable[..., Series]
MakeProjection = Callable[..., SectionProjection]
MakeTrigger = Callable[..., Trigger]

NOISE = Noise(0.5, 0.3, 1.5)
#: Probabilities come from a table; between its rows they are straight lines.
STRAIGHT = 0.012


def found(trigger: Trigger, series: Series, projection: SectionProjection | None = None) -> list[LevelOutlook]:
    return level_outlooks(trigger, series, projection, NOISE)


class TestConfirmation:
    """2 of 3: a passage counts once two of the last three readings are beyond the level."""

    @pytest.mark.parametrize(
        ("value", "past", "unconfirmed"),
        [
            ([0, 5, 9, 9, 9], False, 0),
            ([0, 5, 9, 9, 11], False, 1),
            ([0, 5, 9, 11, 9], False, 1),
            ([0, 5, 9, 11, 11], True, 0),
            ([0, 5, 11, 9, 11], True, 0),
            ([0, 5, 11, 11, 9], True, 0),
            ([0, 11, 11, 9, 9], False, 1),
            ([0, 11, 11, 9, 9, 9], False, 0),
            ([0, 5, 9, 10, 10], True, 0),
            ([0, 11], False, 1),
            ([0, 11, 11], True, 0),
        ],
    )
    def test_two_of_three(
        self, make_series: MakeSeries, make_trigger: MakeTrigger, value: list[float], past: bool, unconfirmed: int
    ) -> None:
        (level,) = found(make_trigger(10.0), make_series(value))
        assert (level.past, level.unconfirmed) == (past, unconfirmed)
        assert level.value == value[-1]

    def test_one_of_one_is_at_once(self, make_series: MakeSeries, make_trigger: MakeTrigger) -> None:
        assert found(make_trigger(10.0, confirm=(1, 1)), make_series([0, 5, 11]))[0].past

    def test_five_of_five_needs_five(self, make_series: MakeSeries, make_trigger: MakeTrigger) -> None:
        trigger = make_trigger(10.0, confirm=(5, 5))
        four, five = (found(trigger, make_series([0, 5, *[11] * count]))[0] for count in (4, 5))
        assert (four.past, four.unconfirmed) == (False, 4)
        assert five.past

    def test_the_day_of_the_passage_is_that_of_its_confirmation(
        self, make_series: MakeSeries, make_trigger: MakeTrigger
    ) -> None:
        series = make_series([0, 5, 11, 9, 11, 12, 13])
        (level,) = found(make_trigger(10.0), series)
        assert level.crossing == level.early == level.late == series.time[4]
        assert level.probability == 1.0

    def test_a_passage_that_went_back_counts_from_its_return(
        self, make_series: MakeSeries, make_trigger: MakeTrigger
    ) -> None:
        series = make_series([0, 11, 11, 11, 5, 5, 5, 5, 11, 11, 11])
        (level,) = found(make_trigger(10.0), series)
        assert level.crossing == series.time[9]

    def test_a_single_reading_beyond_is_no_alarm_whatever_its_size(
        self, make_series: MakeSeries, make_trigger: MakeTrigger
    ) -> None:
        (level,) = found(make_trigger(10.0), make_series([0, 5, 5, 5, 300.0]))
        assert (level.past, level.unconfirmed) == (False, 1)

    def test_levels_stand_each_for_itself(self, make_series: MakeSeries, make_trigger: MakeTrigger) -> None:
        levels = found(make_trigger(10.0, 20.0, 30.0), make_series([0, 5, 22, 22, 31]))
        assert [level.past for level in levels] == [True, True, False]
        assert [level.unconfirmed for level in levels] == [0, 0, 1]
        assert [level.place for level in levels] == [0, 1, 2]
        assert [level.severity for level in levels] == pytest.approx([1 / 3, 2 / 3, 1.0])


class TestDirections:
    def test_a_positive_level_of_settlement_limits_downward_only(
        self, make_series: MakeSeries, make_trigger: MakeTrigger
    ) -> None:
        assert not found(make_trigger(10.0), make_series([0, -15, -15, -15]))[0].past

    def test_a_negative_level_is_passed_at_or_below(self, make_series: MakeSeries, make_trigger: MakeTrigger) -> None:
        trigger = make_trigger(-10.0)
        assert found(trigger, make_series([0, -5, -10, -10]))[0].past
        assert not found(trigger, make_series([0, -5, -9.9, -9.9]))[0].past
        assert not found(trigger, make_series([0, 15, 15, 15]))[0].past

    @pytest.mark.parametrize("measure", ["transverse", "longitudinal"])
    @pytest.mark.parametrize("sign", [1, -1])
    def test_a_level_of_sideways_movement_limits_both_ways(
        self, make_series: MakeSeries, make_trigger: MakeTrigger, measure: str, sign: int
    ) -> None:
        series = make_series([0, sign * 5, sign * 11, sign * 11], measure=measure)
        assert found(make_trigger(10.0, measure=measure), series)[0].past

    def test_a_negative_level_of_sideways_movement_limits_one_way(
        self, make_series: MakeSeries, make_trigger: MakeTrigger
    ) -> None:
        trigger = make_trigger(-10.0, measure="transverse")
        assert not found(trigger, make_series([0, 5, 11, 11], measure="transverse"))[0].past
        assert found(trigger, make_series([0, -5, -11, -11], measure="transverse"))[0].past

    def test_chances_of_both_sides_add_up(
        self, make_series: MakeSeries, make_projection: MakeProjection, make_trigger: MakeTrigger
    ) -> None:
        series = make_series([0, 1, 1, 1], measure="transverse")
        projection = make_projection(series, [5.75, 100.0], [1.0, 1.0], [0.1, 8.0])
        (level,) = found(make_trigger(10.0, measure="transverse"), series, projection)
        expected = norm.sf(10.0, 1.0, 8.0) + norm.cdf(-10.0, 1.0, 8.0)
        assert level.probability == pytest.approx(expected, abs=2 * STRAIGHT)

    def test_the_chance_of_a_negative_level(
        self, make_series: MakeSeries, make_projection: MakeProjection, make_trigger: MakeTrigger
    ) -> None:
        series = make_series([0, -1, -1, -1])
        projection = make_projection(series, [5.75, 100.0], [-1.0, -12.0], [0.1, 4.0])
        (level,) = found(make_trigger(-10.0), series, projection)
        assert level.probability == pytest.approx(norm.cdf(-10.0, -12.0, 4.0), abs=STRAIGHT)


class TestCrossing:
    """Mean from 5 mm now to 25 mm on day 105.75, deviation 3 mm all along: known dates for every share."""

    def level(
        self, make_series: MakeSeries, make_projection: MakeProjection, make_trigger: MakeTrigger, value: float
    ) -> tuple[LevelOutlook, Series]:
        series = make_series([0, 5, 5, 5])
        days = np.linspace(5.75, 105.75, 201)
        projection = make_projection(series, days, np.linspace(5.0, 25.0, 201), np.full(201, 3.0))
        return found(make_trigger(value), series, projection)[0], series

    def test_median_early_and_late(
        self, make_series: MakeSeries, make_projection: MakeProjection, make_trigger: MakeTrigger
    ) -> None:
        level, _ = self.level(make_series, make_projection, make_trigger, 15.0)
        # P(reached by t) = P(m(t) + 3 z >= 15): 50 % where m = 15, 5 % and 95 % where m = 15 -+ 3 * 1.645
        for day, share in ((level.crossing, 0.0), (level.early, -1.6449), (level.late, 1.6449)):
            assert day == pytest.approx(5.75 + 5.0 * (10.0 + 3 * share), abs=0.5)
        assert level.early < level.crossing < level.late
        assert level.probability == pytest.approx(norm.sf(15.0, 25.0, 3.0), abs=STRAIGHT)

    def test_a_level_out_of_reach_is_not_expected(
        self, make_series: MakeSeries, make_projection: MakeProjection, make_trigger: MakeTrigger
    ) -> None:
        level, _ = self.level(make_series, make_projection, make_trigger, 60.0)
        assert level.probability == 0.0
        assert np.isnan([level.crossing, level.early, level.late]).all()

    def test_a_level_perhaps_reached_has_an_early_date_only(
        self, make_series: MakeSeries, make_projection: MakeProjection, make_trigger: MakeTrigger
    ) -> None:
        level, _ = self.level(make_series, make_projection, make_trigger, 27.0)
        assert 0.05 < level.probability < 0.5
        assert np.isfinite(level.early)
        assert np.isnan(level.crossing)
        assert np.isnan(level.late)

    def test_a_level_likely_reached_may_have_no_late_date(
        self, make_series: MakeSeries, make_projection: MakeProjection, make_trigger: MakeTrigger
    ) -> None:
        level, _ = self.level(make_series, make_projection, make_trigger, 23.0)
        assert 0.5 < level.probability < 0.95
        assert np.isfinite([level.crossing, level.early]).all()
        assert np.isnan(level.late)

    def test_a_movement_that_goes_back_has_reached_what_it_reached(
        self, make_series: MakeSeries, make_projection: MakeProjection, make_trigger: MakeTrigger
    ) -> None:
        series = make_series([0, 5, 5, 5])
        projection = make_projection(series, [5.75, 20.0, 40.0, 90.0], [5, 14, 20, 8], [1, 1, 1, 1])
        (level,) = found(make_trigger(15.0), series, projection)
        assert level.probability > 0.99
        assert 20.0 < level.crossing < 40.0

    def test_without_a_projection_nothing_is_said(self, make_series: MakeSeries, make_trigger: MakeTrigger) -> None:
        (level,) = found(make_trigger(15.0), make_series([0, 5, 5, 5]))
        assert np.isnan([level.probability, level.crossing, level.early, level.late]).all()

    def test_the_past_does_not_count_as_what_comes(
        self, make_series: MakeSeries, make_projection: MakeProjection, make_trigger: MakeTrigger
    ) -> None:
        """The fitted course before now is above the level; only the dates from now on are asked."""
        series = make_series([0, 5, 5, 5])
        projection = make_projection(series, [5.0, 5.75, 90.0], [30.0, 5.0, 6.0], [0.1, 0.1, 0.1])
        assert found(make_trigger(15.0), series, projection)[0].probability == 0.0


class TestSinceExcavation:
    def test_what_was_lost_is_added_to_what_was_read(
        self, make_series: MakeSeries, make_projection: MakeProjection, make_trigger: MakeTrigger
    ) -> None:
        series = make_series([0, 5, 6, 6])
        projection = make_projection(series, [5.75, 90.0], [6.0, 6.0], [0.5, 0.5], lost=5.0)
        measured = found(make_trigger(10.0), series, projection)[0]
        whole = found(make_trigger(10.0, since="excavation"), series, projection)[0]
        assert (measured.past, measured.value) == (False, 6.0)
        assert (whole.past, whole.value) == (True, 11.0)

    def test_what_comes_counts_from_excavation_too(
        self, make_series: MakeSeries, make_projection: MakeProjection, make_trigger: MakeTrigger
    ) -> None:
        series = make_series([0, 1, 1, 1])
        projection = make_projection(series, [5.75, 90.0], [1.0, 8.0], [0.5, 2.0], lost=3.0)
        (whole,) = found(make_trigger(10.0, since="excavation"), series, projection)
        assert whole.probability == pytest.approx(norm.sf(10.0, 11.0, 2.0), abs=STRAIGHT)

    def test_without_a_projection_the_lost_part_is_not_made_up(
        self, make_series: MakeSeries, make_trigger: MakeTrigger
    ) -> None:
        level = found(make_trigger(10.0, since="excavation"), make_series([0, 5, 6, 6]))[0]
        assert np.isnan(level.estimated)
        assert level.value == 6.0
        assert not level.past

    def test_what_was_read_alone_is_the_least_the_whole_can_be(
        self, make_series: MakeSeries, make_trigger: MakeTrigger
    ) -> None:
        """30 mm read are past 20 mm since excavation, however much was lost before."""
        level = found(make_trigger(20.0, since="excavation"), make_series([0, 25, 30, 30]))[0]
        assert (level.past, level.value, level.probability) == (True, 30.0, 1.0)

    def test_nothing_is_expected_before_the_last_data(
        self, make_series: MakeSeries, make_projection: MakeProjection, make_trigger: MakeTrigger
    ) -> None:
        """With 5±3 mm lost the 8 mm read are beyond 10 mm as likely as not: perhaps already, and no earlier date."""
        series = make_series([0, 8, 8, 8])
        projection = make_projection(series, [5.75, 90.0], [8.0, 8.5], [0.5, 0.5], lost=5.0)
        projection = replace(projection, lost_deviation=np.full(1, 3.0))
        trigger = make_trigger(10.0, since="excavation")
        (level,) = level_outlooks(trigger, series, projection, NOISE, today=6.5)
        assert (level.past, level.by_estimate, level.perhaps_already) == (False, True, True)
        assert (level.early, level.crossing) == (6.5, 6.5)


class TestTheRangeThatIsJumped:
    """Heading faces of the helpers move 2 m/day and pass on day 5: 0 to 0.4 m are in force on days 5 to 5.2."""

    VALID = TriggerRange("face distance", "heading", 0.2, 0.4)

    def level(self, series: Series, trigger: Trigger) -> LevelOutlook:
        return found(replace(trigger, valid=self.VALID), series)[0]

    def test_readings_about_its_ends_judge_it(self, make_series: MakeSeries, make_trigger: MakeTrigger) -> None:
        """Between 5.0 and 5.25 d: 30 mm at the later one are 12 mm at 0.2 m (5.1 d) and 24 mm at 0.4 m (5.2 d)."""
        low = self.level(make_series([0, 6, 7, 7]), make_trigger(20.0))
        assert (low.past, low.unjudged, low.over) == (False, -1, True)
        high = self.level(make_series([0, 30, 31, 31]), make_trigger(20.0))
        assert (high.past, high.unjudged) == (True, -1)

    def test_one_wrong_reading_is_no_passage(self, make_series: MakeSeries, make_trigger: MakeTrigger) -> None:
        level = self.level(make_series([0, 30, 7, 7]), make_trigger(20.0))
        assert (level.past, level.unjudged) == (False, 0)

    def test_readings_far_apart_judge_nothing(self, make_series: MakeSeries, make_trigger: MakeTrigger) -> None:
        level = self.level(make_series([0, 6, 7, 7], step=2.0), make_trigger(20.0))
        assert (level.past, level.unjudged) == (False, 0)


class TestThePresentRate:
    def test_days_to_a_level(self, make_series: MakeSeries, make_trigger: MakeTrigger) -> None:
        """2 mm/day and 6 mm to go: three days; a level on the other side is never reached."""
        series = make_series([0.5 * number for number in range(29)])
        near, away = found(make_trigger(20.0), series)[0], found(make_trigger(-20.0), series)[0]
        assert near.present_rate == pytest.approx(2.0)
        assert near.present_days == pytest.approx(3.0)
        assert np.isnan(away.present_days)

    def test_of_a_deviation_it_is_the_rate_off_the_curve(
        self, make_series: MakeSeries, make_trigger: MakeTrigger
    ) -> None:
        """2 mm/day where 0.5 are expected: off by 1.5 mm/day and 10.5 mm; 4.5 mm to go are three days."""
        series = make_series([0.5 * number for number in range(29)])
        curve = ExpectedCurve("design", "age", "heading", (0.0, 100.0), (0.0, 50.0))
        (level,) = found(replace(make_trigger(15.0, quantity="deviation"), expected=curve), series)
        assert level.value == pytest.approx(10.5)
        assert level.present_rate == pytest.approx(1.5)
        assert level.present_days == pytest.approx(3.0)


class TestRates:
    def test_a_steady_rate_is_what_the_readings_say(self, make_series: MakeSeries, make_trigger: MakeTrigger) -> None:
        series = make_series([4.0 * 0.25 * number for number in range(20)])
        levels = found(make_trigger(3.0, 5.0, quantity="rate"), series)
        assert levels[0].value == pytest.approx(4.0)
        assert [level.past for level in levels] == [True, False]

    def test_the_day_of_the_passage_reaches_back_as_far_as_it_stood(
        self, make_series: MakeSeries, make_trigger: MakeTrigger
    ) -> None:
        """A hundred readings at 4 mm/day: the passage is as old as the second rate, not a dozen readings old."""
        series = make_series([4.0 * 0.25 * number for number in range(100)])
        (level,) = found(make_trigger(3.0, quantity="rate"), series)
        assert level.crossing == series.time[2]

    def test_a_rate_that_rose_lately(self, make_series: MakeSeries, make_trigger: MakeTrigger) -> None:
        """Still for 60 readings, then 8 mm/day: the trailing window of three days passes 4 mm/day half-way through."""
        value = np.concatenate([np.zeros(60), 2.0 * np.arange(1, 21)])
        series = make_series(value.tolist())
        (level,) = found(make_trigger(4.0, quantity="rate"), series)
        assert level.past
        assert series.time[60] < level.crossing < series.time[60] + 3.0

    def test_a_projected_rate(
        self, make_series: MakeSeries, make_projection: MakeProjection, make_trigger: MakeTrigger
    ) -> None:
        series = make_series([0, 0.1, 0.2, 0.3])
        rate = ([5.75, 20.0, 40.0], [0.4, 3.0, 0.5], [0.1, 0.5, 0.1])
        projection = make_projection(series, [5.75, 90.0], [0.3, 30.0], [0.5, 3.0], rate=rate)
        (level,) = found(make_trigger(2.5, quantity="rate"), series, projection)
        assert level.probability == pytest.approx(norm.sf(2.5, 3.0, 0.5), abs=STRAIGHT)
        assert 5.75 < level.early < level.crossing <= 20.0

    def test_a_horizon_too_near_for_a_rate_says_nothing(
        self, make_series: MakeSeries, make_projection: MakeProjection, make_trigger: MakeTrigger
    ) -> None:
        series = make_series([0, 0.1, 0.2, 0.3])
        projection = make_projection(series, [5.75, 6.75], [0.3, 0.4], [0.5, 0.5], rate=([1.0], [0.1], [0.1]))
        (level,) = found(make_trigger(2.5, quantity="rate"), series, projection)
        assert np.isnan(level.probability)
        assert not level.past

    def test_one_reading_has_no_rate(self, make_series: MakeSeries, make_trigger: MakeTrigger) -> None:
        (level,) = found(make_trigger(2.5, quantity="rate"), make_series([0.0]))
        assert np.isnan(level.value)
        assert (level.past, level.unconfirmed) == (False, 0)

    def test_a_step_between_segments_is_no_rate(self, make_series: MakeSeries, make_trigger: MakeTrigger) -> None:
        series = make_series([0, 0, 0, 0, 25, 25, 25, 25], segment=[0, 0, 0, 0, 1, 1, 1, 1])
        assert found(make_trigger(2.5, quantity="rate"), series)[0].value == pytest.approx(0.0, abs=1e-9)


class TestStrain:
    """One percent of a base of 8 m is 80 mm."""

    def test_of_what_was_read(self, make_series: MakeSeries, make_trigger: MakeTrigger) -> None:
        series = make_series([0, 40, 81, 81], measure="chord", base=8.0)
        levels = found(make_trigger(1.0, 1.5, measure="chord", quantity="strain"), series)
        assert levels[0].value == pytest.approx(81 / 80)
        assert [level.past for level in levels] == [True, False]

    def test_of_what_comes(
        self, make_series: MakeSeries, make_projection: MakeProjection, make_trigger: MakeTrigger
    ) -> None:
        series = make_series([0, 40, 41, 41], measure="chord", base=8.0)
        projection = make_projection(series, [5.75, 90.0], [41.0, 85.0], [1.0, 5.0])
        (level,) = found(make_trigger(1.0, measure="chord", quantity="strain"), series, projection)
        assert level.probability == pytest.approx(norm.sf(80.0, 85.0, 5.0), abs=STRAIGHT)


class TestWhereATriggerApplies:
    @pytest.mark.parametrize(
        ("options", "wanted"),
        [
            ({}, True),
            ({"measure": "chord"}, False),
            ({"sections": ("S1",)}, True),
            ({"sections": ("S2",)}, False),
            ({"positions": ("crown",)}, True),
            ({"positions": ("left wall",)}, False),
            ({"positions": ("left wall", "crown"), "sections": ("S1", "S9")}, True),
            ({"positions": ("crown",), "sections": ("S9",)}, False),
        ],
    )
    def test_by_measure_section_and_position(
        self, make_series: MakeSeries, make_trigger: MakeTrigger, options: dict[str, object], wanted: bool
    ) -> None:
        assert applies(make_trigger(10.0, **options), make_series([0, 1]), ("crown",)) is wanted

    def test_a_chord_by_either_end_or_by_its_name(self, make_series: MakeSeries, make_trigger: MakeTrigger) -> None:
        series = make_series([0, 1], measure="chord", position="left wall:right wall")
        ends = ("left wall", "right wall")
        for positions in (("right wall",), ("left wall:right wall",)):
            assert applies(make_trigger(10.0, measure="chord", positions=positions), series, ends)
        assert not applies(make_trigger(10.0, measure="chord", positions=("crown",)), series, ends)


def test_the_table_of_probabilities_holds_the_bounds_that_crossings_ask_for() -> None:
    assert {0.05, 0.5, 0.95} <= set(PROBABILITIES.tolist())
    assert (np.diff(PROBABILITIES) > 0).all()
