"""The ground as one object: how far the wall moves in for a pressure on it, whatever the strength law.

The fields may be arrays, a value for each sample; results have the broadcast shape of fields and arguments.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Protocol

import numpy as np
import numpy.typing as npt

from convergence.laws.arrays import FloatArray, floats
from convergence.lining.elastic import MILLIMETRES_A_METRE, lame_wall_movement, shear_modulus
from convergence.lining.hoek_brown import (
    hoek_brown_flexibility,
    hoek_brown_plastic_radius,
    hoek_brown_wall_movement,
)
from convergence.lining.mohr_coulomb import (
    mohr_coulomb_flexibility,
    mohr_coulomb_plastic_radius,
    mohr_coulomb_wall_movement,
)
from convergence.lining.ranges import within
from convergence.lining.roots import rising_root


class GroundReaction(Protocol):
    """What the equilibrium needs of the ground; movement falls and steepens as pressure falls (convex)."""

    @property
    def stress(self) -> npt.ArrayLike:
        """Stress of the undisturbed ground [MPa]."""

    @property
    def modulus(self) -> npt.ArrayLike:
        """Young's modulus [MPa]."""

    @property
    def poisson_ratio(self) -> npt.ArrayLike:
        """Poisson's ratio [-]."""

    def movement(self, pressure: npt.ArrayLike, radius: npt.ArrayLike) -> FloatArray:
        """Inward wall movement [mm] at a wall pressure [MPa] that has only fallen so far."""

    def flexibility(self, pressure: npt.ArrayLike, radius: npt.ArrayLike) -> FloatArray:
        """Minus the slope of `movement` over the pressure [mm/MPa]."""

    def plastic_radius(self, pressure: npt.ArrayLike, radius: npt.ArrayLike) -> FloatArray:
        """Outer radius of the plastic ring [m]; the tunnel's where there is none."""


@dataclass(frozen=True)
class ElasticGround:
    """Elastic ground under equal stress all round.

    Attributes
    ----------
    stress : array_like
        Stress of the undisturbed ground [MPa].
    modulus : array_like
        Young's modulus [MPa].
    poisson_ratio : array_like
        Poisson's ratio [-].
    """

    stress: npt.ArrayLike
    modulus: npt.ArrayLike
    poisson_ratio: npt.ArrayLike

    def movement(self, pressure: npt.ArrayLike, radius: npt.ArrayLike) -> FloatArray:
        """Inward wall movement [mm]; see `lame_wall_movement`."""
        return lame_wall_movement(self.stress, pressure, radius, self.modulus, self.poisson_ratio)

    def flexibility(self, pressure: npt.ArrayLike, radius: npt.ArrayLike) -> FloatArray:
        """Minus the slope of `movement` over the pressure [mm/MPa]."""
        return elastic_flexibility(self, radius) + 0.0 * floats(pressure)

    def plastic_radius(self, pressure: npt.ArrayLike, radius: npt.ArrayLike) -> FloatArray:
        """The tunnel radius [m]: nothing is plastic."""
        return floats(radius) + 0.0 * (floats(pressure) + floats(self.stress))


@dataclass(frozen=True)
class MohrCoulombGround:
    """Perfectly plastic Mohr-Coulomb ground under equal stress all round.

    Attributes
    ----------
    stress : array_like
        Stress of the undisturbed ground [MPa].
    modulus : array_like
        Young's modulus [MPa].
    poisson_ratio : array_like
        Poisson's ratio [-].
    cohesion : array_like
        Cohesion [MPa].
    friction_angle, dilation_angle : array_like
        Angles [rad].
    """

    stress: npt.ArrayLike
    modulus: npt.ArrayLike
    poisson_ratio: npt.ArrayLike
    cohesion: npt.ArrayLike
    friction_angle: npt.ArrayLike
    dilation_angle: npt.ArrayLike = 0.0

    def movement(self, pressure: npt.ArrayLike, radius: npt.ArrayLike) -> FloatArray:
        """Inward wall movement [mm]; see `mohr_coulomb_wall_movement`."""
        return mohr_coulomb_wall_movement(
            self.stress, pressure, radius, self.modulus, self.poisson_ratio,
            self.cohesion, self.friction_angle, self.dilation_angle,
        )  # fmt: skip

    def flexibility(self, pressure: npt.ArrayLike, radius: npt.ArrayLike) -> FloatArray:
        """Minus the slope of `movement` over the pressure [mm/MPa]."""
        return mohr_coulomb_flexibility(
            self.stress, pressure, radius, self.modulus, self.poisson_ratio,
            self.cohesion, self.friction_angle, self.dilation_angle,
        )  # fmt: skip

    def plastic_radius(self, pressure: npt.ArrayLike, radius: npt.ArrayLike) -> FloatArray:
        """Outer radius of the plastic ring [m]; see `mohr_coulomb_plastic_radius`."""
        return mohr_coulomb_plastic_radius(self.stress, pressure, radius, self.cohesion, self.friction_angle)


