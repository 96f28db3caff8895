"""From a solution to what is reported: estimates, standard errors, status, reason, whatever the route."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from convergence.fitting.model import Model
from convergence.fitting.precision import precision
from convergence.fitting.problem import Problem, Solution
from convergence.fitting.status import Evidence, FitStatus, diagnose, too_few_readings

FloatArray = npt.NDArray[np.float64]

FREE, HELD, AT_BOUND = "free", "held", "at bound"


@dataclass(frozen=True, eq=False)
class Outcome:
    """What is known of the parameters of one problem.

    Attributes
    ----------
    names : tuple of str, length p
        All parameters.
    values : ndarray, shape (p,)
        Estimates, and the values of held parameters; nan where no fit was made.
    standard_errors : ndarray, shape (p,)
        Of parameters free and not at a bound; nan otherwise.
    roles : tuple of str
        "free", "held" or "at bound".
    correlation : ndarray, shape (p, p)
        Of the estimates; nan for parameters not estimated or at a bound.
    bounds : tuple of (float, float)
    rss : float
        Sum of squared residuals; nan where no fit was made.
    degrees_of_freedom : int
        Readings less free parameters that are not at a bound.
    sigma : float
        Standard deviation of a reading: as given, or sqrt(rss / degrees of freedom).
    readings : int
        Readings in the fit.
    status : FitStatus
    reason : str
    """

    names: tuple[str, ...]
    values: FloatArray
    standard_errors: FloatArray
    roles: tuple[str, ...]
    correlation: FloatArray
    bounds: tuple[tuple[float, float], ...]
    rss: float
    degrees_of_freedom: int
    sigma: float
    readings: int
    status: FitStatus
    reason: str


def report(
    problem: Problem,
    solution: Solution,
    sigma: float | None,
    *,
    units: dict[str, str],
    amplitudes: tuple[str, ...],
    expansion: tuple[str, ...],
) -> Outcome:
    """Work out standard errors and status at a solution.

    Parameters
    ----------
    problem : Problem
    solution : Solution
    sigma : float or None
        Standard deviation of a reading, or None to take it from the residuals.
    units : dict
        Unit of each parameter.
    amplitudes : tuple of str
        Parameters whose relative standard error is judged.
    expansion : tuple of str
        Terms of a non-negative expansion; resting at zero is normal for them.

    Returns
    -------
    Outcome
    """
    free = problem.free
    names = problem.names
    estimated = np.flatnonzero(free & ~solution.at_bound)
    readings = int(problem.value.size)
    spare = readings - int(estimated.size)
    spread = sigma if sigma is not None else math.sqrt(solution.rss / spare)
    jacobian = problem.linearised(solution.parameters)[1]
    found = precision([names[k] for k in estimated], jacobian[:, estimated], spread)
    every = np.flatnonzero(free)
    released = None
    if every.size > estimated.size:
        released = precision([names[k] for k in every], jacobian[:, every], spread)
    errors = np.full(len(names), np.nan)
    errors[estimated] = found.standard_errors
    correlation = np.full((len(names), len(names)), np.nan)
    correlation[np.ix_(estimated, estimated)] = found.correlation
    bounds = _bounds(problem)
    evidence = Evidence(
        readings=readings,
        values={names[k]: float(solution.parameters[k]) for k in np.flatnonzero(free)},
        bounds={names[k]: bounds[k] for k in np.flatnonzero(free)},
        units=units,
        at_bound=[names[k] for k in np.flatnonzero(free & solution.at_bound)],
        amplitudes=[name for name in amplitudes if free[names.index(name)]],
        inactive=expansion,
        precision=found,
        released=released,
        converged=solution.converged,
    )
    status, reason = diagnose(evidence)
    return Outcome(
        names=names,
        values=solution.parameters,
        standard_errors=errors,
        roles=_roles(problem, solution),
        correlation=correlation,
        bounds=bounds,
        rss=solution.rss,
        degrees_of_freedom=spare,
        sigma=spread,
        readings=readings,
        status=status,
        reason=reason,
    )


def series_outcome(model: Model, solution: Solution, sigma: float | None) -> Outcome:
    """Work out standard errors and status of a series at a solution."""
    expansion = tuple(model.names[k] for k in model.ratios) if model.law.family == "hereditary" else ()
    return report(
        model,
        solution,
        sigma,
        units={name: unit.strip("-") for name, unit in zip(model.names, model.units, strict=True)},
        amplitudes=tuple(model.names[k] for k in model.amplitudes),
        expansion=expansion,
    )


def refusal(model: Model, stage: str) -> Outcome | None:
    """Give the outcome of a series that cannot be fitted at all, or None if it can be tried.

    Parameters
    ----------
    model : Model
    stage : str
        The stage asked for, for the reason.

    Returns
    -------
    Outcome or None
        With the status "too few readings" where the face has not passed or the readings are too few.
    """
    free = int(np.sum(model.free))
    readings = int(model.time.size)
    if readings == 0:
        reason = "0 readings after the zero reading" if math.isfinite(model.zero_time) else "never read"
    elif not model.stages:
        whose = "any stage" if stage == "all" else f"stage {stage!r}"
        reason = f"the face of {whose} has not passed the section before the last of {readings} readings"
    elif too_few_readings(readings, free):
        values = {model.names[k]: math.nan for k in np.flatnonzero(model.free)}
        reason = diagnose(Evidence(readings=readings, values=values, bounds={}))[1]
    else:
        return None
    return _empty(model, FitStatus.TOO_FEW_READINGS, reason)


def failure(model: Model, reason: str) -> Outcome:
    """Give the outcome of a series on which the solver broke down."""
    return _empty(model, FitStatus.FAILED, reason)


def _empty(model: Model, status: FitStatus, reason: str) -> Outcome:
    count = len(model.names)
    return Outcome(
        names=model.names,
        values=np.array(model.held),
        standard_errors=np.full(count, np.nan),
        roles=tuple(FREE if free else HELD for free in model.free),
        correlation=np.full((count, count), np.nan),
        bounds=_bounds(model),
        rss=math.nan,
        degrees_of_freedom=int(model.time.size) - int(np.sum(model.free)),
        sigma=math.nan,
        readings=int(model.time.size),
        status=status,
        reason=reason,
    )


def _bounds(problem: Problem) -> tuple[tuple[float, float], ...]:
    return tuple(zip(problem.lower.tolist(), problem.upper.tolist(), strict=True))


def _roles(problem: Problem, solution: Solution) -> tuple[str, ...]:
    """Say of each parameter whether it was free, held or ended at a bound."""
    pairs = zip(problem.free, solution.at_bound, strict=True)
    return tuple(HELD if not free else AT_BOUND if bound else FREE for free, bound in pairs)
