"""Variable projection for one stage: linear parameters are solved exactly for each trial of the others."""

from __future__ import annotations

import itertools
from dataclasses import dataclass
from functools import lru_cache

import numpy as np
import numpy.typing as npt

from convergence.fitting.model import Model

FloatArray = npt.NDArray[np.float64]
IntArray = npt.NDArray[np.int64]

LARGEST_RATIOS = 4
"""Most free ratios for which every active set is tried: 3^4 = 81 small systems a trial."""

LARGEST_ITERATIONS = 100
LARGEST_DAMPING = 1e10
CLOSE = 1e-15
"""Predicted relative fall of the sum of squares below which there is nothing left to gain but rounding."""

NOTHING = 1e-10
"""A ratio whose release lowers the sum of squares by less than this share of it is left on its bound."""

RIDGE = 1e-13
"""Added to the normalised normal equations to compare active sets; the chosen set is solved again by QR."""


@dataclass(frozen=True, eq=False)
class _Trial:
    """The best linear parameters at one set of nonlinear ones."""

    parameters: FloatArray
    residual: FloatArray
    jacobian: FloatArray
    rss: float


def projectable(model: Model) -> bool:
    """Tell whether all but the nonlinear parameters can be solved: one free amplitude, few free ratios."""
    one = model.amplitudes.size == 1 and bool(model.free[model.amplitudes[0]])
    return one and int(np.sum(model.free[model.ratios])) <= LARGEST_RATIOS


def refine(model: Model, start: FloatArray) -> FloatArray:
    r"""Walk from a start to the minimum over the nonlinear parameters alone.

    With c_i = A m_i the model is linear in A, c and the offsets, and the bounds 0 <= m_i <= M are
    0 <= c_i / A <= M. Each ratio is at zero, free, or at M; every such set is tried and the best admissible
    one is the exact solution. The sum of squares is then a function of the nonlinear parameters only, with a
    continuous derivative, and the derivative of the residuals is that of Kaufman,

    .. math:: \partial r / \partial\theta_k \approx -P^\perp (\partial\Phi/\partial\theta_k)\, c,

    with P the projection off the columns in use. In this form amplitude and creep cannot run away along the
    valley A -> 0, m -> infinity that a steady advance leaves, where a solver in A and m creeps for thousands
    of steps.

    Parameters
    ----------
    model : Model
        For which `projectable` holds.
    start : ndarray, shape (p,)

    Returns
    -------
    ndarray, shape (p,)
        All parameters, within the bounds.

    References
    ----------
    .. [1] G. H. Golub and V. Pereyra 1973, and L. Kaufman 1975, on separable least squares; from memory.
    """
    places = np.array([k for k in model.nonlinear if model.free[k]], dtype=np.int64)
    trial = _solved(model, start, places)
    damping = 1e-3
    for _ in range(LARGEST_ITERATIONS):
        step = _step(model, trial, places, damping)
        effect = trial.jacobian @ step
        if float(effect @ effect) <= CLOSE * trial.rss:
            break
        moved = trial.parameters.copy()
        moved[places] = _moved(model, moved[places], step, places)
        candidate = _solved(model, moved, places)
        if candidate.rss < trial.rss:
            trial = candidate
            damping = max(damping / 10, 1e-12)
        else:
            damping *= 8
            if damping > LARGEST_DAMPING:
                break
    return trial.parameters


def _positive(model: Model, places: IntArray) -> npt.NDArray[np.bool_]:
    """Parameters stepped in their logarithm."""
    return np.asarray(model.lower[places] > 0)


def _moved(model: Model, shape: FloatArray, step: FloatArray, places: IntArray) -> FloatArray:
    """Take a step, cut at the bounds; at most a factor of e cubed in a positive parameter."""
    positive = _positive(model, places)
    cut = np.where(positive, np.clip(step, -3.0, 3.0), step)
    taken = np.where(positive, shape * np.exp(np.where(positive, cut, 0.0)), shape + cut)
    return np.clip(taken, model.lower[places], model.upper[places])


def _step(model: Model, trial: _Trial, places: IntArray, damping: float) -> FloatArray:
    """Damped Gauss-Newton step of the nonlinear parameters, those pushed out of their bounds left alone."""
    push = trial.jacobian.T @ trial.residual
    shape = trial.parameters[places]
    out = ((shape <= model.lower[places]) & (push <= 0)) | ((shape >= model.upper[places]) & (push >= 0))
    step = np.zeros(places.size)
    moving = np.flatnonzero(~out)
    if moving.size:
        columns = trial.jacobian[:, moving]
        lengths = np.linalg.norm(columns, axis=0)
        lengths[lengths == 0] = 1.0
        augmented = np.concatenate([columns / lengths, np.sqrt(damping) * np.eye(moving.size)])
        target = np.concatenate([trial.residual, np.zeros(moving.size)])
        step[moving] = np.linalg.lstsq(augmented, target, rcond=None)[0] / lengths
    return step


