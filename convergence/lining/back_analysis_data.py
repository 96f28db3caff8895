"""What a projection says of sections, as one vector with its covariance: finals and lost parts of prisms and chords.

A chord repeats what its two prisms say, so their errors are the same numbers seen twice: all own errors and the model's
error are those of prisms, carried to the chords by geometry. The projection's shape is shared by all measures of a
section, its lost parts hang together, and what the plane construction gets wrong is common to all sections.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np

from convergence.errors import ValueFault
from convergence.job.schema import Prism
from convergence.laws.arrays import FloatArray
from convergence.projection.result import PROBABILITIES, SectionProjection

MEASURES = ("settlement", "transverse", "chord")
NUGGET = 0.3
"""Standard deviation [mm] of what is left over between a chord and its prisms."""
LOST_APART = 0.3
"""Share of a lost part's standard deviation that is the prism's own; the rest is common to the section."""


@dataclass(frozen=True)
class Row:
    """One number of the data.

    Attributes
    ----------
    section, label, prisms, kind : str
        Where it is from; kind is "final" (since the zero reading) or "lost" (before it).
    value, deviation : float
        The number and its standard deviation [mm].
    zero : float
        Day of the zero reading.
    stages : tuple of float
        Parts of a final value that each stage causes [mm], in the order of the projection.
    lost, lost_deviation : float
        Of a final value, the part lost before the zero reading and its standard deviation [mm]; NaN where not given.
    total_deviation : float
        Standard deviation of the final value and the lost part together [mm]; NaN where not given.
    """

    section: str
    label: str
    prisms: str
    kind: str
    value: float
    deviation: float
    zero: float
    stages: tuple[float, ...] = ()
    lost: float = float("nan")
    lost_deviation: float = float("nan")
    total_deviation: float = float("nan")


@dataclass(frozen=True)
class SectionData:
    """Numbers of one section with what their covariance is made of.

    Attributes
    ----------
    section : str
        The section.
    rows : tuple of Row
        Finals first, then lost parts.
    points : tuple of str
        Prisms.
    angles : ndarray, shape (points,)
        Where they are [rad].
    onto : ndarray, shape (n, 2 points)
        Rows from the transverse movements and settlements of the points.
    own : ndarray, shape (n, n)
        Covariance of readings and of what the law leaves [mm2].
    relative : ndarray, shape (n, 2)
        Errors in proportion that the section's numbers share [-]: of the projection's shape, and of the lost parts.
    scale : float
        Root mean square final movement of the prisms' components [mm].
    """

    section: str
    rows: tuple[Row, ...]
    points: tuple[str, ...]
    angles: FloatArray
    onto: FloatArray
    own: FloatArray
    relative: FloatArray
    scale: float

    @property
    def values(self) -> FloatArray:
        """The numbers [mm]."""
        return np.array([row.value for row in self.rows])

    @property
    def lost(self) -> FloatArray:
        """Which rows are lost parts."""
        return np.array([float(row.kind == "lost") for row in self.rows])

    def model_error(self) -> FloatArray:
        """Covariance [mm2] of an error of the model of 1 times the section's movement at each prism."""
        lost = self.lost
        size = np.where(lost > 0.0, self.scale * self._lost_size(), self.scale)
        apart = self.onto * size[:, None]
        same = lost[:, None] == lost[None, :]
        return np.asarray((apart @ apart.T) * same)

    def shifts(self) -> FloatArray:
        """Movement of the rows for a sinking and a sideways shift of the whole section of 1 mm, shape (n, 2)."""
        count = len(self.points)
        size = np.where(self.lost > 0.0, self._lost_size(), 1.0)
        down = self.onto[:, count:].sum(axis=1) * size
        side = self.onto[:, :count].sum(axis=1) * size
        return np.stack([down, side], axis=1)

    def _lost_size(self) -> float:
        lost = self.lost > 0.0
        if not lost.any():
            return 1.0
        return float(np.abs(self.values[lost]).mean() / max(np.abs(self.values[~lost]).mean(), 1e-6))


def wall_angles(prisms: Sequence[Prism], radius: float) -> FloatArray:
    """Angle of each prism on a circle whose crown is at the highest of them [rad], from the horizontal on the right."""
    top = max(prism.height for prism in prisms)
    return np.array([np.arctan2(prism.height - (top - radius), prism.offset) for prism in prisms])


