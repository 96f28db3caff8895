"""Variable projection: linear parameters are solved exactly for each trial of the others."""

from __future__ import annotations

import itertools
from dataclasses import dataclass
from functools import lru_cache

import numpy as np
import numpy.typing as npt

from convergence.fitting.model import Model

FloatArray = npt.NDArray[np.float64]
IntArray = npt.NDArray[np.int64]
BoolArray = npt.NDArray[np.bool_]

LARGEST_RATIOS = 4
"""Most free ratios for which every active set is tried: 3^4 = 81 small systems a trial."""

LARGEST_ITERATIONS = 100
LARGEST_DAMPING = 1e10
CLOSE = 1e-15
"""Predicted relative fall of the sum of squares below which there is nothing left to gain but rounding."""

LARGEST_STEP = 3.0
"""Largest step in a logarithm: a factor of e cubed."""

BLIND = 1e-8
"""A secant correction is left out where the step and what it corrects are closer than this to a right angle."""

NOTHING = 1e-10
"""A ratio whose release lowers the sum of squares by less than this share of it is left on its bound."""

RIDGE = 1e-13
"""Added to the normalised normal equations to compare active sets; the chosen set is solved again by QR."""

SMALL_PART = 0.3
"""A leading stage with a part smaller than this, relative to the largest, gives the lead away."""


@dataclass(frozen=True, eq=False)
class Trial:
    """The best linear parameters at one set of nonlinear ones.

    Attributes
    ----------
    parameters : ndarray, shape (p,)
    shares : ndarray, shape (s,)
        Amplitude of each stage in that of the leading one.
    lead : int
        The leading stage.
    residual : ndarray, shape (n,)
        Observed minus modelled [mm].
    jacobian : ndarray, shape (n, q + s - 1)
        Kaufman's derivative of the modelled readings by the free nonlinear parameters, those above zero in their
        logarithm, then by the shares of all stages but the leading one.
    rss : float
        Sum of squared residuals [mm^2].
    """

    parameters: FloatArray
    shares: FloatArray
    lead: int
    residual: FloatArray
    jacobian: FloatArray
    rss: float


def projectable(model: Model) -> bool:
    """Tell whether variable projection applies: all amplitudes free, few free ratios.

    Without a free ratio several amplitudes are linear as they stand, and there is no valley to get lost in.
    """
    count = int(np.sum(model.free[model.ratios]))
    every = model.amplitudes.size >= 1 and bool(np.all(model.free[model.amplitudes]))
    return every and count <= LARGEST_RATIOS and (model.amplitudes.size == 1 or count > 0)


def refine(model: Model, start: FloatArray) -> FloatArray:
    r"""Walk from a start to the minimum over the nonlinear parameters alone.

    With the shares :math:`\rho_s = A_s / A` of the stages in the amplitude A of a leading one and with
    :math:`c_i = A m_i`,

    .. math:: v = A B_0(\theta, \rho) + \sum_i c_i B_i(\theta, \rho) + z, \qquad
              B_i(\theta, \rho) = \sum_s \rho_s B_{is}(\theta),

    is linear in A, c and the offsets, and the bounds 0 <= m_i <= M are 0 <= c_i / A <= M. Each ratio is at zero, free,
    or at M; every such set is tried and the best admissible one is the exact solution. The sum of squares is then a
    function of theta and rho only, with a continuous derivative, and the derivative of the residuals is that of
    Kaufman,

    .. math:: \partial r / \partial\theta_k \approx -P^\perp (\partial\Phi/\partial\theta_k)\, c,

    with P the projection off the columns in use. What its square lacks of the second derivative is gathered from the
    gradients at the ends of the steps; without that the steps overshoot, because the residuals are noise and not zero.
    In this form amplitudes and creep cannot run away along the valley A -> 0, m -> infinity that a steady advance
    leaves, where a solver in A and m creeps for thousands of steps.

    The leading stage is the one with the largest part in the modelled readings. Another one takes over where its part
    gets small, so that its amplitude is never near zero unless all are.

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
    .. [2] J. E. Dennis, D. M. Gay and R. E. Welsch 1981, on gathering the second derivative in nonlinear least squares;
       from memory. The correction of rank one is a simpler one than theirs.
    """
    trial = solved(model, start, start[model.amplitudes])
    curve = np.zeros((trial.jacobian.shape[1],) * 2)
    damping, growth = 1e-3, 2.0
    for _ in range(LARGEST_ITERATIONS):
        step, fall = _step(model, trial, curve, damping)
        if fall <= CLOSE * trial.rss:
            break
        candidate, taken = _stepped(model, trial, step)
        curve = _corrected(curve, trial, candidate, taken)
        if candidate.rss < trial.rss:
            share = (trial.rss - candidate.rss) / fall
            damping, growth = max(damping * max(0.1, 1 - (2 * share - 1) ** 3), 1e-12), 2.0
            trial = candidate
        else:
            damping, growth = damping * growth, growth * 2
            if damping > LARGEST_DAMPING:
                break
    return trial.parameters


