"""How far a ring has closed by its prisms: the equal part of their movement, and what came before they were fixed."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
from scipy.optimize import isotonic_regression

from convergence.laws.arrays import FloatArray, floats
from convergence.lining.back_analysis_data import SectionData
from convergence.lining.back_analysis_model import SectionModel
from convergence.lining.design import design_ground
from convergence.lining.release import PROFILES, movement_share
from convergence.projection.result import SectionProjection

TOGETHER = 2.0
"""Prisms whose zero readings lie within so many days of the first one count as one array."""
TIMES = 60
SLOW = 3.0
"""Days after the zero reading from which a day's readings are taken together."""


@dataclass(frozen=True)
class ClosureHistory:
    """Equal closure of a ring by its prisms.

    Attributes
    ----------
    time : ndarray, shape (times,)
        Days since the job's epoch, from the zero reading to the last one.
    closure : ndarray, shape (times,)
        Equal inward movement since the zero reading [mm]; never falling where it does not fall by more than its error.
    error : float
        Its standard error [mm], from noise or from what the shapes leave, whichever is more.
    lost, lost_error : float
        Equal movement lost before the zero reading, by the projection, and its standard deviation [mm].
    left_out : tuple of str
        Prisms that could not be used, with the reason.
    refused : str
        Why there is no closure; empty where there is one.
    """

    time: FloatArray
    closure: FloatArray
    error: float
    lost: float
    lost_error: float
    left_out: tuple[str, ...]
    refused: str = ""


def closure_shapes(angles: npt.ArrayLike) -> FloatArray:
    """Transverse movements and settlements of points for equal closure, oval closure, sinking and a sideways shift.

    Oval: inward cos 2t and, along the wall, a quarter of sin 2t, as an elastic wall between free and bonded shows it.

    Parameters
    ----------
    angles : array_like, shape (points,)
        From the horizontal on the right [rad].

    Returns
    -------
    ndarray, shape (2 points, 4)
        Transverse movements first.

    Examples
    --------
    Crown (pi/2): equal closure (0, 1), oval (0, -1), sinking (0, 1), shift (1, 0).

    References
    ----------
    .. [1] Geometry; `convergence.lining.kirsch_movement` gives sin 2t parts of 0.2 to 0.7 for nu = 0.2 to 0.4, and a
       lining less. Assumed here.
    """
    at = floats(angles)
    sine, cosine, none, one = np.sin(at), np.cos(at), np.zeros_like(at), np.ones_like(at)
    inward = np.concatenate([-cosine, sine])
    along = np.concatenate([-sine, -cosine])
    double = np.concatenate([2.0 * at, 2.0 * at])
    oval = inward * np.cos(double) + 0.25 * along * np.sin(double)
    return np.stack([inward, oval, np.concatenate([none, one]), np.concatenate([one, none])], axis=1)


