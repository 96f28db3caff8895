"""Instants: ISO 8601 with an offset or Z to UTC, many at a time."""

from __future__ import annotations

import re

import numpy as np
import numpy.typing as npt
import pandas as pd

Instants = npt.NDArray[np.datetime64]

_ISO = re.compile(
    r"^\d{4}-\d{2}-\d{2}[Tt ]\d{2}:\d{2}(?::\d{2}(?:[.,]\d{1,9})?)?\s?(?P<offset>[Zz]|[+-]\d{2}(?::?\d{2})?)?$"
)
FORM = "ISO 8601 with an offset or Z, as 2031-05-04T06:10:00+02:00"


def parse_times(text: npt.NDArray[np.object_]) -> tuple[Instants, npt.NDArray[np.bool_]]:
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
    codes, unique = pd.factorize(text)
    values = [str(value) for value in unique]
    matches = [_ISO.match(value) for value in values]
    bare = np.array([match is not None and match["offset"] is None for match in matches], dtype=bool)
    good = np.array([match is not None and match["offset"] is not None for match in matches], dtype=bool)
    series = pd.Series([value if ok else None for value, ok in zip(values, good, strict=True)], dtype=object)
    instants = pd.to_datetime(series, utc=True, format="ISO8601", errors="coerce")
    naive = instants.dt.tz_localize(None).to_numpy(dtype="datetime64[ns]")
    return naive[codes], bare[codes]


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
