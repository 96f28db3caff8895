"""The movement that a section's shared law does not describe, as a covariance for a movement of size 1.

    c(t, t') = D(t)' S D(t') + kappa^2 min(G(t), G(t')) + CLOSING^2 E(t) E(t') + R(t, t')

G is the movement at the anchored shape, D its slopes in the shape. The first part lets a measure have a shape of its
own about its section's, S says how far; the second grows at random with the release itself; E is the release after the
ring was closed, which may be another share of the law's; R is what a round near the section may have released already
at a reading made in the span in which it was taken (`convergence.projection.rounds`).
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
import numpy.typing as npt

from convergence.projection.columns import RoundRows
from convergence.projection.prior import CLOSING, DISCREPANCY

Floats = npt.NDArray[np.float64]


def relative_unknown(
    released: Floats, slopes: Floats, within: Floats, closed: Sequence[int], rounds: RoundRows
) -> Floats:
    """Covariance of one stage's unknown part between all times in use.

    Parameters
    ----------
    released : (n,) array
        G at the times.
    slopes : (d, n) array
        D at the times.
    within : (d, d) array
        S.
    closed : sequence of int
        Rows of the times at which the ring was closed.
    rounds : RoundRows
        Times within the spans of rounds.

    Returns
    -------
    (n, n) array
        The covariance over the square of the size [-].
    """
    found = slopes.T @ within @ slopes + DISCREPANCY**2 * np.minimum(released[:, None], released)
    for place in closed:
        after = CLOSING * np.maximum(released - released[place], 0.0)
        found += after[:, None] * after
    # the instant is as likely anywhere in the span, so two times of it hang together as those of a Brownian bridge
    rows = np.flatnonzero(rounds.part)
    start, part = rounds.start[rows], rounds.part[rows]
    step = released[rounds.end[rows]] - released[start]
    bridge = np.minimum(part[:, None], part) - part[:, None] * part
    found[rows[:, None], rows] += np.where(start[:, None] == start, step[:, None] * step * bridge, 0.0)
    return np.asarray(found)
