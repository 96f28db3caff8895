"""The projection as curves: median and band at any day, drawn between the projection's dates by the law's
own shape.

A projection keeps its quantiles at a few dates. Straight lines between them would cut the corners of the
first days and of the passages of the stages, so the law at the section's mean shape gives the course
between the dates:

    q(t) = y(t) + [q - y](between the dates, straight)
    y(t) = sum_k B_k [G_k(t) - G_k(t_0)] / [G_k(t_h) - G_k(t_0)]

B_k is the part of the final value that stage k causes, G_k the release and creep of the stage (see
``convergence.laws.hereditary``), t_0 the zero reading, t_h the horizon. At the dates q is the projection's
own quantile.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from convergence.laws import FacePath
from convergence.measures.series import Series
from convergence.projection import PROBABILITIES, SectionProjection
from convergence.projection.bases import unit_movement
from convergence.survey.job import Job
from convergence.terms import AXES

Floats = npt.NDArray[np.float64]

#: Days at which curves are drawn, evenly over the window and after each zero reading and passage.
EVEN_DAYS = 120
AFTER = np.array([0.0, 0.1, 0.25, 0.5, 0.75, 1.0, 1.5, 2.0, 3.0, 4.0, 6.0, 8.0])
#: A stage whose release grows by less than this between zero reading and horizon has no shape to draw.
LEAST_RELEASE = 1e-6


@dataclass(frozen=True)
class Curve:
    """One measure's course over a window.

    Attributes
    ----------
    days : (n,) array
        Days since the job's epoch, ascending, the last reading among them.
    median, low, high : (n,) arrays
        Movement since the zero reading [mm]: up to the last reading the fitted law (with the undeclared
        jumps the readings keep), from then on median and band of the true movement. ``low`` and ``high``
        are NaN before the last reading.
    last : float
        Day of the last reading.
    """

    days: Floats
    median: Floats
    low: Floats
    high: Floats
    last: float

    @property
    def past(self) -> npt.NDArray[np.bool_]:
        """Days up to the last reading."""
        return self.days <= self.last + 1e-9

    @property
    def ahead(self) -> npt.NDArray[np.bool_]:
        """Days from the last reading on."""
        return self.days >= self.last - 1e-9


def section_curves(
    job: Job,
    projection: SectionProjection,
    paths: Mapping[str, FacePath],
    confidence: float,
    begin: float,
    end: float,
) -> dict[str, Curve]:
    """Curves of all measures of a section over a window, by label.

    Parameters
    ----------
    job : Job
        The job.
    projection : SectionProjection
        The section's projection.
    paths : mapping of str to FacePath
        Logged and planned path of each stage past the section.
    confidence : float
        Of the band, 0 to 1.
    begin, end : float
        Window in days since the job's epoch; nothing is drawn before a zero reading or after the horizon.
    """
    horizon = float(projection.dates[-1])
    grid = _grid(projection, paths, begin, min(end, horizon))
    if not len(grid):
        return {}
    every = np.unique(np.concatenate([grid, projection.dates]))
    bases = _released(projection, paths, every)
    tail = (1.0 - confidence) / 2.0
    found: dict[str, Curve] = {}
    for index, series in enumerate(projection.series):
        found[series.label] = _curve(job, projection, index, series, every, bases, grid, tail)
    return found


def kept_profile(job: Job, series: Series) -> Floats:
    """Part of each reading that is undeclared jumps [mm], 0 before the first one.

    A chord's part is that of its prisms along the design direction of the chord: exact to the first order,
    which for a jump of 25 mm over 10 m is within 0.03 mm.
    """
    if series.kept_steps == 0.0 or not len(series.time):
        return np.zeros(len(series.time))
    array = job.array(series.section)
    names = [str(name) for name in array["prism"].values]
    members = [names.index(name) for name in series.prisms.split(":") if name in names]
    rows = np.flatnonzero(array["used"].values[:, members].all(axis=1))
    if len(rows) != len(series.time) or series.measure not in (*AXES, "chord"):
        return np.where(series.segment == series.segment[-1], series.kept_steps, 0.0)
    kept = array["kept_steps"].values[rows][:, members]
    if series.measure != "chord":
        return np.asarray(kept[:, 0, AXES.index(series.measure)])
    design = np.column_stack([array[name].values[members] for name in ("chainage", "offset_design", "height_design")])
    chord = design[1] - design[0]
    moved = (kept[:, 0] - kept[:, 1]) * np.array([1.0, 1.0, -1.0])
    return np.asarray(moved @ chord / np.linalg.norm(chord))


def _grid(projection: SectionProjection, paths: Mapping[str, FacePath], begin: float, end: float) -> Floats:
    """Days at which the curves are drawn."""
    starts = [float(series.time[0]) for series in projection.series]
    lasts = [float(series.time[-1]) for series in projection.series]
    passages = [path.passage() for path in paths.values()]
    days = np.concatenate(
        [
            np.linspace(begin, end, EVEN_DAYS),
            np.linspace(min(starts), projection.now, EVEN_DAYS),
            np.array(lasts),
            projection.dates,
            *(at + AFTER for at in (*starts, *passages) if np.isfinite(at)),
        ]
    )
    return np.unique(days[(days >= min(starts)) & (days <= end)])


def _released(projection: SectionProjection, paths: Mapping[str, FacePath], days: Floats) -> Floats:
    """Release and creep G_k of each stage of the projection at the mean shape, shape (n, K)."""
    width = projection.series[0].width
    columns = [unit_movement(paths[stage], days, projection.shape, width) for stage in projection.stages]
    return np.column_stack(columns)


def _curve(
    job: Job,
    projection: SectionProjection,
    index: int,
    series: Series,
    every: Floats,
    bases: Floats,
    grid: Floats,
    tail: float,
) -> Curve:
    first, last = float(series.time[0]), float(series.time[-1])
    at_zero = np.array([np.interp(first, every, column) for column in bases.T])
    span = bases[-1] - at_zero
    share = np.divide(projection.by_stage[index], span, out=np.zeros_like(span), where=np.abs(span) > LEAST_RELEASE)
    course = (bases - at_zero) @ share
    dates = projection.dates
    own = dates >= first - 1e-9
    kept = np.where(dates >= projection.now - 1e-9, series.kept_steps, 0.0)
    at_dates = course[np.searchsorted(every, dates)]
    days = grid[grid >= first - 1e-9]
    at_days = course[np.searchsorted(every, days)]

    def quantile(probability: float) -> Floats:
        table = np.array([np.interp(probability, PROBABILITIES, row) for row in projection.quantiles[index]])
        away = table - kept - at_dates
        # at its zero reading a movement is nothing, whichever dates the section keeps
        known = np.concatenate([[first], dates[own & (dates > first)]])
        gap = np.concatenate([[0.0], away[own & (dates > first)]])
        return np.asarray(at_days + np.interp(days, known, gap))

    median, low, high = quantile(0.5), quantile(tail), quantile(1.0 - tail)
    jumps = kept_profile(job, series)
    place = np.searchsorted(series.time, days + 1e-9, side="right") - 1
    carried = np.where(days >= last - 1e-9, series.kept_steps, jumps[np.clip(place, 0, len(jumps) - 1)])
    ahead = days >= last - 1e-9
    return Curve(
        days,
        median + carried,
        np.where(ahead, low + carried, np.nan),
        np.where(ahead, high + carried, np.nan),
        last,
    )
