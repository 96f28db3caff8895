"""The job folder: what is read from files, before any reduction."""

from convergence.job.account import REASONS, Account
from convergence.job.advance import FaceLog
from convergence.job.reading import JobFolder, read_folder
from convergence.job.schema import Event, Prism, Settings, Stage, Trigger

__all__ = [
    "REASONS",
    "Account",
    "Event",
    "FaceLog",
    "JobFolder",
    "Prism",
    "Settings",
    "Stage",
    "Trigger",
    "read_folder",
]
