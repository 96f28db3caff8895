"""How fast changes are found, and how often none is: ``python -m tests.bench.changes`` on simulated series.

Each series is one measure read every six hours for forty days while a heading and then a bench pass and, in half of
them, stop for some days. Its course is a sum of exponentials of face distance and time, which is not the detector's
family; sizes (6 to 50 mm, the bench 10 to 60 % of it), lengths, creep, speed and stops are drawn for each. A change is
added at a drawn instant, either six days before the bench passes or from a day before to three days after it, and the
series is looked at as of one, two, four and seven days later: told is the share of series in which something that was
found since is told by then. False alarms are counted on series without a change, looked at every third day.
"""

from __future__ import annotations

import argparse
from collections.abc import Sequence
from dataclasses import replace

import numpy as np

from convergence.laws.path import FacePath
from convergence.measures.series import Series
from convergence.survey.noise_model import Noise
from convergence.triggers.changes import FALSE_ALARM_DAYS, FAST_READING, Change, section_changes

NOISE = Noise(0.3, 0.15, 1.5)
#: Days after a change at which a series is looked at.
LOOKS = (1.0, 2.0, 4.0, 7.0)
#: Kind and size of the planted changes: mm, mm/day.
PLANTED = (("step", 5.0), ("step", 3.0), ("slope", 1.5), ("slope", 3.0))


def simulated(
    rng: np.random.Generator, kind: str = "", size: float = 0.0, at_bench: bool = True
) -> tuple[Series, float]:
    """One series, and the day its change began (NaN without)."""
    speed, stop, still = rng.uniform(1.5, 4.0), rng.uniform(8.0, 28.0), rng.choice([0.0, 0.0, 3.0, 5.0])
    nodes = np.array([0.0, stop, stop + still, 70.0])
    along = speed * np.array([0.0, stop, stop, 70.0 - still])
    faces = {
        "heading": FacePath(nodes, along - 5.0 * speed),
        "bench": FacePath(nodes, along - rng.uniform(14, 26) * speed),
    }
    time = np.arange(5.25, 45.0, 0.25)
    first = rng.uniform(6.0, 50.0)
    value = np.zeros(len(time))
    for name, amount in (("heading", first), ("bench", first * rng.uniform(0.1, 0.6))):
        length, delay, creep = rng.uniform(4.0, 14.0), rng.uniform(5.0, 25.0), rng.uniform(0.05, 0.4)
        behind = np.maximum(faces[name].at(time), 0.0)
        age = np.maximum(np.nan_to_num(faces[name].elapsed(time)), 0.0)
        value += amount * ((1 - creep) * (1 - np.exp(-behind / length)) + creep * (1 - np.exp(-age / delay)))
    passage = faces["bench"].passage()
    begun = float("nan")
    if kind:
        begun = passage + (rng.uniform(-1.0, 3.0) if at_bench else -6.0)
        value += size * (time > begun) if kind == "step" else size * np.maximum(time - begun, 0.0)
    value += rng.multivariate_normal(np.zeros(len(time)), NOISE.covariance(time))
    series = Series(
        "S1", 0.0, "settlement", "P1", "settlement crown", time, value - value[0], np.zeros(len(time), dtype=np.int64),
        faces, 10.0, 10.0, 0,
    )  # fmt: skip
    return series, begun


def told(series: Series, day: float) -> list[Change]:
    """Changes told as of a day, fast readings left out."""
    rows = series.time <= day
    known = replace(series, time=series.time[rows], value=series.value[rows], segment=series.segment[rows])
    found = section_changes([known], series.paths, NOISE).get(series.label, ())
    return [change for change in found if change.kind != FAST_READING]


def found_by(count: int, kind: str, size: float, at_bench: bool, seed: int = 5) -> list[float]:
    """Share of series in which a planted change was told by each of ``LOOKS``."""
    rng = np.random.default_rng(seed)
    delays = []
    for _ in range(count):
        series, begun = simulated(rng, kind, size, at_bench)
        hits = [look for look in LOOKS if any(item.found > begun for item in told(series, begun + look))]
        delays.append(hits[0] if hits else np.inf)
    return [float(np.mean(np.array(delays) <= look)) for look in LOOKS]


def false_alarms(count: int, seed: int = 0) -> tuple[int, float]:
    """Alarms without a change, those within two days of each other counted once, and the days looked at."""
    rng = np.random.default_rng(seed)
    alarms, days = 0, np.arange(9.0, 45.0, 3.0)
    for _ in range(count):
        series, _ = simulated(rng)
        at = np.array(sorted({item.found for day in days for item in told(series, float(day))}))
        alarms += int(len(at) > 0) + int((np.diff(at) > 2.0).sum())
    return alarms, count * float(days[-1] - 6.0)


def main(arguments: Sequence[str] | None = None) -> int:
    """Print the table."""
    parser = argparse.ArgumentParser(prog="python -m tests.bench.changes", description="Score the search for changes.")
    parser.add_argument("--series", type=int, default=100, metavar="N", help="series of each kind (100)")
    parser.add_argument("--seed", type=int, default=7, metavar="SEED", help="seed (7)")
    options = parser.parse_args(arguments)
    alarms, days = false_alarms(3 * options.series, options.seed)
    often = f"one every {days / alarms:.0f} days" if alarms else "none"
    print(f"false alarms: {alarms} in {days:.0f} days of series, {often} (stated: {FALSE_ALARM_DAYS:.0f})")
    print(f"{'told within':<36}" + "".join(f"{f'{look:g} d':>7}" for look in LOOKS))
    for kind, size in PLANTED:
        for at_bench in (False, True):
            where = "as the bench passes" if at_bench else "6 d before the bench"
            what = f"{kind} of {size:g} {'mm' if kind == 'step' else 'mm/d'}, {where}"
            shares = found_by(options.series, kind, size, at_bench, options.seed + 1)
            print(f"{what:<36}" + "".join(f"{share:>7.0%}" for share in shares))
    return 0


if __name__ == "__main__":
    raise SystemExit(main())
