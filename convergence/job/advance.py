"""The face log of each stage: rounds in order, rows that cannot be true set aside, and the path of the face between.

The rule for the face inside a round
------------------------------------
``advance.csv`` gives the end of each round. Between two ends the face is taken to stand still first and then to move
at an even speed during the last ``d`` hours, where ``d`` is the usual time for that length of round (the stage's median
hours per metre times the length of the round), or the whole interval where that is shorter. A stoppage or a rest day is
so kept as standing still, and no movement of the face is invented before the first row but the usual round that ended
there.
"""

from __future__ import annotations

from bisect import bisect_right
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from convergence.errors import Fault
from convergence.job.account import Account
from convergence.job.findings import Finding, finding
from convergence.job.schema import Stage
from convergence.job.times import Instants, days_since, shown

Floats = npt.NDArray[np.float64]
Lines = npt.NDArray[np.int64]

#: Metres by which rounding of chainages may put one face ahead of another, or a section ahead of a face.
TOLERANCE = 0.5
#: A step this many times the usual round, and this much faster than the usual advance, cannot be true.
FAST_STEPS, FAST_RATE = 10.0, 6.0
FEET = 0.3048


@dataclass(frozen=True)
class FaceLog:
    """Ends of the rounds of one stage, checked and in order.

    Attributes
    ----------
    stage : str
        Name of the stage.
    drive : int
        +1 up-chainage, -1 down-chainage.
    time : (n,) array of datetime64[ns]
        Ends of rounds, strictly rising, UTC.
    chainage : (n,) array of float
        Face position [m] at the end of each round; strictly monotone with the drive.
    """

    stage: str
    drive: int
    time: Instants
    chainage: Floats

    def __len__(self) -> int:
        return len(self.time)

    @property
    def usual_round(self) -> float:
        """Median length [m] of a round; NaN with fewer than two rows."""
        return float(np.median(np.abs(np.diff(self.chainage)))) if len(self) > 1 else float("nan")

    @property
    def usual_days_per_metre(self) -> float:
        """Median days a metre of advance takes while rounds go on; NaN with fewer than two rows."""
        if len(self) < 2:
            return float("nan")
        return float(np.median(np.diff(days_since(self.time, self.time[0])) / np.abs(np.diff(self.chainage))))

    def nodes(self, epoch: np.datetime64) -> tuple[Floats, Floats]:
        """Instants [days since epoch] and chainages [m] between which the face moves evenly, by the rule above."""
        days = days_since(self.time, epoch)
        if len(self) < 2:
            return days, self.chainage.copy()
        step = np.abs(np.diff(self.chainage))
        usual = self.usual_days_per_metre * step
        start = np.maximum(days[1:] - usual, days[:-1])
        first = np.array([days[0] - self.usual_days_per_metre * self.usual_round, days[0]])
        first_chainage = np.array([self.chainage[0] - self.drive * self.usual_round, self.chainage[0]])
        time = np.column_stack([start, days[1:]]).ravel()
        chainage = np.column_stack([self.chainage[:-1], self.chainage[1:]]).ravel()
        return np.concatenate([first, time]), np.concatenate([first_chainage, chainage])

    def face_distance_nodes(self, section_chainage: float, epoch: np.datetime64) -> tuple[Floats, Floats]:
        """Nodes as instants [days since epoch] and face distances [m] from a section, + once the face has passed."""
        time, chainage = self.nodes(epoch)
        return time, self.drive * (chainage - section_chainage)


def build_logs(
    time: Instants,
    stage: npt.NDArray[np.object_],
    chainage: Floats,
    line: Lines,
    stages: tuple[Stage, ...],
    drive: int,
    file: str,
    faults: list[Fault],
    account: Account,
    findings: list[Finding],
) -> dict[str, FaceLog]:
    """Face logs by stage from the rows of ``advance.csv`` that parse.

    Rows that cannot be true are set aside; missing rounds are told in ``findings``.
    Stages that run ahead of the one they follow most of the time are a fault, for then the two are swapped.
    """
    logs: dict[str, FaceLog] = {}
    kept_lines: dict[str, Lines] = {}
    for item in stages:
        mine = stage == item.name
        order = np.lexsort((line[mine], drive * chainage[mine], time[mine]))
        log, lines = _one_log(item.name, time[mine][order], chainage[mine][order], line[mine][order], drive, file, account)
        logs[item.name], kept_lines[item.name] = log, lines
    for item in stages:
        if item.follows and len(logs[item.name]) and item.follows in logs and len(logs[item.follows]):
            logs[item.name] = _behind(
                logs[item.name], kept_lines[item.name], logs[item.follows], file, faults, account
            )
    for log in logs.values():
        findings.extend(_missing_rounds(log))
    return logs


def _one_log(
    name: str, time: Instants, chainage: Floats, line: Lines, drive: int, file: str, account: Account
) -> tuple[FaceLog, Lines]:
    """One stage's rows, sorted by time, without doubles and rows against the drive."""
    keep = np.ones(len(time), dtype=bool)
    first_at: dict[float, int] = {}
    for index in range(len(time)):
        at = round(float(chainage[index]), 4)
        earlier = first_at.setdefault(at, index)
        if earlier == index:
            continue
        keep[index] = False
        if time[index] == time[earlier]:
            account.set_aside(file, line[index], "duplicate round", f"{name} at {at:g} m, as line {line[earlier]}", time=time[index])
        else:
            account.set_aside(
                file, line[index], "two times for one round",
                f"{name} reached {at:g} m at {shown(time[earlier])} by line {line[earlier]}; the earlier time is used", time=time[index],
            )
    time, chainage, line = time[keep], chainage[keep], line[keep]
    good = _longest_rise(time, drive * chainage)
    good &= ~_too_fast(time, drive * chainage, good)
    for index in np.flatnonzero(~good):
        account.set_aside(file, line[index], "against the drive", _why_against(time, chainage, good, index, name), time=time[index])
    return FaceLog(name, drive, time[good], chainage[good]), line[good]


