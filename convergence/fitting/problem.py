"""What a solver needs to know of a least-squares problem, and how it answers."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Protocol

import numpy as np
import numpy.typing as npt
from scipy.linalg import qr, solve_triangular

FloatArray = npt.NDArray[np.float64]
BoolArray = npt.NDArray[np.bool_]
IntArray = npt.NDArray[np.int64]

CONVERGED_STEP = 1e-6
"""A solution is accepted if the next Gauss-Newton step would change the modelled readings by less than this
share of the residuals: that step is then below 1e-6 sqrt(n - p) standard errors in every parameter."""

LARGEST_CLOSING = 100
"""Most plain Gauss-Newton steps after a solver has stopped; far fewer unless parameters are entangled."""

LARGEST_NEWTON = 6
"""Most Newton steps where plain steps do not close."""

CLOSING_GOAL = 1e-10
"""Share of the residuals the next step should fall to; where it does not, Newton steps are tried."""

DIFFERENCE = 1e-4
"""Relative step of the differences of the gradient; its error of 1e-8 only slows the last steps down."""

NEGLIGIBLE_STEP = 1e-12
"""Closing steps smaller than this share of the residuals are not worth taking."""

ROUNDING_FLOOR = 1e-15
"""Nor are those smaller than this share of the readings."""

ROUNDING = 1e-11
"""And it is accepted if that change is below this share of the readings themselves (data without noise)."""


class Problem(Protocol):
    """A least-squares problem with named, bounded parameters, some of them free."""

    @property
    def names(self) -> tuple[str, ...]:
        """All parameters, free or not."""

    @property
    def lower(self) -> FloatArray:
        """Lower bounds."""

    @property
    def upper(self) -> FloatArray:
        """Upper bounds."""

    @property
    def free(self) -> BoolArray:
        """Parameters to be estimated."""

    @property
    def value(self) -> FloatArray:
        """What is to be met."""

    def modelled(self, parameters: FloatArray) -> FloatArray:
        """Modelled values at a full set of parameters."""

    def linearised(self, parameters: FloatArray) -> tuple[FloatArray, FloatArray]:
        """Modelled values and their derivative by all parameters."""


@dataclass(frozen=True, eq=False)
class Solution:
    """Where a solver ended.

    Attributes
    ----------
    parameters : ndarray, shape (p,)
    at_bound : ndarray of bool, shape (p,)
        Free parameters that rest on a bound against which the readings push.
    rss : float
        Sum of squared residuals.
    converged : bool
    evaluations : int
        Evaluations of the model and its derivative.
    """

    parameters: FloatArray
    at_bound: BoolArray
    rss: float
    converged: bool
    evaluations: int


def newton_step(residual: FloatArray, jacobian: FloatArray) -> FloatArray:
    """Gauss-Newton step by column-scaled QR with pivoting; directions the readings do not see are left alone.

    Parameters
    ----------
    residual : ndarray, shape (n,)
        Observed minus modelled.
    jacobian : ndarray, shape (n, p)

    Returns
    -------
    ndarray, shape (p,)
    """
    step = np.zeros(jacobian.shape[1])
    lengths = np.linalg.norm(jacobian, axis=0)
    live = np.flatnonzero(lengths > 0)
    if live.size == 0:
        return step
    q, r, order = qr(jacobian[:, live] / lengths[live], mode="economic", pivoting=True)
    diagonal = np.abs(np.diag(r))
    rank = int(np.sum(diagonal > 1e-12 * diagonal[0]))
    part = solve_triangular(r[:rank, :rank], (q.T @ residual)[:rank])
    step[live[order[:rank]]] = part / lengths[live[order[:rank]]]
    return step


def closed(problem: Problem, parameters: FloatArray, moving: IntArray) -> tuple[FloatArray, bool]:
    """Take the last steps to a minimum that a solver has come close to.

    Solvers judge by the sum of squares, and rounding hides its changes once the next step is 1e-8 of the
    residuals. Where parameters are nearly entangled the steps shrink slowly and many small ones still add up;
    the derivatives see further than the sum of squares. Plain Gauss-Newton steps are taken as long as each is
    smaller than the one before, and where the curvature of the model keeps them from shrinking, Newton steps.

    Parameters
    ----------
    problem : Problem
    parameters : ndarray, shape (p,)
        Close to a minimum.
    moving : ndarray of int
        Places of the parameters that neither are held nor rest on a bound.

    Returns
    -------
    parameters : ndarray, shape (p,)
        The set from which the next step was the smallest.
    converged : bool
        Whether that step is too small to matter.
    """
    parameters, effect = _descended(problem, parameters, moving, False, LARGEST_CLOSING)
    residual = problem.value - problem.modelled(parameters)
    spread, size = float(np.linalg.norm(residual)), float(np.linalg.norm(problem.value))
    if effect > CLOSING_GOAL * spread + ROUNDING * size:
        parameters, effect = _descended(problem, parameters, moving, True, LARGEST_NEWTON)
    return parameters, effect <= CONVERGED_STEP * spread + ROUNDING * size


def _descended(
    problem: Problem, start: FloatArray, moving: IntArray, newton: bool, most: int
) -> tuple[FloatArray, float]:
    """Step while the Gauss-Newton step to come keeps shrinking; give the best set and that step's effect."""
    size = float(np.linalg.norm(problem.value))
    parameters, best, smallest = start, start, np.inf
    for _ in range(most):
        modelled, jacobian = problem.linearised(parameters)
        residual = problem.value - modelled
        step = newton_step(residual, jacobian[:, moving])
        effect = float(np.linalg.norm(jacobian[:, moving] @ step))
        if not effect < smallest:
            break
        best, smallest = parameters, effect
        if effect <= NEGLIGIBLE_STEP * float(np.linalg.norm(residual)) + ROUNDING_FLOOR * size:
            break
        if newton:
            step = _curved_step(problem, parameters, moving, jacobian.T @ residual, step)
        parameters = parameters.copy()
        parameters[moving] += step
        outside = (parameters < problem.lower) | (parameters > problem.upper)
        if np.any(outside[moving]):
            break
    return best, smallest


def _curved_step(
    problem: Problem, parameters: FloatArray, moving: IntArray, push: FloatArray, plain: FloatArray
) -> FloatArray:
    """Newton step, with second derivatives from differences of the gradient; the plain one if they fail."""
    scale = np.where(parameters[moving] != 0, np.abs(parameters[moving]), 1.0)
    bend = np.empty((moving.size, moving.size))
    for column, place in enumerate(moving):
        gradients = []
        for side in (-1.0, 1.0):
            moved = parameters.copy()
            moved[place] += side * DIFFERENCE * scale[column]
            modelled, jacobian = problem.linearised(moved)
            gradients.append((jacobian.T @ (problem.value - modelled))[moving])
        bend[:, column] = (gradients[0] - gradients[1]) / (2 * DIFFERENCE) * scale
    bend = 0.5 * (bend + bend.T)
    stretch = np.sqrt(np.abs(np.diag(bend)))
    if not np.all(stretch > 0):
        return plain
    unit = bend / np.outer(stretch, stretch)
    try:
        return np.asarray(scale * np.linalg.solve(unit, push[moving] * scale / stretch) / stretch)
    except np.linalg.LinAlgError:
        return plain
