"""The hindcast as text for a person, as CSV, and read back from there."""

from __future__ import annotations

import csv
import io
from pathlib import Path

import numpy as np
import pandas as pd

from convergence.errors import ValueFault
from convergence.hindcasting.forecast import COLUMNS, LEVEL_COLUMNS, METHODS
from convergence.hindcasting.result import FIRST_SECTIONS, Hindcast, Only
from convergence.hindcasting.score import BIN_EDGES
from convergence.job.times import parse_instant
from convergence.terms import CAUTION

#: Files of a hindcast in its folder: the prediction log, and the log of levels.
LOG_FILE, LEVEL_FILE = "hindcast.csv", "hindcast_levels.csv"
#: Columns of text; all others are numbers, with this many decimals where not four.
TEXT = (
    "date", "tunnel", "fingerprint", "version", "known_until", "section", "measure", "prisms", "zero_time", "last_time",
    "final_time", "outcome_time", "beyond", "not_scored", "trigger", "level", "warning",
)  # fmt: skip
DECIMALS = {"place": 0, "chainage_m": 3, "confidence": 3, "widths": 3, "probability": 4, "passed": 0}
BLOCKS: tuple[tuple[Only, str], ...] = (
    ("all", "all sections"),
    ("first", f"the first {FIRST_SECTIONS} sections of the drive"),
    ("beyond", "sections that ended beyond a level"),
)


def hindcast_csv(found: Hindcast) -> str:
    """The prediction log as CSV: each forecast with its date, data fingerprint and version, and what came of it."""
    return _csv(found.table, COLUMNS)


def levels_csv(found: Hindcast) -> str:
    """The log of levels as CSV: each stated probability, and whether the level was passed (1 or 0)."""
    return _csv(found.levels, LEVEL_COLUMNS)


def _csv(table: pd.DataFrame, columns: tuple[str, ...]) -> str:
    stream = io.StringIO()
    writer = csv.writer(stream, lineterminator="\n")
    writer.writerow(columns)
    for row in table[list(columns)].itertuples(index=False):
        writer.writerow([_cell(name, value) for name, value in zip(columns, row, strict=True)])
    return stream.getvalue()


def _cell(name: str, value: object) -> str:
    if name in TEXT:
        return str(value)
    number = float(str(value)) if not isinstance(value, bool | np.bool_) else float(value)
    places = DECIMALS.get(name, 4)
    return f"{round(number, places) + 0.0:.{places}f}" if np.isfinite(number) else ""


def read_hindcast(folder: str | Path) -> Hindcast:
    """Read a hindcast back from the folder it was written to.

    Parameters
    ----------
    folder : str or Path
        Folder with ``hindcast.csv`` and, if levels were scored, ``hindcast_levels.csv``.

    Returns
    -------
    Hindcast
        As it was made, to the decimals of the files; dates that were refused are not kept there.

    Raises
    ------
    ValueFault
        The file is not there, or is not one that ``convergence hindcast`` wrote.
    """
    folder = Path(folder)
    table = _read(folder / LOG_FILE, COLUMNS)
    levels = _read(folder / LEVEL_FILE, LEVEL_COLUMNS) if (folder / LEVEL_FILE).is_file() else None
    if levels is None:
        levels = _typed(pd.DataFrame(columns=list(LEVEL_COLUMNS), dtype=object))
    levels["passed"] = levels["passed"] == 1.0
    confidence = float(table["confidence"].iloc[0]) if len(table) else 0.9
    return Hindcast(table, levels, confidence)


def _read(path: Path, columns: tuple[str, ...]) -> pd.DataFrame:
    mend = "To mend: make it again with convergence hindcast JOB --out DIR."
    try:
        table = pd.read_csv(path, dtype=str, keep_default_na=False, encoding="utf-8")
    except OSError as error:
        raise ValueFault(f"{path}: {error.strerror or error}; expected a hindcast. {mend}") from error
    except (ValueError, pd.errors.ParserError) as error:
        raise ValueFault(f"{path}: expected a table that convergence hindcast wrote ({error}). {mend}") from error
    missing = [name for name in columns if name not in table.columns]
    if missing:
        raise ValueFault(f"{path}: column {missing[0]} is missing; expected {', '.join(columns)}. {mend}")
    try:
        return _typed(table[list(columns)])
    except ValueError as error:
        raise ValueFault(f"{path}: expected numbers in the columns of numbers ({error}). {mend}") from error


def _typed(table: pd.DataFrame) -> pd.DataFrame:
    """Text columns as text, the others as numbers; an empty cell is NaN."""
    return pd.DataFrame(
        {
            name: table[name].astype(object) if name in TEXT else table[name].replace("", "nan").astype(np.float64)
            for name in table.columns
        }
    )


