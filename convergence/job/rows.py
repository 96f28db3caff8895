"""Rows of a CSV table as columns of text or numbers: at once where nothing is odd, else one by one."""

from __future__ import annotations

import csv
import io
import warnings
from collections.abc import Sequence

import numpy as np
import numpy.typing as npt
import pandas as pd

#: A quoted field that runs over more lines than this is a quotation mark that was never closed.
LONGEST_QUOTE = 50

Text = npt.NDArray[np.object_]
Floats = npt.NDArray[np.float64]
Lines = npt.NDArray[np.int64]
Body = tuple[list[Text], Lines, dict[str, list[int]]]


def rows_of(body: str, width: int) -> Body:
    """Text columns, line numbers, and the lines of rows that are broken, by reason."""
    if '"' not in body:
        try:
            with warnings.catch_warnings():
                # pandas only warns when it cuts a long row; a cut row must go the careful way
                warnings.simplefilter("error", pd.errors.ParserWarning)
                frame = pd.read_csv(
                    io.StringIO(body),
                    header=None,
                    names=list(range(width)),
                    skiprows=1,
                    dtype=str,
                    na_filter=False,
                    skip_blank_lines=False,
                    quoting=csv.QUOTE_NONE,
                    index_col=False,
                    on_bad_lines="error",
                    engine="c",
                )
        except (pd.errors.ParserError, pd.errors.EmptyDataError, pd.errors.ParserWarning):
            return _rows_one_by_one(body, width)
        counts_right = body.count(",") == (len(frame) + 1) * (width - 1)
        if counts_right and width > 1 and not _any_blank(frame):
            line = np.arange(2, len(frame) + 2, dtype=np.int64)
            return [_stripped(frame[index].to_numpy(dtype=object)) for index in range(width)], line, {}
    return _rows_one_by_one(body, width)


def rows_at_once(
    body: str, width: int, measured: Sequence[int]
) -> tuple[dict[int, Text], dict[int, Floats], Lines] | None:
    """Text columns, columns of numbers by their place, and line numbers; None where a row needs a closer look."""
    if '"' in body or width < 2:
        return None
    texts = [index for index in range(width) if index not in measured]
    kinds = {index: np.float64 if index in measured else str for index in range(width)}
    try:
        with warnings.catch_warnings():
            # pandas only warns when it cuts a long row; a cut row must go the careful way
            warnings.simplefilter("error", pd.errors.ParserWarning)
            frame = pd.read_csv(
                io.StringIO(body), header=None, names=list(range(width)), skiprows=1, dtype=kinds, na_filter=False,
                skip_blank_lines=False, quoting=csv.QUOTE_NONE, index_col=False, on_bad_lines="error", engine="c",
            )  # fmt: skip
    except (ValueError, pd.errors.ParserWarning):
        return None
    values = {index: frame[index].to_numpy(dtype=np.float64) for index in measured}
    if body.count(",") != (len(frame) + 1) * (width - 1):
        return None
    if not all(np.isfinite(found).all() for found in values.values()):
        return None
    line = np.arange(2, len(frame) + 2, dtype=np.int64)
    return {index: _stripped(frame[index].to_numpy(dtype=object)) for index in texts}, values, line


def _any_blank(frame: pd.DataFrame) -> bool:
    """Whether a row holds nothing at all."""
    blank = (frame[0] == "").to_numpy()
    return bool(blank.any()) and bool((frame[blank] == "").all(axis=1).any())


def _stripped(text: Text) -> Text:
    """Blanks removed around each value, at the cost of one pass only where there are any."""
    joined = "".join(text.tolist())
    if joined.isprintable() and " " not in joined:
        return text
    return np.array([value.strip() for value in text.tolist()], dtype=object)


def _rows_one_by_one(body: str, width: int) -> Body:
    """The careful way, for files with quotes, blank lines or rows of the wrong width.

    A quotation mark that is not closed would swallow the rows after it. A record over several lines is
    therefore taken only if none of its further lines is a row by itself; otherwise its first line alone is
    broken, and reading goes on with the next line.
    """
    lines = list(io.StringIO(body, newline=""))
    kept: list[list[str]] = []
    at: list[int] = []
    broken: dict[str, list[int]] = {
        "too few fields": [],
        "too many fields": [],
        "empty row": [],
        "broken quotes": [],
    }
    row = 1
    while row < len(lines):
        fields, taken = _record(lines, row, width)
        line = row + 1
        row += taken
        if fields is None:
            broken["broken quotes"].append(line)
        elif not any(fields):
            # a blank line is no row; one with commas or quotes is
            if len(fields) > 1 or '"' in lines[line - 1]:
                broken["empty row"].append(line)
        elif len(fields) < width:
            broken["too few fields"].append(line)
        elif any(fields[width:]):
            broken["too many fields"].append(line)
        else:
            kept.append(fields[:width])
            at.append(line)
    columns = [np.array([fields[index] for fields in kept], dtype=object) for index in range(width)]
    return columns, np.array(at, dtype=np.int64), broken


def _record(lines: list[str], row: int, width: int) -> tuple[list[str] | None, int]:
    """Fields of the record that begins at a line, None if its quotes are broken, and the lines it takes."""
    if '"' not in lines[row]:
        return [value.strip() for value in lines[row].split(",")], 1
    reader = csv.reader(lines[row : row + LONGEST_QUOTE])
    try:
        fields = [value.strip() for value in next(reader)]
    except csv.Error:
        return None, 1
    taken = reader.line_num
    further = lines[row + 1 : row + taken]
    closed = "".join(lines[row : row + taken]).count('"') % 2 == 0
    if taken > 1 and (not closed or any(line.count(",") >= width - 1 for line in further)):
        return None, 1
    return (fields, taken) if closed else (None, 1)
