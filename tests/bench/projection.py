"""How far off projections are on tunnels made by finite elements: ``python -m tests.bench.projection``.

The tunnels are those of ``tests.bench.tunnels``: no law, fit or projection of the library made them, and their truth is
known. Every k-th section and the first three are projected at the instants when the face is 0.5, 1, 2 and 4 tunnel
widths past, with only what was known then. Printed are, for the projection and for what stands against it, the median
and 90th percentile of the error of the final movement relative to the larger of its true value and 10 mm, the share of
the 90 % bands that hold, the share that is missing, and the mean interval score; for chords, then for settlement, for
all sections and for the first three. The noise floor below is the error that the zero reading's and the last day's
readings leave by themselves. The lines of the one who is told know, free of noise, what the section has done so far and
what its two neighbours do to the very end; they say how unlike neighbours are: added, the section goes on by as many
millimetres as they did from the same distance on; in proportion, it goes on by the same share. No method has that much
to go by. A claim of accuracy needs seeds that nobody has looked at; those
under 557 have been.
"""

from __future__ import annotations

import argparse
import os
import platform
import tempfile
import time as clock
import tomllib
from collections.abc import Sequence
from concurrent.futures import ProcessPoolExecutor
from dataclasses import dataclass
from functools import partial
from importlib.metadata import version
from pathlib import Path

import numpy as np
import pandas as pd

from convergence.hindcasting.baselines import MISSING, Forecast, coupled_alone, last_rate_decays, no_more_movement
from convergence.hindcasting.score import interval_score, relative_error
from convergence.measures.series import Series
from convergence.measures.tunnel import measure_tunnel
from convergence.projection import project_job
from convergence.survey.job import read_job
from tests.bench.prototype import curve_of, shared_shape
from tests.bench.tunnels import Size, make_tunnel

WIDTHS = (0.5, 1.0, 2.0, 4.0)
MEASURES = ("chord", "settlement")
CONFIDENCE = 0.90
FIRST = 3
METHODS = {
    "ours": "ours",
    "alone": "ours, one section at a time",
    "prototype": "prototype, one shape for all",
    "coupled": "coupled law, one at a time",
    "decay": "last rate decays",
    "still": "no more movement",
}


@dataclass(frozen=True)
class Date:
    """An instant of one tunnel, with the sections that are looked at: name, place in the drive, widths."""

    folder: Path
    every: int
    instant: np.datetime64
    sections: tuple[tuple[str, int, float], ...]


