"""Projections: every measure of every section carried to the horizon, with bands, from shapes pooled over the site."""

from __future__ import annotations

import os
from collections.abc import Callable, Sequence
from concurrent.futures import ProcessPoolExecutor
from dataclasses import dataclass
from typing import TypeVar

import numpy as np
import numpy.typing as npt
import xarray as xr

from convergence.job.schema import Stage
from convergence.laws import DEFAULT_RETARDATION_TIMES, FacePath
from convergence.measures.rates import Noise
from convergence.measures.series import Series
from convergence.measures.tunnel import measure_section
from convergence.projection.bins import bin_section
from convergence.projection.mixture import mixture_moments, mixture_quantile, mixture_table
from convergence.projection.plan import AdvancePlan, FaceTrack, face_tracks
from convergence.projection.pool import pool_sections
from convergence.projection.prior import FACE_SHARE_SPREAD, ShapePrior, physical_prior
from convergence.projection.section import Prediction, SectionModel, StageRatio, default_ratio
from convergence.projection.shape import ShapePosterior, shape_posterior
from convergence.survey.job import Job
from convergence.survey.noise import estimate_noise

Floats = npt.NDArray[np.float64]
T = TypeVar("T")
R = TypeVar("R")

#: Probabilities at which the movement's distribution is kept, date by date.
PROBABILITIES = np.array([0.001, 0.005, 0.01, 0.025, 0.05, 0.1, 0.16, 0.25, 0.35, 0.5, 0.65, 0.75, 0.84, 0.9, 0.95, 0.975, 0.99, 0.995, 0.999])
#: Dates a section is projected to, between now and the horizon, and before now.
DATES_AHEAD, DATES_BEHIND = 36, 14
#: Fewest sections that must have been passed by a later stage before the site's own ratio is believed.
FEWEST_RATIOS = 2


@dataclass(frozen=True)
class SectionProjection:
    """One section's measures carried to the horizon.

    Attributes
    ----------
    section : str
        The section.
    chainage : float
        Its chainage [m].
    series : tuple of Series
        Its measures, those with at least one reading.
    dates : (e,) array
        Days since the job's epoch, ascending, the last one the horizon.
    now : float
        Day of the last reading of the section.
    quantiles : (j, e, q) array
        Movement since the zero reading [mm] by measure, date and probability (``PROBABILITIES``), undeclared jumps kept.
    total_quantiles : (j, e, q) array
        The same since excavation, the lost part included.
    rate_quantiles : (j, r, q) array
        Movement per day [mm/day] between pairs of dates at least three days apart.
    rate_dates : (2, r) array
        First and second day of each pair.
    mean : (j, e) array
        Mean movement since the zero reading [mm].
    lost, lost_deviation : (j,) arrays
        Movement before the zero reading [mm] and its standard deviation.
    by_stage : (j, K) array
        Part of the final value each stage causes [mm].
    stages : tuple of str
        The stages of ``by_stage``.
    parameter_deviation, reading_deviation, law_deviation : (j,) arrays
        Standard deviation of the final value [mm] from the shape, from readings and amplitudes, from what the law does
        not describe; their squares add up to the whole.
    alone : (j, 3) array
        Final value by the section's own readings and the physical prior only: low, median, high.
    shape : (d,) array
        Mean of theta = (ln X, ln m_i); ``shape_deviation`` its standard deviation, ``prior_shape`` what the pool said
        before the section's own readings, with ``prior_deviation``.
    creep_share, creep_share_deviation : float
        Share of the whole movement that is creep, sum m / (1 + sum m), and its standard deviation.
    influence_length : float
        Median influence length [m].
    at_bound : bool
        Whether the influence length lies at an end of the range it is looked for in.
    effective_samples : float
        Effective number of samples behind the numbers.
    future_passages : dict of str to float
        Day on which each stage that has not passed yet is planned to; NaN if not within the horizon.
    """

    section: str
    chainage: float
    series: tuple[Series, ...]
    dates: Floats
    now: float
    quantiles: Floats
    total_quantiles: Floats
    rate_quantiles: Floats
    rate_dates: Floats
    mean: Floats
    lost: Floats
    lost_deviation: Floats
    by_stage: Floats
    stages: tuple[str, ...]
    parameter_deviation: Floats
    reading_deviation: Floats
    law_deviation: Floats
    alone: Floats
    shape: Floats
    shape_deviation: Floats
    prior_shape: Floats
    prior_deviation: Floats
    creep_share: float
    creep_share_deviation: float
    influence_length: float
    at_bound: bool
    effective_samples: float
    future_passages: dict[str, float]

    def index(self, label: str) -> int:
        """Place of a measure by its label."""
        return [item.label for item in self.series].index(label)

    def final(self, index: int, probability: float) -> float:
        """Quantile of the final value [mm] of one measure."""
        return float(np.interp(probability, PROBABILITIES, self.quantiles[index, -1]))

    def at(self, index: int, day: float, probability: float) -> float:
        """Quantile of the movement [mm] of one measure at a day between the first and the last date."""
        values = [np.interp(probability, PROBABILITIES, row) for row in self.quantiles[index]]
        return float(np.interp(day, self.dates, values))


