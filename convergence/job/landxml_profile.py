"""The profile of a LandXML alignment: points of vertical intersection and parabolas about them."""

from __future__ import annotations

from itertools import pairwise

from convergence.job.schema import ProfileRow
from convergence.job.xml_numbers import XmlNumbers, pair
from convergence.job.xml_tree import Node


def profile_rows(alignment: Node, numbers: XmlNumbers, name: str, remarks: list[str]) -> tuple[ProfileRow, ...]:
    """Points of the profile by continuous chainage; empty where the alignment has none.

    Parameters
    ----------
    alignment : Node
        The element Alignment.
    numbers : XmlNumbers
        Reads its numbers.
    name : str
        Name of the ProfAlign to take; empty where there is one.
    remarks : list of str
        Receives that there is no profile.
    """
    found = [node for group in alignment.all("Profile") for node in group.all("ProfAlign")]
    named = [node for node in found if not name or node.attributes.get("name", "").strip() == name]
    if not found and not name:
        remarks.append(f"{numbers.file}: no ProfAlign; heights are counted from elevation 0")
        return ()
    if len(named) != 1:
        known = ", ".join(f"'{node.attributes.get('name', '')}'" for node in found[:12]) or "none"
        mend = 'say which one with profile = "..." in [alignment], or export the one that is meant'
        numbers.fault(alignment, "ProfAlign", name, f"one profile to take; the alignment has {known}", mend)
        return ()
    before = len(numbers.faults)
    points = [(node, _point(node, numbers)) for node in named[0].children if node.name not in ("Feature", "DocFileRef")]
    if len(numbers.faults) > before:
        return ()
    return _checked([(node, row) for node, row in points if row is not None], numbers)


def _point(node: Node, numbers: XmlNumbers) -> ProfileRow | None:
    if node.name not in ("PVI", "ParaCurve"):
        mend = "draw the profile with parabolas centred on their points of intersection"
        numbers.fault(node, "", node.name, "PVI or ParaCurve", mend)
        return None
    values = pair(node.text, 2, 2)
    if values is None or max(map(abs, values)) * numbers.unit > 1e8:
        numbers.fault(node, "", " ".join(node.text.split()), "station and elevation", "export the point with both")
        return None
    length = numbers.length(node, "length", 1e6) if node.name == "ParaCurve" else 0.0
    if length is None or length < 0.0:
        numbers.fault(node, "length", f"{length}", "a length of 0 or more", "correct the length")
        return None
    return ProfileRow(values[0] * numbers.unit, values[1] * numbers.unit, length)


def _checked(points: list[tuple[Node, ProfileRow]], numbers: XmlNumbers) -> tuple[ProfileRow, ...]:
    """The points, in rising order, curves apart and none at the ends; faults where they are not."""
    for node, row in (points[0], points[-1]) if points else ():
        if row.curve_length > 0.0:
            expected = "a PVI as the first and the last point, where only one grade is known"
            numbers.fault(node, "length", f"{row.curve_length:g} m", expected, "export the profile with its ends")
    for (_, one), (node, two) in pairwise(points):
        apart = two.chainage - two.curve_length / 2 - one.chainage - one.curve_length / 2
        # rounding in the file may let two curves that touch overlap by the last digit
        if apart < -1e-6 or two.chainage <= one.chainage:
            expected = f"points in rising order, their curves apart (the one before is at {one.chainage:g} m)"
            numbers.fault(node, "", f"{two.chainage:g} m", expected, "correct the profile")
    return tuple(row for _, row in points)
