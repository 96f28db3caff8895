"""The face log of each stage: rounds in order, rows that cannot be true set aside, the face between rounds.

The rule for the face inside a round
------------------------------------
``advance.csv`` gives the end of each round. Between two ends the face is taken to stand still but for a part of
the last ``d`` hours, where ``d`` is the whole interval, or, where that is much longer than usual, the usual time
for that length of round (the stage's median hours per metre times its length). Which part is a `RoundTiming`: a round
is blasted in an instant or dug in hours, and what a site calls its end may be the blast or the last of the
support. Unless readings tell (`convergence.projection.rounds`) it is the last third (common practice, no source).
A stoppage or a rest day is so kept as standing still, and no movement of the face is invented before
the first row but the usual round that ended there.
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
from convergence.job.stationing import PLAIN, Stationing
from convergence.job.times import Instants, days_since, shown

Floats = npt.NDArray[np.float64]
Lines = npt.NDArray[np.int64]
Bools = npt.NDArray[np.bool_]

#: Metres by which rounding of chainages may put one face ahead of another, or a section ahead of a face.
TOLERANCE = 0.5
#: A step this many times the usual round, and this much faster than the usual advance, cannot be true.
FAST_STEPS, FAST_RATE = 10.0, 6.0
#: A step this many times the median of so many rounds before and after holds rounds that are not logged.
MISSING_STEPS, NEAR_ROUNDS = 1.6, 8
#: An interval between two ends longer than this many times the usual one holds a stop before the round.
LONGEST_ROUND = 1.6
FEET = 0.3048
#: Said of a round that is not used because of another.
KEPT_USED = "the one kept by events.csv is used"


@dataclass(frozen=True)
class RoundTiming:
    """When in a round the ground is taken away.

    Attributes
    ----------
    start, end : float
        Shares of the usual time of the round, before its logged end, at which the face begins to move and has moved;
        1 is the end of the round before, 0 the logged end itself.
    words : str
        The same for a reader.
    """

    start: float
    end: float
    words: str


#: Taken where no readings tell otherwise.
USUAL_TIMING = RoundTiming(1 / 3, 0.0, "in its last third")


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

    def nodes(self, epoch: np.datetime64, timing: RoundTiming = USUAL_TIMING) -> tuple[Floats, Floats]:
        """Instants [days since epoch] and chainages [m] between which the face moves evenly, by the rule."""
        days = days_since(self.time, epoch)
        if len(self) < 2:
            return days, self.chainage.copy()
        step = np.abs(np.diff(self.chainage))
        usual, between = self.usual_days_per_metre * step, np.diff(days)
        taken = np.where(between <= LONGEST_ROUND * usual, between, usual)
        taken = np.append(self.usual_days_per_metre * self.usual_round, taken)
        time = np.column_stack([days - timing.start * taken, days - timing.end * taken]).ravel()
        before = np.concatenate([[self.chainage[0] - self.drive * self.usual_round], self.chainage[:-1]])
        # a round that took the whole interval begins when the one before it ended, to the last digit
        return np.maximum.accumulate(time), np.column_stack([before, self.chainage]).ravel()

    def face_distance_nodes(self, section_chainage: float, epoch: np.datetime64) -> tuple[Floats, Floats]:
        """Nodes as instants [days since epoch] and face distances [m], + once the face has passed."""
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
    stationing: Stationing = PLAIN,
    kept: Bools | None = None,
) -> dict[str, FaceLog]:
    """Face logs by stage from the rows of ``advance.csv`` that parse.

    A stage is judged after the one it follows: first its rows that stand ahead of that one are set aside,
    then those against the drive, so that a run of wrong rows cannot push the right ones out. Missing rounds
    are told in ``findings``. A stage that is ahead of the one it follows most of the time is a fault, for
    then the two are swapped.

    Parameters
    ----------
    time, stage, chainage, line : (n,) arrays
        Rows in any order: end of the round (UTC), name of the stage, continuous chainage [m], line in the file.
    stages : tuple of Stage
        The stages of the job.
    drive : int
        +1 up-chainage, -1 down-chainage; of stages without a drive of their own.
    file : str
        Name of the file for messages.
    faults, account, findings : list, Account, list
        Receive what is wrong, set aside and noticed.
    stationing : Stationing
        The chainage equations, for messages in the chainage of the site.
    kept : (n,) array of bool, optional
        Rounds that ``events.csv`` keeps: they are used, and rounds that contradict them are not.

    Returns
    -------
    dict of str to FaceLog
        By stage, in the order given.
    """
    logs: dict[str, FaceLog] = {}
    wanted = np.zeros(len(time), dtype=bool) if kept is None else kept
    usual = drive
    for item in _leaders_first(stages):
        drive = item.drive or usual
        mine = np.flatnonzero(stage == item.name)
        mine = mine[np.lexsort((line[mine], drive * chainage[mine], time[mine]))]
        log = FaceLog(item.name, drive, time[mine], chainage[mine])
        single = _without_doubles(log, line[mine], wanted[mine], file, account, stationing)
        log = FaceLog(item.name, drive, log.time[single], log.chainage[single])
        lines, fixed = line[mine][single], wanted[mine][single]
        leader = logs.get(item.follows) if item.follows else None
        ahead = np.zeros(len(log), dtype=bool)
        if leader is not None and len(leader):
            ahead = _ahead(log, lines, leader, file, faults) & ~fixed
        good = FaceLog(item.name, drive, log.time[~ahead], log.chainage[~ahead])
        logs[item.name] = _with_the_drive(good, lines[~ahead], fixed[~ahead], file, account, stationing)
        for index in np.flatnonzero(ahead):
            detail = _why(log.time[index], log.chainage[index], logs[item.name], stationing)
            assert leader is not None
            lead = float(_farthest_lead(leader, log.time[index : index + 1])[0])
            size = drive * float(log.chainage[index]) - lead
            account.set_aside(
                file, lines[index], "ahead of the stage it follows", detail, time=log.time[index], size=size
            )
    for item in stages:
        findings.extend(_missing_rounds(logs[item.name]))
    return {item.name: logs[item.name] for item in stages}


def _leaders_first(stages: tuple[Stage, ...]) -> list[Stage]:
    """The stages, each after the one it follows."""
    placed: list[Stage] = []
    waiting = list(stages)
    while waiting:
        done = {stage.name for stage in placed}
        names = {stage.name for stage in waiting}
        ready = [
            stage for stage in waiting if stage.follows is None or stage.follows in done or stage.follows not in names
        ]
        # the settings refuse circles; should one come another way its stages are taken as they stand
        placed += ready or waiting
        waiting = [stage for stage in waiting if stage not in placed]
    return placed


def _without_doubles(
    log: FaceLog, line: Lines, kept: Bools, file: str, account: Account, stationing: Stationing
) -> Bools:
    """Rows of the log, sorted by time, but for those that give a chainage again; a kept one goes before any other."""
    keep = np.ones(len(log), dtype=bool)
    first_at: dict[float, int] = {round(float(log.chainage[index]), 4): index for index in np.flatnonzero(kept)[::-1]}
    for index in range(len(log)):
        at, when = round(float(log.chainage[index]), 4), log.time[index]
        earlier = first_at.setdefault(at, index)
        if earlier == index:
            continue
        keep[index] = False
        used = KEPT_USED if kept[earlier] else "the earlier time is used"
        if when == log.time[earlier]:
            detail = f"{log.stage} at {stationing.text(at)}, as line {line[earlier]}"
            account.set_aside(file, line[index], "duplicate round", detail, time=when)
        else:
            detail = (
                f"{log.stage} reached {stationing.text(at)} at {shown(log.time[earlier])} by line {line[earlier]}; "
                f"{used}"
            )
            days = abs((when - log.time[earlier]) / np.timedelta64(1, "D"))
            account.set_aside(file, line[index], "two times for one round", detail, time=when, size=float(days))
    return keep


def _with_the_drive(
    log: FaceLog, line: Lines, kept: Bools, file: str, account: Account, stationing: Stationing
) -> FaceLog:
    """The log without rows against the drive, or against a row that is kept."""
    position = log.drive * log.chainage
    fits = np.ones(len(log), dtype=bool)
    against: dict[int, int] = {}
    for row in np.flatnonzero(kept):
        with_it = (log.time < log.time[row]) & (position < position[row])
        with_it |= (log.time > log.time[row]) & (position > position[row])
        with_it[row] = True
        against |= {other: int(line[row]) for other in np.flatnonzero(~with_it & ~kept).tolist()}
        fits &= with_it | kept
    rows = np.flatnonzero(fits)
    good = np.zeros(len(log), dtype=bool)
    good[rows[longest_rise(log.time[rows], position[rows])]] = True
    good &= ~_too_fast(log.time, position, good) | kept
    used = FaceLog(log.stage, log.drive, log.time[good], log.chainage[good])
    for index in np.flatnonzero(~good):
        detail = _why(log.time[index], log.chainage[index], used, stationing)
        size = _outside(log.time[index], log.chainage[index], used)
        if int(index) in against:
            detail = f"{detail}; against the round by line {against[int(index)]}; {KEPT_USED}"
        account.set_aside(file, line[index], "against the drive", detail, time=log.time[index], size=size)
    return used


def _outside(time: np.datetime64, chainage: float, log: FaceLog) -> float:
    """How far [m] a chainage lies outside those of the rounds before and after; NaN without any."""
    place = int(np.searchsorted(log.time, time))
    around = log.chainage[max(0, place - 1) : place + 1]
    if not len(around):
        return float("nan")
    beyond = max(float(around.min()) - chainage, chainage - float(around.max()))
    return beyond if beyond > 0.0 else float(np.abs(around - chainage).min())


def longest_rise(time: Instants, position: Floats) -> npt.NDArray[np.bool_]:
    """The longest strictly rising run of rows, by patience sorting; of rows at one instant it takes one."""
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
    at = tail_rows[-1] if tail_rows else -1
    while at >= 0:
        good[at] = True
        at = int(previous[at])
    return good


def _too_fast(time: Instants, position: Floats, good: npt.NDArray[np.bool_]) -> npt.NDArray[np.bool_]:
    """Rows at the end of the log that leap ahead faster than any face; the longest rise finds the others."""
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
        # a leap with a long log after it is a gap in the log, another start of the drive; a short tail is a
        # typing error
        if len(after) <= max(3, len(rows) // 50):
            bad[after] = True
    return bad


def _why(time: np.datetime64, chainage: float, log: FaceLog, stationing: Stationing) -> str:
    """What the rounds around a row say, with the unit its value would fit in if it does."""
    place = int(np.searchsorted(log.time, time))
    around = [float(value) for value in log.chainage[max(0, place - 1) : place + 1]]
    text = f"{log.stage} at {stationing.text(chainage)}, between {' and '.join(map(stationing.text, around))}"
    near = [float(stationing.site(value)[0]) for value in around]
    twice = "it fits if the value was turned into metres twice"
    for factor, hint in ((FEET, "it fits if the value is in feet"), (1 / FEET, twice)):
        # a chainage in the wrong unit was wrong before the equations were
        value = float(stationing.site(chainage)[0]) * factor
        if around and min(near) - 3.0 <= value <= max(near) + 3.0:
            text += f"; {hint} ({value:.2f} m)"
    return text


def _ahead(log: FaceLog, line: Lines, leader: FaceLog, file: str, faults: list[Fault]) -> npt.NDArray[np.bool_]:
    """Rows that stand ahead of the stage it follows; a fault and no row where most of them do."""
    slack = TOLERANCE + (leader.usual_round if len(leader) > 1 else 0.0)
    # before the leader's first logged round nothing is known of it, so nothing can be said
    lead = _farthest_lead(leader, log.time)
    ahead = np.asarray((log.time >= leader.time[0]) & (log.drive * log.chainage > lead + slack))
    count = int(ahead.sum())
    if count >= 2 and count > 0.5 * len(log):
        first = int(np.flatnonzero(ahead)[0])
        expected = f"{log.stage} behind {leader.stage}, which it follows; {count} of its {len(log)} rounds are ahead"
        mend = f"exchange the two stages in {file}, or correct follows in tunnel.toml"
        faults.append(Fault(file, int(line[first]), "stage", log.stage, expected, mend))
        return np.zeros(len(log), dtype=bool)
    return ahead


def _farthest_lead(leader: FaceLog, time: Instants) -> Floats:
    """Position [m, + with the drive] the leader can have reached at most.

    Between its rounds on the line from one to the next; after the last one logged it may have gone on, at
    ``FAST_RATE`` times its usual pace at most.
    """
    position = leader.drive * leader.chainage
    days, logged = days_since(time, leader.time[0]), days_since(leader.time, leader.time[0])
    lead = np.interp(days, logged, position)
    if len(leader) < 2:
        return np.where(days > 0.0, np.inf, lead)
    beyond = np.maximum(days - logged[-1], 0.0)
    return np.asarray(lead + FAST_RATE * beyond / leader.usual_days_per_metre)


def _missing_rounds(log: FaceLog) -> list[Finding]:
    """Steps of the log that hold more than one round, by the length of the rounds around them."""
    if len(log) < 5:
        return []
    step = np.abs(np.diff(log.chainage))
    found = []
    for index, length in enumerate(step):
        near = np.delete(step[max(0, index - NEAR_ROUNDS) : index + NEAR_ROUNDS + 1], min(index, NEAR_ROUNDS))
        usual = float(np.median(near))
        if length <= MISSING_STEPS * usual:
            continue
        count = round(float(length) / usual) - 1
        start, end = log.time[index], log.time[index + 1]
        rounds = f"{count} round{'s' if count != 1 else ''}"
        sentence = (
            f"{log.stage}: {length:.2f} m between {shown(start)} and {shown(end)}, about {rounds} of "
            f"{usual:.2f} m not logged; the face is taken to have moved evenly at its usual pace"
        )
        found.append(finding("rounds missing", sentence, start=start, end=end, size=float(length)))
    return found
