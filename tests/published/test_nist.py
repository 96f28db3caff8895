"""The library's own laws against the certified values of NIST StRD (published; origin in nist/README.md).

Each NIST model is one of our laws under a change of parameter, so the certified parameters and standard
deviations carry over exactly: a standard deviation times |d new / d old|. Where a new parameter mixes several
old ones (Bennett5), our estimates and their covariance are carried back instead.

Certified values are printed to 11 significant digits, so agreement beyond 10.3 digits (half a unit of the
last one) cannot be expected; 9 are asked of every number, which leaves one for the differences behind the
derivatives. LRE is the number of agreeing digits, -log10 |ours - certified| / |certified|.
"""

from __future__ import annotations

import re
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path

import numpy as np
import numpy.typing as npt
import pytest

from convergence.fitting.values import ValuesFit, fit_values
from convergence.laws.face import power_face
from convergence.laws.time import exponential_time, hyperbolic_time, power_time

FloatArray = npt.NDArray[np.float64]
FOLDER = Path(__file__).parent / "nist"
DIGITS = 9.0


@dataclass(frozen=True)
class Certified:
    """One file: data, two starts, certified parameters and standard deviations."""

    x: FloatArray
    y: FloatArray
    starts: tuple[FloatArray, FloatArray]
    values: FloatArray
    deviations: FloatArray
    rss: float
    rsd: float
    degrees_of_freedom: int


def read(name: str) -> Certified:
    text = (FOLDER / f"{name}.dat").read_text(encoding="ascii")
    rows = re.findall(r"^\s*b\d\s*=\s*(\S+)\s+(\S+)\s+(\S+)\s+(\S+)\s*$", text, flags=re.MULTILINE)
    table = np.array(rows, dtype=float)

    def number(label: str) -> float:
        found = re.search(rf"^{label}:\s+(\S+)\s*$", text, flags=re.MULTILINE)
        assert found is not None, label
        return float(found.group(1))

    data = text[text.rindex("Data:") :].splitlines()[1:]
    points = np.array([line.split() for line in data if line.strip()], dtype=float)
    assert len(points) == number("Number of Observations")
    return Certified(
        x=points[:, 1],
        y=points[:, 0],
        starts=(table[:, 0], table[:, 1]),
        values=table[:, 2],
        deviations=table[:, 3],
        rss=number("Residual Sum of Squares"),
        rsd=number("Residual Standard Deviation"),
        degrees_of_freedom=int(number("Degrees of Freedom")),
    )


def power_half(x: npt.ArrayLike, amplitude: float, characteristic_time: float) -> FloatArray:
    return power_time(x, amplitude, characteristic_time, 0.5)


def remaining_power(x: npt.ArrayLike, amplitude: float, characteristic_time: float, exponent: float) -> FloatArray:
    """A (T/(t+T))^n: what the power law has still to come."""
    return amplitude - power_time(x, amplitude, characteristic_time, exponent)


@dataclass(frozen=True)
class Mapping:
    """A law of ours for a NIST model: to our parameters, back to NIST's, and the derivative of the latter."""

    law: Callable[..., npt.ArrayLike]
    names: tuple[str, ...]
    forward: Callable[[FloatArray], FloatArray]
    back: Callable[[FloatArray], FloatArray]
    back_jacobian: Callable[[FloatArray], FloatArray]
    bounds: dict[str, tuple[float, float]]


def reciprocal(law: Callable[..., npt.ArrayLike], factor: float) -> Mapping:
    """b1 is our amplitude and b2 = factor / constant."""
    return Mapping(
        law=law,
        names=("amplitude", "constant"),
        forward=lambda b: np.array([b[0], factor / b[1]]),
        back=lambda p: np.array([p[0], factor / p[1]]),
        back_jacobian=lambda p: np.diag([1.0, -factor / p[1] ** 2]),
        bounds={"constant": (1e-6, np.inf)},
    )


