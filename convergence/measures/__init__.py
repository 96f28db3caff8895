"""What each section has done: movements, chords, strain, rates, face distances, as plain series."""

from convergence.measures.chords import chord_convergence, chord_pairs
from convergence.measures.distance import face_passages
from convergence.measures.distortion import pair_distortion
from convergence.measures.inverse_velocity import (
    InverseVelocityLine,
    fukuzono_rate,
    inverse_velocity,
    inverse_velocity_line,
)
from convergence.measures.rates import RATE_WINDOW, Noise, rate
from convergence.measures.series import Series
from convergence.measures.strain import diametral_strain
from convergence.measures.tunnel import find_series, measure_section, measure_tunnel

__all__ = [
    "RATE_WINDOW",
    "InverseVelocityLine",
    "Noise",
    "Series",
    "chord_convergence",
    "chord_pairs",
    "diametral_strain",
    "face_passages",
    "find_series",
    "fukuzono_rate",
    "inverse_velocity",
    "inverse_velocity_line",
    "measure_section",
    "measure_tunnel",
    "pair_distortion",
    "rate",
]
