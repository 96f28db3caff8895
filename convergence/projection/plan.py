"""Advance plans: where each stage's face will be, from the plan of the job or its recent rate, on the work calendar.

A plan moves the faces, never the readings. The future face goes at an even speed through working hours and stands still
on rest days, out of hours and in planned stops; a follower never overtakes the stage it follows.
"""

from __future__ import annotations

import datetime
import itertools
from collections.abc import Mapping
from dataclasses import dataclass, field

import numpy as np
import numpy.typing as npt

from convergence.errors import ValueFault
from convergence.job.advance import USUAL_TIMING, FaceLog, RoundTiming
from convergence.job.schema import Calendar, Settings, StagePlan, Stop
from convergence.job.times import days_since
from convergence.job.zones import time_zone
from convergence.laws.path import FacePath

Floats = npt.NDArray[np.float64]

#: Rounds back from the last one that make up the recent rate.
RECENT_ROUNDS = 40


@dataclass(frozen=True)
class AdvancePlan:
    """Planned advance by stage; a stage without a plan goes on at its recent rate on the calendar.

    Attributes
    ----------
    stages : mapping of str to StagePlan
        Round length [m], hours a round, stops; None in a plan means the recent rate.
    """

    stages: Mapping[str, StagePlan] = field(default_factory=dict)

    @classmethod
    def stop_all(cls, names: tuple[str, ...], start: np.datetime64, end: np.datetime64) -> AdvancePlan:
        """A plan in which the named stages stand still from start to end (UTC), else go on at the recent rate."""
        if not end > start:
            raise ValueFault(
                f"stop from {start} to {end}: expected the end after the start. To mend: exchange the two."
            )
        return cls({name: StagePlan(stops=(Stop(start, end),)) for name in names})


@dataclass(frozen=True)
class FaceTrack:
    """One stage's face from the first logged round to the end of the plan.

    Attributes
    ----------
    time : (k,) array
        Nodes [days since the job's epoch], ascending.
    chainage : (k,) array
        Face position [m] at the nodes, straight between them.
    drive : int
        +1 up-chainage, -1 down-chainage.
    logged_until : float
        Day of the last logged round; later nodes are planned.
    """

    time: Floats
    chainage: Floats
    drive: int
    logged_until: float

    def path(self, section_chainage: float) -> FacePath:
        """Face distance from a section, logged and planned."""
        return FacePath(self.time, self.drive * (self.chainage - section_chainage))


def face_tracks(
    settings: Settings,
    advance: Mapping[str, FaceLog],
    epoch: np.datetime64,
    now: float,
    until: float,
    plan: AdvancePlan | None = None,
    timing: RoundTiming = USUAL_TIMING,
) -> dict[str, FaceTrack]:
    """Faces of all stages that have a log, carried on by the plan.

    Parameters
    ----------
    settings : Settings
        Stages, calendar and the job's own plan.
    advance : mapping of str to FaceLog
        Logs by stage.
    epoch : datetime64
        Day zero.
    now : float
        Day of the last data: before it nothing is planned.
    until : float
        Day to which the faces are carried.
    plan : AdvancePlan, optional
        Instead of the job's own plan.
    timing : RoundTiming, optional
        When in a logged round the ground is taken.

    Returns
    -------
    dict of str to FaceTrack
        By stage in the order of the job.

    Raises
    ------
    ValueFault
        The plan names a stage the job does not have, or a length or time that is not above 0.
    """
    if plan is not None:
        _refuse_plan(plan.stages, [stage.name for stage in settings.stages])
    plans = settings.plans if plan is None else plan.stages
    tracks: dict[str, FaceTrack] = {}
    for stage in settings.stages:
        log = advance.get(stage.name)
        if log is None or not len(log):
            continue
        time, chainage = log.nodes(epoch, timing)
        last = float(days_since(log.time[-1:], epoch)[0])
        start = max(now, last)
        leader = tracks.get(stage.follows or "")
        future_time, future_chainage = _future(
            log, plans.get(stage.name, StagePlan()), settings, epoch, start, until, leader
        )
        tracks[stage.name] = FaceTrack(
            np.concatenate([time, future_time]), np.concatenate([chainage, future_chainage]), log.drive, last
        )
    return tracks


def _refuse_plan(plans: Mapping[str, StagePlan], names: list[str]) -> None:
    """Raise where a plan names no stage of the job, or goes backwards: neither may be passed over in silence."""
    for name, plan in plans.items():
        if name not in names:
            raise ValueFault(
                f"plan for stage '{name}': expected one of {', '.join(names) or 'no stage'}. To mend: correct the name."
            )
        for quantity in ("round_length", "hours_per_round"):
            value = getattr(plan, quantity)
            if value is not None and not (np.isfinite(value) and value > 0):
                raise ValueFault(
                    f"{quantity} = {value} in the plan for {name}: expected above 0. To mend: give a number above 0, "
                    "or None for the recent rate; a face that stands still is a stop."
                )


