"""Thrust, moment and utilisation of the lining by the balance of ground and lining, with what the balance gets wrong."""

from __future__ import annotations

from collections.abc import Mapping
from types import MappingProxyType

import numpy as np

from convergence.laws.arrays import FloatArray, floats
from convergence.lining.back_analysis_model import Response, SectionModel
from convergence.lining.capacity import line_utilisation, plain_utilisation, reinforced_line
from convergence.lining.design import DEFAULT_LINING_POISSON, design_curve
from convergence.lining.ring_forces import relative_stiffness, ring_forces_no_slip

PRESSURE_ERROR: MappingProxyType[str, tuple[float, float]] = MappingProxyType(
    {"elastic": (1.04, 1.15), "mohr coulomb": (1.47, 1.96), "hoek brown": (1.47, 1.96)}
)
"""True over computed pressure, from and to: `advance_equilibrium` was 4 to 13 % low against an advancing face in elastic
finite-element tunnels, 32 to 49 % low in Mohr-Coulomb ground; taken for Hoek-Brown ground too, where it was not measured.
See `convergence.lining.held`. Regression of this library's own studies."""
MOVEMENT_ERROR: MappingProxyType[str, tuple[float, float]] = MappingProxyType(
    {"elastic": (0.935, 0.996), "mohr coulomb": (0.84, 0.97), "hoek brown": (0.84, 0.97)}
)
"""True over computed movement in the same studies: 0.4 to 7 % and 3 to 19 % too much."""


def error_factor(bounds: tuple[float, float], shares: FloatArray) -> FloatArray:
    """A factor anywhere between two bounds, for numbers between 0 and 1."""
    return np.asarray(bounds[0] + (bounds[1] - bounds[0]) * shares)


def balance_thrust(model: SectionModel, response: Response, shares: FloatArray) -> FloatArray:
    """Mean thrust of the ring at the end [MN/m], shape (samples,), times a factor for the plane construction's error."""
    factor = error_factor(PRESSURE_ERROR[model.ground.strength], shares)
    return np.asarray(np.broadcast_to(response.balance.thrust(model.radius)[-1], shares.shape) * factor)


def balance_utilisation(
    model: SectionModel,
    response: Response,
    ground_values: Mapping[str, FloatArray],
    lining_values: Mapping[str, FloatArray],
    thrust: FloatArray,
) -> FloatArray:
    """Utilisation of the lining at the worse of crown and springline [-], shape (samples,).

    Mean thrust from the balance, its wave and the moment by unequal stress from `ring_forces_no_slip` with the stress
    not yet released at the first layer; strength is that of the concrete at the end, without partial factors, reduced by
    nothing. A yielding lining stands at 1 or beyond.

    Parameters
    ----------
    model : SectionModel
        The section.
    response : Response
        The model's answer for the samples.
    ground_values, lining_values : mapping of str to ndarray
        Numbers of the samples.
    thrust : ndarray, shape (samples,)
        Mean thrust [MN/m], with its error.

    Returns
    -------
    ndarray
        Utilisation; NaN where the design gives no strength or there is no lining; infinite where the force leaves the
        section.
    """
    lining, ground = model.lining, model.ground
    if lining is None or lining.strength is None or lining.thickness is None or not lining.layers:
        return np.full(thrust.shape, np.nan)

    def number(name: str, default: float) -> FloatArray:
        given = getattr(ground, name)
        return floats(ground_values.get(name, given.value if given is not None else default))

    thick = lining.thickness.value * floats(1.0)
    if "thickness" in lining_values:
        thick = floats(lining_values["thickness"])
    poisson = number("poisson_ratio", 0.25)
    stiffness = relative_stiffness(
        model.radius, number("modulus", 1.0), poisson, response.lining_modulus, DEFAULT_LINING_POISSON, thick
    )
    load = number("vertical_stress", 1.0) * (1.0 - response.release)
    mean, _ = ring_forces_no_slip(0.25 * np.pi, load, number("stress_ratio", 1.0), model.radius, poisson, *stiffness)
    age = float(response.balance.time[-1]) - response.installed
    strength = floats(lining_values.get("strength", lining.strength.value)) * design_curve(lining).strength(age)
    found = []
    for angle in (0.0, 0.5 * np.pi):
        force, moment = ring_forces_no_slip(angle, load, number("stress_ratio", 1.0), model.radius, poisson, *stiffness)
        whole = thrust + (force - mean)
        if lining.mesh_area is not None and lining.cover is not None and lining.steel_yield is not None:
            line = reinforced_line(
                thick, strength, lining.mesh_area.value, lining.cover.value, lining.steel_yield.value
            )
            found.append(line_utilisation(whole, moment, *line))
        else:
            found.append(plain_utilisation(whole, moment, thick, strength))
    return np.asarray(np.max(np.broadcast_arrays(*found), axis=0) + np.zeros(thrust.shape))
