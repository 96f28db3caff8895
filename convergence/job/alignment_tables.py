"""``[[alignment]]``, ``[[profile]]`` and ``[[chainage_equation]]`` of the settings file, or an alignment file."""

from __future__ import annotations

import math
import os
from pathlib import Path
from typing import Literal, cast

from convergence.errors import Fault, ValueFault
from convergence.job.keys import FILE, Keys
from convergence.job.landxml import read_landxml
from convergence.job.schema import AlignmentRow, AlignmentTable, ProfileRow
from convergence.job.site_chainage import expected_of
from convergence.job.stationing import PLAIN, ChainageEquation, Stationing

#: Chainages [m] that can be.
LOWEST, HIGHEST = -1e6, 1e7


def read_alignment(
    rows: list[Keys], profile: list[Keys], equations: list[Keys], folder: Path, faults: list[Fault], remarks: list[str]
) -> tuple[AlignmentTable | None, Stationing]:
    """The alignment and the chainage equations, from the tables or from an alignment file.

    The alignment is None where there is none, or where it is at fault.
    """
    stationing = _equations(equations)
    if rows and rows[0].has("file"):
        return _from_file(rows, profile, equations, folder, faults, remarks)
    if not rows:
        for keys in profile:
            remarks.append(f"{FILE}:{keys.line('chainage_m')}: [[profile]] not used, there is no [[alignment]]")
        return None, stationing
    start = rows[0]
    chainage = start.length("start_chainage", required=True, low=LOWEST, high=HIGHEST)
    easting = start.length("start_easting", required=True, low=-1e8, high=1e8)
    northing = start.length("start_northing", required=True, low=-1e8, high=1e8)
    azimuth = start.number("start_azimuth_deg", low=-360.0, high=360.0, required=True)
    elements = tuple(_element(keys) for keys in rows)
    points = _profile(profile, stationing)
    if chainage is None or easting is None or northing is None or azimuth is None:
        return None, stationing
    table = AlignmentTable(chainage, easting, northing, math.radians(azimuth), elements, points)
    _check_equations(equations, stationing, table)
    return table, stationing


def _from_file(
    rows: list[Keys], profile: list[Keys], equations: list[Keys], folder: Path, faults: list[Fault], remarks: list[str]
) -> tuple[AlignmentTable | None, Stationing]:
    """The alignment of the file that ``[alignment]`` names."""
    keys = rows[0]
    file, name, of_profile = keys.text("file"), keys.text("name", ""), keys.text("profile", "")
    keys.close()
    before = len(faults)
    for other in (*rows[1:], *profile, *equations):
        expected = f"all of the alignment in {file}, its profile and chainage equations too"
        other.fault("", None, expected, "remove this table, or the key file and give the alignment in tables")
    if file and not is_inside(folder, file):
        expected = "a file inside the job folder, by its path from there"
        keys.fault("file", file, expected, 'copy the file into the job folder and write file = "alignment.xml"')
    if not file or len(faults) > before:
        return None, PLAIN
    found = read_landxml(folder, file, name, of_profile, faults, remarks)
    if found is None:
        return None, PLAIN
    if found.stationing and found.table.profile:
        remarks.append(f"{file}: stations of the profile are taken to count on through the chainage equations")
    return found.table, found.stationing


def is_inside(folder: Path, file: str) -> bool:
    """Whether a path leads to a place inside the folder, links followed, without a step up or a root of its own."""
    parts = file.replace("\\", "/").split("/")
    if not file.isprintable() or ".." in parts or parts[0] == "" or ":" in parts[0]:
        return False
    inside = os.path.realpath(folder)
    try:
        found = os.path.realpath(os.path.join(inside, *parts))
    except (OSError, ValueError):
        # a name the file system cannot have
        return False
    return found != inside and os.path.commonpath([inside, found]) == inside


def _equations(equations: list[Keys]) -> Stationing:
    """The chainage equations in their order up-chainage."""
    found: list[ChainageEquation] = []
    for keys in equations:
        back = keys.length("back", required=True, low=LOWEST, high=HIGHEST)
        ahead = keys.length("ahead", required=True, low=LOWEST, high=HIGHEST)
        keys.close()
        if back is None or ahead is None:
            continue
        try:
            Stationing((*found, ChainageEquation(back, ahead)))
        except ValueFault:
            expected = f"more than {found[-1].ahead:g} m, the chainage ahead of the equation before"
            keys.fault("back_m", f"{back:g} m", expected, "give the equations in the order they are met up-chainage")
            continue
        found.append(ChainageEquation(back, ahead))
    return Stationing(tuple(found)) if found else PLAIN


