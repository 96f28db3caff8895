"""The log of decisions: one table of what was noticed, what was done about it, and the line that turns it over."""

from __future__ import annotations

from collections.abc import Iterable, Sequence

import numpy as np
import pandas as pd

from convergence.job.account import REASONS, Account
from convergence.job.findings import Finding, event_line

COLUMNS = ("time", "until", "section", "prism", "kind", "size", "unit", "decision", "reason", "turn_over")
#: Units of the sizes that are no millimetres.
UNITS = {
    "rounds missing": "m",
    **dict.fromkeys(("blind spell", "no recent reading", "prism silent"), "h"),
    "copied readings": "increments",
    **dict.fromkeys(("frozen readings", "prisms swapped", "prisms joined"), "readings"),
    "mistyped time": "d",
    "clock put back": "min",
}
#: Reasons for setting a row aside that an event ``reading kept`` overrules; of the others, those a finding tells.
OVERRULED = ("before the face", "outside the alignment", "time outside the job")
TOLD = ("spike", "swapped prisms", "time against its file")


def decision_table(findings: Iterable[Finding], account: Account, files: Sequence[str]) -> pd.DataFrame:
    """The log of a job.

    Parameters
    ----------
    findings : iterable of Finding
        What was noticed.
    account : Account
        Rows set aside; those no finding tells of get a row each. Rows later than ``as_of`` are no decision.
    files : sequence of str
        The files of readings; only readings are overruled by events.

    Returns
    -------
    pandas.DataFrame
        By time, those without one last: ``time`` and ``until`` (UTC), ``section``, ``prism``, ``kind``, ``size`` with
        ``unit``, ``decision`` ("set aside", "spliced", "exchanged", "removed", "kept" or "reported", which leaves the
        readings as they are), ``reason``, and ``turn_over``: the line of events.csv that overrules it, the one to
        remove, or what else to do.
    """
    rows: list[tuple[object, ...]] = [
        (
            item.start, item.end, item.section, item.prism, item.kind, item.size,
            UNITS.get(item.kind, "mm") if np.isfinite(item.size) else "", item.action, item.sentence, item.line,
        )
        for item in findings
    ]  # fmt: skip
    aside = account.rows_set_aside
    aside = aside[~aside["reason"].isin(["later than as_of", *TOLD])]
    for row in aside.to_dict("records"):
        reason, when = str(row["reason"]), pd.Timestamp(row["time"]).to_datetime64()
        place = f"{row['file']}:{row['line']}"
        detail = f" ({row['detail']})" if row["detail"] else ""
        turn_over = f"correct {place}"
        if reason in OVERRULED and row["file"] in files and row["prism"]:
            turn_over = event_line(np.datetime64(when), str(row["section"]), str(row["prism"]), "reading kept")
        elif reason in ("set aside by an event", "before the zero reading", "replaced prism"):
            turn_over = "remove the event's line of events.csv"
        sentence = f"{place}: {REASONS[reason]}{detail}"
        rows.append((when, when, row["section"], row["prism"], reason, np.nan, "", "set aside", sentence, turn_over))
    table = pd.DataFrame(rows, columns=list(COLUMNS))
    for name in ("time", "until"):
        table[name] = table[name].astype("datetime64[ns]")
    return table.sort_values("time", kind="stable", na_position="last", ignore_index=True)
