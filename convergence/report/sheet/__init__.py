"""The daily sheet: one self-contained HTML page that prints, for the morning review and for the file."""

from convergence.report.sheet.changes import NewPassage, StateChange, newly_past, state_changes
from convergence.report.sheet.entry import write_report
from convergence.report.sheet.page import sheet_html
from convergence.report.sheet.view import SheetView

__all__ = [
    "NewPassage",
    "SheetView",
    "StateChange",
    "newly_past",
    "sheet_html",
    "state_changes",
    "write_report",
]
