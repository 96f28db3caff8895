"""Measures, projections and jobs made by hand, so that every level, reading and date of a trigger is known."""

from __future__ import annotations

from collections.abc import Callable, Sequence

import numpy as np
import numpy.typing as npt
import pytest
from scipy.stats import norm

from convergence.job.schema import Level, Trigger
from convergence.laws import FacePath
from convergence.measures.series import Series
from convergence.projection.result import PROBABILITIES, SectionProjection

Floats = npt.NDArray[np.float64]
MakeSeries = Callable[..., Series]
MakeProjection = Callable[..., SectionProjection]
MakeTrigger = Callable[..., Trigger]

PATHS = {
    "heading": FacePath(np.array([0.0, 100.0]), np.array([-10.0, 190.0])),
    "bench": FacePath(np.array([0.0, 100.0]), np.array([-60.0, 140.0])),
}


@pytest.fixture(scope="session")
def make_series() -> MakeSeries:
    """One measure with a reading a quarter of a day, the values given."""

    def make(
        value: Sequence[float],
        *,
        measure: str = "settlement",
        start: float = 5.0,
        step: float = 0.25,
        base: float = 10.0,
        position: str = "crown",
        section: str = "S1",
        segment: Sequence[int] | None = None,
    ) -> Series:
        count = len(value)
        return Series(
            section=section,
            chainage=10.0,
            measure=measure,
            prisms="P1",
            label=f"{measure} {position}",
            time=start + step * np.arange(count),
            value=np.asarray(value, dtype=float),
            segment=np.zeros(count, dtype=np.int64) if segment is None else np.asarray(segment),
            paths=PATHS,
            width=10.0,
            base_length=base,
            set_aside=0,
        )

    return make


@pytest.fixture(scope="session")
def make_projection() -> MakeProjection:
    """A projection whose movement is normal with a mean and a deviation that run straight between given days."""

    def make(
        series: Series | Sequence[Series],
        days: Sequence[float],
        mean: Sequence[float],
        deviation: Sequence[float],
        *,
        lost: float = 0.0,
        rate: tuple[Sequence[float], Sequence[float], Sequence[float]] = ((), (), ()),
        future: dict[str, float] | None = None,
    ) -> SectionProjection:
        items = (series,) if isinstance(series, Series) else tuple(series)
        count, dates = len(items), np.asarray(days, dtype=float)
        centre, spread = np.asarray(mean, dtype=float), np.asarray(deviation, dtype=float)
        table = centre[:, None] + spread[:, None] * norm.ppf(PROBABILITIES)
        rate_days, rate_mean, rate_spread = (np.asarray(part, dtype=float) for part in rate)
        rates = rate_mean[:, None] + rate_spread[:, None] * norm.ppf(PROBABILITIES)
        zeros = np.zeros(count)
        return SectionProjection(
            section=items[0].section,
            chainage=items[0].chainage,
            series=items,
            dates=dates,
            now=float(items[0].time[-1]),
            quantiles=np.tile(table, (count, 1, 1)),
            total_quantiles=np.tile(table + lost, (count, 1, 1)),
            rate_quantiles=np.tile(rates, (count, 1, 1)),
            rate_dates=np.stack([rate_days, rate_days + 3.0]),
            mean=np.tile(centre, (count, 1)),
            lost=np.full(count, lost),
            lost_deviation=zeros,
            by_stage=np.zeros((count, 2)),
            stage_correlation=np.tile(np.eye(2), (count, 1, 1)),
            widening=np.ones(count),
            stop=None,
            deviation=np.ones(count),
            deviation_after_stop=np.full(count, np.nan),
            stages=("heading", "bench"),
            parameter_deviation=zeros,
            reading_deviation=zeros,
            law_deviation=zeros,
            alone=np.zeros((count, 3)),
            shape=np.zeros(6),
            shape_deviation=np.ones(6),
            prior_shape=np.zeros(6),
            prior_deviation=np.ones(6),
            creep_share=0.3,
            creep_share_deviation=0.05,
            own_creep_knowledge=0.2,
            influence_length=7.0,
            at_bound=False,
            effective_samples=300.0,
            future_passages=future or {},
        )

    return make


@pytest.fixture(scope="session")
def make_trigger() -> MakeTrigger:
    """A trigger of 2 of 3 on settlement, its levels named after their values."""

    def make(
        *values: float,
        measure: str = "settlement",
        quantity: str = "value",
        since: str = "zero reading",
        confirm: tuple[int, int] = (2, 3),
        sections: tuple[str, ...] = (),
        positions: tuple[str, ...] = (),
        name: str = "made by hand",
    ) -> Trigger:
        return Trigger(
            name=name,
            measure=measure,
            quantity=quantity,  # type: ignore[arg-type]
            since=since,  # type: ignore[arg-type]
            levels=tuple(Level(f"level {value:g}", value) for value in values),
            confirm_needed=confirm[0],
            confirm_of=confirm[1],
            sections=sections,
            positions=positions,
        )

    return make
