"""Reading one CSV table into text columns with line numbers; every fault of the file's form is found here.

The values stay text: what a column means is the business of the module that asked for it. Files are UTF-8,
comma separated, with one header line.
"""

from __future__ import annotations

import csv
import difflib
import io
from collections.abc import Callable, Sequence
from dataclasses import dataclass, field
from pathlib import Path

import numpy as np
import numpy.typing as npt
import pandas as pd

from convergence.errors import Fault, clipped
from convergence.job.account import Account
from convergence.job.rows import Floats, Text, rows_at_once, rows_of
from convergence.job.text_files import DAMAGED, MOST_LINES, decoded, mended, read_bytes
from convergence.units import LENGTH_SUFFIXES, METRES, split_unit

#: A table with more columns than this is none of a job, and would take memory for each of them.
MOST_COLUMNS = 200
#: Tables of names: a damaged field would be another name there and no fault, so they are refused as a whole.
NAMING = ("prisms.csv", "events.csv")

Bools = npt.NDArray[np.bool_]
Change = Callable[[str], tuple[str, list[int]]]


@dataclass
class Table:
    """One file's rows as text.

    Attributes
    ----------
    file : str
        Name relative to the job folder.
    columns : dict of str to array of str
        Text by column name, stripped of surrounding blanks.
    line : array of int
        Line of each row in the file, from 1 with the header.
    units : dict of str to str
        Unit of length by quantity, for the quantities asked for with a unit.
    values : dict of str to array of float
        Columns read as numbers at once, every one of them finite; their text is read when somebody asks for it.
    again : callable
        Reads the text of these columns.
    """

    file: str
    columns: dict[str, Text]
    line: npt.NDArray[np.int64]
    units: dict[str, str]
    values: dict[str, Floats] = field(default_factory=dict)
    again: Callable[[], dict[str, Text]] = dict

    def __len__(self) -> int:
        return len(self.line)

    def text(self, name: str) -> Text:
        """A column's text; empty strings if the column is not there."""
        found = self.columns.get(name)
        return np.full(len(self), "", dtype=object) if found is None else found

    def measured_text(self, quantity: str) -> tuple[str, Text]:
        """The column that carries a quantity with its unit, and its text."""
        name = f"{quantity}_{self.units[quantity]}"
        if name not in self.columns:
            self.columns.update(self.again())
        return name, self.columns[name]

    def measured(self, quantity: str) -> tuple[str, Floats, npt.NDArray[np.bool_]]:
        """The column of a quantity with its unit, its numbers, and where the text is one, as ``numbers`` tells."""
        name = f"{quantity}_{self.units[quantity]}"
        if name in self.values:
            return name, self.values[name], np.ones(len(self), dtype=bool)
        return name, *numbers(self.columns[name])


def read_table(
    path: Path,
    file: str,
    plain: Sequence[str],
    lengths: Sequence[str],
    optional: Sequence[str],
    optional_lengths: Sequence[str],
    faults: list[Fault],
    account: Account,
    remarks: list[str],
    change: Change | None = None,
    numeric: Sequence[str] = (),
) -> Table | None:
    """Read a CSV file.

    Parameters
    ----------
    path : Path
        The file.
    file : str
        Its name for messages.
    plain, lengths : sequence of str
        Columns required: as they are, and quantities whose column carries a unit of length.
    optional, optional_lengths : sequence of str
        The same, not required.
    faults, account, remarks : list, Account, list
        Receive what is wrong with the file, the rows read and set aside, and columns that are not used.
    change : callable, optional
        Gives the text as a person has corrected it, and the lines left out, which are blank in it.
    numeric : sequence of str
        Quantities read as numbers at once, where every row of the file has all of them.

    Returns
    -------
    Table or None
        None where the file's form makes it unusable; then ``faults`` says why.
    """
    rows = file not in NAMING
    data = read_bytes(path, file, faults, rows=rows)
    if data is None:
        return None
    data, damaged = mended(data) if rows else (data, [])
    if damaged:
        many = f"in {len(damaged)} lines, the first line {damaged[0]}" if len(damaged) > 1 else f"in line {damaged[0]}"
        remarks.append(f"{file}: NUL bytes {many}, where it was damaged; each run is read as {DAMAGED}")
    body = _text(data, file, faults)
    if body is None:
        return None
    body, left_out = (body, []) if change is None else change(body)
    names = _names(body)
    units = _check_header(names, file, plain, lengths, optional, optional_lengths, faults, remarks)
    if units is None:
        return None
    measured = [index for index, name in enumerate(names) if split_unit(name)[0] in numeric and split_unit(name)[1]]
    quick = rows_at_once(body, len(names), measured) if measured else None
    if quick is not None:
        texts, values, line = quick
        account.add_file(file, len(line))
        return Table(
            file, {names[index]: text for index, text in texts.items()}, line, units,
            {names[index]: found for index, found in values.items()},
            lambda: {names[index]: rows_of(body, len(names))[0][index] for index in measured},
        )  # fmt: skip
    columns, line, broken = rows_of(body, len(names))
    account.add_file(file, len(line) + sum(map(len, broken.values())) + len(left_out))
    account.set_aside(file, np.array(left_out, dtype=np.int64), "set aside by an event", "row corrected")
    for reason, lines in broken.items():
        account.set_aside(file, lines, reason, f"the header has {len(names)} fields")
    if not len(line) and any(broken.values()):
        reason, first = min(((reason, lines[0]) for reason, lines in broken.items() if lines), key=lambda at: at[1])
        faults.append(
            Fault(
                file,
                first,
                "",
                reason,
                f"rows with as many fields as the header, {len(names)} (no row of the file has)",
                "export the file again with commas between the columns and points in decimals",
            )
        )
        return None
    return Table(file, dict(zip(names, columns, strict=True)), line, units)


