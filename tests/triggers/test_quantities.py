"""Deviation from an expected curve, distortion, ranges, independent prisms: by hand, number by number.

The faces of the made-up section: heading from -10 m on day 0 by 2 m a day, so it passes on day 5; bench from -60 m by
2 m a day, so it passes on day 30 (``conftest.PATHS``).
"""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import replace

import numpy as np
import pytest
from scipy.stats import norm

from convergence.job.schema import ExpectedCurve, Trigger, TriggerRange
from convergence.laws.path import FacePath
from convergence.measures.series import Series
from convergence.projection.result import SectionProjection
from convergence.survey.noise_model import Noise
from convergence.triggers.levels import LevelOutlook, ever_passed, level_outlooks
from convergence.triggers.quantities import days_in_force

MakeSeries = Callable[..., Series]
MakeProjection = Callable[..., SectionProjection]
MakeTrigger = Callable[..., Trigger]

NOISE = Noise(0.5, 0.3, 1.5)
STRAIGHT = 0.012
#: 1 mm for each metre of the heading's face, up to 30 m.
CURVE = ExpectedCurve("class B", "face distance", "heading", (0.0, 30.0), (0.0, 30.0))


def found(
    trigger: Trigger, series: Series, projection: SectionProjection | None = None, **more: object
) -> list[LevelOutlook]:
    return level_outlooks(trigger, series, projection, NOISE, **more)  # type: ignore[arg-type]


class TestDeviation:
    def trigger(self, make_trigger: MakeTrigger, *values: float, since: str = "zero reading") -> Trigger:
        return replace(make_trigger(*values, quantity="deviation", since=since), expected=CURVE)

    def test_it_is_the_movement_beyond_the_curve(self, make_series: MakeSeries, make_trigger: MakeTrigger) -> None:
        """Read on days 5, 6 and 7 with the face 0, 2 and 4 m past: 0, 2 and 4 mm are expected."""
        series = make_series([0.0, 5.0, 9.5], step=1.0)
        (level,) = found(self.trigger(make_trigger, 3.0), series)
        assert level.value == pytest.approx(5.5)
        assert level.past
        assert level.crossing == 7.0

    def test_movement_as_expected_passes_nothing(self, make_series: MakeSeries, make_trigger: MakeTrigger) -> None:
        series = make_series([0.0, 2.0, 4.0, 6.0, 8.0], step=1.0)
        (level,) = found(self.trigger(make_trigger, 1.0), series)
        assert level.value == pytest.approx(0.0, abs=1e-12)
        assert not level.past

    def test_the_curve_counts_from_the_zero_reading(self, make_series: MakeSeries, make_trigger: MakeTrigger) -> None:
        """Zeroed on day 7, 4 m past: of the 10 mm expected at 10 m, 4 mm were over before anybody read."""
        series = make_series([0.0, 2.0, 4.0, 9.0], start=7.0, step=1.0)
        assert found(self.trigger(make_trigger, 1.0), series)[0].value == pytest.approx(9.0 - 6.0)

    def test_since_excavation_the_lost_part_stands_against_the_whole_curve(
        self, make_series: MakeSeries, make_projection: MakeProjection, make_trigger: MakeTrigger
    ) -> None:
        series = make_series([0.0, 2.0, 4.0, 9.0], start=7.0, step=1.0)
        projection = make_projection(series, [10.0, 100.0], [9.0, 20.0], [0.1, 1.0], lost=5.0)
        (level,) = found(self.trigger(make_trigger, 1.0, since="excavation"), series, projection)
        assert level.value == pytest.approx(9.0 + 5.0 - 10.0)

    def test_the_chance_knows_where_the_face_will_be(
        self, make_series: MakeSeries, make_projection: MakeProjection, make_trigger: MakeTrigger
    ) -> None:
        """At the horizon 30 mm are expected; the movement is normal about 34 mm with a deviation of 4 mm."""
        series = make_series([0.0, 0.5, 1.0, 1.5, 2.0])
        projection = make_projection(series, [6.0, 100.0], [2.0, 34.0], [0.1, 4.0])
        (level,) = found(self.trigger(make_trigger, 6.0), series, projection)
        assert level.probability == pytest.approx(norm.sf(36.0, 34.0, 4.0), abs=STRAIGHT)

    def test_age_in_place_of_distance(self, make_series: MakeSeries, make_trigger: MakeTrigger) -> None:
        curve = ExpectedCurve("by age", "age", "", (0.0, 10.0), (0.0, 20.0))
        trigger = replace(make_trigger(1.0, quantity="deviation"), expected=curve)
        series = make_series([0.0, 3.0, 6.0], step=1.0)
        assert found(trigger, series)[0].value == pytest.approx(6.0 - 4.0)

    def test_without_the_log_of_its_stage_nothing_is_said(
        self, make_series: MakeSeries, make_projection: MakeProjection, make_trigger: MakeTrigger
    ) -> None:
        """Neither a value nor a chance; no all-clear either."""
        curve = replace(CURVE, stage="pilot")
        trigger = replace(make_trigger(1.0, quantity="deviation"), expected=curve)
        series = make_series([0.0, 3.0, 6.0, 6.0, 6.0])
        projection = make_projection(series, [6.0, 100.0], [6.0, 8.0], [0.1, 4.0])
        (level,) = found(trigger, series, projection)
        assert math.isnan(level.value)
        assert math.isnan(level.probability)
        assert not level.past


