"""Ground and lining in equilibrium: the classical construction, and the incremental one along the advance.

The classical construction meets two lines once: a lining of one stiffness that begins at one movement. A real lining is
sprayed in layers, hardens and creeps while the face moves away, so the pressure is built up step by step here. The face
is a pressure on the wall that falls to nothing as it leaves (see `face_pressure`).

What is left out: the stress is the same all round (see `ring_forces` for unequal stress), the wall moves alike all
round, and the lining does not change how much the face holds.
"""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np
import numpy.typing as npt

from convergence.errors import ValueFault
from convergence.laws.arrays import FloatArray, floats
from convergence.lining.layers import Lining
from convergence.lining.members import METRES_A_MILLIMETRE, MemberState, StepLaw, members_of
from convergence.lining.ranges import within
from convergence.lining.reaction import GroundReaction, elastic_flexibility
from convergence.lining.release import face_pressure
from convergence.lining.roots import rising_root

TOLERANCE = 1e-11
"""Pressures are found to this share of the undisturbed stress."""


def classical_equilibrium(
    ground: GroundReaction,
    radius: npt.ArrayLike,
    stiffness: npt.ArrayLike,
    installed_movement: npt.ArrayLike,
    capacity: npt.ArrayLike = np.inf,
) -> tuple[FloatArray, FloatArray]:
    """Where the ground reaction curve meets the line of a support that begins at a given movement.

    p = min{K [u(p) - u_0], p_max}

    Parameters
    ----------
    ground : GroundReaction
        The ground.
    radius : array_like
        Tunnel radius [m], > 0.
    stiffness : array_like
        Stiffness K of the support [MPa/m], >= 0.
    installed_movement : array_like
        Wall movement u_0 when the support begins to act [mm], >= 0.
    capacity : array_like
        Pressure p_max at which the support yields [MPa], >= 0.

    Returns
    -------
    tuple of ndarray
        Pressure on the support [MPa] and inward wall movement since the ground was undisturbed [mm].

    Examples
    --------
    Ground of the check in `mohr_coulomb_wall_movement`, ring of 326.90752 MPa/m at 21.07172 mm: 1.225970 MPa and
    24.82192 mm.

    References
    ----------
    .. [1] The convergence-confinement construction; common practice, no single source.
    """
    size = within("tunnel radius", radius, 0.0, unit="m", above=True)
    most = within("capacity of the support", capacity, 0.0, unit="MPa")
    steep = METRES_A_MILLIMETRE * within("stiffness of the support", stiffness, 0.0, unit="MPa/m")
    begin = within("movement when the support begins to act", installed_movement, 0.0, unit="mm")

    def excess(pressure: FloatArray) -> tuple[FloatArray, FloatArray]:
        carried = steep * (ground.movement(pressure, size) - begin)
        slope = np.where(carried < most, steep * ground.flexibility(pressure, size), 0.0)
        return pressure - np.minimum(carried, most), 1.0 + slope

    shape = np.broadcast_shapes(size.shape, most.shape, steep.shape, begin.shape, ground.movement(0.0, size).shape)
    high = floats(ground.stress) + np.zeros(shape)
    pressure = rising_root(excess, np.zeros_like(high), high, 0.5 * high, TOLERANCE * high)
    return pressure, ground.movement(pressure, size)


@dataclass(frozen=True)
class DelayedGround:
    """Movement of the ground that comes late: a chain of delayed units on top of the instantaneous movement.

    Exact for linear viscoelastic ground with a Poisson's ratio that stays; for plastic ground an approximation in which
    the delayed movement tends to a share of the instantaneous one.

    Attributes
    ----------
    ratio : sequence of array_like
        Delayed over instantaneous movement of each unit after an endless time [-].
    time : sequence of float
        Retardation time of each unit [days], > 0.
    """

    ratio: tuple[npt.ArrayLike, ...] = field(default=())
    time: tuple[float, ...] = field(default=())

    def __post_init__(self) -> None:
        if len(self.ratio) != len(self.time) or not all(days > 0.0 for days in self.time):
            raise ValueFault(
                f"delayed ground: {len(self.ratio)} ratios and times {self.time}; expected as many of one as of the "
                "other, and positive times. To mend: give each delayed unit a ratio and a retardation time."
            )


