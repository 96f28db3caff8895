"""How fast the library is beside what a plain script would do: ``python -m tests.bench.speed``.

Every number is a ratio of two things timed in the same run on the same machine, in processor seconds (of the process,
all its threads), so that other work on the machine does not count; each side is the median of repeats. Tunnels are
invented here: a curve of the coupled law for each series, rounds with a rest day and a stoppage, noise.

Sizes: the usual run is small (minutes); ``--smoke`` takes seconds and is what the tests run; ``--full`` is the size of
the targets. The loop of single fits with lmfit is run on a sample of the series, spread evenly over the sections, and
scaled by their number; that is said beside the number.
"""

from __future__ import annotations

import argparse
import gc
import importlib
import importlib.metadata
import importlib.util
import math
import os
import platform
import resource
import statistics
import subprocess
import sys
import tempfile
import time
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path

import numpy as np
import pandas as pd

import convergence as cv
from convergence.fitting import fit_dataset, fit_sections
from convergence.plots import save_section_figures
from tests.bench.speed_made import WIDTH, made_job, made_portfolio, made_tunnel, with_lmfit


@dataclass(frozen=True)
class Scale:
    """How large the parts are.

    Sections of the tunnel that is fitted, series of the lmfit loop, sections of the tunnel of the outlook, its sweeps
    where only one outlook is made and where many are, dates of the hindcast, repeats.
    """

    sections: int
    sampled: int
    outlook_sections: int
    long_sweeps: int
    outlook_sweeps: int
    dates: int
    repeats: int


