"""How the face of one stage moved past one section."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from convergence.errors import ValueFault
from convergence.laws.arrays import FloatArray, floats


@dataclass(frozen=True, eq=False)
class FacePath:
    """How one stage's face moved relative to one section.

    The face distance runs straight between nodes and stands still before the first and after the last. Two
    nodes at the same time are a jump, such as a round blasted at that instant; at the instant itself the
    later node counts.

    Attributes
    ----------
    time : ndarray, shape (k,)
        Nodes [days], non-decreasing, on any time origin.
    distance : ndarray, shape (k,)
        Face distance at the nodes [m], positive once the face has passed the section; non-decreasing.

    Raises
    ------
    ValueFault
        If the arrays differ in length, are empty, hold a value that is not finite, or decrease.

    Examples
    --------
    >>> path = FacePath(np.array([0.0, 10.0]), np.array([-10.0, 10.0]))
    >>> path.passage()
    5.0
    """

    time: FloatArray
    distance: FloatArray

    def __post_init__(self) -> None:
        for name, unit in (("time", "days"), ("distance", "m")):
            values = np.array(getattr(self, name), dtype=np.float64)
            _refuse_unordered(f"face path {name} [{unit}]", values)
            values.setflags(write=False)
            object.__setattr__(self, name, values)
        if self.time.size != self.distance.size:
            raise ValueFault(
                f"face path: {self.time.size} times and {self.distance.size} distances; expected as "
                "many of one as of the other. To mend: give each node of the advance log "
                "both a time and a distance."
            )

    @property
    def begins_past(self) -> bool:
        """Whether the face was past the section at the first node already, so that its passage is unknown."""
        return bool(self.distance[0] > 0.0)

    def at(self, time: npt.ArrayLike) -> FloatArray:
        """Face distance at the given times.

        Parameters
        ----------
        time : array_like
            Times [days], any order.

        Returns
        -------
        ndarray, shape of `time`
            Face distance [m].
        """
        return np.asarray(np.interp(floats(time), self.time, self.distance))

    def speed(self, time: npt.ArrayLike) -> FloatArray:
        """Advance speed just after the given times; zero before the first and from the last node on.

        Parameters
        ----------
        time : array_like
            Times [days], any order.

        Returns
        -------
        ndarray, shape of `time`
            Speed [m/day], never negative. A jump has no speed; the speed after it is given.
        """
        times = floats(time)
        left = np.searchsorted(self.time, times, side="right") - 1
        inside = (left >= 0) & (left < self.time.size - 1)
        left = np.where(inside, left, 0)
        right = np.where(inside, left + 1, 0)
        duration = np.where(inside, self.time[right] - self.time[left], 1.0)
        return np.asarray((self.distance[right] - self.distance[left]) / duration)

    def passage(self) -> float:
        """Instant at which the face reached the section.

        Returns
        -------
        float
            Time [days] at which the face distance first reaches zero, by straight lines between the nodes;
            NaN if the face has not reached the section by the last node. Where the path begins past the
            section (`begins_past`) this is the time of the first node, the latest instant it can have been.
        """
        reached = int(np.searchsorted(self.distance, 0.0, side="left"))
        if reached == self.distance.size:
            return float("nan")
        if reached == 0:
            return float(self.time[0])
        before, after = self.distance[reached - 1], self.distance[reached]
        share = -before / (after - before)
        return float(self.time[reached - 1] + share * (self.time[reached] - self.time[reached - 1]))

    def elapsed(self, time: npt.ArrayLike) -> FloatArray:
        """Days since the face reached the section.

        Parameters
        ----------
        time : array_like
            Times [days], any order.

        Returns
        -------
        ndarray, shape of `time`
            Days since `passage`, negative before it; NaN if the face never reached the section.
        """
        return np.asarray(floats(time) - self.passage())


def _refuse_unordered(name: str, values: FloatArray) -> None:
    """Raise unless `values` is a filled line of finite numbers that never decreases."""
    if values.ndim != 1 or values.size == 0:
        raise ValueFault(
            f"{name}: shape {values.shape}; expected one row of at least one node. "
            "To mend: pass a one-dimensional array with a value for each node."
        )
    if not np.isfinite(values).all():
        place = int(np.flatnonzero(~np.isfinite(values))[0])
        raise ValueFault(
            f"{name}: node {place} is {values[place]}; expected a finite number. "
            "To mend: leave out the node or give its value."
        )
    falls = np.flatnonzero(np.diff(values) < 0.0)
    if falls.size:
        place = int(falls[0])
        raise ValueFault(
            f"{name}: node {place + 1} is {values[place + 1]} after {values[place]}; expected non-decreasing "
            "values. To mend: sort the nodes by time and correct the round whose value falls back."
        )