def _step(model: Model, trial: Trial, curve: FloatArray, damping: float) -> tuple[FloatArray, float]:
    """Damped Newton step, those pushed out of their bounds left alone, and the fall of the rss it promises."""
    push = trial.jacobian.T @ trial.residual
    bend = trial.jacobian.T @ trial.jacobian
    places = moving_places(model)
    shape, outward = trial.parameters[places], push[: places.size]
    out = np.zeros(push.size, dtype=bool)
    at_low, at_high = shape <= model.lower[places], shape >= model.upper[places]
    out[: places.size] = (at_low & (outward <= 0)) | (at_high & (outward >= 0))
    step = np.zeros(push.size)
    live = np.flatnonzero(~out & (np.diag(bend) > 0))
    if live.size == 0:
        return step, 0.0
    lengths = np.sqrt(np.diag(bend)[live])
    unit = (bend + curve)[np.ix_(live, live)] / np.outer(lengths, lengths)
    size, axes = np.linalg.eigh(unit)
    size = np.abs(size) + 1e-14
    along = axes.T @ (push[live] / lengths)
    part = along / (size + damping)
    step[live] = axes @ part / lengths
    return step, float(np.sum((2 * along - size * part) * part))


def _stepped(model: Model, trial: Trial, step: FloatArray) -> tuple[Trial, FloatArray]:
    """Take a step, cut at the bounds and in the logarithms; give also what was taken of it."""
    places, log = moving_places(model), logarithmic(model)
    shape, taken = trial.parameters[places], step.copy()
    cut = np.where(log, np.clip(step[: places.size], -LARGEST_STEP, LARGEST_STEP), step[: places.size])
    moved = np.where(log, shape * np.exp(np.where(log, cut, 0.0)), shape + cut)
    moved = np.clip(moved, model.lower[places], model.upper[places])
    taken[: places.size] = np.where(log, np.log(np.where(log, moved / shape, 1.0)), moved - shape)
    parameters, shares = trial.parameters.copy(), trial.shares.copy()
    parameters[places] = moved
    shares[np.arange(shares.size) != trial.lead] += step[places.size :]
    return solved(model, parameters, shares, trial.lead), taken


def _corrected(curve: FloatArray, old: Trial, new: Trial, step: FloatArray) -> FloatArray:
    r"""Correct what the Gauss-Newton matrix lacks of the second derivative, by a symmetric secant of rank one.

    .. math:: S \leftarrow S + \frac{e e^T}{e^T d}, \qquad e = g_1 - g_0 - (J_1^T J_1 + S) d,

    with the gradients g at both ends of the step d. Where the leading stage has changed the old coordinates are gone.
    """
    if new.lead != old.lead:
        return np.zeros(curve.shape)
    change = old.jacobian.T @ old.residual - new.jacobian.T @ new.residual
    missing = change - (new.jacobian.T @ new.jacobian + curve) @ step
    shadow = float(missing @ step)
    if abs(shadow) <= BLIND * float(np.linalg.norm(missing) * np.linalg.norm(step)):
        return curve
    return np.asarray(curve + np.outer(missing, missing) / shadow)


def moving_places(model: Model) -> IntArray:
    """Places of the free nonlinear parameters among all."""
    return np.asarray(model.nonlinear[model.free[model.nonlinear]])


def logarithmic(model: Model) -> BoolArray:
    """Which of the free nonlinear parameters are stepped in their logarithm."""
    return np.asarray(model.lower[moving_places(model)] > 0)


