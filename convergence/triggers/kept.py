"""A job's outlook, kept between runs where the command asks for it."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import fields

from convergence.cache import keeping, kept, key_of
from convergence.projection.kept import projected
from convergence.survey.job import Job
from convergence.triggers.outlook import Outlook, outlook

#: What an outlook hangs on is all of its job but where it lies.
WITHOUT = frozenset({("JobFolder", "path")})


def kept_outlook(job: Job, processes: int = 1, progress: Callable[[int, int], None] | None = None) -> Outlook:
    """``outlook`` of a job, or what it gave for the same job; parameters as there."""
    projection = projected(job, None, processes, progress)
    if keeping() is None:
        return outlook(job, projection=projection)

    def judged() -> dict[str, object]:
        found = outlook(job, projection=projection)
        return {one.name: getattr(found, one.name) for one in fields(found) if one.name not in ("job", "projection")}

    told = kept(key_of("outlook", job, WITHOUT), dict, judged)
    return Outlook(job=job, projection=projection, **told)
