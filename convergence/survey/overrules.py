"""What a person has decided in ``events.csv`` against, or besides, the decisions of the screens."""

from __future__ import annotations

from collections.abc import Iterable

import numpy as np
import numpy.typing as npt

from convergence.job.event_notes import end_of
from convergence.job.findings import removal_of
from convergence.job.schema import Event, Prism

Bools = npt.NDArray[np.bool_]
Ints = npt.NDArray[np.int64]
Instants = npt.NDArray[np.datetime64]

#: An event means the reading within so many seconds of it.
NEAR = np.timedelta64(60, "s")


def taken_back(event: Event) -> str:
    """How the decision of an event is taken back: the row to remove."""
    return removal_of(event.time, event.section, event.prism, event.event)


def rows_kept(events: Iterable[Event], section: str, prisms: list[Prism], who: Ints, time: Instants) -> Bools:
    """Readings of a section that rows ``reading kept`` name.

    Parameters
    ----------
    events : iterable of Event
        The events of the job.
    section, prisms : str, list of Prism
        The section and its prisms.
    who, time : (n,) arrays
        Prism, as index into ``prisms``, and instant of each reading.

    Returns
    -------
    (n,) array of bool
        True within a minute of such an event of the prism, of the section, or of all.
    """
    kept = np.zeros(len(time), dtype=bool)
    for event in events:
        if event.event == "reading kept" and event.section in ("", section):
            meant = [index for index, prism in enumerate(prisms) if event.prism in ("", prism.name)]
            kept |= np.isin(who, meant) & (np.abs(time - event.time) <= NEAR)
    return kept


def names_one(
    events: Iterable[Event], kind: str, section: str, prism: str, start: np.datetime64, end: np.datetime64
) -> Event | None:
    """The first event of a kind for a prism between two instants, a minute more on either side; None without one."""
    for event in events:
        if (
            event.event == kind
            and event.section in ("", section)
            and event.prism in ("", prism)
            and start - NEAR <= event.time <= end + NEAR
        ):
            return event
    return None


def rows_doubted(events: Iterable[Event], section: str, prisms: list[Prism], who: Ints, time: Instants) -> Bools:
    """Readings that rows ``readings set aside`` take out.

    Each until the instant in its note or the next ``readings resumed`` for the prism, whichever is first; to the end of
    the record where there is neither. Parameters and returns as for ``rows_kept``; events in the order of time.
    """
    doubted = np.zeros(len(time), dtype=bool)
    events = tuple(events)
    for index, prism in enumerate(prisms):
        mine = who == index
        about = [item for item in events if item.section in ("", section) and item.prism in ("", prism.name)]
        for place, event in enumerate(about):
            if event.event != "readings set aside":
                continue
            ends = [end_of(event.note)] + [item.time for item in about[place:] if item.event == "readings resumed"]
            known = [end for end in ends if end is not None]
            doubted |= mine & (time >= event.time) & (time < min(known) if known else True)
    return doubted
