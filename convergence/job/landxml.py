"""An alignment from a LandXML file: ``[alignment] file = "..."`` in place of the tables.

Read are the units, the plan (Line, Curve, Spiral of the clothoid kind), the profile (PVI, ParaCurve) and the chainage
equations (StaEquation). Stations of the profile and ``staInternal`` count on through the equations, from ``staStart``;
coordinates are northing before easting. What the library cannot draw (other spirals, unsymmetrical or circular
vertical curves, points given by reference) is a fault, never an approximation.

References
----------
1. LandXML-1.2 schema, elements Units, Alignment, CoordGeom, StaEquation, ProfAlign. Published, from memory.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from pathlib import Path
from typing import Literal

from convergence.errors import Fault, ValueFault
from convergence.job.landxml_profile import profile_rows
from convergence.job.schema import AlignmentRow, AlignmentTable, Vertex
from convergence.job.stationing import PLAIN, ChainageEquation, Stationing
from convergence.job.text_files import read_bytes
from convergence.job.xml_numbers import XmlNumbers, length_unit
from convergence.job.xml_tree import LARGEST_XML, Node, read_tree

#: An element shorter than this [m] has no direction and is passed over, with a remark.
SHORTEST = 1e-3
#: Smallest radius [m], as in the tables.
SMALLEST_RADIUS = 10.0
#: Two statements of one chainage that differ by more than this [m] contradict each other.
APART = 0.01
#: The length a Line says and how far its ends lie apart [m]: a millimetre, for lengths are written to one.
LENGTH_APART = 1e-3
#: No coordinate or chainage [m] is larger than this.
LARGEST = 1e8

_PARTS = frozenset({"Units", "Alignments"})
_PASSED_OVER = frozenset({"CrossSects", "ProfSurf", "Superelevation", "Feature", "AlignPIs"})


@dataclass(frozen=True)
class LandXml:
    """The alignment of a file and its chainage equations."""

    table: AlignmentTable
    stationing: Stationing


def read_landxml(
    folder: Path, file: str, name: str, profile: str, faults: list[Fault], remarks: list[str]
) -> LandXml | None:
    """Read an alignment from a LandXML file in the job folder; None with the faults noted where it cannot be used.

    Parameters
    ----------
    folder : Path
        The job folder.
    file : str
        The file, relative to the folder and inside it.
    name, profile : str
        Names of the alignment and of its profile; empty where the file has one only.
    faults, remarks : list
        Receive what is wrong and what is not used.
    """
    data = read_bytes(folder / file, file, faults, LARGEST_XML)
    root = None if data is None else read_tree(data, file, _PARTS, _PASSED_OVER, faults)
    if root is None:
        return None
    before = len(faults)
    if root.name != "LandXML":
        faults.append(Fault(file, root.line, "", root.name, "LandXML as the root", "export the alignment as LandXML"))
        return None
    unit = length_unit(root, file, faults)
    chosen = _chosen(root, file, name, faults)
    if unit is None or chosen is None:
        return None
    numbers = XmlNumbers(file, unit, faults)
    start = numbers.length(chosen, "staStart", LARGEST)
    rows, vertices = _plan(chosen, numbers, remarks)
    points = profile_rows(chosen, numbers, profile, remarks)
    if start is None or not rows or len(faults) > before:
        return None
    table = AlignmentTable(start, vertices[0].easting, vertices[0].northing, 0.0, rows, points, vertices, file)
    stationing = _equations(chosen, numbers, table)
    return None if stationing is None or len(faults) > before else LandXml(table, stationing)


def _chosen(root: Node, file: str, name: str, faults: list[Fault]) -> Node | None:
    """The alignment of that name, or the only one."""
    found = [node for group in root.all("Alignments") for node in group.all("Alignment")]
    named = [node for node in found if not name or node.attributes.get("name", "").strip() == name]
    if len(named) == 1:
        return named[0]
    known = ", ".join(f"'{node.attributes.get('name', '')}'" for node in found[:12])
    if not found:
        expected, mend = "an element Alignment inside Alignments", "export the alignment with the file"
    elif not named:
        expected, mend = f"an alignment of that name; the file has {known}", "correct name in [alignment]"
    else:
        expected = f"one alignment to take; the file has {known}"
        mend = 'say which one with name = "..." in [alignment], each name once in the file'
    faults.append(Fault(file, root.line, "Alignment", name, expected, mend))
    return None


def _plan(
    alignment: Node, numbers: XmlNumbers, remarks: list[str]
) -> tuple[tuple[AlignmentRow, ...], tuple[Vertex, ...]]:
    """The elements of the plan, and where the file puts their ends."""
    geometry = list(alignment.all("CoordGeom"))
    if len(geometry) != 1 or not geometry[0].children:
        where = geometry[0] if geometry else alignment
        numbers.fault(where, "", "", "one CoordGeom with elements", "export the alignment with its geometry")
        return (), ()
    rows, vertices = [], []
    distance = 0.0
    for node in geometry[0].children:
        ends = numbers.points(node)
        row = _element(node, numbers, ends)
        if row is None or ends is None:
            continue
        if row.length < SHORTEST:
            remarks.append(f"{numbers.file}:{node.line}: {node.name} of {row.length:g} m passed over")
            continue
        rows.append(row)
        for share, place in ((0.0, "Start"), (1.0, "End")):
            vertices.append(Vertex(distance + share * row.length, *ends[place], node.line))
        distance += row.length
    return tuple(rows), tuple(vertices)


def _element(node: Node, numbers: XmlNumbers, ends: dict[str, tuple[float, float]] | None) -> AlignmentRow | None:
    if node.name not in ("Line", "Curve", "Spiral"):
        if node.name not in ("Feature", "DocFileRef"):
            numbers.fault(node, "", node.name, "Line, Curve or Spiral", "export the plan with these elements only")
        return None
    if ends is None:
        return None
    if node.name == "Line":
        apart = math.dist(ends["Start"], ends["End"])
        given = numbers.length(node, "length", LARGEST) if "length" in node.attributes else apart
        if given is not None and abs(given - apart) > LENGTH_APART:
            expected = f"{apart:.4f} m, which is how far its Start and End lie apart, within {1e3 * LENGTH_APART:g} mm"
            numbers.fault(node, "length", f"{given:.4f} m", expected, "correct the length or the ends of the element")
        return AlignmentRow("straight", apart)
    turn = {"cw": 1.0, "ccw": -1.0}.get(node.attributes.get("rot", ""))
    if turn is None:
        numbers.fault(node, "rot", node.attributes.get("rot", ""), "cw or ccw", "export the element with its turn")
        return None
    if node.name == "Curve":
        return _curve(node, numbers, ends, turn)
    return _spiral(node, numbers, turn)


def _curve(node: Node, numbers: XmlNumbers, ends: dict[str, tuple[float, float]], turn: float) -> AlignmentRow | None:
    """An arc; its radius and length from the attributes, or else from its centre."""
    centre = ends.get("Center")
    given = {name: numbers.length(node, name, LARGEST) for name in ("radius", "length") if name in node.attributes}
    if None in given.values():
        return None
    if centre is None and len(given) < 2:
        numbers.fault(node, "", "", "a Center, or radius and length", "export the curve with its centre")
        return None
    radius = given.get("radius") or (math.dist(centre, ends["Start"]) if centre else 0.0)
    if not SMALLEST_RADIUS <= radius <= LARGEST:
        expected = f"a radius of {SMALLEST_RADIUS:g} m or more"
        numbers.fault(node, "radius", f"{radius:g}", expected, "correct the radius, or the unit in Units")
        return None
    length = given.get("length")
    if length is None and centre is not None:
        angles = [math.atan2(end[0] - centre[0], end[1] - centre[1]) for end in (ends["Start"], ends["End"])]
        length = radius * (turn * (angles[1] - angles[0]) % (2.0 * math.pi))
    if length is None or length < 0.0:
        numbers.fault(node, "length", f"{length}", "a length of 0 or more", "correct the length")
        return None
    return AlignmentRow("arc", length, turn / radius, turn / radius)


def _spiral(node: Node, numbers: XmlNumbers, turn: float) -> AlignmentRow | None:
    """A clothoid between two radii, of which one may be infinite."""
    kind = node.attributes.get("spiType", "")
    if kind != "clothoid":
        numbers.fault(node, "spiType", kind, "clothoid, the only spiral this library draws", "draw it as a clothoid")
        return None
    radii = [numbers.radius(node, name) for name in ("radiusStart", "radiusEnd")]
    length = numbers.length(node, "length", LARGEST)
    if length is None or None in radii:
        return None
    for name, radius in zip(("radiusStart", "radiusEnd"), radii, strict=True):
        if radius is not None and radius < SMALLEST_RADIUS:
            expected = f"a radius of {SMALLEST_RADIUS:g} m or more, or INF"
            numbers.fault(node, name, f"{radius:g}", expected, "correct the radius, or the unit in Units")
            return None
    if length < 0.0:
        numbers.fault(node, "length", f"{length}", "a length of 0 or more", "correct the length")
        return None
    start, end = (turn / radius for radius in radii if radius is not None)
    clothoid: Literal["clothoid"] = "clothoid"
    return AlignmentRow(clothoid, length, start, end)


def _equations(alignment: Node, numbers: XmlNumbers, table: AlignmentTable) -> Stationing | None:
    """The chainage equations; ``staInternal`` says where they are."""
    found: list[tuple[float, Node]] = []
    before = len(numbers.faults)
    for node in alignment.all("StaEquation"):
        place = numbers.length(node, "staInternal", LARGEST)
        if node.attributes.get("staIncrement", "increasing") != "increasing":
            expected = "increasing; this library's chainages rise along the alignment"
            mend = "export the alignment in the direction in which chainages rise, with one direction throughout"
            numbers.fault(node, "staIncrement", node.attributes["staIncrement"], expected, mend)
        elif place is not None and not table.start_chainage <= place <= table.end_chainage:
            expected = f"a place on the alignment, {table.start_chainage:.3f} to {table.end_chainage:.3f} m"
            numbers.fault(node, "staInternal", f"{place:.3f} m", expected, "correct the equation")
        elif place is not None:
            found.append((place, node))
    shift, equations = 0.0, []
    for place, node in sorted(found, key=lambda item: item[0]):
        ahead = numbers.length(node, "staAhead", LARGEST)
        back = numbers.length(node, "staBack", LARGEST) if "staBack" in node.attributes else place - shift
        if ahead is None or back is None:
            continue
        if abs(back - (place - shift)) > APART:
            expected = f"{place - shift:.3f} m, which staStart, staInternal and the equations before it make"
            numbers.fault(node, "staBack", f"{back:.3f} m", expected, "correct the equation")
        # the first equation may stand at the very start: there the alignment's own chainage is not used
        equations.append(ChainageEquation(place - shift, ahead))
        shift = place - ahead
    if len(numbers.faults) > before:
        return None
    try:
        return Stationing(tuple(equations)) if equations else PLAIN
    except ValueFault as error:
        numbers.fault(alignment, "StaEquation", "", f"equations in order ({error})", "correct the equations")
        return None
