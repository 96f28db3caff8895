"""Text files of a job: read once, refused where they are no text, too large, or nothing but a header."""

from __future__ import annotations

import os
import re
import stat
from pathlib import Path

from convergence.errors import Fault

#: A header longer than this is no header; the rest of the file is not even read.
LONGEST_HEADER = 64 * 1024
#: A file larger than this [bytes] is refused before it fills the memory; it holds some eight million readings.
LARGEST_FILE = 512 * 1024**2
#: A table with more lines is refused too: lines of nothing take more memory than they have bytes.
MOST_LINES = 10_000_000
#: So many lines of a table with NUL bytes, or so large a share of them, are taken for rows damaged on the way and are
#: judged like any others; more, or one in the header, make the file no text.
DAMAGED_LINES, DAMAGED_SHARE = 3, 0.01
#: What stands for a run of NUL bytes in a damaged row: no number, instant or name has it.
DAMAGED = "\N{REPLACEMENT CHARACTER}"
_NOT_PLAIN = "save the file as plain text, UTF-8, not as a spreadsheet, archive or UTF-16"


def is_there(path: Path) -> bool:
    """Whether something of that name stands in the folder, be it of use or not."""
    return os.path.lexists(path)


def leads_out(folder: Path, file: str, faults: list[Fault]) -> bool:
    """Whether links lead from the folder to a file outside of it; a fault where they do, and nothing of it is read."""
    try:
        real = os.path.realpath(folder)
        target = os.path.realpath(os.path.join(real, file))
        if os.path.commonpath([real, target]) == real:
            return False
    except (OSError, ValueError):
        # no path at all, or one on another drive
        pass
    mend = f"copy what it leads to into the job folder in place of the link {file}"
    faults.append(Fault(file, None, "", "a link out of the job folder", "a file inside the job folder", mend))
    return True


def read_bytes(
    path: Path, file: str, faults: list[Fault], largest: int = LARGEST_FILE, rows: bool = False
) -> bytes | None:
    """All bytes of a plain file, or None with the fault noted; one without a header is not read on.

    ``path`` ends with ``file``; what stands before is the job folder, and no link is followed out of it. ``rows`` says
    that the file is a table, of which a few lines may be damaged (``mended``).
    """
    if leads_out(Path(*path.parts[: len(path.parts) - len(Path(file).parts)]), file, faults):
        return None
    try:
        found = path.stat()
        if not stat.S_ISREG(found.st_mode):
            what = "a directory" if stat.S_ISDIR(found.st_mode) else "no plain file"
            faults.append(Fault(file, None, "", what, "a file", f"put the file {file} in its place"))
            return None
        with path.open("rb") as stream:
            data = stream.read(LONGEST_HEADER)
            if not _starts_well(data, file, faults, rows):
                return None
            if found.st_size > largest:
                shown = f"{found.st_size} bytes"
                mend = "split it by month in the folder readings" if largest == LARGEST_FILE else "move data elsewhere"
                faults.append(Fault(file, None, "", shown, f"a file of at most {largest} bytes", mend))
                return None
            return data + stream.read()
    except OSError as error:
        why = f"a readable file ({error.strerror or error})"
        faults.append(Fault(file, None, "", "", why, "check the file's name and permissions"))
        return None


def _starts_well(start: bytes, file: str, faults: list[Fault], rows: bool) -> bool:
    """Whether the first bytes can be those of a text with lines."""
    if not start.strip(b" \t\r\n\xef\xbb\xbf"):
        faults.append(Fault(file, 1, "", "", "text (the file is empty)", "export the file again"))
        return False
    if start[:2] in (b"\xff\xfe", b"\xfe\xff", b"PK"):
        faults.append(Fault(file, 1, "", repr(start[:8]), "UTF-8 text", _NOT_PLAIN))
        return False
    if b"\x00" in start and not (rows and _few(nul_lines(start), start)):
        _nul_fault(start, file, faults)
        return False
    if len(start) == LONGEST_HEADER and b"\n" not in start and b"\r" not in start:
        expected = f"a header line of at most {LONGEST_HEADER} bytes"
        mend = "give the file one header line with the column names"
        faults.append(Fault(file, 1, "", repr(start[:16]), expected, mend))
        return False
    return True


def _nul_fault(data: bytes, file: str, faults: list[Fault]) -> None:
    """NUL bytes make a file no text."""
    found = "a NUL byte, which is no character of a text"
    line = _line_at(data, data.index(b"\x00"))
    faults.append(Fault(file, line, "", found, "UTF-8 text without NUL bytes", _NOT_PLAIN))


def nul_lines(data: bytes) -> list[int]:
    """Lines, from 1, with NUL bytes in them."""
    lines = data.replace(b"\r\n", b"\n").replace(b"\r", b"\n").split(b"\n")
    return [number for number, line in enumerate(lines, 1) if b"\x00" in line]


def _few(lines: list[int], data: bytes) -> bool:
    """Whether so few lines have NUL bytes, none of them the header, that they are damaged rows of a text."""
    return lines[0] > 1 and len(lines) <= max(DAMAGED_LINES, DAMAGED_SHARE * data.count(b"\n"))


def mended(data: bytes) -> tuple[bytes, list[int]]:
    """A table whose few damaged rows can be read, and their lines: each run of NUL bytes is one ``DAMAGED``.

    The row is then set aside for what is damaged in it, like any other that cannot be used. The same bytes where
    there is nothing to mend, or too much.
    """
    if b"\x00" not in data:
        return data, []
    lines = nul_lines(data)
    if not _few(lines, data):
        return data, []
    return re.sub(rb"\x00+", DAMAGED.encode("utf-8"), data), lines


def _line_at(data: bytes, place: int) -> int:
    """Line, from 1, in which a byte stands, whatever the line ends."""
    return data[:place].replace(b"\r\n", b"\n").replace(b"\r", b"\n").count(b"\n") + 1


def decoded(data: bytes, file: str, faults: list[Fault]) -> str | None:
    """UTF-8 text without its byte order mark, or None with the fault noted."""
    try:
        text = data.decode("utf-8-sig")
    except UnicodeDecodeError as error:
        found = repr(error.object[error.start : error.start + 4])
        line = _line_at(data, error.start)
        faults.append(Fault(file, line, "", found, "UTF-8 text", "save the file as UTF-8"))
        return None
    if "\x00" in text:
        _nul_fault(data, file, faults)
        return None
    return text
