"""What a section of lining can carry in thrust and moment together, and how much of it is used.

For one metre of tunnel. Strengths go in as the designer wants them, with or without partial factors; second-order
effects, shear and cracking are not in it.
"""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

from convergence.laws.arrays import FloatArray, floats
from convergence.lining.ranges import not_beyond, within
from convergence.lining.support import STEEL_MODULUS

CRUSHING_STRAIN = 0.0035
BLOCK_SHARE = 0.8
DEPTHS = np.geomspace(0.02, 20.0, 120)
"""Depths of the neutral axis over the thickness at which a line is computed."""


def plain_moment_capacity(thrust: npt.ArrayLike, thickness: npt.ArrayLike, strength: npt.ArrayLike) -> FloatArray:
    """Moment that a section without reinforcement carries beside a thrust.

    M = (N t / 2) [1 - N / (f t)], that is N = f t (1 - 2 e/t) with e = M/N

    Parameters
    ----------
    thrust : array_like
        Thrust N [MN/m], + compression.
    thickness : array_like
        Thickness t [m], > 0.
    strength : array_like
        Compressive strength f [MPa], > 0.

    Returns
    -------
    ndarray
        Moment [MNm/m], in the broadcast shape of the arguments; 0 in tension and beyond N = f t.

    Examples
    --------
    N = 2 MN/m, t = 0.3 m, f = 20 MPa: 0.2 MNm/m.

    References
    ----------
    .. [1] EN 1992-1-1:2004, 12.6.1, eq. 12.2. From memory; statics of a rectangular block of stress.
    """
    force, thick = floats(thrust), within("thickness", thickness, 0.0, unit="m", above=True)
    hard = within("strength of the concrete", strength, 0.0, unit="MPa", above=True)
    return np.asarray(np.maximum(0.5 * force * thick * (1.0 - force / (hard * thick)), 0.0))


def plain_utilisation(
    thrust: npt.ArrayLike, moment: npt.ArrayLike, thickness: npt.ArrayLike, strength: npt.ArrayLike
) -> FloatArray:
    """How far thrust and moment, grown together, are from the line of a section without reinforcement.

    N / [f t (1 - 2 e/t)], e = |M|/N

    Parameters
    ----------
    thrust : array_like
        Thrust N [MN/m], + compression.
    moment : array_like
        Moment M [MNm/m], either sign.
    thickness : array_like
        Thickness t [m], > 0.
    strength : array_like
        Compressive strength f [MPa], > 0.

    Returns
    -------
    ndarray
        Utilisation [-]: 1 on the line, 0 without load, infinite where the force is outside the section or in tension.

    Examples
    --------
    N = 2 MN/m, M = 0.1 MNm/m, t = 0.3 m, f = 20 MPa: 2 / (6 * (1 - 1/3)) = 0.5.

    References
    ----------
    .. [1] EN 1992-1-1:2004, 12.6.1, eq. 12.2. From memory.
    """
    deep = within("thickness", thickness, 0.0, unit="m", above=True)
    hard = within("strength of the concrete", strength, 0.0, unit="MPa", above=True)
    force, bend, thick = np.broadcast_arrays(floats(thrust), np.abs(floats(moment)), deep)
    inside = (force > 0.0) & (2.0 * bend < force * thick)
    left = np.where(inside, force * thick - 2.0 * bend, 1.0)
    used = force**2 / (hard * left)
    return np.where(inside, used, np.where((force == 0.0) & (bend == 0.0), 0.0, np.inf))


