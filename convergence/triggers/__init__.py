"""From projections to decisions: trigger levels, states, urgency."""

from convergence.triggers.levels import LevelOutlook
from convergence.triggers.outlook import COLUMNS, STATES, Outlook, outlook

__all__ = ["COLUMNS", "STATES", "LevelOutlook", "Outlook", "outlook"]
