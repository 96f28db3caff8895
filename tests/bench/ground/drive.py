"""The log of the faces: rounds night and day, Sundays off, stoppages; a bench and an invert that follow in bursts."""

from __future__ import annotations

import datetime
from dataclasses import dataclass

import numpy as np

from tests.bench.ground.mesh import Floats


@dataclass(frozen=True)
class Clock:
    """Days since an epoch at midnight UTC, and when nobody works: Sundays and the stoppages."""

    epoch: datetime.datetime
    stops: tuple[tuple[float, float], ...]

    def closed_until(self, time: float) -> float:
        """``time`` where work goes on, else when it goes on again."""
        while True:
            later = time
            if (self.epoch.weekday() + int(np.floor(time))) % 7 == 6:
                later = np.floor(time) + 1.0
            for start, end in self.stops:
                if start <= later < end:
                    later = end
            if later == time:
                return float(time)
            time = float(later)

    def work(self, time: float, days: float) -> float:
        """The time when ``days`` of work are done that begin at ``time``."""
        now, left = self.closed_until(time), days
        while True:
            # the next midnight or stoppage is the soonest that work can be broken off
            limits = [np.floor(now) + 1.0] + [start for start, _ in self.stops if start > now]
            span = float(min(limits)) - now
            if left <= span:
                return now + left
            left -= span
            now = self.closed_until(now + span)

    def text(self, time: float) -> str:
        """The instant to the minute, ISO 8601."""
        moment = self.epoch + datetime.timedelta(minutes=round(time * 1440.0))
        return moment.strftime("%Y-%m-%dT%H:%M:00Z")


@dataclass(frozen=True)
class Face:
    """One stage's rounds: the instant each takes the ground away, and the face after it (m from the start)."""

    stage: str
    time: Floats
    place: Floats

    def passage(self, z: float) -> float:
        """Instant of the round that passes z; infinite if none does."""
        index = int(np.searchsorted(self.place, z))
        return float(self.time[index]) if index < len(self.time) else np.inf

    def at(self, time: float) -> float:
        """Face position at an instant."""
        index = int(np.searchsorted(self.time, time, side="right"))
        return float(self.place[index - 1]) if index else 0.0


def draw_stops(rng: np.random.Generator, days: float) -> tuple[tuple[float, float], ...]:
    """1-3 stoppages of 3-14 days within the drive."""
    count = int(rng.integers(1, 4)) if days > 35.0 else 1
    starts = np.sort(rng.uniform(0.12, 0.9, count)) * days
    found: list[tuple[float, float]] = []
    for start in starts.tolist():
        start = max(start, found[-1][1] + 5.0) if found else start
        found.append((start, start + float(np.exp(rng.uniform(np.log(3.0), np.log(14.0))))))
    return tuple(found)


def leading_face(
    rng: np.random.Generator, clock: Clock, length: float, round_length: float, pace: float, rounding: float = 0.1
) -> Face:
    """The first stage: rounds of ``round_length`` +-10 % at ``pace`` m a working day, a cycle varying by 20 %."""
    time, place = clock.closed_until(0.3), 0.0
    times, places = [], []
    while place < length:
        advance = max(0.6, round(round_length * float(rng.uniform(1.0 - rounding, 1.0 + rounding)), 2))
        time = clock.work(time, advance / pace * float(rng.lognormal(-0.02, 0.2)))
        place += advance
        times.append(time)
        places.append(place)
    return Face("heading", np.array(times), np.array(places))


def following_face(
    rng: np.random.Generator,
    clock: Clock,
    stage: str,
    ahead: Face,
    nearest: float,
    farthest: float,
    round_length: float,
    pace: float,
) -> Face:
    """A stage that works in bursts: it starts when it lags by ``farthest`` and rests when the lag is ``nearest``."""
    time, place = clock.closed_until(0.3), 0.0
    times, places = [], []
    end = float(ahead.place[-1])
    waiting = True
    while place < end - 0.5 * round_length:
        step = round(min(round_length * float(rng.uniform(0.9, 1.1)), end - place), 2)
        need = min(place + step + (farthest if waiting else nearest), end)
        if ahead.at(time) < need:
            waiting = True
            need = min(place + step + farthest, end)
            time = clock.closed_until(max(time, float(ahead.time[int(np.searchsorted(ahead.place, need - 1e-9))])))
        waiting = False
        time = clock.work(time, step / pace * float(rng.lognormal(-0.02, 0.2)))
        place += step
        times.append(time)
        places.append(place)
    return Face(stage, np.array(times), np.array(places))
