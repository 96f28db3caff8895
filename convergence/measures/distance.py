"""Face distances and passages: where each stage's face stood against each section, and when it passed."""

from __future__ import annotations

import numpy as np
import pandas as pd

from convergence.job.stages import acting_widths
from convergence.survey.job import Job


def face_passages(job: Job) -> pd.DataFrame:
    """When each stage passed each section, and how far its face stands now.

    The instant lies inside a round by the rule of ``convergence.job.advance``: the face stands still and then moves
    evenly during the usual time for that length of round.

    Parameters
    ----------
    job : Job
        The job.

    Returns
    -------
    pandas.DataFrame
        A row for each section and stage with a log: section, chainage_m, stage, passed (UTC; NaT if not yet),
        known ("logged", "before the log" where the log begins with the face past the section, so that ``passed`` is the
        latest it can have been, or "not yet"), face_distance_m (+ once the face has passed, at the job's date),
        face_distance_widths (the same over the stage's acting width, `convergence.job.stages`).
    """
    rows = []
    widths = acting_widths(job.settings)
    now = job.days(job.now)
    for section in job.sections:
        chainage = float(job.array(section).attrs["section_chainage"])
        for stage, path in job.paths(chainage).items():
            passage = path.passage()
            passed = bool(np.isfinite(passage))
            known = "not yet" if not passed else "before the log" if path.begins_past else "logged"
            distance = float(path.at(now))
            over = distance / widths[stage]
            rows.append((section, job.site_chainage(chainage), stage, job.instant(passage), known, distance, over))
    columns = ["section", "chainage_m", "stage", "passed", "known", "face_distance_m", "face_distance_widths"]
    return pd.DataFrame(rows, columns=columns)
