"""``[[alignment]]`` and ``[[profile]]`` of the settings file."""

from __future__ import annotations

import math
from typing import Literal, cast

from convergence.job.keys import FILE, Keys
from convergence.job.schema import AlignmentRow, AlignmentTable, ProfileRow


def read_alignment(rows: list[Keys], profile: list[Keys], remarks: list[str]) -> AlignmentTable | None:
    """The alignment from its tables and the profile's; None where there is none, or its start is at fault."""
    if not rows:
        for keys in profile:
            remarks.append(f"{FILE}:{keys.line('chainage_m')}: [[profile]] not used, there is no [[alignment]]")
        return None
    start = rows[0]
    chainage = start.length("start_chainage", required=True, low=-1e6, high=1e7)
    easting = start.length("start_easting", required=True, low=-1e8, high=1e8)
    northing = start.length("start_northing", required=True, low=-1e8, high=1e8)
    azimuth = start.number("start_azimuth_deg", low=-360.0, high=360.0, required=True)
    elements = tuple(_element(keys) for keys in rows)
    points = _profile(profile)
    if chainage is None or easting is None or northing is None or azimuth is None:
        return None
    return AlignmentTable(chainage, easting, northing, math.radians(azimuth), elements, points)


def _profile(profile: list[Keys]) -> tuple[ProfileRow, ...]:
    """Points of the profile in rising chainage, their vertical curves apart."""
    points = []
    for keys in profile:
        at = keys.length("chainage", required=True)
        level = keys.length("elevation", required=True, low=-1e4, high=1e4)
        curve = keys.length("curve_length", default=0.0, low=0.0)
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
            keys.fault("chainage_m", later.chainage, expected, mend)
    return tuple(points)


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
