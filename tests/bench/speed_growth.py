"""How the time grows with sections, prisms, readings and dates: exponents fitted over sizes."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path

import numpy as np

import convergence as cv
from convergence.fitting import fit_sections
from convergence.projection.project import project_job
from tests.bench.speed_drive import made_drive
from tests.bench.speed_made import made_tunnel
from tests.bench.speed_timing import Line, Scale, exponent, first_day, span, used


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
    return [*lines, *_grown_outlooks(few, scratch)]


def _grown_outlooks(few: bool, scratch: Path) -> list[Line]:
    """The same of reading, projecting and judging a job, and of a hindcast."""
    lines = []
    jobs = {
        "sections": [(16, 300, 4), (32, 300, 4), (64, 300, 4)],
        "prisms": [(16, 300, 2), (16, 300, 4), (16, 300, 8)],
        "readings": [(16, 500, 4), (16, 2000, 4), (16, 8000, 4)],
    }
    if few:
        jobs = {"sections": [(1, 40, 4), (2, 40, 4)]}
    for what, cells in jobs.items():
        place = {"sections": 0, "prisms": 2, "readings": 1}[what]
        sizes, parts = [float(cell[place]) for cell in cells], []
        for cell in cells:
            folder = made_drive(scratch, *cell)
            job = cv.read_job(folder)
            found = project_job(job)
            work = (
                lambda folder=folder: cv.read_job(folder),
                lambda job=job: project_job(job),
                lambda job=job, found=found: cv.outlook(job, projection=found),
            )
            parts.append([used(one)[0] for one in work])
        for name, seconds in zip(("reading", "projecting", "judging"), np.transpose(parts).tolist(), strict=True):
            lines.append(_grown(f"{name}, {what}", sizes, seconds))
        lines.append(_grown(f"outlook, {what}", sizes, np.sum(parts, axis=1).tolist()))
    job = cv.read_job(made_drive(scratch, 2, 60 if few else 240, 4))
    counts = [1, 2] if few else [3, 6, 12]
    seconds = []
    for count in counts:
        # dates alike in what is known at them, or the later ones would seem dear
        days = np.linspace(0.4, 0.9, count) * span(job)
        dates = [job.instant(first_day(job) + float(day)) for day in days]
        seconds.append(used(lambda dates=dates: cv.hindcast(job, dates=dates, levels=False))[0])
    return [*lines, _grown("hindcast, dates", [float(count) for count in counts], seconds)]


def _grown(what: str, sizes: list[float], seconds: list[float]) -> Line:
    note = ", ".join(f"{size:g}: {second:.3g} s" for size, second in zip(sizes, seconds, strict=True))
    return Line(f"growth, {what}", seconds[-1], seconds[0], exponent(sizes, seconds), "<= 1", note)
