"""Movement as a function of the distance of the face alone."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

from convergence.laws.arrays import FloatArray, floats


def power_face(face_distance: npt.ArrayLike, amplitude: npt.ArrayLike, influence_length: npt.ArrayLike) -> FloatArray:
    """Movement behind the face after Panet and Guenot: levels off slowly, with the square of distance.

    u(x) = A [1 - (X / (x + X))^2] for x > 0, and 0 for x <= 0

    Parameters
    ----------
    face_distance : array_like
        Face distance x [m], positive once the face has passed; any value, infinity gives the final movement.
    amplitude : array_like
        Final movement A since the face passed [mm].
    influence_length : array_like
        Influence length X [m], > 0; 0.84 times the radius of the plastic zone, or of the tunnel if it stays
        elastic.

    Returns
    -------
    ndarray
        Movement since the face passed [mm], in the broadcast shape of the arguments.

    Examples
    --------
    A = 30 mm, X = 10 m, x = 10 m: 30 (1 - (10/20)^2) = 22.5 mm.

    References
    ----------
    .. [1] M. Panet and A. Guenot, "Analysis of convergence behind the face of a tunnel", Tunnelling '82,
       Institution of Mining and Metallurgy, London, 1982, 197-204. Equation and 0.84 from memory.
    """
    behind = np.maximum(floats(face_distance), 0.0)
    # expm1 and log1p keep all digits close to the face, where 1 - (X/(x+X))^2 would lose them.
    return floats(amplitude) * -np.expm1(-2.0 * np.log1p(behind / floats(influence_length)))


def exponential_face(
    face_distance: npt.ArrayLike, amplitude: npt.ArrayLike, influence_length: npt.ArrayLike
) -> FloatArray:
    """Movement behind the face that levels off exponentially with distance.

    u(x) = A [1 - exp(-x / X)] for x > 0, and 0 for x <= 0

    Parameters
    ----------
    face_distance : array_like
        Face distance x [m], positive once the face has passed; any value, infinity gives the final movement.
    amplitude : array_like
        Final movement A since the face passed [mm].
    influence_length : array_like
        Influence length X [m], > 0: 63 % of the movement has come when the face is X past.

    Returns
    -------
    ndarray
        Movement since the face passed [mm], in the broadcast shape of the arguments.

    Examples
    --------
    A = 30 mm, X = 10 m, x = 10 m: 30 (1 - 1/e) = 18.964 mm.

    References
    ----------
    .. [1] Common practice, no source; the same function of time is the saturating exponential of regression
       practice.
    """
    behind = np.maximum(floats(face_distance), 0.0)
    return floats(amplitude) * -np.expm1(-behind / floats(influence_length))
