"""From raw readings to movements along the tunnel's axes: reduction, zero reading, breaks, screens."""

from convergence.survey.alignment import Alignment
from convergence.survey.job import Job, read_job

__all__ = ["Alignment", "Job", "read_job"]
