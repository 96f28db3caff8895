"""The work on one section: alone with the physical prior, then again with what the other sections say."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
import numpy.typing as npt
from scipy.special import ndtri

from convergence.projection.mixture import mixture_moments, mixture_quantile, mixture_table
from convergence.projection.planned import deviation_after, readings_a_day
from convergence.projection.prediction import Prediction
from convergence.projection.prior import (
    DISAGREEMENT,
    FACE_SHARE_SPREAD,
    LARGEST_SHARE,
    LONGEST_LENGTH,
    MOST_WIDENING,
    SHORTEST_LENGTH,
    TAIL,
    creep_share_deviation,
)
from convergence.projection.result import PROBABILITIES, SectionProjection
from convergence.projection.shape import ShapePosterior, shape_posterior
from convergence.projection.task import SectionTask

Floats = npt.NDArray[np.float64]


@dataclass(frozen=True)
class AloneResult:
    """What a section says by itself."""

    posterior: ShapePosterior
    band: Floats
    amplitude: Floats
    amplitude_variance: Floats
    creep_deviation: float


def project_alone(task: SectionTask) -> AloneResult:
    """What a section's own readings and the physical prior say: its shape, finals and amplitudes."""
    model = task.model()
    posterior = shape_posterior(model, task.prior, effective=task.effective)
    # of a section alone only the final value is handed on
    now = int(np.searchsorted(task.dates, task.now - 1e-9))
    places = np.unique([now, len(task.dates) - 1])
    predictions = [
        _with_tail(item, posterior.weight, 0) for item in model.predict(posterior.theta, posterior.weight, places)
    ]
    tail = (1 - task.confidence) / 2
    ends = np.stack([item.mean[:, -1] for item in predictions], axis=1)
    spreads = np.sqrt(np.stack([item.variance[:, -1] for item in predictions], axis=1))
    kept = np.array([series.kept_steps for series in task.series])
    band = kept[:, None] + np.stack(
        [mixture_quantile(share, ends, spreads, posterior.weight) for share in (tail, 0.5, 1 - tail)], axis=1
    )
    amplitude = np.zeros((len(task.series), len(task.stages)))
    variance = np.zeros_like(amplitude)
    for index, found in enumerate(predictions):
        centre, within, between = mixture_moments(found.amplitude, found.amplitude_variance, posterior.weight)
        amplitude[index], variance[index] = centre, within + between
    _, deviation_of_creep = creep_share_deviation(posterior.theta, posterior.weight)
    return AloneResult(posterior, band, amplitude, variance, deviation_of_creep)


@dataclass(frozen=True)
class Refined:
    """What a section's readings say about the best point under the prior of its task.

    Attributes
    ----------
    posterior : ShapePosterior
        Its shape.
    amplitude : (j,) array
        Amplitude of the first stage of each series [mm].
    own_variance : (j,) array
        Variance of each, given the shape [mm2].
    along_shape : (d, j) array
        What the amplitudes change together by one standard deviation along each axis of what is not known of the
        shape [mm].
    """

    posterior: ShapePosterior
    amplitude: Floats
    own_variance: Floats
    along_shape: Floats


def refine(task: SectionTask) -> Refined:
    """A section's shape and amplitudes about the best point under the prior of its task, without a pattern."""
    model = task.model()
    posterior = shape_posterior(model, task.prior, sampled=False, start=task.start, effective=task.effective)
    total = posterior.information + np.linalg.inv(task.prior.covariance)
    axes = np.linalg.cholesky(np.linalg.inv(total)).T
    theta = np.concatenate([posterior.best[None], posterior.best + axes, posterior.best - axes])
    mean, covariance = model.amplitudes(theta, np.arange(len(task.series)))
    first = mean[:, :, 0]
    up, down = first[:, 1 : 1 + len(axes)], first[:, 1 + len(axes) :]
    return Refined(posterior, first[:, 0], covariance[:, 0, 0, 0], ((up - down) / 2).T)


