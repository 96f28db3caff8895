"""Readings under a name that ``prisms.csv`` does not have: whose they are, by where and when they were read."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt
import pandas as pd

from convergence.job.findings import Finding, event_line, finding
from convergence.job.reading import JobFolder
from convergence.job.times import shown
from convergence.survey.misnamed import GONE_SWEEPS, NEAR_DAYS, NEAR_PLACE, sweeps_after
from convergence.survey.sweeps import PAUSE_MINUTES

Floats = npt.NDArray[np.float64]
Instants = npt.NDArray[np.datetime64]

#: Fewer readings than this under a name are a slip of the pen and no prism.
FEWEST = 3
#: Names looked at, those with the most readings first.
MOST_NAMES = 40
#: Share of a stranger's readings that are read with the section it is of.
TOGETHER = 0.8


def strangers(folder: JobFolder) -> list[Finding]:
    """Unknown names that begin where and when a prism ends; nothing is joined without a person.

    Coordinates tell the place; movements along the axes do not, so there only the times speak: the name is read in the
    sweeps of a section of which one prism, and no other, was read no more when it began.

    Parameters
    ----------
    folder : JobFolder
        The folder, its readings renamed by events already.

    Returns
    -------
    list of Finding
        One for each name that may be a prism's, with the line of ``events.csv`` that joins it.
    """
    if not len(folder.strangers):
        return []
    counts = folder.strangers["name"].value_counts(sort=True)
    names = sorted(str(name) for name in counts[counts >= FEWEST].index[:MOST_NAMES])
    if not names:
        return []
    prism = folder.readings["prism"].to_numpy(dtype=np.int64)
    time = folder.readings["time"].to_numpy(dtype="datetime64[ns]")
    sections = np.array([item.section for item in folder.prisms], dtype=object)
    found = []
    for name in names:
        rows = folder.strangers[folder.strangers["name"] == name].sort_values("time", kind="stable")
        first = rows["time"].to_numpy(dtype="datetime64[ns]")[0]
        near = []
        for index, item in enumerate(folder.prisms):
            mine = prism == index
            if not mine.any() or not 0.0 < (first - time[mine].max()) / np.timedelta64(1, "D") <= NEAR_DAYS:
                continue
            others = np.sort(time[(sections[prism] == item.section) & ~mine])
            last = time[mine].max()
            if sweeps_after(others, last) >= GONE_SWEEPS and _read_with(rows, others) >= TOGETHER:
                near.append((_apart(folder, rows, np.flatnonzero(mine)), index, last))
        placed = [item for item in near if item[0] <= NEAR_PLACE]
        # without a place one candidate is enough and two are too many
        chosen = min(placed) if placed else near[0] if len(near) == 1 and np.isnan(near[0][0]) else None
        if chosen is not None:
            found.append(_told(folder, name, rows, *chosen))
    return found


def _read_with(rows: pd.DataFrame, others: Instants) -> float:
    """Share of a name's readings that are read within a pause of those of a section."""
    time = rows["time"].to_numpy(dtype="datetime64[ns]")
    at = np.searchsorted(others, time)
    away = [np.abs(time - others[np.clip(at + step, 0, len(others) - 1)]) for step in (-1, 0)]
    return float((np.minimum(*away) <= np.timedelta64(PAUSE_MINUTES, "m")).mean())


def _apart(folder: JobFolder, rows: pd.DataFrame, mine: npt.NDArray[np.int64]) -> float:
    """How far [m] a name is first read from where a prism was read last; NaN where movements hold no place."""
    last = folder.readings.iloc[int(mine[-1])]
    if not (bool(rows["coordinates"].iloc[0]) and bool(last["coordinates"])):
        return float("nan")
    return float(np.linalg.norm(rows[list("abc")].iloc[0].to_numpy(float) - last[list("abc")].to_numpy(float)))


def _told(folder: JobFolder, name: str, rows: pd.DataFrame, apart: float, index: int, last: np.datetime64) -> Finding:
    item, first = folder.prisms[index], rows["time"].to_numpy(dtype="datetime64[ns]")[0]
    line = event_line(first, item.section, f"{item.name}:{name}", "prism replaced")
    where = "in the sweeps of its section" if np.isnan(apart) else f"{apart:.2f} m from its last place"
    sentence = (
        f"{name} is not in prisms.csv; its {len(rows)} readings begin {shown(first)}, {where}, where {item.name} of "
        f"{item.section} ends, last read {shown(last)}. Where it took its place, this line of events.csv joins the "
        f"two: {line}"
    )
    return finding(
        "prism under another name", sentence, section=item.section, prism=f"{item.name}:{name}", start=last,
        end=first, size=1e3 * apart, line=line,
    )  # fmt: skip
