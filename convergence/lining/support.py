"""Stiffness and capacity of support: sprayed ring, steel sets and lattice girders, and all together.

Stiffness is pressure on the ground side for one metre of inward wall movement [MPa/m]; capacity is a pressure [MPa].
"""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

from convergence.laws.arrays import FloatArray
from convergence.lining.ranges import above_zero, not_beyond, within

STEEL_MODULUS = 200e3
"""Young's modulus of reinforcing steel [MPa]; EN 1992-1-1, 3.2.7(4), from memory."""


def sprayed_ring_stiffness(
    modulus: npt.ArrayLike, poisson_ratio: npt.ArrayLike, radius: npt.ArrayLike, thickness: npt.ArrayLike
) -> FloatArray:
    """Stiffness of a closed sprayed-concrete ring, thick, in plane strain.

    K = E [R^2 - (R - t)^2] / {(1 + nu) [(1 - 2 nu) R^2 + (R - t)^2]} / R

    This is the exact stiffness of a thick elastic ring. Another form goes round, with (1 - nu) for (1 + nu); it is
    wrong: for a thin ring it tends to E t / [(1 - nu)^2 R^2] and not to the plane-strain E t / [(1 - nu^2) R^2], so it
    is too stiff by (1 + nu)/(1 - nu), half as much again at nu = 0.2, and makes the lining carry too much.

    Parameters
    ----------
    modulus : array_like
        Young's modulus E of the sprayed concrete [MPa], >= 0.
    poisson_ratio : array_like
        Poisson's ratio nu of the sprayed concrete [-], 0 to below 0.5.
    radius : array_like
        Outer radius R, on the ground side [m], > 0.
    thickness : array_like
        Thickness t [m], 0 to R.

    Returns
    -------
    ndarray
        Stiffness [MPa/m], in the broadcast shape of the arguments.

    Examples
    --------
    E = 25,000 MPa, nu = 0.2, R = 5 m, t = 0.3 m: 326.90752 MPa/m.

    References
    ----------
    .. [1] B. H. G. Brady and E. T. Brown, Rock Mechanics for Underground Mining, 3rd ed., p. 577. Published, and
       verified here against the Lame solution of a thick ring.
    """
    outer, inner = _ring(radius, thickness)
    poisson = within("Poisson's ratio of the concrete", poisson_ratio, 0.0, 0.5, below=True)
    share = (outer**2 - inner**2) / ((1.0 + poisson) * ((1.0 - 2.0 * poisson) * outer**2 + inner**2))
    return np.asarray(within("modulus of the concrete", modulus, 0.0, unit="MPa") * share / outer)


def sprayed_ring_capacity(strength: npt.ArrayLike, radius: npt.ArrayLike, thickness: npt.ArrayLike) -> FloatArray:
    """Pressure at which a closed sprayed-concrete ring reaches its compressive strength on the inner face.

    p_max = (f / 2) [1 - (R - t)^2 / R^2]

    Parameters
    ----------
    strength : array_like
        Compressive strength f of the sprayed concrete [MPa], >= 0.
    radius : array_like
        Outer radius R, on the ground side [m], > 0.
    thickness : array_like
        Thickness t [m], 0 to R.

    Returns
    -------
    ndarray
        Pressure [MPa], in the broadcast shape of the arguments. Bending is not in it.

    Examples
    --------
    f = 25 MPa, R = 5 m, t = 0.3 m: 1.45500 MPa.

    References
    ----------
    .. [1] B. H. G. Brady and E. T. Brown, Rock Mechanics for Underground Mining, 3rd ed., p. 577. Published.
    """
    outer, inner = _ring(radius, thickness)
    hard = within("strength of the concrete", strength, 0.0, unit="MPa")
    return np.asarray(0.5 * hard * (1.0 - (inner / outer) ** 2))


def embedded_girder_stiffness(
    steel_area: npt.ArrayLike,
    spacing: npt.ArrayLike,
    radius: npt.ArrayLike,
    steel_modulus: npt.ArrayLike = STEEL_MODULUS,
) -> FloatArray:
    """Stiffness of lattice girders or steel sets that stand in full contact with the ground or in the lining.

    K = Es As / (S R^2)

    The blocked set of `steel_set_stiffness` with the blocks set close tends to this.

    Parameters
    ----------
    steel_area : array_like
        Steel cross-section As of one girder (all chord bars) [m2], >= 0.
    spacing : array_like
        Distance S between girders along the tunnel [m], > 0.
    radius : array_like
        Radius R of the girder's axis [m], > 0.
    steel_modulus : array_like
        Young's modulus Es of steel [MPa], > 0.

    Returns
    -------
    ndarray
        Stiffness [MPa/m], in the broadcast shape of the arguments.

    Examples
    --------
    As = 0.0014 m2, S = 1 m, R = 5 m, Es = 200,000 MPa: 11.2 MPa/m.

    References
    ----------
    .. [1] Hoop of a thin ring; statics.
    """
    area, apart, size = _girder(steel_area, spacing, radius)
    return np.asarray(above_zero("modulus of the steel", steel_modulus, "MPa") * area / (apart * size**2))


