"""LandXML text of an alignment, for tests: written from the geometry, in any unit, with as many digits as asked for."""

from __future__ import annotations

import math
from collections.abc import Sequence

from convergence.survey.alignment import Alignment, Arc, Clothoid, Element

#: Metres in one of the units tests write in, and the element of Units that names it.
UNITS = {
    "meter": (1.0, "Metric"),
    "foot": (0.3048, "Imperial"),
    "USSurveyFoot": (1200.0 / 3937.0, "Imperial"),
    "millimeter": (1e-3, "Metric"),
}


def alignment_xml(
    axis: Alignment,
    unit: str = "meter",
    digits: int = 12,
    equations: Sequence[tuple[float, float, float | None]] = (),
    name: str = "axis",
    before: str = "",
    inside: str = "",
) -> str:
    """LandXML of an alignment.

    Parameters
    ----------
    axis : Alignment
        The alignment.
    unit : str
        Unit of length, a key of ``UNITS``.
    digits : int
        Decimals of every number in that unit.
    equations : sequence of (internal, ahead, back or None)
        Chainage equations [m].
    name : str
        Name of the alignment.
    before, inside : str
        Text put before the root, and at the end of the alignment's element.
    """
    size, system = UNITS[unit]

    def length(metres: float) -> str:
        return repr(round(metres / size, digits))

    joints = [axis.start_chainage]
    for element in axis.elements:
        joints.append(joints[-1] + element.length)
    # the last joint adds up in another order than the alignment does
    joints[-1] = axis.end_chainage
    parts = [_element(axis, *item, length) for item in zip(axis.elements, joints, joints[1:], strict=False)]
    jumps = "".join(
        f'<StaEquation staInternal="{length(place)}" staAhead="{length(ahead)}"'
        + ("" if back is None else f' staBack="{length(back)}"')
        + "/>"
        for place, ahead, back in equations
    )
    points = "".join(
        f"<PVI>{length(at.chainage)} {length(at.elevation)}</PVI>"
        if at.curve_length == 0.0
        else f'<ParaCurve length="{length(at.curve_length)}">{length(at.chainage)} {length(at.elevation)}</ParaCurve>'
        for at in axis.profile
    )
    profile = f'<Profile><ProfAlign name="design">{points}</ProfAlign></Profile>' if points else ""
    body = "\n".join(parts)
    return f"""<?xml version="1.0" encoding="UTF-8"?>
{before}<LandXML xmlns="http://www.landxml.org/schema/LandXML-1.2" version="1.2">
<Units><{system} linearUnit="{unit}" areaUnit="squareMeter"/></Units>
<Surfaces><Surface><P>1 2 3</P></Surface></Surfaces>
<Alignments><Alignment name="{name}" length="{length(axis.end_chainage - axis.start_chainage)}"
 staStart="{length(axis.start_chainage)}">
{jumps}<CoordGeom>
{body}
</CoordGeom>
{profile}{inside}
</Alignment></Alignments>
</LandXML>
"""


def _element(axis: Alignment, element: Element, start: float, end: float, length) -> str:  # type: ignore[no-untyped-def]
    def point(tag: str, easting: float, northing: float) -> str:
        return f"<{tag}>{length(northing)} {length(easting)}</{tag}>"

    easting, northing, _ = axis.position([start, end])
    first = point("Start", float(easting[0]), float(northing[0]))
    last = point("End", float(easting[1]), float(northing[1]))
    if isinstance(element, Arc):
        heading = float(axis.azimuth(start))
        centre = (
            float(easting[0]) + element.radius * math.cos(heading),
            float(northing[0]) - element.radius * math.sin(heading),
        )
        turn = "cw" if element.radius > 0 else "ccw"
        size = f'rot="{turn}" radius="{length(abs(element.radius))}"'
        return f'<Curve {size} crvType="arc">{first}{point("Center", *centre)}{last}</Curve>'
    if isinstance(element, Clothoid):
        curvatures = (element.start_curvature, element.end_curvature)
        radii = ["INF" if value == 0.0 else length(1.0 / abs(value)) for value in curvatures]
        turn = "cw" if sum(curvatures) > 0 else "ccw"
        size = f'radiusStart="{radii[0]}" radiusEnd="{radii[1]}" length="{length(element.length)}"'
        return f'<Spiral {size} rot="{turn}" spiType="clothoid">{first}{last}</Spiral>'
    return f"<Line>{first}{last}</Line>"
