"""The outlook as a table: for a terminal and as CSV."""

from __future__ import annotations

import csv
import io
import textwrap

import numpy as np
import pandas as pd

from convergence.job.times import shown
from convergence.terms import CAUTION
from convergence.triggers.outlook import COLUMNS, Outlook
from convergence.triggers.reasons import STATES

#: Decimals in outlook.csv; what is not here is text or a count.
DECIMALS = {
    "chainage_m": 3,
    "face_distance_m": 2,
    "measured": 2,
    "rate_per_day": 3,
    "lost": 2,
    "final": 2,
    "final_low": 2,
    "final_high": 2,
    "level_value": 4,
    "probability": 3,
}


def outlook_csv(outlook: Outlook) -> str:
    """The outlook as CSV, one row for each section and measure, most urgent first; empty where nothing can be said."""
    stream = io.StringIO()
    writer = csv.writer(stream, lineterminator="\n")
    writer.writerow(COLUMNS)
    for row in outlook.table[list(COLUMNS)].itertuples(index=False):
        writer.writerow([_cell(name, value) for name, value in zip(COLUMNS, row, strict=True)])
    return stream.getvalue()


def _cell(name: str, value: object) -> str:
    if name in DECIMALS:
        number = float(value) if isinstance(value, int | float) else float("nan")
        # a rounded minus zero reads like a finding
        return "" if not np.isfinite(number) else f"{round(number, DECIMALS[name]) + 0.0:.{DECIMALS[name]}f}"
    return str(value)


def outlook_text(outlook: Outlook, width: int = 120, most: int = 25) -> str:
    """The outlook as a person reads it: the rows that ask for attention, then each section's state.

    Parameters
    ----------
    outlook : Outlook
        The outlook.
    width : int
        Characters a line may have.
    most : int
        Rows printed in full; all are in ``outlook.csv``.
    """
    job, projection = outlook.job, outlook.projection
    counts = ", ".join(f"{count} {state}" for state, count in outlook.counts.items() if count)
    aside = job.account.table
    put_aside = int(aside["set_aside"].sum() + aside["later_than_as_of"].sum())
    lines = [
        f"{job.settings.tunnel.name}: outlook at {shown(job.now)}",
        f"{len(job.sections)} sections, {len(outlook.table)} measures: {counts}",
        f"rows read {int(aside['read'].sum())} = used {int(aside['used'].sum())} + set aside {put_aside}; "
        f"{len(job.findings)} findings (convergence check tells them)",
        f"movements in mm since the zero reading; final at {projection.horizon_days:g} days after the first stage's "
        f"passage, {projection.confidence:.0%} band",
        "",
    ]
    table = outlook.table
    urgent = table[table["outlook"].isin(["past", "heading"])]
    blind = table[(table["outlook"] == "blind") & ~table["section"].isin(urgent["section"])].drop_duplicates("section")
    rest = table[table["outlook"] == "clear"].drop_duplicates("section")
    lines += _rows(pd.concat([urgent, blind]).head(most), width)
    hidden = len(urgent) + len(blind) - most
    if hidden > 0:
        lines.append(f"   ... and {hidden} more past, heading or blind")
    clear = rest[~rest["section"].isin([*urgent["section"], *blind["section"]])]
    if len(clear):
        lines += ["", "clear, the measure nearest to its level in each section:"]
        lines += _rows(clear, width, reasons=False)
    silent = [
        section
        for section in job.sections
        if section not in set(urgent["section"]) | set(blind["section"]) | set(rest["section"])
    ]
    if silent:
        lines += ["", *textwrap.wrap(f"undetermined: {', '.join(silent)} (outlook.csv says why)", width)]
    return "\n".join([*lines, "", *textwrap.wrap(CAUTION, width)])


def _rows(table: pd.DataFrame, width: int, reasons: bool = True) -> list[str]:
    records = table.to_dict("records")
    if not records:
        return ["   nothing past, heading or blind"] if reasons else []
    name = max(len("section"), *(len(str(row["section"])) for row in records))
    measure = [f"{row['measure']} {row['prisms']}" for row in records]
    longest = max(len("measure"), *map(len, measure))
    lines = [
        f"   {'state':<12} {'section':<{name}}  {'measure':<{longest}} {'measured':>9} {'mm/day':>8} {'lost':>7} "
        f"{'final':>8} {'(low':>8} {'high)':>8}  {'P':>5}  level"
    ]
    for row, what in zip(records, measure, strict=True):
        state, level = str(row["outlook"]), f"{row['level']} {row['level_value']:g}" if row["level"] else "-"
        lines.append(
            f"{STATES[state]:<2} {state:<12} {row['section']:<{name}}  {what:<{longest}} {_number(row['measured']):>9} "
            f"{_number(row['rate_per_day'], 2):>8} {_number(row['lost']):>7} {_number(row['final']):>8} "
            f"{_number(row['final_low']):>8} {_number(row['final_high']):>8}  {_percent(row['probability']):>5}  "
            f"{level}"
        )
        if reasons:
            indent = " " * 16
            lines += textwrap.wrap(str(row["reason"]), width, initial_indent=indent, subsequent_indent=indent)
    return lines


def _number(value: float, decimals: int = 1) -> str:
    return "-" if not np.isfinite(value) else f"{round(value, decimals) + 0.0:.{decimals}f}"


def _percent(value: float) -> str:
    return "-" if not np.isfinite(value) else f"{value:.0%}"
