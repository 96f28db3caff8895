"""What the surveyors bring home: sweeps, noise of several kinds, a wandering station, spikes, knocked prisms, gaps."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from tests.bench.ground.mesh import Floats


@dataclass(frozen=True)
class Habits:
    """How one tunnel is read; drawn per seed.

    Attributes
    ----------
    noise : array (3,)
        White noise [mm] of longitudinal, transverse, settlement: 0.4-0.8.
    drift, drift_days : float
        Deviation [mm] 0.2-0.6 and correlation [days] 1-4 of the station's wandering, shared by neighbouring sections.
    daily, phase : float
        Amplitude [mm] 0.1-0.3 and phase of the daily cycle.
    late_sweeps : int
        Sweeps a day once a section is 40 days old, 1 or 2; 4 before.
    spikes : float
        Share of readings that are wrong by 5-15 mm: 0.002.
    """

    noise: Floats
    drift: float
    drift_days: float
    daily: float
    phase: float
    late_sweeps: int
    spikes: float = 0.002
    missing: float = 0.02
    dense_days: float = 40.0


def draw_habits(seed: int) -> Habits:
    """The habits of one tunnel."""
    rng = np.random.default_rng([seed, 8])
    noise = rng.uniform(0.4, 0.8, 3)
    drift, days, daily, phase = rng.uniform([0.2, 1.0, 0.1, 0.0], [0.6, 4.0, 0.3, 1.0])
    return Habits(noise, float(drift), float(days), float(daily), float(phase), int(rng.integers(1, 3)))


@dataclass(frozen=True)
class Wander:
    """The station's wandering at places along the drive, an AR(1) by the hour."""

    start: float
    places: Floats
    values: Floats

    def at(self, z: float, time: Floats) -> Floats:
        """Error [mm] of the three axes at z, shape (3, n)."""
        hours = np.clip(((time - self.start) * 24.0).astype(int), 0, self.values.shape[0] - 1)
        right = int(np.clip(np.searchsorted(self.places, z), 1, len(self.places) - 1))
        share = (z - self.places[right - 1]) / (self.places[right] - self.places[right - 1])
        a, b = 1.0 - share, share
        # the deviation stays the same between two stations
        return np.asarray((a * self.values[hours, right - 1] + b * self.values[hours, right]).T / np.hypot(a, b))


def make_wander(rng: np.random.Generator, habits: Habits, start: float, end: float, length: float) -> Wander:
    """Stations every 45 m or so; what they share and what is theirs wander alike."""
    places = np.linspace(0.0, length, max(2, int(length / 45.0) + 1))
    hours = int((end - start) * 24.0) + 48
    keep = np.exp(-1.0 / (24.0 * habits.drift_days))
    push = rng.standard_normal((hours, len(places) + 1, 3)) * np.sqrt(1.0 - keep**2)
    values = np.zeros_like(push)
    values[0] = rng.standard_normal(push.shape[1:])
    for hour in range(1, hours):
        values[hour] = keep * values[hour - 1] + push[hour]
    joint = np.sqrt(0.5) * (values[:, :1] + values[:, 1:])
    return Wander(start, places, habits.drift * joint)


def sweep_times(rng: np.random.Generator, habits: Habits, zero: float, end: float, order: int, away: Floats) -> Floats:
    """Instants at which a section is read: the zero reading, then by day, less the days nobody came."""
    found = [zero]
    own = np.random.default_rng([int(zero * 1e4), order])
    gap = float(own.uniform(zero + 2.0, max(end, zero + 6.0)))
    gap_end = gap + float(own.uniform(1.0, 5.0)) * (own.random() < 0.4)
    for day in range(int(np.floor(zero)), int(np.floor(end)) + 1):
        late = day - zero > habits.dense_days
        slots = (1, 3)[: habits.late_sweeps] if late else range(4)
        for slot in slots:
            time = day + (2.5 + 6.0 * slot + order * 0.07) / 24.0 + float(rng.normal(0.0, 0.35)) / 24.0
            idle = ((away[:, 0] <= time) & (time < away[:, 1])).any() or gap <= time < gap_end
            if zero + 1.5 / 24.0 < time <= end and not idle and rng.random() > 0.03:
                found.append(time)
    return np.unique(np.round(np.array(found) * 1440.0) / 1440.0)


def away_days(rng: np.random.Generator, start: float, end: float) -> Floats:
    """0-2 spells of 1-3 days in which nothing at all is read, shape (n, 2)."""
    begins = rng.uniform(start + 5.0, end, int(rng.integers(0, 3)))
    return np.stack([begins, begins + rng.uniform(1.0, 3.0, len(begins))], axis=1).reshape(-1, 2)


@dataclass(frozen=True)
class Knock:
    """A prism pushed aside at an instant, by a vector [mm]; with or without a word in the events."""

    prism: str
    time: float
    jump: Floats
    told: bool


def draw_knocks(rng: np.random.Generator, prisms: list[str], zero: dict[str, float], end: float) -> list[Knock]:
    """0-3 prisms knocked by 4-25 mm, half of them told."""
    found = []
    for index in rng.permutation(len(prisms))[: int(rng.integers(0, 4))].tolist():
        name = prisms[index]
        if end - zero[name] < 8.0:
            continue
        vector = rng.standard_normal(3)
        vector *= float(rng.uniform(4.0, 25.0)) / np.linalg.norm(vector)
        time = float(rng.uniform(zero[name] + 3.0, end - 3.0))
        found.append(Knock(name, time, vector, bool(rng.random() < 0.5)))
    return found


def spoil(
    rng: np.random.Generator, habits: Habits, movement: Floats, time: Floats, shared: Floats, knock: Knock | None
) -> tuple[Floats, Floats]:
    """Readings of one prism, since its zero reading: the instants kept and (3, n) movements in millimetres.

    The error of the zero reading stays in every later value, for that is how movements are made of readings.
    """
    n = len(time)
    strength = rng.uniform(0.5, 1.5, 3)[:, None]
    daily = habits.daily * strength * np.sin(2.0 * np.pi * (time + habits.phase))
    values = movement + habits.noise[:, None] * rng.standard_normal((3, n)) + shared + daily
    if knock is not None:
        values += knock.jump[:, None] * (time >= knock.time)
    wrong = rng.random(n) < habits.spikes
    wrong[0] = False
    axis = rng.integers(0, 3, n)
    size = rng.uniform(5.0, 15.0, n) * rng.choice([-1.0, 1.0], n)
    for number in np.flatnonzero(wrong).tolist():
        values[axis[number], number] += size[number]
    keep = rng.random(n) > habits.missing
    if rng.random() < 0.08 and n > 30:
        hidden = int(rng.integers(5, n - 10))
        keep[hidden : hidden + int(rng.integers(5, 40))] = False
    keep[0] = True
    values = values - values[:, :1]
    return time[keep], values[:, keep]