def closure_history(projected: SectionProjection, data: SectionData, noise: float) -> ClosureHistory:
    """Equal closure of a section by time.

    Parameters
    ----------
    projected : SectionProjection
        With the section's series and their lost parts.
    data : SectionData
        For the places of the prisms.
    noise : float
        Standard deviation of one component of a reading [mm]; the zero reading has the same.

    Returns
    -------
    ClosureHistory
        With the reason where prisms are too few to tell closure from sinking.
    """
    count = len(data.points)
    wanted = [
        (place, data.points.index(item.prisms) + (count if item.measure == "settlement" else 0))
        for place, item in enumerate(projected.series)
        if item.measure in ("settlement", "transverse") and item.readings > 1 and item.prisms in data.points
    ]  # fmt: skip
    zero = min((float(projected.series[place].time[0]) for place, _ in wanted), default=np.nan)
    kept, left_out = [], []
    for place, row in wanted:
        item = projected.series[place]
        if item.time[0] > zero + TOGETHER:
            left_out.append(f"{item.label}: fixed {item.time[0] - zero:.0f} days after the first")
        elif item.segment[-1] > 0 or abs(item.kept_steps) > 0.0:
            left_out.append(f"{item.label}: knocked, replaced or zeroed anew")
        else:
            kept.append((place, row))
    shapes = closure_shapes(data.angles)[[row for _, row in kept]] if kept else np.empty((0, 4))
    empty = np.empty(0)
    if len(kept) < 5 or np.linalg.matrix_rank(shapes, tol=0.05) < 4:
        reason = f"{len(kept)} sound components of prisms cannot tell closure from sinking and oval movement"
        return ClosureHistory(empty, empty, float("nan"), float("nan"), float("nan"), tuple(left_out), reason)
    chosen = [projected.series[place] for place, _ in kept]
    begin, end = max(item.time[0] for item in chosen), min(item.time[-1] for item in chosen)
    times = np.unique(np.concatenate([begin + (end - begin) * np.linspace(0.0, 1.0, TIMES) ** 2, [end]]))
    values = np.array([_by_day(times, item.time, item.value) for item in chosen])
    inverse = np.linalg.pinv(shapes)
    found = inverse @ values
    rest = values[:, -1] - shapes @ found[:, -1]
    free = max(len(kept) - 4, 1)
    spread = max(np.sqrt(2.0) * noise, float(np.sqrt(np.sum(rest**2) / free)))
    error = float(np.linalg.norm(inverse[0]) * spread)
    lost = np.nan_to_num(np.array([projected.lost[place] for place, _ in kept]))
    unsure = np.nan_to_num(np.array([projected.lost_deviation[place] for place, _ in kept]))
    # lost parts of a section are off together, so their errors add up and do not cancel
    lost_error = float(abs(inverse[0] @ (np.sign(lost) * unsure)))
    closure = np.asarray(found[0] - found[0, 0])
    # a ring at its strength would take every wobble of the readings for unloading
    rising = np.asarray(isotonic_regression(closure).x)
    if float(np.sqrt(np.mean((rising - closure) ** 2))) < error:
        closure = rising - rising[0]
    return ClosureHistory(times, closure, error, float(inverse[0] @ lost), lost_error, tuple(left_out))


def _by_day(at: FloatArray, time: FloatArray, value: FloatArray) -> FloatArray:
    """Values by straight lines, and by the mean of a day's readings once the movement is slow."""
    low, high = np.searchsorted(time, at - 0.5), np.searchsorted(time, at + 0.5, side="right")
    summed = np.concatenate([[0.0], np.cumsum(value)])
    mean = (summed[high] - summed[low]) / np.maximum(high - low, 1)
    slow = (at - at[0] > SLOW) & (high - low > 1)
    return np.where(slow, mean, np.interp(at, time, value))


def strain_before(
    model: SectionModel, history: ClosureHistory, sprayed: FloatArray, place: FloatArray, normal: FloatArray
) -> FloatArray:
    """Closure of the lining between its spraying and the zero reading of its prisms [mm], shape of `place`.

    lost (1 - L(spraying)/L(zero reading)), anywhere between the least and the most of the published profiles L

    Negative where the prisms were fixed before the lining came. A lining that has not come by the last reading counts
    as sprayed then.
    """
    first = np.minimum(sprayed, history.time[-1])
    ground = design_ground(model.ground)

    def share(day: FloatArray, name: str) -> FloatArray:
        released = [
            weight * np.nan_to_num(movement_share(ground, model.paths[stage].at(day), model.radius, name))
            for stage, weight in model.weights.items()
        ]
        return np.asarray(np.sum(released, axis=0))

    zero = history.time[:1]
    parts = [1.0 - share(first, name) / np.maximum(share(zero, name), 1e-6) for name in PROFILES]
    low, high = np.clip(np.min(parts, axis=0), -1.0, 1.0), np.clip(np.max(parts, axis=0), -1.0, 1.0)
    lost = history.lost + history.lost_error * normal
    return np.asarray(lost * (low + (high - low) * place))
