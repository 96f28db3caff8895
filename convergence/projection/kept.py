"""A job's projection, kept between runs where the command asks for it: by what the job says and not by its files.

What was known at a past date is the same whatever has been appended since, so its projection is found again although
the files are other ones. Each section's numbers hang on the readings of all others, through the noise of the site, the
shapes and the pattern, so a projection is kept as a whole or not at all.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace

from convergence.cache import keeping, kept, key_of
from convergence.projection.plan import AdvancePlan
from convergence.projection.project import project_job
from convergence.projection.result import Projection
from convergence.survey.job import Job

#: What may be another for the same numbers: rows of later dates stand in the account, rows set aside in the texts.
WITHOUT = frozenset(
    {
        ("Job", "account"),
        *(("JobFolder", name) for name in ("path", "files", "account", "remarks", "as_of", "fingerprint", "texts")),
        ("JobFolder", "strangers"),
    }
)


def projected(
    job: Job,
    plan: AdvancePlan | None = None,
    processes: int = 1,
    progress: Callable[[int, int], None] | None = None,
) -> Projection:
    """``project_job``, or what it gave when it was last asked the same; parameters as there."""

    def work() -> Projection:
        return project_job(job, plan, processes=processes, progress=progress)

    if keeping() is None:
        return work()
    # the fingerprint is that of the files, and everything else in a projection comes from what is in the key
    found: Projection = kept(_key(job, plan), Projection, lambda: replace(work(), fingerprint=""))
    return replace(found, fingerprint=job.folder.fingerprint)


def _key(job: Job, plan: AdvancePlan | None) -> str | None:
    """Key of a projection: all of a job but where it lies, where its rows stand and what was told of them.

    What is left out is named and not what is taken in: a projection that asks for more of a job is safe here.
    """
    arrays = {name: array.drop_vars("row") for name, array in job.arrays.items()}
    read = job.folder.readings.drop(columns=["file", "line"])
    known = replace(job, arrays=arrays, folder=replace(job.folder, readings=read))
    return key_of("projection", (known, job.account.by_prism(), job.now, plan), WITHOUT)
