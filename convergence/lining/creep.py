"""Creep of sprayed concrete: a stated reduction of its stiffness, or the rate of flow.

Young sprayed concrete creeps so much that half of the stress an elastic lining would show may be gone within days. How
much is seldom measured; results belong in a range.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from convergence.laws.arrays import FloatArray, floats
from convergence.lining.ranges import within

HYPOTHETICAL_MODULUS = 7000.0
"""Modulus [MPa] that stands for ageing and creep together in a single elastic step, after Poettler, as quoted by
M. Neuner and others, Materials 10, 2017. Published."""


@dataclass(frozen=True)
class RateOfFlow:
    """Constants of the rate-of-flow form; no published set could be confirmed, so there is no default.

    Attributes
    ----------
    flow : array_like
        A of the flow C(t) = A t^(1/3) [1/MPa / day^(1/3)]: strain for a stress of 1 MPa that does not come back.
    delayed : array_like
        Final delayed elastic strain C_d for a stress of 1 MPa [1/MPa].
    pace : array_like
        Flow Q in which 63 % of the delayed strain comes [1/MPa], > 0.
    """

    flow: npt.ArrayLike
    delayed: npt.ArrayLike = 0.0
    pace: npt.ArrayLike = 1.0

    def flow_between(self, age: npt.ArrayLike, later: npt.ArrayLike) -> FloatArray:
        """Flow C from one age to a later one [1/MPa], ages in days; none before age 0."""
        start, end = np.maximum(floats(age), 0.0), np.maximum(floats(later), 0.0)
        return np.asarray(floats(self.flow) * (np.cbrt(end) - np.cbrt(start)))


def reduced_modulus(modulus: npt.ArrayLike, creep_coefficient: npt.ArrayLike) -> FloatArray:
    """Modulus that has the creep in it: the stated reduction.

    E' = E / (1 + phi)

    Parameters
    ----------
    modulus : array_like
        Elastic modulus E [MPa], >= 0.
    creep_coefficient : array_like
        Creep over elastic strain phi [-], >= 0.

    Returns
    -------
    ndarray
        Modulus [MPa], in the broadcast shape of the arguments.

    Examples
    --------
    E = 11,580 MPa, phi = 1.21: 5240 MPa.

    References
    ----------
    .. [1] EN 1992-1-1:2004, 7.4.3(5), eq. 7.20. From memory.
    """
    stiff = within("modulus", modulus, 0.0, unit="MPa")
    return np.asarray(stiff / (1.0 + within("creep coefficient", creep_coefficient, 0.0)))


def creep_coefficient(duration: npt.ArrayLike, final: npt.ArrayLike, half_time: npt.ArrayLike) -> FloatArray:
    """Creep over elastic strain some days after loading.

    phi(t) = phi_inf [t / (t + b)]^0.3, with b so that half of it has come at the half time: b = h (2^(1/0.3) - 1)

    Parameters
    ----------
    duration : array_like
        Days t since loading, >= 0.
    final : array_like
        Final creep coefficient phi_inf [-], >= 0; 1.21 was identified for one sprayed concrete.
    half_time : array_like
        Half time h [days], > 0; 1 day for that concrete.

    Returns
    -------
    ndarray
        Coefficient [-], in the broadcast shape of the arguments.

    Examples
    --------
    phi_inf = 1.21, h = 1 day, t = 1 day: 0.605.

    References
    ----------
    .. [1] Form of EN 1992-1-1:2004, annex B, eq. B.7. From memory.
    .. [2] M. Neuner and others, Materials 10, 2017: 1.21 and 24 hours. Published; that its form is the one above is
       an assumption.
    """
    days = np.maximum(floats(duration), 0.0)
    length = within("half time", half_time, 0.0, unit="days", above=True) * (2.0 ** (1.0 / 0.3) - 1.0)
    return np.asarray(within("final creep coefficient", final, 0.0) * (days / (days + length)) ** 0.3)


def flow_step(
    stress: npt.ArrayLike,
    delayed_strain: npt.ArrayLike,
    modulus: npt.ArrayLike,
    flow: npt.ArrayLike,
    delayed: npt.ArrayLike,
    pace: npt.ArrayLike,
) -> tuple[FloatArray, FloatArray]:
    """One step of the rate-of-flow form, solved for the stress after it.

    e2 - e1 = (s2 - s1)/E + s2 dC + (s2 C_d - e_d) [1 - exp(-dC/Q)], so that s2 = a + b (e2 - e1) with

    b = 1 / {1/E + dC + C_d [1 - exp(-dC/Q)]} and a = b {s1/E + e_d [1 - exp(-dC/Q)]}

    Parameters
    ----------
    stress : array_like
        Stress s1 before the step [MPa].
    delayed_strain : array_like
        Delayed strain e_d so far [-].
    modulus : array_like
        Modulus E during the step [MPa], >= 0; where it is 0 there is no stress after the step.
    flow : array_like
        Flow dC during the step [1/MPa], >= 0.
    delayed, pace : array_like
        C_d [1/MPa], >= 0, and Q [1/MPa], > 0.

    Returns
    -------
    tuple of ndarray
        a [MPa] and b [MPa].

    Examples
    --------
    Without flow: a = s1, b = E.

    References
    ----------
    .. [1] G. L. England and J. M. Illston, 1965; P. Schubert, 1988: structure from memory. Shrinkage and warmth are
       left out.
    """
    stiffness = within("modulus", modulus, 0.0, unit="MPa")
    within("flow", flow, 0.0, unit="1/MPa")
    within("delayed strain for a stress of 1 MPa", delayed, 0.0, unit="1/MPa")
    within("pace", pace, 0.0, unit="1/MPa", above=True)
    part = -np.expm1(-floats(flow) / floats(pace))
    resist = 1.0 + stiffness * (floats(flow) + floats(delayed) * part)
    rest = (floats(stress) * (stiffness > 0.0) + stiffness * floats(delayed_strain) * part) / resist
    return np.asarray(rest), np.asarray(stiffness / resist)