@dataclass(frozen=True)
class Projection:
    """All sections carried to the horizon. Plain data: it pickles; ``dataset()`` gives the table as an xarray Dataset.

    Attributes
    ----------
    sections : dict of str to SectionProjection
        In the order of the drive; sections without a reading are absent.
    tracks : dict of str to FaceTrack
        Logged and planned faces.
    noise : Noise
        Noise of one reading, from the site's own data.
    confidence : float
        Of the bands.
    horizon_days : float
        Horizon, counted from the first stage's passage of a section.
    epoch : datetime64
        Day zero.
    data_until : float
        Day of the last data used.
    pool_factor : float
        How much the sections of this site differ over what is assumed of a site unseen.
    fingerprint : str
        Of the job's files.
    """

    sections: dict[str, SectionProjection]
    tracks: dict[str, FaceTrack]
    noise: Noise
    confidence: float
    horizon_days: float
    epoch: np.datetime64
    data_until: float
    pool_factor: float
    fingerprint: str

    def dataset(self) -> xr.Dataset:
        """Final values over (section, measure, bound), with their parts and the un-pooled values beside them."""
        labels = list(dict.fromkeys(series.label for item in self.sections.values() for series in item.series))
        names = list(self.sections)
        tail = (1 - self.confidence) / 2
        fields = {
            name: np.full((len(names), len(labels)), np.nan)
            for name in ("final", "lost", "lost_deviation", "parameter_deviation", "reading_deviation", "law_deviation", "alone_final")
        }
        bound = np.full((len(names), len(labels), 2), np.nan)
        alone = np.full((len(names), len(labels), 2), np.nan)
        for row, item in enumerate(self.sections.values()):
            for index, series in enumerate(item.series):
                column = labels.index(series.label)
                fields["final"][row, column] = item.final(index, 0.5)
                for name in ("lost", "lost_deviation", "parameter_deviation", "reading_deviation", "law_deviation"):
                    fields[name][row, column] = getattr(item, name)[index]
                fields["alone_final"][row, column] = item.alone[index, 1]
                bound[row, column] = item.final(index, tail), item.final(index, 1 - tail)
                alone[row, column] = item.alone[index, [0, 2]]
        variables = {name: (("section", "measure"), values, {"units": "mm"}) for name, values in fields.items()}
        return xr.Dataset(
            {
                **variables,
                "band": (("section", "measure", "bound"), bound, {"units": "mm", "long_name": f"{self.confidence:.0%} band of the true movement at the horizon"}),
                "alone_band": (("section", "measure", "bound"), alone, {"units": "mm", "long_name": f"{self.confidence:.0%} band without the other sections"}),
            },
            coords={
                "section": names, "measure": labels, "bound": ["low", "high"],
                "chainage": ("section", np.array([item.chainage for item in self.sections.values()])),
            },
            attrs={
                "datum": "since zero reading", "horizon_days": self.horizon_days, "confidence": self.confidence,
                "horizon_from": "the first stage's passage of the section", "fingerprint": self.fingerprint, "law": "hereditary, shapes pooled over the site",
            },
        )

    def __repr__(self) -> str:
        count = sum(len(item.series) for item in self.sections.values())
        return (
            f"Projection of {count} measures in {len(self.sections)} sections to {self.horizon_days:g} days after each passage, {self.confidence:.0%} bands, "
            f"noise of a reading {self.noise.total:.2f} mm"
        )


