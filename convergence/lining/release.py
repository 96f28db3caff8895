"""How much of the wall's movement has come when the face stands at a distance: the profile along the tunnel.

The published profiles disagree (0.23 to 0.31 of the final movement at the face of an elastic tunnel); take their spread
as the uncertainty of what the ground has released before the lining is sprayed, and not one of them as the truth. They
hold for the tunnel without lining; a stiff lining close to the face holds the ground there a little more back.
"""

from __future__ import annotations

from collections.abc import Callable
from types import MappingProxyType

import numpy as np
import numpy.typing as npt

from convergence.errors import ValueFault
from convergence.laws.arrays import FloatArray, floats
from convergence.laws.profiles import (
    chern_1998,
    corbetta_1991,
    panet_1995,
    unlu_gercek_2003,
    vlachopoulos_diederichs_2009,
)
from convergence.lining.elastic import lame_wall_movement
from convergence.lining.ranges import within
from convergence.lining.reaction import GroundReaction, pressure_for_movement


def similar_profile(
    profile: Callable[[npt.ArrayLike, npt.ArrayLike], FloatArray],
    face_distance: npt.ArrayLike,
    radius: npt.ArrayLike,
    plastic_ratio: npt.ArrayLike,
) -> FloatArray:
    """Profile of a tunnel with a plastic ring from an elastic one, stretched by how much more the wall moves.

    L(x) = L_elastic(x / chi), with chi = final plastic over final elastic movement

    Parameters
    ----------
    profile : callable
        Elastic profile of face distance and radius, as `convergence.laws.panet_1995`.
    face_distance : array_like
        Face distance x [m].
    radius : array_like
        Tunnel radius [m], > 0.
    plastic_ratio : array_like
        chi [-], >= 1.

    Returns
    -------
    ndarray
        Share of the final movement [-], in the broadcast shape of the arguments.

    Examples
    --------
    Panet's profile, x = 10 m, R = 5 m, chi = 2: as the elastic one at 5 m, 0.862245.

    References
    ----------
    .. [1] F. Corbetta, D. Bernaud and D. Nguyen-Minh, Rev. Fr. Geotech. 54, 1991, 5-11. From memory.
    """
    # a ratio of two movements may be off in its last digit
    stretch = within("plastic ratio", plastic_ratio, 1.0 - 1e-9)
    return profile(floats(face_distance) / stretch, within("tunnel radius", radius, 0.0, unit="m", above=True))


def _vlachopoulos_diederichs(ground: GroundReaction, distance: FloatArray, radius: FloatArray) -> FloatArray:
    return vlachopoulos_diederichs_2009(distance, radius, ground.plastic_radius(0.0, radius))


def _unlu_gercek(ground: GroundReaction, distance: FloatArray, radius: FloatArray) -> FloatArray:
    stretched = distance / plastic_movement_ratio(ground, radius)
    return unlu_gercek_2003(stretched, radius, ground.poisson_ratio)


def _similar(profile: Callable[[npt.ArrayLike, npt.ArrayLike], FloatArray]) -> _Rule:
    def rule(ground: GroundReaction, distance: FloatArray, radius: FloatArray) -> FloatArray:
        return similar_profile(profile, distance, radius, plastic_movement_ratio(ground, radius))

    return rule


_Rule = Callable[[GroundReaction, FloatArray, FloatArray], FloatArray]

PROFILES: MappingProxyType[str, _Rule] = MappingProxyType(
    {
        "vlachopoulos diederichs": _vlachopoulos_diederichs,
        "unlu gercek": _unlu_gercek,
        "chern": _similar(chern_1998),
        "panet": _similar(panet_1995),
        "corbetta": _similar(corbetta_1991),
    }
)
"""Profiles by name; all but the first are elastic ones stretched by `plastic_movement_ratio`."""


def plastic_movement_ratio(ground: GroundReaction, radius: npt.ArrayLike) -> FloatArray:
    """Final movement without support over that of elastic ground of the same modulus.

    chi = u(0) / u_elastic(0)

    Parameters
    ----------
    ground : GroundReaction
        The ground.
    radius : array_like
        Tunnel radius [m].

    Returns
    -------
    ndarray
        chi [-], >= 1.

    Examples
    --------
    Ground of the check in `mohr_coulomb_wall_movement` (42.65206 mm; elastic 25.27778 mm): 1.687334.

    References
    ----------
    .. [1] F. Corbetta, D. Bernaud and D. Nguyen-Minh, 1991. From memory.
    """
    elastic = lame_wall_movement(ground.stress, 0.0, radius, ground.modulus, ground.poisson_ratio)
    return np.asarray(ground.movement(0.0, radius) / elastic)


def movement_share(
    ground: GroundReaction,
    face_distance: npt.ArrayLike,
    radius: npt.ArrayLike,
    profile: str = "vlachopoulos diederichs",
) -> FloatArray:
    """Share of the final movement without support that has come when the face stands at a distance.

    The plastic radius, or the ratio chi that stretches an elastic profile, is that of the tunnel without support. Ahead
    of the face, where the profiles of Panet and Corbetta say nothing, their share at the face is taken times exp(x/R).

    Parameters
    ----------
    ground : GroundReaction
        The ground.
    face_distance : array_like
        Face distance x [m], any value.
    radius : array_like
        Tunnel radius R [m], > 0.
    profile : str
        Name of the profile, one of `PROFILES`.

    Returns
    -------
    ndarray
        Share [-], 0 to 1, in the broadcast shape of ground and arguments.

    Raises
    ------
    ValueFault
        If there is no profile of that name.

    Examples
    --------
    Ground of the check in `mohr_coulomb_wall_movement`, x = 2 m: 0.494037 of 42.65206 mm is 21.07172 mm.

    References
    ----------
    .. [1] See the profiles in `convergence.laws`; all from memory.
    """
    if profile not in PROFILES:
        raise ValueFault(
            f"profile: {profile!r}; expected one of {', '.join(PROFILES)}. To mend: give one of these names."
        )
    distance = floats(face_distance)
    size = within("tunnel radius", radius, 0.0, unit="m", above=True)
    share = PROFILES[profile](ground, distance, size)
    at_face = PROFILES[profile](ground, np.zeros_like(distance), size)
    return np.where(np.isnan(share) & (distance < 0.0), at_face * np.exp(np.minimum(distance, 0.0) / size), share)


def face_pressure(ground: GroundReaction, share: npt.ArrayLike, radius: npt.ArrayLike) -> FloatArray:
    """Wall pressure that stands for the support of the face: with it alone the wall has its share of the movement.

    u(q) = share * u(0)

    Parameters
    ----------
    ground : GroundReaction
        The ground.
    share : array_like
        Share of the final movement without support [-], 0 to 1.
    radius : array_like
        Tunnel radius [m].

    Returns
    -------
    ndarray
        Pressure q [MPa], from the undisturbed stress (share 0) to 0 (share 1).

    Examples
    --------
    Elastic, p0 = 7 MPa: share 0.25 gives 5.25 MPa.

    References
    ----------
    .. [1] The convergence-confinement construction; common practice, no single source.
    """
    # a share summed up of stages may pass 1 in its last digit
    part = within("share of the movement", share, 0.0, 1.0 + 1e-9)
    return pressure_for_movement(ground, part * ground.movement(0.0, radius), radius)
