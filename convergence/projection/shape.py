"""The posterior of one section's shape: the best point, the curvature there, and weighted samples about it.

The samples come from a Student density about the best point and are weighted by the exact density, so a skew or
long-tailed posterior (creep that readings of a few days cannot tell) is kept as it is.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
from scipy.optimize import minimize

from convergence.projection.prior import ShapePrior
from convergence.projection.section import SectionModel

Floats = npt.NDArray[np.float64]

#: Samples of the shape; the spread of a quantile they leave is a few percent of the band.
SAMPLES = 300
FREEDOM = 6.0
#: Step of the finite differences in the logarithms of length, power and ratios.
STEP = 0.05
#: Sweep noise and shared ground make the series of a section agree more than independent ones would; the evidence of
#: all of them together is counted as that of this many independent series at the most.
EFFECTIVE_SERIES = 6.0


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


def shape_posterior(model: SectionModel, prior: ShapePrior, sampled: bool = True) -> ShapePosterior:
    """Find a section's shape under a prior.

    The sizes and the covariance of the unknown part are fixed at the best point, found twice.

    Parameters
    ----------
    model : SectionModel
        The section.
    prior : ShapePrior
        What is known beforehand.
    sampled : bool
        Whether samples are drawn; without, the best point stands as the only one, which is enough for pooling.
    """
    dimension = len(prior.mean)
    precision = np.linalg.inv(prior.covariance)
    temper = min(1.0, EFFECTIVE_SERIES / max(len(model.informing), 1))

    def log_density(theta: Floats) -> Floats:
        away = theta - prior.mean
        quadratic = -0.5 * np.einsum("si,ij,sj->s", away, precision, away)
        if not len(model.informing):
            return np.asarray(quadratic)
        return np.asarray(temper * model.log_likelihood(theta) + quadratic)

    best = prior.mean.copy()
    if len(model.informing):
        for _ in range(2):
            model.anchor(best)
            best = _maximise(log_density, best)
            model.resize(best)
        model.anchor(best)
        best = _maximise(log_density, best)
        hessian, gradient = _curvature(lambda theta: temper * model.log_likelihood(theta), best)
        information = _positive(-hessian)
    else:
        model.anchor(best)
        information, gradient = np.zeros((dimension, dimension)), np.zeros(dimension)
    total = information + precision
    if not sampled:
        return ShapePosterior(best, information, information @ best + gradient, best[None], np.ones(1), 1.0)
    theta, weight, effective = _sample(log_density, best, np.linalg.inv(total))
    return ShapePosterior(best, information, information @ best + gradient, theta, weight, effective)


def _maximise(log_density: object, start: Floats) -> Floats:
    """Best point by quasi-Newton steps with batched central differences."""
    assert callable(log_density)
    dimension = len(start)
    steps = np.full(dimension, STEP)
    offsets = np.concatenate([np.zeros((1, dimension)), np.diag(steps), -np.diag(steps)])

    def value_and_gradient(theta: Floats) -> tuple[float, Floats]:
        values = log_density(theta[None] + offsets)
        return -float(values[0]), -np.asarray(values[1 : 1 + dimension] - values[1 + dimension :]) / (2 * steps)

    found = minimize(
        value_and_gradient,
        start,
        jac=True,
        method="L-BFGS-B",
        bounds=[(value - 8.0, value + 8.0) for value in start],
        options={"maxiter": 60, "ftol": 1e-9},
    )
    return np.asarray(found.x)


def _curvature(function: object, at: Floats) -> tuple[Floats, Floats]:
    """Second and first derivatives by central differences, one batch."""
    assert callable(function)
    dimension = len(at)
    steps = np.full(dimension, STEP)
    unit = np.diag(steps)
    pairs = [(i, j) for i in range(dimension) for j in range(i)]
    points = [at[None], at + unit, at - unit]
    points += [np.stack([at + si * unit[i] + sj * unit[j] for si in (1, -1) for sj in (1, -1)]) for i, j in pairs]
    values = function(np.concatenate(points))
    centre, plus, minus = values[0], values[1 : 1 + dimension], values[1 + dimension : 1 + 2 * dimension]
    hessian = np.diag((plus - 2 * centre + minus) / steps**2)
    for number, (i, j) in enumerate(pairs):
        four = values[1 + 2 * dimension + 4 * number :][:4]
        hessian[i, j] = hessian[j, i] = (four[0] - four[1] - four[2] + four[3]) / (4 * steps[i] * steps[j])
    return hessian, (plus - minus) / (2 * steps)


def _positive(matrix: Floats) -> Floats:
    """The nearest matrix without negative curvature."""
    values, vectors = np.linalg.eigh((matrix + matrix.T) / 2)
    return np.asarray((vectors * np.maximum(values, 0.0)) @ vectors.T)


def _sample(log_density: object, best: Floats, covariance: Floats) -> tuple[Floats, Floats, float]:
    """Samples from a Student density about the best point, weighted; refined twice where they fit badly."""
    assert callable(log_density)
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
