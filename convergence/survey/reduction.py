"""From raw readings to movements along the tunnel's axes, prism by prism, against the design position.

Coordinates are turned at each prism's own chainage: longitudinal along the plan tangent, transverse square to
it, settlement down. Movements along the axes are taken as they are. The result is the "raw movement" [mm]
from the design position; only its differences mean anything, and nothing here decides what the zero is.
"""

from __future__ import annotations

import math
from itertools import pairwise

import numpy as np
import numpy.typing as npt

from convergence.job.reading import JobFolder
from convergence.job.schema import AlignmentRow, AlignmentTable
from convergence.survey.alignment import Alignment, Arc, Clothoid, ProfilePoint, Straight
from convergence.survey.laying import laid_on

Floats = npt.NDArray[np.float64]

#: A reading this far [m] from the middle of all readings of its prism, or along the tunnel from the prism's
#: chainage, is not of that prism; nor is one this far aside (an offset may count from the axis of another
#: tube).
FARTHEST, FARTHEST_ASIDE = 5.0, 50.0


def build_alignment(table: AlignmentTable) -> Alignment:
    """The alignment geometry from its rows, laid on the coordinates of an alignment file where there is one."""
    profile = tuple(ProfilePoint(row.chainage, row.elevation, row.curve_length) for row in table.profile)
    elements = tuple(_element(row) for row in table.rows)
    if table.vertices:
        distance, easting, northing = np.array([(at.distance, at.easting, at.northing) for at in table.vertices]).T
        names = tuple(f"{table.source}:{at.line}" for at in table.vertices)
        return laid_on(table.start_chainage, elements, profile, distance, easting, northing, names)
    return Alignment(
        start_chainage=table.start_chainage,
        start_easting=table.start_easting,
        start_northing=table.start_northing,
        start_azimuth=table.start_azimuth,
        elements=elements,
        profile=profile,
    )


def _element(row: AlignmentRow) -> Straight | Arc | Clothoid:
    if row.kind == "straight":
        return Straight(row.length)
    if row.kind == "arc":
        return Arc(row.length, 1.0 / row.start_curvature if row.start_curvature else math.inf)
    return Clothoid(row.length, row.start_curvature, row.end_curvature)


def reduce_readings(folder: JobFolder, alignment: Alignment | None) -> tuple[Floats, npt.NDArray[np.bool_]]:
    """Raw movements of all readings.

    Parameters
    ----------
    folder : JobFolder
        The folder as read.
    alignment : Alignment or None
        Needed where readings are coordinates; the reader has made sure of that.

    Returns
    -------
    movement : (n, 3) array
        Longitudinal, transverse, settlement [mm] from the prism's design position.
    off : (n,) array of bool
        True where the reading is more than ``FARTHEST`` metres from the middle of its prism's readings, or
        where coordinates lie that far along the tunnel, or ``FARTHEST_ASIDE`` aside, from the prism's design
        position.
    """
    frame = folder.readings
    movement = np.empty((len(frame), 3))
    for axis, name in enumerate(("a", "b", "c")):
        movement[:, axis] = frame[name].to_numpy(dtype=np.float64)
    if alignment is not None:
        prism, coordinates = frame["prism"].to_numpy(), frame["coordinates"].to_numpy(dtype=bool)
        chainage, design = np.array([item.chainage for item in folder.prisms]), design_places(folder, alignment)
        # prism by prism, so that no more than one has its numbers twice
        edges = np.flatnonzero(np.diff(prism, prepend=-1, append=-1))
        for low, high in pairwise(edges.tolist()):
            index, rows = prism[low], slice(low, high)
            if not coordinates[rows].any():
                continue
            delta = movement[rows] - design[index]
            turned = alignment.movement(chainage[index : index + 1], delta[:, 0], delta[:, 1], delta[:, 2])
            if coordinates[rows].all():
                movement[rows] = 1e3 * np.column_stack(turned)
            else:
                mixed = coordinates[rows]
                movement[rows][mixed] = 1e3 * np.column_stack(turned)[mixed]
    return movement, far_readings(folder, movement, np.ones(len(frame), dtype=bool))


def design_places(folder: JobFolder, alignment: Alignment) -> Floats:
    """Easting, northing and elevation [m] of all prisms by ``prisms.csv`` and the alignment, (number of prisms, 3)."""
    place = np.array([(item.chainage, item.offset, item.height) for item in folder.prisms])
    return np.column_stack(alignment.point(*place.T))


def far_readings(folder: JobFolder, movement: Floats, use: npt.NDArray[np.bool_]) -> npt.NDArray[np.bool_]:
    """Readings far from the place of their prism, or from the middle of those near it; see ``reduce_readings``.

    The place comes first: where most readings of a prism are of a wrong file, their middle is not the prism's.

    Parameters
    ----------
    folder : JobFolder
        The folder as read.
    movement : (n, 3) array
        Raw movement [mm] of all readings.
    use : (n,) array of bool
        Readings the middle is taken of.

    Returns
    -------
    (n,) array of bool
        True for readings that are not of their prism.
    """
    frame = folder.readings
    prism = frame["prism"].to_numpy()
    coordinates = frame["coordinates"].to_numpy(dtype=bool)
    off = coordinates & (np.abs(movement[:, 0]) > 1e3 * FARTHEST)
    off |= coordinates & (np.abs(movement[:, 1]) > 1e3 * FARTHEST_ASIDE)
    near = use & ~off
    edges = np.flatnonzero(np.diff(prism, prepend=-1, append=-1))
    for low, high in pairwise(edges.tolist()):
        mine = near[low:high]
        if mine.any():
            middle = np.median(movement[low:high][mine], axis=0)
            off[low:high] |= np.linalg.norm(movement[low:high] - middle, axis=1) > 1e3 * FARTHEST
    return off
