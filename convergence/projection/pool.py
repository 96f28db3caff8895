"""Partial pooling: what the other sections of the site say of a section's shape before its own readings speak.

Each section's readings are summed up by the curvature of their likelihood. Shapes vary along the tunnel about a site
mean as a normal field whose correlation fades with distance; the prior of one section is then the conditional of that
field given all the others' readings, never its own. How much sections differ is estimated from the site itself, with
the physical prior where the site has little to say, so a site of unlike sections pools little.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from convergence.projection.prior import ShapePrior, between_sections
from convergence.projection.shape import ShapePosterior

Floats = npt.NDArray[np.float64]

#: Distance [m] over which the likeness of two sections' shapes fades to 1/e.
FADING = 60.0
#: Part of the difference between sections that has nothing to do with distance.
OWN_SHARE = 0.15
#: Factors on the assumed difference between sections that are tried, and how strongly 1 is preferred (spread of the
#: logarithm).
FACTORS, FACTOR_SPREAD = np.geomspace(0.5, 6.0, 11), 0.5


@dataclass(frozen=True)
class Pool:
    """Priors of all sections given the others.

    Attributes
    ----------
    priors : tuple of ShapePrior
        In the order given.
    factor : float
        How much the sections of this site differ, over what is assumed of a site unseen.
    """

    priors: tuple[ShapePrior, ...]
    factor: float


def pool_sections(chainage: Floats, found: Sequence[ShapePosterior], physical: ShapePrior) -> Pool:
    """Prior of each section from all the others.

    Parameters
    ----------
    chainage : (n,) array
        Chainages of the sections [m].
    found : sequence of ShapePosterior
        What each section's own readings say.
    physical : ShapePrior
        Prior of the site's mean shape.

    Returns
    -------
    Pool
        A prior a section, and how unlike the sections of the site were found to be.
    """
    count, dimension = len(found), len(physical.mean)
    distance = np.abs(chainage[:, None] - chainage[None, :])
    likeness = (1 - OWN_SHARE) * np.exp(-distance / FADING) + OWN_SHARE * np.eye(count)
    between = between_sections(dimension - 2)
    shared = np.kron(np.ones((count, count)), physical.covariance)
    information = np.zeros((count * dimension, count * dimension))
    shift = np.zeros(count * dimension)
    mean = np.tile(physical.mean, count)
    for index, item in enumerate(found):
        block = slice(index * dimension, (index + 1) * dimension)
        information[block, block] = item.information
        shift[block] = item.gradient_shift - item.information @ physical.mean
    scores = []
    for factor in FACTORS:
        covariance = shared + factor**2 * np.kron(likeness, between)
        scores.append(_log_evidence(covariance, information, shift) - 0.5 * (np.log(factor) / FACTOR_SPREAD) ** 2)
    factor = float(FACTORS[int(np.argmax(scores))])
    covariance = shared + factor**2 * np.kron(likeness, between)
    # one solution for the whole site; a section's own part is then taken out of its block again, which is exact
    posterior = np.linalg.solve(np.eye(len(covariance)) + covariance @ information, covariance)
    centre = posterior @ shift
    priors = []
    for index in range(count):
        block = slice(index * dimension, (index + 1) * dimension)
        whole = np.linalg.inv((posterior[block, block] + posterior[block, block].T) / 2)
        own = np.linalg.inv(whole - information[block, block])
        pulled = own @ (whole @ centre[block] - shift[block])
        priors.append(ShapePrior(mean[block] + pulled, (own + own.T) / 2))
    return Pool(tuple(priors), factor)


def _log_evidence(covariance: Floats, information: Floats, shift: Floats) -> float:
    """Log of the integral of N(x; 0, covariance) exp(-x' information x / 2 + shift' x)."""
    inner = np.eye(len(covariance)) + covariance @ information
    _, logdet = np.linalg.slogdet(inner)
    return float(-0.5 * logdet + 0.5 * shift @ np.linalg.solve(inner, covariance @ shift))
