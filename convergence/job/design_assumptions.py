"""What the design assumes of ground and lining, as plain data: values with their ranges, in the units used inside.

A number that is known may be given as a plain float. What cannot be is refused when the table is made, in Python as in
the settings file.
"""

from __future__ import annotations

import itertools
import math
from collections.abc import Mapping
from dataclasses import dataclass

from convergence.errors import ValueFault
from convergence.job.design_ranges import GROUND, LAYER, LINING, MOST_SHARE, Span


@dataclass(frozen=True)
class Assumption:
    """One number of the design with the range it may lie in; the range says how sure the designer is.

    Attributes
    ----------
    value : float
        What the design was made with.
    low, high : float
        Ends of the range; equal to the value where no range is given.
    """

    value: float
    low: float
    high: float

    def __post_init__(self) -> None:
        three = (self.low, self.value, self.high)
        real = all(isinstance(number, int | float) and not isinstance(number, bool) for number in three)
        if not real or not all(math.isfinite(number) for number in three) or not self.low <= self.value <= self.high:
            raise ValueFault(
                f"assumption: {self.low} to {self.high} about {self.value}; expected finite numbers, low <= value <= "
                "high. To mend: sort the numbers, Assumption(value, low, high)."
            )

    @property
    def is_range(self) -> bool:
        """Whether there is a range, so that readings may tell something about it."""
        return self.low < self.high


@dataclass(frozen=True)
class LayerAssumption:
    """One layer of sprayed concrete.

    Attributes
    ----------
    thickness : Assumption
        Thickness [m].
    delay : Assumption or None
        When it is sprayed, in days after the face passed the section.
    face_distance : Assumption or None
        Or how far the face is past when it is sprayed [m]. One of the two is given.
    """

    thickness: Assumption
    delay: Assumption | None = None
    face_distance: Assumption | None = None

    def __post_init__(self) -> None:
        _hold(self, LAYER, "layer")
        if self.delay is not None and self.face_distance is not None:
            raise ValueFault(
                "layer: delay and face_distance are both given; expected one of them. To mend: remove one."
            )


@dataclass(frozen=True)
class GroundAssumptions:
    """Table ``[ground]``; None where nothing is said.

    Attributes
    ----------
    vertical_stress : Assumption or None
        Vertical stress of the undisturbed ground [MPa].
    stress_ratio : Assumption or None
        Horizontal over vertical stress [-].
    modulus, poisson_ratio : Assumption or None
        Young's modulus [MPa] and Poisson's ratio [-].
    cohesion, friction_angle, dilation_angle : Assumption or None
        Mohr-Coulomb strength: cohesion [MPa], angles [rad].
    intact_strength, strength_index, intact_constant, disturbance : Assumption or None
        Hoek-Brown strength: unconfined strength of the intact rock [MPa], geological strength index, mi, D [-].
    release_at_support : Assumption or None
        Share of the ground's final movement without support that has come when the first layer acts [-].
    profile : str
        Name of the longitudinal profile; empty where nothing is said.
    """

    vertical_stress: Assumption | None = None
    stress_ratio: Assumption | None = None
    modulus: Assumption | None = None
    poisson_ratio: Assumption | None = None
    cohesion: Assumption | None = None
    friction_angle: Assumption | None = None
    dilation_angle: Assumption | None = None
    intact_strength: Assumption | None = None
    strength_index: Assumption | None = None
    intact_constant: Assumption | None = None
    disturbance: Assumption | None = None
    release_at_support: Assumption | None = None
    profile: str = ""

    def __post_init__(self) -> None:
        _hold(self, GROUND, "ground")

    @property
    def strength(self) -> str:
        """Which strength is given: "mohr coulomb", "hoek brown" or "elastic" for none."""
        if self.cohesion is not None:
            return "mohr coulomb"
        return "hoek brown" if self.intact_strength is not None else "elastic"


