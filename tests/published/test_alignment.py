"""Alignment geometry against numbers printed elsewhere.

Standing of each: "published" was read in the source named, "computed" is a number of this project from the
formula.
"""

from __future__ import annotations

import math
from pathlib import Path

import numpy as np
import pytest
from scipy.special import fresnel

from convergence.errors import Fault
from convergence.job.landxml import read_landxml
from convergence.survey.alignment import Alignment, Arc, Clothoid
from convergence.survey.elements import displacement, turn
from convergence.survey.reduction import build_alignment

# Published: buildingSMART Railway Room, IFC-Rail-Unit-Test-Reference-Code, commit 4731ec5, folder
# alignment_testset/DomainExpert/HorizontalAlignment/Clothoid, files Clothoid_100.0_*_1_Meter.txt: 100 m of
# clothoid, x along the tangent of the start and y across it. Radius at the start and at the end (inf is a
# straight), distance, x, y, and the tolerance. Two points are held with all the digits printed, 13 decimals:
# half a digit is 5e-14 m and the files themselves leave the exact integral by as much as 7e-14 m, so 1e-13 m.
# The rest are held rounded to 9 significant digits or 8 decimals; their tolerance is half of the last digit
# kept.
CLOTHOIDS = [
    (math.inf, 300.0, 25.0, 24.9997287, 0.0868048828, 5.0e-8),
    (math.inf, 300.0, 50.0, 49.9913201, 0.694358333, 5.0e-8),
    (math.inf, 300.0, 75.0, 74.9341088, 2.34227903, 5.0e-8),
    (math.inf, 300.0, 100.0, 99.7225792178274, 5.5445423656288, 1.0e-13),
    (1000.0, 300.0, 100.0, 99.4068642447563, 8.85797863211989, 1.0e-13),
    (300.0, math.inf, 100.0, 99.26056467, 11.07587731, 5.0e-9),
    (300.0, 1000.0, 100.0, 98.98692564, 12.71915862, 5.0e-9),
]


@pytest.mark.parametrize("side", [1.0, -1.0], ids=["right", "left"])
@pytest.mark.parametrize(("start_radius", "end_radius", "distance", "along", "across", "tolerance"), CLOTHOIDS)
def test_clothoid_points_equal_the_reference_files(
    start_radius: float,
    end_radius: float,
    distance: float,
    along: float,
    across: float,
    tolerance: float,
    side: float,
) -> None:
    element = Clothoid(100.0, side / start_radius, side / end_radius)
    easting, northing, _ = Alignment(0.0, 0.0, 0.0, 0.0, (element,), ()).position(distance)
    assert abs(northing - along) <= tolerance
    assert abs(easting - side * across) <= tolerance


def test_clothoid_of_parameter_12_and_radius_9() -> None:
    """Published: GeoGebra material m/pPu6Kb3z, A = 12 and R = 9 give L = 16 and an angle of 50.92 degrees."""
    length = 12.0**2 / 9.0
    assert length == 16.0
    angle = math.degrees(float(turn(length, 0.0, 1.0 / (9.0 * length))))
    # Two decimals printed, cut and not rounded (exact 50.9296): the number lies in one unit above the print.
    assert 50.92 <= angle < 50.93
    forward, right = displacement(length, 0.0, 1.0 / (9.0 * length))
    # Computed (quadrature outside this library), six decimals: half of the last digit.
    assert abs(forward - 14.781212) <= 5.0e-7
    assert abs(right - 4.479820) <= 5.0e-7


@pytest.mark.parametrize(("length", "radius"), [(100.0, 300.0), (16.0, 9.0), (250.0, -420.0), (90.0, -30.0)])
def test_clothoid_from_a_straight_follows_the_fresnel_integrals(length: float, radius: float) -> None:
    """``x = A sqrt(pi) C(s / (A sqrt(pi)))``, y likewise with S, A^2 = R L: definition of the clothoid and of
    scipy's
    normalised Fresnel integrals (special-function library, independent of the quadrature used here)."""
    distance = np.linspace(0.0, length, 41)
    scale = math.sqrt(abs(radius) * length * math.pi)
    sine, cosine = fresnel(distance / scale)
    forward, right = displacement(distance, 0.0, 1.0 / (radius * length))
    # scipy documents its Fresnel integrals to a few units in the last place; 1e-12 m is 4e-15 of 250 m.
    np.testing.assert_allclose(forward, scale * cosine, rtol=0.0, atol=1.0e-12)
    np.testing.assert_allclose(right, math.copysign(scale, radius) * sine, rtol=0.0, atol=1.0e-12)


