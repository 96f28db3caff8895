"""What the design assumes of ground and lining, as plain data: values with their ranges, in the units used inside."""

from __future__ import annotations

from dataclasses import dataclass


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

    @property
    def thickness(self) -> Assumption | None:
        """Thickness of all layers together [m]."""
        if not self.layers:
            return None
        parts = [layer.thickness for layer in self.layers]
        return Assumption(sum(p.value for p in parts), sum(p.low for p in parts), sum(p.high for p in parts))
