"""Prisms whose first readings were set aside as faulty: their zero is a later one, which nothing else would show."""

from __future__ import annotations

from collections.abc import Mapping

import numpy as np
import xarray as xr

from convergence.job.account import Account
from convergence.job.findings import Finding, finding
from convergence.job.reading import JobFolder
from convergence.job.times import shown

#: Reasons that speak of a fault of the reading; a person's decision, or the face, moves the zero reading knowingly.
FAULTY = (
    "outside the alignment", "swapped prisms", "spike", "conflicting instant", "not finite", "unparseable number",
    "impossible number",
)  # fmt: skip


def lost_starts(folder: JobFolder, arrays: Mapping[str, xr.Dataset], account: Account) -> list[Finding]:
    """Prisms of which readings before the first one in use were set aside as faulty.

    Parameters
    ----------
    folder : JobFolder
        The folder as read.
    arrays : mapping of str to xarray.Dataset
        The arrays by section.
    account : Account
        Every row set aside so far.

    Returns
    -------
    list of Finding
        One for each such prism, its size the days from the first reading set aside to the zero reading.
    """
    aside = account.rows_set_aside
    aside = aside[aside["reason"].isin(FAULTY) & aside["time"].notna() & (aside["prism"] != "")]
    if not len(aside):
        return []
    time = folder.readings["time"].to_numpy(dtype="datetime64[ns]")
    found = []
    by_prism = dict(list(aside.groupby("prism")))
    for section, array in arrays.items():
        used, row = array["used"].values, array["row"].values
        for at, name in enumerate(array["prism"].values.tolist()):
            mine = used[:, at]
            if name not in by_prism or not mine.any():
                continue
            zero = time[row[mine, at]].min()
            early = by_prism[name][by_prism[name]["time"] < zero]
            if not len(early):
                continue
            first, why = early["time"].to_numpy(dtype="datetime64[ns]").min(), early["reason"].value_counts()
            days = (zero - first) / np.timedelta64(1, "D")
            counts = ", ".join(f"{count} {reason}" for reason, count in why.items())
            sentence = (
                f"{name} of {section}: readings from {shown(first)} on are set aside ({counts}), and its zero "
                f"reading is now that of {shown(zero)}, {days:.1f} d later: what moved before is not in it"
            )
            found.append(
                finding(
                    "zero reading lost", sentence, section=section, prism=name, start=first, end=zero,
                    size=float(days),
                )
            )  # fmt: skip
    return found
