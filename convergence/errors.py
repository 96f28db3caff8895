"""What the library says when it cannot do what was asked.

Every message about an input names the place (file, line, column), the value found, what was expected and how
to mend it. All faults of one job are gathered and raised together, so that the user mends them in one go.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

#: A message shows no more faults than this; ``JobError.faults`` holds all of them.
MOST_SHOWN = 100


class ConvergenceError(Exception):
    """Base of every error this library raises on purpose; the command line turns it into exit code 1."""


class ValueFault(ConvergenceError, ValueError):  # noqa: N818  # a fault of a value, as Fault is one of a file
    """A value given to a function lies outside what the function is defined for.

    The message names the quantity, the value, the range expected and how to mend it.
    """


@dataclass(frozen=True)
class Fault:
    """One thing wrong with an input, and the way out.

    Attributes
    ----------
    file : str
        File name relative to the job folder.
    line : int or None
        Line in the file, counted from 1 with the header; None where the whole file is meant.
    column : str
        Column, or the dotted key of a settings table; empty where the whole row or file is meant.
    value : str
        The value as it stands in the file; empty where nothing stands there.
    expected : str
        What was expected in its place.
    mend : str
        The one thing to change.
    """

    file: str
    line: int | None
    column: str
    value: str
    expected: str
    mend: str

    def __str__(self) -> str:
        # a file name need not be valid text
        file = self.file.encode("utf-8", "backslashreplace").decode("utf-8")
        place = file if self.line is None else f"{file}:{self.line}"
        where = f"{place}, {self.column}" if self.column else place
        shown = f" found {clipped(self.value)}," if self.value else ""
        return f"{where}:{shown} expected {self.expected}. To mend: {self.mend}."


class JobError(ConvergenceError):
    """The job folder cannot be used; carries every fault found, not just the first.

    Attributes
    ----------
    folder : str
        The job folder as the user gave it.
    faults : tuple of Fault
        All faults, in the order of files and lines.
    """

    def __init__(self, folder: str, faults: Sequence[Fault]) -> None:
        self.folder = folder
        self.faults = tuple(faults)
        super().__init__(folder, self.faults)

    def __str__(self) -> str:
        count = len(self.faults)
        folder = self.folder.encode("utf-8", "backslashreplace").decode("utf-8")
        head = f"The job {folder} cannot be used: {count} fault{'s' if count != 1 else ''}."
        more = [f"  ... and {count - MOST_SHOWN} more"] if count > MOST_SHOWN else []
        return "\n".join([head, *(f"  {fault}" for fault in self.faults[:MOST_SHOWN]), *more])


def clipped(value: str, longest: int = 60) -> str:
    """Quote a value from a file for a message: escaped to printable ASCII and cut to a readable length."""
    text = value if len(value) <= longest else value[:longest] + "..."
    return "'" + text.encode("unicode_escape").decode("ascii") + "'"
