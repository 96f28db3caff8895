"""Points along an element against quadrature by another implementation and against closed forms."""

from __future__ import annotations

import math
from collections.abc import Callable

import numpy as np
import pytest
from scipy.integrate import quad

from convergence.survey.elements import displacement


def integral(length: float, start: float, end: float, function: Callable[[float], float]) -> float:
    """Integral along a clothoid by adaptive quadrature; its error is far below its own estimate of it."""
    value, _ = quad(
        lambda u: function(start * u + 0.5 * (end - start) * u * u / length),
        0.0,
        length,
        epsabs=1.0e-11,
        epsrel=0.0,
        limit=400,
    )
    return float(value)


@pytest.mark.parametrize(
    ("length", "start", "end"),
    [
        (100.0, 0.0, 0.0),
        (150.0, 1.0 / 80.0, 1.0 / 80.0),
        (150.0, 1.0 / 80.0, 1.0 / 80.0 + 1.0e-12),
        (120.0, 1.0 / 200.0, 1.0 / 350.0),
        (120.0, 1.0 / 450.0, -1.0 / 300.0),
        (80.0, -1.0 / 60.0, 0.0),
        (100.0, -0.2, 0.25),
        (60.0, 0.0, 0.7),
    ],
)
def test_displacement_equals_adaptive_quadrature(length: float, start: float, end: float) -> None:
    forward, right = displacement(length, start, (end - start) / length)
    assert abs(forward - integral(length, start, end, math.cos)) <= 1.0e-12
    assert abs(right - integral(length, start, end, math.sin)) <= 1.0e-12


def test_displacement_of_an_arc_equals_its_closed_form() -> None:
    distance = np.linspace(-300.0, 900.0, 25)
    forward, right = displacement(distance, -1.0 / 150.0, 0.0)
    np.testing.assert_allclose(forward, 150.0 * np.sin(distance / 150.0), rtol=0.0, atol=1.0e-12)
    np.testing.assert_allclose(right, -150.0 * (1.0 - np.cos(distance / 150.0)), rtol=0.0, atol=1.0e-12)


def test_displacement_along_a_straight_is_exact_and_infinity_gives_nan() -> None:
    forward, right = displacement([20.0, -7.3, math.inf, math.nan], 0.0, 0.0)
    np.testing.assert_array_equal(forward, [20.0, -7.3, math.nan, math.nan])
    np.testing.assert_array_equal(right[:2], [0.0, 0.0])
