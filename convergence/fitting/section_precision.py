"""Estimates, standard errors and correlations of many series from the Gram matrices of their fits."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from convergence.fitting.columns import law_columns
from convergence.fitting.gram import Readings
from convergence.fitting.section_fit import Question, State

FloatArray = npt.NDArray[np.float64]
BoolArray = npt.NDArray[np.bool_]


@dataclass(frozen=True, eq=False)
class SectionFits:
    """What is known of the parameters of s sections with m series each.

    The p parameters are the amplitude, those of the law in its order, then an offset for each of k segments.

    Attributes
    ----------
    estimate, standard_error : ndarray, shape (s, m, p)
        nan for a standard error of what is held, at a bound or without effect, and for segments a series lacks.
    correlation : ndarray, shape (s, m, p, p)
        nan likewise.
    information : ndarray, shape (s, m, p, p)
        Products of the derivatives of the readings by the parameters, those of the other series of the section taken
        in where the shape is shared; per unit variance of a reading.
    free, at_bound : ndarray of bool, shape (s, m, p)
        What was to be estimated, and what of it ended on a bound.
    singular : ndarray, shape (s, m, 2)
        Largest and smallest singular value of the scaled derivatives of what was estimated.
    rss : ndarray, shape (s, m)
        Sum of squared residuals of each series [mm^2].
    sigma : ndarray, shape (s, m)
        Standard deviation of a reading [mm], of the whole section where the shape is shared.
    readings, spare : ndarray, shape (s, m)
        Readings of a series; readings less estimated parameters, of the whole section where the shape is shared.
    converged : ndarray of bool, shape (s, m)
    """

    estimate: FloatArray
    standard_error: FloatArray
    correlation: FloatArray
    information: FloatArray
    free: BoolArray
    at_bound: BoolArray
    singular: FloatArray
    rss: FloatArray
    sigma: FloatArray
    readings: FloatArray
    spare: FloatArray
    converged: BoolArray


def section_fits(
    question: Question,
    readings: Readings,
    state: State,
    converged: BoolArray,
    outside: BoolArray,
    sigma: float | None = None,
) -> SectionFits:
    r"""Work out what is reported of fits at their end.

    With J the derivatives of the readings of one series by amplitude, shape, ratios and offsets, all of them
    combinations of the columns whose Gram matrix is at hand, and H_o the Gauss-Newton matrices of the other series of
    the section over a shared shape with their own parameters projected out,

    .. math:: C = \sigma^2 \Big(J^T J + \sum_o H_o\Big)^{-1},

    which is the block of this series in the covariance of the fit of the whole section.

    Parameters
    ----------
    question, readings, state, converged, outside
        As `convergence.fitting.section_fit.fitted` gives them.
    sigma : float, optional
        Standard deviation of a reading [mm]; from the residuals unless given.

    Returns
    -------
    SectionFits
    """
    jacobian, gram, estimate, free, bound = _derivatives(question, readings, state, outside)
    information = jacobian @ gram @ jacobian.swapaxes(-1, -2)
    places = _shape_places(question)
    shapes = state.shapes[:, np.newaxis, :, np.newaxis] * state.shapes[:, np.newaxis, np.newaxis]
    others = (state.bend.sum(axis=1, keepdims=True) - state.bend) / shapes
    information[:, :, np.array(places)[:, np.newaxis], places] += others
    estimated = free & ~bound
    parameters = len(question.law.parameters)
    count = readings.count.reshape(*state.rss.shape, readings.segments).sum(axis=2)
    own = np.where(count > 0, estimated.sum(axis=2) - estimated[:, :, places].sum(axis=2), 0).sum(axis=1)
    spare = count.sum(axis=1) - own - (~outside).sum(axis=1)
    if sigma is None:
        pooled = np.sqrt(state.rss.sum(axis=1) / np.where(spare > 0, spare, np.nan))
    else:
        pooled = np.full(spare.shape, sigma)
    spread = np.broadcast_to(pooled[:, np.newaxis], state.rss.shape)
    error, correlation, singular = _inverted(information, estimated, spread)
    there = np.concatenate([np.ones((*state.rss.shape, parameters), dtype=bool), free[..., parameters:]], axis=2)
    return SectionFits(
        np.where(there, estimate, np.nan),
        error,
        correlation,
        information,
        free,
        bound,
        singular,
        state.rss,
        np.array(spread),
        count,
        np.broadcast_to(spare[:, np.newaxis], state.rss.shape),
        np.broadcast_to(converged[:, np.newaxis], state.rss.shape),
    )


def _shape_places(question: Question) -> list[int]:
    """Places of the free nonlinear parameters among all."""
    names = [parameter.name for parameter in question.law.parameters]
    return [names.index(name) for name in question.names]


def _derivatives(
    question: Question, readings: Readings, state: State, outside: BoolArray
) -> tuple[FloatArray, FloatArray, FloatArray, BoolArray, BoolArray]:
    """Derivatives by the parameters as combinations of columns and offsets, the Gram matrix of those, estimates."""
    weights, shapes = state.linear.weights, state.shapes
    sections, series, size = weights.shape
    law, rows = question.law, readings.segments
    count = readings.count.reshape(sections, series, rows)
    columns = state.moments.gram.shape[-1]
    # the columns are zero at the zero reading of each series
    read = np.any((readings.weight > 0).reshape(sections, -1, rows, readings.weight.shape[2]), axis=2)
    first = np.broadcast_to(np.argmax(read, axis=2), (sections, series))
    distance, elapsed = (np.take_along_axis(each, first, axis=1) for each in (readings.distance, readings.elapsed))
    begun = law_columns(law, distance, elapsed, question.names, shapes, question.held).swapaxes(1, 2)
    begun = begun - state.moments.centre[:, np.newaxis]
    sums = np.broadcast_to(state.moments.sums, (sections, series * rows, columns)).reshape(*count.shape, columns)
    moved = sums - count[..., np.newaxis] * begun[:, :, np.newaxis]
    gram = np.zeros((sections, series, columns + rows, columns + rows))
    share = moved / np.maximum(count, 1.0)[..., np.newaxis]
    gram[..., :columns, :columns] = state.moments.gram + moved.swapaxes(-1, -2) @ share
    gram[..., columns:, :columns], gram[..., :columns, columns:] = moved, moved.swapaxes(-1, -2)
    offsets = np.arange(columns, columns + rows)
    gram[..., offsets, offsets] = count
    amplitude = weights[..., 0]
    ratios = np.divide(weights[..., 1:], amplitude[..., np.newaxis], where=amplitude[..., np.newaxis] != 0,
                       out=np.zeros_like(weights[..., 1:]))  # fmt: skip
    upper = np.array(question.upper)
    ratios = np.where(state.linear.state == 2, upper, np.where(state.linear.state == 0, 0.0, ratios))
    total = len(law.parameters) + rows
    jacobian = np.zeros((sections, series, total, columns + rows))
    estimate = np.zeros((sections, series, total))
    free = np.zeros((sections, series, total), dtype=bool)
    bound = np.zeros_like(free)
    ratio = 0
    for place, parameter in enumerate(law.parameters):
        if parameter.kind == "amplitude":
            jacobian[..., place, 0], jacobian[..., place, 1:size] = 1.0, ratios
            estimate[..., place], free[..., place] = amplitude, True
        elif parameter.kind == "ratio":
            jacobian[..., place, 1 + ratio] = amplitude
            estimate[..., place], free[..., place] = ratios[..., ratio], True
            bound[..., place] = state.linear.state[..., ratio] != 1
            ratio += 1
        elif parameter.name in question.names:
            which = question.names.index(parameter.name)
            begin = (1 + which) * size
            jacobian[..., place, begin : begin + size] = weights / shapes[:, which, np.newaxis, np.newaxis]
            estimate[..., place], free[..., place] = shapes[:, which, np.newaxis], True
            bound[..., place] = outside[:, which, np.newaxis]
        else:
            estimate[..., place] = question.held[parameter.name]
    mean = readings.mean.reshape(count.shape)
    last = len(law.parameters)
    for row in range(rows):
        jacobian[..., last + row, columns + row] = 1.0
        free[..., last + row] = count[..., row] > 0
        modelled = np.einsum("sml,sml->sm", share[..., row, :size], weights)
        estimate[..., last + row] = mean[..., row] - modelled
    return jacobian, gram, estimate, free, bound


def _inverted(
    information: FloatArray, estimated: BoolArray, spread: FloatArray
) -> tuple[FloatArray, FloatArray, FloatArray]:
    """Standard errors, correlations, and the largest and smallest singular value, of what was estimated."""
    length = np.sqrt(np.maximum(np.einsum("smii->smi", information), 0.0))
    live = estimated & (length > 0)
    length = np.where(live, length, 1.0)
    pair = live[..., :, np.newaxis] & live[..., np.newaxis, :]
    unit = np.where(pair, information / (length[..., :, np.newaxis] * length[..., np.newaxis, :]), 0.0)
    size, axes = np.linalg.eigh(unit + np.where(live, 0.0, 1.0)[..., np.newaxis] * np.eye(unit.shape[-1]))
    # a direction that the readings do not see has an infinite error, and rounding may leave it a negative square
    size = np.maximum(size, 1e-18)
    inverse = (axes / size[..., np.newaxis, :]) @ axes.swapaxes(-1, -2)
    root = np.sqrt(np.einsum("smii->smi", inverse))
    error = np.where(live, spread[..., np.newaxis] * root / length, np.nan)
    correlation = np.clip(inverse / (root[..., :, np.newaxis] * root[..., np.newaxis, :]), -1.0, 1.0)
    singular = np.sqrt(size[..., [-1, 0]])
    return error, np.where(pair, correlation, np.nan), singular
