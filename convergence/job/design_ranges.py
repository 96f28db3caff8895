"""Ranges in which the numbers of ``[ground]`` and ``[lining]`` must lie, the same for a file and for Python.

They are wide, and catch another unit more than a bold assumption. All ends are common practice, no source.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

DEGREE = math.pi / 180.0
LIKE_RADIANS = 1.6
"""Angles up to this [deg], 0 aside, look like radians: a quarter of a turn is 1.57 of them."""
MOST_SHARE = 1.6
"""Largest share of the value at 28 days; curves of slow cement come to 1.4 in the end. Above it stand per cent."""


@dataclass(frozen=True)
class Span:
    """Ends of a range, in the unit used inside, and what a value outside may be.

    Attributes
    ----------
    low, high : float
        Ends.
    unit : str
        Unit used inside; empty for a ratio.
    """

    low: float
    high: float
    unit: str = ""

    def fault(self, numbers: tuple[float, ...]) -> str:
        """What is expected where one of the numbers lies outside; empty where all lie inside."""
        # a number at an end may be off in the last digit once its unit is turned
        slack = 1e-9 * self.high
        if all(self.low - slack <= number <= self.high + slack for number in numbers):
            return ""
        return f"numbers from {self.low:g} to {self.high:g}{' ' if self.unit else ''}{self.unit}"


GROUND = {
    "vertical_stress": Span(1e-3, 200.0, "MPa"), "stress_ratio": Span(0.05, 5.0), "modulus": Span(0.1, 2e5, "MPa"),
    "poisson_ratio": Span(0.0, 0.5), "cohesion": Span(0.0, 200.0, "MPa"),
    "friction_angle": Span(0.0, 70.0 * DEGREE, "rad"), "dilation_angle": Span(0.0, 70.0 * DEGREE, "rad"),
    "intact_strength": Span(0.1, 600.0, "MPa"), "strength_index": Span(0.0, 100.0),
    "intact_constant": Span(1.0, 50.0), "disturbance": Span(0.0, 1.0), "release_at_support": Span(0.0, 1.0),
}  # fmt: skip
LINING = {
    "radius": Span(0.25, 30.0, "m"), "modulus": Span(100.0, 1e5, "MPa"), "strength": Span(0.1, 200.0, "MPa"),
    "poisson_ratio": Span(0.0, 0.49), "creep_coefficient": Span(0.0, 20.0), "closure_distance": Span(0.0, 1e3, "m"),
    "open_share": Span(0.0, 1.0), "girder_area": Span(0.0, 0.5, "m2"), "girder_spacing": Span(0.1, 10.0, "m"),
    "mesh_area": Span(0.0, 0.5, "m2/m"), "cover": Span(0.0, 1.0, "m"), "steel_yield": Span(100.0, 2e3, "MPa"),
}  # fmt: skip
LAYER = {
    "thickness": Span(0.0, 5.0, "m"), "delay": Span(0.0, 3650.0, "days"), "face_distance": Span(0.0, 1e3, "m"),
}  # fmt: skip
