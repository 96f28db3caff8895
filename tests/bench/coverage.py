"""How often the projection's bands hold on ground that is not the law's: ``python -m tests.bench.coverage``.

Small tunnels of six sections and 45 days, full face, made here from closed formulas: a face profile, power-2 or
exponential with another decay ahead of the face than the law's; creep of one Kelvin unit of 8 days, or none; influence
lengths that differ by 20 % from section to section; independent noise of 0.5 mm. Nothing is shared with the laws.
Prints, for each kind of ground, the share of finals inside the band and the median relative error, beside "no more
movement".
"""

from __future__ import annotations

import argparse
import csv
import datetime as dt
import tempfile
from pathlib import Path

import numpy as np
import numpy.typing as npt

from convergence.projection import project_job
from convergence.survey import read_job

Floats = npt.NDArray[np.float64]

START = dt.datetime(2031, 3, 3, 6, 0, tzinfo=dt.UTC)
SECTIONS = (10.0, 20.0, 30.0, 40.0, 50.0, 60.0)
SPEED, DAYS, NOISE, DELAY = 2.0, 45.0, 0.5, 8.0
#: Movements of crown and walls over the amplitude: longitudinal, transverse, settlement.
PRISMS = {"crown": (0.0, 0.0, 5.0, (0.0, 0.0, 1.0)), "left wall": (0.0, -5.0, 1.0, (0.0, 0.7, 0.4))}
PRISMS["right wall"] = (0.0, 5.0, 1.0, (0.0, -0.7, 0.4))
KINDS = (("exponential", 0.0), ("power-2", 0.0), ("exponential", 0.5), ("power-2", 0.5))


def released(kind: str, distance: Floats, length: float) -> Floats:
    """Share released with the face at a distance [m]; 0.27 at the face, reached another way than by the law."""
    behind, ahead = np.maximum(distance, 0.0), np.minimum(distance, 0.0)
    if kind == "exponential":
        return np.where(distance > 0, 1 - 0.73 * np.exp(-behind / length), 0.27 * np.exp(ahead / length))
    decay = (length / (length + behind)) ** 2
    return np.where(distance > 0, 1 - 0.73 * decay, 0.27 * (length / (length - ahead)) ** 2)


def moment(day: float) -> str:
    """An instant as the job writes it."""
    return (START + dt.timedelta(days=float(day))).isoformat(timespec="seconds")


def write_rows(path: Path, head: str, rows: list[list[object]]) -> None:
    """One table of the job."""
    with path.open("w", newline="", encoding="utf-8") as stream:
        csv.writer(stream).writerows([head.split(","), *rows])


def make_job(folder: Path, kind: str, creep: float, seed: int) -> dict[tuple[str, str, str], float]:
    """Write one job; returns the true final movement [mm] at 365 days by section, measure and prism."""
    rng = np.random.default_rng(seed)
    ends = np.arange(0.0, DAYS, 0.5)
    works = np.array([(START + dt.timedelta(days=float(day))).weekday() != 6 for day in ends])
    face = np.cumsum(np.where(works, SPEED / 2, 0.0))
    rounds = [[moment(day), "full", f"{at:.2f}"] for day, at in zip(ends[works], face[works], strict=True)]
    write_rows(folder / "advance.csv", "time,stage,chainage_m", rounds)
    time = np.concatenate([ends, ends[-1] + np.arange(1.0, 420.0)])
    place = np.concatenate([face, face[-1] + np.arange(1.0, 420.0) * SPEED * 6 / 7])
    grid = np.linspace(-1.0, 430.0, 20_000)
    step, prisms, readings = grid[1] - grid[0], [], []
    truth: dict[tuple[str, str, str], float] = {}
    for chainage in SECTIONS:
        section = f"S{chainage:.0f}"
        # a round is driven at once, at the instant the log gives it
        face_at = place[np.maximum(np.searchsorted(time, grid, side="right") - 1, 0)]
        share = released(kind, face_at - chainage, 6.0 * float(np.exp(rng.normal(0.0, 0.2))))
        delayed = np.zeros_like(grid)
        for index in range(1, len(grid)):
            delayed[index] = delayed[index - 1] + (share[index - 1] - delayed[index - 1]) * -np.expm1(-step / DELAY)
        passage = float(time[np.searchsorted(place, chainage)])
        amplitude, zero = rng.uniform(15.0, 40.0), passage + 0.25
        curve = amplitude * (share + creep * delayed)
        for position, (_, offset, height, parts) in PRISMS.items():
            name = f"{section}-{position.replace(' ', '-')}"
            prisms.append([name, section, position, chainage, offset, height])
            for day in np.arange(zero, DAYS, 0.25):
                moved = np.interp(day, grid, curve) - np.interp(zero, grid, curve)
                values = np.array(parts) * moved + rng.normal(0.0, NOISE, 3)
                readings.append([moment(day), name, *(f"{value:.2f}" for value in values)])
            final = float(np.interp(passage + 365.0, grid, curve) - np.interp(zero, grid, curve))
            truth[section, "transverse", name], truth[section, "settlement", name] = parts[1] * final, parts[2] * final
    write_rows(folder / "prisms.csv", "prism,section,position,chainage_m,offset_m,height_m", prisms)
    write_rows(folder / "readings.csv", "time,prism,longitudinal_mm,transverse_mm,settlement_mm", readings)
    (folder / "tunnel.toml").write_text(
        '[tunnel]\nname = "coverage"\nwidth_m = 10\nheight_m = 9\ndrive = "up-chainage"\n[[stage]]\nname = "full"\n'
        '[calendar]\nrest_days = ["Sunday"]\n',
        encoding="utf-8",
    )
    return truth


def score(kind: str, creep: float, seeds: range) -> tuple[int, float, float, float]:
    """Finals scored, share inside the 90 % band, median relative error, and that of "no more movement"."""
    inside, error, still = [], [], []
    for seed in seeds:
        with tempfile.TemporaryDirectory() as name:
            truth = make_job(Path(name), kind, creep, seed)
            projection = project_job(read_job(name))
        for section in projection.sections.values():
            for index, series in enumerate(section.series):
                final = truth.get((series.section, series.measure, series.prisms), 0.0)
                if abs(final) > 3.0:
                    low, middle, high = (section.final(index, share) for share in (0.05, 0.5, 0.95))
                    size = max(abs(final), 10.0)
                    inside.append(low <= final <= high)
                    error.append(abs(middle - final) / size)
                    still.append(abs(float(series.value[-1]) - final) / size)
    return len(inside), float(np.mean(inside)), float(np.median(error)), float(np.median(still))


def main() -> None:
    """Print the table."""
    parser = argparse.ArgumentParser(description=__doc__.split("\n")[0] if __doc__ else "")
    parser.add_argument("--tunnels", type=int, default=4, help="tunnels of each kind (4)")
    parser.add_argument("--first-seed", type=int, default=0, help="seed of the first tunnel (0)")
    options = parser.parse_args()
    seeds = range(options.first_seed, options.first_seed + options.tunnels)
    print("ground                     finals  90 % band held  median error  no more movement  ratio")
    for kind, creep in KINDS:
        count, held, error, still = score(kind, creep, seeds)
        ground = f"{kind}, creep {creep:g}"
        print(f"{ground:<26} {count:>6} {held:>15.0%} {error:>13.1%} {still:>17.1%} {error / still:>6.2f}")


if __name__ == "__main__":
    main()
