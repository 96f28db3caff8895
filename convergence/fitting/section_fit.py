"""Fits of many sections in numpy alone: shapes shared by the series of a section, or each series for itself."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
from scipy.ndimage import minimum_filter

from convergence.fitting.active_sets import Linear, best_gain, solve_linear
from convergence.fitting.columns import law_columns
from convergence.fitting.gram import Moments, Readings, moments, thinned
from convergence.laws.registry import Law

FloatArray = npt.NDArray[np.float64]
BoolArray = npt.NDArray[np.bool_]
IntArray = npt.NDArray[np.int64]

GRID = {"length": 9, "time": 14, "exponent": 4}
"""Grid points by kind of parameter, evenly in the logarithm between the bounds."""

THIN = 96
"""Epochs of the first look, from which the starts come."""

FOLLOWED = 3
"""Local minima of the grid that are followed on the thinned readings."""

MOST_FIRST, MOST_LAST, MOST_REST = 60, 30, 200
"""Most steps on the thinned readings, on all of them, and again of those that are not at their end by then."""

CLOSE = 1e-9
"""Predicted relative fall of the sum of squares at which a fit is at its end: with 3,000 readings the step to come is
sqrt(1e-9 * 3000) = 0.002 standard errors long."""

CONVERGED = 1e-7
"""The same, at which a fit counts as converged where rounding or the number of steps ended it."""

BLIND = 1e-8
"""A secant correction is left out where the step and what it corrects are closer than this to a right angle."""

LARGEST_STEP, LARGEST_DAMPING = 2.0, 1e10
BLOCK = 400_000
"""Numbers of a table of columns that are worked on at a time, so that they stay near the processor."""


@dataclass(frozen=True, eq=False)
class Question:
    """What is fitted, the same for all sections.

    Attributes
    ----------
    law : Law
        Of the families that `law_columns` knows.
    names : tuple of str, length q
        Free nonlinear parameters.
    held : Mapping of str to float
        The other nonlinear parameters.
    upper : tuple of float, length r
        Upper bound of each ratio.
    """

    law: Law
    names: tuple[str, ...]
    held: Mapping[str, float]
    upper: tuple[float, ...]

    def columns(self, readings: Readings, shapes: FloatArray, slopes: bool = True) -> FloatArray:
        """Columns and slopes of the law at the epochs of the readings, see `law_columns`."""
        return law_columns(self.law, readings.distance, readings.elapsed, self.names, shapes, self.held, slopes)


@dataclass(frozen=True, eq=False)
class State:
    """Where the fits of some sections stand.

    Attributes
    ----------
    shapes : ndarray, shape (s, q)
        Nonlinear parameters.
    moments : Moments
    linear : Linear
    rss : ndarray, shape (s, m)
        Sum of squared residuals of each series [mm^2].
    push, bend : ndarray, shape (s, q) and (s, m, q, q)
        Half the downhill gradient over the logarithms of the shapes, and what each series adds to the Gauss-Newton
        matrix with its linear parameters projected out.
    """

    shapes: FloatArray
    moments: Moments
    linear: Linear
    rss: FloatArray
    push: FloatArray
    bend: FloatArray

    def put(self, rows: IntArray, other: State, chosen: BoolArray) -> None:
        """Overwrite some sections with another state of them."""
        into = rows[chosen]
        for mine, its in (
            *((getattr(self, name), getattr(other, name)) for name in ("shapes", "rss", "push", "bend")),
            *((getattr(self.moments, name), getattr(other.moments, name)) for name in _MOMENTS),
            *((getattr(self.linear, name), getattr(other.linear, name)) for name in _LINEAR),
        ):
            mine[into] = its[chosen]


_MOMENTS = ("gram", "right", "sums", "centre")
_LINEAR = ("weights", "gain", "state", "inverse")


def evaluated(question: Question, readings: Readings, shapes: FloatArray) -> State:
    r"""Solve the linear parameters at given shapes, and give the derivative of what is left by the shapes.

    With w the linear parameters and P the projection off the columns in use, Kaufman's derivative of the residuals is

    .. math:: \partial r / \partial \ln\theta_j \approx -P^\perp \sum_i w_i D_{ji},

    and its products with itself and with the residuals follow from the Gram matrix of all columns.

    Parameters
    ----------
    question : Question
    readings : Readings
        Of s sections.
    shapes : ndarray, shape (s, q)

    Returns
    -------
    State

    References
    ----------
    .. [1] G. H. Golub and V. Pereyra 1973, and L. Kaufman 1975, on separable least squares; from memory.
    """
    found = moments(readings, question.columns(readings, shapes))
    count, size = shapes.shape[1], 1 + len(question.upper)
    linear = solve_linear(found.gram[..., :size, :size], found.right[..., :size], readings.square, question.upper)
    weights = linear.weights
    rss = np.maximum(readings.square - linear.gain, 0.0)
    # products of the columns with the residuals, and of the slopes with everything
    rest = found.right - (found.gram[..., :size] @ weights[..., np.newaxis])[..., 0]
    shape = rest.shape[:2]
    push = (rest[..., size:].reshape(*shape, count, size) @ weights[..., np.newaxis])[..., 0]
    steep = np.zeros((*shape, (1 + count) * size, count))
    for place in range(count):
        first = (1 + place) * size
        steep[..., first : first + size, place] = weights
    seen = found.gram @ steep
    across = seen[..., :size, :]
    bend = steep.swapaxes(-1, -2) @ seen - across.swapaxes(-1, -2) @ (linear.inverse @ across)
    return State(np.array(shapes), found, linear, rss, push.sum(axis=1), bend)


def _blocks(readings: Readings, columns: int) -> list[IntArray]:
    """Sections in portions whose columns stay near the processor."""
    sections, epochs = readings.distance.shape
    each = max(1, BLOCK // max(epochs * columns, 1))
    return [np.arange(first, min(first + each, sections)) for first in range(0, sections, each)]


def screened(question: Question, readings: Readings, low: FloatArray, high: FloatArray, shared: bool) -> FloatArray:
    """Choose starts on a grid of shapes, the linear parameters solved exactly in each cell.

    Parameters
    ----------
    question : Question
    readings : Readings
        Thinned.
    low, high : ndarray, shape (s, q)
        Bounds of the shapes in each section.
    shared : bool
        Whether the series of a section share the shape.

    Returns
    -------
    ndarray, shape (s, 1 or m, FOLLOWED, q)
        The lowest local minima; the lowest again where there is but one.
    """
    kinds = {parameter.name: parameter.kind for parameter in question.law.parameters}
    counts = [GRID[kinds[name]] for name in question.names]
    shares = np.stack(np.meshgrid(*(np.linspace(0.0, 1.0, count) for count in counts), indexing="ij"), axis=-1)
    shares = shares.reshape(-1, len(counts))
    cells = []
    for share in shares:
        found = moments(readings, question.columns(readings, low * (high / low) ** share, slopes=False))
        missing = readings.square - best_gain(found.gram, found.right, readings.square, question.upper)
        cells.append(missing.sum(axis=1, keepdims=True) if shared else missing)
    landscape = np.stack(cells, axis=-1)
    table = landscape.reshape(*landscape.shape[:2], *counts)
    lowest = minimum_filter(table, size=(1, 1, *(3 for _ in counts)), mode="nearest").reshape(landscape.shape)
    ranked = np.argsort(np.where(landscape <= lowest, landscape, np.inf), axis=-1, kind="stable")[..., :FOLLOWED]
    is_minimum = np.take_along_axis(landscape <= lowest, ranked, axis=-1)
    ranked = np.where(is_minimum, ranked, ranked[..., :1])
    picked = shares[ranked]
    return np.asarray(low[:, np.newaxis, np.newaxis] * (high / low)[:, np.newaxis, np.newaxis] ** picked)


def descended(
    question: Question, readings: Readings, start: FloatArray, low: FloatArray, high: FloatArray, most: int
) -> tuple[State, BoolArray]:
    """Walk to the minimum over the shapes, all sections at once, each with a damping of its own.

    Parameters
    ----------
    question : Question
    readings : Readings
    start : ndarray, shape (s, q)
    low, high : ndarray, shape (s, q)
        Bounds.
    most : int
        Most steps.

    Returns
    -------
    state : State
        At the end.
    converged : ndarray of bool, shape (s,)
    """
    state = evaluated(question, readings, start)
    damping = np.full(start.shape[0], 1e-3)
    growth = np.full(start.shape[0], 2.0)
    promised = np.full(start.shape[0], np.inf)
    curve = np.zeros((*start.shape, start.shape[1]))
    walking = np.arange(start.shape[0])
    total = state.rss.sum(axis=1)
    floor = 1e-15 * readings.square.sum(axis=1)
    for _ in range(most):
        step, fall, promise = _step(state, curve, walking, damping[walking], low, high)
        promised[walking] = promise
        goes = promise > CLOSE * total[walking] + 1e-2 * floor[walking]
        walking, step, fall = walking[goes], step[goes], fall[goes]
        if walking.size == 0:
            break
        trial = np.clip(state.shapes[walking] * np.exp(step), low[walking], high[walking])
        candidate = evaluated(question, readings.of(walking), trial)
        taken = np.log(trial / state.shapes[walking])
        curve[walking] = _corrected(curve[walking], state.push[walking] - candidate.push, candidate.bend, taken)
        new = candidate.rss.sum(axis=1)
        better = new < total[walking]
        share = np.where(fall > 0, (total[walking] - new) / np.where(fall > 0, fall, 1.0), 0.0)
        shrunk = np.maximum(damping[walking] * np.maximum(0.1, 1 - (2 * share - 1) ** 3), 1e-12)
        damping[walking] = np.where(better, shrunk, damping[walking] * growth[walking])
        growth[walking] = np.where(better, 2.0, growth[walking] * 2.0)
        state.put(walking, candidate, better)
        total[walking] = np.where(better, new, total[walking])
        walking = walking[damping[walking] < LARGEST_DAMPING]
    return state, promised <= CONVERGED * total + floor


def _corrected(curve: FloatArray, change: FloatArray, bend: FloatArray, step: FloatArray) -> FloatArray:
    r"""Correct what the Gauss-Newton matrices lack of the second derivative, by a symmetric secant of rank one.

    .. math:: S \leftarrow S + \frac{e e^T}{e^T d}, \qquad e = g_1 - g_0 - (J_1^T J_1 + S) d,

    with the gradients g at both ends of the step d. The residuals are noise and not zero; without it the steps
    overshoot or creep.
    """
    missing = change - ((bend.sum(axis=1) + curve) @ step[..., np.newaxis])[..., 0]
    shadow = np.einsum("sj,sj->s", missing, step)
    sizes = np.linalg.norm(missing, axis=1) * np.linalg.norm(step, axis=1)
    clear = np.abs(shadow) > BLIND * sizes
    added = (
        missing[:, :, np.newaxis] * missing[:, np.newaxis] / np.where(clear, shadow, np.inf)[:, np.newaxis, np.newaxis]
    )
    return np.asarray(curve + added)


def _step(
    state: State, curve: FloatArray, rows: IntArray, damping: FloatArray, low: FloatArray, high: FloatArray
) -> tuple[FloatArray, FloatArray, FloatArray]:
    """Damped step in the logarithms, the fall of the sum of squares it promises, and that of the plain step."""
    push = np.where(outward(state, low, high)[rows], 0.0, state.push[rows])
    still = outward(state, low, high)[rows]
    bend = np.where(still[:, :, np.newaxis] | still[:, np.newaxis], 0.0, state.bend[rows].sum(axis=1))
    length = np.sqrt(np.einsum("sii->si", bend))
    dead = length == 0
    length = np.where(dead, 1.0, length)
    curved = bend + np.where(still[:, :, np.newaxis] | still[:, np.newaxis], 0.0, curve[rows])
    size, axes = np.linalg.eigh(curved / (length[:, :, np.newaxis] * length[:, np.newaxis]))
    size = np.abs(size) + 1e-14
    along = np.einsum("sji,sj->si", axes, np.where(dead, 0.0, push / length))
    part = along / (size + damping[:, np.newaxis])
    step = np.clip(np.einsum("sij,sj->si", axes, part) / length, -LARGEST_STEP, LARGEST_STEP)
    # what the readings see less than rounding promises nothing
    plain = np.sum(np.where(size > 1e-12, along**2 / size, 0.0), axis=1)
    return step, np.sum((2 * along - size * part) * part, axis=1), plain


def outward(state: State, low: FloatArray, high: FloatArray) -> BoolArray:
    """Shapes on a bound that the readings push outwards, shape (s, q)."""
    return ((state.shapes <= low) & (state.push <= 0)) | ((state.shapes >= high) & (state.push >= 0))


def fitted(
    question: Question, readings: Readings, low: FloatArray, high: FloatArray, shared: bool
) -> tuple[Readings, State, BoolArray, BoolArray]:
    """Fit all sections.

    Parameters
    ----------
    question : Question
    readings : Readings
    low, high : ndarray, shape (s, m, q)
        Bounds of the shapes for each series; shared shapes have the widest of a section.
    shared : bool
        Whether the series of a section share the shape; otherwise each series is a section of its own in what is
        given back.

    Returns
    -------
    readings : Readings
        What was fitted: as given, or each series apart.
    state : State
    converged : ndarray of bool, shape (s,) or (s m,)
    outside : ndarray of bool, shape as state.shapes
        Shapes on a bound that the readings push outwards.
    """
    first = thinned(readings, THIN)
    lowest, highest = low.min(axis=1), high.max(axis=1)
    sizes = (1 + len(question.names)) * (1 + len(question.upper))
    parts = [screened(question, first.of(rows), lowest[rows], highest[rows], shared) for rows in _blocks(first, sizes)]
    starts = np.concatenate(parts)
    if shared:
        low, high = lowest, highest
    else:
        readings, first = readings.apart(), first.apart()
        low, high = low.reshape(-1, low.shape[2]), high.reshape(-1, high.shape[2])
    starts = starts.reshape(-1, FOLLOWED, low.shape[1])
    starts = np.clip(starts, low[:, np.newaxis], high[:, np.newaxis])
    chosen = np.empty_like(starts[:, 0])
    for rows in _blocks(first, sizes):
        twice = np.repeat(rows, FOLLOWED)
        start = starts[rows].reshape(twice.size, -1)
        end = descended(question, first.of(twice), start, low[twice], high[twice], MOST_FIRST)[0]
        best = np.argmin(end.rss.sum(axis=1).reshape(-1, FOLLOWED), axis=1)
        chosen[rows] = end.shapes.reshape(rows.size, FOLLOWED, -1)[np.arange(rows.size), best]
    states, converged = [], []
    for rows in _blocks(readings, sizes):
        state, done = descended(question, readings.of(rows), chosen[rows], low[rows], high[rows], MOST_LAST)
        states.append(state)
        converged.append(done)
    state, settled = joined(states), np.concatenate(converged)
    # the few on a long valley go on together, afresh
    rest = np.flatnonzero(~settled)
    if rest.size:
        further, settled[rest] = descended(
            question, readings.of(rest), state.shapes[rest], low[rest], high[rest], MOST_REST
        )
        state.put(rest, further, np.ones(rest.size, dtype=np.bool_))
    return readings, state, settled, outward(state, low, high)


def joined(states: Sequence[State]) -> State:
    """Put the states of portions of the sections together."""

    def put(pieces: Sequence[object], names: Sequence[str]) -> list[FloatArray]:
        return [np.concatenate([getattr(piece, name) for piece in pieces]) for name in names]

    found = Moments(*put([state.moments for state in states], _MOMENTS))
    linears = [state.linear for state in states]
    weights, gain, inverse = put(linears, ("weights", "gain", "inverse"))
    linear = Linear(weights, gain, np.concatenate([each.state for each in linears]), inverse)
    shapes, rss, push, bend = put(states, ("shapes", "rss", "push", "bend"))
    return State(shapes, found, linear, rss, push, bend)
