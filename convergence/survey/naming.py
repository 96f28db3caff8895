"""Which prism a reading is of, where ``events.csv`` says it is another than the file names.

Two prisms read under each other's name are exchanged, and a prism that took the place of another under a new name is
joined to it. Values, file and line of the readings stay as they were read.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import numpy.typing as npt
import pandas as pd

from convergence.job.account import Account
from convergence.job.event_notes import end_of, until
from convergence.job.findings import Finding, finding
from convergence.job.reading import JobFolder
from convergence.job.schema import Event
from convergence.job.times import days_since, shown
from convergence.survey.overrules import taken_back
from convergence.survey.steps import Step, step_at

Ints = npt.NDArray[np.int64]
Bools = npt.NDArray[np.bool_]

#: A step within so many of its standard errors is none where a prism goes on under another name, if the error is no
#: larger than this [mm]: a new prism is screwed in centimetres away.
RENAMED, LARGEST_ERROR = 3.0, 2.0


def renamed(folder: JobFolder, account: Account, findings: list[Finding]) -> JobFolder:
    """The folder with readings under the prisms that events say they are of.

    ``prisms swapped`` of a pair A:B exchanges the two from its instant until the one in its note, or else until the
    next such row of the pair.
    ``prism replaced`` of a pair OLD:NEW gives the readings of NEW from its instant on to OLD, whose series breaks
    there as for any replaced prism, unless it goes on without a step: then it is the same prism under another name.
    What OLD has from then on is set aside, and NEW is no prism of its own unless it has readings from before.

    Parameters
    ----------
    folder : JobFolder
        The folder as read.
    account, findings : Account, list of Finding
        Receive rows set aside and what was done.

    Returns
    -------
    JobFolder
        The same where no event names a pair.
    """
    pairs = [event for event in folder.events if ":" in event.prism and _parts(folder, event) is not None]
    if not pairs:
        return folder
    frame = folder.readings.copy()
    prism = frame["prism"].to_numpy(dtype=np.int64).copy()
    time = frame["time"].to_numpy(dtype="datetime64[ns]")
    events = list(folder.events)
    drop = np.zeros(len(frame), dtype=bool)
    gone: set[int] = set()
    for event in pairs:
        one, two = _parts(folder, event) or (0, 0)
        after, stop = time >= event.time, end_of(event.note)
        names = folder.prisms[one].name, folder.prisms[two].name
        if event.event == "prisms swapped":
            after &= True if stop is None else time < stop
            # two rows of one pair without an end exchange and exchange back
            first, second = after & (prism == one), after & (prism == two)
            prism[first], prism[second] = two, one
            count = int(first.sum() + second.sum())
            sentence = (
                f"{names[0]} and {names[1]} of {folder.prisms[one].section}: {count} readings from {shown(event.time)} "
                f"on exchanged by events.csv, {'until the next such row' if stop is None else until(stop)}"
            )
            findings.append(_told("prisms swapped", "exchanged", sentence, event, folder.prisms[one].section, count))
            continue
        late = after & (prism == one) & ~drop
        _set_aside(folder, account, frame[late], names[0], event)
        drop |= late
        joined = after & (prism == two)
        prism[joined] = one
        if not (prism == two).any():
            gone.add(two)
        count = int(joined.sum())
        sentence = (
            f"{count} readings of {names[1]} from {shown(event.time)} on continue {names[0]} of "
            f"{folder.prisms[one].section} by events.csv"
        )
        step = _step(frame, (prism == one) & ~drop, event.time)
        if step is not None and _only_renamed(step):
            # the event keeps its pair: no prism of that name breaks its series
            sentence += (
                f"; the step between them, {np.linalg.norm(step.size):.1f} mm, is within {RENAMED:g} standard errors "
                f"({step.error:.1f} mm): another name of the same prism, nothing is taken out"
            )
        else:
            events[events.index(event)] = replace(event, prism=names[0], section=folder.prisms[one].section)
        findings.append(_told("prisms joined", "spliced", sentence, event, folder.prisms[one].section, count))
    frame["prism"] = prism
    return _without(replace(folder, events=tuple(events)), frame[~drop], gone)


def _step(frame: pd.DataFrame, mine: Bools, instant: np.datetime64) -> Step | None:
    """The step of a prism's readings at an instant, in the axes they were read in; None with none on one side."""
    rows = frame[mine].sort_values("time", kind="stable")
    time = rows["time"].to_numpy(dtype="datetime64[ns]")
    where = int(np.searchsorted(time, instant))
    if not 0 < where < len(time):
        return None
    values = rows[["a", "b", "c"]].to_numpy(dtype=np.float64)
    unit = np.where(rows["coordinates"].to_numpy(dtype=bool), 1e3, 1.0)
    values = (values - np.median(values, axis=0)) * unit[:, None]
    return step_at(values, days_since(time, time[0]), where)


def _only_renamed(step: Step) -> bool:
    """Whether a step is none by its own error, and the error small enough to say so."""
    return bool(step.error <= LARGEST_ERROR and np.linalg.norm(step.size) <= RENAMED * step.error)


def _parts(folder: JobFolder, event: Event) -> tuple[int, int] | None:
    """Numbers of the two prisms an event names; None where its text is one prism's name or no known pair's."""
    number = {prism.name: index for index, prism in enumerate(folder.prisms)}
    names = event.prism.split(":")
    if event.prism in number or len(names) != 2 or not all(name in number for name in names):
        return None
    return number[names[0]], number[names[1]]


def _told(kind: str, action: str, sentence: str, event: Event, section: str, count: int) -> Finding:
    return finding(
        kind, sentence, section=section, prism=event.prism, start=event.time, end=event.time, size=float(count),
        action=action, line=taken_back(event),
    )  # fmt: skip


def _set_aside(folder: JobFolder, account: Account, rows: pd.DataFrame, name: str, event: Event) -> None:
    files = np.array(folder.files, dtype=object)[rows["file"].to_numpy()]
    section = next(prism.section for prism in folder.prisms if prism.name == name)
    detail = "joined to another by events.csv"
    time = rows["time"].to_numpy()
    size = days_since(time, event.time)
    account.set_aside(files, rows["line"].to_numpy(), "replaced prism", detail, section, name, time, size)


def _without(folder: JobFolder, frame: pd.DataFrame, gone: set[int]) -> JobFolder:
    """The folder with these readings, sorted, and without the prisms that have gone into others."""
    left = [index for index in range(len(folder.prisms)) if index not in gone]
    number = np.full(len(folder.prisms), -1, dtype=np.int64)
    number[left] = np.arange(len(left))
    frame = frame.assign(prism=number[frame["prism"].to_numpy(dtype=np.int64)])
    frame = frame.sort_values(["prism", "time"], kind="stable", ignore_index=True)
    return replace(folder, prisms=tuple(folder.prisms[index] for index in left), readings=frame)