@dataclass(frozen=True)
class HoekBrownGround:
    """Perfectly plastic generalised Hoek-Brown rock under equal stress all round.

    Attributes
    ----------
    stress : array_like
        Stress of the undisturbed ground [MPa].
    modulus : array_like
        Young's modulus of the rock mass [MPa].
    poisson_ratio : array_like
        Poisson's ratio [-].
    intact_strength : array_like
        Unconfined strength of the intact rock [MPa].
    broken_constant, joint_constant, exponent : array_like
        mb, s and a [-]; see `hoek_brown_constants`.
    dilation_angle : array_like
        Dilation angle [rad].
    """

    stress: npt.ArrayLike
    modulus: npt.ArrayLike
    poisson_ratio: npt.ArrayLike
    intact_strength: npt.ArrayLike
    broken_constant: npt.ArrayLike
    joint_constant: npt.ArrayLike
    exponent: npt.ArrayLike = 0.5
    dilation_angle: npt.ArrayLike = 0.0

    def movement(self, pressure: npt.ArrayLike, radius: npt.ArrayLike) -> FloatArray:
        """Inward wall movement [mm]; see `hoek_brown_wall_movement`."""
        return hoek_brown_wall_movement(
            self.stress, pressure, radius, self.modulus, self.poisson_ratio, self.intact_strength,
            self.broken_constant, self.joint_constant, self.exponent, self.dilation_angle,
        )  # fmt: skip

    def flexibility(self, pressure: npt.ArrayLike, radius: npt.ArrayLike) -> FloatArray:
        """Minus the slope of `movement` over the pressure [mm/MPa]."""
        return hoek_brown_flexibility(
            self.stress, pressure, radius, self.modulus, self.poisson_ratio, self.intact_strength,
            self.broken_constant, self.joint_constant, self.exponent, self.dilation_angle,
        )  # fmt: skip

    def plastic_radius(self, pressure: npt.ArrayLike, radius: npt.ArrayLike) -> FloatArray:
        """Outer radius of the plastic ring [m]; see `hoek_brown_plastic_radius`."""
        return hoek_brown_plastic_radius(
            self.stress, pressure, radius, self.intact_strength,
            self.broken_constant, self.joint_constant, self.exponent,
        )  # fmt: skip


def elastic_flexibility(ground: GroundReaction, radius: npt.ArrayLike) -> FloatArray:
    """Movement for a little less pressure of the ground as long as it is elastic, and when it is loaded again.

    R / 2G

    Parameters
    ----------
    ground : GroundReaction
        The ground.
    radius : array_like
        Tunnel radius R [m].

    Returns
    -------
    ndarray
        Flexibility [mm/MPa].

    Examples
    --------
    R = 5 m, E = 1800 MPa, nu = 0.3: 3.6111 mm/MPa.

    References
    ----------
    .. [1] As `lame_wall_movement`.
    """
    stiffness = 2.0 * shear_modulus(ground.modulus, ground.poisson_ratio)
    return np.asarray(MILLIMETRES_A_METRE * floats(radius) / stiffness)


def pressure_for_movement(
    ground: GroundReaction, movement: npt.ArrayLike, radius: npt.ArrayLike, guess: npt.ArrayLike | None = None
) -> FloatArray:
    """Wall pressure at which the wall has moved in so far: the ground reaction curve read the other way round.

    u(p) = movement, by Newton's rule held inside a bracket that halves where the rule would leave it

    Parameters
    ----------
    ground : GroundReaction
        The ground; its movement must fall with the pressure.
    movement : array_like
        Inward wall movement [mm], 0 to the movement without support; beyond it the pressure is 0.
    radius : array_like
        Tunnel radius [m], > 0.
    guess : array_like, optional
        Pressure to begin with [MPa].

    Returns
    -------
    ndarray
        Pressure [MPa], 0 to the undisturbed stress, in the broadcast shape of the arguments.

    Examples
    --------
    Elastic, p0 = 7 MPa, R = 5 m, E = 1800 MPa, nu = 0.3, movement 7.22222 mm: 5 MPa.

    References
    ----------
    .. [1] Derived here.
    """
    target = within("movement of the wall", movement, 0.0, unit="mm")
    size = within("tunnel radius", radius, 0.0, unit="m", above=True)
    high = floats(ground.stress) + 0.0 * target * ground.plastic_radius(ground.stress, size)

    def excess(pressure: FloatArray) -> tuple[FloatArray, FloatArray]:
        return target - ground.movement(pressure, size), ground.flexibility(pressure, size)

    start = 0.5 * high if guess is None else floats(guess)
    return rising_root(excess, np.zeros_like(high), high, start, 1e-13 * floats(ground.stress))
