"""Where the movement ends and how sure that is: shapes pooled over the site, bands, advance plans."""

from convergence.projection.plan import AdvancePlan, FaceTrack, weeks_for_rounds
from convergence.projection.project import project_job
from convergence.projection.result import PROBABILITIES, Projection, SectionProjection

__all__ = [
    "PROBABILITIES",
    "AdvancePlan",
    "FaceTrack",
    "Projection",
    "SectionProjection",
    "project_job",
    "weeks_for_rounds",
]
