"""What the bench of speed runs on: invented tunnels as series and as a Dataset, and the lmfit loop."""

from __future__ import annotations

import lmfit
import numpy as np
import xarray as xr

from convergence.laws import FacePath, law
from convergence.measures.series import Series

WIDTH, NOISE = 12.0, 0.4
COUPLED = law("coupled")
PLACES = ("crown", "left shoulder", "right shoulder", "left wall", "right wall", "left foot", "right foot")
AXES = ("settlement", "transverse", "longitudinal")


def face_path(days: float) -> FacePath:
    """Hourly face past a section: 2 m a day, a rest day a week, one stoppage, slower later; it passes after a day."""
    hours = np.arange(0.0, days + 3.0, 1.0 / 24.0)
    speed = np.where(hours % 7.0 < 6.0, 2.0, 0.0)
    speed[(hours > 10.0) & (hours < 14.0)] = 0.0
    speed[hours > 60.0] *= 0.4
    return FacePath(hours, np.cumsum(speed) / 24.0 - 2.0)


def made_tunnel(sections: int, seed: int = 1, readings: int | None = None, prisms: int = len(PLACES)) -> list[Series]:
    """Series of a tunnel, four readings a day, 240 to 3,000 of each unless a number is given."""
    rng = np.random.default_rng(seed)
    series = []
    for number in range(sections):
        count = int(np.exp(rng.uniform(np.log(240), np.log(3000)))) if readings is None else readings
        path = face_path(count / 4)
        days = path.passage() + 0.3 + np.arange(count) / 4
        distance, elapsed = path.at(days), path.elapsed(days)
        length, slow = rng.uniform(4.0, 14.0), rng.uniform(2.0, 20.0)
        for place in range(prisms):
            for axis in AXES:
                size, creep = rng.normal(0.0, 12.0), rng.uniform(0.1, 1.2)
                moved = COUPLED.function(distance, elapsed, size, length, slow, creep, 0.3)
                value = moved + rng.normal(0.0, NOISE, count)
                series.append(
                    Series(
                        section=f"S{number:04d}",
                        chainage=10.0 * number,
                        measure=axis,
                        prisms=f"P{place}",
                        label=f"{axis} {PLACES[place % 7]}{place // 7 or ''}",
                        time=days,
                        value=value - value[0],
                        segment=np.zeros(count, dtype=np.int64),
                        paths={"heading": path},
                        width=WIDTH,
                        base_length=WIDTH,
                        set_aside=0,
                    )
                )
    return series


def with_lmfit(members: list[Series]) -> lmfit.minimizer.MinimizerResult:
    """One lmfit fit of series that share a shape, from the middle of the bounds; of one series in a plain loop."""
    days = members[0].time
    distance, elapsed = members[0].paths["heading"].at(days), members[0].paths["heading"].elapsed(days)
    values = np.array([one.value for one in members])

    def missing(parameters: lmfit.Parameters) -> np.ndarray:
        now = parameters.valuesdict()
        rows = []
        for place, value in enumerate(values):
            size, creep = now[f"amplitude_{place}"], now[f"creep_{place}"]
            moved = COUPLED.function(distance, elapsed, size, now["length"], now["slow"], creep, 0.3)
            rows.append(moved - moved[0] + now[f"zero_{place}"] - value)
        return np.concatenate(rows)

    low, high = COUPLED.bounds("influence_length", WIDTH, 1.0)
    parameters = lmfit.Parameters()
    parameters.add("length", 10.0, min=low, max=high)
    low, high = COUPLED.bounds("characteristic_time", WIDTH, members[0].span)
    parameters.add("slow", 10.0, min=low, max=high)
    for place, value in enumerate(values):
        parameters.add(f"amplitude_{place}", 0.5 * value[-1])
        parameters.add(f"creep_{place}", 1.0, min=0.0, max=20.0)
        parameters.add(f"zero_{place}", 0.0)
    return lmfit.minimize(missing, parameters)


def made_portfolio(sections: int, epochs: int = 480) -> xr.Dataset:
    """Readings of a portfolio as a Dataset over section, measure and epoch."""
    rng = np.random.default_rng(2)
    path = face_path(epochs / 4)
    days = path.passage() + 0.3 + np.arange(epochs) / 4
    distance, elapsed = path.at(days), path.elapsed(days)
    length, slow = rng.uniform(4.0, 14.0, (sections, 1, 1)), rng.uniform(2.0, 20.0, (sections, 1, 1))
    size, creep = rng.normal(0.0, 12.0, (2, sections, 21, 1))
    moved = COUPLED.function(distance, elapsed, size, length, slow, 0.1 + np.abs(creep) / 12, 0.3)
    moved = moved + rng.normal(0.0, NOISE, moved.shape)
    each = np.ones((sections, 1))
    return xr.Dataset(
        {
            "face_distance": (("section", "epoch"), each * distance),
            "elapsed": (("section", "epoch"), each * elapsed),
            "movement": (("section", "measure", "epoch"), moved - moved[..., :1]),
        }
    )
