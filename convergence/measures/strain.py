"""Strain: movement over the length it is referred to."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt


def diametral_strain(movement: npt.ArrayLike, base_length: npt.ArrayLike) -> npt.NDArray[np.float64]:
    """Strain of a chord, or of the tunnel's width for one prism's movement.

    eps = 100 * movement / (1000 * base_length)   [%]

    Parameters
    ----------
    movement : array_like
        Convergence of a chord or movement of a prism [mm], + shortening.
    base_length : array_like
        Chord length at its zero reading, or the tunnel's width [m], above 0.

    Returns
    -------
    ndarray
        Strain [%], of the broadcast shape.

    Examples
    --------
    34 mm over a diameter of 6.5 m is 0.523 % (headrace tunnel, chainage 7+029; published: Terron-Almenara and
    Panthi 2025, Table 5).

    >>> float(round(diametral_strain(34.0, 6.5), 3))
    0.523
    """
    return np.asarray(np.asarray(movement, dtype=np.float64) / (10.0 * np.asarray(base_length, dtype=np.float64)))
