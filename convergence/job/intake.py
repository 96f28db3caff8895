"""What the readers of all files share: the folder, the date, and where faults and rows are noted."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field
from pathlib import Path

import numpy as np
import numpy.typing as npt
import pandas as pd

from convergence.errors import Fault, clipped
from convergence.job.account import Account
from convergence.job.corrections import Correction, corrected
from convergence.job.findings import Finding
from convergence.job.plain_rows import Parsed
from convergence.job.rows import Floats, Text
from convergence.job.stationing import PLAIN, Stationing
from convergence.job.tables import Table, in_metres, read_table
from convergence.job.text_files import is_there
from convergence.job.times import FORM, Instants, parse_bare, parse_times
from convergence.units import MILLIMETRES

Bools = npt.NDArray[np.bool_]

#: Where more than this share of rows does not parse, the files are at fault and not the rows.
UNREADABLE_SHARE = 0.5
#: A single file among several is at fault as a whole from so many unreadable rows on; few may be one bad
#: hour.
UNREADABLE_ROWS = 100
#: No chainage or coordinate [m] and no movement [mm] is larger than this.
LARGEST_NUMBER = 1e8


@dataclass
class Share:
    """How many rows did not parse, of how many, and the fault that says so for the first of them."""

    wrong: int = 0
    rows: int = 0
    fault: Fault | None = None


@dataclass
class Intake:
    """One pass over a job folder; gathers faults so that all are told together.

    Attributes
    ----------
    folder : Path
        The job folder.
    as_of : datetime64 or None
        Nothing later is read.
    faults, remarks, findings, account : list, list, list, Account
        What was wrong, not used, noticed, and set aside.
    shares : dict of str to Share
        Unreadable rows by kind of file and of trouble.
    section_of : dict of str to str
        Section of each prism, once ``prisms.csv`` is read.
    first_later : dict of str to datetime64
        First instant later than ``as_of`` by file; only to say that ``as_of`` is before everything.
    stationing : Stationing
        The chainage equations, once the settings are read.
    corrections : tuple of Correction
        Rows of tables that ``events.csv`` corrects.
    strangers : list of pandas.DataFrame
        Readings of names that are not in ``prisms.csv``.
    since : dict of str to datetime64
        Since when a name that only an event knows is that of a prism.
    digests : dict of str to bytes
        SHA-256 of the readings files.
    parsed : dict or None
        Rows of readings files read before, by what they were read from.
    """

    folder: Path
    as_of: np.datetime64 | None
    faults: list[Fault] = field(default_factory=list)
    remarks: list[str] = field(default_factory=list)
    findings: list[Finding] = field(default_factory=list)
    account: Account = field(default_factory=Account)
    shares: dict[str, Share] = field(default_factory=dict)
    section_of: dict[str, str] = field(default_factory=dict)
    first_later: dict[str, np.datetime64] = field(default_factory=dict)
    stationing: Stationing = PLAIN
    corrections: tuple[Correction, ...] = ()
    strangers: list[pd.DataFrame] = field(default_factory=list)
    since: dict[str, np.datetime64] = field(default_factory=dict)
    digests: dict[str, bytes] = field(default_factory=dict)
    parsed: Parsed | None = None

    def fault(self, file: str, line: int | None, column: str, value: str, expected: str, mend: str) -> None:
        """Note a fault."""
        self.faults.append(Fault(file, line, column, value, expected, mend))

    def table(
        self,
        file: str,
        plain: Sequence[str],
        lengths: Sequence[str] = (),
        optional: Sequence[str] = (),
        optional_lengths: Sequence[str] = (),
    ) -> Table | None:
        """A table of the folder; None with the fault noted where it is missing or of no use."""
        path = self.folder / file
        if not is_there(path):
            columns = ", ".join((*plain, *(f"{name}_m" for name in lengths)))
            self.fault(
                file,
                None,
                "",
                "",
                f"the file {file} in the job folder",
                f"add {file} with the columns {columns}",
            )
            return None
        return read_table(
            path, file, plain, lengths, optional, optional_lengths, self.faults, self.account, self.remarks,
            lambda body: self.change(body, file),
        )  # fmt: skip

    def change(self, body: str, file: str) -> tuple[str, list[int]]:
        """The text of a table as ``events.csv`` corrects it, and the lines it leaves out; what is done is told."""
        body, left_out, told = corrected(body, file, self.corrections)
        self.findings.extend(told)
        return body, left_out

    def times(self, table: Table) -> tuple[Instants, Bools]:
        """Instants of a table, with the rows that have none or a later one set aside; and the rows to keep.

        A row without an offset has no instant, but where its time is later than ``as_of`` whatever its offset
        may be, it is later, and the analysis at that date does not hear of it.
        """
        if table.plain is not None:
            instants, bare = table.plain.instants, np.zeros(len(table), dtype=bool)
        else:
            instants, bare = parse_times(table.text("time"))
        bad = np.isnat(instants) & ~bare
        later = np.zeros(len(table), dtype=bool)
        if self.as_of is not None:
            later = instants > self.as_of
            if later.any():
                self.first_later[table.file] = instants[later].min()
            if bare.any():
                later |= parse_bare(table.text("time")) > self.as_of
        wrong = (bare | bad) & ~later
        for mask, reason in ((bare & wrong, "no offset in time"), (bad & wrong, "unparseable time")):
            self.set_aside(table, mask, reason, table.text_of("time", mask))
        self.set_aside(table, later, "later than as_of", table.text_of("time", later), instants)
        self.count(
            table,
            "time",
            "time",
            table.text_of("time", wrong),
            wrong,
            len(table),
            FORM,
            "export the times with their offset from UTC",
        )
        return instants, ~(wrong | later)

    def values(
        self, table: Table, quantity: str, instants: Instants, keep: Bools, movement: bool = False
    ) -> tuple[Floats, Bools]:
        """Numbers of a quantity [m], or of a movement [mm], and the rows of ``keep`` that have one."""
        name, written, parsed = table.measured(quantity)
        unit = table.units[quantity]
        found = written * MILLIMETRES[unit] if movement else in_metres(written, unit)
        wild = np.abs(found) > LARGEST_NUMBER
        if name in table.values and not wild.any():
            self.shares.setdefault(f"{table.file.partition('/')[0]} {quantity}", Share()).rows += int(keep.sum())
            return found, keep
        text = table.measured_text(quantity)[1]
        # a number too large for the machine, as 1e400, comes out infinite and is no text
        huge = np.isinf(written)
        masks = {
            "unparseable number": ~np.isfinite(found) & ~parsed & ~huge,
            "not finite": ~np.isfinite(found) & (parsed | huge),
            "impossible number": wild & np.isfinite(found),
        }
        for reason, mask in masks.items():
            rows = mask & keep
            detail = np.array([f"{name} = {str(value)[:40]}" for value in text[rows]], dtype=object)
            self.set_aside(table, rows, reason, detail, instants)
        bad = keep & (masks["unparseable number"] | masks["not finite"] | masks["impossible number"])
        self.count(
            table, quantity, name, text[bad], bad, int(keep.sum()), "a finite number",
            "export plain numbers with a point in decimals and no unit in the field",
        )  # fmt: skip
        return found, keep & ~bad

    def set_aside(
        self,
        table: Table,
        mask: Bools,
        reason: str,
        detail: str | Text = "",
        instants: Instants | None = None,
    ) -> None:
        """Set the rows of the mask aside."""
        if not mask.any():
            return
        names = table.text_of("prism", mask)
        section = table.text_of("section", mask)
        if not table.has("section"):
            section = np.array([self.section_of.get(str(name), "") for name in names], dtype=object)
        self.account.set_aside(
            table.file,
            table.line[mask],
            reason,
            detail,
            section,
            names,
            None if instants is None else instants[mask],
        )

    def count(
        self,
        table: Table,
        kind: str,
        column: str,
        text: Text,
        wrong: Bools,
        rows: int,
        expected: str,
        mend: str,
    ) -> None:
        """Count rows that do not parse, ``text`` of those; a fault where they are the most of a large file."""
        total = self.shares.setdefault(f"{table.file.partition('/')[0]} {kind}", Share())
        number = int(wrong.sum())
        total.wrong, total.rows = total.wrong + number, total.rows + rows
        if not number:
            return
        first = int(np.flatnonzero(wrong)[0])
        fault = Fault(
            table.file,
            int(table.line[first]),
            column,
            str(text[0]),
            f"{expected} ({number} of {rows} rows have none)",
            mend,
        )
        if number > UNREADABLE_SHARE * rows and number >= UNREADABLE_ROWS:
            self.faults.append(fault)
        total.fault = total.fault or fault

    def close_counts(self) -> None:
        """A fault for each kind of trouble that most rows of the job's files have."""
        for share in self.shares.values():
            if (
                share.fault
                and share.wrong >= 2
                and share.wrong > UNREADABLE_SHARE * share.rows
                and share.fault not in self.faults
            ):
                self.faults.append(share.fault)

    def first_aside(self, files: Sequence[str]) -> tuple[str, int | None, str]:
        """File and line of the first row set aside in these files, and how many rows were for what reason."""
        aside = self.account.rows_set_aside
        aside = aside[aside["file"].isin(list(files))]
        if not len(aside):
            return (files[0] if files else ""), None, "no rows at all"
        counts = ", ".join(f"{count} {reason}" for reason, count in aside["reason"].value_counts().items())
        first = aside.iloc[0]
        if first["reason"] == "no such prism":
            counts += f"; the first is {clipped(str(first['prism']))}" + (
                f", {first['detail']}" if first["detail"] else ""
            )
        return str(first["file"]), int(first["line"]), f"rows set aside: {counts}"