SCALES = {
    "smoke": Scale(4, 4, 2, 60, 60, 2, 1),
    "usual": Scale(150, 60, 8, 240, 240, 4, 3),
    "full": Scale(150, 150, 150, 2860, 2860, 40, 3),
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


def fits(scale: Scale, _: Path) -> list[Line]:
    """The whole tunnel against a loop of lmfit fits."""
    series = made_tunnel(scale.sections)
    every = max(1, len(series) // scale.sampled)
    # a step that shares no factor with the 21 series of a section, so that the sample sees every measure
    sample = list(range(0, len(series), every + (math.gcd(every, 21) > 1)))
    found: dict[int, float] = {}

    def loop() -> None:
        for place in sample:
            found[place] = float(with_lmfit([series[place]]).chisqr)

    slow = used(loop)[0] / len(sample) * len(series)
    note = (
        f"lmfit loop over {len(sample)} of {len(series):,} series, scaled; {sum(s.readings for s in series):,} readings"
    )
    lines = []
    for shape, target in (("section", ">= 100"), ("series", ">= 20")):
        fit_sections(series[:21], shape=shape)
        quick, spread = used(lambda shape=shape: fit_sections(series, shape=shape), scale.repeats)
        lines.append(Line(f"fits, shape by {shape}", slow, quick, slow / quick, target, f"+-{spread:.2g} s; {note}"))
        note = "the same loop"
    table = fit_sections(series, shape="series")
    rss = np.array([float(table.rss.sel(section=series[k].section, measure=series[k].label)) for k in sample])
    ratio = rss / np.array([found[k] for k in sample])
    errors = float(np.isfinite(table.standard_error.sel(parameter="amplitude")).mean())
    note = f"worst {ratio.max():.9f}, median {np.median(ratio):.9f}, {int((ratio > 1 + 1e-7).sum())} above 1 + 1e-7; "
    note += f"errors for {errors:.1%}"
    lines.append(Line("  residual sums, own shapes over lmfit, worst", math.nan, math.nan, ratio.max(), "<= 1", note))
    joint = fit_sections(series, shape="section")
    chosen = [series[first : first + 21] for first in range(0, len(series), 21)][:: max(1, scale.sections // 3)][:3]
    worst = max(float(joint.rss.sel(section=m[0].section).sum()) / with_lmfit(m).chisqr for m in chosen)
    errors = float(np.isfinite(joint.standard_error.sel(parameter="amplitude")).mean())
    note = f"worst {worst:.9f} against a joint lmfit fit of {len(chosen)} sections; errors for {errors:.1%}"
    lines.append(Line("  residual sums, shared shapes, worst", math.nan, math.nan, worst, "<= 1", note))
    return lines


def plain(place: Path) -> int:
    """What a script needs to have the readings: the files read and their times parsed."""
    frames = [pd.read_csv(file) for file in sorted((place / "readings").glob("*.csv"))]
    table = pd.concat(frames, ignore_index=True)
    table["time"] = pd.to_datetime(table["time"], utc=True, format="ISO8601")
    return len(table)


def whole(place: Path, as_of: np.datetime64 | None = None) -> object:
    """One outlook, from the files to the table."""
    return cv.outlook(cv.read_job(place, as_of=as_of))


def outlooks(scale: Scale, scratch: Path) -> list[Line]:
    """The outlook against reading the files, and again with one more day of readings."""
    place = made_job(scratch, scale.outlook_sections, scale.long_sweeps)
    rows = plain(place)
    base, _ = used(lambda: plain(place), scale.repeats)
    reading, _ = used(lambda: cv.read_job(place), scale.repeats)
    last = cv.read_job(place).now
    day_before = last - np.timedelta64(1, "D")
    first, _ = used(lambda: whole(place, day_before))
    second, _ = used(lambda: whole(place, last))
    note = f"{rows:,} rows; of the outlook reading and checks take {reading:.3g} s"
    return [
        Line("outlook over read_csv and times", second, base, second / base, "<= 3", note),
        Line("first outlook over the one a day later", first, second, first / second, ">= 10", "no figures"),
    ]


def hindcasts(scale: Scale, scratch: Path) -> list[Line]:
    """A hindcast against one outlook."""
    place = made_job(scratch, scale.outlook_sections, scale.outlook_sweeps)
    one, _ = used(lambda: whole(place))
    job = cv.read_job(place)
    days = np.linspace(0.3, 0.9, scale.dates) * _span(job)
    dates = [job.instant(_first(job) + float(day)) for day in days]
    many, _ = used(lambda: cv.hindcast(job, dates=dates))
    note = f"{scale.dates} dates; for 40 in proportion {40 * many / scale.dates / one:.3g}"
    return [Line(f"hindcast of {scale.dates} dates over one outlook", many, one, many / one, "< 8 (40)", note)]


def _first(job: cv.Job) -> float:
    return min(float(array["days"].values[0]) for array in job.arrays.values())


def _span(job: cv.Job) -> float:
    return max(float(array["days"].values[-1]) for array in job.arrays.values()) - _first(job)


def imports(scale: Scale, _: Path) -> list[Line]:
    """Processor time of an interpreter that imports the package, against one that imports what it stands on."""
    all_of_it = "import convergence.survey, convergence.triggers, convergence.fitting.job"
    texts = ("pass", "import numpy, scipy.optimize, xarray", "import convergence", all_of_it)
    repeats = 3 * scale.repeats
    taken: dict[str, list[float]] = {text: [] for text in texts}
    for _ in range(repeats):
        for text in texts:
            before = resource.getrusage(resource.RUSAGE_CHILDREN)
            subprocess.run([sys.executable, "-c", text], check=True)
            after = resource.getrusage(resource.RUSAGE_CHILDREN)
            taken[text].append(after.ru_utime + after.ru_stime - before.ru_utime - before.ru_stime)
    bare, other, own, every = (statistics.median(taken[text]) for text in texts)
    note = f"names load when used; an empty interpreter takes {bare:.3g} s"
    return [
        Line("import convergence over what it stands on", own, other, own / other, "<= 1.5", note),
        Line("  with reading, fits and outlook loaded", every, other, every / other, "", "pandas among it"),
    ]


def memory(scale: Scale, scratch: Path) -> list[Line]:
    """Peak memory of an outlook in a process of its own, over the readings as float64 (time and three numbers)."""
    place = made_job(scratch, scale.outlook_sections, scale.long_sweeps)
    size = plain(place) * 4 * 8 / 1e6
    body = "import convergence as cv\nfrom tests.bench.speed import whole\n"
    run = f"from pathlib import Path\nwhole(Path({str(place)!r}))\n"
    empty = "import convergence.plots, convergence.hindcasting\n"
    small = made_job(scratch, 1, 20)
    alone = _peak(body + empty + f"from pathlib import Path\nwhole(Path({str(small)!r}))\n")
    peak = _peak(body + empty + run)
    note = f"MB, beyond the {alone:.0f} MB that one section of 20 sweeps takes; with them {peak / size:.3g}"
    return [Line("peak memory of an outlook over readings", peak, size, (peak - alone) / size, "< 4", note)]


def _peak(text: str) -> float:
    """Peak memory [MB] of an interpreter that runs a text."""
    tail = "import resource, sys\nprint(resource.getrusage(resource.RUSAGE_SELF).ru_maxrss)"
    done = subprocess.run([sys.executable, "-c", text + tail], check=True, capture_output=True, text=True)
    # the unit is kilobytes on Linux and bytes on macOS
    return int(done.stdout.split()[-1]) * (1.0 if sys.platform == "darwin" else 1024.0) / 1e6


def exponent(sizes: list[float], seconds: list[float]) -> float:
    """Slope of the logarithm of time over the logarithm of size."""
    return float(np.polyfit(np.log(sizes), np.log(seconds), 1)[0])


def growth(scale: Scale, scratch: Path) -> list[Line]:
    """How time grows with sections, prisms, readings and dates, as exponents."""
    few = scale.repeats == 1
    sections = [8, 16, 32] if few else [20, 40, 80, 160]
    cases: list[tuple[str, list[float], Callable[[float], object]]] = []
    for shape in ("section", "series"):
        cases += [
            (
                f"fits by {shape}, sections",
                [float(k) for k in sections],
                lambda k, shape=shape: (made_tunnel(int(k), readings=400, prisms=2), shape),
            ),
            (
                f"fits by {shape}, prisms",
                [2.0, 4.0, 8.0] if few else [3.0, 6.0, 12.0, 24.0],
                lambda k, shape=shape: (made_tunnel(10, readings=400, prisms=int(k)), shape),
            ),
            (
                f"fits by {shape}, readings",
                [250.0, 500.0, 1000.0] if few else [375.0, 750.0, 1500.0, 3000.0],
                lambda k, shape=shape: (made_tunnel(10, readings=int(k), prisms=2), shape),
            ),
        ]
    lines = []
    for what, sizes, make in cases:
        seconds = []
        for size in sizes:
            series, shape = make(size)
            seconds.append(used(lambda series=series, shape=shape: fit_sections(series, shape=shape), 3)[0])
        lines.append(_grown(what, sizes, seconds))
    if few:
        jobs = {"sections": [(1, 40, 4), (2, 40, 4)]}
    else:
        jobs = {
            "sections": [(4, 120, 4), (8, 120, 4), (16, 120, 4)],
            "prisms": [(4, 120, 2), (4, 120, 4), (4, 120, 8)],
            "readings": [(4, 120, 4), (4, 480, 4), (4, 1920, 4)],
        }
    for what, cells in jobs.items():
        place = {"sections": 0, "prisms": 2, "readings": 1}[what]
        seconds = [used(lambda cell=cell: whole(made_job(scratch, *cell)))[0] for cell in cells]
        lines.append(_grown(f"outlook, {what}", [float(cell[place]) for cell in cells], seconds))
    job = cv.read_job(made_job(scratch, 2, 60 if few else 240, 4))
    counts = [1, 2] if few else [2, 4, 8]
    seconds = []
    for count in counts:
        days = np.linspace(0.4, 0.9, count) * _span(job)
        dates = [job.instant(_first(job) + float(day)) for day in days]
        seconds.append(used(lambda dates=dates: cv.hindcast(job, dates=dates, levels=False))[0])
    return [*lines, _grown("hindcast, dates", [float(count) for count in counts], seconds)]


def _grown(what: str, sizes: list[float], seconds: list[float]) -> Line:
    note = ", ".join(f"{size:g}: {second:.3g} s" for size, second in zip(sizes, seconds, strict=True))
    return Line(f"growth, {what}", seconds[-1], seconds[0], exponent(sizes, seconds), "<= 1", note)


def figures(scale: Scale, scratch: Path) -> list[Line]:
    """Figures of sections, in proportion for 150 and two cores."""
    found = whole(made_job(scratch, scale.outlook_sections, scale.outlook_sweeps))
    count = len(list(scratch.glob("figures/*.png"))) or scale.outlook_sections
    taken, _ = used(lambda: save_section_figures(found, scratch / "figures"))
    scaled = taken / count * 150 / 2
    return [Line("figures of 150 sections on 2 cores", scaled, taken, scaled, "< 60 s", f"{count} drawn, scaled")]


def workers(scale: Scale, _: Path) -> list[Line]:
    """Wall seconds of the fits of a portfolio in this process, against two dask workers on the same machine."""
    if importlib.util.find_spec("distributed") is None:
        return [Line("fits on 2 dask workers", math.nan, math.nan, math.nan, "", "dask is not installed")]
    # loaded for this part alone, because they are in an extra
    distributed = importlib.import_module("distributed")
    readings = made_portfolio(4 * scale.sections)
    chunks = readings.chunk({"section": max(1, scale.sections // 4)})
    began = time.perf_counter()
    fit_dataset(readings, width=WIDTH, shape="series")
    here = time.perf_counter() - began
    began = time.perf_counter()
    cluster = distributed.LocalCluster(n_workers=2, threads_per_worker=1, dashboard_address=":0")
    with cluster, distributed.Client(cluster):
        start = time.perf_counter() - began
        began = time.perf_counter()
        fit_dataset(chunks, width=WIDTH, shape="series").compute()
        spread = time.perf_counter() - began
    note = f"wall; {readings.movement.size:,} readings; starting the workers takes {start:.2g} s besides"
    return [Line("fits here over fits on 2 dask workers", here, spread, here / spread, "", note)]


PARTS: dict[str, Callable[[Scale, Path], list[Line]]] = {
    "import": imports,
    "fits": fits,
    "outlook": outlooks,
    "hindcast": hindcasts,
    "memory": memory,
    "figures": figures,
    "workers": workers,
    "growth": growth,
}


def machine() -> str:
    """What the numbers were measured on."""
    versions = ", ".join(f"{name} {importlib.metadata.version(name)}" for name in ("numpy", "scipy", "pandas", "lmfit"))
    cores = len(os.sched_getaffinity(0)) if hasattr(os, "sched_getaffinity") else os.cpu_count()
    return f"{platform.machine()}, {cores} cores, Python {platform.python_version()}, {versions}"


def main(arguments: list[str] | None = None) -> int:
    """Run the parts asked for and print a line for each."""
    parser = argparse.ArgumentParser(prog="python -m tests.bench.speed", description=(__doc__ or "").splitlines()[0])
    parser.add_argument("--part", choices=PARTS, action="append", help="run these parts only")
    size = parser.add_mutually_exclusive_group()
    size.add_argument("--smoke", action="store_const", const="smoke", dest="size", help="seconds; for the tests")
    size.add_argument("--full", action="store_const", const="full", dest="size", help="the size of the targets")
    options = parser.parse_args(arguments)
    name = options.size or "usual"
    print(f"{machine()}\nsize: {name}, {SCALES[name]}; processor seconds, medians")
    print(f"{'':<44} {'one side':>10} {'the other':>10} {'ratio':>8}  target")
    with tempfile.TemporaryDirectory() as scratch:
        for part in options.part or PARTS:
            for line in PARTS[part](SCALES[name], Path(scratch)):
                print(line, flush=True)
    return 0


if __name__ == "__main__":
    sys.exit(main())
