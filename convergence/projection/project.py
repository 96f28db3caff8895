"""Projections: every measure of every section carried to the horizon, with bands, from shapes pooled over the site."""

from __future__ import annotations

import os
from collections.abc import Callable, Iterable, Sequence
from concurrent.futures import ProcessPoolExecutor
from dataclasses import replace
from typing import TypeVar

import numpy as np

from convergence.job.advance import USUAL_TIMING, RoundTiming
from convergence.job.stages import stage_shares
from convergence.measures.tunnel import measure_section
from convergence.projection.evidence import shared_by_sweep
from convergence.projection.ground import changes_near, gather, same_ground
from convergence.projection.patterns import site_patterns, site_sizes
from convergence.projection.plan import AdvancePlan, FaceTrack, face_tracks
from convergence.projection.pool import pool_sections
from convergence.projection.prior import physical_prior, unread_creep_deviation
from convergence.projection.ratios import site_ratios
from convergence.projection.result import Projection
from convergence.projection.rounds import round_timing, telling
from convergence.projection.task import SectionTask, section_task, with_pool
from convergence.projection.threads import one_thread
from convergence.projection.work import project_alone, project_pooled, refine
from convergence.survey.job import Job
from convergence.survey.noise import estimate_noise

T = TypeVar("T")
R = TypeVar("R")

#: Times the pooling is repeated from shapes found under the pooled prior.
ROUNDS = 2


@one_thread()
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
    prior = physical_prior(job.settings.tunnel.width)
    shared = shared_by_sweep(job.arrays, noise)

    measured = {section: tuple(measure_section(job, section)) for section in job.sections}

    def assembled(timing: RoundTiming, sections: Iterable[str]) -> tuple[dict[str, FaceTrack], list[SectionTask]]:
        tracks = face_tracks(job.settings, job.folder.advance, job.epoch, until, latest, plan, timing)
        found = (
            section_task(job, section, measured[section], tracks, horizon, noise, prior, confidence, until, shared)
            for section in sections
        )
        return tracks, [task for task in found if task is not None]

    tracks, tasks = assembled(USUAL_TIMING, measured)
    if not tasks:
        return Projection({}, tracks, noise, confidence, horizon, job.epoch, until, 1.0, job.folder.fingerprint)
    asked = telling(tasks)
    timing, timings = round_timing(lambda timing: assembled(timing, asked)[1])
    if timing != USUAL_TIMING:
        tracks, tasks = assembled(timing, measured)
    total = (3 + ROUNDS) * len(tasks)
    done = 0

    def step() -> None:
        nonlocal done
        done += 1
        if progress is not None:
            progress(done, total)

    tasks = _each(SectionTask.prepared, tasks, processes, step)
    alone = _each(project_alone, tasks, processes, step)
    places = np.array([task.chainage for task in tasks])
    shapes = [item.posterior for item in alone]
    pool = pool_sections(places, shapes, prior)
    for _ in range(ROUNDS):
        # a section far off alone is summed up again about the point where the others put it
        between = [
            with_pool(task, pool.priors[index], {}, start=shapes[index].best) for index, task in enumerate(tasks)
        ]
        refined = _each(refine, between, processes, step)
        shapes = [item.posterior for item in refined]
        together = same_ground(gather(places, shapes, prior, *site_sizes(tasks, refined)), prior)
        pool = pool_sections(places, shapes, prior, together)
    patterns = site_patterns(tasks, refined, together)
    unread = unread_creep_deviation(prior)
    ratios = site_ratios(tasks, alone, stage_shares(job.settings))
    second = [
        (
            with_pool(task, pool.priors[index], ratios[index], patterns[index], shapes[index].best),
            alone[index].band,
            alone[index].creep_deviation / unread,
        )
        for index, task in enumerate(tasks)
    ]
    found = _each(project_pooled, second, processes, step)
    names = [task.section for task in tasks]
    for index, item in enumerate(found):
        changes = [(names[one], names[two], chance) for one, two, chance in changes_near(places, together, index)]
        found[index] = replace(item, ground_changes=tuple(changes))
    return Projection(
        {item.section: item for item in found},
        tracks,
        noise,
        confidence,
        horizon,
        job.epoch,
        until,
        pool.factor,
        job.folder.fingerprint,
        together,
        shared,
        timing,
        timings,
    )


def last_data_day(job: Job) -> float:
    """Day of the last reading or round used; it does not depend on ``as_of`` but through the data."""
    days = [float(array["days"].values[-1]) for array in job.arrays.values() if array.sizes["epoch"]]
    days += [job.days(log.time[-1]) for log in job.folder.advance.values() if len(log)]
    return max(days)


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
