"""Lining mechanics: ground reaction, support, ageing, equilibrium along the advance, ring forces, capacity.

Formulas on plain numbers; nothing here knows of files, labels or plots (`design` takes the job's assumptions as plain
data). Results support the judgement of the engineer
responsible and never replace it.
"""

from __future__ import annotations

from convergence.lining.ageing import (
    en1992_modulus,
    en1992_modulus_share,
    en1992_strength_share,
    en1992_tensile_share,
    exponential_share,
    hourly_strength_share,
    hyperbolic_modulus_share,
    tabulated_share,
)
from convergence.lining.capacity import line_utilisation, plain_moment_capacity, plain_utilisation, reinforced_line
from convergence.lining.creep import HYPOTHETICAL_MODULUS, RateOfFlow, creep_coefficient, flow_step, reduced_modulus
from convergence.lining.design import design_curve, design_ground, design_lining
from convergence.lining.elastic import kirsch_movement, kirsch_wall_stress, lame_wall_movement, shear_modulus
from convergence.lining.equilibrium import DelayedGround, Equilibrium, advance_equilibrium, classical_equilibrium
from convergence.lining.held import held_equilibrium, held_share, lining_hold
from convergence.lining.hoek_brown import (
    hoek_brown_constants,
    hoek_brown_critical_pressure,
    hoek_brown_flexibility,
    hoek_brown_plastic_radius,
    hoek_brown_wall_movement,
    rock_mass_modulus,
)
from convergence.lining.layers import (
    AGE_CURVES,
    AgeCurve,
    Lining,
    SprayedLayer,
    SpringSupport,
    age_curve,
    layer_capacity,
    layer_stiffness,
)
from convergence.lining.lined_movement import lined_movement
from convergence.lining.mohr_coulomb import (
    mohr_coulomb_critical_pressure,
    mohr_coulomb_flexibility,
    mohr_coulomb_plastic_radius,
    mohr_coulomb_strength,
    mohr_coulomb_wall_movement,
)
from convergence.lining.reaction import (
    ElasticGround,
    GroundReaction,
    HoekBrownGround,
    MohrCoulombGround,
    elastic_flexibility,
    pressure_for_movement,
)
from convergence.lining.release import (
    PROFILES,
    face_pressure,
    movement_share,
    plastic_movement_ratio,
    similar_profile,
)
from convergence.lining.ring_forces import relative_stiffness, ring_forces_no_slip, ring_forces_slip
from convergence.lining.steps import advance_steps, time_at_distance
from convergence.lining.strain_levels import (
    SQUEEZING_BOUNDS,
    SQUEEZING_CLASSES,
    WARNING_CONSTANTS,
    critical_strain,
    movement_at_strain,
    rock_mass_strength,
    squeezing_class,
    supported_strain,
    thirds_of_allowed,
    unsupported_strain,
)
from convergence.lining.support import (
    bolt_capacity,
    bolt_stiffness,
    combined_support,
    embedded_girder_capacity,
    embedded_girder_stiffness,
    sprayed_ring_capacity,
    sprayed_ring_stiffness,
    steel_set_capacity,
    steel_set_stiffness,
)

__all__ = [
    "AGE_CURVES",
    "HYPOTHETICAL_MODULUS",
    "PROFILES",
    "SQUEEZING_BOUNDS",
    "SQUEEZING_CLASSES",
    "WARNING_CONSTANTS",
    "AgeCurve",
    "DelayedGround",
    "ElasticGround",
    "Equilibrium",
    "GroundReaction",
    "HoekBrownGround",
    "Lining",
    "MohrCoulombGround",
    "RateOfFlow",
    "SprayedLayer",
    "SpringSupport",
    "advance_equilibrium",
    "advance_steps",
    "age_curve",
    "bolt_capacity",
    "bolt_stiffness",
    "classical_equilibrium",
    "combined_support",
    "creep_coefficient",
    "critical_strain",
    "design_curve",
    "design_ground",
    "design_lining",
    "elastic_flexibility",
    "embedded_girder_capacity",
    "embedded_girder_stiffness",
    "en1992_modulus",
    "en1992_modulus_share",
    "en1992_strength_share",
    "en1992_tensile_share",
    "exponential_share",
    "face_pressure",
    "flow_step",
    "held_equilibrium",
    "held_share",
    "hoek_brown_constants",
    "hoek_brown_critical_pressure",
    "hoek_brown_flexibility",
    "hoek_brown_plastic_radius",
    "hoek_brown_wall_movement",
    "hourly_strength_share",
    "hyperbolic_modulus_share",
    "kirsch_movement",
    "kirsch_wall_stress",
    "lame_wall_movement",
    "layer_capacity",
    "layer_stiffness",
    "line_utilisation",
    "lined_movement",
    "lining_hold",
    "mohr_coulomb_critical_pressure",
    "mohr_coulomb_flexibility",
    "mohr_coulomb_plastic_radius",
    "mohr_coulomb_strength",
    "mohr_coulomb_wall_movement",
    "movement_at_strain",
    "movement_share",
    "plain_moment_capacity",
    "plain_utilisation",
    "plastic_movement_ratio",
    "pressure_for_movement",
    "reduced_modulus",
    "reinforced_line",
    "relative_stiffness",
    "ring_forces_no_slip",
    "ring_forces_slip",
    "rock_mass_modulus",
    "rock_mass_strength",
    "shear_modulus",
    "similar_profile",
    "sprayed_ring_capacity",
    "sprayed_ring_stiffness",
    "squeezing_class",
    "steel_set_capacity",
    "steel_set_stiffness",
    "supported_strain",
    "tabulated_share",
    "thirds_of_allowed",
    "time_at_distance",
    "unsupported_strain",
]
