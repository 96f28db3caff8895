"""Series made from the laws with known truth and seeded noise."""

from __future__ import annotations

from collections.abc import Callable, Mapping

import numpy as np
import numpy.typing as npt
import pytest

from convergence.laws import FacePath, Law, law
from convergence.measures.series import Series

FloatArray = npt.NDArray[np.float64]

STEADY = FacePath(np.array([-50.0, 300.0]), np.array([-100.0, 600.0]))
STOPPED = FacePath(np.array([-10.0, 6, 9, 15, 22, 60]), np.array([-20.0, 12, 12, 24, 24, 100]))
BENCH = FacePath(np.array([-10.0, 20, 80]), np.array([-70.0, 0, 120]))
FAR_OFF = FacePath(np.array([0.0, 100]), np.array([-300.0, -100]))

TRUTH: dict[str, float] = {
    "influence_length": 7.0,
    "creep_1": 0.1,
    "creep_2": 0.2,
    "creep_3": 0.2,
    "creep_4": 0.3,
}

Build = Callable[..., Series]


@pytest.fixture(name="build")
def build_fixture() -> Build:
    """A factory of series: superposed stages, seeded noise, breaks, zero reading subtracted."""

    def build(
        time: npt.ArrayLike,
        amplitudes: Mapping[str, float],
        paths: Mapping[str, FacePath],
        *,
        name: str | Law = "hereditary",
        shape: Mapping[str, float] = TRUTH,
        noise: float = 0.0,
        seed: int = 1,
        breaks: Mapping[float, float] | None = None,
        label: str = "settlement crown",
        section: str = "S1",
    ) -> Series:
        days = np.asarray(time, dtype=float)
        form = law(name) if isinstance(name, str) else name
        movement = np.zeros(days.size)
        for stage, amplitude in amplitudes.items():
            movement = movement + amplitude * form.shape(paths[stage], days, shape)
        value = movement + np.random.default_rng(seed).normal(0.0, noise, days.size)
        segment = np.zeros(days.size, dtype=np.int64)
        for instant, jump in (breaks or {}).items():
            segment[days > instant] += 1
            value = value + np.where(days > instant, jump, 0.0)
        return Series(
            section=section,
            chainage=100.0,
            measure="settlement",
            prisms="P1",
            label=label,
            time=days,
            value=value - value[0],
            segment=segment,
            paths=paths,
            width=10.0,
            base_length=10.0,
            set_aside=0,
        )

    return build


@pytest.fixture(name="days")
def days_fixture() -> FloatArray:
    """Three readings a day over two months; the zero reading a day after passage or so."""
    return np.r_[1.0, np.arange(1.33, 60.0, 1 / 3)]
