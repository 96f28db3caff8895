"""The forecast log: what each run said, one line a run, added at the end of a file and never rewritten.

A line is one JSON object with the digest of its own content and that of the line before it, so that a line changed, cut
short or taken out is told when the log is read. Lines are added under a lock and in one write, so two runs at once give
two lines; a line cut short by an interruption stays as it is, the next run begins a line of its own, and the reader
tells it and goes on.
"""

from __future__ import annotations

import contextlib
import datetime
import hashlib
import json
import os
from collections.abc import Iterator
from dataclasses import dataclass
from importlib.metadata import version
from pathlib import Path
from typing import Any

import numpy as np
import numpy.typing as npt

from convergence.errors import ValueFault
from convergence.hindcasting.forecast import known_fingerprint
from convergence.job.times import shown
from convergence.projection.result import PROBABILITIES, SectionProjection
from convergence.triggers.levels import LevelOutlook
from convergence.triggers.outlook import Outlook

try:
    import fcntl
except ImportError:  # not on every system: without it a line is still added in one write, but not under a lock
    fcntl = None  # type: ignore[assignment]

Floats = npt.NDArray[np.float64]

#: The log in the folder for results, unless another file is named.
LOG_NAME = "forecast_log.jsonl"
#: Form of the lines; a reader refuses what it does not know.
FORMAT = 1
#: The band is logged at the projection's own days, none nearer to the one before than this many days, or this share of
#: the time ahead; and at the horizon.
LEAST_GAP, GAP_SHARE = 0.5, 0.06
#: What the first line follows.
NOTHING = ""


@dataclass(frozen=True)
class ForecastLog:
    """A forecast log as read.

    Attributes
    ----------
    records : tuple of dict
        The lines that are whole, in the order they were added; keys as in ``forecast_record``.
    faults : tuple of str
        What is wrong with the file, line by line; empty where nothing is.
    """

    records: tuple[dict[str, Any], ...]
    faults: tuple[str, ...] = ()

    def __repr__(self) -> str:
        last = f", the last run {self.records[-1]['run']}" if self.records else ""
        return f"ForecastLog of {len(self.records)} runs{last}, {len(self.faults)} faults"


def forecast_record(found: Outlook, command: str = "outlook", run: np.datetime64 | None = None) -> dict[str, Any]:
    """What one outlook said, as plain data for the log.

    Parameters
    ----------
    found : Outlook
        The outlook.
    command : str
        Which command, or what else, made it.
    run : datetime64, optional
        Date of the run, UTC; now unless given.

    Returns
    -------
    dict
        ``run``, ``command``, ``as_of`` (instant of the analysis), ``data_until``, ``tunnel``, ``fingerprint`` (of what
        was known), ``version``, ``confidence``, ``times`` (by section, the instants of its bands, the last one the
        horizon) and ``measures``: for each its readings' ends, the ``low``, ``middle`` and ``high`` movement [mm] at
        those instants, and for each level what was said of it.
    """
    job, projection = found.job, found.projection
    clock = np.datetime64(datetime.datetime.now(datetime.UTC).replace(tzinfo=None), "s")
    tail = (1 - projection.confidence) / 2
    shares = (tail, 0.5, 1 - tail)
    states = {
        (row["section"], row["measure"], row["prisms"], row["trigger"], row["level"]): row["state"]
        for row in found.passages.to_dict("records")
    }
    places = {section: place for place, section in enumerate(job.sections)}
    measures, times = [], {}
    for section in projection.sections.values():
        days = _logged_days(section)
        times[section.section] = [shown(job.instant(day)) for day in days]
        for index, series in enumerate(section.series):
            path = next(iter(series.paths.values()), None)
            distance = float("nan") if path is None else float(path.at(series.time[-1]))
            key = (series.section, series.measure, series.prisms)
            levels = found.levels.get((series.section, series.label), ())
            measures.append(
                {
                    "section": series.section,
                    "place": places.get(series.section, -1),
                    "chainage_m": _number(section.chainage, 3),
                    "measure": series.measure,
                    "prisms": series.prisms,
                    "label": series.label,
                    "zero_time": shown(job.instant(float(series.time[0]))),
                    "last_time": shown(job.instant(float(series.time[-1]))),
                    "days": _number(series.span, 3),
                    "face_distance_m": _number(distance, 2),
                    "widths": _number(distance / series.width, 3),
                    "measured": _number(float(series.value[-1]), 3),
                    "measured_deviation": _number(projection.noise.scaled(series.measure).total, 4),
                    "band": _band(section, index, days, shares),
                    "levels": [
                        _level(item, states.get((*key, item.trigger.name, item.level.name), "")) for item in levels
                    ],
                }
            )
    return {
        "format": FORMAT,
        "run": shown(clock if run is None else run),
        "command": command,
        "as_of": shown(job.now),
        "data_until": shown(job.instant(projection.data_until)),
        "tunnel": job.settings.tunnel.name,
        "fingerprint": known_fingerprint(job),
        "version": version("convergence"),
        "confidence": projection.confidence,
        "times": times,
        "measures": measures,
    }