def embedded_girder_capacity(
    steel_area: npt.ArrayLike, spacing: npt.ArrayLike, radius: npt.ArrayLike, yield_strength: npt.ArrayLike
) -> FloatArray:
    """Pressure at which girders in full contact yield in hoop compression.

    p_max = As fy / (S R)

    Parameters
    ----------
    steel_area : array_like
        Steel cross-section As of one girder [m2], >= 0.
    spacing : array_like
        Distance S between girders along the tunnel [m], > 0.
    radius : array_like
        Radius R of the girder's axis [m], > 0.
    yield_strength : array_like
        Yield strength fy of the steel [MPa], > 0.

    Returns
    -------
    ndarray
        Pressure [MPa], in the broadcast shape of the arguments; the girder must be held against buckling.

    Examples
    --------
    As = 0.0014 m2, S = 1 m, R = 5 m, fy = 500 MPa: 0.14 MPa.

    References
    ----------
    .. [1] Hoop of a thin ring; statics.
    """
    area, apart, size = _girder(steel_area, spacing, radius)
    return np.asarray(area * above_zero("yield strength", yield_strength, "MPa") / (apart * size))


def steel_set_stiffness(
    steel_area: npt.ArrayLike,
    second_moment: npt.ArrayLike,
    spacing: npt.ArrayLike,
    radius: npt.ArrayLike,
    half_block_angle: npt.ArrayLike,
    block_thickness: npt.ArrayLike,
    flange_width: npt.ArrayLike,
    block_modulus: npt.ArrayLike = 10e3,
    steel_modulus: npt.ArrayLike = 207e3,
) -> FloatArray:
    """Stiffness of steel sets blocked against the ground at points.

    1/k = S R / (Es As) + (S R^3 / (Es Is)) [th (th + sin th cos th) / (2 sin^2 th) - 1] + 2 S th tB / (EB W^2);
    K = k / R

    Parameters
    ----------
    steel_area : array_like
        Cross-section As of one set [m2], > 0.
    second_moment : array_like
        Second moment of area Is of one set [m4], > 0.
    spacing : array_like
        Distance S between sets along the tunnel [m], > 0.
    radius : array_like
        Radius R, on the ground side [m], > 0.
    half_block_angle : array_like
        Half the angle th between blocks [rad], above 0 to pi/2.
    block_thickness : array_like
        Thickness tB of the blocks [m], >= 0.
    flange_width : array_like
        Flange width W of the set; the blocks are square with this side [m], > 0.
    block_modulus, steel_modulus : array_like
        Young's moduli EB of the blocks and Es of the steel [MPa], > 0.

    Returns
    -------
    ndarray
        Stiffness [MPa/m], in the broadcast shape of the arguments.

    Examples
    --------
    Es = 207,000, EB = 10,000 MPa, As = 0.00532 m2, Is = 2.67e-5 m4, W = 0.16 m, S = 1 m, R = 3 m, th = 11.25
    degrees, tB = 0.075 m: 111.0445 MPa/m.

    References
    ----------
    .. [1] B. H. G. Brady and E. T. Brown, Rock Mechanics for Underground Mining, 3rd ed., p. 577. Published.
    """
    size, apart = above_zero("radius", radius, "m"), above_zero("spacing of sets", spacing, "m")
    half, steel = (
        _half_angle(half_block_angle),
        above_zero("modulus", steel_modulus, "MPa"),
    )
    sine = np.sin(half)
    bending = half * (half + sine * np.cos(half)) / (2.0 * sine**2) - 1.0
    soft = apart * size / (steel * above_zero("steel area", steel_area, "m2"))
    soft = soft + apart * size**3 / (steel * above_zero("second moment", second_moment, "m4")) * bending
    block = (
        above_zero("modulus of the blocks", block_modulus, "MPa") * above_zero("flange width", flange_width, "m") ** 2
    )
    soft = soft + 2.0 * apart * half * within("block thickness", block_thickness, 0.0, unit="m") / block
    return np.asarray(1.0 / (soft * size))


