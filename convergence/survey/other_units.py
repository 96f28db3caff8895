"""Files of readings whose coordinates lie nowhere near their prisms: most often the unit in the header is wrong."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import numpy.typing as npt

from convergence.errors import Fault
from convergence.job.reading import JobFolder
from convergence.job.reading_files import COORDINATES
from convergence.survey.alignment import Alignment
from convergence.survey.reduction import FARTHEST, FARTHEST_ASIDE, design_places
from convergence.units import METRES, split_unit

Floats = npt.NDArray[np.float64]
Ints = npt.NDArray[np.int64]
Bools = npt.NDArray[np.bool_]

#: Nearly all rows of a file, or of a section in it; fewer rows than ``FEWEST`` say nothing of a header, and fewer than
#: ``ENOUGH`` nothing where no other unit explains them (common practice, no source).
NEARLY, FEWEST, ENOUGH = 0.9, 3, 20
#: So many rows, spread over them all, tell whether another unit explains them.
LOOKED_AT = 400


def unit_faults(folder: JobFolder, alignment: Alignment | None, movement: Floats) -> list[Fault]:
    """Files of which (nearly) all rows lie far from their prisms, where that is no fault of ``prisms.csv``.

    It is one of the file where another unit in its header would put the rows at the places of their prisms, or where
    most of the same prisms are at their places in other files. Rows of one section of a file count only where another
    unit explains them.

    Parameters
    ----------
    folder : JobFolder
        The folder as read.
    alignment : Alignment or None
        None where no reading is a coordinate.
    movement : (n, 3) array
        Raw movement [mm] of all readings, from the design place of their prism where they are coordinates.

    Returns
    -------
    list of Fault
        One for each file, or section of a file, with its columns, how far off it is, and the unit that fits.
    """
    frame = folder.readings
    coordinates = frame["coordinates"].to_numpy(dtype=bool)
    if alignment is None or not coordinates.any():
        return []
    prism, file = frame["prism"].to_numpy(dtype=np.int64), frame["file"].to_numpy(dtype=np.int64)
    # by their places alone: prisms under each other's names are far from their middle too, and no fault of a file
    off = coordinates & ((np.abs(movement[:, :2]) > (1e3 * FARTHEST, 1e3 * FARTHEST_ASIDE)).any(axis=1))
    far = off | (coordinates & (np.abs(movement[:, 2]) > 1e3 * FARTHEST))
    if not far.any():
        return []
    sections = {name: at for at, name in enumerate(dict.fromkeys(item.section for item in folder.prisms))}
    section = np.array([sections[item.section] for item in folder.prisms], dtype=np.int64)[prism]
    found = []
    for number in np.unique(file[far]).tolist():
        whole = np.flatnonzero(coordinates & (file == number))
        fault = None
        if far[whole].mean() >= NEARLY:
            fault = _fault(
                folder, alignment, number, whole, far, movement, _of_file(prism, whole, off, coordinates), ""
            )
        if fault is None:
            for name, at in sections.items():
                rows = whole[section[whole] == at]
                if len(rows) >= FEWEST and far[rows].mean() >= NEARLY:
                    told = _fault(folder, alignment, number, rows, far, movement, False, name)
                    found += [told] if told is not None else []
        else:
            found.append(fault)
    return found


def _of_file(prism: Ints, rows: Ints, off: Bools, coordinates: Bools) -> bool:
    """Whether most prisms of a file are at their places in other files, and (nearly) none of its rows is."""
    if len(rows) < ENOUGH or off[rows].mean() < NEARLY:
        return False
    others = coordinates.copy()
    others[rows] = False
    good, every = (np.bincount(prism[mask], minlength=prism.max() + 1) for mask in (others & ~off, others))
    mine = np.unique(prism[rows])
    mine = mine[every[mine] > 0]
    return bool(len(mine) and (good[mine] > every[mine] / 2).mean() > 0.5)


def _fault(
    folder: JobFolder, alignment: Alignment, number: int, rows: Ints, far: Bools, movement: Floats, known: bool,
    section: str,
) -> Fault | None:  # fmt: skip
    """The fault of rows of one file; None where no unit explains them and it is not known to be the file's."""
    name = folder.files[number]
    columns = _columns(Path(folder.path) / name)
    unit, wrong = _other_unit(folder, alignment, rows, columns)
    if not unit and not known:
        return None
    wrong = wrong or COORDINATES[:2]
    axes = [axis for axis, item in ((0, "easting"), (1, "northing"), (2, "elevation")) if item in wrong]
    apart = 1e-3 * float(np.median(np.linalg.norm(movement[rows][:, axes], axis=1)))
    length = f"{apart / 1e3:.1f} km" if apart >= 1e3 else f"{apart:.0f} m"
    headers = [columns.get(item, (item, ""))[0] for item in wrong]
    whose = f" of section {section}" if section else ""
    value = f"{int(far[rows].sum())} of {len(rows)} rows{whose} lie {length} off"
    expected = f"coordinates within {FARTHEST:.0f} m of the alignment and of the places of their prisms"
    if section:
        expected += f", as those of other sections in the file; they fit if they are in {unit}"
        mend = "give those rows in the unit of the header, or in a file of their own"
    elif unit:
        expected += f"; they fit if the unit is {unit}"
        mend = f"is the unit of the header right? If not, write {', '.join(f'{item}_{unit}' for item in wrong)}"
    else:
        expected += ", as in the other files"
        mend = "is the unit of the header right, and are columns and grid those of the other files? Correct the file"
    return Fault(name, 1 if not section else None, ", ".join(headers), value, expected, mend)


