"""Starting values that cannot fail: a coarse grid of shapes, the linear parameters solved exactly in each."""

from __future__ import annotations

import itertools
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
from scipy.ndimage import minimum_filter

from convergence.fitting.model import Model
from convergence.fitting.projection import projectable, refine

FloatArray = npt.NDArray[np.float64]
IntArray = npt.NDArray[np.int64]

GRID = {"length": 16, "time": 14, "exponent": 5, "share": 4}
"""Grid points by kind of parameter; four a decade is finer than any minimum seen on these laws."""

LARGEST_STARTS = 3
"""Most local minima of the grid that are followed further."""

LARGEST_ENUMERATION = 6
"""Most non-negative ratios for which all active sets are tried, 2^6 = 64 a grid cell."""

RIDGE = 1e-12
"""Added to the normalised normal equations; screening needs few digits, but must not divide by zero."""


@dataclass(frozen=True, eq=False)
class ScreenTable:
    """Bases of a law on a grid of its nonlinear parameters; series with the same readings and paths share it.

    Attributes
    ----------
    shapes : ndarray, shape (g, q)
        Trial values of the nonlinear parameters: the grid, then the law's own starts.
    grid : tuple of int
        Shape of the grid; its cells are the first rows of ``shapes``.
    basis : ndarray, shape (g, s, n, 1 + r)
        Bases, each segment's mean taken off where it has a free offset.
    """

    shapes: FloatArray
    grid: tuple[int, ...]
    basis: FloatArray


def screen_table(model: Model) -> ScreenTable:
    """Compute the bases on the grid for a model."""
    axes = []
    for place in model.nonlinear:
        if not model.free[place]:
            axes.append(np.array([model.held[place]]))
            continue
        low, high, count = float(model.lower[place]), float(model.upper[place]), GRID[model.kinds[place]]
        if low > 0:
            axes.append(np.geomspace(low, high, count))
        else:
            axes.append(np.linspace(low, high, count + 2)[1:-1])
    grid = np.array(list(itertools.product(*axes))).reshape(-1, len(axes))
    own = [
        [start[model.names[place]] if model.free[place] else float(model.held[place]) for place in model.nonlinear]
        for start in model.law.starts(model.width, model.span)
    ]
    shapes = np.concatenate([grid, np.array(own).reshape(-1, len(axes))])
    basis = model.bases(shapes)
    return ScreenTable(shapes, tuple(axis.size for axis in axes), _centred(model, basis, axis=2))


def _centred(model: Model, values: FloatArray, axis: int) -> FloatArray:
    """Take each segment's mean off along the axis of readings, where the segment has a free offset."""
    centred = np.moveaxis(np.array(values), axis, 0)
    for number in model.offset_segments:
        inside = model.segment == number
        centred[inside] -= np.mean(centred[inside], axis=0)
    return np.moveaxis(centred, 0, axis)


def starts(model: Model, table: ScreenTable) -> list[FloatArray]:
    """Choose up to three full parameter sets to start from, the most promising first.

    They are the local minima of the sum of squares over the grid, and the best of the law's own starts where
    that is better still.

    Parameters
    ----------
    model : Model
    table : ScreenTable
        Of this model, or of one with the same readings' times, paths, width and options.

    Returns
    -------
    list of ndarray, shape (p,)
        Within the bounds, held parameters at their values. Never empty.
    """
    value = _centred(model, model.value, axis=0)
    places = model.amplitudes
    free_ratios = np.array([k for k in range(model.ratios.size) if model.free[model.ratios[k]]], dtype=np.int64)
    enumerable = places.size == 1 and bool(model.free[places[0]]) and free_ratios.size <= LARGEST_ENUMERATION
    if enumerable:
        rss, amplitude, ratio = _enumerated(model, table, value, free_ratios)
    else:
        rss, amplitude, ratio = _trial_ratios(model, table, value, free_ratios)
    cells = _chosen_cells(rss, table.grid)
    return [_full(model, table.shapes[cell], amplitude[cell], ratio[cell]) for cell in cells]


def refined_starts(model: Model, table: ScreenTable) -> list[FloatArray]:
    """Follow each start as far as variable projection takes it, and keep the lowest end.

    Parameters
    ----------
    model : Model
    table : ScreenTable
        As in `starts`.

    Returns
    -------
    list of ndarray, shape (p,)
        One set where the projection applies; otherwise the starts as they are. Never empty.
    """
    chosen = starts(model, table)
    if not projectable(model):
        return chosen
    ends = [refine(model, start) for start in chosen]
    return [min(ends, key=lambda end: float(np.sum((model.value - model.modelled(end)) ** 2)))]


def _chosen_cells(rss: FloatArray, grid: tuple[int, ...]) -> list[int]:
    """Local minima of the grid, lowest first, and the best cell outside the grid where it beats them."""
    inside = int(np.prod(grid))
    landscape = rss[:inside].reshape(grid)
    lowest = np.flatnonzero((landscape <= minimum_filter(landscape, size=3, mode="nearest")).ravel())
    ranked = lowest[np.argsort(rss[lowest], kind="stable")][:LARGEST_STARTS].tolist()
    best = int(np.argmin(rss))
    return [best, *ranked][:LARGEST_STARTS] if best not in ranked else ranked