def append_forecast(
    found: Outlook, path: str | Path, command: str = "outlook", run: np.datetime64 | None = None
) -> Path:
    """Add what an outlook said to a forecast log; nothing in the file is ever rewritten.

    Parameters
    ----------
    found : Outlook
        The outlook.
    path : str or Path
        The log; made, with its folder, where it is not there.
    command : str
        Which command, or what else, made it.
    run : datetime64, optional
        Date of the run, UTC; now unless given.

    Returns
    -------
    Path
        The log.

    Raises
    ------
    OSError
        The file cannot be written.
    ValueFault
        The file is there and is no forecast log.
    """
    file = Path(path)
    record = forecast_record(found, command, run)
    file.parent.mkdir(parents=True, exist_ok=True)
    # O_APPEND puts every write at the end, wherever another run has put it meanwhile
    handle = os.open(file, os.O_RDWR | os.O_CREAT | os.O_APPEND, 0o666)
    try:
        with _locked(handle):
            previous, torn = _end_of(handle, file)
            body = record | {"previous": previous}
            text = ("\n" if torn else "") + json.dumps(body | {"digest": _digest(body)}, ensure_ascii=False) + "\n"
            rest = memoryview(text.encode())
            while rest:
                rest = rest[os.write(handle, rest) :]
            os.fsync(handle)
    finally:
        os.close(handle)
    return file


def read_forecasts(path: str | Path) -> ForecastLog:
    """Read a forecast log.

    Parameters
    ----------
    path : str or Path
        The log, or the folder for results it lies in.

    Returns
    -------
    ForecastLog
        Its whole lines, and what is wrong with the others.

    Raises
    ------
    ValueFault
        The file cannot be read, or holds no line of a forecast log.
    """
    file = Path(path)
    file = file / LOG_NAME if file.is_dir() else file
    mend = f"To mend: name the log that convergence outlook or report wrote ({LOG_NAME} in --out, or --log)."
    try:
        content = file.read_bytes()
    except OSError as error:
        raise ValueFault(f"{file}: {error.strerror or error}; expected a forecast log. {mend}") from error
    records, faults, previous = [], [], NOTHING
    for number, line in enumerate(content.split(b"\n"), start=1):
        if not line.strip():
            continue
        record, why = _parsed(line)
        if record is None:
            faults.append(f"line {number}: {why}")
            continue
        if record["previous"] != previous:
            faults.append(f"line {number}: does not follow the whole line before it; one was taken out or moved")
        previous = str(record["digest"])
        records.append(record)
    if not records and faults:
        raise ValueFault(f"{file}: {faults[0]}; expected a forecast log. {mend}")
    return ForecastLog(tuple(records), tuple(faults))


def _logged_days(section: SectionProjection) -> list[float]:
    """Days of a section's bands, from its last reading to the horizon."""
    end = float(section.dates[-1])
    found = [section.now]
    for day in section.dates:
        if day - found[-1] >= max(LEAST_GAP, GAP_SHARE * (day - section.now)) and day < end:
            found.append(float(day))
    return [*found, end]


def _band(
    section: SectionProjection, index: int, days: list[float], shares: tuple[float, float, float]
) -> dict[str, list[Any]]:
    """Low, middle and high movement [mm] at some days."""
    # the quantiles date by date, then straight between the dates
    table = np.array([np.interp(shares, PROBABILITIES, row) for row in section.quantiles[index]])
    return {
        name: [_number(value, 2) for value in np.interp(days, section.dates, column)]
        for name, column in zip(("low", "middle", "high"), table.T, strict=True)
    }


def _level(item: LevelOutlook, state: str) -> dict[str, Any]:
    one_day, three_days, week = item.soon
    return {
        "trigger": item.trigger.name,
        "level": item.level.name,
        "value": item.level.value,
        "quantity": item.trigger.quantity,
        "since": item.trigger.since,
        "state": state,
        "past": item.past,
        "probability": _number(item.probability, 4),
        "probability_1d": _number(one_day, 4),
        "probability_3d": _number(three_days, 4),
        "probability_7d": _number(week, 4),
        **({"warning": item.warning} if item.warning else {}),
    }


def _number(value: float, places: int) -> Any:
    """A number rounded; None where it is not known, for JSON has no word for that."""
    return round(float(value), places) + 0.0 if np.isfinite(value) else None


def _digest(body: dict[str, Any]) -> str:
    """SHA-256 of a line's content without its own digest."""
    return hashlib.sha256(json.dumps(body, ensure_ascii=False, sort_keys=True).encode()).hexdigest()


def _parsed(line: bytes) -> tuple[dict[str, Any] | None, str]:
    """A line as a record, or None and why it is none."""
    try:
        record = json.loads(line)
    except ValueError:
        return None, "cut short, or no JSON"
    if not isinstance(record, dict) or record.get("format") != FORMAT:
        return None, f"expected a record of form {FORMAT}"
    body = {name: value for name, value in record.items() if name != "digest"}
    if record.get("digest") != _digest(body):
        return None, "its digest does not fit its content; it was changed"
    return record, ""


def _end_of(handle: int, file: Path) -> tuple[str, bool]:
    """Digest of the last whole line, and whether the file ends within a line."""
    size = os.fstat(handle).st_size
    os.lseek(handle, 0, os.SEEK_SET)
    content = b""
    while len(content) < size:
        part = os.read(handle, size - len(content))
        if not part:
            break
        content += part
    if not content:
        return NOTHING, False
    lines = [line for line in content.split(b"\n") if line.strip()]
    for line in reversed(lines):
        record, _ = _parsed(line)
        if record is not None:
            return str(record["digest"]), not content.endswith(b"\n")
    if any(not line.lstrip().startswith(b"{") for line in lines):
        raise ValueFault(f"{file}: expected a forecast log, or no file. To mend: name another file with --log.")
    return NOTHING, not content.endswith(b"\n")


@contextlib.contextmanager
def _locked(handle: int) -> Iterator[None]:
    """The file for this run alone; another that adds to it waits."""
    if fcntl is None:
        yield
        return
    fcntl.flock(handle, fcntl.LOCK_EX)
    try:
        yield
    finally:
        fcntl.flock(handle, fcntl.LOCK_UN)
