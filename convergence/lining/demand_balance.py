"""Thrust, moment and utilisation by the balance of ground and lining, with what the balance gets wrong."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from types import MappingProxyType

import numpy as np

from convergence.job.design_assumptions import LiningAssumptions
from convergence.laws.arrays import FloatArray, floats
from convergence.lining.back_analysis_model import Response, SectionModel
from convergence.lining.capacity import line_utilisation, plain_utilisation, reinforced_line
from convergence.lining.ring_forces import relative_stiffness, ring_forces_no_slip
from convergence.lining.support import sprayed_ring_stiffness

PRESSURE_ERROR: MappingProxyType[str, tuple[float, float]] = MappingProxyType(
    {"elastic": (1.04, 1.15), "mohr coulomb": (1.47, 1.96), "hoek brown": (1.47, 1.96)}
)
"""True over computed pressure, from and to: `advance_equilibrium` was 4 to 13 % low against an advancing face in
elastic finite-element tunnels, 32 to 49 % low in Mohr-Coulomb ground; taken for Hoek-Brown ground too, where it was not
measured. See `convergence.lining.held`. Regression of this library's own studies."""
MOVEMENT_ERROR: MappingProxyType[str, tuple[float, float]] = MappingProxyType(
    {"elastic": (0.935, 0.996), "mohr coulomb": (0.84, 0.97), "hoek brown": (0.84, 0.97)}
)
"""True over computed movement in the same studies: 0.4 to 7 % and 3 to 19 % too much."""

LEAST_STRENGTH = 1.0
"""Strength [MPa] below which sprayed concrete counts as not yet bearing, and nothing is said of what is used of it: the
curves of age are extrapolated there. Common practice, no source."""
TENSILE_SHARE = 0.08
"""Tensile over compressive strength [-] up to which a bent section stays whole: 2.2 over 28 MPa, C20/25 of EN 1992-1-1,
table 3.1. From memory."""


def error_factor(bounds: tuple[float, float], shares: FloatArray) -> FloatArray:
    """A factor anywhere between two bounds, for numbers between 0 and 1."""
    return np.asarray(bounds[0] + (bounds[1] - bounds[0]) * shares)


def balance_thrust(model: SectionModel, response: Response, shares: FloatArray) -> FloatArray:
    """Mean thrust of the ring at the end [MN/m], shape (samples,), with the plane construction's error."""
    factor = error_factor(PRESSURE_ERROR[model.ground.strength], shares)
    return np.asarray(np.broadcast_to(response.balance.thrust(model.radius)[-1], shares.shape) * factor)


@dataclass(frozen=True)
class Utilisation:
    """How much of the lining is used, the worse of crown and springline; arrays of shape (samples,).

    Attributes
    ----------
    end : ndarray
        At the end of the calculation [-].
    worst : ndarray
        The most at any time since the first layer was sprayed [-].
    day : ndarray
        When that was [days].
    age : ndarray
        Age of the first layer then [days].
    """

    end: FloatArray
    worst: FloatArray
    day: FloatArray
    age: FloatArray