class TestDistortion:
    def test_levels_are_over_the_length(
        self, make_series: MakeSeries, make_projection: MakeProjection, make_trigger: MakeTrigger
    ) -> None:
        """6 mm over 8 m are 0.75 mm/m; the chance at 1.0 mm/m is that of 8 mm, on either side."""
        series = make_series([0.0, 3.0, 6.0, 6.0, 6.0], measure="distortion", base=8.0)
        projection = make_projection(series, [6.0, 100.0], [6.0, 6.0], [0.1, 3.0])
        trigger = make_trigger(0.7, 1.0, measure="distortion", quantity="distortion")
        light, grave = found(trigger, series, projection)
        assert light.value == pytest.approx(0.75)
        assert (light.past, grave.past) == (True, False)
        expected = norm.sf(8.0, 6.0, 3.0) + norm.cdf(-8.0, 6.0, 3.0)
        assert grave.probability == pytest.approx(expected, abs=2 * STRAIGHT)

    def test_it_limits_both_ways(self, make_series: MakeSeries, make_trigger: MakeTrigger) -> None:
        series = make_series([0.0, -6.0, -6.0], measure="distortion", base=8.0)
        assert found(make_trigger(0.7, measure="distortion", quantity="distortion"), series)[0].past


class TestRange:
    def test_readings_outside_do_not_count(self, make_series: MakeSeries, make_trigger: MakeTrigger) -> None:
        """In force to 4 m past the heading, day 7; the level is passed on day 9."""
        trigger = replace(make_trigger(10.0), valid=TriggerRange("face distance", "heading", 0.0, 4.0))
        series = make_series([0, 2, 4, 6, 12, 12], step=1.0)
        (level,) = found(trigger, series)
        assert not level.past
        assert not level.in_force
        assert level.value == 12.0

    def test_a_movement_passed_in_range_stays_passed(self, make_series: MakeSeries, make_trigger: MakeTrigger) -> None:
        trigger = replace(make_trigger(10.0), valid=TriggerRange("face distance", "heading", 0.0, 6.0))
        (level,) = found(trigger, make_series([0, 11, 12, 13, 14, 15, 16], step=1.0))
        assert level.past
        assert level.crossing == 7.0

    def test_a_rate_is_no_longer_judged_after_its_range(
        self, make_series: MakeSeries, make_trigger: MakeTrigger
    ) -> None:
        trigger = make_trigger(3.0, quantity="rate")
        series = make_series([4.0 * day for day in range(10)], step=1.0)
        assert found(trigger, series)[0].past
        ended = replace(trigger, valid=TriggerRange("age", "heading", 0.0, 5.0))
        assert not found(ended, series)[0].past

    def test_the_chance_is_that_within_the_range(
        self, make_series: MakeSeries, make_projection: MakeProjection, make_trigger: MakeTrigger
    ) -> None:
        """15 mm on day 15, 20 m past, and 25 mm later: a level of 20 mm that ends at 20 m is not reached in time."""
        series = make_series([0, 2, 4, 5, 5])
        projection = make_projection(series, [6.0, 15.0, 30.0, 100.0], [5, 15, 25, 25], [0.1, 1, 1, 1])
        always = found(make_trigger(20.0), series, projection)[0]
        early = replace(make_trigger(20.0), valid=TriggerRange("face distance", "heading", 0.0, 20.0))
        late = replace(make_trigger(20.0), valid=TriggerRange("face distance", "heading", 20.0, math.inf))
        assert always.probability > 0.99
        assert found(early, series, projection)[0].probability < 0.01
        (coming,) = found(late, series, projection)
        assert coming.probability > 0.99
        assert not coming.in_force

    @pytest.mark.parametrize(
        ("valid", "mean"),
        [
            (TriggerRange("face distance", "heading", 29.0, 31.0), 15.5),
            (TriggerRange("age", "heading", 14.9, 15.1), 15.1),
            (TriggerRange("age", "heading", 15.0, 15.0001), 15.0),
            (TriggerRange("age", "heading", 10.0, 11.0), 11.0),
            (TriggerRange("face distance", "bench", -30.0, -19.0), 15.5),
            (TriggerRange("face distance", "bench", 145.0, 150.0), 0.0),
        ],
    )
    def test_a_range_between_two_dates_of_the_projection(
        self, make_series: MakeSeries, make_projection: MakeProjection, make_trigger: MakeTrigger,
        valid: TriggerRange, mean: float,
    ) -> None:  # fmt: skip
        """Dates on days 10 and 30, ranges of a day between: the chance is that of the mean when the range ends.

        The heading passes on day 5 and the bench on day 30, both 2 m a day; the mean rises 1 mm a day to 15 on day 20.
        """
        series = make_series([0.0, 2.0, 3.0, 4.0])
        projection = make_projection(series, [5.75, 10.0, 30.0, 100.0], [4.0, 5.0, 25.0, 25.0], [1.0] * 4)
        (level,) = level_outlooks(replace(make_trigger(15.0), valid=valid), series, projection, NOISE)
        assert level.probability == pytest.approx(norm.sf(15.0, mean, 1.0), abs=STRAIGHT)

    def test_a_round_blasted_across_the_whole_range(
        self, make_series: MakeSeries, make_projection: MakeProjection, make_trigger: MakeTrigger
    ) -> None:
        """The face jumps from 5 to 9 m on day 20; a range from 6 to 8 m is in force at that instant."""
        faces = {"heading": FacePath([0.0, 20.0, 20.0, 100.0], [-10.0, 5.0, 9.0, 90.0])}
        valid = TriggerRange("face distance", "heading", 6.0, 8.0)
        assert days_in_force(valid, faces) == (20.0, 20.0)
        series = make_series([0.0, 2.0, 3.0, 4.0])
        projection = make_projection(series, [5.75, 10.0, 40.0], [4.0, 25.0, 25.0], [1.0] * 3)
        trigger = replace(make_trigger(15.0), valid=valid)
        (level,) = level_outlooks(trigger, series, projection, NOISE, faces=faces)
        assert level.probability == 1.0
        assert level.crossing == pytest.approx(20.0)

    def test_a_range_of_a_stage_without_a_log(
        self, make_series: MakeSeries, make_projection: MakeProjection, make_trigger: MakeTrigger
    ) -> None:
        trigger = replace(make_trigger(20.0), valid=TriggerRange("face distance", "invert", 0.0, 20.0))
        series = make_series([0, 2, 4, 5, 5])
        projection = make_projection(series, [6.0, 100.0], [5, 6], [0.1, 1])
        assert math.isnan(found(trigger, series, projection)[0].probability)


