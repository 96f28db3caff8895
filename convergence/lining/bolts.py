"""Stiffness and capacity of bolts that hold the wall at their heads.

Stiffness is pressure on the ground side for one metre of inward wall movement [MPa/m]; capacity is a pressure [MPa].
"""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

from convergence.laws.arrays import FloatArray
from convergence.lining.ranges import above_zero, within


def bolt_stiffness(
    diameter: npt.ArrayLike,
    length: npt.ArrayLike,
    ring_spacing: npt.ArrayLike,
    row_spacing: npt.ArrayLike,
    anchor_flexibility: npt.ArrayLike,
    steel_modulus: npt.ArrayLike = 207e3,
) -> FloatArray:
    """Stiffness of mechanically anchored bolts, not grouted.

    1/K = sc sl [4 l / (pi d^2 E) + Q]

    Bolts grouted over their length act with the ground and not as a spring at the wall; this form does not hold for
    them.

    Parameters
    ----------
    diameter : array_like
        Bolt diameter d [m], > 0.
    length : array_like
        Free length l [m], > 0.
    ring_spacing, row_spacing : array_like
        Distances sc round the wall and sl along the tunnel [m], > 0.
    anchor_flexibility : array_like
        Slip Q of anchor and plate for a load, from pull-out tests [m/MN], >= 0.
    steel_modulus : array_like
        Young's modulus E of the bolt [MPa], > 0.

    Returns
    -------
    ndarray
        Stiffness [MPa/m], in the broadcast shape of the arguments.

    Examples
    --------
    d = 0.025 m, l = 3 m, E = 207,000 MPa, Q = 0.042 m/MN, 1 m by 1 m: 13.98124 MPa/m.

    References
    ----------
    .. [1] B. H. G. Brady and E. T. Brown, Rock Mechanics for Underground Mining, 3rd ed., p. 578: inputs and Q
       published, the equation from memory.
    """
    wide = above_zero("bolt diameter", diameter, "m")
    steel = (
        4.0 * above_zero("bolt length", length, "m") / (np.pi * wide**2 * above_zero("modulus", steel_modulus, "MPa"))
    )
    slip = within("anchor flexibility", anchor_flexibility, 0.0, unit="m/MN")
    return np.asarray(1.0 / (_field(ring_spacing, row_spacing) * (steel + slip)))


def bolt_capacity(load: npt.ArrayLike, ring_spacing: npt.ArrayLike, row_spacing: npt.ArrayLike) -> FloatArray:
    """Pressure at which bolts reach their load in a pull-out test.

    p_max = T / (sc sl)

    Parameters
    ----------
    load : array_like
        Load T of one bolt [MN], >= 0.
    ring_spacing, row_spacing : array_like
        Distances sc round the wall and sl along the tunnel [m], > 0.

    Returns
    -------
    ndarray
        Pressure [MPa], in the broadcast shape of the arguments.

    Examples
    --------
    T = 0.254 MN, 1 m by 1 m: 0.254 MPa.

    References
    ----------
    .. [1] E. Hoek and E. T. Brown, Underground Excavations in Rock, 1980. From memory.
    """
    return np.asarray(within("bolt load", load, 0.0, unit="MN") / _field(ring_spacing, row_spacing))


def _field(ring_spacing: npt.ArrayLike, row_spacing: npt.ArrayLike) -> FloatArray:
    """Wall that one bolt holds [m2]."""
    return np.asarray(
        above_zero("spacing of bolts", ring_spacing, "m") * above_zero("spacing of rows", row_spacing, "m")
    )
