"""One series and one law as a least-squares problem: parameters, bounds, modelled readings, derivatives.

Both the single fit (lmfit) and the batch start from here, so that they answer the same question.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property

import numpy as np
import numpy.typing as npt

from convergence.fitting.basis import law_basis
from convergence.fitting.basis_table import BasisTable
from convergence.fitting.differences import stencil
from convergence.laws.path import FacePath
from convergence.laws.registry import Law

FloatArray = npt.NDArray[np.float64]
IntArray = npt.NDArray[np.int64]
BoolArray = npt.NDArray[np.bool_]


@dataclass(frozen=True, eq=False)
class Model:
    r"""The modelled readings of one series.

    .. math:: v_k = \sum_s A_s [S(p_s, t_k) - S(p_s, t_0)] + z_{g(k)}, \quad
              S = B_0(\theta) + \sum_i m_i B_i(\theta)

    with an amplitude A_s for each stage s and its face path p_s, the shape S shared by the stages, the
    instant t_0 of the zero reading, and an offset z for each segment g. Amplitudes and offsets enter
    linearly, and so do the ratios m_i once the amplitude is given; only lengths, times, exponents and shares
    (theta) do not.

    Attributes
    ----------
    law : Law
    stages : tuple of str
        Stages in the model, in the order of the job.
    paths : tuple of FacePath
        One a stage.
    zero_time : float
        Instant of the zero reading [d].
    time, value, segment : ndarray, shape (n,)
        Readings in the fit [d, mm, -]; without the zero reading where that is taken as exact.
    names : tuple of str, length p
        All parameters, free or held: amplitudes, shape parameters in the law's order, zero offsets.
    kinds : tuple of str
        Kind of each parameter as the law states it; "offset" for offsets.
    units : tuple of str
    lower, upper : ndarray, shape (p,)
        Bounds.
    held : ndarray, shape (p,)
        Value of each held parameter, nan for a free one.
    width, span : float
        Tunnel width [m] and span of the readings [d], from which the bounds were derived.
    offset_segments : tuple of int
        Segments with a free offset, one a zero offset.
    table : BasisTable, optional
        Bases worked out beforehand; the batch shares one among the series of a sweep.
    """

    law: Law
    stages: tuple[str, ...]
    paths: tuple[FacePath, ...]
    zero_time: float
    time: FloatArray
    value: FloatArray
    segment: IntArray
    names: tuple[str, ...]
    kinds: tuple[str, ...]
    units: tuple[str, ...]
    lower: FloatArray
    upper: FloatArray
    held: FloatArray
    width: float
    span: float
    offset_segments: tuple[int, ...]
    table: BasisTable | None = None

    @cached_property
    def free(self) -> BoolArray:
        """Parameters to be estimated, shape (p,)."""
        return np.asarray(np.isnan(self.held))

    @cached_property
    def amplitudes(self) -> IntArray:
        """Places of the amplitudes among the parameters."""
        return self._places("amplitude")

    @cached_property
    def ratios(self) -> IntArray:
        """Places of the ratios: parameters that enter linearly once the amplitude is given."""
        return self._places("ratio")

    @cached_property
    def offsets(self) -> IntArray:
        """Places of the zero offsets."""
        return self._places("offset")

    @cached_property
    def nonlinear(self) -> IntArray:
        """Places of lengths, times, exponents and shares."""
        linear = ("amplitude", "ratio", "offset")
        return np.array([k for k, kind in enumerate(self.kinds) if kind not in linear], dtype=np.int64)

    @cached_property
    def indicators(self) -> FloatArray:
        """One column an offset: 1 in its segment, 0 elsewhere; shape (n, offsets)."""
        numbers = np.array(self.offset_segments, dtype=np.int64)
        return np.asarray(self.segment[:, np.newaxis] == numbers, dtype=np.float64)

    @cached_property
    def finest(self) -> float:
        """Shortest influence length possible [m], for the integration along the path; nan if none."""
        lengths = [k for k, kind in enumerate(self.kinds) if kind == "length"]
        held = [float(self.held[k]) for k in lengths if not self.free[k]]
        return min([*held, *(float(self.lower[k]) for k in lengths if self.free[k])], default=float("nan"))

    def _places(self, kind: str) -> IntArray:
        return np.array([k for k, this in enumerate(self.kinds) if this == kind], dtype=np.int64)

    def bases(self, shapes: FloatArray) -> FloatArray:
        """Movement per unit amplitude since the zero reading, apart by stage and by ratio.

        Parameters
        ----------
        shapes : ndarray, shape (g, q)
            Values of the nonlinear parameters, one row a trial.

        Returns
        -------
        ndarray, shape (g, s, n, 1 + r)
            Column 0 with all ratios zero; column i what a ratio of 1 adds.
        """
        times = np.concatenate([[self.zero_time], self.time])
        names = [self.names[k] for k in self.nonlinear]
        ratios = [self.names[k] for k in self.ratios]
        tables = [law_basis(self.law, path, times, names, shapes, ratios, self.finest) for path in self.paths]
        stacked = np.stack(tables, axis=1)
        return np.asarray(stacked[:, :, 1:] - stacked[:, :, :1])

    def modelled(self, parameters: FloatArray) -> FloatArray:
        """Modelled readings [mm], shape (n,), at a full set of parameters, shape (p,)."""
        shape = parameters[self.nonlinear]
        basis = self.bases(shape[np.newaxis])[0] if self.table is None else self.table.at(shape)
        return self._combined(basis, parameters)

    def _combined(self, basis: FloatArray, parameters: FloatArray) -> FloatArray:
        weights = np.concatenate([[1.0], parameters[self.ratios]])
        movement = parameters[self.amplitudes] @ (basis @ weights)
        return np.asarray(movement + self.indicators @ parameters[self.offsets])

    def linearised(self, parameters: FloatArray) -> tuple[FloatArray, FloatArray]:
        """Modelled readings and their derivative by all parameters.

        Linear parameters are differentiated exactly, the others by central differences of sixth order, good
        to about 12 digits.

        Parameters
        ----------
        parameters : ndarray, shape (p,)

        Returns
        -------
        modelled : ndarray, shape (n,)
            [mm].
        jacobian : ndarray, shape (n, p)
            [mm / unit of the parameter]; zero columns for held nonlinear parameters.
        """
        basis, slopes = self.slopes(parameters[self.nonlinear])
        ratio = np.concatenate([[1.0], parameters[self.ratios]])
        amplitude = parameters[self.amplitudes]
        jacobian = np.zeros((self.time.size, parameters.size))
        jacobian[:, self.amplitudes] = (basis @ ratio).T
        jacobian[:, self.ratios] = np.tensordot(amplitude, basis[:, :, 1:], axes=1)
        jacobian[:, self.offsets] = self.indicators
        jacobian[:, self.nonlinear] = np.tensordot(amplitude, slopes @ ratio, axes=(0, 1)).T
        return self._combined(basis, parameters), jacobian

    def slopes(self, shape: FloatArray) -> tuple[FloatArray, FloatArray]:
        """Bases at one set of nonlinear parameters, and their derivatives.

        Parameters
        ----------
        shape : ndarray, shape (q,)

        Returns
        -------
        basis : ndarray, shape (s, n, 1 + r)
        slopes : ndarray, shape (q, s, n, 1 + r)
            Zero for held parameters.
        """
        if self.table is not None:
            return self.table.slopes(shape)
        moving = [j for j, k in enumerate(self.nonlinear) if self.free[k]]
        trials = [shape]
        stencils = []
        for j in moving:
            place = self.nonlinear[j]
            nodes, weights = stencil(float(shape[j]), float(self.lower[place]), float(self.upper[place]))
            stencils.append(weights)
            for node in nodes:
                trial = shape.copy()
                trial[j] = node
                trials.append(trial)
        tables = self.bases(np.array(trials).reshape(len(trials), shape.size))
        slopes = np.zeros((shape.size, *tables.shape[1:]))
        first = 1
        for j, weights in zip(moving, stencils, strict=True):
            # less the centre, so that what does not depend on the parameter has a slope of exactly zero
            slopes[j] = np.tensordot(weights, tables[first : first + weights.size] - tables[0], axes=1)
            first += weights.size
        return tables[0], slopes
