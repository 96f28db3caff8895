"""Longitudinal displacement profiles: the share of the final wall movement over the face distance.

Without a plastic zone the profiles in use disagree: at the face they give 0.23 to 0.31 of the final movement,
half a radius behind it 0.43 to 0.73 (formulas from memory). Take the spread, not one of them, as the
uncertainty of what was lost before the zero reading.
"""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

from convergence.laws.arrays import FloatArray, floats
from convergence.laws.face import power_face

AHEAD_RATIO = 4.0 / 3.0
"""Decay length ahead of the face over the influence length behind it, in `two_sided_profile`."""


def panet_1995(face_distance: npt.ArrayLike, radius: npt.ArrayLike) -> FloatArray:
    """Share of the final wall movement behind the face in elastic ground, after Panet.

    L(x) = 0.25 + 0.75 [1 - (0.75 / (0.75 + x/R))^2] for x >= 0

    Parameters
    ----------
    face_distance : array_like
        Face distance x [m], >= 0; the profile is not defined ahead of the face.
    radius : array_like
        Tunnel radius R [m], > 0.

    Returns
    -------
    ndarray
        Share [-] from 0.25 to 1, in the broadcast shape of the arguments; NaN ahead of the face.

    Examples
    --------
    x = 5 m, R = 5 m: 0.862245.

    References
    ----------
    .. [1] M. Panet, Le calcul des tunnels par la methode convergence-confinement, 1995. From memory.
    """
    scaled = _scaled(face_distance, radius)
    return np.where(scaled < 0.0, np.nan, 0.25 + power_face(scaled, 0.75, 0.75))


def corbetta_1991(face_distance: npt.ArrayLike, radius: npt.ArrayLike) -> FloatArray:
    """Share of the final wall movement behind the face, after Corbetta, Bernaud and Nguyen-Minh.

    L(x) = 0.29 + 0.71 [1 - exp(-1.5 (x/R)^0.7)] for x >= 0

    Parameters
    ----------
    face_distance : array_like
        Face distance x [m], >= 0; the profile is not defined ahead of the face.
    radius : array_like
        Tunnel radius R [m], > 0.

    Returns
    -------
    ndarray
        Share [-] from 0.29 to 1, in the broadcast shape of the arguments; NaN ahead of the face.

    Examples
    --------
    x = 5 m, R = 5 m: 0.841578.

    References
    ----------
    .. [1] F. Corbetta, D. Bernaud and D. Nguyen-Minh, Rev. Fr. Geotech. 54, 1991, 5-11. From memory.
    """
    scaled = _scaled(face_distance, radius)
    behind = np.maximum(scaled, 0.0)
    return np.where(scaled < 0.0, np.nan, 0.29 - 0.71 * np.expm1(-1.5 * behind**0.7))


def chern_1998(face_distance: npt.ArrayLike, radius: npt.ArrayLike) -> FloatArray:
    """Share of the final wall movement on both sides of the face, fitted to readings of Chern and others.

    L(x) = [1 + exp(-(x/R) / 1.10)]^-1.7

    Parameters
    ----------
    face_distance : array_like
        Face distance x [m], any value.
    radius : array_like
        Tunnel radius R [m], > 0.

    Returns
    -------
    ndarray
        Share [-] from 0 to 1, in the broadcast shape of the arguments.

    Examples
    --------
    x = 5 m, R = 5 m: 0.562419; x = 0: 0.307786.

    References
    ----------
    .. [1] J. C. Chern and others, 1998, as fitted by E. Hoek, 1999, and printed by C. Carranza-Torres and C.
       Fairhurst, Tunnelling and Underground Space Technology 15(2), 2000, 187-213. From memory.
    """
    # logaddexp(0, y) = ln(1 + e^y) cannot overflow far ahead of the face.
    return np.exp(-1.7 * np.logaddexp(0.0, -_scaled(face_distance, radius) / 1.10))


def unlu_gercek_2003(face_distance: npt.ArrayLike, radius: npt.ArrayLike, poisson_ratio: npt.ArrayLike) -> FloatArray:
    """Share of the final wall movement on both sides of the face in elastic ground, after Unlu and Gercek.

    L(x) = u0 exp(Ba x/R) for x <= 0, and u0 + Ab [1 - (Bb / (Bb + x/R))^2] for x >= 0

    with u0 = 0.22 nu + 0.19, Ba = 0.73 nu + 0.81, Ab = -0.22 nu + 0.81, Bb = 0.39 nu + 0.65.

    Parameters
    ----------
    face_distance : array_like
        Face distance x [m], any value.
    radius : array_like
        Tunnel radius R [m], > 0.
    poisson_ratio : array_like
        Poisson's ratio nu of the ground [-], 0 to 0.5.

    Returns
    -------
    ndarray
        Share [-] from 0 to 1, in the broadcast shape of the arguments.

    Examples
    --------
    x = 5 m, R = 5 m, nu = 0.2: 0.864042; x = 0: 0.234.

    References
    ----------
    .. [1] T. Unlu and H. Gercek, Tunnelling and Underground Space Technology 18, 2003, 547-553. From memory.
    """
    scaled = _scaled(face_distance, radius)
    poisson = floats(poisson_ratio)
    at_face = 0.22 * poisson + 0.19
    ahead = at_face * np.exp((0.73 * poisson + 0.81) * np.minimum(scaled, 0.0))
    return ahead + power_face(scaled, 0.81 - 0.22 * poisson, 0.39 * poisson + 0.65)