def age_sentence(found: Hindcast, tunnel: str, now: np.datetime64) -> str:
    """How old a hindcast is beside the data at hand, and how it did; told, too, where it is of another tunnel.

    Parameters
    ----------
    found : Hindcast
        A hindcast made before.
    tunnel : str
        Name of the tunnel at hand.
    now : datetime64
        The instant of the analysis at hand, UTC.
    """
    until = parse_instant(found.known_until)
    if until is None:
        return found.sentence()
    days = float((now - until) / np.timedelta64(1, "s")) / 86_400
    age = f"{days:.0f} days before this analysis" if days >= 0.5 else "of the same date as this analysis"
    age = f"{-days:.0f} days after this analysis" if days <= -0.5 else age
    whose = "" if found.of_tunnel(tunnel) else f"; it is of another tunnel, {found.table['tunnel'].iloc[0]}"
    return f"{found.sentence()} (hindcast with data until {found.known_until[:16]}Z, {age}{whose})"


def hindcast_text(found: Hindcast) -> str:
    """The hindcast as a person reads it: the sentence, errors and bands by method, probabilities of levels."""
    lines = [found.sentence()]
    if len(found.table):
        dates = found.table["date"]
        lines += [
            f"{dates.nunique()} dates, {dates.min()} to {dates.max()}; {len(found.scored)} of {len(found.table)} "
            "forecasts of all measures scored"
        ]
        reasons = found.table.loc[found.table["not_scored"] != "", "not_scored"].value_counts()
        lines += [f"  not scored: {reason} ({count})" for reason, count in reasons.items()]
    lines += [f"  {date}: could not be projected: {why}" for date, why in found.refused]
    for only, words in BLOCKS:
        lines += _block(found, only, words)
    lines += _probability_lines(found)
    return "\n".join([*lines, "", CAUTION])


def _block(found: Hindcast, only: Only, words: str) -> list[str]:
    """Errors and hit rates of one set of sections, by face distance and by days of data."""
    rows = found.rows(only)
    if not len(rows):
        return ["", f"{words}: nothing scored"]
    head = (
        f"{'':<34}{'scored':>7} {'median':>7} {'90th':>7} {'band':>6} {'without':>8} {'interval':>9}",
        f"{'':<34}{'':>7} {'error':>7} {'pct':>7} {'held':>6} {'a band':>8} {'score mm':>9}",
    )
    bands = f"{found.confidence:.0%} bands, the error of the readings that make the outcome allowed for"
    lines = ["", f"{words}: settlement and chord, {bands}", *head]
    groupings = (("widths", "face {} widths past"), ("days", "{} days of data"))
    for by, name in groupings if only == "all" else groupings[:1]:
        summary = found.summary("widths" if by == "widths" else "days", only)
        for group, part in summary.groupby("group", sort=False):
            if not part["forecasts"].max():
                continue
            lines.append(name.format(group))
            for row in part[part["forecasts"] > 0].itertuples():
                if by == "days" and row.method not in ("ours", "still"):
                    continue
                lines.append(
                    f"  {METHODS[str(row.method)]:<32}{row.forecasts:>7} {_share(row.median_error):>7} "
                    f"{_share(row.p90_error):>7} {_share(row.held):>6} {_share(row.missing):>8} "
                    f"{_score(row.interval_score):>9}"
                )
    return lines


def _probability_lines(found: Hindcast) -> list[str]:
    """Reliability of the outlook's probabilities."""
    score = found.probabilities()
    if not score.count:
        return ["", "probabilities of passing a level: nothing scored"]
    lines = [
        "",
        f"probabilities of passing a level of movement by the day of the outcome: {score.count} stated, "
        f"{score.base_rate:.1%} came",
        f"  Brier score {score.brier:.3f} (0 is perfect); the base rate, known only afterwards, {score.base_brier:.3f}",
        f"  {'stated':>12} {'times':>6} {'on average':>11} {'came':>6}",
    ]
    for low, high, count, stated, came in zip(
        BIN_EDGES[:-1], BIN_EDGES[1:], score.counts, score.stated, score.came, strict=True
    ):
        if count:
            lines.append(f"  {f'{low:.0%} to {high:.0%}':>12} {count:>6} {_share(stated):>11} {_share(came):>6}")
    return lines


def _share(value: object) -> str:
    number = float(str(value))
    if np.isnan(number):
        return "-"
    return f"{number:.0%}" if number < 10.0 else ">999%"


def _score(value: object) -> str:
    number = float(str(value))
    if np.isnan(number):
        return "-"
    return f"{number:.1f}" if number < 10_000 else ">9999"
