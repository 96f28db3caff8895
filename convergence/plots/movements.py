"""Numbers behind the figures along the tunnel: movement at a day or at a face distance, with its error, and the ratio
of longitudinal movement to settlement where it is resolved.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
from scipy.special import ndtri

from convergence.laws import FacePath
from convergence.measures.series import Series
from convergence.survey.noise_model import Noise

Floats = npt.NDArray[np.float64]
Bools = npt.NDArray[np.bool_]

#: Between two readings further apart than this [days] nothing is said of the movement.
LONGEST_GAP = 2.0
#: Settlement is resolved where it is at least this many standard errors (common practice, no source): the ratio's own
#: standard error is then right to a few hundredths.
RESOLVED = 5.0
#: With fewer resolved sections than this a site has no band of its own.
FEWEST_FOR_BAND = 6


def movement_at(time: Floats, value: Floats, day: npt.ArrayLike, longest_gap: float = LONGEST_GAP) -> Floats:
    """Movement at given days, on straight lines between the readings around them.

        u(t) = u_i + (u_j - u_i) (t - t_i) / (t_j - t_i)

    Parameters
    ----------
    time : (n,) array
        Days of the readings, ascending.
    value : (n,) array
        Movement [mm].
    day : array_like
        Days wanted, any order and shape.
    longest_gap : float
        Longest time between the two readings around a day [days], above 0.

    Returns
    -------
    ndarray, shape of ``day``
        Movement [mm]; NaN before the first and after the last reading and inside longer gaps.

    Examples
    --------
    >>> movement_at(np.array([0.0, 1.0, 9.0]), np.array([0.0, 4.0, 8.0]), [0.5, 5.0]).tolist()
    [2.0, nan]
    """
    wanted = np.asarray(day, dtype=np.float64)
    if not len(time):
        return np.full(wanted.shape, np.nan)
    after = np.clip(np.searchsorted(time, wanted, side="left"), 0, len(time) - 1)
    before = np.where(time[after] == wanted, after, np.maximum(after - 1, 0))
    known = (wanted >= time[0]) & (wanted <= time[-1]) & (time[after] - time[before] <= longest_gap)
    return np.where(known, np.interp(wanted, time, value), np.nan)


def movement_error(noise: Noise, elapsed: npt.ArrayLike) -> Floats:
    """Standard error of a movement since its zero reading, which has an error of its own.

        s^2 = 2 white^2 + 2 correlated^2 (1 - exp(-elapsed / days))

    Parameters
    ----------
    noise : Noise
        Noise of one reading [mm].
    elapsed : array_like
        Days since the zero reading, 0 or more.

    Returns
    -------
    ndarray, shape of ``elapsed``
        Standard error [mm].

    Examples
    --------
    Noise of 0.6 and 0.8 mm, long after the zero reading: sqrt(2) times 1 mm.

    >>> round(float(movement_error(Noise(0.6, 0.8, 1.0), 100.0)), 4)
    1.4142
    """
    shared = 1.0 - np.exp(-np.asarray(elapsed, dtype=np.float64) / noise.days)
    return np.asarray(np.sqrt(2.0 * (noise.white**2 + noise.correlated**2 * shared)))


def day_at_distance(path: FacePath, distance: float) -> float:
    """Day on which a face first stood a distance [m] past the section; NaN where the log does not hold it."""
    shifted = FacePath(path.time, path.distance - distance)
    return float("nan") if shifted.begins_past else shifted.passage()


def movement_at_distance(series: Series, distance: float, noise: Noise) -> tuple[float, float]:
    """Movement since the zero reading when the first stage's face first stood a distance past the section.

    A stop at that distance does not count: what moves while the face stands still is time and not advance.

    Parameters
    ----------
    series : Series
        One measure.
    distance : float
        Face distance [m], + past the section.
    noise : Noise
        Noise of one reading of this measure.

    Returns
    -------
    movement, standard_error : float
        [mm]; NaN where the face has not come so far, the zero reading is later, or readings are missing.
    """
    path = next(iter(series.paths.values()), None)
    day = float("nan") if path is None else day_at_distance(path, distance)
    if not len(series.time) or np.isnan(day):
        return float("nan"), float("nan")
    found = float(movement_at(series.time, series.value, day))
    error = float(movement_error(noise, day - float(series.time[0]))) if np.isfinite(found) else float("nan")
    return found, error


@dataclass(frozen=True)
class Orientation:
    """Ratio of longitudinal movement to settlement and orientation of the vector, NaN where not resolved.

    Attributes
    ----------
    ratio, ratio_error : (n,) arrays
        Longitudinal movement over settlement, and its standard error.
    angle, angle_error : (n,) arrays
        Angle of the vector from the plumb line in the long section [rad], + up-chainage, and its standard error.
    resolved : (n,) array of bool
        Whether settlement is at least ``RESOLVED`` standard errors.
    """

    ratio: Floats
    ratio_error: Floats
    angle: Floats
    angle_error: Floats
    resolved: npt.NDArray[np.bool_]


def orientation(longitudinal: npt.ArrayLike, settlement: npt.ArrayLike, error: npt.ArrayLike) -> Orientation:
    """Ratio and orientation of movement in the long section, shown only where settlement is resolved.

        r = L / S,  s_r = s sqrt(1 + r^2) / |S|;    a = atan2(L, S),  s_a = s / sqrt(L^2 + S^2)

    Parameters
    ----------
    longitudinal, settlement : (n,) arrays
        Movement of one prism [mm], + up-chainage and + down.
    error : (n,) array
        Standard error s of either [mm], the two independent of each other.

    Returns
    -------
    Orientation
        Arrays of shape (n,).

    Examples
    --------
    3 mm along and 4 mm down, each to 0.5 mm: ratio 0.75 +-0.156, 36.87 +-5.73 degrees.

    >>> found = orientation([3.0], [4.0], [0.5])
    >>> [round(float(x[0]), 3) for x in (found.ratio, found.ratio_error)]
    [0.75, 0.156]
    >>> [round(float(np.rad2deg(x[0])), 2) for x in (found.angle, found.angle_error)]
    [36.87, 5.73]
    """
    along, down, spread = (np.asarray(item, dtype=np.float64) for item in (longitudinal, settlement, error))
    resolved = np.isfinite(along) & (np.abs(down) >= RESOLVED * spread)
    safe = np.where(resolved, down, np.nan)
    ratio = along / safe
    return Orientation(
        ratio,
        spread * np.sqrt(1.0 + ratio**2) / np.abs(safe),
        np.arctan2(along, safe),
        spread / np.hypot(along, safe),
        resolved,
    )


def normal_band(values: Floats, confidence: float = 0.90) -> tuple[float, float, float]:
    """The site's own usual value and band: median, and the quantiles that hold the stated share of its sections.

    Parameters
    ----------
    values : (n,) array
        One value a section; NaN where not resolved.
    confidence : float
        Share of the sections inside, 0 to 1.

    Returns
    -------
    low, median, high : float
        NaN where fewer than ``FEWEST_FOR_BAND`` sections are resolved.
    """
    known = values[np.isfinite(values)]
    if len(known) < FEWEST_FOR_BAND:
        return float("nan"), float("nan"), float("nan")
    tail = (1.0 - confidence) / 2.0
    low, median, high = (float(item) for item in np.quantile(known, [tail, 0.5, 1.0 - tail]))
    return low, median, high


def unlike_others(values: npt.ArrayLike, error: npt.ArrayLike, confidence: float = 0.90) -> Bools:
    """Whether each section lies off the band of the others alone, by more than its own error explains.

    A section that is part of its own band widens it, and the first and last of a few are beyond it whatever they are.
    Section i is unlike the others where

        v_i + k s_i < low(others)   or   v_i - k s_i > high(others)

    with k the normal quantile of the confidence on both sides.

    Parameters
    ----------
    values, error : (n,) arrays
        One value a section and its standard error; NaN where not resolved.
    confidence : float
        Share of the others inside their band, and of the interval of the value itself, 0 to 1.

    Returns
    -------
    (n,) array of bool
        False where not resolved, or where fewer than ``FEWEST_FOR_BAND`` others are.

    Examples
    --------
    Six sections at 1 to 6 degrees have the band 1.25 to 5.75; 9 degrees to 1 degree are off it, to 4 degrees not.

    >>> [bool(unlike_others(np.arange(1.0, 7.0).tolist() + [9.0], np.full(7, s))[-1]) for s in (1.0, 4.0)]
    [True, False]
    """
    every, spread = np.asarray(values, dtype=np.float64), np.asarray(error, dtype=np.float64)
    own = float(ndtri(0.5 + confidence / 2.0)) * spread
    bands = np.array([normal_band(np.delete(every, row), confidence) for row in range(len(every))]).reshape(-1, 3)
    # nothing is beyond a band that is not there
    with np.errstate(invalid="ignore"):
        return np.asarray((every + own < bands[:, 0]) | (every - own > bands[:, 2]))
