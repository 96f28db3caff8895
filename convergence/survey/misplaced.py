"""Prisms read elsewhere than ``prisms.csv`` has them: a place mistyped, names exchanged, feet of two kinds."""

from __future__ import annotations

from itertools import combinations

import numpy as np
import numpy.typing as npt

from convergence.job.corrections import correction_line
from convergence.job.findings import Finding, event_line, finding
from convergence.job.prism_table import FILE
from convergence.job.reading import JobFolder
from convergence.job.row_fields import fields_of, unit_of, with_values
from convergence.survey.alignment import Alignment
from convergence.units import METRES

Floats = npt.NDArray[np.float64]

#: Readings that lie this far [m] along the tunnel, aside or above from where prisms.csv has the prism are told.
ALONG, ASIDE, ABOVE = 2.0, 1.0, 1.0
#: A prism is where it is read first: the middle of so many readings.
FIRST = 5
#: Two prisms stand in each other's place where they miss it by less than this share of their distance [m].
MISS, APART = 0.25, 1.0
#: The survey foot is longer than the international one by this share: 1200/3937 m against 0.3048 m.
FEET_APART = METRES["ftUS"] / METRES["ft"] - 1.0
#: Of a misfit that the feet explain less than this share is left; and it is at least so large [m].
FEET_MISS, FEET_LEAST, FEWEST = 0.25, 0.05, 3


def misplaced(folder: JobFolder, movement: Floats, begin: np.datetime64, alignment: Alignment | None) -> list[Finding]:
    """Prisms that are not read where ``prisms.csv`` has them.

    Parameters
    ----------
    folder : JobFolder
        The folder, its readings sorted by prism and instant.
    movement : (n, 3) array
        Raw movement [mm] of all readings: from the design place of their prism where they are coordinates.
    begin : datetime64
        The beginning of the job: the instant of the lines that correct rows.
    alignment : Alignment or None
        None where no reading is a coordinate.

    Returns
    -------
    list of Finding
        Feet of two kinds mixed, which explains all prisms at once; else pairs of prisms that stand in each other's
        place throughout, and prisms with another chainage, offset or height.
    """
    if alignment is None:
        return []
    away = _away(folder, movement, alignment)
    feet = _feet(folder, away, alignment)
    if feet is not None:
        return [feet]
    found, told = [], set()
    for one, two in combinations(away, 2):
        if folder.prisms[one].section == folder.prisms[two].section and _exchanged(folder, away, one, two):
            found.append(_pair(folder, one, two, begin))
            told |= {one, two}
    for index, place in away.items():
        if index not in told and (np.abs(place) > (ALONG, ASIDE, ABOVE)).any():
            found.append(_elsewhere(folder, index, place, begin))
    return found


def _away(folder: JobFolder, movement: Floats, alignment: Alignment) -> dict[int, Floats]:
    """How far [m] each prism read in coordinates was first read from its place: along, to the right and above."""
    who = folder.readings["prism"].to_numpy(dtype=np.int64)
    coordinates = folder.readings["coordinates"].to_numpy(dtype=bool)
    edges = np.searchsorted(who, np.arange(len(folder.prisms) + 1))
    found = {}
    for index in range(len(folder.prisms)):
        rows = slice(edges[index], edges[index + 1])
        if len(who[rows]) and coordinates[rows].all():
            first, later = np.median(movement[rows][:FIRST], axis=0), np.median(movement[rows], axis=0)
            # one that is read all over the place is not read anywhere
            if np.abs(later - first).max() < 1e3 * ASIDE / 2.0:
                found[index] = first
    if not found:
        return {}
    prisms = [folder.prisms[index] for index in found]
    design = np.array([(prism.chainage, prism.offset, prism.height) for prism in prisms])
    # on a curve a place far along is located, for the axes at the place it should have point elsewhere
    first = np.array(list(found.values())) * (1e-3, 1e-3, -1e-3)
    azimuth, (east, north, up) = alignment.azimuth(design[:, 0]), alignment.point(*design.T)
    east = east + first[:, 0] * np.sin(azimuth) + first[:, 1] * np.cos(azimuth)
    north = north + first[:, 0] * np.cos(azimuth) - first[:, 1] * np.sin(azimuth)
    located = np.column_stack(alignment.locate(east, north, up + first[:, 2])) - design
    return dict(zip(found, np.where(np.isfinite(located), located, first), strict=True))


