"""Instants: ISO 8601 with an offset or Z to UTC, many at a time."""

from __future__ import annotations

import re

import numpy as np
import numpy.typing as npt
import pandas as pd

from convergence.job.plain_times import plain_times

Instants = npt.NDArray[np.datetime64]
Bools = npt.NDArray[np.bool_]

_ISO = re.compile(
    r"^(?P<date>[0-9]{4}-[0-9]{2}-[0-9]{2})[Tt ](?P<minute>[0-9]{2}:[0-9]{2})(?P<second>:[0-9]{2})?"
    r"(?:[.,](?P<part>[0-9]{1,9}))?\s?(?:(?P<zulu>[Zz])|(?P<sign>[+-])(?P<hours>[0-9]{2}):?(?P<minutes>[0-9]{2})?)?$"
)
FORM = "ISO 8601 with an offset or Z, as 2031-05-04T06:10:00+02:00"
#: Years that 64-bit nanoseconds hold with room to spare; anything else would wrap round to another century.
FIRST_YEAR, LAST_YEAR = 1700, 2200
#: Clocks of the world stand at most this many hours ahead of UTC, so no local time is later in UTC than this.
FARTHEST_OFFSET = np.timedelta64(14, "h")


def parse_times(text: npt.NDArray[np.object_]) -> tuple[Instants, Bools]:
    """Instants of a text column.

    Parameters
    ----------
    text : (n,) array of str
        Times as written.

    Returns
    -------
    instants : (n,) array of datetime64[ns]
        UTC; NaT where the text is no instant.
    bare : (n,) array of bool
        True where the text is a date and time but says no offset, so that the instant is unknown.
    """
    instants, plain = plain_times(text)
    bare = np.zeros(len(text), dtype=bool)
    if not plain.all():
        codes, unique = pd.factorize(text[~plain])
        written = [_canonical(str(value)) for value in unique]
        series = [found[0] if found is not None and found[1] else None for found in written]
        instants[~plain] = _parsed(series)[codes]
        bare[~plain] = np.array([found is not None and not found[1] for found in written], dtype=bool)[codes]
    return instants, bare


def parse_bare(text: npt.NDArray[np.object_]) -> Instants:
    """Earliest instants that local times without an offset can mean; NaT where the text is none."""
    codes, unique = pd.factorize(text)
    written = [_canonical(str(value)) for value in unique]
    series = [f"{found[0]}Z" if found is not None and not found[1] else None for found in written]
    return (_parsed(series) - FARTHEST_OFFSET)[codes]


def _canonical(text: str) -> tuple[str, bool] | None:
    """One spelling for every form accepted, and whether it says an offset; None for anything else."""
    found = _ISO.match(text)
    if found is None or not FIRST_YEAR <= int(text[:4]) <= LAST_YEAR:
        return None
    stem = f"{found['date']}T{found['minute']}{found['second'] or ':00'}.{found['part'] or '0'}"
    if found["zulu"]:
        return f"{stem}+00:00", True
    if not found["sign"]:
        return stem, False
    hours, minutes = int(found["hours"]), int(found["minutes"] or 0)
    if hours > 14 or minutes > 59:
        return None
    return f"{stem}{found['sign']}{hours:02d}:{minutes:02d}", True


def _parsed(series: list[str | None]) -> Instants:
    """UTC instants of canonical texts; NaT where there is none or the date does not exist."""
    instants = pd.to_datetime(pd.Series(series, dtype=object), utc=True, format="ISO8601", errors="coerce")
    return instants.dt.tz_localize(None).to_numpy(dtype="datetime64[ns]")


def parse_instant(text: str) -> np.datetime64 | None:
    """One instant, or None where the text is none or has no offset."""
    instants, _ = parse_times(np.array([text], dtype=object))
    return None if np.isnat(instants[0]) else instants[0]


def shown(instant: np.datetime64) -> str:
    """An instant as text, to the second, in UTC."""
    return "" if np.isnat(instant) else f"{np.datetime_as_string(instant, unit='s')}Z"


def days_since(instants: Instants, epoch: np.datetime64) -> npt.NDArray[np.float64]:
    """Days from the epoch to each instant."""
    return np.asarray((instants - epoch) / np.timedelta64(1, "ns"), dtype=np.float64) / 86_400e9
