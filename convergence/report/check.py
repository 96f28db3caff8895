"""What ``convergence check`` prints: the account of rows, every row set aside, every finding."""

from __future__ import annotations

import textwrap
from collections.abc import Hashable, Mapping

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
    for row in table.to_dict("records"):
        lines.append(_account_line(str(row["file"]), row, longest))
    lines.append(_account_line("all", table.drop(columns="file").sum().to_dict(), longest))
    aside = job.set_aside
    for reason, rows in aside.groupby("reason", sort=True):
        if reason == "later than as_of":
            continue
        lines += ["", f"set aside, {reason} ({len(rows)}): {REASONS[str(reason)]}"]
        shown_rows = rows.head(most)
        for row, when in zip(shown_rows.to_dict("records"), shown_rows["time"].to_numpy("datetime64[ns]"), strict=True):
            who = " ".join(str(row[name]) for name in ("section", "prism") if row[name])
            parts = (f"{row['file']}:{row['line']}", who, shown(when), str(row["detail"]))
            lines.append("   " + "  ".join(text for text in parts if text))
        if len(rows) > most:
            lines.append(f"   ... and {len(rows) - most} more")
    if job.findings:
        lines += ["", f"findings ({len(job.findings)}):"]
        for item in job.findings:
            lines += textwrap.wrap(
                f"{item.kind} ({item.action}): {item.sentence}",
                width,
                initial_indent="   ",
                subsequent_indent="      ",
            )
    if job.folder.remarks:
        lines += ["", "not used:"]
        for remark in job.folder.remarks:
            lines += textwrap.wrap(remark, width, initial_indent="   ", subsequent_indent="      ")
    return "\n".join(lines)


def _account_line(file: str, counts: Mapping[Hashable, int], longest: int) -> str:
    return (
        f"{file:<{longest}} {counts['read']:>9} {counts['used']:>9} {counts['set_aside']:>10} "
        f"{counts['later_than_as_of']:>17}"
    )
