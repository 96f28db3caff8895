"""Reading one CSV table into text columns with line numbers; every fault of the file's form is found here.

The values stay text: what a column means is the business of the module that asked for it. Files are UTF-8, comma
separated, with one header line.
"""

from __future__ import annotations

import csv
import difflib
import io
import warnings
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path

import numpy as np
import numpy.typing as npt
import pandas as pd

from convergence.errors import Fault
from convergence.job.account import Account
from convergence.units import LENGTH_SUFFIXES, METRES, split_unit

#: A header longer than this is no header; the rest of the file is not even read.
LONGEST_HEADER = 64 * 1024

Text = npt.NDArray[np.object_]
Floats = npt.NDArray[np.float64]


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
    """

    file: str
    columns: dict[str, Text]
    line: npt.NDArray[np.int64]
    units: dict[str, str]

    def __len__(self) -> int:
        return len(self.line)

    def text(self, name: str) -> Text:
        """A column's text; empty strings if the column is not there."""
        found = self.columns.get(name)
        return np.full(len(self), "", dtype=object) if found is None else found

    def measured_text(self, quantity: str) -> tuple[str, Text]:
        """The column that carries a quantity with its unit, and its text."""
        name = f"{quantity}_{self.units[quantity]}"
        return name, self.columns[name]

    def keep(self, mask: npt.NDArray[np.bool_]) -> Table:
        """The rows of the mask."""
        return Table(self.file, {name: text[mask] for name, text in self.columns.items()}, self.line[mask], self.units)


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

    Returns
    -------
    Table or None
        None where the file's form makes it unusable; then ``faults`` says why.
    """
    names = _header(path, file, faults)
    if names is None:
        return None
    units = _check_header(names, file, plain, lengths, optional, optional_lengths, faults, remarks)
    if units is None:
        return None
    try:
        body = path.read_bytes().decode("utf-8-sig")
    except UnicodeDecodeError as error:
        line = path.read_bytes()[: error.start].count(b"\n") + 1
        faults.append(Fault(file, line, "", repr(error.object[error.start : error.start + 4]), "UTF-8 text", "save the file as UTF-8"))
        return None
    if "\x00" in body:
        line = body[: body.index("\x00")].count("\n") + 1
        faults.append(Fault(file, line, "", "NUL byte", "UTF-8 text", "save the file as plain CSV, UTF-8, not as a spreadsheet or UTF-16"))
        return None
    columns, line, short, long = _rows(body, len(names))
    account.add_file(file, len(line) + len(short) + len(long))
    account.set_aside(file, short, "too few fields", f"the header has {len(names)} fields")
    account.set_aside(file, long, "too many fields", f"the header has {len(names)} fields")
    if not len(line):
        what = "no row has as many fields as the header" if len(short) or len(long) else "the file has a header and no rows"
        faults.append(Fault(file, None, "", "", f"rows of data ({what})", "add the rows, or remove the file"))
        return None
    return Table(file, dict(zip(names, columns, strict=True)), line, units)


def _header(path: Path, file: str, faults: list[Fault]) -> list[str] | None:
    """The column names, or None with the fault noted; reads no more than the longest header."""
    try:
        with path.open("rb") as stream:
            start = stream.read(LONGEST_HEADER)
    except OSError as error:
        faults.append(Fault(file, None, "", "", f"a readable file ({error.strerror})", "check the file's name and permissions"))
        return None
    if not start.strip():
        faults.append(Fault(file, 1, "", "", "a header line and rows (the file is empty)", "export the file again"))
        return None
    if b"\x00" in start or start[:2] in (b"\xff\xfe", b"\xfe\xff", b"PK"):
        faults.append(Fault(file, 1, "", repr(start[:8]), "UTF-8 text", "save the file as plain CSV, UTF-8, not as a spreadsheet, archive or UTF-16"))
        return None
    cut = start.replace(b"\r\n", b"\n").replace(b"\r", b"\n").find(b"\n")
    if cut < 0 and len(start) == LONGEST_HEADER:
        faults.append(Fault(file, 1, "", repr(start[:16]), f"a header line of at most {LONGEST_HEADER} bytes", "give the file one header line with the column names"))
        return None
    try:
        line = start.replace(b"\r\n", b"\n").replace(b"\r", b"\n")[: cut if cut >= 0 else None].decode("utf-8-sig")
    except UnicodeDecodeError as error:
        faults.append(Fault(file, 1, "", repr(error.object[error.start : error.start + 4]), "UTF-8 text", "save the file as UTF-8"))
        return None
    if "," not in line and any(mark in line for mark in ";\t|"):
        faults.append(Fault(file, 1, "", line, "columns separated by commas", "save the file with commas between the columns and points in decimals"))
        return None
    return [name.strip() for name in next(csv.reader([line]))]


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
    for name in sorted({name for name in names if names.count(name) > 1}):
        faults.append(Fault(file, 1, name, name, "each column once", "remove or rename one of the two columns"))
    for name in plain:
        if name not in names:
            near = difflib.get_close_matches(name, names, 1)
            mend = f"rename the column {near[0]} to {name}" if near else f"add the column {name}"
            faults.append(Fault(file, 1, name, "", f"a column {name}; the header has {', '.join(names)}", mend))
    units: dict[str, str] = {}
    for quantity in (*lengths, *optional_lengths):
        carried = [name for name in names if split_unit(name)[0] == quantity and split_unit(name)[1]]
        if len(carried) > 1:
            faults.append(Fault(file, 1, quantity, ", ".join(carried), f"{quantity} in one unit", "keep one of these columns"))
        elif carried:
            units[quantity] = str(split_unit(carried[0])[1])
        elif quantity in lengths:
            alike = [name for name in names if name.split("_")[0] == quantity]
            near = alike or difflib.get_close_matches(quantity, names, 1)
            found = near[0] if near else ""
            faults.append(
                Fault(file, 1, quantity, found, f"a column {quantity} with its unit in the name, one of {LENGTH_SUFFIXES}",
                      f"name the column {quantity}_m, or whichever unit its numbers have")
            )
    known = {*plain, *optional, *(f"{quantity}_{unit}" for quantity, unit in units.items())}
    unused = [name for name in names if name and name not in known]
    if unused:
        remarks.append(f"{file}: column{'s' if len(unused) > 1 else ''} {', '.join(unused)} not used")
    return units if len(faults) == before else None


def _rows(body: str, width: int) -> tuple[list[Text], npt.NDArray[np.int64], list[int], list[int]]:
    """Text columns, line numbers, and the lines of rows too short and too long."""
    if '"' not in body:
        try:
            with warnings.catch_warnings():
                # pandas only warns when it cuts a long row; a cut row must go the careful way
                warnings.simplefilter("error", pd.errors.ParserWarning)
                frame = pd.read_csv(
                    io.StringIO(body), header=None, names=list(range(width)), skiprows=1, dtype=str, na_filter=False,
                    skip_blank_lines=False, quoting=csv.QUOTE_NONE, index_col=False, on_bad_lines="error", engine="c",
                )
        except (pd.errors.ParserError, pd.errors.EmptyDataError, pd.errors.ParserWarning):
            return _rows_one_by_one(body, width)
        counts_right = body.count(",") == (len(frame) + 1) * (width - 1)
        if counts_right and not (width == 1 and (frame[0] == "").any()):
            line = np.arange(2, len(frame) + 2, dtype=np.int64)
            return [_stripped(frame[index].to_numpy(dtype=object)) for index in range(width)], line, [], []
    return _rows_one_by_one(body, width)


def _stripped(text: Text) -> Text:
    """Blanks removed around each value, at the cost of one pass only where there are any."""
    joined = "\n".join(text.tolist())
    if " " not in joined and "\t" not in joined and "\r" not in joined:
        return text
    return np.array([value.strip() for value in text.tolist()], dtype=object)


def _rows_one_by_one(body: str, width: int) -> tuple[list[Text], npt.NDArray[np.int64], list[int], list[int]]:
    """The careful way, for files with quotes, blank lines or rows of the wrong width."""
    kept: list[list[str]] = []
    lines: list[int] = []
    short: list[int] = []
    long: list[int] = []
    # strict=False: a stray quote makes an odd field, which the column's own check then refuses with its line
    reader = csv.reader(io.StringIO(body, newline=""), strict=False)
    next(reader)
    start = reader.line_num + 1
    csv.field_size_limit(max(csv.field_size_limit(), len(body) + 1))
    for fields in reader:
        at, start = start, reader.line_num + 1
        if not any(value.strip() for value in fields):
            if len(fields) > 1:
                short.append(at)
            continue
        if len(fields) < width:
            short.append(at)
        elif len(fields) > width and any(value.strip() for value in fields[width:]):
            long.append(at)
        else:
            kept.append([value.strip() for value in fields[:width]])
            lines.append(at)
    columns = [np.array([row[index] for row in kept], dtype=object) for index in range(width)]
    return columns, np.array(lines, dtype=np.int64), short, long


def numbers(text: Text) -> tuple[Floats, npt.NDArray[np.bool_]]:
    """Numbers of a text column.

    Returns
    -------
    values : ndarray of float
        NaN where the text is no number.
    parsed : ndarray of bool
        True where the text is a number, finite or not ("nan" and "inf" are, an empty field is not finite either).
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