def vlachopoulos_diederichs_2009(
    face_distance: npt.ArrayLike, radius: npt.ArrayLike, plastic_radius: npt.ArrayLike
) -> FloatArray:
    """Share of the final wall movement with a plastic zone, after Vlachopoulos and Diederichs.

    L(x) = u0 exp(x/R) for x <= 0, and 1 - (1 - u0) exp(-3 x / (2 Rp)) for x >= 0, with

    u0 = exp(-0.15 Rp/R) / 3

    Parameters
    ----------
    face_distance : array_like
        Face distance x [m], any value.
    radius : array_like
        Tunnel radius R [m], > 0.
    plastic_radius : array_like
        Largest radius Rp of the plastic zone [m], >= R; far behind the face, without support.

    Returns
    -------
    ndarray
        Share [-] from 0 to 1, in the broadcast shape of the arguments.

    Examples
    --------
    x = 5 m, R = 5 m, Rp = 10 m: 0.644279; x = 0: 0.246939.

    References
    ----------
    .. [1] N. Vlachopoulos and M. S. Diederichs, Rock Mechanics and Rock Engineering 42(2), 2009, 131-146.
       Bibliographic data published; equation from memory.
    """
    distance = floats(face_distance)
    tunnel, plastic = floats(radius), floats(plastic_radius)
    at_face = np.exp(-0.15 * plastic / tunnel) / 3.0
    ahead = at_face * np.exp(np.minimum(distance, 0.0) / tunnel)
    behind = -(1.0 - at_face) * np.expm1(-1.5 * np.maximum(distance, 0.0) / plastic)
    return ahead + behind


def two_sided_profile(
    face_distance: npt.ArrayLike, influence_length: npt.ArrayLike, face_share: npt.ArrayLike
) -> FloatArray:
    """Share of the final instantaneous movement on both sides of the face, in terms of the influence length.

    L(x) = s exp(x / Y) for x <= 0, and s + (1 - s) [1 - (X / (x + X))^2] for x >= 0, with Y = 4 X / 3

    Behind the face this is the law of Panet and Guenot on top of the share s at the face. Ahead, a slope
    without a break at the face would ask for Y = s X / (2 (1 - s)), about a fifth of X, and would squeeze the
    movement ahead of the face into a fraction of a radius: with the share of the Unlu-Gercek profile at nu =
    0.25 the largest difference from it is then 0.127 at the best X, against 0.001 below. That profile itself
    breaks its slope at the face, by a factor of about nine. So the slope may break there, and Y is tied to X
    by the one ratio that the Unlu-Gercek profile has near nu = 0.25: Y/X = 1 / (Ba Bb) = 1.44, 1.35, 1.27 for
    nu = 0.2, 0.25, 0.3.

    With s and X as that profile has them (s = 0.22 nu + 0.19, X = (0.39 nu + 0.65) R) both agree exactly
    behind the face; ahead, the largest difference is 0.006 (nu = 0.2), 0.001 (0.25), 0.005 (0.3). With
    s = 0.27 and the best X it is 0.036, 0.025, 0.014. The Chern profile has another shape: with s = 0.27 the
    largest difference is 0.100, at the best X = 2.16 R; the slope without a break would have 0.091 there. All
    computed here.

    Parameters
    ----------
    face_distance : array_like
        Face distance x [m], any value.
    influence_length : array_like
        Influence length X behind the face [m], > 0.
    face_share : array_like
        Share s reached when the face is at the section [-], 0 to 1; published profiles give 0.23 to 0.31.

    Returns
    -------
    ndarray
        Share [-], continuous and increasing from 0 to 1, in the broadcast shape of the arguments.

    Examples
    --------
    s = 0.27, X = 4 m: x = -4 m gives 0.27 exp(-0.75) = 0.127539; x = 4 m gives 0.27 + 0.73 * 0.75 = 0.8175.

    References
    ----------
    .. [1] Derived here; the part behind the face after Panet and Guenot, 1982, from memory.
    """
    share = floats(face_share)
    length = floats(influence_length)
    ahead = np.minimum(floats(face_distance), 0.0)
    return share * np.exp(ahead / (AHEAD_RATIO * length)) + power_face(face_distance, 1.0 - share, length)


def two_sided_slope(
    face_distance: npt.ArrayLike, influence_length: npt.ArrayLike, face_share: npt.ArrayLike
) -> FloatArray:
    """Slope of `two_sided_profile`.

    dL/dx = (s / Y) exp(x / Y) for x < 0, and 2 (1 - s) X^2 / (x + X)^3 for x >= 0, with Y = 4 X / 3

    Parameters
    ----------
    face_distance : array_like
        Face distance x [m], any value.
    influence_length : array_like
        Influence length X behind the face [m], > 0.
    face_share : array_like
        Share s reached when the face is at the section [-], 0 to 1.

    Returns
    -------
    ndarray
        Slope [1/m], in the broadcast shape of the arguments; at the face, the slope just behind it.

    Examples
    --------
    s = 0.27, X = 4 m, x = 4 m: 2 * 0.73 * 16 / 512 = 0.045625 per metre.

    References
    ----------
    .. [1] Derived here.
    """
    distance = floats(face_distance)
    share = floats(face_share)
    length = floats(influence_length)
    reach = AHEAD_RATIO * length
    ahead = share / reach * np.exp(np.minimum(distance, 0.0) / reach)
    behind = 2.0 * (1.0 - share) / length * (length / (np.maximum(distance, 0.0) + length)) ** 3
    return np.where(distance < 0.0, ahead, behind)


def _scaled(face_distance: npt.ArrayLike, radius: npt.ArrayLike) -> FloatArray:
    """Face distance in tunnel radii."""
    return floats(face_distance) / floats(radius)
