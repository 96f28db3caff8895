"""Empirical strains, as aids when trigger levels are set. They describe other tunnels; the contract's levels govern."""

from __future__ import annotations

from types import MappingProxyType

import numpy as np
import numpy.typing as npt

from convergence.laws.arrays import FloatArray, floats
from convergence.lining.ranges import within

SQUEEZING_BOUNDS = (1.0, 2.5, 5.0, 10.0)
"""Strains [%] that bound the classes of `squeezing_class`. From memory."""

SQUEEZING_CLASSES = (
    "few support problems",
    "minor squeezing problems",
    "severe squeezing problems",
    "very severe squeezing problems",
    "extreme squeezing problems",
)

WARNING_CONSTANTS: MappingProxyType[str, float] = MappingProxyType({"I": 1.59, "II": 1.22, "III": 0.85})
"""Constant c of `critical_strain` for each warning level. From memory, moderate confidence."""

MEGAPASCALS = 0.0980665
"""One kgf/cm2 in MPa."""


def rock_mass_strength(
    intact_strength: npt.ArrayLike, intact_constant: npt.ArrayLike, strength_index: npt.ArrayLike
) -> FloatArray:
    """Strength of a rock mass for the strain relations below.

    scm = 0.0034 mi^0.8 sci [1.029 + 0.025 exp(-0.1 mi)]^GSI

    Parameters
    ----------
    intact_strength : array_like
        Unconfined strength sci of the intact rock [MPa], > 0.
    intact_constant : array_like
        Constant mi of the intact rock [-].
    strength_index : array_like
        Geological strength index GSI [-].

    Returns
    -------
    ndarray
        Strength [MPa], in the broadcast shape of the arguments.

    Examples
    --------
    sci = 20 MPa, mi = 8, GSI = 25: 0.9622 MPa (computed here).

    References
    ----------
    .. [1] E. Hoek and P. Marinos, Tunnels and Tunnelling International 32(11) and 32(12), 2000. From memory, verified
       against strains tabulated in a later publication.
    """
    constant = within("constant mi of the intact rock", intact_constant, 0.0, above=True)
    within("geological strength index", strength_index, 0.0, 100.0)
    base = 1.029 + 0.025 * np.exp(-0.1 * constant)
    hard = within("strength of the intact rock", intact_strength, 0.0, unit="MPa", above=True)
    return np.asarray(0.0034 * constant**0.8 * hard * base ** floats(strength_index))


def unsupported_strain(strength: npt.ArrayLike, stress: npt.ArrayLike) -> FloatArray:
    """Wall movement over tunnel radius that tunnels without support have had.

    e = 0.2 (scm / p0)^-2, in per cent

    Parameters
    ----------
    strength : array_like
        Strength scm of the rock mass [MPa], > 0; see `rock_mass_strength`.
    stress : array_like
        Stress p0 of the undisturbed ground [MPa], > 0.

    Returns
    -------
    ndarray
        Strain [%], in the broadcast shape of the arguments. A mean; single tunnels scatter widely about it.

    Examples
    --------
    scm / p0 = 0.2: 5 %.

    References
    ----------
    .. [1] E. Hoek and P. Marinos, 2000. From memory, verified against strains tabulated in a later publication.
    """
    return np.asarray(0.2 * _ratio(strength, stress) ** -2.0)


def supported_strain(strength: npt.ArrayLike, stress: npt.ArrayLike, pressure: npt.ArrayLike) -> FloatArray:
    """Wall movement over tunnel radius that tunnels with a support pressure have had.

    e = (0.2 - 0.25 p/p0) (scm / p0)^(2.4 p/p0 - 2), in per cent

    Parameters
    ----------
    strength : array_like
        Strength scm of the rock mass [MPa], > 0.
    stress : array_like
        Stress p0 of the undisturbed ground [MPa], > 0.
    pressure : array_like
        Support pressure p [MPa], 0 to below 0.8 p0.

    Returns
    -------
    ndarray
        Strain [%], in the broadcast shape of the arguments.

    Examples
    --------
    scm / p0 = 0.2, p / p0 = 0.1: 0.175 * 0.2^-1.76 = 2.973 %.

    References
    ----------
    .. [1] E. Hoek and P. Marinos, 2000. From memory, verified against strains tabulated in a later publication.
    """
    ratio = _ratio(strength, stress)
    held = within("support pressure over stress", floats(pressure) / floats(stress), 0.0, 0.8, below=True)
    return np.asarray((0.2 - 0.25 * held) * ratio ** (2.4 * held - 2.0))


