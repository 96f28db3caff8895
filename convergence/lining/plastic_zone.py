"""What every perfectly plastic ring of ground round a circular tunnel has in common, whatever its strength law.

In a ring of plastic ground the movement depends only on the radial stress there, for a smaller tunnel with that
pressure on its wall would look the same from outside. So the strain w = u/R obeys an equation in the pressure alone.
"""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

from convergence.laws.arrays import FloatArray, floats
from convergence.lining.elastic import shear_modulus
from convergence.lining.ranges import within


def dilation_ratio(dilation_angle: npt.ArrayLike) -> FloatArray:
    """Plastic radial over tangential strain (magnitudes) of dilating ground.

    K = (1 + sin psi) / (1 - sin psi)

    Parameters
    ----------
    dilation_angle : array_like
        Dilation angle psi [rad], 0 to the friction angle; 0 keeps the volume.

    Returns
    -------
    ndarray
        K [-], >= 1, in the shape of the argument.

    Examples
    --------
    psi = 30 degrees: 3.

    References
    ----------
    .. [1] Plastic potential of the Mohr-Coulomb form; definition.
    """
    sine = np.sin(within("dilation angle", dilation_angle, 0.0, 0.5 * np.pi, "rad", below=True))
    return (1.0 + sine) / (1.0 - sine)


def elastic_drive(
    radial_stress: FloatArray,
    tangential_stress: FloatArray,
    stress: npt.ArrayLike,
    modulus: npt.ArrayLike,
    poisson_ratio: npt.ArrayLike,
    dilation_angle: npt.ArrayLike,
) -> FloatArray:
    """Elastic part of the strains that drives the movement in the plastic ring.

    f = e_r + K e_t, with e_r = [(1 - nu)(sr - p0) - nu (st - p0)] / 2G and e_t the same with sr and st exchanged

    Parameters
    ----------
    radial_stress, tangential_stress : ndarray
        Stresses sr and st in the plastic ring [MPa].
    stress : array_like
        Stress p0 of the undisturbed ground [MPa].
    modulus, poisson_ratio : array_like
        Young's modulus [MPa] and Poisson's ratio [-] of the ground.
    dilation_angle : array_like
        Dilation angle psi [rad].

    Returns
    -------
    ndarray
        f [-], + compression, in the broadcast shape of the arguments.

    Examples
    --------
    sr = st = p0: 0, nothing has changed.

    References
    ----------
    .. [1] Plane-strain elasticity; derived here.
    """
    poisson = floats(poisson_ratio)
    radial = radial_stress - floats(stress)
    tangential = tangential_stress - floats(stress)
    flow = dilation_ratio(dilation_angle)
    total = (1.0 - poisson - flow * poisson) * radial + (flow * (1.0 - poisson) - poisson) * tangential
    return np.asarray(total / (2.0 * shear_modulus(modulus, poisson)))


def strain_slope(
    pressure: FloatArray,
    tangential_stress: FloatArray,
    strain: FloatArray,
    drive: FloatArray,
    dilation_angle: npt.ArrayLike,
) -> FloatArray:
    """Slope of the wall strain over the wall pressure where the ground at the wall is plastic.

    dw/dp = [f - (1 + K) w] / (st - p)

    Follows from du/dr + K u/r = f and from equilibrium, dp/d(ln r) = st - p, with w = u/r.

    Parameters
    ----------
    pressure : ndarray
        Pressure p on the wall [MPa].
    tangential_stress : ndarray
        Tangential stress st at the wall [MPa].
    strain : ndarray
        Wall strain w = u/R [-], + inward.
    drive : ndarray
        f of `elastic_drive` at the wall [-].
    dilation_angle : array_like
        Dilation angle psi [rad].

    Returns
    -------
    ndarray
        dw/dp [1/MPa], negative: less pressure, more movement.

    Examples
    --------
    psi = 0, f = 0.001, w = 0.002, st - p = 2 MPa: (0.001 - 2 * 0.002) / 2 = -0.0015 per MPa.

    References
    ----------
    .. [1] Derived here; the tests compare it with differences of the published closed form.
    """
    return np.asarray((drive - (1.0 + dilation_ratio(dilation_angle)) * strain) / (tangential_stress - pressure))
