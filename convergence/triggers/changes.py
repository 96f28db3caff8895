"""Accelerations, steps, slope changes and fast readings: what the readings do that their own curve does not.

Page's sums run over the surprises of each series (see ``surprise``, ``page``), so the decay of the curve, faces that
stop and go, later stages and correlated noise raise no alarm by themselves. The threshold follows from the interval
between false alarms, ``FALSE_ALARM_DAYS`` for one series, and from how often it is read. A surprise counts for no more
than ``MOST`` deviations, so that one reading never raises an alarm; one beyond its own threshold is a fast reading,
which is shown and asked for again.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from functools import cached_property, lru_cache

import numpy as np
import numpy.typing as npt
import pandas as pd
from scipy.special import ndtri

from convergence.job.times import shown
from convergence.laws import DEFAULT_FACE_SHARE, DEFAULT_RETARDATION_TIMES, FacePath, hereditary_bases
from convergence.measures.rates import Noise
from convergence.measures.series import Series
from convergence.survey.job import Job
from convergence.triggers.page import cumulative_sums, threshold_for
from convergence.triggers.surprise import Surprises, causal_surprises, known_size, surprises

Floats = npt.NDArray[np.float64]
Ints = npt.NDArray[np.int64]

COLUMNS = ("section", "measure", "prisms", "kind", "time", "found", "size", "unit", "false_alarm_days", "sentence")
STEP, SLOPE_CHANGE, ACCELERATION, FAST_READING = "step", "slope change", "acceleration", "fast reading"
UNITS = {STEP: "mm", SLOPE_CHANGE: "mm/day", ACCELERATION: "mm/day2", FAST_READING: "mm"}
#: Days between two false alarms of one series, on average, were the surprises independent and normal.
FALSE_ALARM_DAYS = 1000.0
#: A change is told for so many days after it was found.
TOLD_DAYS = 7.0
#: No surprise counts for more than this many deviations in the sums.
MOST = 3.0
#: The first readings and days of a series teach its curve and raise no alarm.
FIRST_READINGS, FIRST_DAYS = 8, 1.5
#: A fast reading is off by this at the least [mm] (common practice, no source).
FAST_LEAST = 2.0
#: A reading off by itself is a step once so many after it have stayed there.
STAYS = 2
#: All readings of the last days count, and one a day of those before.
DENSE_DAYS = 21.0
#: Influence lengths of the family, in tunnel widths.
LENGTHS = (0.35, 0.8, 1.8)
#: Standard deviations over the size of the movement: of the whole curve, the middle length with creep of ``CREEP`` in
#: each column; of each column of release beside it, and of each column of creep.
WHOLE, RELEASE, MEMORY, CREEP = 3.0, 0.5, 0.15, 0.12
#: The same of a stage that passes after the first reading, over those of the first: what it adds is a part of what was
#: read before, and its course is like the one before.
LATER = 0.25
#: No series is searched for more changes than this.
MOST_CHANGES = 4


@dataclass(frozen=True)
class Change:
    """One change of one series.

    Attributes
    ----------
    section, measure, prisms : str
        The series.
    kind : str
        "acceleration", "step", "slope change" or "fast reading".
    day : float
        When it began, days since the job's epoch.
    found : float
        Day of the reading with which it was found.
    size, error : float
        In the unit of its kind, and its standard error.
    """

    section: str
    measure: str
    prisms: str
    kind: str
    day: float
    found: float
    size: float
    error: float

    @property
    def sentence(self) -> str:
        """The change in words and numbers."""
        size = f"{self.size:+.2f}±{self.error:.2f} {UNITS[self.kind]}"
        often = f"a false alarm of this series is expected every {FALSE_ALARM_DAYS:.0f} days"
        if self.kind == FAST_READING:
            return (
                f"last reading {self.size:+.1f} mm off what those before it led to expect (±{self.error:.1f} mm): "
                f"unconfirmed, read again now; {often}"
            )
        return f"{self.kind} of {size} beyond what the faces and the curve's own decay explain; {often}"


def section_changes(
    measured: Sequence[Series],
    faces: Mapping[str, FacePath],
    noise: Noise,
    today: float | None = None,
    widths: Mapping[str, float] | None = None,
) -> dict[str, tuple[Change, ...]]:
    """Changes found lately in the series of one section, by label.

    ``widths`` are the acting widths of stages [m]; the tunnel's where one is not given.

    Lately counts from ``today``, the day of the last data; from the last reading of the section unless given. A fast
    last reading is told however old it is, for nothing has confirmed it since.
    """
    read = [series for series in measured if len(series.time) > FIRST_READINGS]
    if not read or not faces:
        return {}
    kept = {series.label: _kept(series.time) for series in read}
    every = np.unique(np.concatenate([series.time[kept[series.label]] for series in read]))
    acting = [(widths or {}).get(name, read[0].width) for name in faces]
    columns, released = _family(list(faces.values()), every, acting)
    found = {}
    # series read together, as the three axes of a prism are, share all that does not hang on what was read
    alike: dict[tuple[float, bytes, bytes], tuple[Floats, dict[tuple[int, float], Floats]]] = {}
    for series in read:
        rows = kept[series.label]
        time, own = series.time[rows], noise.scaled(series.measure)
        at = np.searchsorted(every, time)
        key = (own.total, time.tobytes(), series.segment[rows].tobytes())
        if key not in alike:
            alike[key] = own.covariance(time), {}
        found[series.label] = _Search(series, rows, *alike[key], columns[at], released[at]).changes(
            float(every[-1]) if today is None else today
        )
    return found


def _kept(time: Floats) -> Ints:
    """Rows of the readings that count: all of the last days, the first of each day before."""
    dense = time > time[-1] - DENSE_DAYS
    first = np.diff(np.floor(time), prepend=-np.inf) > 0
    return np.flatnonzero(dense | first)


def _family(paths: Sequence[FacePath], time: Floats, widths: Sequence[float]) -> tuple[Floats, Floats]:
    """Bases of the family at the days, (n, c), each times its spread; and the share released, (n,)."""
    spread = np.array([RELEASE, *(MEMORY for _ in DEFAULT_RETARDATION_TIMES)])
    blocks, released = [], np.zeros(len(time))
    for path, width in zip(paths, widths, strict=True):
        lengths = width * np.array(LENGTHS)
        # a stage that had passed with the first reading is all the series knows; others come on top of it
        share = LATER if not path.passage() <= time[0] else 1.0
        bases = hereditary_bases(path, time, lengths, DEFAULT_FACE_SHARE, DEFAULT_RETARDATION_TIMES)
        bases = bases - bases[:, :1]
        middle = bases[len(LENGTHS) // 2]
        blocks.append((share * bases * spread).transpose(1, 0, 2).reshape(len(time), -1))
        blocks.append(share * WHOLE * (middle[:, :1] + CREEP * middle[:, 1:].sum(axis=1, keepdims=True)))
        released += middle[:, 0]
    return np.concatenate(blocks, axis=1), released


class _Search:
    """The search for changes in one series: an alarm, what explains it, and on with that explained."""

    def __init__(
        self,
        series: Series,
        rows: Ints,
        covariance: Floats,
        factors: dict[tuple[int, float], Floats],
        columns: Floats,
        released: Floats,
    ) -> None:
        self.series, self.factors = series, factors
        self.time, self.value, self.segment = series.time[rows], series.value[rows], series.segment[rows]
        self.covariance, self.columns, self.released = covariance, columns, released
        self.interval = float(np.median(np.diff(self.time[-40:])))
        first = np.arange(len(self.time)) < FIRST_READINGS
        self.quiet = first | (self.time < self.time[0] + FIRST_DAYS)
        self.known = np.empty((len(self.time), 0))
        self.size = known_size(self.time, self.value - self.value[0])
        self.told = self._surprises()
        # the noise may be worse here than on the rest of the site; it is never taken for better
        self.spread = max(1.0, float(np.median(np.abs(self.told.scaled[1:]))) / 0.6745)

    def _surprises(self) -> Surprises:
        return causal_surprises(
            self.value, self.segment, self.covariance, self.columns, self.released, self.size, self.known, self.factors
        )

    def changes(self, today: float) -> tuple[Change, ...]:
        """The changes found in the days before today, and the last reading where it is fast."""
        # two sums, one on either side, give twice as many false alarms as one
        threshold = _threshold(2.0 * max(FALSE_ALARM_DAYS / self.interval, 20.0))
        found: list[Change] = []
        begin = 0
        step, alone = self._first_step(begin)
        if alone:
            # single wrong readings must not make those after them look like the way back
            self.known = np.column_stack([self.known, np.eye(len(self.time))[:, alone]])
            self.told = self._surprises()
            step, _ = self._first_step(begin)
        for _ in range(MOST_CHANGES):
            scaled = np.where(self.quiet, 0.0, np.clip(self.told.scaled / self.spread, -MOST, MOST))
            scaled[:begin] = 0.0
            alarm = first_alarm(scaled, threshold)
            if step is not None and (alarm is None or step + STAYS <= alarm[1]):
                raised = step + STAYS
                change, shape = self._best(step, raised, np.array([step]), (STEP,))
            elif alarm is not None:
                raised = alarm[1]
                change, shape = self._explained(*alarm)
            else:
                break
            found.append(change)
            begin = raised + 1
            # what is explained must not raise an alarm a second time
            self.known = np.column_stack([self.known, shape / max(float(np.abs(shape).max()), 1e-9)])
            self.told = self._surprises()
            step, _ = self._first_step(begin)
        lately = [change for change in found if change.found > today - TOLD_DAYS]
        return (*lately, *self._fast())

    @cached_property
    def limit(self) -> float:
        """Deviations of one reading that noise passes as often as it raises an alarm."""
        # p = interval / FALSE_ALARM_DAYS on both sides together
        return -self.spread * float(ndtri(0.5 * min(self.interval / FALSE_ALARM_DAYS, 0.5)))

    def _first_step(self, begin: int) -> tuple[int | None, list[int]]:
        """The first reading off by itself whose followers, without it, stay where it was, None without one; and those
        before it that came back.

        The reading itself is left free, so that a single wrong one is no step.
        """
        least = FAST_LEAST / np.maximum(self.told.error, 1e-9)
        alone: list[int] = []
        off = (np.abs(self.told.scaled) > np.maximum(self.limit, least)) & ~self.quiet
        for row in np.flatnonzero(off[: len(off) - STAYS]):
            if row < begin:
                continue
            end = int(row) + STAYS + 1
            # readings found to have come back are left free too, or the way back would look like a step
            alone.append(int(row))
            free = np.zeros((end, len(alone)))
            free[alone, np.arange(len(alone))] = 1.0
            after = (np.arange(end) > row).astype(float)[:, None]
            told = surprises(
                self.value[:end], self.segment[:end], self.covariance[:end, :end], self.columns[:end],
                self.released[:end], float(self.size[row]), np.hstack([self.known[:end], free]),
            )  # fmt: skip
            size, error = (float(part[0]) for part in told.size(after))
            same = np.sign(size) == np.sign(self.told.scaled[row])
            if same and abs(size) > max(self.limit * error, FAST_LEAST):
                return int(row), alone[:-1]
        return None, alone

    def _fast(self) -> tuple[Change, ...]:
        """The last reading, where those before it led to expect another."""
        last, error = float(self.told.scaled[-1]), float(self.told.error[-1])
        if self.quiet[-1] or abs(last) <= self.limit or abs(last) * error < FAST_LEAST:
            return ()
        day = float(self.time[-1])
        return (self._change(FAST_READING, day, day, last * error, error),)

    def _change(self, kind: str, day: float, found: float, size: float, error: float) -> Change:
        series = self.series
        return Change(series.section, series.measure, series.prisms, kind, day, found, size, error * self.spread)

    def _explained(self, began: int, raised: int) -> tuple[Change, Floats]:
        """The kind of change, and its beginning, that explain the readings best; and its shape."""
        return self._best(began, raised, np.arange(max(began - 2, 1), raised + 1), (STEP, SLOPE_CHANGE, ACCELERATION))

    def _best(self, began: int, raised: int, onsets: Ints, kinds: tuple[str, ...]) -> tuple[Change, Floats]:
        """Of some kinds and beginnings the one with the largest size over its error; and its shape."""
        time = self.time
        # a step stands between two readings; a slope bends at the reading before those that show it
        since = np.maximum(time[:, None] - time[onsets - 1][None, :], 0.0)
        step = (time[:, None] >= time[onsets][None, :]).astype(float)
        shapes = {STEP: step, SLOPE_CHANGE: since, ACCELERATION: since**2 / 2.0}
        # the change is measured by the size of what was read before it
        told = surprises(
            self.value, self.segment, self.covariance, self.columns, self.released, float(self.size[began]), self.known
        )
        sizes = {kind: told.size(shapes[kind]) for kind in kinds}
        weights = {kind: np.abs(size / error) for kind, (size, error) in sizes.items()}
        kind = max(weights, key=lambda name: float(weights[name].max()))
        place = int(np.argmax(weights[kind]))
        size, error = (float(part[place]) for part in sizes[kind])
        day = float(time[onsets[place]] if kind == STEP else time[onsets[place] - 1])
        return self._change(kind, day, float(time[raised]), size, error), shapes[kind][:, place]


@lru_cache(maxsize=4096)
def _threshold(run_length: float) -> float:
    """``threshold_for``; prisms of an array are read at the same intervals."""
    return threshold_for(run_length)


def first_alarm(values: npt.ArrayLike, threshold: float) -> tuple[int, int] | None:
    """Readings with which the first alarm of Page's sums on either side began and was raised; None without one."""
    best: tuple[int, int] | None = None
    numbers = np.asarray(values, dtype=np.float64)
    for sign in (1.0, -1.0):
        sums = cumulative_sums(sign * numbers)
        over = np.flatnonzero(sums > threshold)
        if len(over) and (best is None or over[0] < best[1]):
            raised = int(over[0])
            zero = np.flatnonzero(sums[:raised] == 0.0)
            best = (int(zero[-1]) + 1 if len(zero) else 0), raised
    return best


def change_rows(job: Job, changes: Sequence[Change]) -> list[dict[str, object]]:
    """The changes as rows of the table."""
    return [
        {
            "section": item.section,
            "measure": item.measure,
            "prisms": item.prisms,
            "kind": item.kind,
            "time": shown(job.instant(item.day)),
            "found": shown(job.instant(item.found)),
            "size": item.size,
            "unit": UNITS[item.kind],
            "false_alarm_days": FALSE_ALARM_DAYS,
            "sentence": item.sentence,
        }
        for item in changes
    ]


def changes_table(rows: list[dict[str, object]]) -> pd.DataFrame:
    """The rows of all sections, in the order of the drive."""
    return pd.DataFrame(rows, columns=list(COLUMNS))
