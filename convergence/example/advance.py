"""The excavation of the invented tunnel: every round of every stage, done and planned, on the work calendar.

A round is drilled, blasted, mucked and supported; the log of the site holds its end, the ground answers to
its blast. No round runs into a rest day or a stoppage: what cannot be finished before is begun after.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from convergence.errors import ValueFault
from convergence.example import scenario
from convergence.example.scenario import StagePlan

FloatArray = npt.NDArray[np.float64]
PLAN_LAST_DAY = 400.0
BLAST_SHARE = 0.42  # part of the round before the blast: drilling and charging


@dataclass(frozen=True)
class Round:
    """One round: stage, blast and logged end [d], and the chainage of the face after it [m]."""

    stage: str
    blast: float
    end: float
    chainage: float


@dataclass(frozen=True)
class StageLog:
    """All rounds of one stage in order, from the first of the record to the last of the plan."""

    name: str
    start_chainage: float
    rounds: tuple[Round, ...]

    @property
    def blasts(self) -> FloatArray:
        """Times of the blasts [d], shape (rounds,)."""
        return np.array([item.blast for item in self.rounds])

    @property
    def ends(self) -> FloatArray:
        """Logged ends of the rounds [d], shape (rounds,)."""
        return np.array([item.end for item in self.rounds])

    @property
    def chainages(self) -> FloatArray:
        """Face after each round [m], shape (rounds,)."""
        return np.array([item.chainage for item in self.rounds])

    def face(self, days: npt.ArrayLike, *, before: bool = False) -> FloatArray:
        """Chainage of the face [m] at times [d]; at the very blast after it, or before it on request."""
        count = np.searchsorted(self.blasts, np.asarray(days, dtype=np.float64), side="left" if before else "right")
        steps: FloatArray = np.concatenate([[self.start_chainage], self.chainages])
        return np.asarray(steps[count], dtype=np.float64)

    def first_reaching(self, chainage: float) -> Round:
        """First round whose face stands at or past a chainage [m].

        Raises
        ------
        ValueFault
            The stage never gets there.
        """
        for item in self.rounds:
            if item.chainage >= chainage:
                return item
        last = self.rounds[-1].chainage if self.rounds else self.start_chainage
        raise ValueFault(
            f"chainage {chainage} m lies beyond the last round of the {self.name} at {last} m; "
            "give a chainage the plan reaches"
        )


def blocked_times(stage: str) -> list[tuple[float, float]]:
    """Rest days and stoppages of a stage as (from, to) [d], in order of time."""
    clock = scenario.CLOCK
    rests = clock.rest_days(scenario.SUNDAY, PLAN_LAST_DAY)
    stops = [(clock.day(a), clock.day(b)) for a, b, stages, _ in scenario.STOPPAGES if stage in stages]
    return sorted([*rests, *stops])


def next_start(earliest: float, duration: float, blocked: list[tuple[float, float]]) -> float:
    """Earliest time [d] from which `duration` [d] passes clear of the blocked times (sorted by start)."""
    start = earliest
    for begin, end in blocked:
        if start < end and start + duration > begin:
            start = end
    return start


def unit_at(chainage: float) -> scenario.GroundUnit:
    """Ground unit at a chainage [m]; the last unit beyond its end."""
    for unit in scenario.UNITS:
        if unit.start <= chainage < unit.end:
            return unit
    return scenario.UNITS[-1]


def drive_stage(plan: StagePlan, leader: StageLog | None, generator: np.random.Generator) -> StageLog:
    """Drive one stage to the end of its plan, behind its leader where it has one.

    A following stage works in campaigns: it halts when the next round would bring it closer to its leader
    than the shorter lag, and takes up again once the longer lag is open.

    Parameters
    ----------
    plan : StagePlan
        Numbers of the stage.
    leader : StageLog or None
        Stage to stay behind.
    generator : numpy.random.Generator
        Source of the variation in the length and the hours of the rounds.

    Returns
    -------
    StageLog
        Its rounds, in order.
    """
    blocked = blocked_times(plan.name)
    halt, resume = plan.lag
    rounds: list[Round] = []
    face, time = plan.start_chainage, 0.0
    while True:
        factor_length, factor_hours = unit_at(face).round_factor
        length = round(float(generator.uniform(*plan.round_length)) * factor_length, 1)
        hours = max(float(generator.normal(*plan.round_hours)), 0.7 * plan.round_hours[0]) * factor_hours
        if face + length > plan.last_chainage:
            break
        if leader is not None:
            ready = leader_at_least(leader, face + length + halt, time)
            if ready is not None and ready > time:
                # Too close to the leader: the crew moves off and comes back for a longer campaign.
                ready = leader_at_least(leader, face + length + resume, time)
            if ready is None:
                break
            time = ready
        duration = hours / 24.0
        start = next_start(time, duration, blocked)
        # Times are kept to whole minutes, as a shift report holds them.
        blast = round((start + BLAST_SHARE * duration) * 1440.0) / 1440.0
        time = round((start + duration) * 1440.0) / 1440.0
        face = round(face + length, 2)
        rounds.append(Round(plan.name, blast, time, face))
    return StageLog(plan.name, plan.start_chainage, tuple(rounds))


def leader_at_least(leader: StageLog, chainage: float, earliest: float) -> float | None:
    """First time [d] from `earliest` on at which the leader has finished a round at or past a chainage."""
    reached = np.flatnonzero(leader.chainages >= chainage)
    if leader.start_chainage >= chainage:
        return earliest
    if reached.size == 0:
        return None
    return max(earliest, float(leader.ends[reached[0]]))


def drive_tunnel(generator: np.random.Generator) -> dict[str, StageLog]:
    """Drive all stages of the scenario, each behind the one it follows; keyed by the name of the stage."""
    logs: dict[str, StageLog] = {}
    for plan in scenario.STAGES:
        logs[plan.name] = drive_stage(plan, logs.get(plan.follows), generator)
    return logs
