"""Plain nonlinear least squares of y over x, with the solver and standard errors of the fits of series."""

from __future__ import annotations

import itertools
import math
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field
from functools import cached_property
from typing import TYPE_CHECKING

import numpy as np
import numpy.typing as npt

from convergence.errors import ValueFault
from convergence.fitting.differences import jacobian
from convergence.fitting.outcome import Outcome, report
from convergence.fitting.problem import BoolArray
from convergence.fitting.status import SPARE_READINGS, FitStatus, too_few_readings

if TYPE_CHECKING:
    from lmfit.minimizer import MinimizerResult

FloatArray = npt.NDArray[np.float64]

ZOOM = (1.0, 0.1, 10.0, 0.01, 100.0)
"""Factors on each parameter of the start; all combinations are tried before the solver runs."""

LARGEST_STARTS = 4
"""Most of those combinations that the solver then starts from."""

LARGEST_ZOOM = 4
"""Most parameters for which that is done: 5^4 = 625 evaluations."""


@dataclass(frozen=True, repr=False, eq=False)
class ValuesFit:
    """A function fitted to values.

    Attributes
    ----------
    status : FitStatus
    reason : str
    parameters, standard_errors : dict of str to float
    correlation : ndarray, shape (p, p)
        In the order of ``parameters``; nan for those at a bound.
    bounds : dict of str to (float, float)
    rss : float
        Sum of squared residuals.
    degrees_of_freedom : int
    sigma : float
        Residual standard deviation, sqrt(rss / degrees of freedom).
    readings : int
    result : lmfit.minimizer.MinimizerResult or None
        None where no fit was made.
    """

    status: FitStatus
    reason: str
    parameters: dict[str, float]
    standard_errors: dict[str, float]
    correlation: FloatArray
    bounds: dict[str, tuple[float, float]]
    rss: float
    degrees_of_freedom: int
    sigma: float
    readings: int
    result: MinimizerResult | None = field(repr=False)

    @property
    def covariance(self) -> FloatArray:
        """Covariance of the estimates, shape (p, p), in the order of ``parameters``."""
        errors = np.array(list(self.standard_errors.values()))
        return np.asarray(self.correlation * np.outer(errors, errors))

    def __repr__(self) -> str:
        mark = "" if self.status.trustworthy else "?"
        lines = [f"<ValuesFit{mark}: {self.readings} values, rss {self.rss:.6g}, {self.status.value}>"]
        if not self.status.trustworthy:
            lines.append(f"  !! NOT TO BE USED AS IT STANDS: {self.status.value} - {self.reason}")
        for name, value in self.parameters.items():
            lines.append(f"  {name}  {value:.6g} +- {self.standard_errors[name]:.2g}")
        return "\n".join(lines)


@dataclass(frozen=True, eq=False)
class _ValuesProblem:
    """The least-squares problem of a plain function."""

    function: Callable[..., npt.ArrayLike]
    x: FloatArray
    value: FloatArray
    names: tuple[str, ...]
    lower: FloatArray
    upper: FloatArray

    @cached_property
    def free(self) -> BoolArray:
        return np.ones(len(self.names), dtype=bool)

    def modelled(self, parameters: FloatArray) -> FloatArray:
        return np.broadcast_to(np.asarray(self.function(self.x, *parameters), dtype=np.float64), self.value.shape)

    def linearised(self, parameters: FloatArray) -> tuple[FloatArray, FloatArray]:
        return self.modelled(parameters), jacobian(self.modelled, parameters, self.lower, self.upper)


def fit_values(
    function: Callable[..., npt.ArrayLike],
    x: npt.ArrayLike,
    y: npt.ArrayLike,
    names: Sequence[str],
    start: Sequence[float] | Mapping[str, float],
    *,
    bounds: Mapping[str, tuple[float, float]] | None = None,
) -> ValuesFit:
    r"""Fit a function of x and some parameters to values.

    .. math:: \min_b \sum_k [y_k - f(x_k, b)]^2

    Parameters
    ----------
    function : callable
        ``function(x, *parameters)``, vectorised over x.
    x, y : array_like, shape (n,)
    names : Sequence of str
        Names of the parameters, in the function's order.
    start : Sequence of float or Mapping of str to float
        Start of each parameter. One that is wrong by a factor of a hundred is caught where there are four
        parameters or fewer: multiples of all are tried first.
    bounds : Mapping of str to (float, float), optional
        Bounds of some parameters; the others have none.

    Returns
    -------
    ValuesFit

    Raises
    ------
    ValueFault
        If sizes do not agree, a name or bound is not possible, or x, y or the start are not finite.

    Examples
    --------
    >>> from convergence.laws.time import hyperbolic_time
    >>> day = np.array([1.0, 2, 3, 5, 10, 20, 30, 40, 50, 60])
    >>> mm = np.array([3.0, 5.5, 7.6, 10.1, 14.6, 19.3, 21.5, 22.8, 23.2, 23.4])
    >>> fit = fit_values(hyperbolic_time, day, mm, ["final", "half_time"], [20.0, 5.0])
    >>> round(fit.parameters["final"], 2)
    26.97

    References
    ----------
    .. [1] NIST StRD nonlinear regression, certified values; verified against six sets in
       tests/published/test_nist.py.
    """
    # imported here so that lmfit loads with the first single fit and not with the package
    from convergence.fitting.solver import annotate, solve

    problem, first = _problem(function, x, y, names, start, bounds or {})
    readings = int(problem.value.size)
    if too_few_readings(readings, len(problem.names)):
        return _refused(problem, readings)
    solution, result = solve(problem, _zoomed(problem, first))
    outcome = report(problem, solution, None, units={}, amplitudes=(), expansion=())
    annotate(result, outcome.names, outcome.standard_errors, outcome.correlation)
    return _values_fit(outcome, result)


