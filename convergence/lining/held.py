"""How a lining close to the face holds the ground back before it is loaded itself.

The confinement construction lets the wall move as if there were no lining until one is put in. But the lining already
standing behind carries part of what the face would let go, so the wall has moved less. Against an elastic
finite-element tunnel with an advancing face (seven cases, lining put in at 0.1 to 0.9 radii behind the face, constant
or hardening) the plain construction gave 0.4 to 7 % too much movement and 4 to 13 % too little pressure; with the
correction here the movement was within 1.3 % and the pressure from 2 % too low to 11 % too high. So the two bound the
pressure, or nearly.

In plastic ground neither is exact, and no construction of this kind can be: near an advancing face the stresses do not
take the path of the ground reaction curve, and the balance ends above it. In six cases (plastic radius of 1.6 and 2.3
radii, stiff ring at 0.1 to 0.9 radii; yielding took a little time in the finite-element tunnel) the plain construction
gave 3 to 19 % too much movement and 32 to 49 % too little pressure, the one here 6 to 23 % too little movement and 6 to
16 % too little pressure. A thrust computed so needs that much more of a margin; do not read the two as a band.
"""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

from convergence.laws.arrays import FloatArray, floats
from convergence.lining.equilibrium import DelayedGround, Equilibrium, advance_equilibrium
from convergence.lining.layers import Lining
from convergence.lining.ranges import within
from convergence.lining.reaction import GroundReaction

ROUNDS = 5
"""Repetitions of `held_equilibrium`; each brings the ratio about ten times closer."""


def lining_hold(movement_ratio: npt.ArrayLike) -> FloatArray:
    """Movement near the face with a lining over that without, from the ratio of the final movements.

    h = 0.55 + 0.45 m - 0.42 (1 - m)^3

    Parameters
    ----------
    movement_ratio : array_like
        Final movement with lining over that without m [-], 0 to 1.

    Returns
    -------
    ndarray
        h [-], 0.13 to 1, in the shape of the argument.

    Examples
    --------
    m = 0.7: 0.55 + 0.315 - 0.42 * 0.027 = 0.85366.

    References
    ----------
    .. [1] D. Nguyen-Minh and C. Guo, 1996, the implicit method for supported tunnels. From memory; compared with an
       axisymmetric finite-element tunnel in the tests.
    """
    ratio = within("movement with lining over that without", movement_ratio, 0.0, 1.0)
    return np.asarray(0.55 + 0.45 * ratio - 0.42 * (1.0 - ratio) ** 3)


def held_share(share: npt.ArrayLike, installed_share: npt.ArrayLike, hold: npt.ArrayLike) -> FloatArray:
    """Share of the movement without support, held back by the lining that stands behind.

    L' = L [h + (1 - h) w], with w = (L - L_0) / (1 - L_0) from 0 when the lining is put in to 1 far behind the face

    That the holding fades in this way is an assumption; what it must meet are its value at the lining and its end.

    Parameters
    ----------
    share : array_like
        Share L without lining [-], 0 to 1.
    installed_share : array_like
        Share L_0 when the lining is put in [-], 0 to below 1.
    hold : array_like
        h of `lining_hold` [-].

    Returns
    -------
    ndarray
        Share [-], in the broadcast shape of the arguments.

    Examples
    --------
    L = 0.5, L_0 = 0.5, h = 0.85: 0.425; L = 1: 1.

    References
    ----------
    .. [1] Assumed here, on `lining_hold`.
    """
    # a share summed up of stages may pass 1 in its last digit
    part = within("share of the movement", share, 0.0, 1.0 + 1e-9)
    begin, held = (
        within("share when the lining is put in", installed_share, 0.0, 1.0 + 1e-9),
        within("hold", hold, 0.0, 1.0),
    )
    fading = np.clip((part - begin) / np.maximum(1.0 - begin, 1e-12), 0.0, 1.0)
    return np.asarray(part * (held + (1.0 - held) * fading))


def held_equilibrium(
    ground: GroundReaction,
    radius: npt.ArrayLike,
    time: npt.ArrayLike,
    share: npt.ArrayLike,
    lining: Lining,
    delayed: DelayedGround | None = None,
    passed: npt.ArrayLike | None = None,
) -> Equilibrium:
    """Equilibrium along the advance with what the lining behind holds back taken into account.

    `advance_equilibrium` with `held_share` in place of the share; h follows from the final movements and they from h,
    so it is repeated until they agree. The lining counts from when its first member acts. Meant for a lining that
    follows every round and is stiff when the next round is blasted; for one that hardens slowly it holds a little too
    much, so the truth lies between this and `advance_equilibrium`.

    Parameters
    ----------
    ground, radius, time, share, lining, delayed, passed
        As for `advance_equilibrium`.

    Returns
    -------
    Equilibrium
        Movement and pressures at every step.

    Examples
    --------
    A lining without members: as `advance_equilibrium`.

    References
    ----------
    .. [1] D. Nguyen-Minh and C. Guo, 1996. From memory.
    """
    times, parts = floats(time), floats(share)
    found = advance_equilibrium(ground, radius, times, parts, lining, delayed, passed)
    if not lining.installed:
        return found
    extra = (1,) * (found.movement.ndim - parts.ndim)
    parts = np.broadcast_to(parts.reshape(parts.shape + extra), found.movement.shape)
    bare = advance_equilibrium(ground, radius, times, parts, Lining(()), delayed).movement[-1]
    first = np.min(np.broadcast_arrays(*(floats(when) for when in lining.installed)), axis=0)
    # the last step not after the first member: the share there is that before the round that follows
    place = np.clip(np.searchsorted(times, first, side="right") - 1, 0, times.size - 1)
    place = np.broadcast_to(place, found.movement.shape[1:])
    begin = np.take_along_axis(parts, place[None, ...], axis=0)[0]
    for _ in range(ROUNDS):
        hold = lining_hold(np.clip(found.movement[-1] / bare, 0.0, 1.0))
        found = advance_equilibrium(ground, radius, times, held_share(parts, begin, hold), lining, delayed)
    return found
