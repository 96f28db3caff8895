"""Members of the lining inside one step of the equilibrium: the pressure they carry as a line of the wall movement."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from convergence.laws.arrays import FloatArray, floats
from convergence.lining.creep import flow_step, reduced_modulus
from convergence.lining.layers import Lining, SprayedLayer, SpringSupport, layer_capacity, layer_stiffness

METRES_A_MILLIMETRE = 1e-3


@dataclass(frozen=True)
class MemberState:
    """What a member carries: its pressure [MPa] and, for rate of flow, its delayed movement [m]."""

    pressure: FloatArray
    delayed: FloatArray


@dataclass(frozen=True)
class StepLaw:
    """Pressure of a member after a step: rest + stiffness * movement during it, at most the capacity.

    Attributes
    ----------
    rest : ndarray
        Pressure without movement [MPa].
    stiffness : ndarray
        Pressure for a movement [MPa/mm].
    capacity : ndarray
        Pressure at which it yields [MPa].
    """

    rest: FloatArray
    stiffness: FloatArray
    capacity: FloatArray


def active_part(installed: FloatArray, start: float, end: float) -> FloatArray:
    """Part of a step in which a member acts; of a jump all of it where the member was there before, else nothing."""
    if end > start:
        return np.asarray(np.clip((end - np.maximum(start, installed)) / (end - start), 0.0, 1.0))
    return np.where(end > installed, 1.0, 0.0)


@dataclass(frozen=True)
class SpringMember:
    """A spring of the lining, as it is."""

    spring: SpringSupport

    @property
    def shape(self) -> tuple[int, ...]:
        """Shape of its numbers."""
        return np.broadcast_shapes(
            np.shape(self.spring.stiffness), np.shape(self.spring.installed), np.shape(self.spring.capacity)
        )

    def step(self, state: MemberState, start: float, end: float) -> StepLaw:
        """Its law over a step [days]."""
        active = active_part(floats(self.spring.installed), start, end)
        stiff = np.asarray(METRES_A_MILLIMETRE * floats(self.spring.stiffness) * active)
        return StepLaw(state.pressure, stiff, floats(self.spring.capacity))

    def after(self, state: MemberState, law: StepLaw, moved: FloatArray, start: float, end: float) -> MemberState:
        """Its state after a step with a movement [mm]."""
        pressure = np.minimum(law.rest + law.stiffness * moved, law.capacity)
        return MemberState(np.asarray(pressure), state.delayed)


@dataclass(frozen=True)
class LayerMember:
    """A layer of sprayed concrete in its ring.

    Attributes
    ----------
    layer : SprayedLayer
        The layer.
    ring : ndarray
        Stiffness over modulus [1/m].
    capacity : ndarray
        Capacity over strength [-].
    closed, open_share : ndarray
        When the ring is closed [days], and the share of its stiffness before.
    """

    layer: SprayedLayer
    ring: FloatArray
    capacity: FloatArray
    closed: FloatArray
    open_share: FloatArray

    @property
    def shape(self) -> tuple[int, ...]:
        """Shape of its numbers."""
        layer, creep = self.layer, self.layer.creep
        given = [self.ring, self.capacity, self.closed, self.open_share, layer.sprayed, layer.modulus, layer.strength]
        given += [layer.creep_coefficient, layer.curve.modulus(1.0), layer.curve.strength(1.0)]
        given += [] if creep is None else [creep.flow, creep.delayed, creep.pace]
        return np.broadcast_shapes(*(np.shape(number) for number in given))

    def step(self, state: MemberState, start: float, end: float) -> StepLaw:
        """Its law over a step [days], with the stiffness at the middle of the part in which it acts."""
        layer = self.layer
        installed = floats(layer.sprayed)
        begin = np.minimum(np.maximum(start, installed), end)
        middle = 0.5 * (begin + end)
        modulus = reduced_modulus(layer.modulus, layer.creep_coefficient) * layer.curve.modulus(middle - installed)
        # the feet of an open ring are one more spring in series with it
        modulus = modulus * np.where(middle >= self.closed, 1.0, self.open_share)
        rest, stiff = state.pressure, modulus * self.ring
        if layer.creep is not None:
            creep = layer.creep
            flow = creep.flow_between(begin - installed, end - installed)
            hoop, moduli = flow_step(
                self._hoop(state.pressure), state.delayed, modulus, flow, creep.delayed, creep.pace
            )
            rest, stiff = hoop * self.ring, moduli * self.ring
        active = active_part(installed, start, end)
        return StepLaw(np.asarray(rest), np.asarray(METRES_A_MILLIMETRE * stiff * active), self._most(end - installed))

    def after(self, state: MemberState, law: StepLaw, moved: FloatArray, start: float, end: float) -> MemberState:
        """Its state after a step with a movement [mm]."""
        pressure = np.minimum(law.rest + law.stiffness * moved, law.capacity)
        delayed = state.delayed
        if self.layer.creep is not None:
            creep, installed = self.layer.creep, floats(self.layer.sprayed)
            flow = creep.flow_between(start - installed, end - installed)
            final = self._hoop(pressure) * floats(creep.delayed)
            delayed = delayed - (final - delayed) * np.expm1(-flow / floats(creep.pace))
        return MemberState(np.asarray(pressure), np.asarray(delayed))

    def _hoop(self, pressure: FloatArray) -> FloatArray:
        """Pressure over the ring's share, so that the movement [m] stands for the strain in the law of creep."""
        return np.where(self.ring > 0.0, pressure / np.where(self.ring > 0.0, self.ring, 1.0), 0.0)

    def _most(self, age: FloatArray) -> FloatArray:
        """Pressure at which it yields at an age [days]; an endless strength has no share of it."""
        strength = floats(self.layer.strength)
        endless = np.isinf(strength)
        found = np.where(endless, 0.0, strength) * self.layer.curve.strength(age) * self.capacity
        return np.where(endless, np.inf, found)


AnyMember = SpringMember | LayerMember


def members_of(lining: Lining, radius: FloatArray) -> list[AnyMember]:
    """The members of a lining, layers first; `radius` [m] is that of the ground side."""
    closed, share = floats(lining.closed), floats(lining.open_share)
    rings = layer_stiffness(lining.layers, radius)
    limits = layer_capacity(lining.layers, radius)
    found: list[AnyMember] = [
        LayerMember(layer, ring, limit, closed, share)
        for layer, ring, limit in zip(lining.layers, rings, limits, strict=True)
    ]
    return found + [SpringMember(spring) for spring in lining.springs]
