"""The movement of one stage per unit of amplitude, as columns that are worked out once for every shape.

A shape is theta = (ln X, ln n, ln m_1 .. ln m_p). Its movement is a weighted sum of fixed columns, one for each
exponential mode of the release and each retardation time (`convergence.laws.face_modes`); only the weights depend on
theta.
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
import numpy.typing as npt

from convergence.laws import (
    DEFAULT_FACE_SHARE,
    DEFAULT_RETARDATION_TIMES,
    FacePath,
    hereditary_modes,
    mode_lengths,
    mode_weights,
)
from convergence.projection.prior import AHEAD, MODES, SHORTEST_MODE

Floats = npt.NDArray[np.float64]

#: Face distance in widths from which on sections are compared with each other: past most zero readings.
REFERENCE = 0.3
#: Days of creep that count in the comparison: what comes later is hardly read yet, and is in all sections alike.
CREEP_COMPARED = 15.0


def mode_columns(path: FacePath, times: Floats, width: float, retardation_times: Sequence[float]) -> Floats:
    """Release and memory of every mode, shape (n, modes * (1 + p)), for a tunnel of this width [m]."""
    lengths = mode_lengths(SHORTEST_MODE * width, MODES)
    columns = hereditary_modes(path, times, lengths, DEFAULT_FACE_SHARE, AHEAD * width, retardation_times)
    return np.asarray(columns.transpose(1, 0, 2).reshape(len(times), -1))


def _mode_shares(theta: Floats, width: float) -> Floats:
    """Share of each mode in the release of each shape, (s, modes)."""
    return mode_weights(np.exp(theta[:, 0]), np.exp(theta[:, 1]), SHORTEST_MODE * width, MODES)


def _column_weights(theta: Floats, modes: Floats) -> Floats:
    """Weights of the columns for each shape; theta (s, 2 + p) -> (s, modes * (1 + p))."""
    creep = np.concatenate([np.ones((len(theta), 1)), np.exp(theta[:, 2:])], axis=1)
    return np.asarray((modes[:, :, None] * creep[:, None, :]).reshape(len(theta), -1))


def _to_come(theta: Floats, modes: Floats, width: float) -> Floats:
    """What ``share_to_come`` gives, from the shares of the modes."""
    lengths = mode_lengths(SHORTEST_MODE * width, MODES)
    left = (1.0 - DEFAULT_FACE_SHARE) * modes @ np.exp(-REFERENCE * width / lengths)
    felt = -np.expm1(-CREEP_COMPARED / np.array(DEFAULT_RETARDATION_TIMES))
    return np.asarray(left + np.exp(theta[:, 2:]) @ felt)


def unit_weights(theta: Floats, width: float) -> Floats:
    """Weights of the columns for each shape per unit of ``share_to_come``, shape (s, modes * (1 + p))."""
    modes = _mode_shares(theta, width)
    return np.asarray(_column_weights(theta, modes) / _to_come(theta, modes, width)[:, None])


def share_to_come(theta: Floats, width: float) -> Floats:
    """Movement still to come with the face ``REFERENCE`` widths past, over the amplitude, for each shape (s, 2 + p).

    The release that is left there, and the creep of the first ``CREEP_COMPARED`` days after a release at once, at the
    retardation times of ``DEFAULT_RETARDATION_TIMES``: of later creep no section knows much yet, so one that has gone
    far does not hand its doubt about it to the others as doubt about how much they move.
    """
    return _to_come(theta, _mode_shares(theta, width), width)


def unit_movement(
    path: FacePath,
    times: Floats,
    shape: Floats,
    width: float,
    retardation_times: Sequence[float] = DEFAULT_RETARDATION_TIMES,
) -> Floats:
    """Movement G(t; theta) of one stage per unit of instantaneous amplitude.

    Parameters
    ----------
    path : FacePath
        Movement of the stage's face past the section.
    times : (n,) array
        Days, ascending.
    shape : (2 + p,) array
        theta.
    width : float
        Tunnel width [m].
    retardation_times : sequence of float, length p
        Retardation times [days].

    Returns
    -------
    (n,) array
        Movement since the ground was undisturbed over the amplitude [-].
    """
    weights = _column_weights(shape[None], _mode_shares(shape[None], width))
    return np.asarray(mode_columns(path, times, width, retardation_times) @ weights[0])


def spanning_columns(whole: Sequence[Floats]) -> tuple[Floats, Floats]:
    """A few columns for each stage that span its mode columns to 1e-6 of their size.

    Exponentials of neighbouring lengths and times are all but multiples of each other, so fewer columns than modes
    times retardation times stand for them all.

    Parameters
    ----------
    whole : sequence of (n, m) arrays
        Mode columns of each stage.

    Returns
    -------
    columns : (n, stages, c) array
    spanned : (stages, m, c) array
        ``whole[k]`` is ``columns[:, k] @ spanned[k].T``.
    """
    parts = [np.linalg.svd(item, full_matrices=False) for item in whole]
    count = max(int((size > 1e-6 * max(float(size[0]), 1e-12)).sum()) for _, size, _ in parts)
    columns = np.stack([left[:, :count] * size[:count] for left, size, _ in parts], axis=1)
    return columns, np.stack([right[:count].T for _, _, right in parts])
