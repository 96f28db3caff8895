"""Days as a person on the site reads them: in the time zone of the job, which the head of a page or table names."""

from __future__ import annotations

import datetime

import numpy as np

from convergence.job.zones import time_zone


def local_minute(instant: np.datetime64, zone: str) -> str:
    """An instant as local date and time, as "2031-05-04 06:10"; empty where there is none."""
    return _local(instant, zone).strftime("%Y-%m-%d %H:%M") if not np.isnat(instant) else ""


def local_date(instant: np.datetime64, zone: str) -> str:
    """The local date of an instant, as "2031-05-04"; empty where there is none.

    The date is that of the zone: an instant just after midnight on the site is the day before in UTC.
    """
    return _local(instant, zone).strftime("%Y-%m-%d") if not np.isnat(instant) else ""


def _local(instant: np.datetime64, zone: str) -> datetime.datetime:
    seconds = int(instant.astype("datetime64[s]").astype(np.int64))
    utc = datetime.datetime(1970, 1, 1, tzinfo=datetime.UTC) + datetime.timedelta(seconds=seconds)
    return utc.astimezone(time_zone(zone))
