"""The solver behind single fits: lmfit's bounded least squares, driven until nothing moves any more.

The only module of the package, with its test, that imports lmfit; it is loaded with the first single fit.
"""

from __future__ import annotations

import re
from collections.abc import Sequence

import lmfit
import numpy as np
import numpy.typing as npt
from lmfit.minimizer import MinimizerResult

from convergence.fitting.problem import Problem, Solution, closed

FloatArray = npt.NDArray[np.float64]
BoolArray = npt.NDArray[np.bool_]

TOLERANCE = 1e-15
"""Of function, step and gradient: the solver goes on until rounding stops it."""

NEAR_BOUND = 1e-4
"""How close to a bound, relative to the parameter, an estimate must come to be tried on the bound itself."""

OVERFLOWED = 1e100
"""Residual put in place of one that is not a number."""

LARGEST_ROUNDS = 12
"""Most changes of the set of parameters held on their bounds."""


def solve(problem: Problem, starts: Sequence[FloatArray]) -> tuple[Solution, MinimizerResult]:
    """Fit from each start and keep the best.

    lmfit's "least_squares" (a trust region inside the bounds) only creeps up to a bound. An estimate that
    ends close to one, with the readings pushing outwards, is put on it, and the fit is repeated without that
    parameter; a parameter whose readings then push it back inside is released again.

    Parameters
    ----------
    problem : Problem
    starts : sequence of ndarray, shape (p,)
        Full sets of parameters within the bounds, at least one.

    Returns
    -------
    solution : Solution
    result : lmfit.minimizer.MinimizerResult
        Of the last run; standard errors in it are lmfit's own until `annotate` has replaced them.
    """
    runs = [_from_start(problem, start) for start in starts]
    least = min(solution.rss for solution, _ in runs)
    near = [run for run in runs if run[0].rss <= least * (1 + 1e-9)]
    return min(near, key=lambda run: (not run[0].converged, run[0].rss))


def annotate(result: MinimizerResult, names: Sequence[str], errors: FloatArray, correlation: FloatArray) -> None:
    """Write standard errors and correlations into a result, in place of those from an unscaled inverse.

    Parameters
    ----------
    result : lmfit.minimizer.MinimizerResult
        Changed in place.
    names : Sequence of str
        All parameters of the problem.
    errors : ndarray, shape (p,)
        nan where there is none.
    correlation : ndarray, shape (p, p)
        nan where there is none.
    """
    safe = identifiers(names)
    varied = [safe.index(name) for name in result.var_names]
    spread = errors[varied]
    result.covar = correlation[np.ix_(varied, varied)] * np.outer(spread, spread)
    result.errorbars = bool(np.all(np.isfinite(spread)))
    for place, name in enumerate(safe):
        parameter = result.params[name]
        parameter.stderr = float(errors[place]) if np.isfinite(errors[place]) else None
        parameter.correl = {
            safe[other]: float(correlation[place, other])
            for other in varied
            if other != place and np.isfinite(correlation[place, other])
        }


def identifiers(names: Sequence[str]) -> list[str]:
    """Turn parameter names into identifiers, which lmfit asks for; stage names may hold blanks and signs."""
    safe: list[str] = []
    for name in names:
        plain = re.sub(r"\W", "_", name, flags=re.ASCII)
        unique, number = plain, 2
        while unique in safe:
            unique, number = f"{plain}_{number}", number + 1
        safe.append(unique)
    return safe


