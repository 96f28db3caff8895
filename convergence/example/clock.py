"""The clock of the invented site: days since the start of the record, and local time with its offset.

Everything inside the example counts in days of 24 hours since the start, so that the hour lost at the clock
change is lost on paper only; local time appears where people meet it: the rest day, the reading hours and the
files.
"""

from __future__ import annotations

from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from zoneinfo import ZoneInfo

SECONDS_PER_DAY = 86_400.0


@dataclass(frozen=True)
class SiteClock:
    """Days since the start of the record, to and from local time.

    Attributes
    ----------
    zone_name : str
        IANA name of the time zone; it serves as a rule for the clock change only, not as a place.
    start_local : datetime
        Local time at day 0, without zone.
    """

    zone_name: str
    start_local: datetime

    @property
    def zone(self) -> ZoneInfo:
        """Rule of the local time."""
        return ZoneInfo(self.zone_name)

    @property
    def start_utc(self) -> datetime:
        """Day 0 in universal time."""
        return self.start_local.replace(tzinfo=self.zone).astimezone(UTC)

    def moment(self, day: float) -> datetime:
        """Local time, with offset and in whole seconds, of a day count [d]."""
        seconds = round(day * SECONDS_PER_DAY)
        return (self.start_utc + timedelta(seconds=seconds)).astimezone(self.zone)

    def text(self, day: float) -> str:
        """ISO 8601 text with offset, in whole seconds, of a day count [d]."""
        return self.moment(day).isoformat(timespec="seconds")

    def day(self, local: datetime) -> float:
        """Day count [d] of a local time given without zone."""
        since = local.replace(tzinfo=self.zone).astimezone(UTC) - self.start_utc
        return since.total_seconds() / SECONDS_PER_DAY

    def midnights(self, last_day: float) -> list[tuple[datetime, float]]:
        """Every local midnight from the start to `last_day` [d]: time without zone, and its day count."""
        count = int(last_day) + 2
        locals_ = [self.start_local + timedelta(days=index) for index in range(count)]
        return [(local, self.day(local)) for local in locals_ if self.day(local) <= last_day]

    def rest_days(self, weekday: int, last_day: float) -> list[tuple[float, float]]:
        """Start and end [d] of every rest day; `weekday` counts from Monday = 0."""
        return [
            (day, self.day(local + timedelta(days=1)))
            for local, day in self.midnights(last_day)
            if local.weekday() == weekday
        ]
