"""Ground and lining as the design assumes them (tables ``[ground]`` and ``[lining]``), ready for the equilibrium.

Any number may be given in place of the design's own, as an array of samples or to vary one thing.
"""

from __future__ import annotations

from collections.abc import Mapping
from functools import partial

import numpy as np
import numpy.typing as npt

from convergence.errors import ValueFault
from convergence.job.design_assumptions import Assumption, GroundAssumptions, LayerAssumption, LiningAssumptions
from convergence.laws.arrays import FloatArray, floats
from convergence.laws.path import FacePath
from convergence.lining.ageing import tabulated_share
from convergence.lining.hoek_brown import hoek_brown_constants
from convergence.lining.layers import AgeCurve, Lining, SprayedLayer, SpringSupport, age_curve
from convergence.lining.ranges import not_beyond, within
from convergence.lining.reaction import ElasticGround, GroundReaction, HoekBrownGround, MohrCoulombGround
from convergence.lining.steps import time_at_distance
from convergence.lining.support import embedded_girder_capacity, embedded_girder_stiffness

NONE: Mapping[str, npt.ArrayLike] = {}
DEFAULT_LINING_POISSON = 0.2
"""Poisson's ratio [-] of sprayed concrete where the design says none; EN 1992-1-1, 3.1.3(4), from memory."""


def design_ground(ground: GroundAssumptions, values: Mapping[str, npt.ArrayLike] = NONE) -> GroundReaction:
    """Ground reaction of the design: equal stress all round, the mean of vertical and horizontal stress.

    p0 = P (1 + K) / 2, with K = 1 where the design gives none

    Parameters
    ----------
    ground : GroundAssumptions
        The assumptions.
    values : mapping of str to array_like
        Numbers in place of the design's, under the names of the attributes of `GroundAssumptions`.

    Returns
    -------
    GroundReaction
        Elastic, Mohr-Coulomb or Hoek-Brown ground, by the strength that is given.

    Raises
    ------
    ValueFault
        If a number that is needed is neither in the design nor in `values`, a name is not one of the ground's, or the
        ground dilates by more than its friction.

    Examples
    --------
    P = 4 MPa, K = 0.5: 3 MPa.

    References
    ----------
    .. [1] The mean stress of the unequal case; see `lined_movement` for the oval part.
    """
    _refuse_strange(values, GroundAssumptions, "ground")

    def number(name: str, default: float | None = None) -> FloatArray:
        return _number("ground", name, values, getattr(ground, name), default)

    stress = number("vertical_stress") * 0.5 * (1.0 + number("stress_ratio", 1.0))
    modulus, poisson = number("modulus"), number("poisson_ratio")
    dilation = number("dilation_angle", 0.0)
    if ground.strength == "mohr coulomb":
        not_beyond("ground: dilation angle", dilation, "friction angle", number("friction_angle"), "rad")
        return MohrCoulombGround(stress, modulus, poisson, number("cohesion"), number("friction_angle"), dilation)
    if ground.strength == "hoek brown":
        rock = hoek_brown_constants(number("strength_index"), number("intact_constant"), number("disturbance", 0.0))
        return HoekBrownGround(stress, modulus, poisson, number("intact_strength"), *rock, dilation)
    return ElasticGround(stress, modulus, poisson)


