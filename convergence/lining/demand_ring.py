"""Thrust of a ring by its measured closure, sample by sample: everything the design gives a range for is drawn."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np

from convergence.errors import ValueFault
from convergence.job.design_assumptions import Assumption, LayerAssumption, LiningAssumptions
from convergence.laws.arrays import FloatArray
from convergence.laws.path import FacePath
from convergence.lining.back_analysis_model import SectionModel
from convergence.lining.back_analysis_prior import sampled
from convergence.lining.demand_strain import ClosureHistory, strain_before
from convergence.lining.design import design_curve
from convergence.lining.layers import AgeCurve
from convergence.lining.steps import time_at_distance
from convergence.lining.support import STEEL_MODULUS

SOURCES = (
    "prisms", "before the prisms", "thickness", "radius", "spraying time", "modulus", "strength", "creep", "open ring",
    "ring closure", "girders",
)  # fmt: skip
MICRO_A_MILLI = 1e3
"""Microstrain for a millimetre on a radius of a metre."""


@dataclass(frozen=True)
class Carried:
    """What the ring carries by its closure; samples last.

    Attributes
    ----------
    thrust : ndarray, shape (samples,)
        Thrust at the last reading, girders in it [MN/m].
    strain : ndarray, shape (times, samples)
        Hoop strain at the middle of the ring by the times of the closure [microstrain].
    before : ndarray, shape (samples,)
        The part of it from before the prisms were fixed [microstrain].
    most : ndarray, shape (samples,)
        Thrust at which all layers that are there and the girders yield [MN/m]; NaN where the design gives no strength.
    girders : ndarray, shape (samples,)
        The girders' part of the thrust [MN/m].
    at_zero : ndarray, shape (samples,)
        Thrust at the zero reading, by the strain from before the prisms were fixed [MN/m].
    """

    thrust: FloatArray
    strain: FloatArray
    before: FloatArray
    most: FloatArray
    girders: FloatArray
    at_zero: FloatArray


def sprayed_at(layer: LayerAssumption, path: FacePath, normal: FloatArray) -> FloatArray:
    """When a layer was sprayed for standard normal numbers [days]; endless where the face has not come there."""
    if layer.delay is not None:
        found = path.passage() + sampled(layer.delay, normal)
    elif layer.face_distance is not None:
        found = time_at_distance(path, sampled(layer.face_distance, normal))
    else:
        raise ValueFault(
            "demand: a layer has no time; expected after_hours or face_distance_m. To mend: add one to the layer."
        )
    return np.where(np.isnan(found), np.inf, found)


def carried_thrust(
    model: SectionModel,
    lining: LiningAssumptions,
    history: ClosureHistory,
    samples: int,
    seed: int,
    varied: tuple[str, ...] = SOURCES,
) -> Carried:
    """Thrust by measured closure.

    N = sum over layers of t_j sigma_j + As sigma_s / S, dsigma_j = o E(age_j) / [(1 + phi) (1 - nu^2)] du / (R - t/2),
    each limited to its strength; o is the share of the open ring until it closes, 1 from then on

    The layers come at their own times and take up what comes after; girders stand in the concrete from the first layer
    on and share its strain, the open ring's share too.

    Parameters
    ----------
    model : SectionModel
        The section.
    lining : LiningAssumptions
        Its lining, with layers.
    history : ClosureHistory
        Closure by time.
    samples, seed : int
        Number of samples, and of the random numbers.
    varied : tuple of str
        Sources, of `SOURCES`, that are drawn; the others stay at their value.

    Returns
    -------
    Carried
        Thrust and strain.

    Raises
    ------
    ValueFault
        If the modulus is not given, or a layer has no time.

    Examples
    --------
    E = 10,000 MPa, nu = 0.2, t = 0.25 m, R = 6 m, no age, 5.875 mm of closure: 1000 microstrain, 2.604 MN/m.

    References
    ----------
    .. [1] Hooke's law in plane strain on the ring's middle; derived here.
    """
    generator = np.random.default_rng(seed)
    normal = {name: generator.standard_normal(samples) * (name in varied) for name in SOURCES}
    place = generator.random(samples) if "before the prisms" in varied else np.full(samples, 0.5)
    path, curve = model.leading, design_curve(lining)
    radius = sampled(lining.radius or _one(model.radius), normal["radius"])
    thick = [sampled(layer.thickness, normal["thickness"]) for layer in lining.layers]
    middle = radius - 0.5 * np.sum(thick, axis=0)
    sprayed = [sprayed_at(layer, path, normal["spraying time"]) for layer in lining.layers]
    first = np.min(sprayed, axis=0)
    before = strain_before(model, history, first, place, normal["before the prisms"])
    moved = history.closure[:, None] + history.error * normal["prisms"]
    moved[0] = 0.0
    closure = np.concatenate([np.zeros((1, samples)), before + moved])
    strain = closure / middle
    # the part before the prisms comes in one step from the spraying to the zero reading
    times = np.concatenate([np.minimum(first, history.time[0])[None, :], np.tile(history.time[:, None], samples)])
    opened = _open_share(lining, path, times, normal)
    thrust, most, begun = np.zeros(samples), np.zeros(samples), np.zeros(samples)
    stiff = _number(lining.modulus, "modulus_mpa", normal["modulus"])
    stiff = stiff / (1.0 + sampled(lining.creep_coefficient or _one(0.0), normal["creep"]))
    stiff = stiff / (1.0 - model.lining_poisson**2)
    hard = None if lining.strength is None else sampled(lining.strength, normal["strength"])
    for depth, day in zip(thick, sprayed, strict=True):
        stress, strength = _layer_stress(times, strain, opened, day, stiff, hard, curve)
        thrust, most = thrust + stress * depth, most + strength * depth
        begun = begun + _layer_stress(times[:2], strain[:2], opened[:1], day, stiff, hard, curve)[0] * depth
    begun = begun + _girders(lining, times[:2], strain[:2], opened[:1], first, normal["girders"])[0]
    steel, yields = _girders(lining, times, strain, opened, first, normal["girders"])
    return Carried(
        thrust + steel, MICRO_A_MILLI * strain[1:], MICRO_A_MILLI * before / middle,
        most + yields if hard is not None else np.full(samples, np.nan), steel, begun,
    )  # fmt: skip


def _open_share(
    lining: LiningAssumptions, path: FacePath, times: FloatArray, normal: Mapping[str, FloatArray]
) -> FloatArray:
    """Share of the strain that loads the ring in each step, shape (steps, samples)."""
    opened = np.clip(sampled(lining.open_share or _one(1.0), normal["open ring"]), 0.0, 1.0)
    if lining.closure_distance is None:
        return np.ones_like(times[1:])
    closed = time_at_distance(path, sampled(lining.closure_distance, normal["ring closure"]))
    closed = np.where(np.isnan(closed), np.inf, closed)
    return np.where(0.5 * (times[:-1] + times[1:]) >= closed, 1.0, opened)


def _layer_stress(
    times: FloatArray,
    strain: FloatArray,
    opened: FloatArray,
    sprayed: FloatArray,
    stiff: FloatArray,
    hard: FloatArray | None,
    curve: AgeCurve,
) -> tuple[FloatArray, FloatArray]:
    """Stress of one layer at the end and its strength then [MPa]; nothing where it has not come."""
    stress, strength = np.zeros(sprayed.shape), np.zeros(sprayed.shape)
    for step in range(1, len(times)):
        start, end = np.maximum(times[step - 1], sprayed), times[step]
        whole = end - times[step - 1]
        part = np.where(whole > 0.0, np.maximum(end - start, 0.0) / np.where(whole > 0.0, whole, 1.0), 0.0)
        there = part > 0.0
        if not there.any():
            continue
        age = np.where(there, 0.5 * (start + end) - sprayed, 0.0)
        grown = 1e-3 * (strain[step] - strain[step - 1]) * part
        stress = stress + np.where(there, stiff * curve.modulus(age) * opened[step - 1] * grown, 0.0)
        if hard is not None:
            strength = np.where(there, hard * curve.strength(np.where(there, end - sprayed, 0.0)), strength)
            stress = np.where(there, np.clip(stress, -0.1 * strength, strength), stress)
    return stress, strength


def _girders(
    lining: LiningAssumptions,
    times: FloatArray,
    strain: FloatArray,
    opened: FloatArray,
    installed: FloatArray,
    normal: FloatArray,
) -> tuple[FloatArray, FloatArray]:
    """Thrust of the girders and that at which they yield [MN/m]; nothing where the design has none."""
    none = np.zeros(installed.shape)
    if lining.girder_area is None or lining.girder_spacing is None:
        return none, none
    area = sampled(lining.girder_area, normal) / sampled(lining.girder_spacing, -normal)
    limit = np.inf if lining.steel_yield is None else sampled(lining.steel_yield, 0.0 * normal)
    stress = none
    for step in range(1, len(times)):
        grown = 1e-3 * (strain[step] - strain[step - 1]) * (times[step] > installed)
        stress = np.clip(stress + STEEL_MODULUS * opened[step - 1] * grown, -limit, limit)
    there = times[-1] > installed
    return stress * area, np.where(there, limit, 0.0) * area if lining.steel_yield is not None else none


def _one(value: float) -> Assumption:
    return Assumption(value, value, value)


def _number(given: Assumption | None, key: str, normal: FloatArray) -> FloatArray:
    if given is None:
        raise ValueFault(f"demand: no {key} in [lining]; expected one. To mend: add {key} to [lining].")
    return sampled(given, normal)
