"""Laying a chain of elements on the coordinates of their ends, as an alignment file gives both."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from convergence.errors import ValueFault
from convergence.survey.alignment import Alignment
from convergence.survey.chain import chain
from convergence.survey.elements import Element, FloatArray
from convergence.survey.profile import ProfilePoint

#: An end farther than this [m] from where lengths and radii put it: the file contradicts itself, or a joint has a kink.
MOST_APART = 0.05


def laid_on(
    start_chainage: float,
    elements: tuple[Element, ...],
    profile: tuple[ProfilePoint, ...],
    distance: FloatArray,
    easting: FloatArray,
    northing: FloatArray,
    names: Sequence[str],
) -> Alignment:
    """An alignment whose start and azimuth fit the coordinates of all its elements' ends best.

    With z the ends as the chain has them from its own start and w the coordinates given, as complex numbers easting +
    i northing, the rotation is ``exp(i a) = S / |S|, S = sum conj(z - mean z) (w - mean w)`` and the start is
    ``mean w - exp(i a) mean z``: the least squares of a rigid movement. The first line alone would turn the rounding
    of its two ends into metres at the far end.

    Parameters
    ----------
    start_chainage : float
        Chainage where the first element begins [m].
    elements, profile : tuple
        As for ``Alignment``.
    distance : (n,) array
        Distance of each end along the chain [m].
    easting, northing : (n,) array
        Its coordinates [m].
    names : sequence of str
        What each end is called in messages.

    Returns
    -------
    Alignment
        Laid on the coordinates.

    Raises
    ------
    ValueFault
        Where an end lies more than ``MOST_APART`` from its place on the chain, or all ends are one point.

    Notes
    -----
    Worked number: a straight of 100 m between E 0 N 0 and E 100 N 0 starts at the origin with an azimuth of pi/2.

    References
    ----------
    1. Least squares of a rotation in the plane as the argument of a complex sum: textbook, from memory; verified
       against alignments made with known start and azimuth.
    """
    plan = chain(elements, 0.0)
    east, north = plan.position_at(distance)
    own, given = east + 1j * north, easting + 1j * northing
    middle_own, middle_given = own.mean(), given.mean()
    total = np.sum(np.conj(own - middle_own) * (given - middle_given))
    if total == 0.0:
        raise ValueFault(
            "alignment file: all its elements' ends fall together; expected an alignment of some length. "
            "To mend: export the alignment again."
        )
    rotation = total / abs(total)
    start = middle_given - rotation * middle_own
    apart = np.abs(start + rotation * own - given)
    worst = int(np.argmax(apart))
    if apart[worst] > MOST_APART:
        raise ValueFault(
            f"{names[worst]}: an end of the element lies {apart[worst]:.3f} m from where the lengths and radii of the "
            f"alignment put it; expected at most {MOST_APART} m, each element tangent to the one before. "
            "To mend: correct the element, or export the alignment again with more digits."
        )
    azimuth = float(np.mod(-np.angle(rotation), 2.0 * np.pi))
    return Alignment(start_chainage, float(start.real), float(start.imag), azimuth, elements, profile)