def project_pooled(work: tuple[SectionTask, Floats, float]) -> SectionProjection:
    """The projection of a section whose task carries the pooled prior.

    With the task come the finals the section had alone, and how far its own readings tell its creep share, over what is
    known before any reading.
    """
    task, alone, unread = work
    model = task.model()
    posterior = shape_posterior(model, task.prior, start=task.start, effective=task.effective)
    weight = posterior.weight
    now = int(np.searchsorted(task.dates, task.now - 1e-9))
    predictions = [_with_tail(item, weight, now) for item in model.predict(posterior.theta, weight)]
    kept = np.array([series.kept_steps for series in task.series])
    quantiles = _undecided(task, kept, np.stack([_quantiles(item.mean, item.variance, weight) for item in predictions]))
    totals = np.stack(
        [
            _quantiles(item.mean + item.lost[:, None], item.total_variance + _ahead_variance(item), weight)
            for item in predictions
        ]
    )
    totals = _undecided(task, kept, totals)
    widening = _widening(task, alone, quantiles)
    quantiles, totals = (_widened(task, item, widening) for item in (quantiles, totals))
    rates = np.stack([_quantiles(item.rate, item.rate_variance, weight) for item in predictions])
    first, second = model.rate_dates
    lost = [mixture_moments(item.lost[:, None], item.lost_variance[:, None], weight) for item in predictions]
    final = [mixture_moments(item.mean[:, -1:], item.variance[:, -1:], weight) for item in predictions]
    law = np.array([float(item.unknown[-1]) for item in predictions])
    deviation_now = widening * np.sqrt([float(item[1][0] + item[2][0]) for item in final])
    mean_shape = weight @ posterior.theta
    deviation = np.sqrt(weight @ (posterior.theta - mean_shape) ** 2)
    creep_share, deviation_of_creep = creep_share_deviation(posterior.theta, weight)
    # the profile along the axis is another than that of settlement and closure, so the part before the zero is not
    # known
    unknown_lost = np.array([series.measure == "longitudinal" for series in task.series])
    passages = {name: path.passage() for name, path in zip(task.stages, task.paths, strict=True)}
    return SectionProjection(
        section=task.section,
        chainage=task.chainage,
        site_chainage=task.site_chainage,
        series=task.series,
        dates=task.dates,
        now=task.now,
        quantiles=quantiles,
        total_quantiles=totals,
        rate_quantiles=rates,
        rate_dates=np.stack([task.dates[first], task.dates[second]]),
        mean=np.stack([weight @ item.mean for item in predictions]) + _kept_from_now(task, kept)[..., 0],
        lost=np.where(unknown_lost, np.nan, [float(item[0][0]) for item in lost]),
        lost_deviation=np.where(
            unknown_lost,
            np.nan,
            np.sqrt(
                [
                    float((item[1] + item[2])[0]) + _ahead_variance(found)
                    for item, found in zip(lost, predictions, strict=True)
                ]
            ),
        ),
        by_stage=np.stack([weight @ item.by_stage for item in predictions]),
        stages=task.stages,
        stage_correlation=np.stack([_correlation(item.stage_covariance) for item in predictions]),
        stage_deviation=widening[:, None] * np.sqrt([np.diag(item.stage_covariance) for item in predictions]),
        widening=widening,
        stop=task.stop,
        deviation=deviation_now,
        # a reading more tells no less; the tail's part is worked out on means in the one and on samples in the other
        deviation_after_stop=np.minimum(widening * _after_stop(task, predictions), deviation_now),
        parameter_deviation=np.sqrt([float(item[2][0]) for item in final]),
        reading_deviation=np.sqrt(np.maximum([float(item[1][0]) for item in final] - law, 0.0)),
        law_deviation=np.sqrt(law),
        alone=alone,
        shape=mean_shape,
        shape_deviation=deviation,
        prior_shape=task.prior.mean,
        prior_deviation=np.sqrt(np.diag(task.prior.covariance)),
        creep_share=creep_share,
        creep_share_deviation=deviation_of_creep,
        own_creep_knowledge=unread,
        influence_length=float(np.exp(mean_shape[0])),
        at_bound=bool(not SHORTEST_LENGTH < np.exp(mean_shape[0]) / task.width < LONGEST_LENGTH),
        effective_samples=posterior.effective,
        future_passages={name: at for name, at in passages.items() if not at <= task.now},
        standing=task.standing,
        horizon_day=task.horizon_day,
        run_away=np.abs([float(item[0][0]) for item in final]) > LARGEST_SHARE * task.width * 1e3,
    )


def _ahead_variance(found: Prediction) -> float:
    """Variance of the lost part from not knowing the share released ahead of the face [mm2]."""
    return float((FACE_SHARE_SPREAD * np.abs(found.instantaneous).mean()) ** 2)


