"""Ground reaction of a circular tunnel in generalised Hoek-Brown rock under equal stress, perfectly plastic.

Stresses and plastic radius have a closed form for any exponent a; the movement is one integral over the plastic ring,
taken by a fixed Gauss rule in the logarithm of the radius, so that everything stays vectorised.
"""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

from convergence.laws.arrays import FloatArray, floats
from convergence.lining.elastic import MILLIMETRES_A_METRE, shear_modulus
from convergence.lining.plastic_zone import dilation_ratio, elastic_drive, strain_slope
from convergence.lining.ranges import above_zero, wall_pressure, within

NODES, WEIGHTS = np.polynomial.legendre.leggauss(24)
"""Gauss rule on [-1, 1]; 24 nodes hold ten digits for plastic rings up to ten radii wide (see the tests)."""
MOST_STEPS = 60


def hoek_brown_constants(
    strength_index: npt.ArrayLike, intact_constant: npt.ArrayLike, disturbance: npt.ArrayLike = 0.0
) -> tuple[FloatArray, FloatArray, FloatArray]:
    """Constants of the generalised Hoek-Brown strength of a rock mass.

    mb = mi exp[(GSI - 100) / (28 - 14 D)], s = exp[(GSI - 100) / (9 - 3 D)],
    a = 1/2 + [exp(-GSI/15) - exp(-20/3)] / 6

    Parameters
    ----------
    strength_index : array_like
        Geological strength index GSI [-], 0 to 100.
    intact_constant : array_like
        Constant mi of the intact rock [-], about 4 to 35.
    disturbance : array_like
        Disturbance factor D [-], 0 (undisturbed) to 1.

    Returns
    -------
    tuple of ndarray
        mb, s and a [-], in the broadcast shape of the arguments.

    Examples
    --------
    GSI = 40, mi = 12, D = 0: mb = 1.4078, s = 0.001273, a = 0.51137.

    References
    ----------
    .. [1] E. Hoek, C. Carranza-Torres and B. Corkum, 2002. From memory; with them a published ground reaction is
       reproduced (see `hoek_brown_wall_movement`).
    """
    index = within("geological strength index", strength_index, 0.0, 100.0)
    disturbed = within("disturbance factor", disturbance, 0.0, 1.0)
    intact = within("constant mi of the intact rock", intact_constant, 0.0, above=True)
    broken = intact * np.exp((index - 100.0) / (28.0 - 14.0 * disturbed))
    joined = np.exp((index - 100.0) / (9.0 - 3.0 * disturbed))
    exponent = 0.5 + (np.exp(-index / 15.0) - np.exp(-20.0 / 3.0)) / 6.0
    return np.asarray(broken), np.asarray(joined), np.asarray(exponent + 0.0 * disturbed)


def rock_mass_modulus(
    intact_modulus: npt.ArrayLike, strength_index: npt.ArrayLike, disturbance: npt.ArrayLike = 0.0
) -> FloatArray:
    """Modulus of a rock mass from that of the intact rock.

    E = Ei {0.02 + (1 - D/2) / (1 + exp[(60 + 15 D - GSI) / 11])}

    Parameters
    ----------
    intact_modulus : array_like
        Modulus Ei of the intact rock [MPa], > 0.
    strength_index : array_like
        Geological strength index GSI [-], 0 to 100.
    disturbance : array_like
        Disturbance factor D [-], 0 to 1.

    Returns
    -------
    ndarray
        Modulus [MPa], in the broadcast shape of the arguments. An estimate: single rock masses scatter by a factor
        of two or more about it (common experience, no source).

    Examples
    --------
    Ei = 56,670 MPa, GSI = 40, D = 0: 9047 MPa.

    References
    ----------
    .. [1] E. Hoek and M. S. Diederichs, Int. J. Rock Mech. Min. Sci. 43, 2006, 203-215. From memory.
    """
    disturbed = within("disturbance factor", disturbance, 0.0, 1.0)
    index = within("geological strength index", strength_index, 0.0, 100.0)
    weakened = 1.0 + np.exp((60.0 + 15.0 * disturbed - index) / 11.0)
    intact = within("modulus of the intact rock", intact_modulus, 0.0, unit="MPa", above=True)
    return np.asarray(intact * (0.02 + (1.0 - disturbed / 2.0) / weakened))