def squeezing_class(strain: npt.ArrayLike) -> npt.NDArray[np.int64]:
    """Class of a strain, as a place in `SQUEEZING_CLASSES`.

    0 below 1 %, 1 to 2.5 %, 2 to 5 %, 3 to 10 %, 4 from there on

    Parameters
    ----------
    strain : array_like
        Strain [%].

    Returns
    -------
    ndarray of int
        Class from 0 to 4, in the shape of the argument.

    Examples
    --------
    3 %: 2, severe squeezing problems.

    References
    ----------
    .. [1] E. Hoek and P. Marinos, 2000. Bounds and names from memory.
    """
    return np.asarray(np.searchsorted(SQUEEZING_BOUNDS, floats(strain), side="right"), dtype=np.int64)


def critical_strain(modulus: npt.ArrayLike, level_constant: npt.ArrayLike) -> FloatArray:
    """Strain of the ground at a warning level, from its modulus.

    log10 e = -0.25 log10 E - c, e in per cent and E in kgf/cm2, c of `WARNING_CONSTANTS`

    Parameters
    ----------
    modulus : array_like
        Young's modulus E of the ground [MPa], > 0; converted here.
    level_constant : array_like
        c [-], > 0: 1.59, 1.22 and 0.85 for the warning levels I, II and III.

    Returns
    -------
    ndarray
        Strain [%], in the broadcast shape of the arguments.

    Examples
    --------
    E = 10,000 kgf/cm2 = 980.665 MPa: 0.0026, 0.0060 and 0.0141 % at the three levels.

    References
    ----------
    .. [1] S. Sakurai, 1981 and later. From memory with moderate confidence; check units and constants against print
       before relying on it. The levels are said to stand at about 20, 40 and 80 % of the strength in compression tests.
    """
    stiff = within("Young's modulus", modulus, 0.0, unit="MPa", above=True)
    known = within("constant of the level", level_constant, 0.0, above=True)
    return np.asarray(10.0 ** (-0.25 * np.log10(stiff / MEGAPASCALS) - known))


def movement_at_strain(strain: npt.ArrayLike, radius: npt.ArrayLike) -> FloatArray:
    """Inward wall movement of a strain, wall movement over radius; a diameter shortens by twice as much.

    u = e R

    Parameters
    ----------
    strain : array_like
        Strain [%].
    radius : array_like
        Tunnel radius [m].

    Returns
    -------
    ndarray
        Movement since the ground was undisturbed [mm]; part of it is lost before any prism is read.

    Examples
    --------
    1 %, 5 m: 50 mm.

    References
    ----------
    .. [1] Definition.
    """
    return np.asarray(10.0 * floats(strain) * within("tunnel radius", radius, 0.0, unit="m", above=True))


def thirds_of_allowed(allowed: npt.ArrayLike) -> FloatArray:
    """Two levels that cut an allowed movement into three grades.

    U0/3 and 2 U0/3

    Parameters
    ----------
    allowed : array_like
        Movement U0 that the design allows, in any unit.

    Returns
    -------
    ndarray, shape (..., 2)
        The two levels in that unit: normal below the first, more readings between them, measures above the second.

    Examples
    --------
    60 mm: 20 and 40 mm.

    References
    ----------
    .. [1] National railway practice with three grades, seen by name only; the thirds are from memory.
    """
    return np.asarray(floats(allowed)[..., None] * np.array([1.0, 2.0]) / 3.0)


def _ratio(strength: npt.ArrayLike, stress: npt.ArrayLike) -> FloatArray:
    """Strength of the rock mass over the stress [-], both above 0."""
    hard = within("strength of the rock mass", strength, 0.0, unit="MPa", above=True)
    return np.asarray(hard / within("stress", stress, 0.0, unit="MPa", above=True))