def _longest_rise(time: Instants, position: Floats) -> npt.NDArray[np.bool_]:
    """The longest strictly rising run of rows, by patience sorting; rows at the same instant cannot both be in it."""
    tails: list[float] = []
    tail_rows: list[int] = []
    previous = np.full(len(position), -1)
    # at one instant rows come in falling order, so that only one of them can enter a strictly rising run
    order = np.lexsort((-position, time))
    for row in order:
        place = bisect_right(tails, float(position[row]) - 1e-9)
        previous[row] = tail_rows[place - 1] if place else -1
        if place == len(tails):
            tails.append(float(position[row]))
            tail_rows.append(int(row))
        else:
            tails[place] = float(position[row])
            tail_rows[place] = int(row)
    good = np.zeros(len(position), dtype=bool)
    row = tail_rows[-1] if tail_rows else -1
    while row >= 0:
        good[row] = True
        row = int(previous[row])
    return good


def _too_fast(time: Instants, position: Floats, good: npt.NDArray[np.bool_]) -> npt.NDArray[np.bool_]:
    """Rows at the end of the log that leap ahead faster than any face goes; within the log the longest rise finds them."""
    bad = np.zeros(len(position), dtype=bool)
    rows = np.flatnonzero(good)
    if len(rows) < 5:
        return bad
    step = np.diff(position[rows])
    days = np.maximum(np.diff(days_since(time[rows], time[rows[0]])), 1e-6)
    usual, pace = float(np.median(step)), float(np.median(step / days))
    leaps = np.flatnonzero((step > FAST_STEPS * usual) & (step / days > FAST_RATE * pace) & (step > 20.0))
    for leap in leaps:
        after = rows[leap + 1 :]
        # a leap with a long log after it is a gap in the log (another start of the drive); a short tail is a typing error
        if len(after) <= max(3, len(rows) // 50):
            bad[after] = True
    return bad


def _why_against(time: Instants, chainage: Floats, good: npt.NDArray[np.bool_], index: int, name: str) -> str:
    """What the rows around say, with the unit the value would fit in if it does."""
    before = np.flatnonzero(good & (time <= time[index]))
    after = np.flatnonzero(good & (time >= time[index]))
    around = [float(chainage[rows[end]]) for rows, end in ((before, -1), (after, 0)) if len(rows)]
    text = f"{name} at {chainage[index]:g} m, between {' and '.join(f'{value:g} m' for value in around)}"
    for factor, hint in ((FEET, "it fits if the value is in feet"), (1 / FEET, "it fits if the value was turned into metres twice")):
        value = float(chainage[index]) * factor
        if around and min(around) - 3.0 <= value <= max(around) + 3.0:
            text += f"; {hint} ({value:.2f} m)"
    return text


def _behind(
    log: FaceLog, line: Lines, leader: FaceLog, file: str, faults: list[Fault], account: Account
) -> FaceLog:
    """The log without the rows that stand ahead of the stage it follows; a fault where most of them do."""
    lead = np.interp(
        days_since(log.time, leader.time[0]), days_since(leader.time, leader.time[0]), leader.drive * leader.chainage
    )
    # before the leader's first logged round nothing is known of it, so nothing can be said
    known = log.time >= leader.time[0]
    ahead = known & (log.drive * log.chainage > lead + TOLERANCE + leader.usual_round if len(leader) > 1 else np.zeros(len(log), bool))
    if ahead.sum() > 0.5 * len(log):
        first = int(np.flatnonzero(ahead)[0])
        faults.append(
            Fault(
                file, int(line[first]), "stage", log.stage,
                f"{log.stage} behind {leader.stage}, which it follows; {int(ahead.sum())} of its {len(log)} rounds are ahead of it",
                f"exchange the two stages in {file}, or correct follows in tunnel.toml",
            )
        )
        return log
    if ahead.any():
        detail = np.array(
            [f"{log.stage} at {at:g} m, {leader.stage} at {leader.drive * where:.2f} m" for at, where in zip(log.chainage[ahead], lead[ahead], strict=True)],
            dtype=object,
        )
        account.set_aside(file, line[ahead], "ahead of the stage it follows", detail, time=log.time[ahead])
    return FaceLog(log.stage, log.drive, log.time[~ahead], log.chainage[~ahead])


def _missing_rounds(log: FaceLog) -> list[Finding]:
    """Steps of the log that hold more than one usual round."""
    if len(log) < 5:
        return []
    step = np.abs(np.diff(log.chainage))
    found = []
    for index in np.flatnonzero(step > 1.6 * log.usual_round):
        count = round(float(step[index]) / log.usual_round) - 1
        start, end = log.time[index], log.time[index + 1]
        sentence = (
            f"{log.stage}: {step[index]:.2f} m between {shown(start)} and {shown(end)}, about {count} round{'s' if count != 1 else ''} of "
            f"{log.usual_round:.2f} m not logged; the face is taken to have moved evenly at its usual pace"
        )
        found.append(finding("rounds missing", sentence, start=start, end=end, size=float(step[index])))
    return found
