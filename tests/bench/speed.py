"""How fast the library is beside what a plain script would do: ``python -m tests.bench.speed``.

Every number is a ratio of two things timed in the same run on the same machine, in processor seconds (of the process,
all its threads), so that other work on the machine does not count; each side is the median of repeats. Tunnels are
invented here: a curve of the coupled law for each series, rounds with a rest day and a stoppage, noise; as a job
folder a drive whose sections are read often near the face and seldom far behind (``speed_drive``).

Sizes: the usual run is small (minutes); ``--smoke`` takes seconds and is what the tests run; ``--full`` is the size of
the targets. The loop of single fits with lmfit is run on a sample of the series, spread evenly over the sections, and
scaled by their number; that is said beside the number.
"""

from __future__ import annotations

import argparse
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
from pathlib import Path

import numpy as np
import pandas as pd

import convergence as cv
from convergence.cache import Store, keep
from convergence.fitting import fit_dataset, fit_sections
from convergence.plots import save_section_figures
from convergence.projection.project import project_job
from convergence.survey.kept import kept_job
from convergence.triggers.kept import kept_outlook
from tests.bench.speed_drive import made_drive
from tests.bench.speed_growth import growth
from tests.bench.speed_made import WIDTH, made_portfolio, made_tunnel, with_lmfit
from tests.bench.speed_timing import SCALES, Line, Scale, elapsed, first_day, span, used


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


def whole(place: Path, as_of: np.datetime64 | None = None, store: Store | None = None) -> object:
    """One outlook as the command makes it, from the files to the table; without a store nothing is kept."""
    with keep(store):
        return kept_outlook(kept_job(place, as_of))


def outlooks(scale: Scale, scratch: Path) -> list[Line]:
    """The outlook against reading the files; again with one more day of readings, and with the same."""
    place = made_drive(scratch, scale.outlook_sections, scale.readings)
    # once for what loads when it is used
    whole(made_drive(scratch, 2, 60))
    rows = plain(place)
    base, _ = used(lambda: plain(place), 3)
    reading, _ = used(lambda: cv.read_job(place), scale.repeats)
    job = cv.read_job(place)
    projecting, _ = used(lambda: project_job(job), 1)
    store = Store(str(scratch / "kept"))
    day_before = job.now - np.timedelta64(1, "D")
    first, _ = used(lambda: whole(place, day_before, store))
    second, _ = used(lambda: whole(place, None, store))
    again, _ = used(lambda: whole(place, None, store), scale.repeats)
    check, _ = used(lambda: cv.read_job(place), scale.repeats)
    with keep(store):
        checked, _ = used(lambda: kept_job(place), scale.repeats)
    note = f"{rows:,} rows; reading and checks {reading:.3g} s, projecting {projecting:.3g} s"
    size = sum(entry.stat().st_size for entry in (scratch / "kept").iterdir()) / 1e6
    return [
        Line("outlook over read_csv and times", second, base, second / base, "<= 3", note),
        Line("  of it reading and checks", reading, base, reading / base, "", ""),
        Line("first outlook over the one a day later", first, second, first / second, ">= 10", "no figures"),
        Line("outlook over the same again, files unchanged", second, again, second / again, "", f"{size:.0f} MB kept"),
        Line("check over the same again, files unchanged", check, checked, check / checked, "", "reading alone"),
    ]


def hindcasts(scale: Scale, scratch: Path) -> list[Line]:
    """A hindcast against one outlook, again with its projections kept, and in two processes."""
    place = made_drive(scratch, scale.hindcast_sections, scale.hindcast_readings)
    one, _ = used(lambda: whole(place))
    job = cv.read_job(place)
    days = np.linspace(0.3, 0.9, scale.dates) * span(job)
    dates = [job.instant(first_day(job) + float(day)) for day in days]
    with keep(Store(str(scratch / "kept hindcast"))):
        many, _ = used(lambda: cv.hindcast(job, dates=dates))
        again, _ = used(lambda: cv.hindcast(job, dates=dates))
    single, double = (elapsed(lambda count=count: cv.hindcast(job, dates=dates, processes=count)) for count in (1, 2))
    note = f"{scale.dates} dates; for 40 in proportion {40 * many / scale.dates / one:.3g}"
    return [
        Line(f"hindcast of {scale.dates} dates over one outlook", many, one, many / one, "< 8 (40)", note),
        Line("hindcast over the same with projections kept", many, again, many / again, "", ""),
        Line("hindcast over the same in two processes", single, double, single / double, "", "wall seconds"),
    ]


def processes(scale: Scale, scratch: Path) -> list[Line]:
    """Wall seconds of a projection in one process, against two, from a small tunnel to a large one."""
    lines = []
    for sections in sorted({2, scale.hindcast_sections, scale.outlook_sections}):
        job = cv.read_job(made_drive(scratch, sections, min(scale.readings, 300)))
        one, two = (elapsed(lambda count=count, job=job: project_job(job, processes=count)) for count in (1, 2))
        lines.append(
            Line(f"projecting {sections} sections over two processes", one, two, one / two, "", "wall seconds")
        )
    return lines


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
    place = made_drive(scratch, scale.outlook_sections, scale.readings)
    size = plain(place) * 4 * 8 / 1e6
    body = "from pathlib import Path\nimport convergence as cv\nfrom tests.bench.speed import plain, whole\n"
    alone = _peak(body + f"whole(Path({str(made_drive(scratch, 1, 20))!r}))\n")
    lines = []
    for what, call, target in (
        ("an outlook", "whole", "< 4"),
        ("reading", "cv.read_job", ""),
        ("read_csv", "plain", ""),
    ):
        peak = _peak(body + f"{call}(Path({str(place)!r}))\n")
        note = (
            f"MB, beyond the {alone:.0f} MB of an outlook of one section with 20 readings; with them {peak / size:.3g}"
        )
        lines.append(Line(f"peak memory of {what} over readings", peak, size, (peak - alone) / size, target, note))
    return lines


def _peak(text: str) -> float:
    """Peak memory [MB] of an interpreter that runs a text."""
    tail = "from tests.bench.speed import peak_here\nprint(peak_here())"
    done = subprocess.run([sys.executable, "-c", text + tail], check=True, capture_output=True, text=True)
    return float(done.stdout.split()[-1])


def peak_here() -> float:
    """Peak memory [MB] of this process since it began to run its program."""
    status = Path("/proc/self/status")
    if status.exists():
        # ru_maxrss of a child begins with what its parent had when it was forked
        told = next(line for line in status.read_text(encoding="ascii").splitlines() if line.startswith("VmHWM"))
        return int(told.split()[1]) * 1024.0 / 1e6
    # the unit is bytes on macOS
    return resource.getrusage(resource.RUSAGE_SELF).ru_maxrss * (1.0 if sys.platform == "darwin" else 1024.0) / 1e6


def figures(scale: Scale, scratch: Path) -> list[Line]:
    """Figures of sections, in proportion for 150 and two cores."""
    found = whole(made_drive(scratch, scale.hindcast_sections, scale.hindcast_readings))
    count = scale.hindcast_sections
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
    "processes": processes,
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
