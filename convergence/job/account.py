"""The account of rows: what was read, what is used, what was set aside and why. It always balances."""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np
import numpy.typing as npt
import pandas as pd

#: Reasons a row is set aside, with the sentence a person reads.
REASONS = {
    "no such prism": "the prism is not in prisms.csv",
    "no such section": "the section is not in prisms.csv",
    "no such stage": "the stage is not declared in tunnel.toml",
    "no offset in time": "the time has no offset from UTC, so the instant is unknown",
    "unparseable time": "the time is not ISO 8601",
    "time outside the job": "far away in time from everything else in the job: a mistyped date",
    "unparseable number": "text where a number was expected",
    "not finite": "no finite number",
    "too few fields": "the row has fewer fields than the header",
    "too many fields": "the row has more fields than the header",
    "empty row": "the row has commas and nothing else",
    "broken quotes": "a quotation mark in the row is not closed",
    "no such chainage": "no place has this chainage by the chainage equations of the job",
    "impossible number": "a number that no chainage, coordinate or movement can have",
    "duplicate instant": "the same prism at the same instant, with the same values, is already used",
    "conflicting instant": "different values for one prism at one instant; neither can be preferred",
    "later than as_of": "later than the date of the analysis",
    "before the face": "before the face reached the section, when the prism could not exist",
    "before the zero reading": "before the declared zero reading",
    "spike": "away from both neighbouring readings, which agree with each other",
    "swapped prisms": "read at the place of another prism of the array, which was read at its place",
    "time against its file": "alone in time, where the rows before and after it in the file were read together",
    "replaced prism": "read after another prism took its place by events.csv",
    "set aside by an event": "events.csv sets it aside",
    "outside the alignment": "the coordinates lie far from where the prism should be",
    "duplicate round": "the stage already has this round end",
    "two times for one round": "the round's chainage is already logged at an earlier time",
    "against the drive": "the face would go back, or run ahead impossibly fast, against the rows around it",
    "ahead of the stage it follows": "the face would stand ahead of the stage it follows",
    "unknown event": "no kind of event the library acts on",
    "no event": "the row names no event",
}

#: What the size of a row set aside is, by reason, with its unit; the other reasons have none.
SIZES = {
    "time outside the job": ("from the nearest other row", "d"),
    "conflicting instant": ("between the readings", "mm"),
    "before the face": ("that the nearest face was short of the section", "m"),
    "before the zero reading": ("before it", "d"),
    "spike": ("from the line between its neighbours", "mm"),
    "time against its file": ("from the rows around it", "d"),
    "replaced prism": ("after the other took its place", "d"),
    "outside the alignment": ("from the middle of its prism's readings, or from its place", "m"),
    "two times for one round": ("between them", "d"),
    "against the drive": ("outside the rounds around it", "m"),
    "ahead of the stage it follows": ("ahead of it", "m"),
}