def steel_set_capacity(
    steel_area: npt.ArrayLike,
    second_moment: npt.ArrayLike,
    depth: npt.ArrayLike,
    spacing: npt.ArrayLike,
    radius: npt.ArrayLike,
    half_block_angle: npt.ArrayLike,
    block_thickness: npt.ArrayLike,
    yield_strength: npt.ArrayLike,
) -> FloatArray:
    """Pressure at which steel sets blocked at points yield.

    p_max = 3 As Is fy / (2 S R th {3 Is + X As [R - (tB + X/2)](1 - cos th)})

    Parameters
    ----------
    steel_area : array_like
        Cross-section As of one set [m2], > 0.
    second_moment : array_like
        Second moment of area Is of one set [m4], > 0.
    depth : array_like
        Depth X of the section [m], > 0.
    spacing : array_like
        Distance S between sets along the tunnel [m], > 0.
    radius : array_like
        Radius R, on the ground side [m], > 0.
    half_block_angle : array_like
        Half the angle th between blocks [rad], above 0 to pi/2.
    block_thickness : array_like
        Thickness tB of the blocks [m], >= 0.
    yield_strength : array_like
        Yield strength fy of the steel [MPa], > 0.

    Returns
    -------
    ndarray
        Pressure [MPa], in the broadcast shape of the arguments.

    Examples
    --------
    The set of `steel_set_stiffness` with X = 0.162 m and fy = 150 MPa: 0.42656 MPa.

    References
    ----------
    .. [1] B. H. G. Brady and E. T. Brown, Rock Mechanics for Underground Mining, 3rd ed., p. 577. Published.
    """
    area, inertia = above_zero("steel area", steel_area, "m2"), above_zero("second moment", second_moment, "m4")
    high, size = above_zero("depth", depth, "m"), above_zero("radius", radius, "m")
    half = _half_angle(half_block_angle)
    block = within("block thickness", block_thickness, 0.0, unit="m")
    arm = high * area * (size - (block + 0.5 * high)) * (1.0 - np.cos(half))
    below = 2.0 * above_zero("spacing of sets", spacing, "m") * size * half * (3.0 * inertia + arm)
    return np.asarray(3.0 * area * inertia * above_zero("yield strength", yield_strength, "MPa") / below)


def combined_support(stiffness: npt.ArrayLike, capacity: npt.ArrayLike) -> tuple[FloatArray, FloatArray]:
    """Stiffness and capacity of members that act side by side from the same instant on.

    K = sum of K_i; p_max = K min(p_max_i / K_i), when the first member reaches its capacity

    Parameters
    ----------
    stiffness, capacity : array_like, shape (..., members)
        Stiffness [MPa/m], >= 0, and capacity [MPa], >= 0, of each member, one for each place of the last axis.

    Returns
    -------
    tuple of ndarray, shape (...)
        Stiffness [MPa/m] and capacity [MPa] together.

    Examples
    --------
    326.9 MPa/m with 1.455 MPa and 11.2 MPa/m with 0.14 MPa: 338.1 MPa/m, and 338.1 * min(0.004451, 0.0125) =
    1.505 MPa.

    References
    ----------
    .. [1] P. P. Oreste, Tunnelling and Underground Space Technology 18, 2003, 347-363. From memory.
    """
    stiff = within("stiffness of a member", stiffness, 0.0, unit="MPa/m")
    parts, limits = np.broadcast_arrays(stiff, within("capacity of a member", capacity, 0.0, unit="MPa"))
    total = parts.sum(axis=-1)
    with np.errstate(divide="ignore", invalid="ignore"):
        first = np.where(parts > 0.0, limits / parts, np.inf).min(axis=-1)
    return np.asarray(total), np.asarray(np.where(total > 0.0, total * first, 0.0))


def _half_angle(angle: npt.ArrayLike) -> FloatArray:
    """Half the angle between blocks [rad], within its range."""
    return within("half angle between blocks", angle, 0.0, 0.5 * np.pi, "rad", above=True)


def _ring(radius: npt.ArrayLike, thickness: npt.ArrayLike) -> tuple[FloatArray, FloatArray]:
    """Outer and inner radius of a ring [m]."""
    outer = above_zero("radius of the ring", radius, "m")
    thick = within("thickness of the ring", thickness, 0.0, unit="m")
    return outer, np.asarray(outer - not_beyond("thickness of the ring", thick, "radius", outer, "m"))


def _girder(
    steel_area: npt.ArrayLike, spacing: npt.ArrayLike, radius: npt.ArrayLike
) -> tuple[FloatArray, FloatArray, FloatArray]:
    """Area [m2], spacing and radius [m] of girders."""
    area = within("steel area of a girder", steel_area, 0.0, unit="m2")
    return area, above_zero("spacing of girders", spacing, "m"), above_zero("radius of the girders", radius, "m")
