"""The face logs as a whole: the drive, the unit of chainage, stages that cannot be planned or have not begun."""

from __future__ import annotations

from collections.abc import Mapping, Sequence

import numpy as np
import numpy.typing as npt

from convergence.errors import Fault
from convergence.job.advance import FEET, FaceLog, longest_rise
from convergence.job.advance_table import FILE, Rounds
from convergence.job.findings import Finding, finding
from convergence.job.prism_table import FILE as PRISMS
from convergence.job.schema import Prism, Settings, Stage, StagePlan
from convergence.job.stationing import PLAIN, Stationing
from convergence.job.times import Instants, days_since, shown

Floats = npt.NDArray[np.float64]

#: So many rounds in a row against the drive, and so many times more than with it, are no typing errors.
AGAINST_LEAST, AGAINST_TIMES = 3, 2.0
#: The face is near a section within so many tunnel widths; prisms are first read there.
NEAR_WIDTHS = 2.0
#: Fewer rounds than this give no rate to plan with.
PLANNED_ROUNDS = 3


def check_drive(rounds: Rounds, stages: Sequence[Stage], settings: Settings, faults: list[Fault]) -> bool:
    """Whether the rounds go with the drive; a fault of ``drive`` where most rounds of a stage go the other way."""
    told = []
    for stage in stages:
        drive = stage.drive or settings.tunnel.drive
        mine = rounds.stage == stage.name
        time, position = rounds.time[mine], drive * rounds.chainage[mine]
        along, against = int(longest_rise(time, position).sum()), int(longest_rise(time, -position).sum())
        if against >= AGAINST_LEAST and against > AGAINST_TIMES * along:
            told.append(f"{against} of {len(time)} rounds of {stage.name}")
    if told:
        drive = settings.tunnel.drive
        value, other = ("up-chainage", "down-chainage")[:: 1 if drive > 0 else -1]
        expected = f"the direction in which the face goes ({', '.join(told)} in {FILE} go {other})"
        mend = f'write drive = "{other}", or keep drive = "{value}" and correct the chainages in {FILE}'
        if len(told) < len(stages):
            mend += "; a stage driven from the other side has a drive of its own in its [[stage]]"
        faults.append(Fault("tunnel.toml", settings.tunnel.drive_line, "tunnel.drive", value, expected, mend))
    return not told


def check_reach(
    log: FaceLog,
    prisms: Sequence[Prism],
    prism: npt.NDArray[np.int64],
    time: Instants,
    width: float,
    stationing: Stationing = PLAIN,
) -> tuple[list[Fault], list[Finding]]:
    """The sections that are read, against the face of the first stage.

    A section is first read when the face has just passed it. Where the face was near no section at its first reading,
    but near most of them were the chainages of the log in another unit, the log carries the wrong unit: a fault.
    Where merely no section lies in the range of the log, that is told.

    Parameters
    ----------
    log : FaceLog
        Face of the first stage.
    prisms : sequence of Prism
        The prisms of the job.
    prism, time : (n,) arrays
        Prism, as index into ``prisms``, and instant of each reading.
    width : float
        Width of the tunnel [m].
    stationing : Stationing
        The chainage equations, for messages in the chainage of the site.
    """
    if len(log) < 2 or not len(time):
        return [], []
    section, first = _first_readings(prisms, prism, time)
    face = np.interp(days_since(first, log.time[0]), days_since(log.time, log.time[0]), log.chainage)
    low, high = float(log.chainage.min()), float(log.chainage.max())
    span = stationing.span(low, high)
    inside = (section >= low - NEAR_WIDTHS * width) & (section <= high + NEAR_WIDTHS * width)
    wrong = float(np.mean(_near(section, face, width))) <= 0.2 and (len(section) > 1 or not inside.any())
    hints = (
        (FEET, "its chainages fit if they are in feet"),
        (1.0 / FEET, f"its chainages fit if turned into metres twice, or if those of {PRISMS} are in feet"),
    )
    for factor, hint in hints:
        if wrong and float(np.mean(_near(section, face * factor, width))) > 0.5:
            expected = (
                f"the face of {log.stage} near the sections when they were first read (it was near none or few; {hint})"
            )
            mend = f"correct the unit in the column's name in {FILE}, or the unit of chainage in {PRISMS}"
            return [Fault(FILE, None, "chainage", span, expected, mend)], []
    if inside.any():
        return [], []
    sentence = (
        f"no section that is read ({stationing.span(section.min(), section.max())}) lies in the range logged for "
        f"{log.stage} ({span}); check the chainages of {FILE} and {PRISMS} and their units"
    )
    return [], [finding("no section in the log", sentence, start=log.time[0], end=log.time[-1])]


def _first_readings(prisms: Sequence[Prism], prism: npt.NDArray[np.int64], time: Instants) -> tuple[Floats, Instants]:
    """Chainage [m] and instant of the first reading of each section that is read."""
    number = {name: index for index, name in enumerate(dict.fromkeys(item.section for item in prisms))}
    section = np.array([number[item.section] for item in prisms], dtype=np.int64)
    chainage = np.array([item.chainage for item in prisms])
    never = np.iinfo(np.int64).max
    first = np.full(len(number), never, dtype=np.int64)
    np.minimum.at(first, section[prism], time.astype("datetime64[ns]").astype(np.int64))
    read = np.flatnonzero(first != never)
    middle = np.array([float(np.median(chainage[section == index])) for index in read.tolist()])
    return middle, first[read].astype("datetime64[ns]")


def _near(section: Floats, face: Floats, width: float) -> npt.NDArray[np.bool_]:
    return np.asarray(np.abs(face - section) <= NEAR_WIDTHS * width)


def stages_to_plan(settings: Settings, logs: Mapping[str, FaceLog]) -> list[Finding]:
    """Stages the projection cannot move on: too few rounds and no plan for it, or none yet."""
    found = []
    for stage in settings.stages:
        plan = settings.plans.get(stage.name, StagePlan())
        count = len(logs[stage.name]) if stage.name in logs else 0
        if not count:
            sentence = (
                f"{stage.name} has no round yet: what it will cause, or has already caused if it has begun, is not in "
                f"the projection; if it has begun, add its rounds to {FILE}"
            )
            found.append(finding("stage not begun", sentence))
        elif count < PLANNED_ROUNDS and not (plan.hours_per_round and (plan.round_length or count > 1)):
            log = logs[stage.name]
            sentence = (
                f"{stage.name}: {count} round{'s' if count > 1 else ''} logged, too few to plan its advance; "
                "the projection keeps its face where it is"
            )
            found.append(finding("advance not planned", sentence, start=log.time[0], end=log.time[-1]))
    return found


def check_as_of(as_of: np.datetime64 | None, first: np.datetime64 | None, what: str, faults: list[Fault]) -> bool:
    """Whether a date of the analysis is early for all rows of a kind; a fault that gives the first of them."""
    if as_of is None or first is None:
        return False
    expected = f"an instant not earlier than the first {what}, {shown(first)}"
    mend = f"give an as-of of {shown(first)} or later, or leave it out to use all data"
    faults.append(Fault("as-of", None, "", shown(as_of), expected, mend))
    return True
