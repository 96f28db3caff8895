"""Numbers of LandXML elements in metres, with faults that name file, line and attribute."""

from __future__ import annotations

import math
from dataclasses import dataclass

from convergence.errors import Fault
from convergence.job.xml_tree import Node
from convergence.units import METRES

#: Metres in one of each unit of length that a file may name.
UNITS = {
    "millimeter": METRES["mm"],
    "centimeter": 1e-2,
    "meter": 1.0,
    "kilometer": 1e3,
    "foot": METRES["ft"],
    "USSurveyFoot": METRES["ftUS"],
    "inch": METRES["in"],
    "mile": 5280.0 * METRES["ft"],
}
#: No number in a file is larger than this.
LARGEST = 1e12


def length_unit(root: Node, file: str, faults: list[Fault]) -> float | None:
    """Metres in one unit of the file."""
    units = [node for group in root.all("Units") for node in group.all("Metric", "Imperial")]
    if len(units) != 1:
        expected = "one element Metric or Imperial inside Units"
        faults.append(Fault(file, root.line, "Units", "", expected, "export the file with its units"))
        return None
    name = units[0].attributes.get("linearUnit", "")
    if name not in UNITS:
        expected = f"a unit of length, one of {', '.join(UNITS)}"
        faults.append(Fault(file, units[0].line, "linearUnit", name, expected, "correct the unit"))
        return None
    return UNITS[name]


@dataclass
class XmlNumbers:
    """Reads numbers of one file.

    Attributes
    ----------
    file : str
        Its name for messages.
    unit : float
        Metres in one of its units.
    faults : list of Fault
        Receives what is wrong.
    """

    file: str
    unit: float
    faults: list[Fault]

    def fault(self, node: Node, attribute: str, value: str, expected: str, mend: str) -> None:
        """Note a fault of one element."""
        column = f"{node.name}.{attribute}" if attribute else node.name
        self.faults.append(Fault(self.file, node.line, column, value, expected, mend))

    def length(self, node: Node, attribute: str, most: float) -> float | None:
        """A length or chainage of an attribute [m]; None with the fault noted."""
        text = node.attributes.get(attribute, "")
        value = _number(text)
        if value is None or abs(value * self.unit) > most:
            expected = f"a finite number of at most {most:g} m"
            self.fault(node, attribute, text, expected, f"export {node.name} with its {attribute}")
            return None
        return value * self.unit

    def radius(self, node: Node, attribute: str) -> float | None:
        """A radius [m], infinite for a straight end; None with the fault noted."""
        if node.attributes.get(attribute, "").strip().lower() in ("inf", "infinity", "+inf"):
            return math.inf
        return self.length(node, attribute, LARGEST)

    def points(self, node: Node) -> dict[str, tuple[float, float]] | None:
        """Easting and northing [m] of Start, End and Center; None with the fault noted where the first two lack."""
        found = {}
        if node.name not in ("Line", "Curve", "Spiral"):
            return None
        for name in ("Start", "End", "Center"):
            inner = node.first(name)
            if inner is None and name == "Center":
                continue
            values = pair(inner.text if inner is not None else "", 2, 3)
            if values is None or max(map(abs, values[:2])) * self.unit > 1e8:
                shown = "" if inner is None else " ".join(inner.text.split())
                mend = "export the points with their coordinates, not by reference (pntRef)"
                self.fault(inner or node, "" if inner else name, shown, "northing and easting", mend)
                return None
            found[name] = (values[1] * self.unit, values[0] * self.unit)
        return found


def pair(text: str, least: int, most: int) -> tuple[float, ...] | None:
    """The finite numbers of a text, between blanks; None unless there are as many as asked for."""
    # a text that long is no handful of numbers
    parts = text.split() if len(text) < 1000 else []
    values = tuple(_number(part) for part in parts)
    if not least <= len(values) <= most or None in values:
        return None
    return tuple(value for value in values if value is not None)


def _number(text: str) -> float | None:
    """A finite number as XML Schema writes a double; None for anything else."""
    # Python would take 1_000 and the digits of other scripts as well
    if not text.isascii() or "_" in text:
        return None
    try:
        value = float(text)
    except ValueError:
        return None
    return value if math.isfinite(value) else None
