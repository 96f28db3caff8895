"""What the figures of one section draw from: its readings, curves, faces, and the window of time."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from functools import cached_property

import numpy as np
import numpy.typing as npt
import pandas as pd

from convergence.errors import ValueFault
from convergence.job.findings import Finding
from convergence.laws import FacePath
from convergence.measures.series import Series
from convergence.measures.tunnel import measure_section
from convergence.plots.clock import Clock, clock_of
from convergence.plots.curves import Curve, section_curves
from convergence.plots.style import LineStyle, line_style
from convergence.projection import SectionProjection
from convergence.projection.diagnosis import fit_status
from convergence.terms import TERMS
from convergence.triggers import LevelOutlook, Outlook

Floats = npt.NDArray[np.float64]

#: Days a figure shows after the instant of the analysis.
DAYS_AHEAD = 45.0
#: A passage this many days before the first zero reading is still shown.
DAYS_BEFORE = 20.0


@dataclass(frozen=True, eq=False)
class SectionView:
    """One section of an outlook, as the figures need it.

    Attributes
    ----------
    outlook : Outlook
        The outlook.
    section : str
        The section.
    """

    outlook: Outlook
    section: str

    @cached_property
    def clock(self) -> Clock:
        """Days to dates."""
        return clock_of(self.outlook.job)

    @cached_property
    def projection(self) -> SectionProjection | None:
        """The section's projection; None where there is none."""
        return self.outlook.projection.sections.get(self.section)

    @cached_property
    def chainage(self) -> float:
        """Continuous chainage of the section [m]."""
        return float(self.outlook.job.array(self.section).attrs["section_chainage"])

    @property
    def chainage_text(self) -> str:
        """Chainage of the section as the site writes it, with its unit."""
        return self.outlook.job.stationing.text(self.chainage, 1)

    @cached_property
    def series(self) -> tuple[Series, ...]:
        """Measures with at least one reading."""
        if self.projection is not None:
            return self.projection.series
        return tuple(item for item in measure_section(self.outlook.job, self.section) if len(item.time))

    @cached_property
    def paths(self) -> dict[str, FacePath]:
        """Logged and planned path of each stage past the section."""
        return {name: track.path(self.chainage) for name, track in self.outlook.projection.tracks.items()}

    @property
    def unbegun(self) -> tuple[str, ...]:
        """Stages declared without a round: what they will cause is in no final value."""
        tracks = self.outlook.projection.tracks
        return tuple(stage.name for stage in self.outlook.job.settings.stages if stage.name not in tracks)

    @cached_property
    def now(self) -> float:
        """The instant of the analysis [days since the job's epoch]."""
        return self.outlook.job.days(self.outlook.job.now)

    @cached_property
    def window(self) -> tuple[float, float]:
        """First and last day shown."""
        starts = [float(item.time[0]) for item in self.series]
        first = next(iter(self.paths.values()), None)
        passage = first.passage() if first is not None and not first.begins_past else float("nan")
        if starts and np.isfinite(passage) and min(starts) - DAYS_BEFORE < passage < min(starts):
            starts.append(passage)
        if not starts:
            starts = [passage if passage < self.now else self.now - 10.0]
        end = self.now + DAYS_AHEAD
        if self.projection is not None:
            end = max(min(end, float(self.projection.dates[-1])), self.now + 1.0)
        return min(starts) - 0.015 * (end - min(starts)), end

    @cached_property
    def curves(self) -> dict[str, Curve]:
        """Course of each measure, by label; empty where nothing is projected."""
        if self.projection is None:
            return {}
        projection = self.outlook.projection
        return section_curves(self.outlook.job, self.projection, self.paths, projection.confidence, *self.window)

    @cached_property
    def rows(self) -> pd.DataFrame:
        """The section's rows of the outlook table, most urgent first."""
        table = self.outlook.table
        return table[table["section"] == self.section]

    @cached_property
    def findings(self) -> tuple[Finding, ...]:
        """What was noticed in the section's readings; findings of the whole job are not among them."""
        return tuple(item for item in self.outlook.job.findings if self.section in item.section.split(":"))

    def choose(self, measures: Sequence[str] | str | None) -> tuple[Series, ...]:
        """Measures by label ("settlement crown"), by kind ("settlement"), or all of the first kind the
        section has.

        Raises
        ------
        ValueFault
            If a name fits no measure of the section.
        """
        if measures is None:
            return self.kind(self.series[0].measure) if self.series else ()
        if not self.series:
            return ()
        names = [measures] if isinstance(measures, str) else list(measures)
        chosen: list[Series] = []
        for name in names:
            fitting = [
                item for item in self.series if name in (item.measure, item.label, f"{item.measure} {item.prisms}")
            ]
            if not fitting:
                raise ValueFault(
                    f"measure '{name}' has no reading in section {self.section}; expected one of "
                    f"{', '.join(item.label for item in self.series)}. "
                    "To mend: use one of these labels, or a kind as 'settlement'."
                )
            chosen += [item for item in fitting if item not in chosen]
        return tuple(chosen)

    def kind(self, measure: str) -> tuple[Series, ...]:
        """All measures of one kind."""
        return tuple(item for item in self.series if item.measure == measure)

    def place(self, series: Series, chosen: Sequence[Series]) -> int:
        """Place of a measure among those of its kind, or among the chosen where they are of several kinds."""
        among = chosen if mixed(chosen) else self.kind(series.measure)
        return [item.label for item in among].index(series.label)

    def style(self, series: Series, chosen: Sequence[Series]) -> LineStyle:
        """Style of a measure, by its place."""
        return line_style(self.place(series, chosen))

    def levels(self, series: Series) -> tuple[LevelOutlook, ...]:
        """Trigger levels that apply to a measure."""
        return self.outlook.levels.get((self.section, series.label), ())

    def status(self, series: Series) -> tuple[str, str]:
        """Fit status and reason of a measure."""
        return fit_status(series, self.projection)

    def row(self, series: Series) -> pd.Series | None:
        """A measure's row of the outlook table."""
        found = self.rows[(self.rows["measure"] == series.measure) & (self.rows["prisms"] == series.prisms)]
        return found.iloc[0] if len(found) else None

    def most_urgent(self, chosen: Sequence[Series]) -> Series | None:
        """The measure to look at first.

        One past a level, heading for one or blind, in the order of the outlook table; else the one most likely to
        reach a level, and of several the one that moved most.
        """
        order = {
            (row.measure, row.prisms): place
            for place, row in enumerate(self.rows.itertuples(index=False))
            if row.outlook in ("past", "heading", "blind")
        }

        def rank(series: Series) -> tuple[int, float, float]:
            chances = [item.probability for item in self.levels(series) if np.isfinite(item.probability)]
            place = order.get((series.measure, series.prisms), len(self.rows))
            return place, -round(max(chances, default=0.0), 3), -abs(float(series.value[-1]))

        return min(chosen, key=rank, default=None)

    def horizon_words(self) -> str:
        """The horizon as a date and what it is counted from."""
        if self.projection is None:
            return ""
        end = float(self.projection.dates[-1])
        return f"{self.clock.date(end)} ({self.outlook.projection.horizon_days:g} d)"

    def passages(self) -> dict[str, tuple[float, bool]]:
        """Day each stage passes the section, and whether that is planned only; stages that do not pass are
        absent.
        """
        found: dict[str, tuple[float, bool]] = {}
        for name, path in self.paths.items():
            at = path.passage()
            if np.isfinite(at) and not path.begins_past:
                found[name] = (at, at > self.outlook.projection.tracks[name].logged_until)
        return found