@dataclass(frozen=True)
class Equilibrium:
    """Ground and lining while the face advances; the first axis is the step, the others are those of the samples.

    Attributes
    ----------
    time : ndarray, shape (steps,)
        Times [days].
    movement : ndarray, shape (steps, ...)
        Inward wall movement since the ground was undisturbed [mm].
    wall_pressure : ndarray, shape (steps, ...)
        Face and lining together [MPa].
    face_pressure : ndarray, shape (steps, ...)
        The part that stands for the face [MPa].
    member_pressure : ndarray, shape (members, steps, ...)
        The part of each member of the lining [MPa], layers first, then springs.
    """

    time: FloatArray
    movement: FloatArray
    wall_pressure: FloatArray
    face_pressure: FloatArray
    member_pressure: FloatArray

    @property
    def support_pressure(self) -> FloatArray:
        """Pressure on the whole lining [MPa], shape (steps, ...)."""
        return np.asarray(self.member_pressure.sum(axis=0))

    def thrust(self, radius: npt.ArrayLike) -> FloatArray:
        """Thrust in the whole lining, p R with R on the ground side [MN/m], shape (steps, ...)."""
        return np.asarray(self.support_pressure * floats(radius))

    def movement_at(self, time: npt.ArrayLike) -> FloatArray:
        """Movement [mm] at any times [days] by straight lines between the steps, shape (times, ...).

        At a jump the movement after it is given; before the first step and after the last it stays.
        """
        times = np.atleast_1d(floats(time))
        right = np.clip(np.searchsorted(self.time, times, side="right"), 1, self.time.size - 1)
        span = self.time[right] - self.time[right - 1]
        share = np.clip((times - self.time[right - 1]) / np.where(span > 0.0, span, 1.0), 0.0, 1.0)
        share = np.where((span <= 0.0) & (times >= self.time[right]), 1.0, share)
        share = share.reshape(-1, *(1,) * (self.movement.ndim - 1))
        return np.asarray(self.movement[right - 1] * (1.0 - share) + self.movement[right] * share)


def advance_equilibrium(
    ground: GroundReaction,
    radius: npt.ArrayLike,
    time: npt.ArrayLike,
    share: npt.ArrayLike,
    lining: Lining,
    delayed: DelayedGround | None = None,
    passed: npt.ArrayLike | None = None,
) -> Equilibrium:
    """Equilibrium of ground and an ageing lining, step by step while the face advances.

    u = u_i(p) + sum v_k, tau_k dv_k/dt = r_k u_i - v_k, p = q(t) + sum P_m, dP_m = K_m(age) du less creep

    u_i is the ground reaction curve while the pressure falls, and elastic where it rises again. Each step is solved
    implicitly; stiffness is that at the middle of the step. For members of constant stiffness and no delay the result
    at the end is that of `classical_equilibrium`, whatever the steps.

    Parameters
    ----------
    ground : GroundReaction
        The ground; fields of the samples' shape, or numbers.
    radius : array_like
        Tunnel radius, on the ground side of the lining [m].
    time : array_like, shape (steps,)
        Times of the steps [days], non-decreasing; see `advance_steps`.
    share : array_like, shape (steps,) or (steps, ...)
        Share of the final movement without support at each step [-], 0 to 1, non-decreasing; see `movement_share`.
    lining : Lining
        What is installed, and when.
    delayed : DelayedGround, optional
        Movement of the ground that comes late; none unless given.
    passed : array_like, optional
        When the face passed [days], `FacePath.passage`: a layer sprayed before it is then refused.

    Returns
    -------
    Equilibrium
        Movement and pressures at every step.

    Raises
    ------
    ValueFault
        If times and shares do not fit together, or a layer is sprayed before the first step or before the face passed.

    Examples
    --------
    The case of `classical_equilibrium`, the ring sprayed when the face is 2 m past: 1.225970 MPa and 24.82192 mm.

    References
    ----------
    .. [1] Derived here. Tests compare it with the classical construction and with an independent radial
       finite-element solution.
    """
    times, parts = floats(time), floats(share)
    if times.ndim != 1 or parts.shape[:1] != times.shape or times.size < 2 or np.any(np.diff(times) < 0.0):
        raise ValueFault(
            f"steps: times of shape {times.shape} and shares of shape {parts.shape}; expected two or more ascending "
            "times and a share for each. To mend: take both from the same steps, as advance_steps gives them."
        )
    _refuse_early(lining, float(times[0]), "the first step, where the log begins")
    if passed is not None:
        _refuse_early(lining, passed, "the face has passed")
    size, late = floats(radius), delayed or DelayedGround()
    members = members_of(lining, size)
    shape = np.broadcast_shapes(
        parts.shape[1:], np.shape(ground.movement(0.0, size)), *(np.shape(ratio) for ratio in late.ratio),
        *(member.shape for member in members),
    )  # fmt: skip
    parts = np.broadcast_to(parts.reshape(parts.shape + (1,) * (len(shape) + 1 - parts.ndim)), (times.size, *shape))
    held = face_pressure(ground, parts, size)
    stress = floats(ground.stress)
    again = elastic_flexibility(ground, size)
    wall = np.array(np.broadcast_to(held[0], shape))
    lowest = wall.copy()
    units = [floats(ratio) * np.zeros(shape) for ratio in late.ratio]
    at_once = ground.movement(wall, size) + np.zeros(shape)
    movement, walls = np.empty((times.size, *shape)), np.empty((times.size, *shape))
    carried = np.zeros((len(members), times.size, *shape))
    movement[0], walls[0] = at_once, wall
    states = [MemberState(np.zeros(shape), np.zeros(shape)) for _ in members]
    for step in range(1, times.size):
        start, end = float(times[step - 1]), float(times[step])
        rest, gain, fixed = _delayed_step(late, end - start, units, at_once)
        laws = [member.step(state, start, end) for member, state in zip(members, states, strict=True)]
        before, face = movement[step - 1], held[step]
        if laws:
            near = _Balance(ground, size, again, face, rest - before, gain, laws, lowest)
            high = 2.0 * stress + np.zeros(shape)
            wall = rising_root(near.excess, np.zeros(shape), high, wall, TOLERANCE * stress)
        else:
            wall = np.array(face)
        deepest = np.minimum(wall, lowest)
        at_once = ground.movement(deepest, size) - again * (wall - deepest)
        lowest = deepest
        units = [part + more * at_once for part, more in fixed]
        movement[step], walls[step] = rest + gain * at_once, wall
        for place, (member, state, law) in enumerate(zip(members, states, laws, strict=True)):
            states[place] = member.after(state, law, movement[step] - before, start, end)
            carried[place, step] = states[place].pressure
    return Equilibrium(times, movement, walls, np.array(held), carried)


