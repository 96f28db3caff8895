"""Fields of a row as it stands in a file: read, put right, or marked as to be filled in.

What nobody but a person can know stands between ``<<`` and ``>>`` in the line that the log of decisions offers. A line
with the marks left in it is refused, so that it cannot be taken for a decision.
"""

from __future__ import annotations

import csv
import io
import math
from collections.abc import Mapping

from convergence.units import split_unit

#: What stands between these is to be put right.
OPEN, CLOSE = "<<", ">>"
#: The column at fault, by the reason a row was set aside for.
COLUMN_OF = {
    "no such prism": "prism",
    "no such section": "section",
    "no such stage": "stage",
    "no such chainage": "chainage",
    "no offset in time": "time",
    "unparseable time": "time",
    "unknown event": "event",
    "no event": "event",
}
#: Reasons that lie in one of the numbers, and the largest number taken for possible.
NUMBERS, LARGEST = ("unparseable number", "not finite", "impossible number"), 1e8


def to_fill_in(header: str, row: str, reason: str) -> str:
    """The row with the field at fault between marks; the whole row where the reason lies in no field of its own.

    Parameters
    ----------
    header, row : str
        The first line of the file and the row, as they stand.
    reason : str
        Why the row was set aside.

    Returns
    -------
    str
        The row with what is to be put right between ``<<`` and ``>>``.
    """
    names, values = _fields(header), _fields(row)
    if len(names) != len(values):
        return f"{OPEN}{row}{CLOSE}"
    quantities = [split_unit(name)[0] for name in names]
    if reason in NUMBERS:
        wrong = [index for index, name in enumerate(names) if split_unit(name)[1] and not _possible(values[index])]
    else:
        wrong = [index for index, name in enumerate(quantities) if name == COLUMN_OF.get(reason)]
    if not wrong:
        return f"{OPEN}{row}{CLOSE}"
    for index in wrong:
        values[index] = f"{OPEN}{values[index]}{CLOSE}"
    return _row(values)


def is_marked(row: str) -> bool:
    """Whether a row still has something to be filled in."""
    return OPEN in row and CLOSE in row[row.index(OPEN) :]


def fields_of(header: str, row: str) -> dict[str, str]:
    """Fields of a row by quantity, the unit cut off its column's name; empty where row and header do not fit."""
    names, values = _fields(header), _fields(row)
    if len(names) != len(values):
        return {}
    return {split_unit(name)[0]: value for name, value in zip(names, values, strict=True)}


def unit_of(header: str, quantity: str) -> str:
    """The unit of a quantity's column; empty without one."""
    units = (split_unit(name) for name in _fields(header))
    return next((unit for name, unit in units if name == quantity and unit), "")


def with_values(header: str, row: str, new: Mapping[str, str]) -> str:
    """The row with other values of some quantities; as it is where row and header do not fit."""
    names, values = _fields(header), _fields(row)
    if len(names) != len(values):
        return row
    return _row([new.get(split_unit(name)[0], value) for name, value in zip(names, values, strict=True)])


def _fields(row: str) -> list[str]:
    return [value.strip() for value in next(csv.reader([row]), [])]


def _row(values: list[str]) -> str:
    out = io.StringIO()
    csv.writer(out, lineterminator="").writerow(values)
    return out.getvalue()


def _possible(text: str) -> bool:
    """Whether a text is a number some quantity can have; a field may be empty where its column is not required."""
    try:
        value = float(text)
    except ValueError:
        return False
    return math.isfinite(value) and abs(value) <= LARGEST
