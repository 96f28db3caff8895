"""When in a round the ground is taken: what is found on jobs whose blasts are known, and the covariance of not knowing.

The covariance is held against blasts drawn at random, the finding against the blasts of invented tunnels.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace

import numpy as np
import numpy.typing as npt

from convergence.example.advance import BLAST_SHARE
from convergence.job.advance import USUAL_TIMING
from convergence.laws import DEFAULT_RETARDATION_TIMES, FacePath
from convergence.projection.columns import section_columns
from convergence.projection.project import project_job
from convergence.projection.rounds import DECISIVE, TIMINGS, round_timing, telling
from convergence.projection.task import SectionTask
from convergence.projection.unknown import relative_unknown
from convergence.survey.job import Job

Floats = npt.NDArray[np.float64]
MakeSection = Callable[..., SectionTask]


def test_readings_within_a_round_hang_together_as_under_blasts_at_random() -> None:
    """Monte Carlo: a step at an instant drawn evenly over a span, read at three times in it.

    The standard error of a covariance of 200,000 draws is under 0.003 of the step's square; 0.005 is asked.
    """
    start, end, at = 1.0, 1.5, np.array([1.1, 1.25, 1.45])
    blast = np.random.default_rng(3).uniform(start, end, 200_000)
    drawn = np.cov((at[:, None] >= blast[None, :]).astype(float))
    path = FacePath(np.array([0.0, start, end]), np.array([0.0, 0.0, 1.5]))
    dates = np.concatenate([[0.5], at, [2.0, 9.0]])
    spans = [np.array([[start, end]])]
    rows = section_columns([], [path], dates, [10.0], DEFAULT_RETARDATION_TIMES, spans=spans).rounds[0]
    times = np.union1d(dates, [start, end])
    released = np.interp(times, [start, end, 9.0], [0.0, 3.0, 4.0])
    shape = np.zeros((2, len(times))), np.eye(2)
    nothing = replace(rows, part=np.zeros_like(rows.part))
    more = relative_unknown(released, *shape, (), rows) - relative_unknown(released, *shape, (), nothing)
    within = np.searchsorted(times, at)
    np.testing.assert_allclose(more[np.ix_(within, within)] / 3.0**2, drawn, atol=0.005)
    assert not more[np.setdiff1d(np.arange(len(more)), within)].any()


def test_the_blasts_of_the_example_are_found(early_job: Job) -> None:
    """Blasts at 42 % of a round lie 58 % of it before its logged end: in the middle third."""
    middle = next(item for item in TIMINGS if item.start > 1 - BLAST_SHARE > item.end > 0)
    found = project_job(early_job)
    assert found.timing == middle
    assert found.timings[middle.words] > max(DECISIVE, found.timings["at its logged end"])
    assert middle.words in found.timing_text


def test_no_section_near_the_face_leaves_the_usual_timing() -> None:
    assert round_timing(lambda timing: []) == (USUAL_TIMING, {})


def test_only_sections_read_from_near_the_face_on_are_asked(make_section: MakeSection) -> None:
    near = make_section([(20.0, 8.0)], chainage=10.0)
    late = [replace(item, time=item.time + 20.0) for item in near.series]
    assert telling([near, replace(near, section="late", series=tuple(late))]) == ["S10"]
    assert telling([]) == []
