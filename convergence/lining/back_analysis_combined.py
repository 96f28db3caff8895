"""Combinations of the parameters that movements are known to answer to, sample by sample."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from convergence.laws.arrays import FloatArray, floats
from convergence.lining.back_analysis_model import SectionModel
from convergence.lining.back_analysis_prior import Prior, values_at
from convergence.lining.demand_balance import balance_thrust

EVERY = "all"
"""What a combination is of that the sections share."""


@dataclass(frozen=True)
class Combination:
    """One combination for a set of samples.

    Attributes
    ----------
    unit : str
        Unit; "1" for a ratio.
    of : str
        The section whose faces and lining it is for, or `EVERY`.
    values : ndarray, shape (samples,)
        The numbers.
    """

    unit: str
    of: str
    values: FloatArray


def combinations_of(
    priors: tuple[Prior, ...], model: SectionModel, section: str, normal: FloatArray, seed: int = 0
) -> dict[str, Combination]:
    """Combinations for standard normal numbers of the priors, shape (samples, priors).

    stress over stiffness is P (1 + K) / 4 G, the strain of an unlined wall in elastic ground; ring over ground the
    stiffness of the lining as it aged over that of the ground, times the radius. The thrust has the plane
    construction's error in it, drawn as for `demand_balance.balance_thrust`, for the construction alone is too low.

    Parameters
    ----------
    priors : tuple of Prior
        The parameters.
    model : SectionModel
        Of the section that release, ring, closure and thrust are for: its faces passed at its own times.
    section : str
        Its name.
    normal : ndarray, shape (samples, priors)
        Standard normal numbers.
    seed : int
        Of the draws of the construction's error.

    Returns
    -------
    dict of str to Combination
        By name.
    """
    ground, lining, _ = values_at(priors, normal)
    count = len(normal)

    def number(name: str, default: float) -> FloatArray:
        given = getattr(model.ground, name)
        return np.broadcast_to(floats(ground.get(name, given.value if given is not None else default)), (count,))

    modulus, poisson = number("modulus", 1.0), number("poisson_ratio", 0.25)
    ratio = number("stress_ratio", 1.0)
    strain = 1e3 * number("vertical_stress", 1.0) * 0.5 * (1.0 + ratio) * (1.0 + poisson) / modulus
    response = model.respond(ground, lining)
    stiff = response.lining_modulus * response.lining_thickness / (modulus * model.radius)
    size = np.broadcast_to(response.balance.movement[-1], (count,))
    thrust = balance_thrust(model, response, np.random.default_rng(seed).random(count))
    released = EVERY if "release_at_support" in ground else section
    return {
        "stress over stiffness": Combination("per mille", EVERY, np.asarray(strain)),
        "stress ratio": Combination("1", EVERY, np.asarray(ratio)),
        "release at support": Combination("1", released, np.broadcast_to(response.release, (count,))),
        "ring over ground": Combination("1", section, np.broadcast_to(np.maximum(stiff, 1e-9), (count,))),
        "final closure, lost part included": Combination("mm", section, np.asarray(size)),
        "thrust": Combination("MN/m", section, np.maximum(thrust, 1e-9)),
    }