def _refuse_early(lining: Lining, day: npt.ArrayLike, words: str) -> None:
    """Refuse layers that are sprayed before a day [days]."""
    for place, layer in enumerate(lining.layers):
        early = floats(day) - floats(layer.sprayed)
        if np.any(early > 1e-9):
            raise ValueFault(
                f"lining: layer {place + 1} is sprayed {float(np.max(early)):.3g} days before {words}; expected not "
                "before it. To mend: correct the day, or begin the steps earlier."
            )


@dataclass(frozen=True)
class _Balance:
    """Balance of pressures on the wall in one step: what is on it, less face and members, rises with the pressure."""

    ground: GroundReaction
    radius: FloatArray
    again: FloatArray
    face: FloatArray
    rest: FloatArray
    gain: FloatArray
    laws: list[StepLaw]
    lowest: FloatArray

    def excess(self, pressure: FloatArray) -> tuple[FloatArray, FloatArray]:
        """Excess [MPa] at a wall pressure [MPa], and its slope [-]."""
        deepest = np.minimum(pressure, self.lowest)
        instant = self.ground.movement(deepest, self.radius) - self.again * (pressure - deepest)
        soft = np.where(pressure > self.lowest, self.again, self.ground.flexibility(deepest, self.radius))
        moved = self.rest + self.gain * instant
        value, slope = pressure - self.face, np.ones_like(pressure)
        for law in self.laws:
            trial = law.rest + law.stiffness * moved
            value = value - np.minimum(trial, law.capacity)
            slope = slope + np.where(trial < law.capacity, law.stiffness * self.gain * soft, 0.0)
        return value, slope


def _delayed_step(
    late: DelayedGround, days: float, units: list[FloatArray], at_once: FloatArray
) -> tuple[FloatArray, FloatArray, list[tuple[FloatArray, FloatArray]]]:
    """Delayed units over a step in which the instantaneous movement goes straight from `at_once` to its new value.

    Returns movement = rest + gain * new value, and for each unit what is fixed and what goes with the new value.
    """
    rest, gain = np.zeros_like(at_once), np.ones_like(at_once)
    fixed: list[tuple[FloatArray, FloatArray]] = []
    for ratio, time, unit in zip(late.ratio, late.time, units, strict=True):
        scaled = days / time
        left = np.exp(-scaled)
        mean = -np.expm1(-scaled) / scaled if scaled > 0.0 else 1.0
        part = left * unit + floats(ratio) * at_once * (mean - left)
        more = floats(ratio) * (1.0 - mean)
        fixed.append((part, np.asarray(more)))
        rest, gain = rest + part, gain + more
    return rest, gain, fixed
