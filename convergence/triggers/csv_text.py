"""A table of the review as CSV: numbers to four decimals, nothing where nothing can be said, text never a formula."""

from __future__ import annotations

import pandas as pd

#: A spreadsheet takes a cell that begins with one of these for a formula, be it a name or a note.
FORMULA = ("=", "+", "-", "@")


def plain_text(value: object) -> object:
    """A cell's text so that no spreadsheet works it out: with an apostrophe before a sign a formula begins with."""
    return f"'{value}" if isinstance(value, str) and value.startswith(FORMULA) else value


def table_csv(table: pd.DataFrame) -> str:
    """The table as CSV text; a number that is not known is an empty cell."""
    shown = table.copy()
    for name in shown.columns:
        if pd.api.types.is_float_dtype(shown[name]):
            # a rounded minus zero reads like a finding
            shown[name] = shown[name].round(4) + 0.0
        elif not pd.api.types.is_numeric_dtype(shown[name]):
            shown[name] = shown[name].map(plain_text)
    return shown.to_csv(index=False, lineterminator="\n")
