"""Partial pooling: what the other sections of the site say of a section's shape before its own readings speak.

Each section's readings are summed up by the curvature of their likelihood. Shapes vary along the tunnel about a site
mean as a normal field whose correlation fades with distance; the prior of one section is then the conditional of that
field given all the others' readings, never its own. Where the ground changes (`ground.py`) the field breaks and each
side has a mean of its own about the site's. How much sections differ is estimated from the site itself, with the
physical prior where the site has little to say, so a site of unlike sections pools little.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from convergence.projection.ground import in_blocks, likeness, log_evidence, pulls, shared
from convergence.projection.prior import ShapePrior, between_sections
from convergence.projection.shape import ShapePosterior

Floats = npt.NDArray[np.float64]
Ints = npt.NDArray[np.int64]

#: Factors on the assumed difference between sections that are tried, and how strongly 1 is preferred (spread of the
#: logarithm).
FACTORS, FACTOR_SPREAD = np.geomspace(0.5, 6.0, 11), 0.5
#: On a long tunnel so many consecutive sections are pooled at a time, with so many more on either side: the work grows
#: with the length, and what lies beyond has faded.
GROUP, MARGIN = 40, 20


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


def pool_sections(
    chainage: Floats, found: Sequence[ShapePosterior], physical: ShapePrior, together: Floats | None = None
) -> Pool:
    """Prior of each section from all the others.

    Parameters
    ----------
    chainage : (n,) array
        Chainages of the sections [m].
    found : sequence of ShapePosterior
        What each section's own readings say.
    physical : ShapePrior
        Prior of the site's mean shape.
    together : (n, n) array, optional
        Probability that no change of the ground lies between two sections; one ground throughout unless given.

    Returns
    -------
    Pool
        A prior a section, and how unlike the sections of the site were found to be.
    """
    count, dimension = len(found), len(physical.mean)
    together = np.ones((count, count)) if together is None else together
    order = np.argsort(chainage, kind="stable")
    groups = [slice(first, min(first + GROUP, count)) for first in range(0, count, GROUP)]
    told, pulled = pulls(found, physical)

    def joint(some: Ints) -> tuple[Floats, Floats, Floats, Floats]:
        """Covariance of some sections' shapes, what they share and what they do not; information and pull."""
        between = np.kron(likeness(chainage[some], together[np.ix_(some, some)]), between_sections(dimension - 2))
        means = np.kron(shared(together[np.ix_(some, some)]), physical.covariance)
        pull: Floats = pulled[some].ravel()
        return np.asarray(means), np.asarray(between), in_blocks(told[some]), pull

    scores = -0.5 * (np.log(FACTORS) / FACTOR_SPREAD) ** 2
    for group in groups:
        means, between, information, shift = joint(order[group])
        scores += [log_evidence(means + factor**2 * between, information, shift) for factor in FACTORS]
    factor = float(FACTORS[int(np.argmax(scores))])
    priors = [physical] * count
    for group in groups:
        some = order[max(group.start - MARGIN, 0) : group.stop + MARGIN]
        means, between, information, shift = joint(some)
        # one solution for all; a section's own part is then taken out of its block again, which is exact
        covariance = means + factor**2 * between
        posterior = np.linalg.solve(np.eye(len(covariance)) + covariance @ information, covariance)
        centre = posterior @ shift
        for place in range(group.start, group.stop):
            index = order[place]
            first = (place - max(group.start - MARGIN, 0)) * dimension
            block = slice(first, first + dimension)
            whole = np.linalg.inv((posterior[block, block] + posterior[block, block].T) / 2)
            own = np.linalg.inv(whole - told[index])
            priors[index] = ShapePrior(physical.mean + own @ (whole @ centre[block] - pulled[index]), (own + own.T) / 2)
    return Pool(tuple(priors), factor)
