"""The work on one section: alone with the physical prior, then again with what the other sections say."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from convergence.projection.mixture import mixture_moments, mixture_quantile, mixture_table
from convergence.projection.prior import FACE_SHARE_SPREAD
from convergence.projection.result import PROBABILITIES, SectionProjection
from convergence.projection.section import Prediction
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


def project_alone(task: SectionTask) -> AloneResult:
    """What a section's own readings and the physical prior say: its shape, finals and amplitudes."""
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
    return AloneResult(posterior, band, amplitude, variance)


def refine(task: SectionTask) -> ShapePosterior:
    """What a section's readings say of its shape about the best point under the prior of its task."""
    return shape_posterior(task.model(), task.prior, sampled=False)


def project_pooled(work: tuple[SectionTask, Floats]) -> SectionProjection:
    """The projection of a section whose task carries the pooled prior; with it come the finals it had alone."""
    task, alone = work
    model = task.model()
    posterior = shape_posterior(model, task.prior)
    weight = posterior.weight
    predictions = model.predict(posterior.theta)
    kept = np.array([series.kept_steps for series in task.series])
    quantiles = np.stack([_quantiles(item.mean, item.variance, weight) for item in predictions]) + _kept_from_now(
        task, kept
    )
    totals = np.stack(
        [
            _quantiles(item.mean + item.lost[:, None], item.total_variance + _ahead_variance(item), weight)
            for item in predictions
        ]
    )
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
        section=task.section,
        chainage=task.chainage,
        series=task.series,
        dates=task.dates,
        now=task.now,
        quantiles=quantiles,
        total_quantiles=totals,
        rate_quantiles=rates,
        rate_dates=np.stack([task.dates[first], task.dates[second]]),
        mean=np.stack([weight @ item.mean for item in predictions]) + _kept_from_now(task, kept)[..., 0],
        lost=np.array([float(item[0][0]) for item in lost]),
        lost_deviation=np.sqrt(
            [
                float((item[1] + item[2])[0]) + _ahead_variance(found)
                for item, found in zip(lost, predictions, strict=True)
            ]
        ),
        by_stage=np.stack([weight @ item.by_stage for item in predictions]),
        stages=task.stages,
        parameter_deviation=np.sqrt([float(item[2][0]) for item in final]),
        reading_deviation=np.sqrt(np.maximum([float(item[1][0]) for item in final] - law, 0.0)),
        law_deviation=np.sqrt(law),
        alone=alone,
        shape=mean_shape,
        shape_deviation=deviation,
        prior_shape=task.prior.mean,
        prior_deviation=np.sqrt(np.diag(task.prior.covariance)),
        creep_share=creep_share,
        creep_share_deviation=float(np.sqrt(weight @ (share - creep_share) ** 2)),
        influence_length=float(np.exp(mean_shape[0])),
        at_bound=bool(not model.grid[1] < mean_shape[0] < model.grid[-2]),
        effective_samples=posterior.effective,
        future_passages={name: at for name, at in passages.items() if not at <= task.now},
    )


def _ahead_variance(found: Prediction) -> float:
    """Variance of the lost part from not knowing the share released ahead of the face [mm2]."""
    return float((FACE_SHARE_SPREAD * np.abs(found.amplitude[:, 0]).mean()) ** 2)


def _kept_from_now(task: SectionTask, kept: Floats) -> Floats:
    """Undeclared jumps added from the last reading on, shape (j, e, 1); the past is as it was."""
    return kept[:, None, None] * (task.dates >= task.now - 1e-9)[None, :, None]


def _quantiles(mean: Floats, variance: Floats, weight: Floats) -> Floats:
    return mixture_table(PROBABILITIES, mean, variance, weight)