def _held_ratios(model: Model) -> FloatArray:
    """Held ratios at their values, free ones at zero, shape (r,)."""
    values = model.held[model.ratios]
    return np.where(np.isnan(values), 0.0, values)


def _enumerated(
    model: Model, table: ScreenTable, value: FloatArray, free_ratios: IntArray
) -> tuple[FloatArray, FloatArray, FloatArray]:
    r"""Solve each cell exactly for one amplitude A and ratios m_i >= 0.

    With c_i = A m_i the problem is linear, and the condition is that every c_i has the sign of A. Every set
    of non-zero ratios is tried for all cells at once; the best admissible one is the constrained minimum.
    """
    rows = table.basis[:, 0]
    base = rows[:, :, 0] + rows[:, :, 1:] @ _held_ratios(model)
    columns = np.concatenate([base[:, :, np.newaxis], rows[:, :, 1 + free_ratios]], axis=2)
    lengths = np.linalg.norm(columns, axis=1)
    dead = lengths == 0
    columns = columns / np.where(dead, 1.0, lengths)[:, np.newaxis, :]
    gram = np.einsum("gni,gnj->gij", columns, columns)
    right = np.einsum("gni,n->gi", columns, value)
    count = gram.shape[0]
    best = np.full(count, float(value @ value))
    solution = np.zeros(right.shape)
    for taken in itertools.product((False, True), repeat=free_ratios.size):
        use = np.array([0, *(1 + k for k in range(free_ratios.size) if taken[k])], dtype=np.int64)
        small = gram[:, use][:, :, use] + RIDGE * np.eye(use.size)
        found = np.linalg.solve(small, right[:, use, np.newaxis])[:, :, 0]
        admissible = np.all(found * found[:, :1] >= 0, axis=1) & ~dead[:, 0]
        rss = float(value @ value) - np.sum(found * right[:, use], axis=1)
        better = np.flatnonzero(admissible & (rss < best))
        best[better] = rss[better]
        solution[better] = 0.0
        solution[np.ix_(better, use)] = found[better]
    coefficients = solution / np.where(dead, 1.0, lengths)
    amplitude = coefficients[:, :1]
    ratio = np.tile(_held_ratios(model), (count, 1))
    usable = amplitude != 0
    ratio[:, free_ratios] = np.where(usable, coefficients[:, 1:] / np.where(usable, amplitude, 1.0), 0.0)
    return best, amplitude, ratio


def _trial_ratios(
    model: Model, table: ScreenTable, value: FloatArray, free_ratios: IntArray
) -> tuple[FloatArray, FloatArray, FloatArray]:
    """Solve each cell for several amplitudes at a few trial ratios; the product of the two is not linear."""
    held = _held_ratios(model)
    trials = [held]
    for each in free_ratios:
        for size in (0.2, 1.0):
            trial = held.copy()
            trial[each] = size
            trials.append(trial)
    if free_ratios.size > 1:
        trial = held.copy()
        trial[free_ratios] = 0.2
        trials.append(trial)
    known = model.held[model.amplitudes]
    free = np.isnan(known)
    count = table.shapes.shape[0]
    best = np.full(count, np.inf)
    amplitude = np.zeros((count, known.size))
    ratio = np.tile(held, (count, 1))
    for trial in trials:
        columns = np.moveaxis(table.basis @ np.concatenate([[1.0], trial]), 1, 2)
        rest = value - columns[:, :, ~free] @ known[~free]
        used = columns[:, :, free]
        lengths = np.linalg.norm(used, axis=1)
        scale = np.where(lengths == 0, 1.0, lengths)
        used = used / scale[:, np.newaxis, :]
        gram = np.einsum("gni,gnj->gij", used, used) + RIDGE * np.eye(int(free.sum()))
        right = np.einsum("gni,gn->gi", used, rest)
        found = np.linalg.solve(gram, right[:, :, np.newaxis])[:, :, 0]
        rss = np.sum(rest * rest, axis=1) - np.sum(found * right, axis=1)
        better = np.flatnonzero(rss < best)
        best[better] = rss[better]
        ratio[better] = trial
        amplitude[np.ix_(better, np.flatnonzero(~free))] = known[~free]
        amplitude[np.ix_(better, np.flatnonzero(free))] = (found / scale)[better]
    return best, amplitude, ratio


def _full(model: Model, shape: FloatArray, amplitude: FloatArray, ratio: FloatArray) -> FloatArray:
    """Put a full set of parameters together, bring it within the bounds and add the best offsets."""
    parameters = np.zeros(len(model.names))
    parameters[model.amplitudes] = amplitude
    parameters[model.ratios] = ratio
    parameters[model.nonlinear] = shape
    parameters = np.where(model.free, np.clip(parameters, model.lower, model.upper), parameters)
    missing = model.value - model.modelled(parameters)
    for place, number in zip(model.offsets, model.offset_segments, strict=True):
        parameters[place] = np.mean(missing[model.segment == number])
    return parameters
