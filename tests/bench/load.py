"""How much memory and time a large job takes: ``python -m tests.bench.load``.

An invented tunnel of 300 sections on a curve, 2,000 prisms read four times a day and 5 million coordinates in monthly
files is written to a folder of its own, read, checked and projected. Each step runs in a process of its own, so that
its peak memory is its own (``--step`` runs one of them; the outlook takes a quarter of an hour); reading the same files
with plain ``pandas.read_csv`` stands beside it as the measure of what the bytes alone cost. Exit code 1 where a step
needs more memory than allowed.
"""

from __future__ import annotations

import argparse
import math
import multiprocessing
import resource
import sys
import tempfile
import time
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from pathlib import Path

import numpy as np
import pandas as pd

from convergence.job.reading import read_folder
from convergence.measures import measure_section
from convergence.report.check import check_text
from convergence.survey import read_job
from convergence.survey.alignment import Alignment, Arc, ProfilePoint, Straight
from convergence.triggers import outlook

START = np.datetime64("2031-03-03T04:00:00", "s")
SPACING, SPEED, SWEEPS_A_DAY, FIRST_SECTION = 10.0, 5.0, 4, 120.0
NOISE, AMPLITUDE, DAYS = 0.4, 25.0, 6.0
#: Offset and height of the places an array may have [m]; a section takes the first six or seven.
PLACES = ((0.0, 7.0), (-4.0, 5.5), (4.0, 5.5), (-5.5, 2.5), (5.5, 2.5), (-5.0, 0.8), (5.0, 0.8), (0.5, 7.0))
#: Most memory a step may take [GB].
ALLOWED = 8.0


