"""From projections to decisions: trigger levels, states, urgency."""

from convergence.triggers.outlook import COLUMNS, Outlook, outlook
from convergence.triggers.passages import new_passages
from convergence.triggers.standing import LevelOutlook
from convergence.triggers.states import STATES

__all__ = ["COLUMNS", "STATES", "LevelOutlook", "Outlook", "new_passages", "outlook"]