def _from_start(problem: Problem, start: FloatArray) -> tuple[Solution, MinimizerResult]:
    """Run lmfit until the set of parameters on a bound is settled."""
    parameters = np.where(problem.free, np.clip(start, problem.lower, problem.upper), start)
    modelled, jacobian = problem.linearised(parameters)
    push = jacobian.T @ (problem.value - modelled)
    on_low, on_high = parameters <= problem.lower, parameters >= problem.upper
    resting = problem.free & ((on_low & (push <= 0)) | (on_high & (push >= 0)))
    first, first_resting = parameters, resting.copy()
    released = np.zeros(parameters.size, dtype=bool)
    near = NEAR_BOUND * _scales(problem)
    evaluations = 0
    result = _run(problem, parameters, resting)
    for _ in range(LARGEST_ROUNDS):
        evaluations += int(result.nfev)
        parameters = _values(problem, result)
        modelled, jacobian = problem.linearised(parameters)
        push = jacobian.T @ (problem.value - modelled)
        at_low, at_high = parameters <= problem.lower + near, parameters >= problem.upper - near
        outward = (at_low & (push <= 0)) | (at_high & (push >= 0))
        inward = resting & ~outward
        catch = problem.free & ~resting & ~released & outward
        if np.any(catch):
            parameters = np.where(catch & at_low, problem.lower, np.where(catch, problem.upper, parameters))
            resting |= catch
        elif np.any(inward):
            worst = int(np.argmax(np.where(inward, np.abs(push), -1.0)))
            resting[worst] = False
            released[worst] = True
            parameters[worst] += 2 * near[worst] * (1.0 if at_low[worst] else -1.0)
        else:
            break
        result = _run(problem, parameters, resting)
    parameters, converged = closed(problem, parameters, np.flatnonzero(problem.free & ~resting))
    solution = _solution(problem, parameters, resting, converged, evaluations)
    if not converged:
        # on a flat valley the solver may have walked away from a start that already was as low as it gets
        parameters, converged = closed(problem, first, np.flatnonzero(problem.free & ~first_resting))
        again = _solution(problem, parameters, first_resting, converged, evaluations)
        if converged and again.rss <= solution.rss * (1 + 1e-9):
            solution = again
    for name, value in zip(identifiers(problem.names), solution.parameters, strict=True):
        result.params[name].value = value
    return solution, result


def _scales(problem: Problem) -> FloatArray:
    """Size against which closeness to a bound is judged: the bound itself, or for zero the range up to 1."""
    lower, upper = np.abs(problem.lower), np.abs(problem.upper)
    nearest = np.where(lower > 0, lower, np.minimum(problem.upper - problem.lower, 1.0))
    return np.where(np.isfinite(nearest), nearest, np.where(np.isfinite(upper), upper, 1.0))


def _solution(
    problem: Problem, parameters: FloatArray, resting: BoolArray, converged: bool, evaluations: int
) -> Solution:
    residual = problem.value - problem.modelled(parameters)
    return Solution(parameters, resting, float(residual @ residual), converged, evaluations)


def _values(problem: Problem, result: MinimizerResult) -> FloatArray:
    """Read the parameters back from a result, in the problem's order."""
    return np.array([float(result.params[name].value) for name in identifiers(problem.names)])


def _run(problem: Problem, start: FloatArray, resting: BoolArray) -> MinimizerResult:
    """Run lmfit once with some parameters resting on their bounds."""
    names = identifiers(problem.names)
    varied = problem.free & ~resting
    columns = np.flatnonzero(varied)
    parameters = lmfit.Parameters()
    for place, name in enumerate(names):
        low, high = (problem.lower[place], problem.upper[place]) if problem.free[place] else (-np.inf, np.inf)
        parameters.add(name, value=start[place], vary=bool(varied[place]), min=low, max=high)

    def values(current: lmfit.Parameters) -> FloatArray:
        return np.array([float(current[name].value) for name in names])

    def residual(current: lmfit.Parameters) -> FloatArray:
        with np.errstate(over="ignore", invalid="ignore"):
            missing = problem.modelled(values(current)) - problem.value
        # a trial that overflows is a bad trial, not the end of the fit
        return np.where(np.isfinite(missing), missing, OVERFLOWED)

    def derivative(current: lmfit.Parameters) -> FloatArray:
        return problem.linearised(values(current))[1][:, columns]

    minimizer = lmfit.Minimizer(residual, parameters)
    with np.errstate(invalid="ignore"):  # lmfit takes roots of a covariance that may not be positive; not used here
        result = minimizer.least_squares(
            jac=derivative, x_scale="jac", ftol=TOLERANCE, xtol=TOLERANCE, gtol=TOLERANCE, max_nfev=1000
        )
    # the call's settings hold the functions above, which cannot be pickled
    result.call_kws = {key: value for key, value in result.call_kws.items() if not callable(value)}
    return result
