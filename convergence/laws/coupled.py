"""Movement as a product of a face part and a time part."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

from convergence.laws.arrays import FloatArray, floats
from convergence.laws.face import exponential_face, power_face
from convergence.laws.time import exponential_time, power_time


def coupled(
    face_distance: npt.ArrayLike,
    elapsed: npt.ArrayLike,
    amplitude: npt.ArrayLike,
    influence_length: npt.ArrayLike,
    characteristic_time: npt.ArrayLike,
    creep_ratio: npt.ArrayLike,
    exponent: npt.ArrayLike,
) -> FloatArray:
    """Movement behind the face and with time after Sulem, Panet and Guenot.

    u(x, t) = A [1 - (X / (x + X))^2] [1 + m (1 - (T / (t + T))^n)] for x > 0, and 0 for x <= 0

    All movement is aged from the passage of the face, whenever it came: after a long stoppage each new metre
    of advance brings its creep at once. The hereditary law ages each part from its own release.

    Parameters
    ----------
    face_distance : array_like
        Face distance x [m], positive once the face has passed.
    elapsed : array_like
        Time t since the face passed [days]; the time part is 1 for t <= 0.
    amplitude : array_like
        Movement A once the face is far, before any creep [mm]; the final movement is A (1 + m).
    influence_length : array_like
        Influence length X [m], > 0.
    characteristic_time : array_like
        Characteristic time T [days], > 0.
    creep_ratio : array_like
        Final creep over the instantaneous movement, m [-], >= 0.
    exponent : array_like
        Exponent n [-], > 0; usually held at 0.3.

    Returns
    -------
    ndarray
        Movement since the face passed [mm], in the broadcast shape of the arguments.

    Examples
    --------
    A = 30 mm, X = 10 m, T = 6 d, m = 1.5, n = 0.3, x = 20 m, t = 10 d: 36.863022 mm.

    References
    ----------
    .. [1] J. Sulem, M. Panet and A. Guenot, "Closure analysis in deep tunnels", Int. J. Rock Mech. Min. Sci.
       & Geomech. Abstr. 24(3), 1987, 145-154. Bibliographic data published; equation and n = 0.3 from memory.
    """
    creep = 1.0 + power_time(elapsed, creep_ratio, characteristic_time, exponent)
    return _behind_only(face_distance, power_face(face_distance, amplitude, influence_length) * creep)


def coupled_exponential(
    face_distance: npt.ArrayLike,
    elapsed: npt.ArrayLike,
    amplitude: npt.ArrayLike,
    influence_length: npt.ArrayLike,
    characteristic_time: npt.ArrayLike,
    creep_ratio: npt.ArrayLike,
) -> FloatArray:
    """Movement behind the face and with time, both parts exponential.

    u(x, t) = A [1 - exp(-x / X)] [1 + m (1 - exp(-t / T))] for x > 0, and 0 for x <= 0

    Parameters
    ----------
    face_distance : array_like
        Face distance x [m], positive once the face has passed.
    elapsed : array_like
        Time t since the face passed [days]; the time part is 1 for t <= 0.
    amplitude : array_like
        Movement A once the face is far, before any creep [mm]; the final movement is A (1 + m).
    influence_length : array_like
        Influence length X [m], > 0.
    characteristic_time : array_like
        Characteristic time T [days], > 0.
    creep_ratio : array_like
        Final creep over the instantaneous movement, m [-], >= 0.

    Returns
    -------
    ndarray
        Movement since the face passed [mm], in the broadcast shape of the arguments.

    Examples
    --------
    A = 30 mm, X = 10 m, T = 6 d, m = 1.5, x = 20 m, t = 10 d: 57.501 mm.

    References
    ----------
    .. [1] Common practice, no source: the product form of Sulem, Panet and Guenot with exponential parts.
    """
    creep = 1.0 + exponential_time(elapsed, creep_ratio, characteristic_time)
    return _behind_only(face_distance, exponential_face(face_distance, amplitude, influence_length) * creep)


def _behind_only(face_distance: npt.ArrayLike, movement: FloatArray) -> FloatArray:
    """Zero where the face has not passed, even if the time since passage is not known there."""
    return np.where(floats(face_distance) <= 0.0, 0.0, movement)