@dataclass
class Account:
    """Rows read and set aside, by file. Rows used are what is left, so the account balances by construction;
    the arrays of used readings are checked against it in the tests.

    Rows later than ``as_of`` are counted apart: an analysis at a date must not depend on them.
    """

    read: dict[str, int] = field(default_factory=dict)
    _parts: list[pd.DataFrame] = field(default_factory=list)
    _counts: dict[tuple[str, str], int] | None = field(default=None, repr=False, compare=False)

    COLUMNS = ("file", "line", "reason", "detail", "section", "prism", "time", "size")

    def add_file(self, file: str, rows: int) -> None:
        """Say that a file was read and how many data rows it has."""
        self.read[file] = self.read.get(file, 0) + rows

    def set_aside(
        self,
        file: str | npt.NDArray[np.object_],
        line: npt.ArrayLike,
        reason: str,
        detail: str | npt.NDArray[np.object_] = "",
        section: str | npt.NDArray[np.object_] = "",
        prism: str | npt.NDArray[np.object_] = "",
        time: npt.ArrayLike | None = None,
        size: npt.ArrayLike = np.nan,
    ) -> None:
        """Set rows aside; scalars are spread over all lines. The unit of ``size`` is that of ``SIZES``."""
        if reason not in REASONS:
            raise KeyError(reason)
        lines = np.atleast_1d(np.asarray(line, dtype=np.int64))
        if lines.size == 0:
            return
        when = np.datetime64("NaT", "ns") if time is None else np.asarray(time)
        self._counts = None
        self._parts.append(
            pd.DataFrame(
                {
                    "file": np.broadcast_to(np.asarray(file, dtype=object), lines.shape),
                    "line": lines,
                    "reason": reason,
                    "detail": np.broadcast_to(np.asarray(detail, dtype=object), lines.shape),
                    "section": np.broadcast_to(np.asarray(section, dtype=object), lines.shape),
                    "prism": np.broadcast_to(np.asarray(prism, dtype=object), lines.shape),
                    "time": np.broadcast_to(when.astype("datetime64[ns]"), lines.shape),
                    "size": np.broadcast_to(np.asarray(size, dtype=np.float64), lines.shape),
                }
            )
        )

    @property
    def rows_set_aside(self) -> pd.DataFrame:
        """Every row set aside, in the order of files and lines; columns as in ``COLUMNS``."""
        if not self._parts:
            kinds = {"line": "int64", "time": "datetime64[ns]", "size": "float64"}
            return pd.DataFrame({name: pd.Series([], dtype=kinds.get(name, "str")) for name in self.COLUMNS})
        # many ask, and few rows come in between: joined once for each time the account has grown
        if self._counts is None:
            table = pd.concat(self._parts, ignore_index=True)
            self._parts = [table.sort_values(["file", "line", "reason"], kind="stable", ignore_index=True)]
            self._counts = _by_prism(self._parts[0])
        return self._parts[0].copy()

    def by_prism(self) -> dict[tuple[str, str], int]:
        """Rows set aside by section and prism, without those later than ``as_of``."""
        if self._counts is None:
            self._counts = _by_prism(self.rows_set_aside)
        return self._counts

    @property
    def table(self) -> pd.DataFrame:
        """A row a file: rows read, used, set aside, and later than ``as_of``."""
        aside = self.rows_set_aside
        later = aside["reason"] == "later than as_of"
        rows = []
        for file in sorted(self.read):
            mine = aside["file"] == file
            rows.append(
                (
                    file,
                    self.read[file],
                    self.read[file] - int(mine.sum()),
                    int((mine & ~later).sum()),
                    int((mine & later).sum()),
                )
            )
        return pd.DataFrame(rows, columns=["file", "read", "used", "set_aside", "later_than_as_of"])

    def copy(self) -> Account:
        """A copy that can grow without touching this one."""
        return Account(dict(self.read), list(self._parts))


def _by_prism(aside: pd.DataFrame) -> dict[tuple[str, str], int]:
    """Rows of a table of rows set aside by section and prism, without those later than ``as_of``."""
    counts = aside[aside["reason"] != "later than as_of"].value_counts(["section", "prism"])
    names = counts.index.to_frame(index=False)
    return {
        (str(section), str(prism)): int(count)
        for section, prism, count in zip(names["section"], names["prism"], counts, strict=True)
    }


def told_once(rows: pd.DataFrame) -> pd.DataFrame:
    """Rows set aside for one reason, those of one file, prism and detail told once with their number.

    Parameters
    ----------
    rows : pandas.DataFrame
        Rows of the account, in the order of files and lines.

    Returns
    -------
    pandas.DataFrame
        The first row of each with ``count``, ``last_line`` and ``last_time`` [UTC]; the order is kept.
    """
    groups = rows.groupby(["file", "section", "prism", "detail"], sort=False)
    first = groups.head(1).reset_index(drop=True)
    return first.assign(
        count=groups.size().to_numpy(),
        last_line=groups["line"].max().to_numpy(),
        last_time=groups["time"].max().to_numpy(dtype="datetime64[ns]"),
    )
