"""When in a round the ground is taken away, found from the readings of the site.

A log gives the end of each round, and no more: of a blast the ground is gone in an instant, a machine digs for hours,
and the end may be written down when the face is bare or when its support stands. A section's first rounds decide how
much of its movement came before the zero reading, so a face that is taken to creep forward all day where it is blasted
lets a fast hour look like a great movement to come. The readings of a few sections near the face tell the two apart:
each timing is judged by the evidence of their models (Laplace about the best shape), all on the same bins.

Within the span of a timing the instant stays unknown, for which the section's model carries a covariance
(`convergence.projection.section`); a reading made within it is not held against the face.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Sequence
from dataclasses import replace

import numpy as np
import numpy.typing as npt

from convergence.job.advance import USUAL_TIMING, RoundTiming
from convergence.projection.bins import bin_section
from convergence.projection.shape import shape_posterior
from convergence.projection.task import ROUNDS_FELT, SectionTask

Floats = npt.NDArray[np.float64]

#: Timings that are compared, the usual one first.
TIMINGS = (
    USUAL_TIMING,
    RoundTiming(0.1, 0.0, "at its logged end"),
    RoundTiming(1.0, 0.0, "at any time in it"),
    RoundTiming(2 / 3, 1 / 3, "in its middle third"),
    RoundTiming(1.0, 2 / 3, "in its first third"),
)
#: Sections that are asked, and readings with the face near that one must have to be asked.
ASKED, FEWEST = 5, 6
#: Log evidence by which another timing must be the better one: odds of twenty to one.
DECISIVE = 3.0


def telling(tasks: Iterable[SectionTask]) -> list[str]:
    """The sections whose readings tell rounds apart the best: read from near the face on, and most often there."""
    count = {}
    for task in tasks:
        distance = task.paths[0].at(task.series[0].time)
        near = np.abs(distance) < ROUNDS_FELT * task.width
        count[task.section] = int(near.sum()) if near[0] else 0
    best = sorted((name for name in count if count[name] >= FEWEST), key=lambda name: -count[name])
    return best[:ASKED]


def round_timing(gather: Callable[[RoundTiming], Sequence[SectionTask]]) -> tuple[RoundTiming, dict[str, float]]:
    """The timing that the readings bear out, and the log evidence of each over the usual one.

    Parameters
    ----------
    gather : callable
        Tasks of the telling sections, in one order, with the faces by a timing; none where nothing tells.

    Returns
    -------
    timing : RoundTiming
        The best, if better than the usual one by ``DECISIVE``.
    evidence : dict of str to float
        By the words of the timing; empty where nothing tells.
    """
    gathered = {timing: gather(timing) for timing in TIMINGS}
    of_section = list(zip(*gathered.values(), strict=True))
    if not of_section:
        return USUAL_TIMING, {}
    found = dict.fromkeys(TIMINGS, 0.0)
    for tasks in of_section:
        bins = bin_section(tasks[0].series, tasks[0].noise, np.concatenate([task.breaks for task in tasks]))
        start = None
        for timing, task in zip(TIMINGS, tasks, strict=True):
            # no projection is asked for, and the best shape under one timing lies near that under another
            value, start = _evidence(replace(task, dates=task.dates[-1:], start=start).prepared(bins))
            found[timing] += value
    gains = {timing.words: found[timing] - found[USUAL_TIMING] for timing in TIMINGS}
    best = max(TIMINGS, key=lambda timing: found[timing])
    return (best if gains[best.words] > DECISIVE else USUAL_TIMING), gains


def _evidence(task: SectionTask) -> tuple[float, Floats]:
    """Log evidence of a section's readings, as that of so many independent series as they are worth; its best shape."""
    model = task.model()
    posterior = shape_posterior(model, task.prior, sampled=False, start=task.start, effective=task.effective)
    if not len(model.informing):
        return 0.0, posterior.best
    away = posterior.best - task.prior.mean
    distance = away @ np.linalg.solve(task.prior.covariance, away)
    volume = np.linalg.slogdet(np.eye(len(away)) + task.prior.covariance @ posterior.information)[1]
    temper = min(1.0, task.effective / len(model.informing))
    return float(temper * model.log_evidence(posterior.best) - 0.5 * (distance + volume)), posterior.best
