"""How well the coupled law can be found at a steady advance: linearised standard errors of a worked table.

Standing: computed (regression values), no literature source. Truth 30 mm, X = 10 m, T = 6 d, m = 1.5, n = 0.3
held, 2 m/d, sigma 1 mm independent, zero reading at 1.5 d subtracted and taken as exact.
"""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
import pytest

from convergence.fitting import CurveFit, FitStatus, fit_series
from convergence.laws import FacePath, law
from convergence.measures.series import Series

TIMES = np.array([1.5, 2, 3, 4, 5, 6, 8, 10, 12, 15, 20, 25, 30, 40, 50, 60, 80, 100])
PATH = FacePath(np.array([-50.0, 500]), np.array([-100.0, 1000]))
TRUTH = {
    "amplitude": 30.0,
    "influence_length": 10.0,
    "characteristic_time": 6.0,
    "creep_ratio": 1.5,
    "exponent": 0.3,
}

# readings to day; SE of the total asymptote and of C(365 d) with four free, SE of C(365 d) with X, T, m held;
# each with half a unit of its last printed digit (110 stands for two digits, as its neighbours 57 and 6.1 do)
TABLE = [
    (10, (506, 0.5), (141, 0.5), (1.50, 0.005)),
    (20, (312, 0.5), (110, 5.0), (0.97, 0.005)),
    (40, (168, 0.5), (57, 0.5), (0.71, 0.005)),
    (100, (21.7, 0.05), (6.1, 0.05), (0.52, 0.005)),
]


def series_until(day: float) -> Series:
    time = TIMES[day >= TIMES]
    movement = law("coupled").evaluate(PATH, time, TRUTH)
    return Series(
        section="S", chainage=0.0, measure="chord", prisms="L:R", label="chord", time=time,
        value=movement - movement[0], segment=np.zeros(time.size, dtype=np.int64), paths={"heading": PATH},
        width=12.0, base_length=12.0, set_aside=0,
    )  # fmt: skip


def propagated(fit: CurveFit, quantity: Callable[[dict[str, float]], float]) -> float:
    """Standard error of a function of the estimates, by its gradient and their covariance."""
    free = [place for place, name in enumerate(fit.names) if fit.roles[name] == "free"]
    gradient = []
    for place in free:
        name = fit.names[place]
        step = 1e-5 * abs(fit.parameters[name])
        sides = [quantity({**fit.parameters, name: fit.parameters[name] + sign * step}) for sign in (1, -1)]
        gradient.append((sides[0] - sides[1]) / (2 * step))
    slope = np.array(gradient)
    return float(np.sqrt(slope @ fit.covariance[np.ix_(free, free)] @ slope))


def at_year(parameters: dict[str, float]) -> float:
    return float(law("coupled").evaluate(PATH, np.array([365.0]), {name: parameters[name] for name in TRUTH})[0])


@pytest.mark.parametrize(("day", "total", "year", "shared"), TABLE)
def test_standard_errors(
    day: float, total: tuple[float, float], year: tuple[float, float], shared: tuple[float, float]
) -> None:
    series = series_until(day)
    fit = fit_series(series, "coupled", sigma=1.0, zero="exact")
    asymptote = propagated(fit, lambda p: p["amplitude"] * (1 + p["creep_ratio"]))
    assert asymptote == pytest.approx(total[0], abs=total[1])
    assert propagated(fit, at_year) == pytest.approx(year[0], abs=year[1])
    assert fit.status is FitStatus.NOT_SEPARABLE
    names = ("influence_length", "characteristic_time", "creep_ratio")
    held = fit_series(series, "coupled", sigma=1.0, zero="exact", held={name: TRUTH[name] for name in names})
    assert propagated(held, at_year) == pytest.approx(shared[0], abs=shared[1])
    assert held.status is FitStatus.SOLVED


def test_round_trip_without_noise() -> None:
    """The four parameters come back, and the residuals are rounding."""
    fit = fit_series(series_until(100), "coupled", sigma=1.0, zero="exact")
    for name, value in TRUTH.items():
        assert fit.parameters[name] == pytest.approx(value, rel=1e-7), name
    assert fit.rss < 1e-20
    assert fit.lost() == pytest.approx(13.438187, abs=5e-7)  # computed, six decimals


def test_a_noisy_zero_reading_costs_a_little_more() -> None:
    """The zero reading shares its noise with all others; taking it as exact is the optimistic case."""
    names = ("influence_length", "characteristic_time", "creep_ratio")
    held = {name: TRUTH[name] for name in names}
    exact = fit_series(series_until(40), "coupled", sigma=1.0, zero="exact", held=held)
    noisy = fit_series(series_until(40), "coupled", sigma=1.0, zero="free", held=held)
    assert noisy.standard_errors["amplitude"] > 1.5 * exact.standard_errors["amplitude"]
