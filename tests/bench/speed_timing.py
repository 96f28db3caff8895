"""What the parts of the bench of speed share: how large they are, a line of the result, and how time is taken."""

from __future__ import annotations

import gc
import statistics
import time
from collections.abc import Callable
from dataclasses import dataclass

import numpy as np

import convergence as cv


@dataclass(frozen=True)
class Scale:
    """How large the parts are.

    Sections of the tunnel that is fitted, series of the lmfit loop; sections of the tunnel of the outlook and readings
    of each of its prisms; the same of the tunnel of the hindcast, and its dates; repeats.
    """

    sections: int
    sampled: int
    outlook_sections: int
    readings: int
    hindcast_sections: int
    hindcast_readings: int
    dates: int
    repeats: int


SCALES = {
    "smoke": Scale(4, 4, 2, 60, 2, 60, 2, 1),
    "usual": Scale(150, 60, 40, 1070, 8, 150, 4, 1),
    "full": Scale(150, 150, 150, 2860, 40, 1070, 40, 1),
}


@dataclass(frozen=True)
class Line:
    """One line of the result: what, the slow and the quick side [s], their ratio and the target, a note."""

    what: str
    one: float
    other: float
    ratio: float
    target: str
    note: str = ""

    def __str__(self) -> str:
        return (
            f"{self.what:<44} {self.one:>10.4g} {self.other:>10.4g} {self.ratio:>8.3g}  {self.target:<10} {self.note}"
        )


def used(work: Callable[[], object], repeats: int = 1) -> tuple[float, float]:
    """Median processor seconds of repeats, and their spread (largest less smallest)."""
    found = []
    for _ in range(repeats):
        gc.collect()
        began = time.process_time()
        work()
        found.append(time.process_time() - began)
    return statistics.median(found), max(found) - min(found)


def elapsed(work: Callable[[], object]) -> float:
    """Wall seconds, for work spread over processes."""
    began = time.perf_counter()
    work()
    return time.perf_counter() - began


def exponent(sizes: list[float], seconds: list[float]) -> float:
    """Slope of the logarithm of time over the logarithm of size."""
    return float(np.polyfit(np.log(sizes), np.log(seconds), 1)[0])


def first_day(job: cv.Job) -> float:
    """Day of the first reading of a job."""
    return min(float(array["days"].values[0]) for array in job.arrays.values())


def span(job: cv.Job) -> float:
    """Days from the first reading to the last."""
    return max(float(array["days"].values[-1]) for array in job.arrays.values()) - first_day(job)
