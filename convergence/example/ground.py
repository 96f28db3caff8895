"""The ground along the invented drive, and the shapes in which the wall moves.

Five modes describe the wall: uniform closure, sinking of the arch, ovalisation, a lopsided mode of the
foliation, and movement along the tunnel. Each has a stress, a compliance and a lining stiffness of its own at
each section. They vary smoothly along the tunnel, jump between the units, and scatter by a few per cent from
section to section.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from convergence.example import physics, scenario
from convergence.example.advance import unit_at

FloatArray = npt.NDArray[np.float64]

MODES = ("uniform", "sinking", "oval", "lopsided", "along")
COMPLIANCE_FACTOR = np.array([1.0, 1.25, 1.35, 1.3, 1.0])
CREEP_FACTOR = np.array([1.0, 1.1, 0.85, 0.95, 0.45])
# Stiffness of the closed ring against each mode [MPa/mm]: hoop action, footing and floor, bending, bending,
# shear.
RING_STIFFNESS = np.array([0.090, 0.060, 0.020, 0.016, 0.010])
OPEN_SHARE = np.array([0.45, 0.25, 0.45, 0.45, 0.6])
HARDENING = 2.5
DELAYS = np.array([0.35, 1.2, 4.0, 14.0, 50.0, 160.0])
CREEP_EXPONENT = 0.25
# Share of the stress of each mode that each stage releases; the columns add up to 1.
STAGE_SHARE = {
    "heading": np.array([0.68, 0.76, 0.66, 0.66, 0.88]),
    "bench": np.array([0.21, 0.16, 0.24, 0.24, 0.10]),
    "invert": np.array([0.11, 0.08, 0.10, 0.10, 0.02]),
}
INFLUENCE_FACTOR = {"heading": 1.0, "bench": 0.72, "invert": 0.62}
POISSON = 0.25
SMOOTH_LENGTH = 45.0  # m, along the tunnel
BLEND_LENGTH = 2.5  # m, at the borders of the units


@dataclass(frozen=True)
class GroundLine:
    """Properties at each section, in the order of `scenario.SECTIONS`.

    Attributes
    ----------
    unit : tuple of str
        Ground unit.
    modulus : ndarray
        Unloading stiffness [MPa], shape (sections,).
    creep_ratio : ndarray
        Delayed over instantaneous compliance, shape (sections,).
    influence_length : ndarray
        Length of the release for the heading [m], shape (sections,).
    stress : ndarray
        Stress of each mode [MPa], shape (sections, modes).
    """

    unit: tuple[str, ...]
    modulus: FloatArray
    creep_ratio: FloatArray
    influence_length: FloatArray
    stress: FloatArray

    def compliance(self) -> physics.Ground:
        """Compliance of every mode, shapes (sections, modes) and (sections, modes, units).

        Uniform mode: ``C0 = (1 + nu) R / E``, the elastic closure of a round opening; the others by a factor.
        """
        base = 1000.0 * (1.0 + POISSON) * scenario.ARCH_RADIUS / self.modulus
        instant = base[:, np.newaxis] * COMPLIANCE_FACTOR
        creep = self.creep_ratio[:, np.newaxis] * CREEP_FACTOR
        delayed = physics.delayed_units(instant, creep, DELAYS, CREEP_EXPONENT)
        return physics.Ground(instant=instant, delayed=delayed, delays=DELAYS)


def smooth_field(chainage: FloatArray, generator: np.random.Generator) -> FloatArray:
    """A field of unit variance along the tunnel with a correlation ``exp(-(d/L)^2 / 2)``, L = SMOOTH_LENGTH.

    Summed up from random cosines, so that it needs no factorisation and stays the same on every machine.
    """
    count = 40
    waves = generator.standard_normal(count) / SMOOTH_LENGTH
    phases = generator.uniform(0.0, 2.0 * np.pi, count)
    angles = chainage[:, np.newaxis] * waves + phases
    return np.asarray(np.sqrt(2.0 / count) * np.cos(angles).sum(axis=1), dtype=np.float64)


def blended(name: str, chainage: FloatArray) -> FloatArray:
    """A number of the ground units along the chainage [m], led smoothly over the borders."""
    values = np.full(chainage.shape, float(getattr(scenario.UNITS[0], name)))
    for before, after in zip(scenario.UNITS[:-1], scenario.UNITS[1:], strict=True):
        change = float(getattr(after, name)) - float(getattr(before, name))
        values = values + change * 0.5 * (1.0 + np.tanh((chainage - after.start) / BLEND_LENGTH))
    return np.asarray(values, dtype=np.float64)


def make_ground(generator: np.random.Generator) -> GroundLine:
    """Draw the ground at every section of the scenario."""
    chainage = np.array([section.chainage for section in scenario.SECTIONS])
    count = chainage.size

    def varied(name: str, smooth: float, scatter: float) -> FloatArray:
        field = smooth * smooth_field(chainage, generator) + scatter * generator.standard_normal(count)
        return np.asarray(blended(name, chainage) * np.exp(field), dtype=np.float64)

    modulus = varied("modulus", 0.12, 0.03)
    creep = varied("creep_ratio", 0.10, 0.04)
    influence = varied("influence_length", 0.06, 0.03)
    local = np.array([scenario.LOCAL_FACTORS.get(section.name, 1.0) for section in scenario.SECTIONS])
    ratios = np.stack(
        [
            np.ones(count),
            varied("sink", 0.10, 0.04),
            blended("oval", chainage) + 0.03 * smooth_field(chainage, generator),
            blended("tilt", chainage) + 0.03 * smooth_field(chainage, generator),
            blended("along", chainage) + 0.02 * smooth_field(chainage, generator) - ahead_of_weak(chainage),
        ],
        axis=1,
    )
    stress = scenario.STRESS * local[:, np.newaxis] * ratios
    units = tuple(unit_at(section.chainage).name for section in scenario.SECTIONS)
    return GroundLine(units, modulus, creep, influence, stress)


def ahead_of_weak(chainage: FloatArray) -> FloatArray:
    """Share taken off the longitudinal stress: the wall leans back where weaker ground follows."""
    distance = scenario.WEAK_ZONE[0] - chainage
    return np.asarray(np.where(distance > 0, 0.22 * np.exp(-distance / 14.0), 0.0), dtype=np.float64)


def mode_shapes(offset: npt.ArrayLike, height: npt.ArrayLike) -> FloatArray:
    r"""Movement of points on the wall for a unit of each mode.

    With the angle a from the crown, positive to the right: inward direction ``n = (-sin a, cos a)`` and the
    direction of rising angle ``t = (cos a, sin a)`` in (transverse to the right, settlement down).

    Parameters
    ----------
    offset, height : array_like
        Place of the point from the reference point of the section [m], shape (points,).

    Returns
    -------
    ndarray
        (longitudinal, transverse, settlement) for each mode, shape (points, modes, 3). At the crown of an
        arch: uniform (0, 0, 1), sinking (0, 0, 1), oval (0, 0, 1), lopsided (0, 0.55, 0), along (1, 0, 0).
    """
    angle = np.arctan2(
        np.asarray(offset, dtype=np.float64),
        np.asarray(height, dtype=np.float64) - scenario.ARCH_CENTRE_HEIGHT,
    )
    sine, cosine, zero = np.sin(angle), np.cos(angle), np.zeros_like(angle)
    double_sine, double_cosine = np.sin(2.0 * angle), np.cos(2.0 * angle)
    inward = np.stack([zero, -sine, cosine], axis=-1)
    around = np.stack([zero, cosine, sine], axis=-1)
    shapes = [
        inward,
        np.stack([zero, zero, 0.6 + 0.4 * cosine], axis=-1),
        inward * double_cosine[..., np.newaxis] + 0.7 * around * double_sine[..., np.newaxis],
        0.7 * inward * double_sine[..., np.newaxis] + 0.55 * np.stack([zero, np.ones_like(angle), zero], axis=-1),
        np.stack([0.65 + 0.35 * cosine, zero, zero], axis=-1),
    ]
    return np.stack(shapes, axis=-2)
