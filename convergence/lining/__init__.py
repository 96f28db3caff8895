"""Lining mechanics: ground reaction, support, ageing, equilibrium along the advance, ring forces, capacity.

The mechanics are formulas on plain numbers that know of no files, labels or plots (`design` takes the job's assumptions
as plain data); `back_analysis`, `demand` and `what_if` stand on them and take a job and its projection. Results
support the judgement of the engineer responsible and never replace it.
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
from convergence.lining.back_analysis import back_analysis
from convergence.lining.back_analysis_parts import HeldOut
from convergence.lining.back_analysis_prior import Prior, design_priors
from convergence.lining.back_analysis_result import BackAnalysis
from convergence.lining.bolts import bolt_capacity, bolt_stiffness
from convergence.lining.capacity import line_utilisation, plain_moment_capacity, plain_utilisation, reinforced_line
from convergence.lining.creep import HYPOTHETICAL_MODULUS, RateOfFlow, creep_coefficient, flow_step, reduced_modulus
from convergence.lining.demand import Demand, lining_demand
from convergence.lining.demand_gauges import compare_gauges
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
    combined_support,
    embedded_girder_capacity,
    embedded_girder_stiffness,
    sprayed_ring_capacity,
    sprayed_ring_stiffness,
    steel_set_capacity,
    steel_set_stiffness,
)
from convergence.lining.what_if import what_if, what_if_map
from convergence.lining.what_if_result import WhatIf, WhatIfMap
from convergence.lining.what_if_variant import Variant

__all__ = [
    "AGE_CURVES",
    "HYPOTHETICAL_MODULUS",
    "PROFILES",
    "SQUEEZING_BOUNDS",
    "SQUEEZING_CLASSES",
    "WARNING_CONSTANTS",
    "AgeCurve",
    "BackAnalysis",
    "DelayedGround",
    "Demand",
    "ElasticGround",
    "Equilibrium",
    "GroundReaction",
    "HeldOut",
    "HoekBrownGround",
    "Lining",
    "MohrCoulombGround",
    "Prior",
    "RateOfFlow",
    "SprayedLayer",
    "SpringSupport",
    "Variant",
    "WhatIf",
    "WhatIfMap",
    "advance_equilibrium",
    "advance_steps",
    "age_curve",
    "back_analysis",
    "bolt_capacity",
    "bolt_stiffness",
    "classical_equilibrium",
    "combined_support",
    "compare_gauges",
    "creep_coefficient",
    "critical_strain",
    "design_curve",
    "design_ground",
    "design_lining",
    "design_priors",
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
    "lining_demand",
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
    "what_if",
    "what_if_map",
]
