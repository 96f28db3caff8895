"""Reading one CSV table into text columns with line numbers; every fault of the file's form is found here.

The values stay text: what a column means is the business of the module that asked for it. Files are UTF-8,
comma separated, with one header line.
"""

from __future__ import annotations

import csv
import difflib
import hashlib
import io
from collections.abc import Callable, Sequence
from dataclasses import dataclass, field
from pathlib import Path

import numpy as np
import numpy.typing as npt
import pandas as pd

from convergence.errors import Fault, clipped
from convergence.job.account import Account
from convergence.job.plain_rows import Parsed, PlainRows, plain_rows
from convergence.job.rows import Floats, Text, rows_at_once, rows_of
from convergence.job.text_files import DAMAGED, MOST_LINES, decoded, mended, read_bytes
from convergence.units import LENGTH_SUFFIXES, METRES, split_unit

#: A table with more columns than this is none of a job, and would take memory for each of them.
MOST_COLUMNS = 200
#: Tables of names: a damaged field would be another name there and no fault, so they are refused as a whole.
NAMING = ("prisms.csv", "events.csv")
#: Columns of instants and of names that a table of plain rows has.
TIME, NAME = "time", "prism"

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
    plain : PlainRows or None
        Instants and names of a table of plain rows, whose text nobody has asked for yet.
    names : tuple of str
        All columns of such a table; the text of some of its rows is had from ``fields``, by row, from 0, and column.
    """

    file: str
    columns: dict[str, Text]
    line: npt.NDArray[np.int64]
    units: dict[str, str]
    values: dict[str, Floats] = field(default_factory=dict)
    again: Callable[[], dict[str, Text]] = dict
    plain: PlainRows | None = None
    names: tuple[str, ...] = ()
    fields: Callable[[npt.NDArray[np.int64], str], list[str]] | None = None

    def __len__(self) -> int:
        return len(self.line)

    def text(self, name: str) -> Text:
        """A column's text; empty strings if the column is not there."""
        return self.text_of(name, np.ones(len(self), dtype=bool))

    def text_of(self, name: str, mask: Bools) -> Text:
        """The text of a column in the rows of a mask; empty strings if the column is not there."""
        if name in self.columns:
            return self.columns[name][mask]
        if self.plain is not None and name == NAME:
            return np.array(self.plain.names, dtype=object)[self.plain.codes[mask]]
        if self.fields is not None and name in self.names:
            return np.array(self.fields(np.flatnonzero(mask), name), dtype=object)
        return np.full(int(mask.sum()), "", dtype=object)

    def coded(self, name: str) -> tuple[npt.NDArray[np.int64], Text]:
        """A column as numbers into its different texts, in the order in which they come, and these."""
        if self.plain is not None and name == NAME:
            return self.plain.codes.astype(np.int64), np.array(self.plain.names, dtype=object)
        codes, unique = pd.factorize(self.text(name))
        return codes, unique

    def has(self, name: str) -> bool:
        """Whether the file has a column of this name."""
        return name in self.columns or name in self.names

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
    digests: dict[str, bytes] | None = None,
    parsed: Parsed | None = None,
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
    digests : dict of str to bytes, optional
        Receives the SHA-256 of the file's bytes, by its name.
    parsed : dict, optional
        Plain rows of files that were read before, which are not read again where the bytes are the same; grows.

    Returns
    -------
    Table or None
        None where the file's form makes it unusable; then ``faults`` says why.
    """
    rows = file not in NAMING
    data = read_bytes(path, file, faults, rows=rows)
    if data is None:
        return None
    if digests is not None:
        digests[file] = hashlib.sha256(data).digest()
    data, damaged = mended(data) if rows else (data, [])
    if damaged:
        many = f"in {len(damaged)} lines, the first line {damaged[0]}" if len(damaged) > 1 else f"in line {damaged[0]}"
        remarks.append(f"{file}: NUL bytes {many}, where it was damaged; each run is read as {DAMAGED}")
    body = _text(data, file, faults)
    if body is None:
        return None
    read = body
    body, left_out = (body, []) if change is None else change(body)
    same = body is read
    names = _names(body)
    units = _check_header(names, file, plain, lengths, optional, optional_lengths, faults, remarks)
    if units is None:
        return None
    measured = [index for index, name in enumerate(names) if split_unit(name)[0] in numeric and split_unit(name)[1]]
    if measured and list(plain) == [TIME, NAME]:
        # corrections alone make a body that is not the file's
        raw = data if same else body.encode("utf-8")
        digest = digests[file] if same and digests is not None else b""
        found = _rows_before(raw, digest, names, measured, parsed)
        if found is not None:
            account.add_file(file, len(found))
            return _plain_table(file, body, names, units, found)
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


def _rows_before(
    raw: bytes, digest: bytes, names: list[str], measured: list[int], parsed: Parsed | None
) -> PlainRows | None:
    """Plain rows of some bytes, as they were read before where they were; ``digest`` empty where it is not known."""
    place = names.index(TIME), names.index(NAME)
    if parsed is None:
        return plain_rows(raw, len(names), measured, *place)
    key = f"{(digest or hashlib.sha256(raw).digest()).hex()} {measured}"
    if key not in parsed:
        found = plain_rows(raw, len(names), measured, *place)
        if found is None:
            return None
        parsed[key] = found
    return parsed[key]


def _plain_table(file: str, body: str, names: list[str], units: dict[str, str], found: PlainRows) -> Table:
    """A table of plain rows."""
    lines: list[str] = []

    def some(rows: npt.NDArray[np.int64], name: str) -> list[str]:
        """The fields of some rows in a column."""
        if not lines and len(rows):
            lines.extend(body.split("\n"))
        column = names.index(name)
        return [lines[row + 1].split(",", column + 1)[column].strip() for row in rows.tolist()]

    def again() -> dict[str, Text]:
        return dict(zip(names, rows_of(body, len(names))[0], strict=True))

    values = {names[index]: column for index, column in found.numbers.items()}
    line = np.arange(2, len(found) + 2, dtype=np.int64)
    return Table(file, {}, line, units, values, again, found, tuple(names), some)


def _text(data: bytes, file: str, faults: list[Fault]) -> str | None:
    """The file as text, if its columns are separated by commas."""
    ends = data.count(b"\n")
    if b"\r" in data:
        ends += data.count(b"\r") - data.count(b"\r\n")
    if ends > MOST_LINES:
        mend = "split it by month in the folder readings, or remove empty lines"
        faults.append(Fault(file, None, "", f"{ends} lines", f"a table of at most {MOST_LINES} lines", mend))
        return None
    body = decoded(data, file, faults)
    if body is None:
        return None
    header = _first_line(body)
    if "," not in header and any(mark in header for mark in ";\t|"):
        mend = "save the file with commas between the columns and points in decimals"
        faults.append(Fault(file, 1, "", header.strip(), "columns separated by commas", mend))
        return None
    return body


def _names(body: str) -> list[str]:
    """The column names: the fields of the first line."""
    return [name.strip() for name in next(csv.reader([_first_line(body).rstrip("\n")]), [])]


def _first_line(body: str) -> str:
    """The first line of a text, whatever its line ends."""
    end = body.find("\n") + 1
    return next(iter(io.StringIO(body[:end] if end else body, newline=None)))


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
