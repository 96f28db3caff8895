"""``strain_gauges.csv``: readings of gauges on girders or in the sprayed concrete; few jobs have it."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path

import numpy as np

from convergence.errors import Fault, JobError
from convergence.job.account import Account
from convergence.job.tables import numbers, read_table
from convergence.job.times import FORM, parse_times

FILE = "strain_gauges.csv"
LARGEST_STRAIN = 1e5
"""No gauge reads more [microstrain]; a larger number is of another unit."""


@dataclass(frozen=True)
class GaugeReading:
    """One reading: instant (UTC), section, gauge, strain [microstrain, + compression], line in the file."""

    time: np.datetime64
    section: str
    gauge: str
    strain: float
    line: int


def read_strain_gauges(folder: str | Path, as_of: np.datetime64 | None = None) -> tuple[GaugeReading, ...]:
    """Read ``strain_gauges.csv`` of a job folder.

    Parameters
    ----------
    folder : str or Path
        The job folder; the file has the columns ``time, section, gauge, strain_microstrain``, compression positive,
        from any zero of each gauge's own.
    as_of : datetime64, optional
        Nothing later is read.

    Returns
    -------
    tuple of GaugeReading
        By section, gauge and time.

    Raises
    ------
    JobError
        The file cannot be used, or holds a time without offset or something that is no strain; all faults at once.
    """
    faults: list[Fault] = []
    columns = ("time", "section", "gauge", "strain_microstrain")
    table = read_table(Path(folder) / FILE, FILE, columns, (), (), (), faults, Account(), [])
    if table is None:
        raise JobError(str(folder), faults)
    instants, _ = parse_times(table.text("time"))
    kept = ~np.isnat(instants)
    values, _ = numbers(table.text("strain_microstrain"))
    found = []
    for place, line in enumerate(table.line.tolist()):
        section, gauge = str(table.text("section")[place]), str(table.text("gauge")[place])
        if not kept[place]:
            when = str(table.text("time")[place])
            faults.append(Fault(FILE, line, "time", when, FORM, "give the time with its offset"))
        if not (np.isfinite(values[place]) and abs(values[place]) <= LARGEST_STRAIN):
            text = str(table.text("strain_microstrain")[place])
            expected = f"microstrain, within {LARGEST_STRAIN:g}, compression positive"
            faults.append(Fault(FILE, line, "strain_microstrain", text, expected, "correct the number or drop the row"))
        for name, text in (("section", section), ("gauge", gauge)):
            if not text:
                faults.append(Fault(FILE, line, name, "", f"the name of the {name}", "fill it in"))
        if as_of is None or not kept[place] or instants[place] <= as_of:
            found.append(GaugeReading(instants[place], section, gauge, float(values[place]), line))
    if faults:
        raise JobError(str(folder), faults)
    return tuple(sorted(found, key=lambda item: (item.section, item.gauge, item.time)))