@dataclass(frozen=True)
class _Task:
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

    def model(self) -> SectionModel:
        return SectionModel(self.series, bin_section(self.series, self.noise), self.paths, self.dates, self.width, self.ratios, DEFAULT_RETARDATION_TIMES)


def project_job(
    job: Job,
    plan: AdvancePlan | None = None,
    horizon: float | None = None,
    confidence: float | None = None,
    processes: int = 1,
    progress: Callable[[int, int], None] | None = None,
) -> Projection:
    """Carry every measure of a job to the horizon.

    Parameters
    ----------
    job : Job
        The job.
    plan : AdvancePlan, optional
        Instead of the job's own plan: a what-if.
    horizon : float, optional
        Days after the first stage's passage of each section; the job's own unless given.
    confidence : float, optional
        Of the bands; the job's own unless given.
    processes : int
        Worker processes; 1 works in this one. The numbers do not depend on it.
    progress : callable, optional
        Called with sections done and in all.

    Returns
    -------
    Projection
        Final values, bands, dates.
    """
    horizon = job.settings.projection.horizon_days if horizon is None else horizon
    confidence = job.settings.projection.confidence if confidence is None else confidence
    noise = estimate_noise(job.arrays.values())
    until = last_data_day(job)
    latest = until + horizon + 30.0
    tracks = face_tracks(job.settings, job.folder.advance, job.epoch, until, latest, plan)
    prior = physical_prior(job.settings.tunnel.width)
    tasks = [
        task for section in job.sections
        if (task := _task(job, section, tracks, horizon, noise, prior, confidence, until)) is not None
    ]
    if not tasks:
        return Projection({}, tracks, noise, confidence, horizon, job.epoch, until, 1.0, job.folder.fingerprint)
    total = 2 * len(tasks)
    done = 0

    def step() -> None:
        nonlocal done
        done += 1
        if progress is not None:
            progress(done, total)

    alone = _each(_alone, tasks, processes, step)
    pool = pool_sections(np.array([task.chainage for task in tasks]), [item.posterior for item in alone], prior)
    ratios = _site_ratios(tasks, alone, job.settings.stages)
    second = [
        (_replace(task, pool.priors[index], ratios), alone[index].band) for index, task in enumerate(tasks)
    ]
    found = _each(_pooled, second, processes, step)
    return Projection(
        {item.section: item for item in found}, tracks, noise, confidence, horizon, job.epoch, until, pool.factor, job.folder.fingerprint
    )


def last_data_day(job: Job) -> float:
    """Day of the last reading or round used; it does not depend on ``as_of`` but through the data."""
    days = [float(array["days"].values[-1]) for array in job.arrays.values() if array.sizes["epoch"]]
    days += [job.days(log.time[-1]) for log in job.folder.advance.values() if len(log)]
    return max(days)


def _task(
    job: Job, section: str, tracks: dict[str, FaceTrack], horizon: float, noise: Noise, prior: ShapePrior, confidence: float, until: float
) -> _Task | None:
    series = tuple(item for item in measure_section(job, section) if len(item.time))
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
    extra = [at + days for at in passages for days in (-1.0, 0.0, 1.0, 3.0, 7.0) if last < at + days < end]
    dates = np.unique(np.concatenate([behind, ahead[ahead < end], extra, [last + 1, last + 3, last + 7] if end > last + 7 else [], [end]]))
    stages = tuple(name for name, path in paths.items() if not path.begins_past or name == next(iter(paths)))
    shares = {stage.name: stage.share for stage in job.settings.stages}
    ratios = tuple(tuple(default_ratio(shares[name], shares[stages[0]]) for name in stages[1:]) for _ in series)
    return _Task(
        section, chainage, series, tuple(paths[name] for name in stages), stages, dates, last, job.settings.tunnel.width, noise, ratios, prior, confidence
    )


