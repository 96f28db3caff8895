"""Rigid movement of an array apart from its deformation: a plain least-squares formula for many sweeps at once."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

from convergence.errors import ValueFault

Floats = npt.NDArray[np.float64]

#: What is solved for, in the order of the results.
PARTS = ("shift", "settlement", "rotation", "contraction", "ovalisation", "skew")
#: How many of them are the rigid movement.
RIGID = 3
#: A part that the prisms read tell worse than this is not told at all (ratio of singular values).
TELLING = 1e-6


def split_array(
    offset: npt.ArrayLike,
    height: npt.ArrayLike,
    transverse: npt.ArrayLike,
    settlement: npt.ArrayLike,
    error: npt.ArrayLike,
    parts: int = len(PARTS),
) -> tuple[Floats, Floats, Floats]:
    """Rigid movement and uniform deformation of an array by sweep.

    With x and y a prism's offset and height from the middle of the array, its movement to the right u and down s is

        u = shift      + y rotation - x contraction + x ovalisation + y skew
        s = settlement + x rotation + y contraction + y ovalisation - x skew

    for small movements. Rotation is + clockwise looking up-chainage (a prism above the middle goes right, one to the
    right goes down); contraction is + where all draw together; ovalisation + where the array widens and flattens; skew
    + where it leans. They are solved by least squares with equal weights, so the errors of the parts are

        cov = error^2 (A' A)^-1,

    and where there are readings to spare and these scatter more than ``error``, by that factor more: the array then
    deforms in another way than uniformly.

    Parameters
    ----------
    offset, height : (p,) array
        Places of the prisms [m], + right looking up-chainage and + up.
    transverse, settlement : (n, p) array
        Movements by sweep [mm], + right and + down; NaN where a prism was not read.
    error : (n, p) array or float
        Standard error of a movement [mm], above 0.
    parts : int
        How many of ``PARTS`` are solved for: 3 for a rigid array, 6 with its deformation.

    Returns
    -------
    value : (n, parts) array
        Shift and settlement of the middle of the array [mm], then mm/m: rotation, contraction, ovalisation, skew. NaN
        in sweeps whose prisms cannot tell all of them: with three or more that are not in one line six can be told.
    standard_error : (n, parts) array
        Of each, in its unit.
    residual : (n,) array
        Root mean square of what is left [mm], by the readings to spare; NaN where there are none.

    Raises
    ------
    ValueFault
        Where ``parts`` is neither 3 nor 6, or an error is not above 0.

    Notes
    -----
    The middle is the mean of all prisms' places. What is called settlement is of that point: a crown that comes down
    between walls that stay is part settlement, part contraction, part ovalisation. The split says how the array moved,
    not why. Only differences between prisms tell deformation and rotation, so the error all prisms share, that of
    the station, stands in shift and settlement alone; it is not in ``standard_error``.

    Examples
    --------
    Four prisms at (+-5, +-5) m that all go down by 2 mm: settlement 2, nothing else. With errors of 1 mm the settlement
    has the standard error 1 / sqrt(4) = 0.5 mm, and the rotation 1 / sqrt(sum(x^2 + y^2)) = 1 / sqrt(200) mm/m.

    >>> value, error, left = split_array([-5, 5, -5, 5], [5, 5, -5, -5], np.zeros((1, 4)), np.full((1, 4), 2.0), 1.0)
    >>> np.round(value[0], 9) + 0.0
    array([0., 2., 0., 0., 0., 0.])
    >>> np.round(error[0, 1:3], 6)
    array([0.5     , 0.070711])

    References
    ----------
    1. Small displacement of a plane body as translation, rotation and uniform strain: textbook kinematics, from memory;
       verified against exact finite rotations and strains, and a rotation fitted by singular values, in the tests.
    """
    if parts not in (RIGID, len(PARTS)):
        raise ValueFault(f"parts = {parts}: expected {RIGID} (rigid) or {len(PARTS)}. To mend: give one of the two.")
    x, y = (np.asarray(values, dtype=np.float64) for values in (offset, height))
    x, y = x - x.mean(), y - y.mean()
    right, down = (np.atleast_2d(np.asarray(values, dtype=np.float64)) for values in (transverse, settlement))
    spread = np.broadcast_to(np.asarray(error, dtype=np.float64), right.shape)
    if not (np.nan_to_num(spread, nan=1.0) > 0.0).all():
        raise ValueFault("error: expected above 0 mm everywhere. To mend: give the noise of a reading.")
    one, none = np.ones_like(x), np.zeros_like(x)
    design_right = np.stack([one, none, y, -x, x, y], axis=1)[:, :parts]
    design_down = np.stack([none, one, x, y, y, -x], axis=1)[:, :parts]
    read = np.isfinite(right) & np.isfinite(down) & np.isfinite(spread)
    design = np.concatenate([design_right, design_down])
    use = np.concatenate([read, read], axis=1).astype(np.float64)
    moved = np.concatenate([np.where(read, right, 0.0), np.where(read, down, 0.0)], axis=1)
    size = np.sqrt((np.where(read, spread, 0.0) ** 2).sum(axis=1) / np.maximum(read.sum(axis=1), 1))
    normal = np.einsum("nr,ri,rj->nij", use, design, design)
    # lengths and numbers weigh alike, so that a part is called untold for the places and not for its unit
    scale = np.maximum(np.sqrt((design**2).sum(axis=0)), 1e-12)
    values, vectors = np.linalg.eigh(normal / np.outer(scale, scale))
    told = values[:, 0] > TELLING * np.maximum(values[:, -1], TELLING)
    inverse = np.einsum("nik,nk,njk->nij", vectors, 1.0 / np.where(told[:, None], values, 1.0), vectors)
    inverse = inverse / np.outer(scale, scale)
    solution = np.einsum("nij,nr,ri->nj", inverse, use * moved, design)
    left = use * (moved - solution @ design.T)
    freedom = use.sum(axis=1) - parts
    square = (left**2).sum(axis=1) / np.maximum(freedom, 1.0)
    wider = np.where(freedom >= 1, np.sqrt(np.maximum(square / np.maximum(size, 1e-12) ** 2, 1.0)), 1.0)
    errors = np.sqrt(np.maximum(np.einsum("njj->nj", inverse), 0.0)) * (size * wider)[:, None]
    solution[~told], errors[~told] = np.nan, np.nan
    return solution, errors, np.where(told & (freedom >= 1), np.sqrt(square), np.nan)