def section_view(outlook: Outlook, section: str) -> SectionView:
    """The view of one section; an unknown name is an error that lists the names."""
    outlook.job.array(section)
    return SectionView(outlook, section)


def movement_label(chosen: Sequence[Series]) -> str:
    """Axis label of movements: name, unit, sign and datum."""
    kinds = list(dict.fromkeys(item.measure for item in chosen))
    if len(kinds) == 1 and kinds[0] in TERMS:
        return f"{TERMS[kinds[0]].axis_label}\nsince zero reading"
    signs = "; ".join(f"{kind} {TERMS[kind].sign}" if kind in TERMS else kind for kind in kinds)
    return f"movement [mm] since zero reading\n{signs}" if signs else "movement [mm] since zero reading"


def mixed(chosen: Sequence[Series]) -> bool:
    """Whether measures are of several kinds, so that their names need the kind."""
    return len({item.measure for item in chosen}) > 1


def short_name(series: Series, chosen: Sequence[Series] = ()) -> str:
    """The prisms' positions, with the kind of measure only where the chosen are of several kinds."""
    words = series.label.split(" ", 1)
    if len(words) < 2:
        return series.label
    positions = words[1].replace(":", " to ")
    return f"{words[0]} {positions}" if mixed(chosen) else positions


def left_out_words(stages: Sequence[str]) -> str:
    """That the final values leave out what stages without a round will cause."""
    return f"finals leave out {' and '.join(stages)}: no round yet"
