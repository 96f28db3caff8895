"""Sections made from the hereditary law itself, of known shape, with seeded noise: a check of self-consistency only.

That the law describes ground is not shown here; the sample job, made from mechanics, is there for that.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import replace

import numpy as np
import numpy.typing as npt
import pytest

from convergence.laws import DEFAULT_FACE_SHARE, DEFAULT_RETARDATION_TIMES, FacePath, hereditary
from convergence.measures.series import Series
from convergence.projection.expected import StageRatio
from convergence.projection.prior import physical_prior
from convergence.projection.task import SectionTask
from convergence.survey.noise_model import Noise

Floats = npt.NDArray[np.float64]
MakeSection = Callable[..., SectionTask]

WIDTH = 10.0
NOISE = Noise(0.5, 0.3, 1.5)
#: Heading: steady, a stop of six days, steady again; bench: comes by on day 30.
HEADING = FacePath(np.array([-40.0, 12.0, 18.0, 80.0, 400.0]), np.array([-80.0, 24.0, 24.0, 148.0, 148.0]))
BENCH = FacePath(np.array([-40.0, 30.0, 90.0, 400.0]), np.array([-140.0, 0.0, 120.0, 120.0]))
CREEP = (0.10, 0.15, 0.20, 0.20)


@pytest.fixture(scope="session")
def make_section() -> MakeSection:
    """A factory of section tasks: one series for each pair of amplitudes (heading, bench)."""

    def make(
        amplitudes: Sequence[tuple[float, float]],
        *,
        length: float = 7.0,
        creep: Sequence[float] = CREEP,
        until: float = 40.0,
        noise: Noise = NOISE,
        seed: int = 1,
        chainage: float = 100.0,
        breaks: Sequence[tuple[float, float]] = (),
        step: float = 0.25,
    ) -> SectionTask:
        generator = np.random.default_rng(seed)
        time = np.arange(0.5, until + 1e-9, step)
        series = []
        for number, (heading, bench) in enumerate(amplitudes):
            value = hereditary(HEADING, time, heading, length, creep, DEFAULT_FACE_SHARE, DEFAULT_RETARDATION_TIMES)
            value = value + hereditary(BENCH, time, bench, length, creep, DEFAULT_FACE_SHARE, DEFAULT_RETARDATION_TIMES)
            value = value + generator.multivariate_normal(np.zeros(len(time)), noise.covariance(time))
            segment = np.zeros(len(time), dtype=np.int64)
            for day, jump in breaks:
                value = value + jump * (time > day)
                segment += time > day
            series.append(
                Series(
                    section=f"S{chainage:g}",
                    chainage=chainage,
                    measure="settlement",
                    prisms=f"P{number}",
                    label=f"settlement P{number}",
                    time=time,
                    value=value - value[0],
                    segment=segment,
                    paths={"heading": HEADING, "bench": BENCH},
                    width=WIDTH,
                    base_length=WIDTH,
                    set_aside=0,
                )
            )
        ahead = until + np.array([0.0, 1.0, 3.0, 7.0, 14.0, 30.0, 60.0, 120.0, 240.0])
        return SectionTask(
            section=f"S{chainage:g}",
            chainage=chainage,
            series=tuple(series),
            paths=(HEADING, BENCH),
            stages=("heading", "bench"),
            dates=np.unique(np.concatenate([[0.5, 5.0, 12.0], ahead])),
            now=until,
            width=WIDTH,
            noise=noise,
            ratios=tuple((StageRatio(0.5, 0.4),) for _ in series),
            prior=physical_prior(WIDTH),
            confidence=0.90,
        )

    return make


@pytest.fixture(scope="session")
def true_movement() -> Callable[..., Floats]:
    """What a series of `make_section` does without noise, since its zero reading on day 0.5."""

    def movement(
        time: npt.ArrayLike, heading: float, bench: float, length: float = 7.0, creep: Sequence[float] = CREEP
    ) -> Floats:
        days = np.concatenate([[0.5], np.atleast_1d(np.asarray(time, dtype=float))])
        value = hereditary(HEADING, days, heading, length, creep, DEFAULT_FACE_SHARE, DEFAULT_RETARDATION_TIMES)
        value = value + hereditary(BENCH, days, bench, length, creep, DEFAULT_FACE_SHARE, DEFAULT_RETARDATION_TIMES)
        return np.asarray(value[1:] - value[0])

    return movement


@pytest.fixture(scope="session")
def with_ratio() -> Callable[[SectionTask, StageRatio], SectionTask]:
    """A task with another prior of what the bench causes over the heading."""
    return lambda task, ratio: replace(task, ratios=tuple((ratio,) for _ in task.series))
