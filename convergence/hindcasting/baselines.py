"""What an engineer would say without this library's projection: the forecasts every hindcast is set beside.

Each gives a forecast with a band as it would be stated by whoever uses it. They are here to be beaten, not to be used.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
from scipy.optimize import brentq
from scipy.special import ndtri
from scipy.stats import t as student

from convergence.fitting.batch import fit_batch
from convergence.fitting.outcome import FREE, Outcome
from convergence.fitting.setup import chosen_law
from convergence.laws.path import FacePath
from convergence.laws.registry import Law
from convergence.measures.rates import RATE_WINDOW, Noise, rate
from convergence.measures.series import Series

Floats = npt.NDArray[np.float64]

#: The longest a rate is taken to go on decaying [days]: a movement as fast now as ever would otherwise go on to the
#: horizon, which nobody states. A fortnight is two or three tunnel widths of advance (assumed, no source).
LONGEST_DECAY = 14.0
#: The law of the baseline that fits one curve at a time.
COUPLED = "coupled"


@dataclass(frozen=True)
class Forecast:
    """A forecast of a movement [mm] with the band stated with it; NaN where there is none."""

    middle: float
    low: float
    high: float


MISSING = Forecast(float("nan"), float("nan"), float("nan"))


def no_more_movement(series: Series, noise: Noise, confidence: float) -> Forecast:
    """The last reading is the end.

    u = y_n, with a band of the error of two readings, for the zero reading has one too: y_n -+ z sqrt(2) s

    Parameters
    ----------
    series : Series
        At least one reading.
    noise : Noise
        Noise of one reading of the measure.
    confidence : float
        Of the band, 0 to 1.

    Returns
    -------
    Forecast
        [mm], for any later day.

    Examples
    --------
    A last reading of 12 mm, noise 0.5 mm: 12 -+ 1.645 * 0.707 = 10.84 to 13.16 mm at 90 %.
    """
    last = float(series.value[-1])
    reach = float(ndtri(0.5 + confidence / 2)) * np.sqrt(2.0) * noise.total
    return Forecast(last, last - reach, last + reach)


def last_rate_decays(series: Series, day: float, noise: Noise, confidence: float) -> Forecast:
    """The rate of the last days dies away as it would in a movement that approaches its end exponentially.

    u = y_n + v T (1 - exp(-(t - t_n) / T)),   v / (y_n / (t_n - t_0)) = x / (e^x - 1),   x = (t_n - t_0) / T

    The rate v of the last three days over the mean rate so far tells how far the decay has come; a rate that has not
    fallen goes on for ``LONGEST_DECAY``, one that has turned back is taken as none.

    Parameters
    ----------
    series : Series
        Readings [mm] by day.
    day : float
        Day t the movement is asked for, at or after the last reading.
    noise : Noise
        Noise of one reading of the measure; it gives the error of the rate.
    confidence : float
        Of the band, 0 to 1: that of the rate, and of no more movement.

    Returns
    -------
    Forecast
        [mm]; missing where the last days hold too few readings to tell a rate.

    Examples
    --------
    20 (1 - exp(-t / 5)) mm read without noise to day 15 has 19.0 mm; asked for day 1000 the forecast is 20.0 mm.
    """
    speed, error, _ = rate(series.time, series.value, series.segment, noise)
    still = no_more_movement(series, noise, confidence)
    if not np.isfinite(speed):
        return MISSING
    reach = float(ndtri(0.5 + confidence / 2)) * error
    # the rate over a window is that of its middle
    lag = min(RATE_WINDOW, series.span) / 2
    coming = [_still_to_come(series, value, lag, day) for value in (speed, speed - reach, speed + reach)]
    middle = still.middle + coming[0]
    low, high = (abs(coming[0] - end(coming)) for end in (min, max))
    noisy = still.high - still.middle
    return Forecast(middle, middle - float(np.hypot(low, noisy)), middle + float(np.hypot(high, noisy)))


def _still_to_come(series: Series, speed: float, lag: float, day: float) -> float:
    """Movement from the last reading to a day [mm] for one rate of the last days."""
    span, last = series.span - lag, float(np.interp(series.time[-1] - lag, series.time, series.value))
    if span <= 0 or last == 0 or speed * last <= 0:
        return 0.0
    share = speed * span / last
    least = span / LONGEST_DECAY

    def excess(x: float) -> float:
        return float(x / np.expm1(x)) - share

    if excess(least) <= 0:
        time = LONGEST_DECAY
    else:
        time = span / float(brentq(excess, least, 700.0)) if excess(700.0) < 0 else span / 700.0
    ahead = np.exp(-lag / time) - np.exp(-(day - series.time[-1] + lag) / time)
    return float(speed * time * ahead)


def coupled_alone(
    series: Sequence[Series], paths: Sequence[Mapping[str, FacePath]], days: Sequence[float], confidence: float
) -> list[Forecast]:
    """The coupled law fitted to one curve at a time by ordinary least squares, with the band that comes with it.

    The band is that of the linearised fit, u -+ t sqrt(g' C g), with g the derivative of the forecast by the parameters
    and C their covariance from independent residuals; a parameter that ended at its bound is taken as held there. It is
    missing where the fit failed or the parameters cannot be told from each other at all.

    Parameters
    ----------
    series : sequence of Series
        Curves.
    paths : sequence of mappings of str to FacePath
        For each, the past and planned path of every stage.
    days : sequence of float
        For each, the day it is asked for.
    confidence : float
        Of the band, 0 to 1.

    Returns
    -------
    list of Forecast
        One a curve [mm]; stages that have not passed yet are not in it, for one curve alone does not know them.
    """
    law = chosen_law(COUPLED)
    fits = fit_batch(series, law)
    return [
        _coupled_forecast(law, fit, item, own, day, confidence)
        for fit, item, own, day in zip(fits, series, paths, days, strict=True)
    ]


def _coupled_forecast(
    law: Law, fit: Outcome, series: Series, paths: Mapping[str, FacePath], day: float, confidence: float
) -> Forecast:
    times = np.array([series.time[0], day]) if len(series.time) else np.array([day, day])
    stages = {
        name: paths[name.partition("_")[2] or next(iter(series.paths))]
        for name in fit.names
        if name.partition("_")[0] == law.parameters[0].name
    }

    def moved(values: Floats) -> float:
        named = dict(zip(fit.names, values.tolist(), strict=True))
        shape = {item.name: named[item.name] for item in law.parameters[1:]}
        total = np.zeros(2)
        for name, path in stages.items():
            total = total + law.evaluate(path, times, {law.parameters[0].name: named[name], **shape})
        return float(total[1] - total[0])

    if not stages or not np.isfinite(fit.values).all():
        return MISSING
    middle = moved(fit.values)
    free = [place for place, role in enumerate(fit.roles) if role == FREE]
    errors = fit.standard_errors[free]
    if not np.isfinite(errors).all():
        return Forecast(middle, float("nan"), float("nan"))
    slope = np.zeros(len(free))
    for row, place in enumerate(free):
        step = 1e-4 * max(abs(float(fit.values[place])), 1e-3)
        up, down = fit.values.copy(), fit.values.copy()
        up[place] += step
        down[place] -= step
        slope[row] = (moved(up) - moved(down)) / (2 * step)
    scaled = slope * errors
    variance = float(scaled @ fit.correlation[np.ix_(free, free)] @ scaled)
    reach = float(student.ppf(0.5 + confidence / 2, max(fit.degrees_of_freedom, 1))) * np.sqrt(max(variance, 0.0))
    return Forecast(middle, middle - reach, middle + reach)