class TestIndependentPrism:
    def other(self, series: Series, value: list[float], **more: object) -> Series:
        made = replace(series, prisms="P2", label="settlement wall", value=np.asarray(value, dtype=float))
        return replace(made, **more)  # type: ignore[arg-type]

    @pytest.mark.parametrize(("seconds", "past"), [([0, 5, 5, 12], True), ([0, 5, 5, 5], False)])
    def test_a_second_prism_confirms_at_once(
        self, make_series: MakeSeries, make_trigger: MakeTrigger, seconds: list[float], past: bool
    ) -> None:
        trigger = replace(make_trigger(10.0, confirm=(2, 3)), confirm_prism="or")
        series = make_series([0, 5, 5, 11])
        (level,) = found(trigger, series, witnesses=[series, self.other(series, seconds)])
        assert level.past is past
        assert level.unconfirmed == (0 if past else 1)

    def test_both_are_needed(self, make_series: MakeSeries, make_trigger: MakeTrigger) -> None:
        trigger = replace(make_trigger(10.0, confirm=(2, 3)), confirm_prism="and")
        series = make_series([0, 5, 11, 11])
        assert not found(trigger, series, witnesses=[self.other(series, [0, 5, 5, 5])])[0].past
        assert found(trigger, series, witnesses=[self.other(series, [0, 5, 5, 11])])[0].past

    def test_the_same_prism_is_no_witness(self, make_series: MakeSeries, make_trigger: MakeTrigger) -> None:
        trigger = replace(make_trigger(10.0, confirm=(1, 1)), confirm_prism="and")
        series = make_series([0, 5, 5, 11])
        assert not found(trigger, series, witnesses=[series, replace(series, prisms="P1:P3")])[0].past

    def test_nor_is_one_read_days_before(self, make_series: MakeSeries, make_trigger: MakeTrigger) -> None:
        trigger = replace(make_trigger(10.0, confirm=(1, 1)), confirm_prism="and")
        series = make_series([0, 5, 5, 11], step=1.0)
        early = self.other(series, [0, 12, 5, 5])
        assert not found(trigger, series, witnesses=[early])[0].past


