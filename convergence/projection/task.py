"""One section's share of the work: what its model is built from, gathered so that it can travel to a worker process."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace

import numpy as np
import numpy.typing as npt

from convergence.job.schema import LAW_EVENTS, Event
from convergence.job.stages import acting_widths, stage_shares
from convergence.laws import DEFAULT_RETARDATION_TIMES, FacePath
from convergence.measures.rates import Noise
from convergence.measures.series import Series
from convergence.projection.bins import Bins, bin_section
from convergence.projection.columns import SectionColumns, section_columns
from convergence.projection.evidence import MOST_SERIES, effective_series
from convergence.projection.expected import Pattern, StageRatio, default_ratio
from convergence.projection.plan import FaceTrack
from convergence.projection.planned import next_stop
from convergence.projection.prior import ShapePrior
from convergence.projection.section import SectionModel
from convergence.survey.job import Job

Floats = npt.NDArray[np.float64]

#: With the face within so many widths a round is felt by itself, and its hour matters.
ROUNDS_FELT = 1.0
#: Dates a section is projected to, between now and the horizon, and before now.
DATES_AHEAD, DATES_BEHIND = 36, 14
#: A face within so many widths of which no round was logged for so many days is told: it is taken as standing.
NEAR, STANDING = 3.0, 3.0


@dataclass(frozen=True)
class SectionTask:
    """What one section's model is built from; it travels to worker processes."""

    section: str
    chainage: float
    series: tuple[Series, ...]
    paths: tuple[FacePath, ...]
    stages: tuple[str, ...]
    dates: Floats
    now: float
    width: float
    noise: Noise
    ratios: tuple[tuple[StageRatio, ...], ...]
    prior: ShapePrior
    confidence: float
    pattern: Pattern | None = None
    start: Floats | None = None
    closings: tuple[float, ...] = ()
    stop: tuple[float, float] | None = None
    site_chainage: float = float("nan")
    columns: SectionColumns | None = None
    standing: tuple[tuple[str, float], ...] = ()
    widths: tuple[float, ...] = ()
    horizon_day: float = float("nan")
    effective: float = MOST_SERIES
    rounds: tuple[Floats, ...] = ()

    @property
    def stage_widths(self) -> tuple[float, ...]:
        """Acting width of each stage [m]; the tunnel's where none is given."""
        return self.widths or (self.width,) * len(self.paths)

    @property
    def breaks(self) -> Floats:
        """Ends of the spans in which the rounds near the section were taken [days]."""
        return np.concatenate([np.empty(0), *(item.ravel() for item in self.rounds)])

    def prepared(self, bins: Sequence[Bins] | None = None) -> SectionTask:
        """The task with its columns, which no prior changes, worked out; on bins of its own unless they are given."""
        columns = section_columns(
            bin_section(self.series, self.noise, self.breaks) if bins is None else bins,
            self.paths,
            self.dates,
            self.stage_widths,
            DEFAULT_RETARDATION_TIMES,
            self.closings,
            self.rounds,
        )
        return replace(self, columns=columns)

    def model(self) -> SectionModel:
        """The section's model, its readings binned."""
        columns = self.prepared().columns if self.columns is None else self.columns
        assert columns is not None
        return SectionModel(
            self.series, columns, self.dates, self.width, self.ratios, DEFAULT_RETARDATION_TIMES, self.pattern
        )