def section_data(projected: SectionProjection, prisms: Mapping[str, Prism], radius: float) -> SectionData:
    """Finals and lost parts of a section.

    Parameters
    ----------
    projected : SectionProjection
        The section's projection.
    prisms : mapping of str to Prism
        Prisms by name.
    radius : float
        Radius of the circle that stands for the opening [m].

    Returns
    -------
    SectionData
        The numbers; longitudinal movement is no part of a plane model and left out.

    Raises
    ------
    ValueFault
        If no measure of the section was ever read.
    """
    used = [
        place for place, item in enumerate(projected.series)
        if item.measure in MEASURES and item.readings and np.isfinite(projected.quantiles[place, -1]).all()
        and all(name in prisms for name in item.prisms.split(":"))
    ]  # fmt: skip
    if not used:
        raise ValueFault(
            f"section {projected.section}: no settlement, transverse movement or chord with a reading; expected at "
            "least one. To mend: leave the section out."
        )
    points = tuple(dict.fromkeys(name for place in used for name in projected.series[place].prisms.split(":")))
    angles = wall_angles([prisms[name] for name in points], radius)
    finals, losts, onto = [], [], []
    for place in used:
        item = projected.series[place]
        middle, low, high = (projected.final(place, share) for share in (0.5, 0.05, 0.95))
        deviation = max((high - low) / 3.29, 0.05)
        zero = float(item.time[0])
        stages = tuple(float(part) for part in projected.by_stage[place])
        lost, sure = float(projected.lost[place]), float(projected.lost_deviation[place])
        before = (lost, sure, total_deviation(projected, place))
        finals.append(
            Row(projected.section, item.label, item.prisms, "final", middle, deviation, zero, stages, *before)
        )
        onto.append(_onto(item.measure, item.prisms, points, prisms))
        if np.isfinite(lost) and np.isfinite(sure) and item.measure != "chord":
            row = Row(projected.section, item.label, item.prisms, "lost", lost, max(sure, 0.05), zero)
            losts.append((row, onto[-1], place))
    rows = (*finals, *(row for row, _, _ in losts))
    matrix = np.array([*onto, *(part for _, part, _ in losts)])
    single = np.array([row.value for row in finals if ":" not in row.prisms] or [row.value for row in finals])
    scale = float(max(np.sqrt(np.mean(single**2)), 1.0))
    own, relative = _own_errors(projected, used, finals, losts, matrix)
    return SectionData(projected.section, rows, points, angles, matrix, own, relative, scale)


def _onto(measure: str, names: str, points: tuple[str, ...], prisms: Mapping[str, Prism]) -> FloatArray:
    """A row of the matrix from (transverse, settlement) of the points to one measure."""
    found = np.zeros(2 * len(points))
    if measure != "chord":
        found[points.index(names) + (len(points) if measure == "settlement" else 0)] = 1.0
        return found
    first, second = names.split(":")
    across = prisms[second].offset - prisms[first].offset
    up = prisms[second].height - prisms[first].height
    length = float(np.hypot(across, up))
    for name, sign in ((first, 1.0), (second, -1.0)):
        found[points.index(name)] = sign * across / length
        # settlement is down, so a rise is its negative
        found[points.index(name) + len(points)] = -sign * up / length
    return found


def _own_errors(
    projected: SectionProjection,
    used: list[int],
    finals: list[Row],
    losts: list[tuple[Row, FloatArray, int]],
    onto: FloatArray,
) -> tuple[FloatArray, FloatArray]:
    """Covariance of the numbers' own errors [mm2], and the errors they share in proportion [-], the model's apart."""
    count = len(finals)
    values = np.array([row.value for row in finals])
    total = np.array([row.deviation for row in finals])
    shape = np.minimum(np.nan_to_num(projected.parameter_deviation[used]), 0.98 * total)
    share = _ratio(shape, values)
    rest = np.maximum(total**2 - (share * values) ** 2, (0.2 * total) ** 2)
    apart = np.full(onto.shape[1], np.nan)
    for index, row in enumerate(finals):
        if ":" not in row.prisms:
            apart[int(np.argmax(onto[index]))] = rest[index]
    usual = float(np.nanmedian(apart)) if np.isfinite(apart).any() else 0.5 * float(np.median(rest))
    apart = np.where(np.isnan(apart), usual, apart)
    top = onto[:count]
    carried = top @ (apart[:, None] * top.T)
    more = np.maximum(rest - np.diag(carried), 0.0) + NUGGET**2
    size = count + len(losts)
    whole, relative = np.zeros((size, size)), np.zeros((size, 2))
    whole[:count, :count] = carried + np.diag(more)
    relative[:count, 0] = share
    if losts:
        lost_values = np.array([row.value for row, _, _ in losts])
        unsure = np.array([row.deviation for row, _, _ in losts])
        common = _ratio(unsure, lost_values) * np.sqrt(1.0 - LOST_APART**2)
        together = float(np.median([
            _together(projected, place, finals[used.index(place)], row, float(shape[used.index(place)]))
            for row, _, place in losts
        ]))  # fmt: skip
        relative[count:] = common * np.array([together, np.sqrt(1.0 - together**2)])
        # a lost part that is less sure than the common error says keeps the rest as its own
        own = np.maximum(unsure**2 - (common * lost_values) ** 2, (LOST_APART * unsure) ** 2)
        whole[count:, count:] = np.diag(own)
    return np.asarray(whole), relative


def _ratio(deviation: FloatArray, values: FloatArray) -> float:
    """Size of errors over the size of the numbers [-], at most 1."""
    return float(min(np.sqrt(np.sum(deviation**2) / max(np.sum(values**2), 1e-9)), 1.0))


def total_deviation(projected: SectionProjection, place: int) -> float:
    """Standard deviation of a measure's movement since excavation, lost part included, from its band [mm]."""
    low, high = (np.interp(share, PROBABILITIES, projected.total_quantiles[place, -1]) for share in (0.05, 0.95))
    return float((high - low) / 3.29)


def _together(projected: SectionProjection, place: int, final: Row, lost: Row, shape: float) -> float:
    """Correlation of a lost part with its section's shape, from the width of the two together."""
    total = total_deviation(projected, place)
    covariance = 0.5 * (total**2 - final.deviation**2 - lost.deviation**2)
    if abs(shape) < 1e-3 or not np.isfinite(covariance):
        return 0.0
    return float(np.clip(np.sign(lost.value) * np.sign(final.value) * covariance / (shape * lost.deviation), -0.9, 0.9))
