"""Standard errors and correlations of least-squares estimates, accurate where parameters differ in size."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
from scipy.linalg import qr, svd

FloatArray = npt.NDArray[np.float64]
BoolArray = npt.NDArray[np.bool_]


@dataclass(frozen=True, eq=False)
class Precision:
    """How well a set of parameters has been found.

    Attributes
    ----------
    names : tuple of str
        The parameters, in the order of the Jacobian's columns.
    standard_errors : ndarray, shape (p,)
        Each in the unit of its parameter; nan where a parameter has no effect on the readings.
    correlation : ndarray, shape (p, p)
        Correlation of the estimates; nan in the rows and columns of parameters without effect.
    singular_values : ndarray, shape (q,)
        Of the column-scaled Jacobian, descending, parameters without effect left out.
    weakest : ndarray, shape (p,)
        The combination of scaled parameters that the readings see least (the last right singular vector).
    without_effect : ndarray of bool, shape (p,)
        Parameters whose Jacobian column is zero.
    """

    names: tuple[str, ...]
    standard_errors: FloatArray
    correlation: FloatArray
    singular_values: FloatArray
    weakest: FloatArray
    without_effect: BoolArray

    @property
    def condition(self) -> float:
        """Condition number of the column-scaled Jacobian; 1 for none or one parameter, inf if singular."""
        if self.singular_values.size == 0:
            return 1.0
        smallest = float(self.singular_values[-1])
        return float(self.singular_values[0]) / smallest if smallest > 0 else float("inf")

    def covariance(self) -> FloatArray:
        """Covariance matrix of the estimates, shape (p, p)."""
        return np.asarray(self.correlation * np.outer(self.standard_errors, self.standard_errors))


def precision(names: Sequence[str], jacobian: FloatArray, sigma: float) -> Precision:
    r"""Linearised standard errors and correlations from the Jacobian at the estimate.

    With the columns scaled to length one, :math:`J = Q R D` and

    .. math:: C = \sigma^2 (J^T J)^{-1} = \sigma^2 D^{-1} R^{-1} R^{-T} D^{-1}.

    The product :math:`J^T J` is never formed: it squares the condition number, and without the scaling the
    pseudo- inverse drops a small parameter beside a large one [1]_.

    Parameters
    ----------
    names : Sequence of str
        One name a column.
    jacobian : ndarray, shape (n, p)
        Derivative of the modelled readings by the parameters [unit of reading / unit of parameter], n >= p.
    sigma : float
        Standard deviation of one reading [unit of reading].

    Returns
    -------
    Precision

    Examples
    --------
    A mean of four readings with sigma 1 has the standard error 1/2:

    >>> precision(["mean"], np.ones((4, 1)), 1.0).standard_errors
    array([0.5])

    References
    ----------
    .. [1] NIST StRD nonlinear regression sets; verified against the certified standard deviations in
       tests/published/test_nist.py.
    """
    count = jacobian.shape[1]
    lengths = np.linalg.norm(jacobian, axis=0)
    without = lengths == 0
    live = np.flatnonzero(~without)
    errors = np.full(count, np.nan)
    correlation = np.full((count, count), np.nan)
    weakest = np.zeros(count)
    if live.size == 0:
        return Precision(tuple(names), errors, correlation, np.empty(0), weakest, without)
    triangle = qr(jacobian[:, live] / lengths[live], mode="economic")[1]
    _, singular, right = svd(triangle, full_matrices=False)
    weakest[live] = right[-1]
    with np.errstate(divide="ignore", invalid="ignore", over="ignore"):
        # R^-1 = V S^-1 U^T, so R^-1 R^-T = (V S^-1)(V S^-1)^T; a zero singular value gives infinite errors
        root = right.T / singular
        spread = np.sqrt(np.sum(root * root, axis=1))
        errors[live] = sigma * spread / lengths[live]
        unit = root / spread[:, np.newaxis]
        correlation[np.ix_(live, live)] = np.clip(unit @ unit.T, -1.0, 1.0)
    return Precision(tuple(names), errors, correlation, singular, weakest, without)
