"""All triggers of a job as they stand at its date, against one measure after the other."""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from convergence.job.schema import Trigger
from convergence.laws.path import FacePath
from convergence.measures.series import Series
from convergence.measures.tunnel import measure_section
from convergence.projection.result import Projection, SectionProjection
from convergence.survey.job import Job
from convergence.triggers.levels import applies, ever_passed, level_outlooks
from convergence.triggers.register import register_warnings
from convergence.triggers.standing import LevelOutlook


class Review:
    """The triggers as they stand at the job's date, against one measure after the other."""

    def __init__(self, job: Job, projection: Projection) -> None:
        self.job = job
        self.projection = projection
        self.triggers = tuple(trigger.at(job.now) for trigger in job.settings.triggers)
        self.positions = {prism.name: prism.position for prism in job.folder.prisms}
        self.warnings = register_warnings(job.settings.triggers, job.now, self._passed, job.settings.tunnel.time_zone)
        self.sizes: dict[tuple[str, str, str], list[float]] = {}
        for trigger in self.triggers:
            key = (trigger.measure, trigger.quantity, trigger.since)
            own = {abs(level.value) for level in trigger.levels}
            self.sizes[key] = sorted({*self.sizes.get(key, []), *own})

    def faces(self, section: str) -> dict[str, FacePath]:
        """Logged and planned faces past a section."""
        chainage = float(self.job.array(section).attrs["section_chainage"])
        return {name: track.path(chainage) for name, track in self.projection.tracks.items()}

    def applies(self, trigger: Trigger, series: Series) -> bool:
        """Whether a trigger applies to a measure that has been read."""
        own = tuple(self.positions[name] for name in series.prisms.split(":") if name in self.positions)
        return bool(len(series.time)) and applies(trigger, series, own)

    def level_rows(
        self,
        series: Series,
        measured: list[Series],
        faces: dict[str, FacePath],
        surprise: float,
        unread: SectionProjection | None,
    ) -> tuple[LevelOutlook, ...]:
        """Every level of every trigger that applies to a measure."""
        found = [
            item
            for trigger in self.triggers
            if self.applies(trigger, series)
            for item in level_outlooks(
                trigger,
                series,
                self.projection.sections.get(series.section),
                self.projection.noise,
                faces=faces,
                witnesses=measured,
                today=self.projection.data_until,
                surprise=surprise,
                unread=unread,
            )
        ]
        return tuple(
            replace(
                item,
                warning=self.warnings.get((item.trigger.name, item.level.name), ""),
                gravity=self._gravity(item),
            )
            for item in found
        )

    def _gravity(self, item: LevelOutlook) -> float:
        """Place of a level by size among all of the job with its measure, quantity and datum, 1 for the largest."""
        sizes = self.sizes[item.trigger.measure, item.trigger.quantity, item.trigger.since]
        return (sizes.index(abs(item.level.value)) + 1) / len(sizes)

    def _passed(self, trigger: Trigger, place: int, instant: np.datetime64) -> bool:
        """Whether any measure had passed a level by an instant, by the readings until then."""
        until = self.job.days(instant)
        for section in self.job.sections:
            measured = [_until(series, until) for series in measure_section(self.job, section)]
            faces, carried = self.faces(section), self.projection.sections.get(section)
            for series in measured:
                if self.applies(trigger, series) and ever_passed(
                    trigger, place, series, carried, self.projection.noise, faces, measured
                ):
                    return True
        return False


def _until(series: Series, day: float) -> Series:
    """A series as it stood on a day."""
    rows = series.time <= day
    return replace(series, time=series.time[rows], value=series.value[rows], segment=series.segment[rows])