def solved(model: Model, parameters: FloatArray, shares: FloatArray, lead: int | None = None) -> Trial:
    """Solve the linear parameters at nonlinear ones and at amplitudes given in proportion.

    Parameters
    ----------
    model : Model
    parameters : ndarray, shape (p,)
        The nonlinear ones, and ratios to judge by which stage leads.
    shares : ndarray, shape (s,)
        In proportion to the amplitudes.
    lead : int, optional
        The stage that leads as long as its part in the modelled readings is not small.

    Returns
    -------
    Trial
    """
    basis, slopes = model.slopes(parameters[model.nonlinear])
    if shares.size > 1:
        lead = _leading(model, basis @ np.concatenate([[1.0], parameters[model.ratios]]), shares, lead)
    else:
        lead = 0
    shares = shares / shares[lead] if shares[lead] != 0 else np.eye(shares.size)[lead]
    merged = np.tensordot(shares, basis, axes=1)
    free_ratios = np.flatnonzero(model.free[model.ratios])
    held = np.where(np.isnan(model.held[model.ratios]), 0.0, model.held[model.ratios])
    columns = np.column_stack([merged[:, 0] + merged[:, 1:] @ held, merged[:, 1 + free_ratios]])
    rows = model.ratios[free_ratios]
    upper = model.upper[rows]
    merge = _best_set(_centred(model, columns), _centred(model, model.value), upper)
    used = np.column_stack([columns @ merge, model.indicators])
    orthogonal, triangle = np.linalg.qr(used)
    target = orthogonal.T @ model.value
    scale = np.linalg.norm(used, axis=0)
    solution = np.linalg.lstsq(triangle / np.where(scale == 0, 1.0, scale), target, rcond=1e-13)[0]
    solution = solution / np.where(scale == 0, 1.0, scale)
    weights = merge @ solution[: merge.shape[1]]
    full = parameters.copy()
    amplitude = weights[0]
    full[model.amplitudes] = amplitude * shares
    ratios = weights[1:] / amplitude if amplitude != 0 else np.zeros(rows.size)
    # exactly on the bound where the set says so; rounding must not leave an estimate beside it
    full[rows] = np.where(ratios > upper * (1 - 1e-12), upper, np.where(ratios < 1e-300, 0.0, ratios))
    full[model.offsets] = solution[merge.shape[1] :]
    residual = model.value - used @ solution
    whole = np.concatenate([[1.0], full[model.ratios]]) * amplitude
    places = moving_places(model)
    stretch = np.where(logarithmic(model), full[places], 1.0)
    steep = np.tensordot(shares, slopes[model.free[model.nonlinear]] @ whole, axes=(0, 1)) * stretch[:, np.newaxis]
    others = np.arange(shares.size) != lead
    bend = np.concatenate([steep, basis[others] @ whole]).T
    jacobian = bend - orthogonal @ (orthogonal.T @ bend)
    return Trial(full, shares, lead, residual, jacobian, float(residual @ residual))


def _leading(model: Model, columns: FloatArray, shares: FloatArray, lead: int | None) -> int:
    """Choose the stage with the largest part in the modelled readings, or keep the present one.

    Parameters
    ----------
    model : Model
    columns : ndarray, shape (s, n)
        Modelled movement of each stage per unit amplitude.
    shares : ndarray, shape (s,)
    lead : int or None
    """
    part = np.linalg.norm(_centred(model, columns.T), axis=0)
    if np.any(part * shares != 0):
        part = part * np.abs(shares)
    largest = int(np.argmax(part))
    return largest if lead is None or part[lead] < SMALL_PART * part[largest] else lead


def _centred(model: Model, values: FloatArray) -> FloatArray:
    """Take each segment's mean off, where the segment has a free offset."""
    counts = np.sum(model.indicators, axis=0)
    return np.asarray(values - model.indicators @ ((model.indicators.T @ values).T / counts).T)


@lru_cache(maxsize=8)
def _merges(upper: tuple[float, ...]) -> tuple[BoolArray, FloatArray]:
    """Which ratios are free in each set, shape (g, r), and how it merges the columns, shape (g, 1 + r, 1 + r).

    Each ratio is at zero, free or at its upper bound. The amplitude's column takes those at their upper bound with it;
    ratios not free have a dead column.
    """
    count = len(upper)
    states = np.array(list(itertools.product((0, 1, 2), repeat=count)), dtype=np.int64).reshape(3**count, count)
    merge = np.zeros((states.shape[0], 1 + count, 1 + count))
    merge[:, 0, 0] = 1.0
    inner = np.arange(1, 1 + count)
    merge[:, inner, 0] = np.where(states == 2, np.array(upper), 0.0)
    merge[:, inner, inner] = states == 1
    return states == 1, merge


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
    free, merge = _merges(tuple(upper.tolist()))
    turned = np.transpose(merge, (0, 2, 1))
    small = turned @ (columns.T @ columns) @ merge
    target = turned @ (columns.T @ value)
    scale = np.sqrt(np.einsum("sii->si", small))
    dead = scale == 0
    scale[dead] = 1.0
    unit = small / (scale[:, :, np.newaxis] * scale[:, np.newaxis, :])
    unit += (RIDGE + dead)[:, :, np.newaxis] * np.eye(1 + count)
    found = np.linalg.solve(unit, (target / scale)[:, :, np.newaxis])[:, :, 0] / scale
    gain = np.sum(found * target, axis=1)
    amplitude = found[:, :1]
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