@dataclass(frozen=True)
class _Alone:
    """What a section says by itself."""

    posterior: ShapePosterior
    band: Floats
    amplitude: Floats
    amplitude_variance: Floats


def _alone(task: _Task) -> _Alone:
    model = task.model()
    posterior = shape_posterior(model, task.prior)
    predictions = model.predict(posterior.theta)
    band = np.zeros((len(task.series), 3))
    amplitude = np.zeros((len(task.series), len(task.stages)))
    variance = np.zeros_like(amplitude)
    tail = (1 - task.confidence) / 2
    for index, series in enumerate(task.series):
        found = predictions[index]
        deviation = np.sqrt(found.variance[:, -1:])
        band[index] = [
            float(mixture_quantile(probability, found.mean[:, -1:], deviation, posterior.weight)[0]) + series.kept_steps
            for probability in (tail, 0.5, 1 - tail)
        ]
        centre, within, between = mixture_moments(found.amplitude, found.amplitude_variance, posterior.weight)
        amplitude[index], variance[index] = centre, within + between
    return _Alone(posterior, band, amplitude, variance)


def _pooled(work: tuple[_Task, Floats]) -> SectionProjection:
    task, alone = work
    model = task.model()
    posterior = shape_posterior(model, task.prior)
    weight = posterior.weight
    predictions = model.predict(posterior.theta)
    kept = np.array([series.kept_steps for series in task.series])
    quantiles = np.stack([_quantiles(item.mean, item.variance, weight) for item in predictions]) + _kept_from_now(task, kept)
    totals = np.stack([_quantiles(item.mean + item.lost[:, None], item.total_variance + _ahead_variance(item), weight) for item in predictions])
    totals = totals + _kept_from_now(task, kept)
    rates = np.stack([_quantiles(item.rate, item.rate_variance, weight) for item in predictions])
    first, second = model.rate_dates
    lost = [mixture_moments(item.lost[:, None], item.lost_variance[:, None], weight) for item in predictions]
    final = [mixture_moments(item.mean[:, -1:], item.variance[:, -1:], weight) for item in predictions]
    law = np.array([float(item.unknown[-1]) for item in predictions])
    mean_shape = weight @ posterior.theta
    deviation = np.sqrt(weight @ (posterior.theta - mean_shape) ** 2)
    creep = np.exp(posterior.theta[:, 1:]).sum(axis=1)
    share = creep / (1 + creep)
    creep_share = float(weight @ share)
    passages = {name: path.passage() for name, path in zip(task.stages, task.paths, strict=True)}
    return SectionProjection(
        section=task.section, chainage=task.chainage, series=task.series, dates=task.dates, now=task.now,
        quantiles=quantiles, total_quantiles=totals, rate_quantiles=rates,
        rate_dates=np.stack([task.dates[first], task.dates[second]]),
        mean=np.stack([weight @ item.mean for item in predictions]) + _kept_from_now(task, kept)[..., 0],
        lost=np.array([float(item[0][0]) for item in lost]),
        lost_deviation=np.sqrt([float((item[1] + item[2])[0]) + _ahead_variance(found) for item, found in zip(lost, predictions, strict=True)]),
        by_stage=np.stack([weight @ item.by_stage for item in predictions]), stages=task.stages,
        parameter_deviation=np.sqrt([float(item[2][0]) for item in final]),
        reading_deviation=np.sqrt(np.maximum([float(item[1][0]) for item in final] - law, 0.0)),
        law_deviation=np.sqrt(law), alone=alone, shape=mean_shape, shape_deviation=deviation,
        prior_shape=task.prior.mean, prior_deviation=np.sqrt(np.diag(task.prior.covariance)),
        creep_share=creep_share, creep_share_deviation=float(np.sqrt(weight @ (share - creep_share) ** 2)),
        influence_length=float(np.exp(mean_shape[0])), at_bound=bool(not model.grid[1] < mean_shape[0] < model.grid[-2]),
        effective_samples=posterior.effective,
        future_passages={name: at for name, at in passages.items() if not at <= task.now},
    )