@dataclass(frozen=True)
class Size:
    """How large the job is: sections, prisms and readings in all."""

    sections: int
    prisms: int
    readings: int

    @property
    def sweeps(self) -> int:
        """Readings of each prism."""
        return -(-self.readings // self.prisms)

    def places(self, section: int) -> int:
        """Prisms of a section, by its number."""
        least, more = divmod(self.prisms, self.sections)
        return least + (section < more)


FULL = Size(300, 2_000, 5_000_000)
SMALL = Size(15, 100, 50_000)


def axis_of(size: Size) -> Alignment:
    """A straight, then a curve, long enough for all sections."""
    length = SPACING * size.sections + 200.0
    elements = (Straight(0.3 * length), Arc(0.7 * length, 900.0))
    ends = (ProfilePoint(100.0, 300.0), ProfilePoint(100.0 + length, 300.0 + 0.01 * length))
    return Alignment(100.0, 2000.0, 5000.0, math.radians(40.0), elements, ends)


def settings_of(axis: Alignment) -> str:
    """``tunnel.toml`` of the job."""
    straight, arc = axis.elements
    first, last = axis.profile
    return f"""[tunnel]
name = "Invented, for load"
width_m = 12.0
height_m = 9.0
drive = "up-chainage"

[[stage]]
name = "heading"

[[alignment]]
kind = "straight"
length_m = {straight.length!r}
start_chainage_m = {axis.start_chainage}
start_easting_m = {axis.start_easting}
start_northing_m = {axis.start_northing}
start_azimuth_deg = 40.0

[[alignment]]
kind = "arc"
length_m = {arc.length!r}
radius_m = 900.0
turn = "right"

[[profile]]
chainage_m = {first.chainage}
elevation_m = {first.elevation}

[[profile]]
chainage_m = {last.chainage}
elevation_m = {last.elevation}
"""


def write_load(folder: Path, size: Size) -> None:
    """Write the job: settings, prisms, one round a shift, readings in a file a month."""
    axis = axis_of(size)
    (folder / "readings").mkdir(parents=True)
    (folder / "tunnel.toml").write_text(settings_of(axis), encoding="utf-8")
    chainage = FIRST_SECTION + SPACING * np.arange(size.sections)
    counts = np.array([size.places(section) for section in range(size.sections)])
    section = np.repeat(np.arange(size.sections), counts)
    place = np.concatenate([np.arange(count) for count in counts])
    offset, height = np.array(PLACES)[place].T
    name = np.array([f"S{one:04d}-{two}" for one, two in zip(section, place, strict=True)], dtype=object)
    table = pd.DataFrame({"prism": name, "section": [f"S{one:04d}" for one in section]})
    table["position"] = [f"place {one}" for one in place]
    for column, values in (("chainage_m", chainage[section]), ("offset_m", offset), ("height_m", height)):
        table[column] = values
    table.to_csv(folder / "prisms.csv", index=False)
    days = np.arange(0.0, size.sections * SPACING / SPEED + 8.0, 0.5)
    rounds = pd.DataFrame({"time": instants(days), "stage": "heading"})
    rounds["chainage_m"] = FIRST_SECTION - 10.0 + SPEED * days
    rounds.to_csv(folder / "advance.csv", index=False, float_format="%.3f")
    for number, frame in enumerate(_months(axis, size, section, chainage, offset, height, name)):
        frame.to_csv(folder / "readings" / f"{number:03d}.csv", index=False, float_format="%.4f")


def instants(days: np.ndarray) -> np.ndarray:
    """Times of the job as the files give them."""
    seconds = START + np.round(days * 86_400).astype("timedelta64[s]")
    return np.char.add(np.datetime_as_string(seconds), "Z")


def _months(
    axis: Alignment,
    size: Size,
    section: np.ndarray,
    chainage: np.ndarray,
    offset: np.ndarray,
    height: np.ndarray,
    name: np.ndarray,
) -> Iterator[pd.DataFrame]:
    """Readings in the order of time, a table a month."""
    rng = np.random.default_rng(20310303)
    place = np.column_stack(axis.point(chainage[section], offset, height))
    azimuth = axis.azimuth(chainage[section])
    along = np.column_stack([np.sin(azimuth), np.cos(azimuth)])
    right = np.column_stack([np.cos(azimuth), -np.sin(azimuth)])
    passage = np.round((chainage - FIRST_SECTION + 10.0) / SPEED * 4) / 4 + 0.25
    last = passage.max() + size.sweeps / SWEEPS_A_DAY
    scale = rng.uniform(0.5, 1.5, len(name))
    for first in np.arange(0.0, last + 30.0, 30.0):
        ticks = np.arange(first, first + 30.0, 1.0 / SWEEPS_A_DAY)
        number = np.round((ticks[:, None] - passage[section]) * SWEEPS_A_DAY)
        tick, prism = np.nonzero((number >= 0) & (number < size.sweeps))
        if not len(tick):
            continue
        # the prisms of an array are read within minutes
        day = ticks[tick] + (prism % 8) / 1440
        moved = AMPLITUDE * scale[prism] * (1 - np.exp(-(day - passage[section[prism]] + 0.25) / DAYS))
        noise = rng.normal(0.0, NOISE, (len(tick), 3))
        length, across = -0.1 * moved + noise[:, 0], -0.3 * np.sign(offset[prism]) * moved + noise[:, 1]
        plan = along[prism] * length[:, None] + right[prism] * across[:, None]
        found = place[prism].copy()
        found[:, :2] += plan / 1e3
        found[:, 2] -= (moved + noise[:, 2]) / 1e3
        columns = dict(zip(("easting_m", "northing_m", "elevation_m"), found.T, strict=True))
        yield pd.DataFrame({"time": instants(day), "prism": name[prism], **columns})


def plain(folder: Path) -> str:
    """The same readings with plain pandas."""
    frames = [pd.read_csv(file) for file in sorted((folder / "readings").glob("*.csv"))]
    return f"{sum(map(len, frames)):,} rows"


def folder_only(folder: Path) -> str:
    """The folder read and accounted for, not reduced."""
    return f"{len(read_folder(folder).readings):,} readings used"


def checked(folder: Path) -> str:
    """The job read, reduced, screened, and its account printed."""
    job = read_job(folder)
    text = check_text(job)
    table = job.account.table
    used = sum(int((array["row"].values[array["used"].values] >= 0).sum()) for array in job.arrays.values())
    readings = table[table["file"].str.startswith("readings")]
    if used != int(readings["used"].sum()):
        raise AssertionError(f"the account says {int(readings['used'].sum())} readings used, the arrays hold {used}")
    return f"{used:,} readings used, {len(text.splitlines())} lines of account"


def measured(folder: Path) -> str:
    """The job read, and every measure of every section made."""
    job = read_job(folder)
    return f"{sum(len(measure_section(job, section)) for section in job.sections):,} series"


def outlooked(folder: Path) -> str:
    """The main job: read, projected, compared with levels, in one process; a quarter of an hour and more."""
    return f"{len(outlook(read_job(folder)).table):,} rows"


STEPS: dict[str, Callable[[Path], str]] = {
    "pandas.read_csv": plain,
    "read_folder": folder_only,
    "read_job, check": checked,
    "read_job, measures": measured,
    "outlook": outlooked,
}


def timed(step: str, folder: Path) -> tuple[float, float, str]:
    """Seconds and peak memory [GB] of a step in a fresh process, and what it says."""
    context = multiprocessing.get_context("spawn")
    with context.Pool(1) as pool:
        return pool.apply(_inside, (step, folder))


def _inside(step: str, folder: Path) -> tuple[float, float, str]:
    began = time.perf_counter()
    said = STEPS[step](folder)
    seconds = time.perf_counter() - began
    # the unit is kilobytes on Linux and bytes on macOS
    unit = 1.0 if sys.platform == "darwin" else 1024.0
    return seconds, resource.getrusage(resource.RUSAGE_SELF).ru_maxrss * unit / 1e9, said


def main() -> int:
    """Write the job, run the steps, print what they took."""
    parser = argparse.ArgumentParser(prog="python -m tests.bench.load", description=(__doc__ or "").splitlines()[0])
    parser.add_argument("--share", type=float, default=1.0, help="size of the job as a share of the full one (1)")
    parser.add_argument("--folder", type=Path, help="keep the job here, and use it where it is already there")
    parser.add_argument("--step", choices=STEPS, action="append", help="run these steps only")
    options = parser.parse_args()
    share = options.share
    size = Size(*(max(2, round(count * share)) for count in (FULL.sections, FULL.prisms)), round(FULL.readings * share))
    if share < 1.0:
        # a smaller job keeps the series as long as they are, with fewer sections
        size = Size(size.sections, size.prisms, size.prisms * FULL.sweeps)
    with tempfile.TemporaryDirectory() as scratch:
        folder = options.folder or Path(scratch) / "job"
        if not (folder / "tunnel.toml").exists():
            write_load(folder, size)
        total = sum(file.stat().st_size for file in (folder / "readings").glob("*.csv"))
        print(f"{size.sections} sections, {size.prisms} prisms, {total / 1e6:,.0f} MB of readings")
        print(f"{'step':<20} {'seconds':>8} {'peak GB':>8}")
        worst = 0.0
        for step in options.step or STEPS:
            seconds, peak, said = timed(step, folder)
            worst = max(worst, peak)
            print(f"{step:<20} {seconds:8.1f} {peak:8.2f}  {said}", flush=True)
    return int(worst > ALLOWED)


if __name__ == "__main__":
    sys.exit(main())
