"""The posterior of a few parameters by adaptive importance sampling: density of projected finals under a plane model.

Why this way: there are three to eight parameters, the model answers for thousands of samples in one go, and it bends
(plastic ground, a lining that yields), so that neither a normal approximation nor a chain of single steps is called
for. Draws from the prior are weighted with a power of the likelihood that keeps enough of them alive, a Student
density is fitted to them, and so on until the power is 1. The effective number of samples says whether the result can
be trusted.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
from scipy.linalg import cholesky, eigh, solve_triangular
from scipy.special import gammaln, logsumexp

from convergence.laws.arrays import FloatArray

FREEDOM = 5.0
MOST_ROUNDS = 16
ENOUGH = 0.3
"""Effective samples, over the samples of a round, that are kept before the power of the likelihood grows."""
HELD_BACK = 0.1
FEW = 100.0
"""With fewer effective samples than this a posterior is not to be trusted."""


@dataclass(frozen=True)
class Likelihood:
    """Normal density of data d about predictions f, with the covariance A + e^2 B + sum (r_k f)(r_k f)^T.

    Errors in proportion go with what is predicted and not with what was found: taken from the data, a common factor
    would draw the predictions towards nothing.

    Attributes
    ----------
    data : ndarray, shape (n,)
        What was found [mm].
    whitening : ndarray, shape (n, n)
        Turns residuals so that A is 1 and B diagonal.
    growth : ndarray, shape (n,)
        That diagonal.
    relative : ndarray, shape (n, k)
        r: errors that all numbers share in proportion to their predictions [-].
    """

    data: FloatArray
    whitening: FloatArray
    growth: FloatArray
    relative: FloatArray

    @classmethod
    def of(cls, data: FloatArray, fixed: FloatArray, model: FloatArray, relative: FloatArray) -> Likelihood:
        """From the covariances A [mm2] and B [mm2], A positive definite, and r."""
        root = cholesky(fixed, lower=True)
        half = solve_triangular(root, model, lower=True)
        turned = solve_triangular(root, half.T, lower=True)
        growth, vectors = eigh(0.5 * (turned + turned.T))
        white = vectors.T @ solve_triangular(root, np.eye(len(data)), lower=True)
        return cls(data, np.asarray(white), np.maximum(np.asarray(growth), 0.0), relative)

    def log_density(self, predicted: FloatArray, error: FloatArray) -> FloatArray:
        """Logarithm of the density, up to a constant, for predictions (samples, n) and errors (samples,).

        The factors in proportion come in by the Woodbury identity, a small matrix a sample.
        """
        rest = (self.data - predicted) @ self.whitening.T
        spread = 1.0 + error[:, None] ** 2 * self.growth
        found = -0.5 * np.sum(rest**2 / spread + np.log(spread), axis=1)
        if not self.relative.size:
            return np.asarray(found)
        loads = np.einsum("ij,sj,jk->sik", self.whitening, predicted, self.relative, optimize=True)
        held = loads / spread[:, :, None]
        small = np.eye(self.relative.shape[1]) + np.einsum("sik,sil->skl", loads, held)
        right = np.einsum("sik,si->sk", held, rest)
        solved = np.linalg.solve(small, right[:, :, None])[:, :, 0]
        return np.asarray(found + 0.5 * np.sum(right * solved, axis=1) - 0.5 * np.linalg.slogdet(small)[1])


@dataclass(frozen=True)
class Draws:
    """Weighted samples of the posterior, in standard normal numbers of the priors.

    Attributes
    ----------
    normal : ndarray, shape (samples, parameters)
        The samples.
    weight : ndarray, shape (samples,)
        Their weights; they add up to 1.
    predicted : ndarray, shape (samples, n)
        What the model predicts for each.
    """

    normal: FloatArray
    weight: FloatArray
    predicted: FloatArray

    @property
    def effective(self) -> float:
        """Effective number of samples."""
        return float(1.0 / np.sum(self.weight**2))

    @property
    def mean(self) -> FloatArray:
        """Mean of the standard normal numbers."""
        return np.asarray(self.weight @ self.normal)

    @property
    def covariance(self) -> FloatArray:
        """Covariance of the standard normal numbers; the prior's is 1."""
        away = self.normal - self.mean
        return np.asarray((away * self.weight[:, None]).T @ away)

    def equal(self, count: int) -> FloatArray:
        """Numbers of samples of equal weight, by systematic resampling."""
        return np.asarray(
            np.searchsorted(np.cumsum(self.weight), (np.arange(count) + 0.5) / count).clip(max=self.weight.size - 1)
        )