def _text(data: bytes, file: str, faults: list[Fault]) -> str | None:
    """The file as text, if its columns are separated by commas."""
    ends = data.count(b"\n") + data.count(b"\r") - data.count(b"\r\n")
    if ends > MOST_LINES:
        mend = "split it by month in the folder readings, or remove empty lines"
        faults.append(Fault(file, None, "", f"{ends} lines", f"a table of at most {MOST_LINES} lines", mend))
        return None
    body = decoded(data, file, faults)
    if body is None:
        return None
    header = next(iter(io.StringIO(body, newline=None)))
    if "," not in header and any(mark in header for mark in ";\t|"):
        mend = "save the file with commas between the columns and points in decimals"
        faults.append(Fault(file, 1, "", header.strip(), "columns separated by commas", mend))
        return None
    return body


def _names(body: str) -> list[str]:
    """The column names: the fields of the first line."""
    header = next(iter(io.StringIO(body, newline=None))).rstrip("\n")
    return [name.strip() for name in next(csv.reader([header]), [])]


def _check_header(
    names: list[str],
    file: str,
    plain: Sequence[str],
    lengths: Sequence[str],
    optional: Sequence[str],
    optional_lengths: Sequence[str],
    faults: list[Fault],
    remarks: list[str],
) -> dict[str, str] | None:
    """Units by quantity, or None where a column is missing, doubled or without its unit."""
    before = len(faults)
    if len(names) > MOST_COLUMNS:
        expected = f"at most {MOST_COLUMNS} columns"
        faults.append(Fault(file, 1, "", f"{len(names)} columns", expected, "export the columns of the table only"))
        return None
    for name in sorted({name for name in names if names.count(name) > 1}):
        faults.append(Fault(file, 1, name, name, "each column once", "remove or rename one of the two columns"))
    for name in plain:
        if name not in names:
            near = difflib.get_close_matches(name, names, 1)
            mend = f"rename the column {near[0]} to {name}" if near else f"add the column {name}"
            faults.append(
                Fault(
                    file,
                    1,
                    name,
                    "",
                    f"a column {name}; the header has {clipped(', '.join(names), 200)}",
                    mend,
                )
            )
    units: dict[str, str] = {}
    for quantity in (*lengths, *optional_lengths):
        carried = [name for name in names if split_unit(name)[0] == quantity and split_unit(name)[1]]
        if len(carried) > 1:
            faults.append(
                Fault(
                    file,
                    1,
                    quantity,
                    ", ".join(carried),
                    f"{quantity} in one unit",
                    "keep one of these columns",
                )
            )
        elif carried:
            units[quantity] = str(split_unit(carried[0])[1])
        elif quantity in lengths:
            alike = [name for name in names if name.split("_")[0] == quantity]
            near = alike or difflib.get_close_matches(quantity, names, 1)
            found = near[0] if near else ""
            faults.append(
                Fault(
                    file,
                    1,
                    quantity,
                    found,
                    f"a column {quantity} with its unit in the name, one of {LENGTH_SUFFIXES}",
                    f"name the column {quantity}_m, or whichever unit its numbers have",
                )
            )
    known = {*plain, *optional, *(f"{quantity}_{unit}" for quantity, unit in units.items())}
    unused = [name for name in names if name and name not in known]
    if unused:
        remarks.append(f"{file}: column{'s' if len(unused) > 1 else ''} {', '.join(unused)} not used")
    return units if len(faults) == before else None


def numbers(text: Text) -> tuple[Floats, npt.NDArray[np.bool_]]:
    """Numbers of a text column.

    Returns
    -------
    values : ndarray of float
        NaN where the text is no number.
    parsed : ndarray of bool
        True where the text is a number, finite or not ("nan" and "inf" are, an empty field is not finite
        either).
    """
    values = pd.to_numeric(pd.Series(text, dtype=object), errors="coerce").to_numpy(dtype=np.float64)
    bad = ~np.isfinite(values)
    parsed = ~bad
    if bad.any():
        words = {"nan", "na", "n/a", "null", "none", "", "-", "inf", "-inf", "+inf", "infinity", "-infinity"}
        parsed[bad] = [str(value).strip().lower() in words for value in text[bad]]
    return values, parsed


def in_metres(values: Floats, unit: str) -> Floats:
    """Lengths in metres."""
    return values if unit == "m" else values * METRES[unit]