def _check_equations(equations: list[Keys], stationing: Stationing, table: AlignmentTable) -> None:
    """Each equation lies on the alignment."""
    if len(equations) != stationing.regions - 1:
        return
    for keys, place in zip(equations, stationing.places.tolist(), strict=True):
        if not table.start_chainage - 1e-6 <= place <= table.end_chainage + 1e-6:
            expected = f"a place on the alignment, {stationing.span(table.start_chainage, table.end_chainage)}"
            mend = "correct the equation, or lengthen the [[alignment]]"
            keys.fault("back_m", stationing.text(place), expected, mend)


def _profile(profile: list[Keys], stationing: Stationing) -> tuple[ProfileRow, ...]:
    """Points of the profile in rising chainage, their vertical curves apart."""
    points = []
    for keys in profile:
        at = keys.length("chainage", required=True)
        level = keys.length("elevation", required=True, low=-1e4, high=1e4)
        curve = keys.length("curve_length", default=0.0, low=0.0)
        if at is not None and stationing:
            at = _placed(keys, at, stationing)
        keys.close()
        if at is not None and level is not None and curve is not None:
            points.append(ProfileRow(at, level, curve))
    for point, keys in ((points[0], profile[0]), (points[-1], profile[-1])) if len(points) == len(profile) > 0 else ():
        if point.curve_length > 0:
            expected = "no vertical curve at the first and last point, where only one grade is known"
            keys.fault("curve_length_m", point.curve_length, expected, "remove the key, or add a point beyond")
    for earlier, later, keys in zip(points, points[1:], profile[1:], strict=False):
        apart = later.chainage - later.curve_length / 2 - earlier.chainage - earlier.curve_length / 2
        if apart < 0.0 or later.chainage <= earlier.chainage:
            expected = "profile points in rising chainage, their curves apart"
            mend = "sort the [[profile]] tables, or shorten curve_length_m"
            keys.fault("chainage_m", stationing.text(later.chainage), expected, mend)
    return tuple(points)


def _placed(keys: Keys, at: float, stationing: Stationing) -> float | None:
    """Continuous chainage of a profile point; None with the fault noted where it is not one place."""
    region = keys.number("chainage_region", 0.0, low=1.0, high=float(stationing.regions)) or 0.0
    if region != int(region):
        keys.fault("chainage_region", region, "a whole number", "write 1 for below the first equation, 2 above it ...")
        return None
    chainage, places = stationing.continuous(at, int(region))
    if int(places) != 1:
        expected, mend = expected_of(stationing, int(places))
        keys.fault("chainage_m", f"{at:g} m", expected, mend.replace("in a column", "with the key"))
        return None
    return float(chainage)


def _element(keys: Keys) -> AlignmentRow:
    """One element of the plan."""
    kind = keys.text("kind", choices=("straight", "arc", "clothoid"))
    length = keys.length("length", required=True, low=1e-3, high=1e6) or 1.0
    turn = 1.0
    start = end = 0.0
    if kind in ("arc", "clothoid"):
        turn = 1.0 if keys.text("turn", choices=("right", "left")) == "right" else -1.0
    if kind == "arc":
        radius = keys.length("radius", required=True, low=10.0, high=1e7)
        start = end = turn / radius if radius else 0.0
    elif kind == "clothoid":
        radii = [keys.length(f"{side}_radius", low=10.0, high=1e7) for side in ("start", "end")]
        if radii == [None, None]:
            keys.fault(
                "end_radius_m",
                None,
                "start_radius_m, end_radius_m or both",
                "add the radius of the curved end",
            )
        start, end = (turn / radius if radius else 0.0 for radius in radii)
    for key in ("start_chainage", "start_easting", "start_northing"):
        keys.length(key)
    keys.number("start_azimuth_deg")
    keys.close()
    return AlignmentRow(cast(Literal["straight", "arc", "clothoid"], kind or "straight"), length, start, end)