def recent_speed(log: FaceLog, calendar: Calendar, zone: datetime.tzinfo) -> float:
    """Metres per working hour over the recent rounds; NaN if unknown.

    Intervals much longer than the usual one are stops and left out.
    """
    if len(log) < 3:
        return float("nan")
    time, chainage = log.time[-RECENT_ROUNDS:], log.chainage[-RECENT_ROUNDS:]
    begin = time[0] - np.timedelta64(1, "h")
    clock, hours = _working_hours(
        calendar, zone, begin, float((time[-1] - begin) / np.timedelta64(1, "s")) / 86400 + 1.0, ()
    )
    at = np.interp(days_since(time, begin), clock, hours)
    worked = np.maximum(np.diff(at), 1e-3)
    step = np.abs(np.diff(chainage))
    usual = worked < 3.0 * np.median(worked)
    return float(step[usual].sum() / worked[usual].sum())


def _future(
    log: FaceLog,
    plan: StagePlan,
    settings: Settings,
    epoch: np.datetime64,
    start: float,
    until: float,
    leader: FaceTrack | None,
) -> tuple[Floats, Floats]:
    """Nodes after the log."""
    if until <= start:
        return np.empty(0), np.empty(0)
    zone = time_zone(settings.tunnel.time_zone)
    speed = recent_speed(log, settings.calendar, zone)
    if plan.round_length and plan.hours_per_round:
        speed = plan.round_length / plan.hours_per_round
    elif plan.hours_per_round and np.isfinite(log.usual_round):
        speed = log.usual_round / plan.hours_per_round
    elif plan.round_length and np.isfinite(log.usual_round):
        speed = speed * plan.round_length / log.usual_round
    if not np.isfinite(speed):
        return np.empty(0), np.empty(0)
    begin = epoch + np.timedelta64(round(start * 86_400), "s")
    clock, hours = _working_hours(settings.calendar, zone, begin, until - start, plan.stops)
    if leader is not None:
        # the leader may stop between the follower's own nodes; at every node of both the order is held
        own, clock = clock, np.union1d(clock, (leader.time - start)[(leader.time > start) & (leader.time < until)])
        hours = np.interp(clock, own, hours)
    position = log.drive * log.chainage[-1] + speed * hours
    if leader is not None:
        ahead = np.interp(start + clock, leader.time, leader.drive * leader.chainage)
        position = np.maximum.accumulate(np.minimum(position, np.maximum(ahead, position[0])))
    return start + clock, log.drive * position


def _working_hours(
    calendar: Calendar, zone: datetime.tzinfo, begin: np.datetime64, days: float, stops: tuple[Stop, ...]
) -> tuple[Floats, Floats]:
    """Days after ``begin`` and working hours worked until then, at every change between work and rest."""
    first = begin.astype("datetime64[s]").item().replace(tzinfo=datetime.UTC)
    end = first + datetime.timedelta(days=days)
    edges = {first, end}
    day = first.astimezone(zone).replace(hour=0, minute=0, second=0, microsecond=0) - datetime.timedelta(days=1)
    while day <= end:
        for hour in {0.0, calendar.start_hour, calendar.end_hour}:
            # wall-clock hours, so that a shift keeps its hours across a clock change
            whole = day + datetime.timedelta(days=1 if hour == 24.0 else 0)
            edges.add(
                (
                    whole.replace(hour=0 if hour == 24.0 else int(hour), minute=round(hour % 1 * 60))
                    if hour != 24.0
                    else whole
                ).astimezone(datetime.UTC)
            )
        day = (day + datetime.timedelta(days=1)).replace(hour=0, minute=0)
    pauses = [(_aware(stop.start), _aware(stop.end)) for stop in stops]
    for pause in pauses:
        edges.update(pause)
    ordered = sorted(edge for edge in edges if first <= edge <= end)
    clock, hours = [0.0], [0.0]
    for one, two in itertools.pairwise(ordered):
        middle = one + (two - one) / 2
        local = middle.astimezone(zone)
        hour = local.hour + local.minute / 60
        works = (
            local.weekday() not in calendar.rest_days
            and calendar.start_hour <= hour < calendar.end_hour
            and not any(start <= middle < stop for start, stop in pauses)
        )
        clock.append((two - first).total_seconds() / 86_400)
        hours.append(hours[-1] + ((two - one).total_seconds() / 3600 if works else 0.0))
    return np.array(clock), np.array(hours)


def _aware(instant: np.datetime64) -> datetime.datetime:
    naive: datetime.datetime = instant.astype("datetime64[s]").item()
    return naive.replace(tzinfo=datetime.UTC)


def weeks_for_rounds(rounds: int, hours_per_round: float, calendar: Calendar) -> float:
    """Weeks that a number of rounds fills on a calendar.

    Parameters
    ----------
    rounds : int
        Number of rounds.
    hours_per_round : float
        Working hours a round takes, above 0.
    calendar : Calendar
        Working hours and rest days.

    Returns
    -------
    float
        Weeks.

    Examples
    --------
    A hundred 8-ft rounds of 50 h and of 120 h on six days of 24 h (common practice, no source):

    >>> week = Calendar(rest_days=frozenset({6}))
    >>> round(weeks_for_rounds(100, 50.0, week)), round(weeks_for_rounds(100, 120.0, week))
    (35, 83)
    """
    if not hours_per_round > 0:
        raise ValueFault(
            f"hours_per_round = {hours_per_round}: expected above 0. To mend: give the working hours a round takes."
        )
    return rounds * hours_per_round / calendar.hours_a_week