def reinforced_line(
    thickness: npt.ArrayLike,
    strength: npt.ArrayLike,
    steel_area: npt.ArrayLike,
    cover: npt.ArrayLike,
    yield_strength: npt.ArrayLike,
) -> tuple[FloatArray, FloatArray]:
    """Thrust-moment capacity line of a section with the same steel at both faces.

    For each depth x of the neutral axis: N = f y + As (s1 + s2), M = f y (t - y)/2 + As (s1 - s2)(t/2 - c), with
    y = min(0.8 x, t), s = Es e limited to fy, and strains e from 0.0035 at the pressed face to 0 at the depth x

    Parameters
    ----------
    thickness : array_like
        Thickness t [m], > 0.
    strength : array_like
        Compressive strength f of the concrete [MPa], > 0.
    steel_area : array_like
        Steel As at each face [m2/m], >= 0.
    cover : array_like
        Distance c from the face to the middle of the steel [m], below t/2.
    yield_strength : array_like
        Yield strength fy [MPa], > 0.

    Returns
    -------
    tuple of ndarray, shape (..., points)
        Thrust [MN/m] and moment [MNm/m], from pure tension to pure compression, for moment of one sign; the other is
        the mirror image.

    Examples
    --------
    t = 0.3 m, f = 20 MPa, As = 0.0005 m2/m, fy = 500 MPa: pure compression 6 + 2 * 0.25 = 6.5 MN/m.

    References
    ----------
    .. [1] EN 1992-1-1:2004, 3.1.7 (block of 0.8 x, strain 0.0035 up to C50). From memory.
    """
    within("thickness", thickness, 0.0, unit="m", above=True)
    within("strength of the concrete", strength, 0.0, unit="MPa", above=True)
    within("steel area", steel_area, 0.0, unit="m2")
    within("yield strength", yield_strength, 0.0, unit="MPa", above=True)
    not_beyond("cover", within("cover", cover, 0.0, unit="m"), "half of the thickness", 0.5 * floats(thickness), "m")
    thick, rock, steel, edge, limit = (
        floats(value)[..., None] for value in (thickness, strength, steel_area, cover, yield_strength)
    )
    depth = DEPTHS * thick
    block = np.minimum(BLOCK_SHARE * depth, thick)

    def stress(place: FloatArray) -> FloatArray:
        strain = CRUSHING_STRAIN * (1.0 - place / depth)
        return np.asarray(np.clip(STEEL_MODULUS * strain, -limit, limit))

    near, far = stress(edge), stress(thick - edge)
    thrust = rock * block + steel * (near + far)
    moment = 0.5 * rock * block * (thick - block) + steel * (near - far) * (0.5 * thick - edge)
    ends = steel * limit * 2.0 + 0.0 * thrust[..., :1]
    none = np.zeros_like(ends)
    thrust = np.concatenate([-ends, thrust, rock * thick + ends], axis=-1)
    return thrust, np.concatenate([none, moment, none], axis=-1)


def line_utilisation(
    thrust: npt.ArrayLike, moment: npt.ArrayLike, line_thrust: npt.ArrayLike, line_moment: npt.ArrayLike
) -> FloatArray:
    """How far thrust and moment, grown together, are from a capacity line.

    1 / s, with s the factor at which s (N, |M|) meets the line

    Parameters
    ----------
    thrust : array_like, shape (...)
        Thrust N [MN/m], + compression.
    moment : array_like, shape (...)
        Moment M [MNm/m], either sign.
    line_thrust, line_moment : array_like, shape (..., points)
        Line from the thrust axis to the thrust axis round the origin, with moment 0 or more, as `reinforced_line`
        gives it or as the designer has it.

    Returns
    -------
    ndarray, shape (...)
        Utilisation [-]: 1 on the line, 0 without load, infinite where the line does not stand between the load and
        endlessness.

    Examples
    --------
    Line (0, 0), (3, 0.3), (6, 0); N = 2, M = 0.1: on the ray the line is at (4, 0.2), so 0.5.

    References
    ----------
    .. [1] Geometry.
    """
    force, bend = floats(thrust)[..., None], np.abs(floats(moment))[..., None]
    along, up = floats(line_thrust), floats(line_moment)
    start_n, start_m = along[..., :-1], up[..., :-1]
    span_n, span_m = np.diff(along, axis=-1), np.diff(up, axis=-1)
    across = force * span_m - bend * span_n
    reach = start_n * span_m - start_m * span_n
    with np.errstate(divide="ignore", invalid="ignore"):
        used = across / reach
        place = (start_m * force - start_n * bend) / -across
    # a part of the line that points at the origin bounds nothing
    met = (reach != 0.0) & (used > 0.0) & (place >= -1e-12) & (place <= 1.0 + 1e-12)
    most = np.where(met, used, 0.0).max(axis=-1)
    still = (force[..., 0] == 0.0) & (bend[..., 0] == 0.0)
    return np.asarray(np.where(met.any(axis=-1), most, np.where(still, 0.0, np.inf)))
