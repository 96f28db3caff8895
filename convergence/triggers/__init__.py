"""From projections to decisions: trigger levels, states, urgency."""

from convergence.triggers.levels import LevelOutlook
from convergence.triggers.outlook import COLUMNS, Outlook, outlook
from convergence.triggers.reasons import STATES

__all__ = ["COLUMNS", "STATES", "LevelOutlook", "Outlook", "outlook"]