def balance_utilisation(
    model: SectionModel,
    response: Response,
    ground_values: Mapping[str, FloatArray],
    lining_values: Mapping[str, FloatArray],
    shares: FloatArray,
) -> Utilisation:
    """Utilisation of the lining at the worse of crown and springline, at every step of the balance.

    Mean thrust of the sprayed layers from the balance; its wave and the moment by unequal stress stand to it as in
    `ring_forces_no_slip` with the stiffness the ring has shown by then; strength is that of the concrete at its age,
    the mean of the layers that are there, without partial factors, reduced by nothing. Young concrete is the weaker
    the sooner it is loaded, so the worst may come hours or days after spraying; it is looked for from `LEAST_STRENGTH`
    on. A yielding lining stands at 1 or beyond. That the construction's error of the thrust (`PRESSURE_ERROR`, found
    at the end) is the same at all ages is an assumption.

    Parameters
    ----------
    model : SectionModel
        The section.
    response : Response
        The model's answer for the samples.
    ground_values, lining_values : mapping of str to ndarray
        Numbers of the samples.
    shares : ndarray, shape (samples,)
        Where the error of the thrust lies between its bounds [-], 0 to 1, as for `balance_thrust`.

    Returns
    -------
    Utilisation
        NaN where the design gives no strength, there is no lining, or it does not come by the end; above 1 where the
        force leaves a section without reinforcement and cracks it.
    """
    lining, ground, balance = model.lining, model.ground, response.balance
    none = np.full(shares.shape, np.nan)
    if lining is None or lining.strength is None or not response.built.layers:
        return Utilisation(none, none, none, none)

    def number(name: str, default: float) -> FloatArray:
        given = getattr(ground, name)
        return floats(ground_values.get(name, given.value if given is not None else default))

    size = np.broadcast_shapes(shares.shape, balance.movement.shape[1:])
    time = balance.time[:, None]
    first = np.broadcast_to(response.installed, size)
    thick, strength = _sprayed_ring(response, lining, lining_values, size)
    moved = balance.movement - _at_first_layer(balance.movement, balance.time, response.installed)
    carried = balance.member_pressure[: len(response.built.layers)].sum(axis=0)
    there = np.broadcast_to((time > first) & (strength >= LEAST_STRENGTH) & (carried > 0.0), (balance.time.size, *size))
    deep, hard = np.where(thick > 0.0, thick, 1.0), np.maximum(strength, LEAST_STRENGTH)
    ring = sprayed_ring_stiffness(1.0, model.lining_poisson, model.radius, deep)
    shown = np.clip(carried / np.maximum(1e-3 * moved, 1e-9) / ring, 1.0, 1e6)
    poisson, ratio = number("poisson_ratio", 0.25), number("stress_ratio", 1.0)
    stiffness = relative_stiffness(model.radius, number("modulus", 1.0), poisson, shown, model.lining_poisson, deep)
    # forces go with the stress, so their ratio to the mean thrust does not; the thrust itself is the balance's
    mean, _ = ring_forces_no_slip(0.25 * np.pi, 1.0, ratio, model.radius, poisson, *stiffness)
    thrust = carried * model.radius * error_factor(PRESSURE_ERROR[ground.strength], shares)
    found = []
    for angle in (0.0, 0.5 * np.pi):
        force, bend = ring_forces_no_slip(angle, 1.0, ratio, model.radius, poisson, *stiffness)
        whole, moment = thrust * force / mean, thrust * bend / mean
        if lining.mesh_area is not None and lining.cover is not None and lining.steel_yield is not None:
            steel = lining.mesh_area.value, np.minimum(lining.cover.value, 0.49 * deep), lining.steel_yield.value
            found.append(line_utilisation(whole, moment, *reinforced_line(deep, hard, *steel)))
        else:
            found.append(_uncracked(plain_utilisation(whole, moment, deep, hard), whole, moment, deep, hard))
    used = np.where(there, np.max(np.broadcast_arrays(*found), axis=0), 0.0)
    comes = np.broadcast_to(there.any(axis=0), size)
    at = np.argmax(used, axis=0)
    day = np.where(comes, balance.time[at], np.nan)
    worst = np.where(comes, np.take_along_axis(used, at[None, :], axis=0)[0], np.nan)
    return Utilisation(np.where(comes, used[-1], np.nan), worst, day, day - np.where(comes, first, 0.0))


def _uncracked(
    used: FloatArray, thrust: FloatArray, moment: FloatArray, thick: FloatArray, strength: FloatArray
) -> FloatArray:
    """Utilisation of a section without reinforcement: the smaller of that by its block of stress and of that uncracked.

    Either state of stress is safe, and both grow in proportion with the forces; so the smaller one is the utilisation,
    it rises with the moment without a jump, and a section that hardly anything presses is not lost for a small moment.
    """
    mean, bend = thrust / thick, 6.0 * np.abs(moment) / thick**2
    whole = np.maximum((bend + mean) / strength, (bend - mean) / (TENSILE_SHARE * strength))
    return np.asarray(np.minimum(used, whole))


def _sprayed_ring(
    response: Response, lining: LiningAssumptions, values: Mapping[str, FloatArray], size: tuple[int, ...]
) -> tuple[FloatArray, FloatArray]:
    """Thickness that is there [m] and its mean strength [MPa] at each step, shape (steps, samples)."""
    assert lining.strength is not None  # balance_utilisation has looked
    time, given = response.balance.time[:, None], floats(values.get("strength", lining.strength.value))
    thick = np.zeros((time.size, *size))
    hard = np.zeros((time.size, *size))
    for layer in response.built.layers:
        age = time - np.broadcast_to(floats(layer.sprayed), size)
        part = np.where(age > 0.0, floats(layer.thickness), 0.0)
        thick, hard = thick + part, hard + part * given * layer.curve.strength(np.maximum(age, 0.0))
    return thick, np.where(thick > 0.0, hard / np.where(thick > 0.0, thick, 1.0), 0.0)


def _at_first_layer(movement: FloatArray, time: FloatArray, installed: FloatArray) -> FloatArray:
    """Movement at the last step not after the first layer, shape (samples,)."""
    at = np.clip(np.searchsorted(time, installed, side="right") - 1, 0, time.size - 1)
    return np.asarray(np.take_along_axis(movement, np.broadcast_to(at, movement.shape[1:])[None, :], axis=0)[0])
