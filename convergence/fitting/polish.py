"""Bounded Levenberg-Marquardt in numpy, for problems with accurate derivatives and a good start."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
import numpy.typing as npt

from convergence.fitting.problem import ROUNDING_FLOOR, Problem, Solution, closed, newton_step

FloatArray = npt.NDArray[np.float64]
BoolArray = npt.NDArray[np.bool_]

LARGEST_ITERATIONS = 300
SECOND_ITERATIONS = 60
"""Iterations granted to the second and third start: what leads nowhere by then is no deep minimum."""

SMALLEST_DAMPING = 1e-9
LARGEST_DAMPING = 1e12
NEGLIGIBLE = 1e-15
"""Relative change of the sum of squares that rounding can hide; plain closing steps are taken from there."""


def polish(problem: Problem, start: FloatArray, most: int = LARGEST_ITERATIONS) -> Solution:
    r"""Minimise the sum of squares from a start, within the bounds.

    Parameters bounded below by a positive number are stepped in their logarithm. Those at a bound which the
    readings push outwards rest there; the others take the step of

    .. math:: \min_d |J d - r|^2 + \lambda |D d|^2, \qquad D = \mathrm{diag}(|J_j|),

    cut at the bounds. The damping falls to zero as the steps succeed, so the end is a plain Gauss-Newton
    iteration and the estimate is good to all digits the condition of the problem leaves.

    Parameters
    ----------
    problem : Problem
    start : ndarray, shape (p,)
    most : int
        Most iterations.

    Returns
    -------
    Solution
    """
    logarithmic = problem.free & (problem.lower > 0)
    low, high = _stepped(problem.lower, logarithmic), _stepped(problem.upper, logarithmic)
    place = _stepped(np.where(problem.free, np.clip(start, problem.lower, problem.upper), start), logarithmic)
    size = float(np.linalg.norm(problem.value))
    damping = 1e-3
    evaluations = 0
    residual, jacobian = _state(problem, place, logarithmic)
    rss = float(residual @ residual)
    resting = _resting(problem, place, low, high, jacobian, residual)
    while evaluations < most:
        moving = np.flatnonzero(problem.free & ~resting)
        full = newton_step(residual, jacobian[:, moving])
        effect = float(np.linalg.norm(jacobian[:, moving] @ full))
        evaluations += 1
        within = np.all((place[moving] + full >= low[moving]) & (place[moving] + full <= high[moving]))
        if within and effect * effect <= NEGLIGIBLE * rss + (ROUNDING_FLOOR * size) ** 2:
            break
        step = _damped_step(residual, jacobian[:, moving], damping)
        trial = place.copy()
        trial[moving] = np.clip(place[moving] + step, low[moving], high[moving])
        new_residual, new_jacobian = _state(problem, trial, logarithmic)
        new_rss = float(new_residual @ new_residual)
        if np.isfinite(new_rss) and new_rss < rss:
            place, residual, jacobian, rss = trial, new_residual, new_jacobian, new_rss
            damping = damping / 10 if damping > SMALLEST_DAMPING else 0.0
        else:
            damping = max(damping * 8, SMALLEST_DAMPING)
            if damping > LARGEST_DAMPING:
                break
        resting = _resting(problem, place, low, high, jacobian, residual)
    parameters, converged = closed(
        problem, _natural(place, logarithmic, problem), np.flatnonzero(problem.free & ~resting)
    )
    residual = problem.value - problem.modelled(parameters)
    return Solution(parameters, resting, float(residual @ residual), converged, evaluations)


def best_solution(solutions: Sequence[Solution]) -> Solution:
    """Choose the solution with the smallest sum of squares; a converged one wins a near tie."""
    least = min(solution.rss for solution in solutions)
    near = [solution for solution in solutions if solution.rss <= least * (1 + 1e-9)]
    return min(near, key=lambda solution: (not solution.converged, solution.rss))


def _stepped(values: FloatArray, logarithmic: BoolArray) -> FloatArray:
    """Take logarithms where parameters are stepped in theirs."""
    return np.where(logarithmic, np.log(np.where(logarithmic, values, 1.0)), values)


def _natural(place: FloatArray, logarithmic: BoolArray, problem: Problem) -> FloatArray:
    """Undo the logarithms, without leaving a bound by rounding."""
    natural = np.where(logarithmic, np.exp(np.where(logarithmic, place, 0.0)), place)
    return np.where(problem.free, np.clip(natural, problem.lower, problem.upper), natural)


def _state(problem: Problem, place: FloatArray, logarithmic: BoolArray) -> tuple[FloatArray, FloatArray]:
    """Residuals and the derivative by the stepped parameters."""
    parameters = _natural(place, logarithmic, problem)
    modelled, jacobian = problem.linearised(parameters)
    return problem.value - modelled, jacobian * np.where(logarithmic, parameters, 1.0)


def _resting(
    problem: Problem,
    place: FloatArray,
    low: FloatArray,
    high: FloatArray,
    jacobian: FloatArray,
    residual: FloatArray,
) -> BoolArray:
    """Find the free parameters at a bound that the readings push outwards, or leave where they are."""
    push = jacobian.T @ residual
    return np.asarray(problem.free & (((place <= low) & (push <= 0)) | ((place >= high) & (push >= 0))))


def _damped_step(residual: FloatArray, jacobian: FloatArray, damping: float) -> FloatArray:
    """Solve the damped linear problem as an augmented least-squares problem."""
    if damping == 0:
        return newton_step(residual, jacobian)
    lengths = np.linalg.norm(jacobian, axis=0)
    lengths[lengths == 0] = 1.0
    count = jacobian.shape[1]
    augmented = np.concatenate([jacobian / lengths, np.sqrt(damping) * np.eye(count)])
    target = np.concatenate([residual, np.zeros(count)])
    return np.asarray(np.linalg.lstsq(augmented, target, rcond=None)[0] / lengths)