def hoek_brown_critical_pressure(
    stress: npt.ArrayLike,
    intact_strength: npt.ArrayLike,
    broken_constant: npt.ArrayLike,
    joint_constant: npt.ArrayLike,
    exponent: npt.ArrayLike,
) -> FloatArray:
    """Pressure on the wall below which the rock there turns plastic.

    2 (p0 - p_cr) = sci (mb p_cr / sci + s)^a, solved by Newton's rule, which cannot overshoot here

    Parameters
    ----------
    stress : array_like
        Stress p0 of the undisturbed ground [MPa], > 0.
    intact_strength : array_like
        Unconfined strength sci of the intact rock [MPa], > 0.
    broken_constant, joint_constant, exponent : array_like
        mb (> 0), s (>= 0) and a (0.5 to below 1) of the rock mass [-].

    Returns
    -------
    ndarray
        Critical pressure [MPa], in the broadcast shape of the arguments; below zero where the rock stays elastic
        without any support.

    Examples
    --------
    p0 = 2 MPa, sci = 10 MPa, mb = 0.55, s = 0.02, a = 0.5: 0.758081 MPa.

    References
    ----------
    .. [1] C. Carranza-Torres and C. Fairhurst, Int. J. Rock Mech. Min. Sci. 36, 1999, 777-809, for a = 0.5; stress
       part seen in the documentation of a general finite-element code.
    """
    power = within("exponent a", exponent, 0.5, 1.0, below=True)
    strength = within("strength of the intact rock", intact_strength, 0.0, unit="MPa", above=True)
    broken = within("constant mb", broken_constant, 0.0, above=True)
    joined = within("constant s", joint_constant, 0.0)
    # with Y = mb p / sci + s:  2 Y / mb + Y^a = load; each term is at most the load, and one is at least half of it
    load = 2.0 * above_zero("stress of the undisturbed ground", stress, "MPa") / strength + 2.0 * joined / broken
    level = np.minimum(load * broken / 4.0, (load / 2.0) ** (1.0 / power))
    for _ in range(MOST_STEPS):
        excess = 2.0 * level / broken + level**power - load
        step = excess / (2.0 / broken + power * level ** (power - 1.0))
        level = level - step
        if np.all(np.abs(step) <= 1e-15 * level):
            break
    return np.asarray((level - joined) * strength / broken)


def hoek_brown_plastic_radius(
    stress: npt.ArrayLike,
    pressure: npt.ArrayLike,
    radius: npt.ArrayLike,
    intact_strength: npt.ArrayLike,
    broken_constant: npt.ArrayLike,
    joint_constant: npt.ArrayLike,
    exponent: npt.ArrayLike,
) -> FloatArray:
    """Outer radius of the plastic ring round the tunnel.

    Rp = R exp{[Y(p_cr)^(1-a) - Y(p)^(1-a)] / [(1 - a) mb]}, with Y(p) = mb p / sci + s

    Parameters
    ----------
    stress : array_like
        Stress of the undisturbed ground [MPa], > 0.
    pressure : array_like
        Pressure p on the wall [MPa], 0 to the stress.
    radius : array_like
        Tunnel radius R [m], > 0.
    intact_strength, broken_constant, joint_constant, exponent : array_like
        sci [MPa], mb, s and a [-] as for `hoek_brown_critical_pressure`.

    Returns
    -------
    ndarray
        Plastic radius [m], in the broadcast shape of the arguments; R where the rock stays elastic.

    Examples
    --------
    p0 = 2 MPa, p = 0, R = 1 m, sci = 10 MPa, mb = 0.55, s = 0.02, a = 0.5: 1.475437 m.

    References
    ----------
    .. [1] C. Carranza-Torres and C. Fairhurst, 1999, for a = 0.5 (stress part seen); any other a integrated here in
       the same way.
    """
    critical = hoek_brown_critical_pressure(stress, intact_strength, broken_constant, joint_constant, exponent)
    broken, rest = floats(broken_constant), 1.0 - floats(exponent)
    slope = broken / floats(intact_strength)
    joined = floats(joint_constant)
    outer = np.maximum(slope * critical + joined, 0.0) ** rest
    inner = np.maximum(slope * wall_pressure(pressure, stress) + joined, 0.0) ** rest
    size = above_zero("tunnel radius", radius, "m")
    return np.asarray(size * np.exp(np.maximum(outer - inner, 0.0) / (rest * broken)))