def dates_of(folder: Path, every: int, widths: Sequence[float] = WIDTHS) -> list[Date]:
    """The instants at which the face is so many widths past every ``every``-th section and the first three."""
    settings = tomllib.loads((folder / "tunnel.toml").read_text(encoding="utf-8"))
    drive = 1.0 if settings["tunnel"]["drive"] == "up-chainage" else -1.0
    log = pd.read_csv(folder / "advance.csv")
    log = log[log["stage"] == settings["stage"][0]["name"]]
    instants = pd.to_datetime(log["time"], utc=True).dt.tz_localize(None).to_numpy(dtype="datetime64[s]")
    place = drive * log["chainage_m"].to_numpy()
    prisms = pd.read_csv(folder / "prisms.csv")
    at = (drive * prisms.groupby("section")["chainage_m"].median()).sort_values()
    found: dict[np.datetime64, list[tuple[str, int, float]]] = {}
    for number, (section, chainage) in enumerate(at.items()):
        if number >= FIRST and number % every:
            continue
        for share in widths:
            beyond = chainage + share * settings["tunnel"]["width_m"]
            if beyond <= place[-1]:
                seconds = float(np.interp(beyond, place, instants.astype(np.int64)))
                # dates that fall into the same shift are one
                shift = np.datetime64(int(seconds // 21_600 + 1) * 21_600, "s").astype("datetime64[ns]")
                found.setdefault(shift, []).append((str(section), number, share))
    return [Date(folder, every, instant, tuple(found[instant])) for instant in sorted(found)]


def score_date(date: Date) -> list[dict[str, object]]:
    """Forecasts of all methods at one date beside the truth."""
    final = pd.read_csv(date.folder / "truth" / "final.csv")
    truth = {
        (row.section, row.measure, row.prisms): float(str(row.final_mm))
        for row in final.itertuples()
        if row.measure in MEASURES
    }
    job = read_job(date.folder, date.instant)
    began = clock.perf_counter()
    projection = project_job(job, confidence=CONFIDENCE)
    seconds = clock.perf_counter() - began
    paths = {
        section: {name: track.path(item.chainage) for name, track in projection.tracks.items()}
        for section, item in projection.sections.items()
    }
    ends = {section: float(item.dates[-1]) for section, item in projection.sections.items()}
    every = [item for item in measure_tunnel(job) if item.section in paths and item.measure in MEASURES]
    prototype = {}
    for measure in MEASURES:
        curves = [curve_of(item, paths[item.section], ends[item.section]) for item in every if item.measure == measure]
        prototype |= shared_shape(curves, CONFIDENCE)
    asked = [
        (series, place, widths)
        for section, place, widths in date.sections
        for series in every
        if series.section == section and (section, series.measure, series.prisms) in truth and len(series.time)
    ]
    chosen = [series for series, _, _ in asked]
    laws = coupled_alone(
        chosen, [paths[item.section] for item in chosen], [ends[item.section] for item in chosen], CONFIDENCE
    )
    rows: list[dict[str, object]] = []
    for (series, place, widths), law in zip(asked, laws, strict=True):
        item = projection.sections[series.section]
        index = item.index(series.label)
        noise = projection.noise.scaled(series.measure)
        low, middle, high = (item.final(index, share) for share in (0.05, 0.5, 0.95))
        said = {
            "ours": Forecast(middle, low, high),
            "alone": Forecast(*(float(item.alone[index, place]) for place in (1, 0, 2))),
            "prototype": prototype.get((series.section, series.label), MISSING),
            "coupled": law,
            "decay": last_rate_decays(series, ends[series.section], noise, CONFIDENCE),
            "still": no_more_movement(series, noise, CONFIDENCE),
        }
        row: dict[str, object] = {
            "tunnel": date.folder.name,
            "date": str(date.instant)[:19],
            "section": series.section,
            "place": place,
            "every": date.every,
            "widths": widths,
            "measure": series.measure,
            "prisms": series.prisms,
            "truth": truth[series.section, series.measure, series.prisms],
            "seconds": seconds,
        }
        for method, forecast in said.items():
            row |= {method: forecast.middle, f"{method}_low": forecast.low, f"{method}_high": forecast.high}
        rows.append(row)
    return rows


def noise_floor(folder: Path) -> list[dict[str, object]]:
    """Relative errors that the readings of zero and of the last day leave by themselves, at the end of the record."""
    final = pd.read_csv(folder / "truth" / "final.csv").set_index(["section", "measure", "prisms"])
    rows: list[dict[str, object]] = []
    for series in measure_tunnel(read_job(folder)):
        key = (series.section, series.measure, series.prisms)
        whole: Series = series
        if series.measure not in MEASURES or not len(whole.time) or whole.kept_steps or whole.segment[-1]:
            continue
        last = float(whole.value[whole.time > whole.time[-1] - 1.0].mean())
        error = relative_error(last, final.loc[key, "last_mm"]) * max(abs(float(final.loc[key, "last_mm"])), 10.0)
        floor = float(error) / max(abs(float(final.loc[key, "final_mm"])), 10.0)
        rows.append({"measure": series.measure, "error": floor})
    return rows


def told_of_neighbours(folder: Path) -> list[dict[str, object]]:
    """Relative errors of one who is told the section's true movement so far and its two neighbours' to the end.

    "added" lets the section go on by the millimetres its neighbours went on by from the same face distance;
    "proportion" lets it have reached the share they had reached then. Everything is free of noise.
    """
    key = ["section", "measure", "prisms"]
    truth = pd.read_csv(folder / "truth" / "moved.csv").merge(pd.read_csv(folder / "truth" / "final.csv"), on=key)
    # prisms of one place in the section are compared with each other
    truth["place"] = [
        ":".join(part.removeprefix(f"{section}-") for part in prisms.split(":"))
        for section, prisms in zip(truth["section"], truth["prisms"], strict=True)
    ]
    rows: list[dict[str, object]] = []
    for (measure, _), part in truth[truth["measure"].isin(MEASURES)].groupby(["measure", "place"]):
        part = part.sort_values("passage_time")
        final = part["final_mm"].to_numpy()
        for share in WIDTHS:
            moved = part[f"moved_{share:g}_mm"].to_numpy()
            reached = moved / final
            for index in range(len(part)):
                beside = [other for other in (index - 1, index + 1) if 0 <= other < len(part)]
                added = moved[index] + (final[beside] - moved[beside]).mean()
                proportion = moved[index] / reached[beside].mean()
                row: dict[str, object] = {"measure": measure, "widths": share}
                for name, value in (("added", added), ("proportion", proportion)):
                    row[name] = float(relative_error(value, final[index]))
                rows.append(row)
    return rows


def score_tunnels(
    folders: Sequence[Path], every: int = 2, widths: Sequence[float] = WIDTHS, jobs: int = 1
) -> tuple[pd.DataFrame, pd.DataFrame, pd.DataFrame]:
    """All forecasts of some tunnels, their noise floors, and those of one who is told."""
    dates = [date for folder in folders for date in dates_of(folder, every, widths)]
    floors = pd.DataFrame([row for folder in folders for row in noise_floor(folder)])
    if jobs <= 1:
        found = [score_date(date) for date in dates]
    else:
        with ProcessPoolExecutor(jobs) as pool:
            found = list(pool.map(score_date, dates))
    ground = pd.DataFrame([row for folder in folders for row in told_of_neighbours(folder)])
    return pd.DataFrame([row for rows in found for row in rows]), floors, ground


def summary(rows: pd.DataFrame, method: str) -> dict[str, float]:
    """Error, bands and score of one method over some rows."""
    middle, low, high = (rows[f"{method}{part}"].to_numpy(dtype=float) for part in ("", "_low", "_high"))
    truth = rows["truth"].to_numpy(dtype=float)
    error = relative_error(middle, truth)
    banded = np.isfinite(low) & np.isfinite(high)
    held = (low <= truth) & (truth <= high)
    nothing = float("nan")
    return {
        "forecasts": len(rows),
        "median": float(np.quantile(error, 0.5, method="inverted_cdf")) if len(rows) else nothing,
        "p90": float(np.quantile(error, 0.9, method="inverted_cdf")) if len(rows) else nothing,
        "held": float(held[banded].mean()) if banded.any() else nothing,
        "missing": float(1.0 - banded.mean()) if len(rows) else nothing,
        "score": float(interval_score(low, high, truth, CONFIDENCE)[banded].mean()) if banded.any() else nothing,
    }


def report(rows: pd.DataFrame, floors: pd.DataFrame, ground: pd.DataFrame, widths: Sequence[float] = WIDTHS) -> str:
    """The table."""
    lines = []
    for measure in MEASURES:
        of_measure = rows[rows["measure"] == measure]
        # the first sections are looked at besides; among all of them each counts as often as any other
        for words, part in (
            ("all sections", of_measure[of_measure["place"] % of_measure["every"] == 0]),
            (f"first {FIRST} sections", of_measure[of_measure["place"] < FIRST]),
        ):
            counts = ", ".join(f"{int((part['widths'] == share).sum())}" for share in widths)
            lines += ["", f"{measure}, {words} ({counts} forecasts)"]
            lines.append(f"{'':<30}" + "".join(f"{f'face {share:g} widths past':>29}" for share in widths))
            lines.append(f"{'':<30}" + f"{'median/90th held miss  score':>29}" * len(widths))
            for method, name in METHODS.items():
                cells = [_cell(summary(part[part["widths"] == share], method)) for share in widths]
                lines.append(f"{name:<30}" + "".join(f"{cell:>29}" for cell in cells))
        for name, words in (("added", "told its neighbours, added"), ("proportion", "told them, in proportion")):
            cells = []
            for share in widths:
                errors = ground.loc[(ground["measure"] == measure) & (ground["widths"] == share), name]
                cells.append(f"{_share(errors.quantile(0.5))}/{_share(errors.quantile(0.9)):<5}{'':>17}")
            lines.append(f"{words:<30}" + "".join(f"{cell:>29}" for cell in cells))
        floor = floors.loc[floors["measure"] == measure, "error"].to_numpy()
        middle, ninety = (np.quantile(floor, share) for share in (0.5, 0.9))
        lines.append(f"{'noise floor':<30}  {middle:.1%}/{ninety:.1%}: what the zero and the last readings leave alone")
    return "\n".join(lines)


def _cell(found: dict[str, float]) -> str:
    if not found["forecasts"]:
        return "-"
    held = f"{found['held']:.0%}" if np.isfinite(found["held"]) else "-"
    score = "-" if np.isnan(found["score"]) else f"{found['score']:.1f}" if found["score"] < 9999 else ">9999"
    return f"{_share(found['median'])}/{_share(found['p90']):<5} {held:>4} {found['missing']:>4.0%} {score:>6}"


def _share(value: float) -> str:
    return f"{value:.0%}" if value < 10 else ">999%"


def main(arguments: Sequence[str] | None = None) -> int:
    """Make the tunnels, score them, print the table."""
    parser = argparse.ArgumentParser(
        prog="python -m tests.bench.projection", description=(__doc__ or "").split("\n")[0]
    )
    parser.add_argument("--seeds", type=int, nargs="+", metavar="SEED", help="seeds of the tunnels")
    parser.add_argument("--tunnels", type=int, default=2, metavar="N", help="tunnels, if no seeds are given (2)")
    parser.add_argument("--first-seed", type=int, default=301, metavar="S", help="seed of the first of them (301)")
    parser.add_argument("--size", choices=("full", "small"), default="full")
    parser.add_argument("--every", type=int, default=2, metavar="K", help="every K-th section, besides the first (2)")
    parser.add_argument("--jobs", type=int, default=1, metavar="N", help="worker processes")
    parser.add_argument("--keep", type=Path, metavar="DIR", help="folder for the tunnels; those there are used again")
    parser.add_argument("--rows", type=Path, metavar="FILE", help="write every forecast as CSV")
    options = parser.parse_args(arguments)
    seeds = options.seeds or list(range(options.first_seed, options.first_seed + options.tunnels))
    began = clock.perf_counter()
    with tempfile.TemporaryDirectory() as passing:
        home = options.keep or Path(passing)
        folders = [home / f"tunnel_{seed}" for seed in seeds]
        missing = [
            seed for seed, folder in zip(seeds, folders, strict=True) if not (folder / "truth" / "moved.csv").is_file()
        ]
        make = partial(_make, home, options.size)
        if options.jobs > 1 and len(missing) > 1:
            with ProcessPoolExecutor(options.jobs) as pool:
                list(pool.map(make, missing))
        else:
            for seed in missing:
                make(seed)
        made = clock.perf_counter() - began
        rows, floors, ground = score_tunnels(folders, options.every, WIDTHS, options.jobs)
    print(report(rows, floors, ground))
    libraries = ", ".join(f"{name} {version(name)}" for name in ("convergence", "numpy", "scipy", "pandas"))
    dates = rows.groupby(["tunnel", "date"])["seconds"].first()
    print(
        f"\nseeds {' '.join(map(str, seeds))}, size {options.size}, every {options.every}; {len(dates)} dates; "
        f"{platform.machine()}, {os.cpu_count()} cores, python {platform.python_version()}, {libraries}; "
        f"{made:.0f} s to make the tunnels, {clock.perf_counter() - began - made:.0f} s to score; "
        f"one projection {dates.median():.1f} s (median)"
    )
    if options.rows is not None:
        rows.to_csv(options.rows, index=False)
    return 0


def _make(home: Path, size: Size, seed: int) -> None:
    make_tunnel(seed, home / f"tunnel_{seed}", size)


if __name__ == "__main__":
    raise SystemExit(main())
