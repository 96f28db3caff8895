"""What ``convergence check`` prints: the account of rows, every row set aside, every finding."""

from __future__ import annotations

import textwrap

from convergence.job.account import REASONS
from convergence.job.times import shown
from convergence.survey.job import Job


def check_text(job: Job, width: int = 120, most: int = 40) -> str:
    """The account of a job as a person reads it.

    Parameters
    ----------
    job : Job
        The job.
    width : int
        Characters a line may have.
    most : int
        Rows set aside that are listed one by one for each reason.
    """
    lines = [repr(job), ""]
    table = job.account.table
    longest = max(len("file"), *(len(file) for file in table["file"]))
    lines.append(f"{'file':<{longest}} {'read':>9} {'used':>9} {'set aside':>10} {'later than as-of':>17}")
    for row in table.itertuples():
        lines.append(f"{row.file:<{longest}} {row.read:>9} {row.used:>9} {row.set_aside:>10} {row.later_than_as_of:>17}")
    lines.append(f"{'all':<{longest}} {table['read'].sum():>9} {table['used'].sum():>9} {table['set_aside'].sum():>10} {table['later_than_as_of'].sum():>17}")
    aside = job.set_aside
    for reason, rows in aside.groupby("reason", sort=True):
        if reason == "later than as_of":
            continue
        lines += ["", f"set aside, {reason} ({len(rows)}): {REASONS[str(reason)]}"]
        for row in rows.head(most).itertuples():
            who = " ".join(str(value) for value in (row.section, row.prism) if value)
            when = shown(row.time.to_datetime64()) if row.time == row.time else ""
            lines.append("   " + "  ".join(text for text in (f"{row.file}:{row.line}", who, when, str(row.detail)) if text))
        if len(rows) > most:
            lines.append(f"   ... and {len(rows) - most} more")
    if job.findings:
        lines += ["", f"findings ({len(job.findings)}):"]
        for item in job.findings:
            lines += textwrap.wrap(f"{item.kind} ({item.action}): {item.sentence}", width, initial_indent="   ", subsequent_indent="      ")
    if job.folder.remarks:
        lines += ["", "not used:"]
        for remark in job.folder.remarks:
            lines += textwrap.wrap(remark, width, initial_indent="   ", subsequent_indent="      ")
    return "\n".join(lines)