def _elsewhere(folder: JobFolder, index: int, away: Floats, begin: np.datetime64) -> Finding:
    """One prism with the row of prisms.csv as its readings have it."""
    prism, stationing = folder.prisms[index], folder.settings.stationing
    header, text = folder.texts.get((FILE, 1), ""), folder.texts.get((FILE, prism.line), "")
    read = np.array([prism.chainage, prism.offset, prism.height]) + away
    site, region = (float(value) for value in stationing.site(read[0]))
    wrong = [
        (name, value, shown)
        for name, value, shown, off, limit in (
            ("chainage", site, stationing.text(read[0]), away[0], ALONG),
            ("offset", read[1], f"{read[1]:.2f} m", away[1], ASIDE),
            ("height", read[2], f"{read[2]:.2f} m", away[2], ABOVE),
        )
        if abs(off) > limit
    ]
    new = {name: f"{value / METRES.get(unit_of(header, name), 1.0):.2f}" for name, value, _ in wrong}
    if "chainage" in new and "chainage_region" in fields_of(header, text):
        new["chainage_region"] = f"{region:.0f}"
    size = float(np.linalg.norm(away))
    place = " and ".join(f"{name} {shown}" for name, _, shown in wrong)
    line = correction_line(begin, FILE, text, with_values(header, text, new))
    sentence = (
        f"{prism.name} of {prism.section}: read at {place}, {size:.1f} m from where {FILE} has it (line {prism.line}); "
        f"correct it there, or the name in the readings. This line of events.csv puts it where it is read: {line}"
    )
    kind = "chainage of prism" if "chainage" in new else "place of prism"
    return finding(kind, sentence, section=prism.section, prism=prism.name, size=1e3 * size, line=line)


def _exchanged(folder: JobFolder, away: dict[int, Floats], one: int, two: int) -> bool:
    """Whether each of two prisms is read where the other should stand."""
    places = [
        np.array([folder.prisms[index].chainage, folder.prisms[index].offset, folder.prisms[index].height])
        for index in (one, two)
    ]
    apart = float(np.linalg.norm(places[1] - places[0]))
    missed = [np.linalg.norm(places[0] + away[one] - places[1]), np.linalg.norm(places[1] + away[two] - places[0])]
    return bool(apart > APART and max(missed) < MISS * apart)


def _pair(folder: JobFolder, one: int, two: int, begin: np.datetime64) -> Finding:
    names = folder.prisms[one].name, folder.prisms[two].name
    section, pair = folder.prisms[one].section, f"{folder.prisms[one].name}:{folder.prisms[two].name}"
    first, second = folder.prisms[one], folder.prisms[two]
    apart = float(np.hypot(first.offset - second.offset, first.height - second.height))
    line = event_line(begin, section, pair, "prisms swapped")
    sentence = (
        f"{names[0]} and {names[1]} of {section}: each is read at the other's place throughout, {apart:.1f} m apart; "
        f"their names are exchanged in the readings or in {FILE}. This line of events.csv exchanges them: {line}"
    )
    return finding("swapped throughout", sentence, section=section, prism=pair, size=1e3 * apart, line=line)


def _feet(folder: JobFolder, away: dict[int, Floats], alignment: Alignment) -> Finding | None:
    """The misfit that all prisms share, where two kinds of feet would make just that of their coordinates."""
    if len(away) < FEWEST:
        return None
    prisms = [folder.prisms[index] for index in away]
    chainage = np.array([prism.chainage for prism in prisms])
    east, north, _ = alignment.point(chainage, [prism.offset for prism in prisms], [prism.height for prism in prisms])
    along, right = np.array([place[:2] for place in away.values()]).T
    read = alignment.point(chainage + along, right + [prism.offset for prism in prisms], 0.0)
    misfit = np.column_stack([read[0] - east, read[1] - north])
    if not np.isfinite(misfit).all():
        return None
    expected = FEET_APART * np.column_stack([east, north])
    size = float(np.median(np.linalg.norm(expected, axis=1)))
    # the other foot makes the coordinates longer, or shorter
    sign = 1.0 if float((misfit * expected).sum()) > 0.0 else -1.0
    left = np.linalg.norm(misfit - sign * expected, axis=1)
    if not np.isfinite(size) or size < FEET_LEAST or float(np.quantile(left, 0.9)) > FEET_MISS * size:
        return None
    shared = float(np.median(np.linalg.norm(misfit, axis=1)))
    sentence = (
        f"all {len(prisms)} prisms are read {shared:.2f} m from where the alignment and {FILE} have them, all alike, "
        f"which is 2 parts in a million of their coordinates ({size:.2f} m): international against survey feet? Check "
        "_ft and _ftUS in the columns of the readings and in the [[alignment]]"
    )
    return finding("feet of two kinds", sentence, size=1e3 * shared)
