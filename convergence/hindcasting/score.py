"""Scores of forecasts: relative error, interval score, bands that allow for the outcome's own error, probabilities."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
from scipy.special import ndtri

from convergence.errors import ValueFault

Floats = npt.NDArray[np.float64]
Bools = npt.NDArray[np.bool_]

#: Errors are taken relative to the larger of the true movement and this [mm]: half of a small movement is no matter.
LEAST_SIZE = 10.0
#: Edges of the probabilities that are told together in a reliability table.
BIN_EDGES = (0.0, 0.05, 0.2, 0.5, 0.8, 0.95, 1.0)


def relative_error(forecast: npt.ArrayLike, outcome: npt.ArrayLike, least: float = LEAST_SIZE) -> Floats:
    """Error of a forecast relative to what came, or to a least size where little came.

    e = |forecast - outcome| / max(|outcome|, least)

    Parameters
    ----------
    forecast, outcome : array_like
        Movements [mm].
    least : float
        Least size [mm], > 0.

    Returns
    -------
    ndarray
        Errors [-]; infinite where the forecast is missing or infinite, for that is as wrong as can be.

    Examples
    --------
    >>> relative_error([18.0, 3.0], [20.0, 1.0])
    array([0.1, 0.2])
    """
    forecast, outcome = np.asarray(forecast, dtype=np.float64), np.asarray(outcome, dtype=np.float64)
    with np.errstate(invalid="ignore"):
        error = np.abs(forecast - outcome) / np.maximum(np.abs(outcome), least)
    return np.where(np.isfinite(error), error, np.inf)


def interval_score(low: npt.ArrayLike, high: npt.ArrayLike, outcome: npt.ArrayLike, confidence: float) -> Floats:
    """Score of a central band: its width, and a fine for what lies outside; the smaller the better.

    S = (u - l) + (2 / a) max(l - y, 0) + (2 / a) max(y - u, 0),   a = 1 - confidence

    It is least on average for the true quantiles, so neither wide nor narrow bands pay.

    Parameters
    ----------
    low, high : array_like
        Ends of the band [mm].
    outcome : array_like
        What came [mm].
    confidence : float
        Of the band, 0 to 1, both ends excluded.

    Returns
    -------
    ndarray
        Scores [mm]; NaN where there is no band.

    Examples
    --------
    A 90 % band of 8 to 12 mm: 4 mm if 11 mm came, 4 + 20 * 1 = 24 mm if 13 mm came.

    >>> interval_score([8.0, 8.0], [12.0, 12.0], [11.0, 13.0], 0.9).round(6)
    array([ 4., 24.])

    References
    ----------
    .. [1] T. Gneiting and A. E. Raftery, "Strictly proper scoring rules, prediction, and estimation", J. Am. Stat.
       Assoc. 102, 2007, 359-378, section 6.2. From memory.
    """
    _refuse_confidence(confidence)
    low, high, outcome = (np.asarray(values, dtype=np.float64) for values in (low, high, outcome))
    with np.errstate(invalid="ignore"):
        outside = np.maximum(low - outcome, 0.0) + np.maximum(outcome - high, 0.0)
        score = (high - low) + 2.0 / (1.0 - confidence) * outside
    return np.where(np.isfinite(low) & np.isfinite(high), score, np.nan)


def allowed_band(
    low: npt.ArrayLike, middle: npt.ArrayLike, high: npt.ArrayLike, deviation: npt.ArrayLike, confidence: float
) -> tuple[Floats, Floats]:
    """A band for the true movement, widened to one for a reading of it.

    l' = c - sqrt((c - l)^2 + (z s)^2), u' likewise, with z the normal quantile of the confidence, s the standard
    deviation of the reading's error and c the middle, brought between the ends.

    Parameters
    ----------
    low, middle, high : array_like
        Band and median for the true movement [mm].
    deviation : array_like
        Standard deviation of the error of what it is compared with [mm], >= 0.
    confidence : float
        Of the band, 0 to 1, both ends excluded.

    Returns
    -------
    low, high : ndarray
        [mm]; NaN where there is no band.

    Examples
    --------
    A certain 10 mm read with 1 mm of error: 8.355 to 11.645 mm at 90 %.

    >>> [round(float(end), 3) for end in allowed_band(10.0, 10.0, 10.0, 1.0, 0.9)]
    [8.355, 11.645]
    """
    _refuse_confidence(confidence)
    low, middle, high = (np.asarray(values, dtype=np.float64) for values in (low, middle, high))
    reach = ndtri(0.5 + 0.5 * confidence) * np.asarray(deviation, dtype=np.float64)
    with np.errstate(invalid="ignore", over="ignore"):
        centre = np.clip(middle, low, high)
        ends = centre - np.hypot(centre - low, reach), centre + np.hypot(high - centre, reach)
    known = np.isfinite(low) & np.isfinite(high)
    return np.where(known, ends[0], np.nan), np.where(known, ends[1], np.nan)


@dataclass(frozen=True)
class ProbabilityScore:
    """How stated probabilities stood up to what came.

    Attributes
    ----------
    count : int
        Probabilities scored.
    brier : float
        Mean squared difference of probability and outcome (1 came, 0 did not); 0 is perfect. NaN without any.
    base_rate : float
        Share that came.
    base_brier : float
        Score of stating the base rate every time, known only afterwards.
    skill : float
        1 - brier / base_brier: 1 is perfect, 0 no better than the base rate; NaN where all or none came.
    stated, came : (b,) arrays
        Mean probability and share that came, bin by bin (``BIN_EDGES``); NaN in empty bins.
    counts : (b,) array of int
        Probabilities in each bin.
    """

    count: int
    brier: float
    base_rate: float
    base_brier: float
    skill: float
    stated: Floats
    came: Floats
    counts: npt.NDArray[np.int64]


def score_probabilities(
    probability: npt.ArrayLike, came: npt.ArrayLike, edges: tuple[float, ...] = BIN_EDGES
) -> ProbabilityScore:
    """Score pairs of a stated probability and whether it came.

    B = mean (p - o)^2, against c (1 - c) of the base rate c = mean o

    Parameters
    ----------
    probability : array_like, shape (n,)
        Probabilities, 0 to 1.
    came : array_like, shape (n,)
        True where the event came.
    edges : tuple of float
        Edges of the bins, ascending from 0 to 1; an edge belongs to the bin above it, 1 to the last.

    Returns
    -------
    ProbabilityScore
        Brier score, base rate, skill, and the reliability table.

    Raises
    ------
    ValueFault
        A probability lies outside 0 to 1, or there is not one outcome for each.

    Examples
    --------
    Stated 0.9, 0.1, 0.8, 0.3 where yes, no, no, yes came: (0.01 + 0.01 + 0.64 + 0.49) / 4 = 0.2875; the base rate
    scores 0.25.

    >>> score_probabilities([0.9, 0.1, 0.8, 0.3], [True, False, False, True]).brier
    0.2875

    References
    ----------
    .. [1] G. W. Brier, "Verification of forecasts expressed in terms of probability", Mon. Weather Rev. 78, 1950, 1-3.
       From memory; here in the form for two outcomes, half of Brier's own.
    """
    stated = np.asarray(probability, dtype=np.float64)
    outcome = np.asarray(came, dtype=np.float64)
    if stated.shape != outcome.shape or stated.ndim != 1:
        raise ValueFault(
            f"probabilities of shape {stated.shape} and outcomes of shape {outcome.shape}: expected one outcome for "
            "each probability. To mend: give two lists of the same length."
        )
    wrong = ~((stated >= 0.0) & (stated <= 1.0))
    if wrong.any():
        raise ValueFault(f"probability {stated[wrong][0]}: expected 0 to 1. To mend: leave out what is not known.")
    bins = len(edges) - 1
    place = np.clip(np.searchsorted(np.asarray(edges), stated, side="right") - 1, 0, bins - 1)
    counts = np.bincount(place, minlength=bins)
    with np.errstate(invalid="ignore"):
        means = [np.bincount(place, values, minlength=bins) / counts for values in (stated, outcome)]
    if not len(stated):
        nothing = float("nan")
        return ProbabilityScore(0, nothing, nothing, nothing, nothing, means[0], means[1], counts)
    rate = float(outcome.mean())
    brier, base = float(np.mean((stated - outcome) ** 2)), rate * (1.0 - rate)
    skill = 1.0 - brier / base if base > 0 else float("nan")
    return ProbabilityScore(len(stated), round(brier, 12), rate, base, skill, means[0], means[1], counts)


def _refuse_confidence(confidence: float) -> None:
    if not 0.0 < confidence < 1.0:
        raise ValueFault(f"confidence = {confidence}: expected above 0 and below 1. To mend: give 0.9 for a 90 % band.")
