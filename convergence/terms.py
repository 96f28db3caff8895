"""The one nomenclature table: name, symbol, unit, sign and sentence of every quantity the library hands out.

Dataset attributes, axis labels, table heads and error messages take their words from here, so that a term
means the same everywhere.
"""

from __future__ import annotations

from dataclasses import dataclass
from types import MappingProxyType


@dataclass(frozen=True)
class Term:
    """One quantity of the trade.

    Attributes
    ----------
    name : str
        The name used in columns, Datasets and messages.
    symbol : str
        Symbol for axis labels and formulas.
    unit : str
        Unit inside the library; "1" for a pure number.
    sign : str
        What a positive value means; empty where the quantity has no direction.
    sentence : str
        Definition in one sentence.
    """

    name: str
    symbol: str
    unit: str
    sign: str
    sentence: str

    @property
    def attrs(self) -> dict[str, str]:
        """Attributes for an xarray variable."""
        return {
            "long_name": self.name.replace("_", " "),
            "units": self.unit,
            "sign": self.sign,
            "definition": self.sentence,
        }

    @property
    def axis_label(self) -> str:
        """Axis label with unit and sign, as "settlement [mm], + down"."""
        unit = "" if self.unit == "1" else f" [{self.unit}]"
        sign = f", {self.sign}" if self.sign else ""
        return f"{self.name.replace('_', ' ')}{unit}{sign}"


_ROWS = (
    Term("chainage", "s", "m", "rises along the alignment", "Plan length along the tunnel axis."),
    Term("face_position", "s_f", "m", "rises along the alignment", "Chainage of one stage's face."),
    Term(
        "face_distance",
        "x",
        "m",
        "+ once the face has passed",
        "Distance along the alignment from the section to one stage's face.",
    ),
    Term("offset", "o", "m", "+ right, looking up-chainage", "Plan distance from the axis, square to it."),
    Term("height", "h", "m", "+ up", "Height above the section's reference point."),
    Term("settlement", "u_v", "mm", "+ down", "Downward movement of one prism since its zero reading."),
    Term(
        "transverse",
        "u_t",
        "mm",
        "+ right, looking up-chainage",
        "Movement of one prism square to the axis since its zero reading.",
    ),
    Term(
        "longitudinal",
        "u_l",
        "mm",
        "+ up-chainage",
        "Movement of one prism along the axis since its zero reading.",
    ),
    Term(
        "chord",
        "C",
        "mm",
        "+ shortening",
        "Convergence between two prisms, from their 3-D positions, since the later of their zero readings.",
    ),
    Term(
        "distortion",
        "d",
        "mm",
        "+ clockwise, looking up-chainage",
        "Movement of one prism against another, square to the line between them; over its length it is in mm/m.",
    ),
    Term(
        "strain",
        "eps",
        "%",
        "+ shortening",
        "A chord's convergence over its length, or a prism's movement over the tunnel width.",
    ),
    Term("rate", "v", "mm/day", "sign of its measure", "Change of the named measure per day."),
    Term(
        "lost",
        "u_0",
        "mm",
        "sign of its measure",
        "Movement before the zero reading, estimated from the law, never measured.",
    ),
    Term("measured", "u", "mm", "sign of its measure", "Movement since the zero reading, as read."),
    Term("final", "u_h", "mm", "sign of its measure", "True movement at the horizon, since the zero reading."),
)

#: Every term by its name.
TERMS: MappingProxyType[str, Term] = MappingProxyType({row.name: row for row in _ROWS})

#: The measures a prism gives by itself, in the order of the axes of a movement.
AXES = ("longitudinal", "transverse", "settlement")

#: Stands beside a level with which something is wrong; the sentence is never far.
WARNED = "(!)"

#: How results stand to decisions; printed on tables, figures, reports and in notebooks.
CAUTION = (
    "Results support and never replace the judgement of the engineer responsible. Local codes, the "
    "contract's trigger levels and licensed practice govern. Check readings on site before relying on them."
)
