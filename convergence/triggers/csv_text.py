"""A table of the review as CSV: numbers to four decimals, nothing where nothing can be said."""

from __future__ import annotations

import pandas as pd


def table_csv(table: pd.DataFrame) -> str:
    """The table as CSV text; a number that is not known is an empty cell."""
    shown = table.copy()
    for name in shown.columns:
        if pd.api.types.is_float_dtype(shown[name]):
            # a rounded minus zero reads like a finding
            shown[name] = shown[name].round(4) + 0.0
    return shown.to_csv(index=False, lineterminator="\n")
