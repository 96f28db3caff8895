"""Laws of movement: how a section moves as the face goes away and time passes.

Formulas on plain numbers only; nothing here knows of files, labels or plots.
"""

from __future__ import annotations

from convergence.laws.arrays import FloatArray
from convergence.laws.coupled import coupled, coupled_exponential
from convergence.laws.definition import Law, Parameter, Source
from convergence.laws.face import exponential_face, power_face
from convergence.laws.face_modes import exponential_modes, mode_lengths, mode_weights
from convergence.laws.hereditary import (
    DEFAULT_FACE_SHARE,
    DEFAULT_RETARDATION_TIMES,
    default_retardation_times,
    hereditary,
    hereditary_bases,
    hereditary_basis,
    hereditary_modes,
    hereditary_rate,
)
from convergence.laws.memory import creep_memory
from convergence.laws.path import FacePath
from convergence.laws.profiles import (
    chern_1998,
    corbetta_1991,
    panet_1995,
    two_sided_profile,
    two_sided_slope,
    unlu_gercek_2003,
    vlachopoulos_diederichs_2009,
)
from convergence.laws.registry import PROFILES, REGISTRY, Profile, hereditary_law, law, laws
from convergence.laws.time import (
    exponential_time,
    hyperbolic_time,
    logarithm_reciprocal_time,
    logarithmic_time,
    power_time,
    reciprocal_exponential_time,
)

__all__ = [
    "DEFAULT_FACE_SHARE",
    "DEFAULT_RETARDATION_TIMES",
    "PROFILES",
    "REGISTRY",
    "FacePath",
    "FloatArray",
    "Law",
    "Parameter",
    "Profile",
    "Source",
    "chern_1998",
    "corbetta_1991",
    "coupled",
    "coupled_exponential",
    "creep_memory",
    "default_retardation_times",
    "exponential_face",
    "exponential_modes",
    "exponential_time",
    "hereditary",
    "hereditary_bases",
    "hereditary_basis",
    "hereditary_law",
    "hereditary_modes",
    "hereditary_rate",
    "hyperbolic_time",
    "law",
    "laws",
    "logarithm_reciprocal_time",
    "logarithmic_time",
    "mode_lengths",
    "mode_weights",
    "panet_1995",
    "power_face",
    "power_time",
    "reciprocal_exponential_time",
    "two_sided_profile",
    "two_sided_slope",
    "unlu_gercek_2003",
    "vlachopoulos_diederichs_2009",
]