@dataclass(frozen=True)
class LiningAssumptions:
    """Table ``[lining]``; None where nothing is said.

    Attributes
    ----------
    radius : Assumption or None
        Radius of the ground side of a circle that stands for the opening [m].
    layers : tuple of LayerAssumption
        Layers from the ground inwards; one for a lining given by its thickness.
    modulus, strength : Assumption or None
        Young's modulus and compressive strength of the sprayed concrete at 28 days [MPa].
    poisson_ratio : Assumption or None
        Its Poisson's ratio [-].
    age_curve : str
        Name of the curve of stiffness and strength with age; "table" for the table; empty where nothing is said.
    ages, modulus_shares, strength_shares : tuple of float
        Table of tests: ages [days] and shares of the values at 28 days [-].
    creep_coefficient : Assumption or None
        Creep over elastic strain [-].
    closure_distance : Assumption or None
        How far the leading face is past when the ring is closed [m].
    open_share : Assumption or None
        Stiffness of the open ring over that of the closed one [-].
    girder_area, girder_spacing : Assumption or None
        Steel of one girder [m2] and distance between girders [m].
    mesh_area, cover : Assumption or None
        Steel at each face [m2/m] and distance of its middle from the face [m].
    steel_yield : Assumption or None
        Yield strength of the steel [MPa].
    """

    radius: Assumption | None = None
    layers: tuple[LayerAssumption, ...] = ()
    modulus: Assumption | None = None
    strength: Assumption | None = None
    poisson_ratio: Assumption | None = None
    age_curve: str = ""
    ages: tuple[float, ...] = ()
    modulus_shares: tuple[float, ...] = ()
    strength_shares: tuple[float, ...] = ()
    creep_coefficient: Assumption | None = None
    closure_distance: Assumption | None = None
    open_share: Assumption | None = None
    girder_area: Assumption | None = None
    girder_spacing: Assumption | None = None
    mesh_area: Assumption | None = None
    cover: Assumption | None = None
    steel_yield: Assumption | None = None

    def __post_init__(self) -> None:
        _hold(self, LINING, "lining")
        if not isinstance(self.layers, tuple) or not all(isinstance(layer, LayerAssumption) for layer in self.layers):
            raise ValueFault(
                f"lining: layers = {self.layers!r}; expected a tuple of LayerAssumption. To mend: give (layer, ...)."
            )
        wrong = layers_out_of_order(self.layers) or closed_before_spraying(self.layers, self.closure_distance)
        wrong = wrong or age_table_fault(self.ages, self.modulus_shares, self.strength_shares)
        if wrong:
            raise ValueFault(f"lining: {wrong}")

    @property
    def thickness(self) -> Assumption | None:
        """Thickness of all layers together [m]."""
        if not self.layers:
            return None
        parts = [layer.thickness for layer in self.layers]
        return Assumption(sum(p.value for p in parts), sum(p.low for p in parts), sum(p.high for p in parts))


FASTEST_FACE = 50.0
"""Advance [m/day] that no face driven in rounds makes; common practice, no source."""


def layers_out_of_order(layers: tuple[LayerAssumption, ...]) -> str:
    """What is wrong with the order of layers, from the ground inwards, and how to mend it; empty where nothing is.

    A layer by hours beside one by face distance is compared as far as no face is fast enough; the log decides the rest.
    """
    for first, second in itertools.pairwise(layers):
        one, other, unit = first.delay, second.delay, "days after the face"
        if first.face_distance is not None and second.face_distance is not None:
            one, other, unit = first.face_distance, second.face_distance, "m past the face"
        if first.face_distance is not None and other is not None:
            soonest = first.face_distance.value / FASTEST_FACE
            if soonest > other.value:
                return (
                    f"a layer when the face is {first.face_distance.value:g} m past stands before one after "
                    f"{24.0 * other.value:g} hours; expected layers from the ground inwards, each sprayed after the "
                    "one before. To mend: sort the layers, or correct their times."
                )
        elif one is not None and other is not None and one.value > other.value:
            return (
                f"a layer {one.value:g} {unit} stands before one {other.value:g}; expected layers from the ground "
                "inwards, each sprayed after the one before. To mend: sort the layers, or correct their times."
            )
    return ""


def closed_before_spraying(layers: tuple[LayerAssumption, ...], closure: Assumption | None) -> str:
    """What is wrong where a ring closes before its first layer comes; empty where nothing is, or the log decides."""
    if closure is None or not layers or layers[0].face_distance is None:
        return ""
    sprayed = layers[0].face_distance.value
    if closure.value >= sprayed:
        return ""
    return (
        f"the ring closes when the face is {closure.value:g} m past, before its first layer at {sprayed:g} m; expected "
        "not before it. To mend: correct the closing distance or the layer."
    )


def age_table_fault(ages: tuple[float, ...], moduli: tuple[float, ...], strengths: tuple[float, ...]) -> str:
    """What is wrong with a table of ages and shares, and how to mend it; empty where nothing is."""
    if any(age <= 0.0 for age in ages) or any(later <= age for age, later in itertools.pairwise(ages)):
        return f"ages {list(ages)}; expected days, positive and rising. To mend: sort the table by age."
    for words, shares in (("modulus shares", moduli), ("strength shares", strengths)):
        if shares and (len(shares) != len(ages) or min(shares) < 0.0 or max(shares) > MOST_SHARE):
            return (
                f"{words} {list(shares)}; expected {len(ages)} shares of the value at 28 days, from 0 to "
                f"{MOST_SHARE:g}. To mend: give one share for each age, 1 at 28 days and not 100."
            )
    return ""


def _hold(table: object, spans: Mapping[str, Span], name: str) -> None:
    """Turn plain numbers of a table into assumptions without a range, and refuse what lies outside its range."""
    for attribute, span in spans.items():
        given = getattr(table, attribute)
        if given is None:
            continue
        if isinstance(given, int | float) and not isinstance(given, bool):
            given = Assumption(float(given), float(given), float(given))
            object.__setattr__(table, attribute, given)
        if not isinstance(given, Assumption):
            raise ValueFault(
                f"{name}: {attribute} = {given!r}; expected a number or Assumption(value, low, high). To mend: give "
                "one of them."
            )
        expected = span.fault((given.low, given.value, given.high))
        if expected:
            size = f"{given.value:g}" if not given.is_range else f"{given.low:g} to {given.high:g}"
            raise ValueFault(
                f"{name}: {attribute} = {size}; expected {expected}. To mend: correct the value, or its unit."
            )