class TestSoon:
    def test_probabilities_within_days(
        self, make_series: MakeSeries, make_projection: MakeProjection, make_trigger: MakeTrigger
    ) -> None:
        """From 5 mm by 1 mm a day, deviation 1 mm: within 1, 3 and 7 days of today P(8 mm) = sf(2), sf(0), sf(-4)."""
        series = make_series([0, 5, 5, 5])
        days = 5.75 + np.arange(0.0, 41.0)
        projection = make_projection(series, days, 5.0 + np.arange(0.0, 41.0), np.ones(41))
        (level,) = found(make_trigger(8.0), series, projection)
        assert level.soon == pytest.approx([norm.sf(2.0), 0.5, norm.sf(-4.0)], abs=STRAIGHT)
        (later,) = found(make_trigger(8.0), series, projection, today=6.75)
        assert later.soon == pytest.approx([norm.sf(1.0), norm.sf(-1.0), norm.sf(-5.0)], abs=STRAIGHT)

    def test_a_level_past_is_certain(self, make_series: MakeSeries, make_trigger: MakeTrigger) -> None:
        assert found(make_trigger(8.0), make_series([0, 9, 9]))[0].soon == (1.0, 1.0, 1.0)

    def test_they_never_fall(
        self, make_series: MakeSeries, make_projection: MakeProjection, make_trigger: MakeTrigger
    ) -> None:
        series = make_series([0, 5, 5, 5])
        projection = make_projection(series, [5.75, 7.0, 9.0, 100.0], [5, 9, 6, 7], [1, 1, 1, 1])
        (level,) = found(make_trigger(8.0), series, projection)
        assert list(level.soon) == sorted(level.soon)
        assert level.probability >= level.soon[-1]


class TestEverPassed:
    def test_a_passage_that_went_back_counts(self, make_series: MakeSeries, make_trigger: MakeTrigger) -> None:
        series = make_series([0, 11, 11, 5, 5, 5, 5])
        trigger = make_trigger(10.0, 20.0)
        asked = [ever_passed(trigger, place, series, None, NOISE, series.paths) for place in (0, 1)]
        assert asked == [True, False]
        assert not found(trigger, series)[0].past

    def test_a_rate_long_ago_counts(self, make_series: MakeSeries, make_trigger: MakeTrigger) -> None:
        value = [*(2.0 * number for number in range(12)), *[22.0] * 60]
        series = make_series(value)
        trigger = make_trigger(5.0, quantity="rate")
        assert ever_passed(trigger, 0, series, None, NOISE, series.paths)
        assert not found(trigger, series)[0].past
