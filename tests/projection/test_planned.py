"""What a planned stop would tell, against the same normal distribution conditioned by hand, and where it must lead."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace

import numpy as np
import pytest

from convergence.job.schema import Event
from convergence.laws import FacePath
from convergence.measures.rates import Noise
from convergence.projection.planned import deviation_after, next_stop, readings_a_day
from convergence.projection.result import PROBABILITIES
from convergence.projection.task import SectionTask, _closes
from convergence.projection.work import _widened, _widening, project_alone, project_pooled

MakeSection = Callable[..., SectionTask]
WHITE = Noise(0.5, 0.0, 1.0)


def path(*nodes: tuple[float, float]) -> FacePath:
    time, distance = np.array(nodes).T
    return FacePath(time, distance)


class TestTheNextStop:
    STEADY = ((0.0, -10.0), (10.0, 0.0), (12.0, 2.0), (13.5, 2.0), (20.0, 9.0), (21.5, 9.0), (30.0, 20.0))

    def test_the_first_one_ahead(self) -> None:
        assert next_stop(path(*self.STEADY), 5.0) == pytest.approx((12.0, 13.5))
        assert next_stop(path(*self.STEADY), 14.0) == pytest.approx((20.0, 21.5))

    def test_one_that_goes_on_counts_by_what_is_left_of_it(self) -> None:
        assert next_stop(path(*self.STEADY), 12.2) == pytest.approx((12.2, 13.5))
        assert next_stop(path(*self.STEADY), 13.0) == pytest.approx((20.0, 21.5))

    def test_none_after_the_last(self) -> None:
        assert next_stop(path(*self.STEADY), 22.0) is None

    def test_pauses_between_rounds_are_no_stops(self) -> None:
        rounds = [(0.5 * n + part, float(n + (part > 0.4))) for n in range(20) for part in (0.0, 0.4, 0.45)]
        assert next_stop(path(*rounds), 1.0) is None


class TestWhatItTells:
    DATES = np.array([0.0, 10.0, 10.5, 11.0, 11.5, 12.0, 100.0])

    def test_a_movement_of_two_causes_against_least_squares(self) -> None:
        """Creep c (1 - e^-t) that runs on and an advance a that waits: the stop shows the first alone.

        Reference: the posterior covariance of (a, c) with and without the readings of the stop, from numpy's inverse
        of the precision. Independent noise, the level known by a reading of its own.
        """
        creep = 1.0 - np.exp(-np.maximum(self.DATES - 10.0, 0.0))
        advance = np.where(self.DATES > 12.0, 1.0, 0.0)
        design = np.column_stack([advance, creep])
        prior = np.array([[9.0, -5.0], [-5.0, 4.0]])
        joint = design @ prior @ design.T
        found = deviation_after(self.DATES, joint, 10.0, 12.0, 4.0, WHITE)
        seen = design[2:6] - design[1]
        precision = np.linalg.inv(prior) + seen.T @ seen / (0.5**2 / 2.0)
        left = np.linalg.inv(precision)
        expected = np.sqrt(design[-1] @ left @ design[-1])
        assert found == pytest.approx(expected, rel=1e-4)
        assert found < 0.97 * np.sqrt(joint[-1, -1])

    def test_nothing_read_nothing_learned(self) -> None:
        joint = np.diag(np.linspace(0.0, 4.0, 7))
        assert deviation_after(self.DATES, joint, 10.0, 10.2, 4.0, WHITE) == pytest.approx(2.0)

    def test_more_noise_tells_less(self) -> None:
        steps = np.minimum(self.DATES[:, None], self.DATES[None, :])
        told = [
            deviation_after(self.DATES, steps, 10.0, 12.0, 4.0, Noise(white, lasting, 1.0))
            for white, lasting in ((0.1, 0.0), (1.0, 0.0), (1.0, 2.0))
        ]
        assert told[0] < told[1] < told[2]

    def test_the_habit_of_reading(self) -> None:
        assert readings_a_day(np.arange(0.0, 10.0, 0.25), 10.0) == pytest.approx(3.8)
        assert readings_a_day(np.array([0.0]), 10.0) == 0.5


def test_a_stop_ahead_narrows_what_is_expected(make_section: MakeSection) -> None:
    task = make_section([(24.0, 9.0)], until=8.0)
    task = replace(task, stop=(9.0, 13.0), dates=np.unique(np.append(task.dates, [10.0, 11.0, 12.0, 13.0])))
    found = project_pooled((task, project_alone(task).band, 0.5))
    assert 0.0 < found.deviation_after_stop[0] < found.deviation[0]
    assert np.isnan(project_pooled((replace(task, stop=None), np.zeros((1, 3)), 0.5)).deviation_after_stop[0])


def test_a_closed_ring_leaves_more_open(make_section: MakeSection) -> None:
    task = make_section([(24.0, 9.0), (12.0, 5.0)], until=12.0)
    plain, closed = (project_alone(item).band for item in (task, replace(task, closings=(12.0,))))
    assert (closed[:, 2] - closed[:, 0] > 1.05 * (plain[:, 2] - plain[:, 0])).all()


def test_stages_come_with_their_correlation(make_section: MakeSection) -> None:
    early, late = (
        project_pooled((make_section([(24.0, 9.0)], until=until), np.zeros((1, 3)), 0.5)).stage_correlation[0]
        for until in (8.0, 45.0)
    )
    for correlation in (early, late):
        assert np.diag(correlation) == pytest.approx(1.0)
        assert correlation == pytest.approx(correlation.T)
        assert np.abs(correlation).max() <= 1.0


class TestWhereSectionsDisagree:
    def test_the_band_widens_by_the_excess(self, make_section: MakeSection) -> None:
        task = make_section([(24.0, 9.0)], until=20.0)
        table = 30.0 + 2.0 * np.linspace(-2, 2, len(PROBABILITIES))[None, None, :] * np.ones((1, len(task.dates), 1))
        near, far = (_widening(task, np.array([[m - 5.0, m, m + 5.0]]), table)[0] for m in (31.0, 50.0))
        assert near == 1.0
        assert far > 1.5
        wide = _widened(task, table, np.array([far]))
        behind = task.dates < task.now
        assert (wide[0, behind] == table[0, behind]).all()
        assert np.ptp(wide[0, -1]) == pytest.approx(far * np.ptp(table[0, -1]))


@pytest.mark.parametrize(
    ("event", "closes"), [("ring closed", True), ("support added", True), ("lining sprayed", False)]
)
def test_events_from_which_the_law_may_change(event: str, closes: bool) -> None:
    row = Event(np.datetime64("2031-05-20"), "A", "", event, "", 2)
    assert _closes(row, "A") is closes
    assert not _closes(row, "B")
    assert _closes(replace(row, section=""), "B") is closes