def design_lining(lining: LiningAssumptions, path: FacePath, values: Mapping[str, npt.ArrayLike] = NONE) -> Lining:
    """Lining of the design at a section past which the face moved in this way.

    Layers come so long after the face passed, or when it has come so far; the ring closes when the face has come to the
    closing distance; girders act with the first layer.

    Parameters
    ----------
    lining : LiningAssumptions
        The assumptions.
    path : FacePath
        How the leading face moved.
    values : mapping of str to array_like
        Numbers in place of the design's: any attribute of `LiningAssumptions` that is a number; `thickness` scales all
        layers alike, and `later` puts all layers and girders off by so many days.

    Returns
    -------
    Lining
        Layers, girders and closure; what the face has not reached yet is installed at no time (NaN becomes endless). A
        ring closed before the advance log begins is closed from the start.

    Raises
    ------
    ValueFault
        If a number that is needed is missing, a layer has no time, would come before the face or is as thick as the
        tunnel, the face was past before the log begins, or a name is not one of the lining's.
    """
    _refuse_strange({name: value for name, value in values.items() if name != "later"}, LiningAssumptions, "lining")

    def number(name: str, default: float | None = None) -> FloatArray:
        return _number("lining", name, values, getattr(lining, name), default)

    if not lining.layers:
        raise ValueFault("lining: no layer; expected a thickness. To mend: add thickness_m = ... to [lining].")
    if path.begins_past:
        raise ValueFault(
            f"lining: the face was {float(path.distance[0]):.1f} m past the section when the advance log begins; "
            "expected a log that begins before the section, for the age of the lining follows from it. To mend: add "
            "the earlier rounds to advance.csv, or leave the section out."
        )
    later = floats(values.get("later", 0.0))
    whole = lining.thickness
    thick = within("lining: thickness", number("thickness") if whole is not None else 0.0, 0.0, unit="m")
    scale = thick / whole.value if whole is not None and whole.value > 0.0 else floats(1.0)
    if lining.radius is not None or "radius" in values:
        not_beyond("lining: thickness", thick, "radius of the tunnel", number("radius"), "m")
    curve = design_curve(lining)
    passed = path.passage()
    layers = []
    for place, layer in enumerate(lining.layers):
        sprayed = _sprayed(place, layer, path) + later
        if np.any(sprayed < passed - 1e-9):
            raise ValueFault(
                f"lining: layer {place + 1} would come {float(np.max(passed - sprayed)):.3g} days before the face has "
                f"passed, later by {float(np.min(later)):.3g} days; expected not before the face. To mend: take fewer "
                "days off."
            )
        layers.append(
            SprayedLayer(
                layer.thickness.value * scale,
                sprayed,
                number("modulus"),
                curve,
                number("poisson_ratio", DEFAULT_LINING_POISSON),
                number("strength", np.inf),
                number("creep_coefficient", 0.0),
            )
        )
    closed: npt.ArrayLike = -np.inf
    if lining.closure_distance is not None or "closure_distance" in values:
        closed = _endless(time_at_distance(path, number("closure_distance")))
    return Lining(tuple(layers), _girders(lining, values, layers[0].sprayed), closed, number("open_share", 1.0))


def _sprayed(place: int, layer: LayerAssumption, path: FacePath) -> FloatArray:
    """When a layer is sprayed [days]; endless where the face has not come there."""
    if layer.delay is not None:
        return _endless(path.passage() + layer.delay.value)
    if layer.face_distance is not None:
        return _endless(time_at_distance(path, layer.face_distance.value))
    raise ValueFault(
        f"lining: layer {place + 1} has no time; expected after_hours or face_distance_m. "
        "To mend: add one of them to the layer in [lining]."
    )


def design_curve(lining: LiningAssumptions) -> AgeCurve:
    """Stiffness and strength with age as the design gives them; constant where it says nothing.

    Parameters
    ----------
    lining : LiningAssumptions
        The assumptions.

    Returns
    -------
    AgeCurve
        A named curve, or the table; a table without strengths takes the shares of the modulus for them too.
    """
    if lining.ages:
        strength = lining.strength_shares or lining.modulus_shares
        return AgeCurve(
            partial(tabulated_share, ages=lining.ages, shares=lining.modulus_shares),
            partial(tabulated_share, ages=lining.ages, shares=strength),
            "table of the job's settings",
        )
    return age_curve(lining.age_curve or "constant")


def _girders(
    lining: LiningAssumptions, values: Mapping[str, npt.ArrayLike], installed: npt.ArrayLike
) -> tuple[SpringSupport, ...]:
    """Girders in full contact, where the design has any."""
    if lining.girder_area is None and "girder_area" not in values:
        return ()
    area, spacing, radius = (
        _number("lining", name, values, getattr(lining, name), None)
        for name in ("girder_area", "girder_spacing", "radius")
    )
    most: npt.ArrayLike = np.inf
    if lining.steel_yield is not None or "steel_yield" in values:
        limit = _number("lining", "steel_yield", values, lining.steel_yield, None)
        most = embedded_girder_capacity(area, spacing, radius, limit)
    return (SpringSupport(embedded_girder_stiffness(area, spacing, radius), installed, most),)


def _endless(time: npt.ArrayLike) -> FloatArray:
    """Times with those to which the face has not come put off for ever; those before the log stay before all time."""
    return np.where(np.isnan(floats(time)), np.inf, floats(time))


def _number(
    table: str, name: str, values: Mapping[str, npt.ArrayLike], given: Assumption | None, default: float | None
) -> FloatArray:
    """A number from `values`, the design or the default, in this order."""
    if name in values:
        return floats(values[name])
    if given is not None:
        return floats(given.value)
    if default is None:
        raise ValueFault(
            f"{table}: no {name}; expected it in the design or given here. To mend: add it to [{table}], or pass it."
        )
    return floats(default)


def _refuse_strange(values: Mapping[str, npt.ArrayLike], table: type, name: str) -> None:
    """Refuse a name that the table does not have: it would change nothing in silence."""
    known = [*table.__dataclass_fields__, "thickness"] if hasattr(table, "__dataclass_fields__") else []
    strange = [key for key in values if key not in known]
    if strange:
        raise ValueFault(f"{name}: {strange}; expected names among {known}. To mend: correct the name.")
