"""Ground that creeps (generalised Kelvin in shear) and yields with time (overstress beyond a Mohr-Coulomb surface)."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from tests.bench.ground.mesh import SHEAR_FACTOR, Floats


@dataclass(frozen=True)
class Ground:
    """Properties by element column along the drive, shape (n_z,) each, and the stress before the drive.

    Attributes
    ----------
    stress_across, stress_along : float
        Pressure before the drive [MPa], across and along the tunnel.
    shear, bulk : array
        Moduli at once [MPa]; the volume does not creep.
    kelvin_shear, kelvin_time : array (n_units, n_z)
        Modulus [MPa] and retardation time [days] of each Kelvin unit.
    strength : array or None
        Unconfined strength 2 c cos(phi) / (1 - sin(phi)) [MPa]; infinite where the ground does not yield.
    friction, dilation : float
        Angles [rad].
    yield_time : array or None
        Days in which an overstress of ``reference`` would relax at its first rate, the strain being held.
    exponent : float
        Power of the overstress in the rate of flow, 1 or more.
    reference : float
        Overstress [MPa] the power refers to, as F of ``yield_pace``.
    """

    stress_across: float
    stress_along: float
    shear: Floats
    bulk: Floats
    kelvin_shear: Floats
    kelvin_time: Floats
    strength: Floats | None = None
    friction: float = 0.4
    dilation: float = 0.0
    yield_time: Floats | None = None
    exponent: float = 1.0
    reference: float = 1.0


def creep_factors(step: float, ground: Ground) -> tuple[Floats, Floats, Floats]:
    """Exact factors of the Kelvin units for a shear stress linear over the step.

    With x = step / time: decay exp(-x), the mean m = (1 - exp(-x)) / x, and the modulus of the step
    1 / G_step = 1 / G + sum (1 - m) / G_k.  A step of no length gives G.
    """
    x = step / ground.kelvin_time
    decay = np.exp(-x)
    mean = np.where(x > 1e-9, -np.expm1(-x) / np.maximum(x, 1e-9), 1.0)
    modulus = 1.0 / (1.0 / ground.shear + ((1.0 - mean) / ground.kelvin_shear).sum(axis=0))
    return decay, mean, modulus


def relaxed_overstress(overstress: Floats, step: float, time: Floats, exponent: float, reference: float) -> Floats:
    """Part of the overstress gone after the step at held strain: dF/dt = -(F / time) (F / reference)^(exponent - 1)."""
    start = np.maximum(overstress, 0.0)
    if exponent <= 1.0 + 1e-6:
        return np.asarray(start * -np.expm1(-step / time))
    power = exponent - 1.0
    left = (1.0 + power * (start / reference) ** power * step / time) ** (-1.0 / power)
    return np.asarray(start * (1.0 - left))


@dataclass(frozen=True)
class Yield:
    """The flow of the Gauss points that may yield; arrays by Gauss point."""

    sine: float
    sine_flow: float
    limit: Floats
    stiffness: Floats
    time: Floats
    exponent: float
    reference: float

    def flow(self, stress: Floats, step: float) -> Floats:
        """Viscoplastic strain (rr, zz, tt, rz) of the step from the stress at its start.

        Three surfaces, one for each pair of principal stresses p > q (tension +):
        F = (p - q) + (p + q) sin(phi) - 2 c cos(phi); the potential has the angle of dilation in place of phi. Where
        two surfaces are passed (an edge) their flows add. On each the overstress falls by its own law at held strain.
        """
        centre, half = 0.5 * (stress[0] + stress[1]), 0.5 * (stress[0] - stress[1])
        circle = np.hypot(half, stress[3])
        safe = np.maximum(circle, 1e-12)
        high, low, hoop = centre + circle, centre - circle, stress[2]
        sign_high, sign_low = np.sign(high - hoop), np.sign(low - hoop)
        plane = self._multiplier(2.0 * circle + 2.0 * centre * self.sine, step)
        with_high = self._multiplier(np.abs(high - hoop) + (high + hoop) * self.sine, step)
        with_low = self._multiplier(np.abs(low - hoop) + (low + hoop) * self.sine, step)
        d = self.sine_flow
        along_high = plane * (d + 1.0) + with_high * (d + sign_high)
        along_low = plane * (d - 1.0) + with_low * (d + sign_low)
        along_hoop = with_high * (d - sign_high) + with_low * (d - sign_low)
        mean, range_ = 0.5 * (along_high + along_low), 0.5 * (along_high - along_low)
        cosine, sine = half / safe, stress[3] / safe
        return np.stack([mean + range_ * cosine, mean - range_ * cosine, along_hoop, 2.0 * range_ * sine])

    def _multiplier(self, level: Floats, step: float) -> Floats:
        gone = relaxed_overstress(level - self.limit, step, self.time, self.exponent, self.reference)
        return gone / self.stiffness


def yield_of(ground: Ground, column: npt.NDArray[np.int64]) -> Yield:
    """The flow of Gauss points that stand in these element columns."""
    assert ground.strength is not None
    assert ground.yield_time is not None
    sine, flow = float(np.sin(ground.friction)), float(np.sin(ground.dilation))
    shear, bulk = ground.shear[column], ground.bulk[column]
    stiffness = 4.0 * (bulk - 2.0 * shear / 3.0) * sine * flow + 4.0 * shear * (1.0 + sine * flow)
    limit = ground.strength[column] * (1.0 - sine)
    return Yield(sine, flow, limit, stiffness, ground.yield_time[column], ground.exponent, ground.reference)


def initial_stress(ground: Ground, n_gauss: int) -> Floats:
    """Stress before the drive (rr, zz, tt, rz), tension +, shape (4, n_gauss)."""
    values = -np.array([ground.stress_across, ground.stress_along, ground.stress_across, 0.0])
    return np.repeat(values[:, None], n_gauss, axis=1)


def deviator(stress: Floats) -> Floats:
    """Stress less its mean, shape (4, n)."""
    out = stress.copy()
    out[:3] -= stress[:3].mean(axis=0)
    return out


def elastic_strain_deviator(stress_deviator: Floats, modulus: Floats) -> Floats:
    """Shear strain (the fourth the engineering one) under a deviator for a modulus."""
    return np.asarray(stress_deviator / (SHEAR_FACTOR[:, None] * modulus))