def section_task(
    job: Job,
    section: str,
    series: tuple[Series, ...],
    tracks: dict[str, FaceTrack],
    horizon: float,
    noise: Noise,
    prior: ShapePrior,
    confidence: float,
    until: float,
    shared: Mapping[str, float],
) -> SectionTask | None:
    """Gather what a section and its measures need; None where it has no reading, or the job no face log.

    The dates run from the zero reading to the horizon, dense where something happens: now, and about the planned
    passages of the stages still to come.
    """
    series = tuple(item for item in series if len(item.time))
    if not series or not tracks:
        return None
    chainage = float(job.arrays[section].attrs["section_chainage"])
    paths = {name: track.path(chainage) for name, track in tracks.items()}
    zero = min(float(item.time[0]) for item in series)
    first = next(iter(paths.values()))
    passage = first.passage()
    # a section passed before the log begins, or read before its passage is logged, counts from its zero reading
    begin = passage if np.isfinite(passage) and not first.begins_past and passage <= zero + 1.0 else zero
    last = max(float(item.time[-1]) for item in series)
    end = max(begin + horizon, last + 1.0)
    behind = np.linspace(zero, last, DATES_BEHIND)[:-1]
    ahead = last + np.concatenate([[0.0], np.geomspace(0.25, max(end - last, 0.5), DATES_AHEAD)])
    passages = [at for path in paths.values() if last < (at := path.passage()) < end]
    # the next stop is given dates of its own, so that what its readings would tell can be worked out
    stop = next_stop(first, last)
    rest = [] if stop is None else [day for day in np.linspace(*stop, 5).tolist() if last < day < end]
    extra = [at + days for at in passages for days in (-1.0, 0.0, 1.0, 3.0, 7.0) if last < at + days < end]
    dates = np.unique(
        np.concatenate(
            [
                behind,
                ahead[ahead < end],
                extra,
                rest,
                [last + 1, last + 3, last + 7] if end > last + 7 else [],
                [end],
            ]
        )
    )
    stages = tuple(name for name, path in paths.items() if not path.begins_past or name == next(iter(paths)))
    shares, widths = stage_shares(job.settings), acting_widths(job.settings)
    ratios = tuple(tuple(default_ratio(shares[name], shares[stages[0]]) for name in stages[1:]) for _ in series)
    return SectionTask(
        section,
        chainage,
        series,
        tuple(paths[name] for name in stages),
        stages,
        dates,
        last,
        job.settings.tunnel.width,
        noise,
        ratios,
        prior,
        confidence,
        closings=tuple(sorted({job.days(item.time) for item in job.folder.events if _closes(item, section)})),
        stop=stop,
        site_chainage=job.site_chainage(chainage),
        horizon_day=begin + horizon,
        effective=effective_series(series, shared),
        standing=tuple(
            (name, track.logged_until)
            for name, track in tracks.items()
            if _overdue(track, until) and abs(paths[name].at(until)) < NEAR * widths[name]
        ),
        widths=tuple(widths[name] for name in stages),
        rounds=tuple(
            _rounds_near(paths[name], tracks[name].logged_until, zero, ROUNDS_FELT * widths[name]) for name in stages
        ),
    )


def _rounds_near(path: FacePath, logged_until: float, since: float, reach: float) -> Floats:
    """Spans [days] in which the logged rounds near a section were taken, since its first reading, shape (m, 2)."""
    moving = np.flatnonzero(
        (np.diff(path.distance) > 0.0)
        & (np.diff(path.time) > 0.0)
        & (path.time[1:] <= logged_until)
        & (path.time[1:] > since)
        & (np.abs(path.distance[1:]) < reach)
    )
    return np.column_stack([path.time[moving], path.time[moving + 1]])


def _overdue(track: FaceTrack, until: float) -> bool:
    """Whether no round has come for longer than usual: half as much again as the third longest break there was.

    A bench that is driven in bursts stands for days; two stoppages do not make a habit.
    """
    breaks = np.sort(np.diff(track.time[track.time <= track.logged_until]))
    usual = float(breaks[-3]) if len(breaks) > 2 else 0.0
    return until - track.logged_until > max(STANDING, 1.5 * usual)


def _closes(event: Event, section: str) -> bool:
    """Whether an event lets the law change at a section: its ring closed, support added."""
    return event.event in LAW_EVENTS and event.section in ("", section)


def with_pool(
    task: SectionTask,
    prior: ShapePrior,
    ratios: Mapping[tuple[str, str], StageRatio],
    pattern: Pattern | None = None,
    start: Floats | None = None,
) -> SectionTask:
    """The task with what the other sections say: shape, stage ratios by (label, stage), amplitudes.

    And with the best shape found so far, where the next search starts.
    """
    own = tuple(
        tuple(ratios.get((series.label, name), task.ratios[index][place]) for place, name in enumerate(task.stages[1:]))
        for index, series in enumerate(task.series)
    )
    return replace(task, prior=prior, ratios=own, pattern=pattern, start=start)
