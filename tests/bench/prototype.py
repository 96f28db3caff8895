"""A hundred-line prototype of a pooled projection, to be beaten: the hereditary form, one shape for the whole tunnel.

    y(t) = sum_k A_k [G_k(t) - G_k(t_0)] + c,   G_k = L(x_k(t); X) + m M_k(t; X, tau)

X, m and tau are those of all chords of the tunnel, A_k and c of each one; least squares on a grid of shapes, refined
once about the best. The band is that of least squares with independent errors: the shapes weighted by exp(-S / 2 s^2),
each with the variance of its amplitudes. A stage that has not passed yet takes the median of A_k / A_1 of the others.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
from scipy.special import ndtri

from convergence.hindcasting.baselines import Forecast
from convergence.laws import FacePath, hereditary_bases
from convergence.measures.series import Series

Floats = npt.NDArray[np.float64]

#: First grid: influence lengths in tunnel widths, retardation times [days], creep ratios.
LENGTHS, TIMES = np.geomspace(0.2, 2.0, 9), np.geomspace(1.0, 150.0, 6)
RATIOS = np.array([0.0, 0.1, 0.2, 0.4, 0.8, 1.6, 3.2])
FACE_SHARE = 0.27
#: Readings are taken together by so many days.
STEP = 0.5


@dataclass(frozen=True)
class Curve:
    """One series, its readings taken together; face paths with the plan; the day asked for."""

    key: tuple[str, str]
    time: Floats
    value: Floats
    segment: npt.NDArray[np.int64]
    paths: tuple[FacePath, ...]
    passed: tuple[bool, ...]
    day: float
    width: float


@dataclass(frozen=True)
class Fit:
    """One curve on every shape (s): misfit, amplitudes, their covariance over the error's, movement to come a stage."""

    misfit: Floats
    amplitude: Floats
    covariance: Floats
    reach: Floats


def curve_of(series: Series, paths: Mapping[str, FacePath], day: float) -> Curve:
    """A series made ready; the zero reading stands alone."""
    label = np.floor((series.time - series.time[0]) / STEP).astype(np.int64) * 100 + series.segment
    label[0] = -1
    _, place, count = np.unique(label, return_inverse=True, return_counts=True)
    time, value = (np.bincount(place, each) / count for each in (series.time, series.value))
    segment = np.round(np.bincount(place, series.segment) / count).astype(np.int64)
    order = np.argsort(time)
    known = tuple(paths[name] for name in series.paths)
    passed = tuple(
        number == 0 or float(path.at(series.time[-1])) > 0.5 * series.width for number, path in enumerate(known)
    )
    key = (series.section, series.label)
    return Curve(key, time[order], value[order], segment[order], known, passed, day, series.width)


def shared_shape(curves: Sequence[Curve], confidence: float) -> dict[tuple[str, str], Forecast]:
    """Forecasts of all curves with at least two readings after the zero reading."""
    usable = [curve for curve in curves if len(curve.time) > 2]
    if not usable:
        return {}
    lengths, times, ratios = LENGTHS * usable[0].width, TIMES, RATIOS
    for refinement in range(2):
        fits = [fit_curve(curve, lengths, times, ratios) for curve in usable]
        misfit = np.sum([fit.misfit for fit in fits], axis=0)
        if refinement == 0:
            place = np.unravel_index(int(np.argmin(misfit)), (len(lengths), len(times), len(ratios)))
            best = lengths[place[0]], times[place[1]], ratios[place[2]]
            lengths = best[0] * np.geomspace(0.75, 1.33, 9)
            times = best[1] * np.geomspace(0.5, 2.0, 5)
            ratios = np.maximum(best[2], 0.05) * np.array([0.0, 0.5, 0.7, 0.85, 1.0, 1.2, 1.5, 2.0])
    readings = sum(len(curve.time) for curve in usable)
    spare = max(readings - 3 - sum(sum(curve.passed) + 1 for curve in usable), 1)
    variance = float(misfit.min()) / spare
    weight = np.exp(-0.5 * (misfit - misfit.min()) / variance)
    weight /= weight.sum()
    later = later_ratios(usable, fits, int(np.argmax(weight)))
    found = {}
    for curve, fit in zip(usable, fits, strict=True):
        whole = fit.reach.copy()
        # what is still to pass moves with the amplitude of the first stage
        coming = sum(later[number] * whole[:, number] for number, ok in enumerate(curve.passed) if not ok)
        slope = whole[:, list(curve.passed)]
        slope[:, 0] = slope[:, 0] + coming
        mean = np.einsum("sk,sk->s", fit.amplitude, slope)
        spread = variance * np.einsum("sk,skl,sl->s", slope, fit.covariance, slope)
        middle = float(weight @ mean)
        deviation = float(np.sqrt(weight @ (spread + (mean - middle) ** 2)))
        reach = float(ndtri(0.5 + confidence / 2)) * deviation
        found[curve.key] = Forecast(middle, middle - reach, middle + reach)
    return found


def fit_curve(curve: Curve, lengths: Floats, times: Floats, ratios: Floats) -> Fit:
    """Least squares of one curve on every shape of a grid."""
    asked = np.append(curve.time, curve.day)
    stages = []
    for path in curve.paths:
        bases = hereditary_bases(path, asked, lengths, FACE_SHARE, tuple(times))
        mixed = bases[:, None, None, :, 0] + ratios[None, None, :, None] * bases.transpose(0, 2, 1)[:, 1:, None, :]
        stages.append(mixed.reshape(-1, len(asked)))
    moved = np.stack(stages, axis=2)
    moved = moved - moved[:, :1]
    own = moved[:, :-1, list(curve.passed)]
    offsets = (curve.segment[:, None] == np.unique(curve.segment)).astype(float)
    design = np.concatenate([own, np.broadcast_to(offsets, (len(own), *offsets.shape))], axis=2)
    count = own.shape[2]
    gram = np.einsum("snp,snq->spq", design, design) + 1e-9 * np.eye(design.shape[2])
    inverse = np.linalg.inv(gram)
    solution = np.einsum("spq,snq,n->sp", inverse, design, curve.value)
    residual = curve.value - np.einsum("snp,sp->sn", design, solution)
    return Fit((residual**2).sum(axis=1), solution[:, :count], inverse[:, :count, :count], moved[:, -1])


def later_ratios(curves: Sequence[Curve], fits: Sequence[Fit], best: int) -> Floats:
    """Median of A_k / A_1 where both stages have passed; 0 where none has shown it."""
    most = max(len(curve.paths) for curve in curves)
    found = np.zeros(most)
    for stage in range(1, most):
        shares = []
        for curve, fit in zip(curves, fits, strict=True):
            if len(curve.passed) > stage and curve.passed[stage]:
                first, own = fit.amplitude[best, 0], fit.amplitude[best, sum(curve.passed[:stage])]
                shares.append(own / first if abs(first) > 1.0 else 0.0)
        found[stage] = float(np.clip(np.median(shares), 0.0, 2.0)) if shares else 0.0
    return found