def _with_tail(found: Prediction, weight: Floats, now: int) -> Prediction:
    """The prediction with the tail's own uncertainty: a share of what each sample says is to come after date now."""
    coming = np.maximum.accumulate(np.abs(found.mean - found.mean[:, now : now + 1])[:, now:], axis=1)
    tail = np.concatenate([np.zeros((len(coming), now)), (TAIL * coming) ** 2], axis=1)
    return replace(
        found,
        variance=found.variance + tail,
        total_variance=found.total_variance + tail,
        unknown=found.unknown + weight @ tail,
        rate_variance=found.rate_variance + (TAIL * found.rate) ** 2,
    )


def _widening(task: SectionTask, alone: Floats, quantiles: Floats) -> Floats:
    """Factor on each band where the other sections move the final value further than they should be able to, (j,).

    If the pooled final is the section's own with something more known, the two differ by no more than the part of the
    variance that the others took away.
    """
    reach = float(ndtri(0.5 + task.confidence / 2))
    low, middle, high = np.array([np.interp((0.05, 0.5, 0.95), PROBABILITIES, row) for row in quantiles[:, -1]]).T
    pooled = (high - low) / (2 * 1.645)
    own = (alone[:, 2] - alone[:, 0]) / (2 * reach)
    taken = np.sqrt(np.maximum(own**2 - pooled**2, (0.5 * own) ** 2))
    away = np.abs(middle - alone[:, 1]) / np.maximum(taken, 1e-9)
    return np.asarray(np.clip(away / DISAGREEMENT, 1.0, MOST_WIDENING))


def _widened(task: SectionTask, quantiles: Floats, factor: Floats) -> Floats:
    """Quantiles (j, e, q) with what lies ahead spread about its median by a factor of each measure."""
    # between the tabulated probabilities the quantiles are straight
    after = int(np.searchsorted(PROBABILITIES, 0.5))
    before = after - 1
    share = (0.5 - PROBABILITIES[before]) / (PROBABILITIES[after] - PROBABILITIES[before])
    middle = ((1 - share) * quantiles[..., before] + share * quantiles[..., after])[..., None]
    ahead = (task.dates >= task.now - 1e-9)[None, :, None]
    return np.where(ahead, middle + (quantiles - middle) * factor[:, None, None], quantiles)


def _correlation(covariance: Floats) -> Floats:
    """Correlations of the stages' parts; 0 beside a part without spread."""
    size = np.sqrt(np.maximum(np.diag(covariance), 1e-18))
    found = covariance / (size[:, None] * size[None, :])
    return np.asarray(np.where(np.eye(len(size), dtype=bool), 1.0, np.clip(found, -1.0, 1.0)))


def _after_stop(task: SectionTask, predictions: list[Prediction]) -> Floats:
    """Standard deviation of each final value expected once the next stop has been read [mm]; NaN without a stop."""
    if task.stop is None:
        return np.full(len(predictions), np.nan)
    return np.array(
        [
            np.hypot(
                deviation_after(
                    task.dates, item.joint, task.now, task.stop[1], readings_a_day(series.time, task.now),
                    task.noise.scaled(series.measure),
                ),
                TAIL * abs(float(item.mean[:, -1].mean() - item.mean[:, np.searchsorted(task.dates, task.now)].mean())),
            )
            for series, item in zip(task.series, predictions, strict=True)
        ]
    )  # fmt: skip


def _undecided(task: SectionTask, kept: Floats, quantiles: Floats) -> Floats:
    """Quantiles (j, e, q) where undeclared jumps may be movement or a knocked prism, from the last reading on.

    The middle follows the readings, jump and all; the band holds both readings of the jump.
    """
    moved = quantiles + _kept_from_now(task, kept)
    low, high = np.minimum(moved, quantiles), np.maximum(moved, quantiles)
    return np.where(PROBABILITIES < 0.5, low, np.where(PROBABILITIES > 0.5, high, moved))


def _kept_from_now(task: SectionTask, kept: Floats) -> Floats:
    """Undeclared jumps added from the last reading on, shape (j, e, 1); the past is as it was."""
    return kept[:, None, None] * (task.dates >= task.now - 1e-9)[None, :, None]


def _quantiles(mean: Floats, variance: Floats, weight: Floats) -> Floats:
    return mixture_table(PROBABILITIES, mean, variance, weight)
