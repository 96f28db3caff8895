"""What ``convergence check`` prints: the account of rows, every row set aside, every finding."""

from __future__ import annotations

import textwrap
from collections.abc import Hashable, Mapping

from convergence.job.account import REASONS, told_once
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
        Rows set aside that are listed one by one for each reason; of more, those alike are told once with their number.
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
        # many alike are told once, so that none of another prism is cut off behind them
        listed = told_once(rows) if len(rows) > most else rows.assign(count=1, last_line=0, last_time=rows["time"])
        shown_rows = listed.head(most)
        times = (shown_rows[name].to_numpy("datetime64[ns]") for name in ("time", "last_time"))
        for row, when, last in zip(shown_rows.to_dict("records"), *times, strict=True):
            who = " ".join(str(row[name]) for name in ("section", "prism") if row[name])
            parts = [f"{row['file']}:{row['line']}", who, shown(when), str(row["detail"])]
            if row["count"] > 1:
                parts += [f"and {row['count'] - 1} more like it to line {row['last_line']}", shown(last)]
            lines.append("   " + "  ".join(text for text in parts if text))
        if len(listed) > most:
            lines.append(f"   ... and {int(listed['count'][most:].sum())} more")
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
