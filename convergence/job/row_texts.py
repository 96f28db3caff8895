"""Rows of the job's tables as they stand in the files, for the lines of ``events.csv`` that would correct them."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path

import pandas as pd

from convergence.job.corrections import LONGEST
from convergence.job.schema import Prism

#: Rows of a file that are picked out at most: where more are set aside, the file is to be corrected and not its rows.
MOST_ROWS = 500


def row_texts(folder: Path, aside: pd.DataFrame, prisms: Sequence[Prism]) -> dict[tuple[str, int], str]:
    """Rows as they stand in their files.

    Parameters
    ----------
    folder : Path
        The job folder, its files read already.
    aside : pandas.DataFrame
        Rows set aside, with ``file``, ``line`` and ``reason``.
    prisms : sequence of Prism
        The prisms, whose rows can be corrected too.

    Returns
    -------
    dict of (str, int) to str
        Text by file and line, with the header of each file; without rows longer than a note should be.
    """
    aside = aside[aside["reason"] != "later than as_of"]
    wanted = {str(file): set(lines["line"].tolist()[:MOST_ROWS]) for file, lines in aside.groupby("file", sort=True)}
    wanted.setdefault("prisms.csv", set()).update(prism.line for prism in prisms)
    for lines in wanted.values():
        # the header says which field is which
        lines.add(1)
    found = {}
    for file, lines in wanted.items():
        last = max(lines)
        with (folder / file).open(encoding="utf-8-sig", errors="replace") as stream:
            for number, text in enumerate(stream, 1):
                if number in lines and len(text) <= LONGEST:
                    found[file, number] = text.strip()
                if number >= last:
                    break
    return found
