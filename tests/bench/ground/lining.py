"""The sprayed ring: hoop stiffness that hardens with age, a part of it relaxing, one ring a round."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from tests.bench.ground.mesh import Floats


@dataclass(frozen=True)
class Lining:
    """What is sprayed, by ring (element column along the drive), shape (n_z,) where an array.

    Attributes
    ----------
    stiffness : array
        Radial stiffness of the hardened, closed ring K = E t / R^2 [MPa/m].
    sprayed : array
        Time of spraying [days]; infinite where nothing is sprayed.
    closed : array
        Time from which the ring counts as closed [days].
    open_share : float
        Share of the stiffness before the ring is closed.
    hardening : float
        Days in which E has reached 63 % (a stretched exponential of power 0.55).
    relaxing : float
        Share of the stiffness that relaxes.
    relaxation_time : float
        Days of that relaxation.
    capacity : float
        Pressure [MPa] beyond which the ring yields without taking more.
    """

    stiffness: Floats
    sprayed: Floats
    closed: Floats
    open_share: float = 1.0
    hardening: float = 0.6
    relaxing: float = 0.4
    relaxation_time: float = 20.0
    capacity: float = np.inf


class Rings:
    """State of the rings; the pressure is kept at both ends of each, shape (n_z, 2)."""

    def __init__(self, lining: Lining, length: Floats, radius: float) -> None:
        self.lining = lining
        self.area = np.repeat(0.5 * radius * length[:, None], 2, axis=1)
        self.lasting = np.zeros((len(length), 2))
        self.relaxing = np.zeros((len(length), 2))

    def begin(self, time: float, step: float) -> tuple[Floats, Floats]:
        """Stiffness for the step and the pressure left at its end if the wall stood still; both (n_z, 2)."""
        lining = self.lining
        age = time + 0.5 * step - lining.sprayed
        grown = -np.expm1(-((np.maximum(age, 0.0) / lining.hardening) ** 0.55))
        stiffness = lining.stiffness * grown * np.where(time >= lining.closed, 1.0, lining.open_share)
        # a ring is there from the first step that begins after its spraying
        stiffness = np.where(time >= lining.sprayed - 1e-9, stiffness, 0.0)[:, None]
        stiffness = np.where(self.pressure < lining.capacity, stiffness, 0.0)
        x = step / lining.relaxation_time
        mean = -np.expm1(-x) / x if x > 1e-9 else 1.0
        self._lasting_part = (1.0 - lining.relaxing) * stiffness
        self._relaxing_part = lining.relaxing * mean * stiffness
        self._decay = float(np.exp(-x))
        return self._lasting_part + self._relaxing_part, self.lasting + self.relaxing * self._decay

    def end(self, inward: Floats) -> None:
        """Take the inward movement of the step at both ends of each ring, shape (n_z, 2)."""
        self.lasting = self.lasting + self._lasting_part * inward
        self.relaxing = self.relaxing * self._decay + self._relaxing_part * inward

    @property
    def pressure(self) -> Floats:
        """Pressure on the ground [MPa] at both ends of each ring."""
        return self.lasting + self.relaxing
