"""Distortion: how the line between two prisms of a section turns, as one end settles or shifts more than the other."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

from convergence.errors import ValueFault

Floats = npt.NDArray[np.float64]


def pair_distortion(
    transverse: npt.ArrayLike, settlement: npt.ArrayLike, across: float, up: float
) -> tuple[Floats, float]:
    """Movement of one prism against another, square to the line between them in the section's plane.

    d = (t_2 - t_1) e_up + (s_2 - s_1) e_across,   (e_across, e_up) = (across, up) / length;   distortion = d / length

    For two prisms at one height d is the difference of their settlements, so the distortion is the angular distortion
    of foundations; d holds a turn of the whole ring too.

    Parameters
    ----------
    transverse, settlement : array_like, shape (2, n)
        Movements [mm] of the two prisms, sweep by sweep.
    across, up : float
        Offset and height [m] of the second prism less those of the first.

    Returns
    -------
    movement : (n,) array
        d [mm], + where the line turns clockwise looking up-chainage.
    length : float
        Length of the line [m]; movement over length is the distortion [mm/m].

    Raises
    ------
    ValueFault
        If the two prisms stand at one place.

    Examples
    --------
    The right wall settles 6 mm and the left one 2 mm, 10 m apart: 4 mm, 0.4 mm/m or 1/2500.

    >>> movement, length = pair_distortion([[0.0], [0.0]], [[2.0], [6.0]], 10.0, 0.0)
    >>> float(movement[0]), length
    (4.0, 10.0)

    References
    ----------
    1. Skempton, A. W. and MacDonald, D. H. (1956), The allowable settlements of buildings, Proc. Inst. Civ. Eng. 5,
       727-768: angular distortion is differential settlement over distance. From memory.
    """
    length = float(np.hypot(across, up))
    if not length > 0:
        raise ValueFault(
            f"across = {across} m, up = {up} m: expected two prisms apart. To mend: give prisms at different places."
        )
    sideways = np.diff(np.asarray(transverse, dtype=np.float64), axis=0)[0]
    down = np.diff(np.asarray(settlement, dtype=np.float64), axis=0)[0]
    return np.asarray((sideways * up + down * across) / length), length