def _columns(path: Path) -> dict[str, tuple[str, str]]:
    """Name and unit of the columns of coordinates in a file, by quantity."""
    with path.open(encoding="utf-8-sig", errors="replace") as stream:
        names = [item.strip().strip('"') for item in stream.readline().replace(";", ",").split(",")]
    parts = [(name, *split_unit(name)) for name in names]
    return {quantity: (name, unit) for name, quantity, unit in parts if quantity in COORDINATES and unit}


def _other_unit(
    folder: JobFolder, alignment: Alignment, rows: Ints, columns: dict[str, tuple[str, str]]
) -> tuple[str, tuple[str, ...]]:
    """The unit that would put (nearly) all rows at their places, and the quantities that have another; empty for none.

    Easting and northing are taken to have one unit, elevation the same or one of its own.
    """
    if not set(COORDINATES) <= set(columns):
        return "", ()
    some = rows[np.unique(np.linspace(0, len(rows) - 1, min(LOOKED_AT, len(rows))).astype(np.int64))]
    prism = folder.readings["prism"].to_numpy(dtype=np.int64)[some]
    chainage = np.array([item.chainage for item in folder.prisms])[prism]
    values = folder.readings[["a", "b", "c"]].to_numpy(dtype=np.float64)[some]
    place = design_places(folder, alignment)[prism]

    def fits(east: float, up: float) -> tuple[bool, bool]:
        """Whether plan and height fit with these factors."""
        delta = values * (east, east, up) - place
        along, across, down = alignment.movement(chainage, delta[:, 0], delta[:, 1], delta[:, 2])
        plan = np.hypot(along, across) <= FARTHEST
        return bool(plan.mean() >= NEARLY), bool((np.abs(down) <= FARTHEST).mean() >= NEARLY)

    plan, height = fits(1.0, 1.0)
    for unit, metres in METRES.items():
        east, up = metres / METRES[columns["easting"][1]], metres / METRES[columns["elevation"][1]]
        if not plan and east != 1.0 and fits(east, 1.0)[0]:
            other = not height and up != 1.0 and fits(east, up)[1]
            return unit, COORDINATES if other else COORDINATES[:2]
        if plan and not height and up != 1.0 and fits(1.0, up)[1]:
            return unit, COORDINATES[2:]
    return "", ()
