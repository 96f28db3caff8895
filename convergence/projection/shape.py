"""The posterior of one section's shape: the best point, the curvature there, and weighted samples about it.

The samples come from a Student density about the best point and are weighted by the exact density, so a skew or
long-tailed posterior (creep that readings of a few days cannot tell) is kept as it is.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from convergence.projection.evidence import MOST_SERIES
from convergence.projection.prior import ShapePrior
from convergence.projection.section import SectionModel

Floats = npt.NDArray[np.float64]
Density = Callable[[Floats], Floats]

#: Samples of the shape; the spread of a quantile they leave is a few percent of the band.
SAMPLES = 300
FREEDOM = 6.0
#: Step of the finite differences in the logarithms of length, power and ratios.
STEP = 0.05
#: Times the covariance of noise and unknown part is fixed at the best point found so far.
ANCHORS = 3
#: Newton's steps to the best point: how many, how long in any direction, the shares of a step that are tried, and the
#: gain of the log density under which no further one is taken.
MOST_STEPS, LONGEST_STEP, SHARES, ENOUGH = 30, 1.0, np.array([1.0, 0.5, 0.2, 0.05]), 1e-6


@dataclass(frozen=True)
class Summit:
    """A point theta with the value, the slope and the curvature (never negative) of the log likelihood there."""

    at: Floats
    value: float
    gradient: Floats
    information: Floats


@dataclass(frozen=True)
class ShapePosterior:
    """What a section says of its shape.

    Attributes
    ----------
    best : (d,) array
        Most probable theta.
    information : (d, d) array
        Curvature of the log likelihood there (of the readings alone, without the prior).
    gradient_shift : (d,) array
        information @ (where the readings alone would pull to); with the information it stands for the likelihood.
    theta : (s, d) array
        Samples.
    weight : (s,) array
        Their weights, summing to 1.
    effective : float
        Effective number of samples.
    """

    best: Floats
    information: Floats
    gradient_shift: Floats
    theta: Floats
    weight: Floats
    effective: float


def shape_posterior(
    model: SectionModel,
    prior: ShapePrior,
    sampled: bool = True,
    start: Floats | None = None,
    effective: float = MOST_SERIES,
) -> ShapePosterior:
    """Find a section's shape under a prior.

    The sizes and the covariance of the unknown part are fixed at the best point, found ``ANCHORS`` times, or once less
    from a point found before.

    Parameters
    ----------
    model : SectionModel
        The section.
    prior : ShapePrior
        What is known beforehand.
    sampled : bool
        Whether samples are drawn; without, the best point stands as the only one, which is enough for pooling.
    start : (d,) array, optional
        Where to begin: the best point under another prior. The prior's mean unless given.
    effective : float
        Number of independent series the evidence of all of them together is counted as.
    """
    dimension = len(prior.mean)
    precision = np.asarray(np.linalg.inv(prior.covariance), dtype=np.float64)
    temper = min(1.0, effective / max(len(model.informing), 1))

    def log_density(theta: Floats) -> Floats:
        away = theta - prior.mean
        quadratic = -0.5 * np.einsum("si,ij,sj->s", away, precision, away)
        if not len(model.informing):
            return np.asarray(quadratic)
        return np.asarray(tempered(theta) + quadratic)

    def tempered(theta: Floats) -> Floats:
        return np.asarray(temper * model.log_likelihood(theta))

    best = prior.mean if start is None else start
    if len(model.informing):
        for _ in range(ANCHORS - 1 if start is None else ANCHORS - 2):
            model.anchor(best)
            best = _maximise(tempered, best, prior, precision).at
            model.resize(best)
        model.anchor(best)
        summit = _maximise(tempered, best, prior, precision)
        best, information, gradient = summit.at, summit.information, summit.gradient
    else:
        model.anchor(best)
        information, gradient = np.zeros((dimension, dimension)), np.zeros(dimension)
    total = information + precision
    if not sampled:
        return ShapePosterior(best, information, information @ best + gradient, best[None], np.ones(1), 1.0)
    theta, weight, samples = _sample(log_density, best, np.asarray(np.linalg.inv(total), dtype=np.float64))
    return ShapePosterior(best, information, information @ best + gradient, theta, weight, samples)


def _maximise(log_likelihood: Density, best: Floats, prior: ShapePrior, precision: Floats) -> Summit:
    """Most probable point by Newton's steps, from derivatives of one batch of points each.

    The curvature of the prior is exact and that of the readings never taken as negative, so every step goes uphill at
    first; of some shares of it the one that rises highest is taken.
    """
    summit = _derivatives(log_likelihood, best)
    for _ in range(MOST_STEPS):
        away = summit.at - prior.mean
        slope = summit.gradient - precision @ away
        step = np.linalg.solve(summit.information + precision, slope)
        step *= min(1.0, LONGEST_STEP / max(float(np.abs(step).max()), 1e-12))
        if float(slope @ step) < ENOUGH:
            break
        tried = summit.at + SHARES[:, None] * step
        aside = tried - prior.mean
        heights = log_likelihood(tried) - 0.5 * np.einsum("si,ij,sj->s", aside, precision, aside)
        highest = int(np.argmax(heights))
        if heights[highest] < summit.value - 0.5 * away @ precision @ away + ENOUGH:
            break
        summit = _derivatives(log_likelihood, tried[highest])
    return summit


def _derivatives(function: Density, at: Floats) -> Summit:
    """Value, first and second derivatives by central differences, one batch."""
    dimension = len(at)
    unit = STEP * np.eye(dimension)
    first, second = np.tril_indices(dimension, -1)
    points = [at[None], at + unit, at - unit]
    points += [at + one * unit[first] + other * unit[second] for one in (1, -1) for other in (1, -1)]
    values = function(np.concatenate(points))
    centre, plus, minus = values[0], values[1 : 1 + dimension], values[1 + dimension : 1 + 2 * dimension]
    hessian = np.diag((plus - 2 * centre + minus) / STEP**2)
    both, one, other, none = values[1 + 2 * dimension :].reshape(4, -1)
    hessian[first, second] = hessian[second, first] = (both - one - other + none) / (4 * STEP**2)
    return Summit(at, float(centre), (plus - minus) / (2 * STEP), _positive(-hessian))


def _positive(matrix: Floats) -> Floats:
    """The nearest matrix without negative curvature."""
    values, vectors = np.linalg.eigh((matrix + matrix.T) / 2)
    return np.asarray((vectors * np.maximum(values, 0.0)) @ vectors.T)


def _sample(log_density: Density, best: Floats, covariance: Floats) -> tuple[Floats, Floats, float]:
    """Samples from a Student density about the best point, weighted; refined twice where they fit badly."""
    generator = np.random.default_rng(
        20_240_101
    )  # one fixed stream for all sections: the same readings give the same numbers
    dimension = len(best)
    centre = best
    for _ in range(3):
        root = np.linalg.cholesky(covariance + 1e-9 * np.eye(dimension))
        normal = generator.standard_normal((SAMPLES // 2, dimension))
        normal = np.concatenate([normal, -normal])
        chi = np.repeat(generator.chisquare(FREEDOM, SAMPLES // 2)[None], 2, axis=0).reshape(-1)
        standard = normal / np.sqrt(chi / FREEDOM)[:, None]
        theta = centre + standard @ root.T
        proposal = -0.5 * (FREEDOM + dimension) * np.log1p((standard**2).sum(axis=1) / FREEDOM)
        logs = log_density(theta) - proposal
        weight = np.exp(logs - logs.max())
        # weights beyond a tenth of the total would let one sample speak for the section
        for _ in range(20):
            weight = np.minimum(weight / weight.sum(), 0.1)
        weight = weight / weight.sum()
        effective = float(1.0 / (weight**2).sum())
        if effective > 0.25 * SAMPLES:
            break
        centre = weight @ theta
        covariance = (theta - centre).T @ ((theta - centre) * weight[:, None]) * 1.2 + 1e-6 * np.eye(dimension)
    return theta, weight, effective
