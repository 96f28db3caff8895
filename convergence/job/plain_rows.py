"""Rows of a table that are all written alike, read from the bytes of the file without a text for each field."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from convergence.job.plain_words import ROOM, USABLE, Bytes, Floats, Ints, plain_instants, plain_names, plain_numbers

#: Bytes looked at together: what fits into the nearest memory of a processor is read fastest.
PIECE = 1 << 20
COMMA, POINT, END = ord(","), ord("."), ord("\n")
_MARKS = np.zeros(256, dtype=bool)
_MARKS[[COMMA, POINT, END]] = True


@dataclass(frozen=True)
class PlainRows:
    """Columns of a table of plain rows.

    Attributes
    ----------
    numbers : dict of int to array of float
        Numbers by column.
    instants : array of datetime64[ns]
        Of the column of times.
    codes, names : array of int, list of str
        Of the column of names: the number of each row's name in ``names``.
    """

    numbers: dict[int, Floats]
    instants: npt.NDArray[np.datetime64]
    codes: npt.NDArray[np.int32]
    names: list[str]

    def __len__(self) -> int:
        return len(self.instants)


def plain_rows(data: bytes, width: int, measured: Sequence[int], time: int, name: int) -> PlainRows | None:
    """Rows below the header, where every one of them has the same commas and points and plain numbers and instants.

    Parameters
    ----------
    data : bytes
        The file, its columns separated by commas; a name is UTF-8.
    width : int
        Number of columns.
    measured : sequence of int
        Columns of numbers.
    time, name : int
        Columns of instants and of names.

    Returns
    -------
    PlainRows or None
        None where one row is written otherwise, has quotes, or ends with anything but a line feed.
    """
    if not USABLE or b'"' in data or b"\r" in data or b"\0" in data:
        return None
    begin = data.find(b"\n") + 1
    if not 0 < begin < len(data):
        return None
    pieces: list[_Piece] = []
    known: dict[str, int] = {}
    while begin < len(data):
        end = len(data) if len(data) - begin <= PIECE else data.rfind(b"\n", begin, begin + PIECE) + 1
        if end <= begin:
            return None
        piece = _piece(data[begin:end], width, measured, time, name, known)
        if piece is None:
            return None
        pieces.append(piece)
        begin = end
    numbers = {column: np.concatenate([piece.numbers[at] for piece in pieces]) for at, column in enumerate(measured)}
    instants = np.concatenate([piece.instants for piece in pieces]).view("datetime64[ns]")
    return PlainRows(numbers, instants, np.concatenate([piece.codes for piece in pieces]), list(known))


#: Plain rows of files read before, by the digest of the bytes they were read from.
Parsed = dict[str, PlainRows]


@dataclass(frozen=True)
class _Piece:
    """Columns of some rows."""

    numbers: list[Floats]
    instants: Ints
    codes: npt.NDArray[np.int32]


def _piece(
    data: bytes, width: int, measured: Sequence[int], time: int, name: int, known: dict[str, int]
) -> _Piece | None:
    """Some whole lines; names that are new are added to ``known``."""
    if not data.endswith(b"\n"):
        data += b"\n"
    room = bytes(ROOM)
    text: Bytes = np.frombuffer(room + data + room, dtype=np.uint8)
    marks = np.flatnonzero(_MARKS[text])
    kinds = text[marks]
    # the marks of the first line, and whether those of all others are the same
    count = int(np.argmax(kinds == END)) + 1
    usual = kinds[:count]
    if len(marks) % count or int((usual == COMMA).sum()) != width - 1:
        return None
    table = marks.reshape(-1, count)
    if (kinds.reshape(-1, count) != usual).any():
        return None
    # a field begins after the comma before it, or after the line before, and ends at its own comma or line end
    ends = np.flatnonzero(usual != POINT)
    line_start = np.concatenate([[ROOM], table[:-1, -1] + 1])

    def field(column: int) -> tuple[Ints, Ints]:
        start = line_start if column == 0 else table[:, ends[column - 1]] + 1
        return start, table[:, ends[column]]

    instants = plain_instants(text, *field(time))
    if instants is None:
        return None
    numbers = []
    for column in measured:
        points = [at for at in range(ends[column]) if usual[at] == POINT and (column == 0 or at > ends[column - 1])]
        start, end = field(column)
        found = plain_numbers(text, start, table[:, points[0]], end) if len(points) == 1 else None
        if found is None:
            return None
        numbers.append(found)
    start, end = field(name)
    codes, first = plain_names(text, start, end)
    try:
        names = [text[start[row] : end[row]].tobytes().decode("utf-8").strip() for row in first.tolist()]
    except UnicodeDecodeError:
        return None
    number = np.array([known.setdefault(one, len(known)) for one in names], dtype=np.int32)
    return _Piece(numbers, instants, number[codes])
