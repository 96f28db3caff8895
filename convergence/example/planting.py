"""What planting a fault needs: the site it is planted in, tools to change rows, a form to tell of it."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from convergence.example.record import Reading, Record, Row, to_coordinates
from convergence.example.truth import Prism, Truth


@dataclass(frozen=True)
class Planted:
    """One planted fault, or one part of it.

    Attributes
    ----------
    id, kind : str
        Id shared by the parts of one fault, and what it is.
    rows : sequence of Row
        Rows it touched.
    lines : str
        ``rows``: each row is told by itself. ``span``: from the first to the last row in each file; rows of
        others lie between. ``gap``: rows are missing between the two rows named, or after the one.
    section, prism : str
        Where; empty where it is not one.
    day : float
        When it began [d].
    size : str
        How large.
    expected : str
        ``set aside``, ``reported`` or ``error-free``.
    note : str
        What a careful reader makes of it.
    """

    id: str
    kind: str
    rows: Sequence[Row]
    lines: str
    section: str
    prism: str
    day: float
    size: str
    expected: str
    note: str

    def places(self) -> list[tuple[str, int, int]]:
        """File, first line and last line of each part, once the rows have been written."""
        if self.lines == "rows":
            return [(row.file, row.line, row.line) for row in self.rows]
        files: dict[str, list[int]] = {}
        for row in self.rows:
            files.setdefault(row.file, []).append(row.line)
        return [(file, min(lines), max(lines)) for file, lines in files.items()]


@dataclass(frozen=True)
class Site:
    """What a fault is planted in: the truth behind the record, the record itself, and a source of chance."""

    truth: Truth
    record: Record
    generator: np.random.Generator

    def prism(self, name: str) -> Prism:
        """Prism by name."""
        return next(item for item in self.truth.prisms if item.name == name)

    def rows(self, prism: str, first: float = -np.inf, last: float = np.inf) -> list[Reading]:
        """Readings of a prism between two days [d]."""
        return [row for row in self.record.series(prism) if first <= row.day <= last]

    def section_rows(self, section: str, first: float, last: float) -> list[Reading]:
        """Readings of a section between two days [d]."""
        return [row for row in self.record.readings if row.section == section and first <= row.day <= last]


def shift(rows: Sequence[Reading], chainage: float, movement: npt.ArrayLike) -> None:
    """Add movement (longitudinal, transverse, settlement) [mm], (3,) or (rows, 3), to the coordinates."""
    moves = np.broadcast_to(np.asarray(movement, dtype=np.float64), (len(rows), 3))
    for row, step in zip(rows, to_coordinates(chainage, moves), strict=True):
        row.place = row.place + step


def size_text(movement: Sequence[float]) -> str:
    """Length of a movement [mm] and its parts, for the list of faults."""
    along, right, down = movement
    length = float(np.linalg.norm(np.asarray(movement, dtype=np.float64)))
    return f"{length:.1f} mm (longitudinal {along:+.1f}; transverse {right:+.1f}; settlement {down:+.1f})"


def insert(rows: list[Reading], row: Reading) -> None:
    """Put a reading into the list after the last one that is not later."""
    place = int(np.searchsorted([item.day for item in rows], row.day, side="right"))
    rows.insert(place, row)


def remove(site: Site, section: str, first: float, last: float, prism: str = "") -> list[Reading]:
    """Take readings out of the record; return the last row before the gap and the first after, if any."""
    own = [row for row in site.record.readings if row.section == section and prism in ("", row.prism)]
    gone = {row for row in own if first <= row.day <= last}
    site.record.readings[:] = [row for row in site.record.readings if row not in gone]
    before = [row for row in own if row.day < first][-1:]
    after = [row for row in own if row.day > last][:1]
    return [*before, *after]
