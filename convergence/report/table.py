"""The outlook as a table: for a terminal and as CSV."""

from __future__ import annotations

import csv
import io
import textwrap
from collections.abc import Hashable, Iterable, Mapping
from typing import Any

import numpy as np
import numpy.typing as npt
import pandas as pd

from convergence.job.times import shown
from convergence.measures.rates import RATE_WINDOW
from convergence.terms import CAUTION, WARNED
from convergence.triggers.amounts import percent_text
from convergence.triggers.csv_text import plain_text
from convergence.triggers.outlook import COLUMNS, Outlook
from convergence.triggers.reasons import READ_AGAIN
from convergence.triggers.standing import LIKELY
from convergence.triggers.states import STATES

#: Decimals in outlook.csv; what is not here is text or a count.
COLUMN_DECIMALS = {
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

#: Columns of numbers in the printed table, and those left out of a narrow one, the first to go first; all are in
#: ``outlook.csv``.
NUMBERS = ("measured", "mm/day", "lost", "final", "(low", "high)", "P")
SPARED = ("mm/day", "lost", "P")
#: What tells a level among the passages.
LEVEL_KEY = ("section", "measure", "prisms", "trigger", "level")


def outlook_csv(outlook: Outlook) -> str:
    """The outlook as CSV, one row for each section and measure, most urgent first; empty where nothing can be said."""
    stream = io.StringIO()
    writer = csv.writer(stream, lineterminator="\n")
    writer.writerow(COLUMNS)
    for row in outlook.table[list(COLUMNS)].itertuples(index=False):
        writer.writerow([_cell(name, value) for name, value in zip(COLUMNS, row, strict=True)])
    return stream.getvalue()


def _cell(name: str, value: object) -> str:
    if name in COLUMN_DECIMALS:
        number = float(value) if isinstance(value, int | float) else float("nan")
        # a rounded minus zero reads like a finding
        decimals = COLUMN_DECIMALS[name]
        return "" if not np.isfinite(number) else f"{round(number, decimals) + 0.0:.{decimals}f}"
    return str(plain_text(value))


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
        f"passage, {projection.confidence:.0%} band; rates over {RATE_WINDOW:g} days with their standard error",
        projection.timing_text,
        f"dates of the reasons are local ({job.settings.tunnel.time_zone})",
    ]
    if job.folder.as_of is None:
        lines.append(
            "blind is judged against the last data, not the clock: give --as-of to see a site that has fallen silent"
        )
    lines += [f"trigger {name} applies to no measure that has been read" for name in outlook.idle_triggers]
    lines += [f"not used: {remark}" for remark in job.folder.remarks]
    lines = [part for line in lines for part in textwrap.wrap(line, width)] + [""]
    table = outlook.table
    urgent = table[table["outlook"].isin(["past", "heading"])]
    # a reading alone beyond a level is no alarm yet, and the one row that must not be overlooked; nor one that is
    # likelier than not
    again = table["reason"].str.contains(READ_AGAIN, regex=False) | (table["probability"] >= LIKELY)
    unsure = table[(table["outlook"] == "undetermined") & again]
    urgent = pd.concat([urgent, unsure])
    blind = table[(table["outlook"] == "blind") & ~table["section"].isin(urgent["section"])].drop_duplicates("section")
    rest = table[table["outlook"] == "clear"].drop_duplicates("section")
    lines += _rows(pd.concat([urgent, blind]).head(most), width, outlook)
    hidden = len(urgent) + len(blind) - most
    if hidden > 0:
        lines.append(f"   ... and {hidden} more past, heading, likelier than not, to be read again or blind")
    every_blind = table[table["outlook"] == "blind"]
    if len(every_blind):
        lines += ["", *textwrap.wrap(f"blind in all: {_prisms_by_section(every_blind)}", width)]
    mute = table[_keyed(table, outlook.silent) & (table["outlook"] != "blind")]
    if len(mute):
        words = f"past a level and silent, missing like those blind: {_prisms_by_section(mute)}"
        lines += ["", *textwrap.wrap(words, width)]
    lines += _noticed(outlook, width, most)
    clear = rest[~rest["section"].isin([*urgent["section"], *blind["section"]])]
    if len(clear):
        lines += ["", "clear, the measure nearest to its level in each section:"]
        lines += _rows(clear, width, outlook, reasons=False)
    silent = [
        section
        for section in job.sections
        if section not in set(urgent["section"]) | set(blind["section"]) | set(rest["section"])
    ]
    if silent:
        lines += ["", *textwrap.wrap(f"undetermined: {', '.join(silent)} (outlook.csv says why)", width)]
    warnings = dict.fromkeys(str(item) for item in outlook.passages["warning"] if item)
    for words in warnings:
        lines += ["", *textwrap.wrap(f"{WARNED} {words}", width)]
    return "\n".join([*lines, "", *textwrap.wrap(CAUTION, width)])


def _key(row: Mapping[Hashable, Any]) -> tuple[str, str, str]:
    return str(row["section"]), str(row["measure"]), str(row["prisms"])


def _keyed(table: pd.DataFrame, keys: Iterable[tuple[str, str, str]]) -> npt.NDArray[np.bool_]:
    """Rows of some measures."""
    wanted = set(keys)
    return np.array([_key(row) in wanted for row in table.to_dict("records")], dtype=bool)