def weighted_quantiles(values: FloatArray, weight: FloatArray, shares: tuple[float, ...]) -> FloatArray:
    """Quantiles of weighted samples along the first axis, shape (shares, ...)."""
    order = np.argsort(values, axis=0, kind="stable")
    sorted_values = np.take_along_axis(values, order, axis=0)
    passed = np.cumsum(weight[order], axis=0)
    found = [
        np.take_along_axis(sorted_values, np.argmax(passed >= min(share, 1.0 - 1e-12), axis=0)[None, ...], axis=0)[0]
        for share in shares
    ]
    return np.asarray(found)


def sample_posterior(
    predict: Callable[[FloatArray], tuple[FloatArray, FloatArray]],
    likelihood: Likelihood,
    parameters: int,
    samples: int,
    seed: int,
) -> Draws:
    """Samples of the posterior under independent standard normal priors.

    Parameters
    ----------
    predict : callable
        Predictions (samples, n) and the model's error (samples,) for numbers of shape (samples, parameters).
    likelihood : Likelihood
        Of the data.
    parameters : int
        How many.
    samples : int
        Samples a round, 200 or more.
    seed : int
        Of the random numbers.

    Returns
    -------
    Draws
        Weighted samples of all rounds together; as many effective ones as a round has, or what 16 rounds gave.

    References
    ----------
    .. [1] J.-M. Cornuet, J.-M. Marin, A. Mira and C. Robert, Adaptive multiple importance sampling, Scand. J. Stat. 39,
       2012, 798-812. From memory; the tempering of the first rounds is an addition.
    """
    generator = np.random.default_rng(seed)
    middle, spread = np.zeros(parameters), np.eye(parameters)
    shapes: list[tuple[FloatArray, FloatArray]] = []
    parts: list[tuple[FloatArray, FloatArray, FloatArray]] = []
    for _ in range(MOST_ROUNDS):
        shapes.append((middle, np.asarray(np.linalg.cholesky(spread), dtype=np.float64)))
        drawn = _student(generator, *shapes[-1], samples)
        predicted, error = predict(drawn)
        density = likelihood.log_density(predicted, error)
        parts.append((drawn, np.where(np.isfinite(density), density, -np.inf), predicted))
        normal, found, _ = (np.concatenate([part[place] for part in parts]) for place in range(3))
        # every sample counts as drawn from all proposals together, so that none can weigh too much by chance
        proposal = logsumexp([_student_density(normal, *shape) for shape in shapes], axis=0) - np.log(len(shapes))
        base = -0.5 * np.sum(normal**2, axis=1) - 0.5 * parameters * np.log(2.0 * np.pi) - proposal
        power = _power(found, base, ENOUGH * samples)
        weight = _weights(power * found + base)
        if power >= 1.0 and 1.0 / np.sum(weight**2) >= samples:
            break
        middle = weight @ normal
        away = normal - middle
        spread = (away * weight[:, None]).T @ away
        # correlations learned from few samples are held back a little
        spread = (1.0 - HELD_BACK) * spread + HELD_BACK * np.diag(np.diag(spread)) + 1e-6 * np.eye(parameters)
    whole = np.concatenate([part[2] for part in parts])
    return Draws(normal, _weights(found + base), whole)


def _student(generator: np.random.Generator, middle: FloatArray, root: FloatArray, count: int) -> FloatArray:
    """Draws of a Student density of five degrees of freedom."""
    stretch = generator.chisquare(FREEDOM, count) / FREEDOM
    drawn = generator.standard_normal((count, middle.size)) / np.sqrt(stretch)[:, None]
    return np.asarray(middle + drawn @ root.T)


def _student_density(at: FloatArray, middle: FloatArray, root: FloatArray) -> FloatArray:
    """Logarithm of that density."""
    size = middle.size
    distance = np.sum(solve_triangular(root, (at - middle).T, lower=True) ** 2, axis=0)
    constant = gammaln(0.5 * (FREEDOM + size)) - gammaln(0.5 * FREEDOM) - 0.5 * size * np.log(FREEDOM * np.pi)
    constant -= np.sum(np.log(np.diag(root)))
    return np.asarray(constant - 0.5 * (FREEDOM + size) * np.log1p(distance / FREEDOM))


def _weights(logarithm: FloatArray) -> FloatArray:
    grown = np.exp(logarithm - np.max(logarithm))
    return np.asarray(grown / grown.sum())


def _power(density: FloatArray, base: FloatArray, least: float) -> float:
    """Largest power of the likelihood, up to 1, that leaves so many effective samples."""

    def effective(power: float) -> float:
        return float(1.0 / np.sum(_weights(power * np.maximum(density, -1e12) + base) ** 2))

    if effective(1.0) >= least:
        return 1.0
    low, high = 0.0, 1.0
    for _ in range(40):
        middle = 0.5 * (low + high)
        low, high = (middle, high) if effective(middle) >= least else (low, middle)
    return max(low, 1e-6)
