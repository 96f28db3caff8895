"""Plain fits of y over x: published regressions, computed ones, and faults."""

from __future__ import annotations

import pickle
from collections.abc import Callable

import numpy as np
import numpy.typing as npt
import pytest

from convergence.errors import ValueFault
from convergence.fitting import FitStatus, fit_values
from convergence.laws.time import exponential_time, hyperbolic_time, reciprocal_exponential_time

FloatArray = npt.NDArray[np.float64]

# Series A: arch-foot convergence, text example of a university course (secondary source), days and mm
DAYS_A = np.array([1.33, 2, 4, 6, 8, 10, 13, 16, 20, 25, 27, 30, 32])
MM_A = np.array([1.51, 3.69, 8.21, 9.25, 10.02, 10.44, 10.57, 10.77, 10.96, 11.09, 11.26, 11.34, 11.37])

# Series B: crown settlement, same secondary source
DAYS_B = np.array([1.0, 2, 3, 5, 10, 20, 30, 40, 50, 60])
MM_B = np.array([3.0, 5.5, 7.6, 10.1, 14.6, 19.3, 21.5, 22.8, 23.2, 23.4])


def straight(x: FloatArray, intercept: float, slope: float) -> FloatArray:
    return intercept + slope * x


def test_published_log_linear_regression() -> None:
    """Series A, ln u over 1/t: printed a = 13.1760, b = 2.6999, a' = 2.5784.

    The source rounds its sums to four digits before it divides, which is worth 0.001 in a and 0.0002 in b; a'
    is printed to four decimals and shares that rounding.
    """
    fit = fit_values(straight, 1 / DAYS_A, np.log(MM_A), ["a_dash", "minus_b"], [1.0, -1.0])
    assert np.exp(fit.parameters["a_dash"]) == pytest.approx(13.1760, abs=1e-3)
    assert fit.parameters["minus_b"] == pytest.approx(-2.6999, abs=2e-4)
    assert fit.parameters["a_dash"] == pytest.approx(2.5784, abs=1e-4)


def test_published_predictions() -> None:
    """Series A: printed predictions, two decimals.

    Rows 1, 2 and 7 (t = 1.33, 2 and 13) are misprints of the source and left out. The printed coefficients
    carry rounding of up to 0.001 mm on top of the half unit of the last digit.
    """
    fit = fit_values(straight, 1 / DAYS_A, np.log(MM_A), ["a_dash", "minus_b"], [1.0, -1.0])
    scale, rate = float(np.exp(fit.parameters["a_dash"])), -fit.parameters["minus_b"]
    days = np.array([4, 6, 8, 10, 16, 20, 25, 27, 30, 32, 50.0])
    printed = [6.71, 8.40, 9.40, 10.06, 11.13, 11.51, 11.83, 11.92, 12.04, 12.11, 12.48]
    np.testing.assert_allclose(reciprocal_exponential_time(days, scale, rate), printed, atol=0.01)


@pytest.mark.parametrize(
    ("law", "days", "mm", "final", "constant", "rss"),
    [
        (reciprocal_exponential_time, DAYS_A, MM_A, 12.452240409451, 2.156852424479, 3.195704251641),
        (exponential_time, DAYS_A, MM_A, 11.262731803035, 4.012933784573, 5.128381259136),
        (exponential_time, DAYS_B, MM_B, 22.812408488559, 8.914028370812, 5.176657947749),
        (hyperbolic_time, DAYS_A, MM_A, 13.064122069505, 3.426768985356, 10.069996213184),
        (hyperbolic_time, DAYS_B, MM_B, 26.968324649009, 8.050882264158, 0.593389954958),
    ],
)
def test_true_least_squares(
    law: Callable[..., FloatArray],
    days: FloatArray,
    mm: FloatArray,
    final: float,
    constant: float,
    rss: float,
) -> None:
    """Computed values: golden section in 40-digit decimal arithmetic, final value solved exactly.

    On series A true least squares ends at 12.45 mm, the printed log-linear line at 13.18 mm. On series B the
    exponential ends below the last reading, 23.4 mm. Printed to 12 decimals; the search itself stops at half the
    digits it carries, 1e-20, so 1e-10 is a test of the fit alone.
    """
    fit = fit_values(law, days, mm, ["final", "constant"], [10.0, 1.0], bounds={"constant": (1e-3, 1e3)})
    assert fit.parameters["final"] == pytest.approx(final, rel=1e-10)
    assert fit.parameters["constant"] == pytest.approx(constant, rel=1e-10)
    assert fit.rss == pytest.approx(rss, rel=1e-11)


def test_hyperbola_standard_errors() -> None:
    """Series B: SE of b 0.000342 (computed, three digits); SE of the final value 1/b is SE(b)/b^2."""
    fit = fit_values(hyperbolic_time, DAYS_B, MM_B, ["final", "constant"], [10.0, 1.0])
    assert fit.standard_errors["final"] == pytest.approx(0.000342 / 0.037081**2, rel=0.0005 / 0.342 + 1e-4)


def test_start_far_off_is_caught() -> None:
    near = fit_values(exponential_time, DAYS_B, MM_B, ["final", "constant"], [20.0, 8.0])
    far = fit_values(exponential_time, DAYS_B, MM_B, ["final", "constant"], {"final": 2000.0, "constant": 0.01})
    assert far.parameters["constant"] == pytest.approx(near.parameters["constant"], rel=1e-9)


def test_too_few_values() -> None:
    fit = fit_values(straight, [1.0, 2, 3], [1.0, 2, 3.1], ["a", "b"], [0.0, 1.0])
    assert fit.status is FitStatus.TOO_FEW_READINGS
    assert np.isnan(fit.parameters["a"])
    assert "<ValuesFit?" in repr(fit)


def test_at_bound() -> None:
    fit = fit_values(straight, DAYS_B, MM_B, ["a", "b"], [0.0, 0.1], bounds={"b": (0.0, 0.2)})
    assert fit.status is FitStatus.AT_BOUND
    assert fit.parameters["b"] == 0.2
    assert fit.parameters["a"] == pytest.approx(float(np.mean(MM_B - 0.2 * DAYS_B)), rel=1e-12)


def test_pickles() -> None:
    fit = fit_values(straight, DAYS_B, MM_B, ["a", "b"], [0.0, 0.1])
    assert repr(pickle.loads(pickle.dumps(fit))) == repr(fit)
    assert "?" not in repr(fit)


@pytest.mark.parametrize(
    ("options", "words"),
    [
        ({"x": [1.0, 2]}, "as many of each"),
        ({"y": [np.nan] * 10}, "10 numbers that are not finite"),
        ({"names": ["a", "a"]}, "different names"),
        ({"start": [1.0]}, "one number for each of a, b"),
        ({"start": {"a": 1.0, "c": 1.0}}, "one number for each of a, b"),
        ({"start": [np.inf, 1.0]}, "finite number"),
        ({"bounds": {"c": (0.0, 1.0)}}, "'c', expected names among a, b"),
        ({"bounds": {"a": (1.0, 0.0)}}, "low < high"),
        ({"bounds": {"a": (5.0, 9.0)}}, "from 5 to 9"),
    ],
)
def test_faults_are_named(options: dict[str, object], words: str) -> None:
    good: dict[str, object] = {"x": DAYS_B, "y": MM_B, "names": ["a", "b"], "start": [0.0, 0.1]}
    with pytest.raises(ValueFault, match=words):
        fit_values(straight, **{**good, **options})  # type: ignore[arg-type]
