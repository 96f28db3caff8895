"""Figures: movement against time and face distance, face advance, one section, the whole tunnel, one fit.

The functions take ``ax=None``, return what they drew, never call show and never touch global settings. They
are made without pyplot, so nothing stays open. In a notebook a Figure shows as the last value of a cell; of
an Axes, show ``ax.figure``.
"""

from __future__ import annotations

from convergence.plots.acceleration import accelerating, inverse_velocity
from convergence.plots.advance import face_advance
from convergence.plots.against_distance import movement_against_face_distance
from convergence.plots.against_time import movement_against_time
from convergence.plots.deflection import deflection_line
from convergence.plots.fit import fit_figure
from convergence.plots.forecast_history import forecast_history
from convergence.plots.heat import heat_strip
from convergence.plots.hindcast import hindcast_figure
from convergence.plots.lining import characteristic_curves, prior_and_posterior
from convergence.plots.lining_maps import lining_strain, what_if_contours
from convergence.plots.long_section import long_section_vectors
from convergence.plots.overview import outlook_map
from convergence.plots.save import save_inverse_velocities, save_outlook_map, save_section_figures
from convergence.plots.section import section_figure
from convergence.plots.vectors import section_vectors

__all__ = [
    "accelerating",
    "characteristic_curves",
    "deflection_line",
    "face_advance",
    "fit_figure",
    "forecast_history",
    "heat_strip",
    "hindcast_figure",
    "inverse_velocity",
    "lining_strain",
    "long_section_vectors",
    "movement_against_face_distance",
    "movement_against_time",
    "outlook_map",
    "prior_and_posterior",
    "save_inverse_velocities",
    "save_outlook_map",
    "save_section_figures",
    "section_figure",
    "section_vectors",
    "what_if_contours",
]
