"""What a person has decided in ``events.csv`` against, or besides, the decisions of the screens."""

from __future__ import annotations

from collections.abc import Iterable

import numpy as np
import numpy.typing as npt

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
    """Readings that rows ``readings set aside`` take out, each until the next ``readings resumed`` for the prism.

    Parameters and returns as for ``rows_kept``; events in the order of time.
    """
    doubted = np.zeros(len(time), dtype=bool)
    for index, prism in enumerate(prisms):
        start: np.datetime64 | None = None
        mine = who == index
        for event in events:
            if event.section not in ("", section) or event.prism not in ("", prism.name):
                continue
            if event.event == "readings set aside" and start is None:
                start = event.time
            elif event.event == "readings resumed" and start is not None:
                doubted |= mine & (time >= start) & (time < event.time)
                start = None
        if start is not None:
            doubted |= mine & (time >= start)
    return doubted
