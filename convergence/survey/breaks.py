"""Breaks of a prism's series: those declared in ``events.csv``, and jumps nobody declared."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from convergence.job.findings import Finding, event_line, finding
from convergence.job.reading import JobFolder
from convergence.job.schema import BREAKING_EVENTS, Event, Prism
from convergence.job.times import shown
from convergence.survey.overrules import names_one, taken_back
from convergence.survey.steps import SHARED, Step, step_at, usual_limit

Floats = npt.NDArray[np.float64]

#: Another prism takes part in a jump if its step is so many of its standard errors: more than the 4.03 that 99.9 % of
#: independent noise in three axes keeps under (chi of three degrees of freedom, from memory), for noise lasts.
STANDS_OUT = 5.0
#: An array takes part if more than this share of its prisms do.
MOST = 0.5
#: Steps under this [mm] are no part of another's; a small jump that others come near, within so many of its standard
#: errors, is what a station does from one day to the next.
LEAST, DAY_TO_DAY = 2.0, 6.0


def declared_breaks(
    folder: JobFolder, section: str, prism: Prism, time: npt.NDArray[np.datetime64]
) -> list[tuple[int, Event]]:
    """Readings of a prism (by index) that are the first after a breaking event, with the event.

    ``time`` holds the instants of the prism's own readings: an event in the middle of a sweep parts the
    sweep.
    """
    found: dict[int, Event] = {}
    for event in folder.events:
        if event.event in BREAKING_EVENTS and event.section in ("", section) and event.prism in ("", prism.name):
            where = int(np.searchsorted(time, event.time))
            if 0 < where < len(time):
                found.setdefault(where, event)
    return sorted(found.items(), key=lambda item: item[0])


@dataclass(frozen=True)
class Jump:
    """An undeclared step of one prism: rows of the array before and after it, and the step."""

    before: int
    after: int
    step: Step


def judge_jumps(
    section: str,
    prisms: Sequence[Prism],
    jumps: Mapping[int, Sequence[Jump]],
    movement: Floats,
    days: Floats,
    time: npt.NDArray[np.datetime64],
    segment: npt.NDArray[np.int16],
    kept: Floats,
    findings: list[Finding],
    events: Sequence[Event] = (),
) -> None:
    """Report jumps of single prisms, and give the readings after one an offset of their own for the fits.

    The movement keeps the jump: whether the prism was knocked or the ground moved is for a person to decide.
    A step that most of the array shares, beyond what it was moving anyway, is no fault of a prism and gets no offset,
    and so does one that an event ``jump genuine`` names. Where most of the array did not move, two prisms that step at
    once are each a jump.

    Parameters
    ----------
    section, prisms : str, sequence of Prism
        The section and its prisms.
    jumps : mapping of int to sequence of Jump
        Undeclared steps by prism.
    movement, days, time : arrays of shape (epoch, prism, 3), (epoch, prism) and (epoch, prism)
        Movement [mm], and when each prism was read: days and instants.
    segment, kept : arrays of shape (epoch, prism) and (epoch, prism, 3)
        Changed in place: number of the segment, and sum of the jumps kept [mm].
    findings : list of Finding
        Receives what was found.
    events : sequence of Event
        The events of the job.
    """
    edges = {index: [jump.after for jump in found] for index, found in jumps.items()}
    for index, found in jumps.items():
        others = [other for other in range(len(prisms)) if other != index]
        for jump in found:
            size = float(np.linalg.norm(jump.step.size))
            steps = {
                other: _own_step(movement[:, other], days[:, other], jump, edges.get(other, ())) for other in others
            }
            compared = {other: step for other, step in steps.items() if step is not None}
            beside = {
                other: step for other, step in compared.items() if np.linalg.norm(step.size) > max(SHARED * size, LEAST)
            }
            # by its own standard error too, so that the noise of one neighbour shares nothing
            shared = [
                prisms[other].name
                for other, step in beside.items()
                if np.linalg.norm(step.size) > STANDS_OUT * step.error
            ]
            most = len(shared) + 1 > MOST * (len(compared) + 1)
            small = size < usual_limit(movement[np.isfinite(movement[:, index, 0]), index])
            if small and (most or size < DAY_TO_DAY * jump.step.error) and beside:
                # so small a step that several prisms share is what a station does from one day to the next
                continue
            when = shown(time[jump.after, index])
            text = f"{prisms[index].name} of {section}: jump of {vector_text(jump.step.size)} before {when}"
            span = time[jump.before, index], time[jump.after, index]
            genuine = names_one(events, "jump genuine", section, prisms[index].name, *span)
            action, line = "reported", ""
            if genuine is not None:
                kind, action, line = "jump confirmed", "kept", taken_back(genuine)
                text += "; the ground's by events.csv: it stays in the movement, without an offset in the fits"
            elif shared and most:
                # the sweep as a whole: its first reading, whichever prism that was of
                kind, line = "shared jump", event_line(_first(time[jump.after]), section, "", "station moved")
                text += (
                    f", shared by {', '.join(shared)}: unconfirmed movement of the ground or of the station; "
                    f"read again now. If the station moved, this line of events.csv takes the step out: {line}"
                )
            else:
                kind = "jump"
                disturbed = event_line(span[1], section, prisms[index].name, "prism disturbed")
                line = event_line(span[1], section, prisms[index].name, "jump genuine")
                alone = "alone in its array" if compared else "with no other prism read to compare"
                if shared:
                    alone = f"as {', '.join(shared)} did, while most of its array did not move"
                text += (
                    f", {alone}; the movement keeps it and the fit gives the readings after it an offset of "
                    "their own. Look at the prism. If it was disturbed, this line of events.csv takes the "
                    f"step out: {disturbed}; if it is the ground's, this one takes the offset back: {line}"
                )
                segment[jump.after :, index] += 1
                kept[jump.after :, index] += jump.step.size
            findings.append(
                finding(
                    kind,
                    text,
                    section=section,
                    prism=prisms[index].name,
                    start=span[0],
                    end=span[1],
                    size=size,
                    action=action,
                    line=line,
                )
            )


def _first(time: npt.NDArray[np.datetime64]) -> np.datetime64:
    """The first instant of a sweep."""
    first: np.datetime64 = time[~np.isnat(time)].min()
    return first


def _own_step(movement: Floats, days: Floats, jump: Jump, edges: Sequence[int]) -> Step | None:
    """Another prism's step about these sweeps, beyond its trend; None where it was not read.

    ``edges`` are the sweeps before which it has jumps of its own.
    """
    rows = np.flatnonzero(np.isfinite(movement[:, 2]))
    first_after = int(np.searchsorted(rows, jump.after))
    if first_after in (0, len(rows)):
        return None
    # its own jump in this sweep is the step that is looked for
    ends = [place for place in np.searchsorted(rows, edges).tolist() if abs(place - first_after) > 1]
    return step_at(movement[rows], days[rows], first_after, ends)


def vector_text(size: Floats) -> str:
    """A movement as text: size and parts."""
    parts = f"longitudinal {size[0]:+.1f}, transverse {size[1]:+.1f}, settlement {size[2]:+.1f}"
    return f"{np.linalg.norm(size):.1f} mm ({parts})"