def _solved(model: Model, parameters: FloatArray, places: IntArray) -> _Trial:
    """Solve the linear parameters at the nonlinear ones given."""
    basis, slopes = model.slopes(parameters[model.nonlinear])
    free_ratios = np.array(
        [k for k in range(model.ratios.size) if model.free[model.ratios[k]]], dtype=np.int64
    )
    held = np.where(np.isnan(model.held[model.ratios]), 0.0, model.held[model.ratios])
    base = basis[0, :, 0] + basis[0, :, 1:] @ held
    columns = np.column_stack([base, basis[0][:, 1 + free_ratios]])
    rows = model.ratios[free_ratios]
    merge = _best_set(_centred(model, columns), _centred(model, model.value), model.upper[rows])
    used = np.column_stack([columns @ merge, model.indicators])
    orthogonal, triangle = np.linalg.qr(used)
    target = orthogonal.T @ model.value
    scale = np.linalg.norm(used, axis=0)
    solution = np.linalg.lstsq(triangle / np.where(scale == 0, 1.0, scale), target, rcond=1e-13)[0]
    solution = solution / np.where(scale == 0, 1.0, scale)
    weights = merge @ solution[: merge.shape[1]]
    full = parameters.copy()
    amplitude = weights[0]
    full[model.amplitudes[0]] = amplitude
    ratios = weights[1:] / amplitude if amplitude != 0 else np.zeros(rows.size)
    # exactly on the bound where the set says so; rounding must not leave an estimate beside it
    exact = np.where(
        ratios > model.upper[rows] * (1 - 1e-12), model.upper[rows], np.where(ratios < 1e-300, 0.0, ratios)
    )
    full[rows] = exact
    full[model.offsets] = solution[merge.shape[1] :]
    residual = model.value - used @ solution
    whole = np.concatenate([[1.0], full[model.ratios]]) * amplitude
    bend = (
        np.stack([slopes[j, 0] @ whole for j, k in enumerate(model.nonlinear) if model.free[k]], axis=1)
        if (places.size)
        else np.zeros((model.value.size, 0))
    )
    bend = bend * np.where(_positive(model, places), full[places], 1.0)
    jacobian = bend - orthogonal @ (orthogonal.T @ bend)
    return _Trial(full, residual, jacobian, float(residual @ residual))


def _centred(model: Model, values: FloatArray) -> FloatArray:
    """Take each segment's mean off, where the segment has a free offset."""
    counts = np.sum(model.indicators, axis=0)
    return np.asarray(values - model.indicators @ ((model.indicators.T @ values).T / counts).T)


@lru_cache(maxsize=8)
def _states(count: int) -> tuple[tuple[int, ...], ...]:
    """All combinations of 0 (at zero), 1 (free) and 2 (at the upper bound) for so many ratios."""
    return tuple(itertools.product((0, 1, 2), repeat=count))


def _best_set(columns: FloatArray, value: FloatArray, upper: FloatArray) -> FloatArray:
    """Find which ratios rest on which bound, as the matrix that merges the columns accordingly.

    Parameters
    ----------
    columns : ndarray, shape (n, 1 + r)
        Column of the amplitude, then of each free ratio.
    value : ndarray, shape (n,)
    upper : ndarray, shape (r,)
        Upper bound of each ratio.

    Returns
    -------
    ndarray, shape (1 + r, k)
        ``columns @ result`` are the columns in use; the first is that of the amplitude.
    """
    count = upper.size
    states = np.array(_states(count), dtype=np.int64).reshape(3**count, count)
    gram, right = columns.T @ columns, columns.T @ value
    sets = states.shape[0]
    # the amplitude's column takes the ratios at their upper bound with it; ratios not free have a dead unit
    # row
    merge = np.zeros((sets, 1 + count, 1 + count))
    merge[:, 0, 0] = 1.0
    for place in range(count):
        merge[:, 1 + place, 0] = np.where(states[:, place] == 2, upper[place], 0.0)
        merge[:, 1 + place, 1 + place] = states[:, place] == 1
    small = np.transpose(merge, (0, 2, 1)) @ gram @ merge
    target = np.transpose(merge, (0, 2, 1)) @ right
    scale = np.sqrt(np.einsum("sii->si", small))
    scale[scale == 0] = 1.0
    unit = small / (scale[:, :, np.newaxis] * scale[:, np.newaxis, :])
    dead = np.einsum("sii->si", unit) == 0
    unit = unit + RIDGE * np.eye(1 + count) + np.einsum("si,ij->sij", dead.astype(float), np.eye(1 + count))
    found = np.linalg.solve(unit, (target / scale)[:, :, np.newaxis])[:, :, 0] / scale
    gain = np.sum(found * target, axis=1)
    amplitude = found[:, :1]
    free = states == 1
    inside = (found[:, 1:] * amplitude >= 0) & (np.abs(found[:, 1:]) <= upper * np.abs(amplitude))
    admissible = np.all(inside | ~free, axis=1)
    reached = np.where(admissible, gain, -np.inf)
    size = float(value @ value)
    slack = NOTHING * max(size - float(np.max(reached)), 0.0) + 1e-15 * size
    # of those equally good the one with the fewest free ratios
    good = np.flatnonzero(reached >= np.max(reached) - slack)
    best = int(good[np.lexsort((-reached[good], np.sum(free[good], axis=1)))[0]])
    kept = [0, *(1 + np.flatnonzero(free[best])).tolist()]
    return np.asarray(merge[best][:, kept])