def test_elements_of_a_circular_curve() -> None:
    """Published: worked example at askfilo.com (question ending 3335313835373232), right curve, deflection
    angle 91 d 12' 01.0632", radius 15 m, begins at station 1+08.286; results printed to 0.001 m. The example
    leaves open what its course of 23 d 36' 43.0156" refers to, so the coordinates of its end are not used;
    the five elements do not depend on it. They are measured here on the points of the alignment, not computed
    from their formulas.
    """
    radius = 15.0
    deflection = math.radians(91.0 + 12.0 / 60.0 + 1.0632 / 3600.0)
    course = math.radians(23.0 + 36.0 / 60.0 + 43.0156 / 3600.0)
    axis = Alignment(108.286, 456183.609, 4834160.383, course, (Arc(radius * deflection, radius),), ())
    middle = 0.5 * (axis.start_chainage + axis.end_chainage)
    easting, northing, _ = axis.position([axis.start_chainage, middle, axis.end_chainage])
    begin, crown, end = np.column_stack((easting, northing))
    back, ahead = axis.azimuth([axis.start_chainage, axis.end_chainage])
    directions = np.array([[np.sin(back), np.sin(ahead)], [np.cos(back), np.cos(ahead)]])
    tangents = np.linalg.solve(directions, end - begin)
    intersection = begin + tangents[0] * np.array([np.sin(back), np.cos(back)])

    half = 0.5e-3
    assert abs(axis.end_chainage - axis.start_chainage - 23.876) <= half
    assert abs(np.linalg.norm(crown - 0.5 * (begin + end)) - 4.505) <= half
    assert abs(np.linalg.norm(end - begin) - 21.434) <= half
    np.testing.assert_allclose(tangents, 15.318, rtol=0.0, atol=half)
    assert abs(np.linalg.norm(intersection - crown) - 6.439) <= half
    assert abs(axis.end_chainage - 132.162) <= 2.0 * half  # start and length both rounded to 0.001
    assert abs((ahead - back) - deflection) <= 1.0e-12


@pytest.mark.parametrize(("rot", "side"), [("cw", 1.0), ("ccw", -1.0)])
@pytest.mark.parametrize(
    ("start_radius", "end_radius", "along", "across"),
    [(start, end, along, across) for start, end, at, along, across, _ in CLOTHOIDS if at == 100.0],
)
def test_a_landxml_spiral_ends_where_the_reference_files_say(
    tmp_path: Path, start_radius: float, end_radius: float, along: float, across: float, rot: str, side: float
) -> None:
    """The end points of ``CLOTHOIDS``, written as a LandXML spiral after 50 m of straight due north. The file gives
    lengths, radii and ends apart from one another, so that the axis laid on them fits all three ends only if they
    agree; 1e-8 m is the last digit of the coarsest number printed.
    """
    radii = ["INF" if math.isinf(radius) else repr(radius) for radius in (start_radius, end_radius)]
    curved = f"<Start>0 0</Start><End>{along!r} {side * across!r}</End>"
    spiral = f'<Spiral length="100" radiusStart="{radii[0]}" radiusEnd="{radii[1]}" rot="{rot}" spiType="clothoid">'
    (tmp_path / "axis.xml").write_text(
        '<LandXML version="1.2"><Units><Metric linearUnit="meter"/></Units><Alignments>'
        '<Alignment name="a" staStart="0" length="150"><CoordGeom><Line><Start>-50 0</Start><End>0 0</End></Line>'
        f"{spiral}{curved}</Spiral></CoordGeom></Alignment></Alignments></LandXML>"
    )
    faults: list[Fault] = []
    found = read_landxml(tmp_path, "axis.xml", "", "", faults, [])
    assert not faults
    assert found is not None
    axis = build_alignment(found.table)
    easting, northing, _ = axis.position([0.0, 50.0, 150.0])
    np.testing.assert_allclose(northing, [-50.0, 0.0, along], rtol=0.0, atol=1.0e-8)
    np.testing.assert_allclose(easting, [0.0, 0.0, side * across], rtol=0.0, atol=1.0e-8)