def bennett() -> Mapping:
    """b1 (b2 + x)^(-1/b3) = A (T/(x+T))^n with T = b2, n = 1/b3, A = b1 b2^(-1/b3)."""

    def back_jacobian(p: FloatArray) -> FloatArray:
        amplitude, time, exponent = p
        power = time**exponent
        first = [power, amplitude * exponent * power / time, amplitude * power * np.log(time)]
        return np.array([first, [0.0, 1.0, 0.0], [0.0, 0.0, -(exponent**-2)]])

    return Mapping(
        law=remaining_power,
        names=("amplitude", "characteristic_time", "exponent"),
        forward=lambda b: np.array([b[0] * b[1] ** (-1 / b[2]), b[1], 1 / b[2]]),
        back=lambda p: np.array([p[0] * p[1] ** p[2], p[1], 1 / p[2]]),
        back_jacobian=back_jacobian,
        bounds={"characteristic_time": (1e-6, np.inf), "exponent": (1e-3, np.inf)},
    )


MAPPINGS = {
    "Misra1a": reciprocal(exponential_time, 1.0),
    "Misra1b": reciprocal(power_face, 2.0),
    "Misra1c": reciprocal(power_half, 0.5),
    "Misra1d": reciprocal(hyperbolic_time, 1.0),
    "BoxBOD": reciprocal(exponential_time, 1.0),
    "Bennett5": bennett(),
}


def digits(ours: npt.ArrayLike, certified: npt.ArrayLike) -> float:
    """Smallest number of agreeing digits, 15 at most."""
    truth = np.asarray(certified, dtype=float)
    error = np.abs(np.asarray(ours, dtype=float) - truth) / np.abs(truth)
    return float(np.min(-np.log10(np.maximum(error, 1e-15))))


def fitted(name: str, start: int) -> tuple[Certified, Mapping, ValuesFit]:
    truth, mapping = read(name), MAPPINGS[name]
    first = mapping.forward(truth.starts[start]).tolist()
    fit = fit_values(mapping.law, truth.x, truth.y, mapping.names, first, bounds=mapping.bounds)
    return truth, mapping, fit


@pytest.mark.parametrize("start", [0, 1])
@pytest.mark.parametrize("name", MAPPINGS)
def test_certified_values(name: str, start: int) -> None:
    truth, mapping, fit = fitted(name, start)
    ours = np.array([fit.parameters[key] for key in mapping.names])
    slope = mapping.back_jacobian(ours)
    deviations = np.sqrt(np.diag(slope @ fit.covariance @ slope.T))
    assert digits(mapping.back(ours), truth.values) >= DIGITS
    assert digits(deviations, truth.deviations) >= DIGITS
    assert digits(fit.rss, truth.rss) >= DIGITS
    assert digits(fit.sigma, truth.rsd) >= DIGITS
    assert fit.degrees_of_freedom == truth.degrees_of_freedom


@pytest.mark.parametrize("start", [0, 1])
@pytest.mark.parametrize("name", [name for name in MAPPINGS if name != "Bennett5"])
def test_certified_values_in_law_form(name: str, start: int) -> None:
    truth, mapping, fit = fitted(name, start)
    certified = mapping.forward(truth.values)
    factor = np.array([1.0, certified[1] / truth.values[1]])  # |d(f/b)/db| = (f/b)/b
    assert digits(list(fit.parameters.values()), certified) >= DIGITS
    assert digits(list(fit.standard_errors.values()), truth.deviations * factor) >= DIGITS


def test_lmfit_result_carries_the_certified_standard_deviations() -> None:
    """lmfit's own covariance comes from an unscaled inverse; ours stands in its place."""
    truth, _, fit = fitted("Misra1c", 0)
    assert fit.result is not None
    assert digits(fit.result.params["amplitude"].stderr, truth.deviations[0]) >= DIGITS


def test_four_laws_fit_alike_and_end_apart() -> None:
    """The Misra1 sets share their data: residuals within a factor of four, asymptotes 239 to 636."""
    fits = [fitted(name, 1)[2] for name in ("Misra1a", "Misra1b", "Misra1c", "Misra1d")]
    asymptotes = [fit.parameters["amplitude"] for fit in fits]
    residuals = [fit.rss for fit in fits]
    assert max(residuals) < 4 * min(residuals)
    np.testing.assert_allclose(asymptotes, [238.94212918, 337.99746163, 636.42725809, 437.36970754], rtol=1e-10)