def _ahead_variance(found: Prediction) -> float:
    """Variance of the lost part from not knowing the share released ahead of the face [mm2]."""
    return float((FACE_SHARE_SPREAD * np.abs(found.amplitude[:, 0]).mean()) ** 2)


def _kept_from_now(task: _Task, kept: Floats) -> Floats:
    """Undeclared jumps added from the last reading on, shape (j, e, 1); the past is as it was."""
    return kept[:, None, None] * (task.dates >= task.now - 1e-9)[None, :, None]


def _quantiles(mean: Floats, variance: Floats, weight: Floats) -> Floats:
    return mixture_table(PROBABILITIES, mean, variance, weight)


def _site_ratios(tasks: Sequence[_Task], alone: Sequence[_Alone], stages: Sequence[Stage]) -> dict[tuple[str, str], StageRatio]:
    """What a later stage causes over the first, by measure label, from the sections it has passed a while ago.

    A precision-weighted mean over the sections, its spread the scatter between them and the error of the mean.
    """
    collected: dict[tuple[str, str], list[tuple[float, float]]] = {}
    for task, item in zip(tasks, alone, strict=True):
        for place, name in enumerate(task.stages[1:], start=1):
            passage = task.paths[place].passage()
            if not passage < task.now - 7.0 or not task.paths[place].at(task.now) > 0.75 * task.width:
                continue
            largest = float(np.abs(item.amplitude[:, 0]).max())
            for index, series in enumerate(task.series):
                first = item.amplitude[index, 0]
                if series.time[0] > passage - 3.0 or abs(first) < 0.2 * largest:
                    continue
                ratio = item.amplitude[index, place] / first
                error = np.sqrt(item.amplitude_variance[index, place] + ratio**2 * item.amplitude_variance[index, 0]) / abs(first)
                collected.setdefault((series.label, name), []).append((float(ratio), float(error)))
    shares = {stage.name: stage.share for stage in stages}
    found = {}
    for (label, name), values in collected.items():
        if len(values) < FEWEST_RATIOS:
            continue
        ratio, error = np.array(values).T
        weight = 1.0 / (error**2 + 0.1**2)
        mean = float((weight * ratio).sum() / weight.sum())
        scatter = float((weight * (ratio - mean) ** 2).sum() / weight.sum())
        fallback = default_ratio(shares[name], shares[stages[0].name])
        # with few sections the scatter is hardly known: the assumed spread counts as two more sections
        count = len(values)
        spread = float(np.sqrt((count * scatter + 2 * (0.5 * fallback.spread) ** 2) / (count + 2) + 1.0 / weight.sum()))
        found[label, name] = StageRatio(mean, spread)
    return found


def _replace(task: _Task, prior: ShapePrior, ratios: dict[tuple[str, str], StageRatio]) -> _Task:
    """The task with the pooled prior and the site's stage ratios."""
    own = tuple(
        tuple(ratios.get((series.label, name), task.ratios[index][place]) for place, name in enumerate(task.stages[1:]))
        for index, series in enumerate(task.series)
    )
    return _Task(
        task.section, task.chainage, task.series, task.paths, task.stages, task.dates, task.now, task.width, task.noise, own, prior, task.confidence
    )


def _each(function: Callable[[T], R], items: Sequence[T], processes: int, step: Callable[[], None]) -> list[R]:
    """The function over the items, in their order, in this process or in several."""
    if processes <= 1 or len(items) < 2:
        found = []
        for item in items:
            found.append(function(item))
            step()
        return found
    with ProcessPoolExecutor(min(processes, len(items), os.cpu_count() or 1)) as pool:
        found = []
        for result in pool.map(function, items):
            found.append(result)
            step()
        return found
