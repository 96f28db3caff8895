"""Time zones by their IANA name; UTC needs no database."""

from __future__ import annotations

import datetime
import zoneinfo


def time_zone(name: str) -> datetime.tzinfo:
    """The zone of an IANA name.

    Raises
    ------
    ValueError
        The name is not known to the machine's time zone database.
    """
    if name == "UTC":
        return datetime.UTC
    try:
        return zoneinfo.ZoneInfo(name)
    except (zoneinfo.ZoneInfoNotFoundError, ValueError, OSError) as error:
        raise ValueError(f"no time zone {name!r}") from error