def _problem(
    function: Callable[..., npt.ArrayLike],
    x: npt.ArrayLike,
    y: npt.ArrayLike,
    names: Sequence[str],
    start: Sequence[float] | Mapping[str, float],
    bounds: Mapping[str, tuple[float, float]],
) -> tuple[_ValuesProblem, FloatArray]:
    """Check what was given."""
    abscissa, value = np.asarray(x, dtype=np.float64), np.asarray(y, dtype=np.float64)
    for quantity, array in (("x", abscissa), ("y", value)):
        if array.ndim != 1 or not np.all(np.isfinite(array)):
            raise ValueFault(
                f"{quantity}: found shape {array.shape} with {int(np.sum(~np.isfinite(array)))} numbers that "
                f"are not "
                f"finite, expected one row of finite numbers. To mend: leave broken values out."
            )
    if abscissa.size != value.size:
        raise ValueFault(
            f"x and y: found {abscissa.size} and {value.size} numbers, expected as many of each. "
            f"To mend: give one y for each x."
        )
    if len(set(names)) != len(names) or not names:
        raise ValueFault(f"names: found {list(names)}, expected one or more different names. To mend: rename.")
    unknown = [name for name in bounds if name not in names]
    if unknown:
        raise ValueFault(
            f"bounds: found {unknown[0]!r}, expected names among {', '.join(names)}. To mend: correct the name."
        )
    missing = isinstance(start, Mapping) and set(start) != set(names)
    if missing or len(start) != len(names):
        raise ValueFault(
            f"start: found {start!r}, expected one number for each of {', '.join(names)}. To mend: give it."
        )
    first = np.array([start[name] for name in names] if isinstance(start, Mapping) else list(start), dtype=np.float64)
    ranges = [bounds.get(name, (-math.inf, math.inf)) for name in names]
    for name, number, (low, high) in zip(names, first, ranges, strict=True):
        if not low < high:
            raise ValueFault(f"bounds[{name!r}]: found {low} to {high}, expected low < high. To mend: swap them.")
        if not (math.isfinite(number) and low <= number <= high):
            raise ValueFault(
                f"start of {name!r}: found {number}, expected a finite number from {low:g} to {high:g}. "
                f"To mend: start within the bounds."
            )
    lower, upper = (np.array([pair[side] for pair in ranges]) for side in (0, 1))
    return _ValuesProblem(function, abscissa, value, tuple(names), lower, upper), first


def _zoomed(problem: _ValuesProblem, start: FloatArray) -> list[FloatArray]:
    """Try multiples of the start, all parameters at once, and give the best few and the start itself."""

    def badness(parameters: FloatArray) -> float:
        with np.errstate(all="ignore"):
            residual = problem.value - problem.modelled(parameters)
            total = float(residual @ residual)
        return total if math.isfinite(total) else math.inf

    if start.size > LARGEST_ZOOM:
        return [start]
    rows = itertools.product(ZOOM, repeat=start.size)
    trials = [np.clip(start * np.array(row), problem.lower, problem.upper) for row in rows]
    ranked = sorted(trials, key=badness)[:LARGEST_STARTS]
    # a multiple that hardly improves on the start is no better a guess than the user's own
    return [start, *(trial for trial in ranked if badness(trial) < 0.5 * badness(start))]


def _refused(problem: _ValuesProblem, readings: int) -> ValuesFit:
    """Give the fit that was not made for want of values."""
    count = len(problem.names)
    nothing = dict.fromkeys(problem.names, math.nan)
    return ValuesFit(
        status=FitStatus.TOO_FEW_READINGS,
        reason=f"{readings} values for {count} parameters; at least {count + SPARE_READINGS} are needed",
        parameters=nothing,
        standard_errors=dict(nothing),
        correlation=np.full((count, count), np.nan),
        bounds=dict(zip(problem.names, zip(problem.lower.tolist(), problem.upper.tolist(), strict=True), strict=True)),
        rss=math.nan,
        degrees_of_freedom=readings - count,
        sigma=math.nan,
        readings=readings,
        result=None,
    )


def _values_fit(outcome: Outcome, result: MinimizerResult) -> ValuesFit:
    return ValuesFit(
        status=outcome.status,
        reason=outcome.reason,
        parameters=dict(zip(outcome.names, outcome.values.tolist(), strict=True)),
        standard_errors=dict(zip(outcome.names, outcome.standard_errors.tolist(), strict=True)),
        correlation=outcome.correlation,
        bounds=dict(zip(outcome.names, outcome.bounds, strict=True)),
        rss=outcome.rss,
        degrees_of_freedom=outcome.degrees_of_freedom,
        sigma=outcome.sigma,
        readings=outcome.readings,
        result=result,
    )