def hoek_brown_wall_movement(
    stress: npt.ArrayLike,
    pressure: npt.ArrayLike,
    radius: npt.ArrayLike,
    modulus: npt.ArrayLike,
    poisson_ratio: npt.ArrayLike,
    intact_strength: npt.ArrayLike,
    broken_constant: npt.ArrayLike,
    joint_constant: npt.ArrayLike,
    exponent: npt.ArrayLike,
    dilation_angle: npt.ArrayLike = 0.0,
) -> FloatArray:
    """Inward wall movement of a circular tunnel in generalised Hoek-Brown rock: the ground reaction curve.

    u/R = (Rp/R)^(K+1) (p0 - p_cr) / 2G - integral from 0 to ln(Rp/R) of exp[(K + 1) t] f(t) dt

    with f of `elastic_drive` at the radius R exp(t) and K of the dilation angle; the plastic strains follow a potential
    of the Mohr-Coulomb form. Elastic where the pressure is above the critical one.

    Parameters
    ----------
    stress : array_like
        Stress p0 of the undisturbed ground [MPa], > 0.
    pressure : array_like
        Pressure on the wall [MPa], 0 to p0.
    radius : array_like
        Tunnel radius R [m], > 0.
    modulus : array_like
        Young's modulus of the rock mass [MPa], > 0.
    poisson_ratio : array_like
        Poisson's ratio of the rock mass [-], 0 to 0.5.
    intact_strength, broken_constant, joint_constant, exponent : array_like
        sci [MPa], mb, s and a [-] as for `hoek_brown_critical_pressure`.
    dilation_angle : array_like
        Dilation angle [rad].

    Returns
    -------
    ndarray
        Inward movement since the ground was undisturbed [mm], in the broadcast shape of the arguments.

    Examples
    --------
    p0 = 7.5 MPa, p = 0, R = 1 m, G = 1005.9 MPa, nu = 0.25, sci = 20 MPa, GSI = 40, mi = 15, a = 0.5: 8.1588 mm.

    References
    ----------
    .. [1] C. Carranza-Torres and C. Fairhurst, 1999 and 2000, closed form for a = 0.5 without dilation. From memory,
       verified against a numerical solution of the governing equations.
    .. [2] M. Neuner and others, Materials 10, 2017: 34 mm and 62 mm at 95 and 100 % release; here 34.1 and 62.7 mm.
    """
    rock = (intact_strength, broken_constant, joint_constant, exponent)
    critical = hoek_brown_critical_pressure(stress, *rock)
    wall, outer = floats(pressure), floats(stress)
    stiffness = 2.0 * shear_modulus(modulus, poisson_ratio)
    width = np.log(hoek_brown_plastic_radius(outer, wall, 1.0, *rock))
    grow = 1.0 + dilation_ratio(dilation_angle)
    strain = np.exp(grow * width) * (outer - np.maximum(critical, wall)) / stiffness
    for node, weight in zip(NODES, WEIGHTS, strict=True):
        place = 0.5 * width * (1.0 + node)
        radial, tangential = _plastic_stress(wall, place, *rock)
        drive = elastic_drive(radial, tangential, outer, modulus, poisson_ratio, dilation_angle)
        strain = strain - 0.5 * width * weight * np.exp(grow * place) * drive
    return np.asarray(MILLIMETRES_A_METRE * above_zero("tunnel radius", radius, "m") * strain)


def hoek_brown_flexibility(
    stress: npt.ArrayLike,
    pressure: npt.ArrayLike,
    radius: npt.ArrayLike,
    modulus: npt.ArrayLike,
    poisson_ratio: npt.ArrayLike,
    intact_strength: npt.ArrayLike,
    broken_constant: npt.ArrayLike,
    joint_constant: npt.ArrayLike,
    exponent: npt.ArrayLike,
    dilation_angle: npt.ArrayLike = 0.0,
) -> FloatArray:
    """How much the wall moves in for a little less pressure: minus the slope of the ground reaction curve.

    -du/dp = R [(1 + K) w - f] / (st - p) where plastic, and R / 2G where elastic, with w = u/R,
    st - p = sci (mb p / sci + s)^a and f of `elastic_drive`

    Parameters
    ----------
    stress, pressure, radius, modulus, poisson_ratio : array_like
        As for `hoek_brown_wall_movement`.
    intact_strength, broken_constant, joint_constant, exponent, dilation_angle : array_like
        As for `hoek_brown_wall_movement`.

    Returns
    -------
    ndarray
        Flexibility [mm/MPa], > 0, in the broadcast shape of the arguments.

    Examples
    --------
    Elastic, R = 5 m, E = 1800 MPa, nu = 0.3: 3.6111 mm/MPa.

    References
    ----------
    .. [1] Derived here; the tests compare it with differences of `hoek_brown_wall_movement`.
    """
    rock = (intact_strength, broken_constant, joint_constant, exponent)
    wall, outer, size = floats(pressure), floats(stress), floats(radius)
    moved = hoek_brown_wall_movement(outer, wall, size, modulus, poisson_ratio, *rock, dilation_angle)
    _, around = _plastic_stress(wall, floats(0.0), *rock)
    drive = elastic_drive(wall, around, outer, modulus, poisson_ratio, dilation_angle)
    with np.errstate(invalid="ignore", divide="ignore"):
        fall = -strain_slope(wall, around, moved / (MILLIMETRES_A_METRE * size), drive, dilation_angle)
    elastic = 1.0 / (2.0 * shear_modulus(modulus, poisson_ratio))
    critical = hoek_brown_critical_pressure(outer, *rock)
    return np.asarray(MILLIMETRES_A_METRE * size * np.where(wall < critical, fall, elastic))


def _plastic_stress(
    pressure: FloatArray,
    place: FloatArray,
    intact_strength: npt.ArrayLike,
    broken_constant: npt.ArrayLike,
    joint_constant: npt.ArrayLike,
    exponent: npt.ArrayLike,
) -> tuple[FloatArray, FloatArray]:
    """Radial and tangential stress [MPa] in the plastic ring at ln(r/R) = `place`."""
    strength, broken, joined = floats(intact_strength), floats(broken_constant), floats(joint_constant)
    power = floats(exponent)
    inner = np.maximum(broken * pressure / strength + joined, 0.0) ** (1.0 - power)
    level = (inner + (1.0 - power) * broken * place) ** (1.0 / (1.0 - power))
    radial = (level - joined) * strength / broken
    return np.asarray(radial), np.asarray(radial + strength * level**power)
