"""One change of the design, and the things that can be changed."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from convergence.errors import ValueFault
from convergence.lining.layers import AGE_CURVES

NUMBERS = ("thickness", "later", "closure_distance", "stiffness", "round_length")
MOST_STIFFNESS = 10.0
"""Largest factor on the modulus; above it stands a modulus. Common practice, no source."""
LONGEST_ROUND = 20.0
"""Longest round [m]; common practice, no source."""


@dataclass(frozen=True)
class Variant:
    """One change of the design; None leaves a thing as it is.

    Attributes
    ----------
    name : str
        As tables show it.
    thickness : float or None
        Thickness of all layers together [m]; layers keep their shares, and what is not known of it its proportion.
    later : float or None
        Days by which all layers come later; negative for sooner, refused before the face.
    closure_distance : float or None
        How far the leading face is past when the ring is closed [m].
    age_curve : str
        Name of another curve of stiffness and strength, one of `AGE_CURVES`; empty for none.
    stiffness : float or None
        Factor on the modulus of the sprayed concrete [-].
    round_length : float or None
        Rounds of the leading stage [m] in place of the usual one as built, at the same mean speed and with the section
        at the same place within its round; see `convergence.lining.rounds.path_in_rounds`.
    """

    name: str
    thickness: float | None = None
    later: float | None = None
    closure_distance: float | None = None
    age_curve: str = ""
    stiffness: float | None = None
    round_length: float | None = None

    def __post_init__(self) -> None:
        if not isinstance(self.name, str) or not self.name:
            raise ValueFault(f"what-if: name = {self.name!r}; expected text. To mend: name the variant for the tables.")
        for name in NUMBERS:
            value = getattr(self, name)
            if value is not None and (isinstance(value, bool) or not isinstance(value, int | float | np.number)):
                raise ValueFault(
                    f"what-if {self.name!r}: {name} = {value!r}; expected a number. To mend: give it without quotes."
                )
        positive = {"thickness": self.thickness, "stiffness": self.stiffness, "round_length": self.round_length}
        for name, value in positive.items():
            if value is not None and not (np.isfinite(value) and value > 0.0):
                raise ValueFault(f"what-if {self.name!r}: {name} = {value}; expected above 0. To mend: correct it.")
        if self.stiffness is not None and self.stiffness > MOST_STIFFNESS:
            raise ValueFault(
                f"what-if {self.name!r}: stiffness = {self.stiffness:g}; expected a factor on the modulus, not above "
                f"{MOST_STIFFNESS:g}. To mend: give the new modulus over that of the design, and not the modulus."
            )
        if self.round_length is not None and self.round_length > LONGEST_ROUND:
            raise ValueFault(
                f"what-if {self.name!r}: round_length = {self.round_length:g} m; expected not above {LONGEST_ROUND:g} "
                "m. To mend: correct it, or its unit."
            )
        if self.later is not None and not np.isfinite(self.later):
            raise ValueFault(f"what-if {self.name!r}: later = {self.later}; expected a number. To mend: correct it.")
        distance = self.closure_distance
        if distance is not None and not (np.isfinite(distance) and distance >= 0.0):
            raise ValueFault(
                f"what-if {self.name!r}: closure_distance = {distance}; expected 0 or more, the ring closes behind the "
                "face. To mend: correct it."
            )
        if not isinstance(self.age_curve, str) or (self.age_curve and self.age_curve not in AGE_CURVES):
            raise ValueFault(
                f"what-if {self.name!r}: age_curve = {self.age_curve!r}; expected one of {', '.join(AGE_CURVES)}. To "
                "mend: name one of them."
            )


AS_DESIGNED = Variant("as designed")
#: Things that a map can vary, with their units and words.
AXES = {
    "thickness": ("m", "thickness of the lining"), "later": ("days", "layers later by"),
    "closure_distance": ("m", "ring closed, face past by"), "stiffness": ("1", "stiffness of the concrete, factor"),
    "round_length": ("m", "round length"),
}  # fmt: skip