def _noticed(outlook: Outlook, width: int, most: int) -> list[str]:
    """Changes found lately in the readings, a line each, with how often one is false said once."""
    rows = outlook.changes.to_dict("records")
    if not rows:
        return []
    days = float(rows[0]["false_alarm_days"])
    head = f"noticed in the readings (one false alarm of a series is expected every {days:.0f} days):"
    lines = ["", *textwrap.wrap(head, width)]
    for row in rows[:most]:
        told = str(row["sentence"]).split("; a false alarm")[0]
        words = f"{row['section']} {row['measure']} {row['prisms']}: {told}"
        lines += textwrap.wrap(words, width, initial_indent="   ", subsequent_indent="      ")
    if len(rows) > most:
        lines.append(f"   ... and {len(rows) - most} more")
    return lines


def _prisms_by_section(table: pd.DataFrame) -> str:
    """Sections with their prisms, as "S1 (P1, P2); S2 (P3)"."""
    found: dict[str, list[str]] = {}
    for section, prisms in zip(table["section"], table["prisms"], strict=True):
        found.setdefault(str(section), []).extend(str(prisms).split(":"))
    return "; ".join(f"{section} ({', '.join(sorted(set(names)))})" for section, names in sorted(found.items()))


def _rows(table: pd.DataFrame, width: int, outlook: Outlook, reasons: bool = True) -> list[str]:
    records = table.to_dict("records")
    if not records:
        return ["   nothing past, heading or blind"] if reasons else []
    columns = _columns(records, outlook)
    for name in SPARED:
        if _length(columns) <= width:
            break
        del columns[name]
    over = _length(columns) - width
    if over > 0:
        columns["measure"] = _clipped(columns["measure"], over)
    sizes = [max(map(len, cells)) for cells in columns.values()]
    right = [name in NUMBERS for name in columns]
    lines = []
    for number, cells in enumerate(zip(*columns.values(), strict=True)):
        parts = [
            cell.rjust(size) if aligned else cell.ljust(size)
            for cell, size, aligned in zip(cells, sizes, right, strict=True)
        ]
        lines.append(" ".join(parts).rstrip()[:width])
        if reasons and number:
            indent = " " * 16
            told = str(records[number - 1]["reason"]) + _acts(records[number - 1], outlook)
            lines += textwrap.wrap(told, width, initial_indent=indent, subsequent_indent=indent)
    return lines


def _acts(row: Mapping[Hashable, Any], outlook: Outlook) -> str:
    """Who acts on the level a row is about, and how; empty where the job does not say or nothing is to be done yet."""
    if row["outlook"] not in ("past", "heading"):
        return ""
    own = (item for item in outlook.job.settings.triggers if item.name == row["trigger"])
    words = next((": ".join(part for part in (item.owner, item.action) if part) for item in own), "")
    return f"; acts: {words}" if words else ""


def _columns(records: list[dict[Hashable, Any]], outlook: Outlook) -> dict[str, list[str]]:
    """Cells of the printed table by column, the head first."""
    errors, sign = outlook.rate_errors, f" {WARNED}"
    levels = {
        tuple(row[name] for name in LEVEL_KEY): f"{_own_unit(str(row['level_text']))}{sign if row['warning'] else ''}"
        for row in outlook.passages.to_dict("records")
    }
    rows = [
        (
            STATES[str(row["outlook"])].mark,
            str(row["outlook"]),
            str(row["section"]),
            f"{row['measure']} {row['prisms']}",
            _number(row["measured"]),
            _rate(row["rate_per_day"], errors.get((row["section"], f"{row['measure']} {row['prisms']}"), float("nan"))),
            _number(row["lost"]),
            _number(row["final"]),
            _number(row["final_low"]),
            _number(row["final_high"]),
            _percent(row["probability"]),
            f"{row['level']} {levels.get(tuple(row[name] for name in LEVEL_KEY), format(row['level_value'], 'g'))}"
            if row["level"]
            else "-",
        )
        for row in records
    ]
    heads = ("", "state", "section", "measure", *NUMBERS, "level")
    return {head: [head, *cells] for head, cells in zip(heads, zip(*rows, strict=True), strict=True)}


def _own_unit(level: str) -> str:
    """A level in the unit the job gave it in; millimetres go without saying, for the head of the table says so."""
    return level.partition(" (")[0].removesuffix(" mm")


def _length(columns: Mapping[str, list[str]]) -> int:
    """Characters of a line."""
    return sum(max(map(len, cells)) + 1 for cells in columns.values()) - 1


def _clipped(cells: list[str], over: int) -> list[str]:
    """Cells shortened so that the longest loses so many characters; what is cut leaves a mark."""
    most = max(max(map(len, cells)) - over, 8)
    return [cell if len(cell) <= most else f"{cell[: most - 2]}.." for cell in cells]


def _rate(value: float, error: float) -> str:
    """A rate with its standard error."""
    return _number(value, 2) if not np.isfinite(error) else f"{_number(value, 2)}±{error:.2f}"


def _number(value: float, decimals: int = 1) -> str:
    return "-" if not np.isfinite(value) else f"{round(value, decimals) + 0.0:.{decimals}f}"


def _percent(value: float) -> str:
    return "-" if not np.isfinite(value) else percent_text(value)
