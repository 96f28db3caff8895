"""How often the remark "movement restarted" is wrong, and how often it comes: part of ``python -m tests.bench.faults``.

On the sections of ``fault_sites`` that do nothing of themselves, read with and without faults of the record, every
section that is told is a false alarm, for the log has all its faces; counted against the section-months in which no
face was within reach. On the same sites with their second stage 60 m behind the heading, out of the reach of any
logged face, every section it has passed ten days ago should be told.
"""

from __future__ import annotations

import tempfile
from collections import Counter
from dataclasses import dataclass, field
from pathlib import Path

import numpy as np
import xarray as xr

from convergence.survey import read_job
from convergence.survey.restarts import ERRORS, LEAST, NEAR_WIDTHS, restart
from tests.bench.fault_sites import make_site, plant_faults, write_site

#: Metres by which the stage that is in no log follows the heading.
UNLOGGED = 60.0
#: Sections without fast movements of their own.
STILL = ("S0", "S1", "S2", "S3")
#: Rises [mm/day] and numbers of standard errors looked at, beside those in use.
GRID = ((0.2, 3.0), (0.3, 4.0), (LEAST, ERRORS), (0.5, 6.0), (0.8, 4.0), (0.8, 6.0), (1.2, 8.0))
DAYS_A_MONTH = 30.4
CLEAN, FAULTY, BARE = KINDS = ("clean", "with faults", "stage in no log")


@dataclass
class Restarts:
    """Sections told by kind of site and threshold, the sections judged, and their section-months without a face."""

    told: Counter[tuple[str, float, float]] = field(default_factory=Counter)
    judged: Counter[str] = field(default_factory=Counter)
    months: dict[str, float] = field(default_factory=dict)

    def add(self, kind: str, arrays: list[xr.Dataset]) -> None:
        """Judge the sections of a site."""
        self.judged[kind] += len(arrays)
        for array in arrays:
            near = NEAR_WIDTHS * array["stage_width"].values
            distance = array["face_distance"].values
            quiet = array["days"].values[(distance > near).all(axis=1)]
            self.months[kind] = (
                self.months.get(kind, 0.0) + (float(np.ptp(quiet)) if len(quiet) else 0.0) / DAYS_A_MONTH
            )
            for least, errors in GRID:
                self.told[kind, least, errors] += restart(array, near, least, errors) is not None

    def text(self) -> str:
        """The table: false alarms and share found by threshold."""
        clean, faulty, unlogged = KINDS
        lines = [
            f"movement restarted: {self.judged[clean]} clean sections, {self.months[clean]:.0f} section-months without "
            f"a face; {self.judged[faulty]} with faults, {self.months[faulty]:.0f}; {self.judged[unlogged]} with a "
            "stage in no log",
            f"{'rise mm/day, errors':<22} {'false, clean':>13} {'with faults':>12} {'found':>7}",
        ]
        lines += [
            f"{least:>5.1f} {errors:>5.1f}{' in use' if (least, errors) == (LEAST, ERRORS) else '':<10} "
            f"{self.told[clean, least, errors]:>13} {self.told[faulty, least, errors]:>12} "
            f"{self.told[unlogged, least, errors] / max(self.judged[unlogged], 1):>7.0%}"
            for least, errors in GRID
        ]
        return "\n".join(lines)


def restart_study(first: int, sites: int) -> Restarts:
    """Make, read and judge sites of each kind, the seeds from ``first`` on."""
    found = Restarts()
    for seed in range(first, first + sites):
        for kind in KINDS:
            site = make_site(seed, UNLOGGED) if kind == BARE else make_site(seed)
            if kind == FAULTY:
                plant_faults(site)
            with tempfile.TemporaryDirectory() as name:
                write_site(site, Path(name))
                job = read_job(name)
            found.add(kind, [job.arrays[section] for section in STILL])
    return found
