"""The time axis: days since the job's epoch as dates in the job's time zone, ticks at local midnight."""

from __future__ import annotations

import datetime
import re
import zoneinfo
from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
from matplotlib.axes import Axes
from matplotlib.dates import date2num, num2date
from matplotlib.ticker import Formatter, Locator

from convergence.plots.style import USUAL
from convergence.survey.job import Job

Floats = npt.NDArray[np.float64]

# matplotlib leaves these two without types
_number: Callable[[object], float] = date2num
_instant: Callable[[float, datetime.tzinfo], datetime.datetime] = num2date

#: A universal instant as sentences of the library write it.
_INSTANT = r"\b\d{4}-\d\d-\d\dT\d\d:\d\d(?::\d\d(?:\.\d+)?)?Z"
_UNIVERSAL = re.compile(_INSTANT)
#: A line of events.csv within a sentence: an instant, a comma with no blank after it, section, prism, event and note;
#: the note may be a row between quotes, or name an instant itself.
_LINE = rf'{_INSTANT},(?=\S)(?:[^,;\n]*,){{2}}[^,;\n]*(?:,(?:"(?:[^"]|"")*"|(?:[^,;\n]*?until {_INSTANT})?))?'
_LINE_OR_INSTANT = re.compile(f"(?P<line>{_LINE})|{_INSTANT}")
#: Names of the months, whatever the language of the machine.
MONTHS = ("Jan", "Feb", "Mar", "Apr", "May", "Jun", "Jul", "Aug", "Sep", "Oct", "Nov", "Dec")
#: Distances between ticks: hours, days (7 and 14 stand on Mondays), months.
_HOURS, _DAYS, _MONTHS = (3, 6, 12), (1, 2, 7, 14), (1, 2, 3, 6, 12, 24, 60, 120)


@dataclass(frozen=True)
class Clock:
    """Turns days since a job's epoch into numbers of a date axis, and into words.

    Attributes
    ----------
    origin : float
        Date number of the epoch.
    zone : str
        Name of the time zone.
    """

    origin: float
    zone: str

    def numbers(self, days: npt.ArrayLike) -> Floats:
        """Date numbers of days since the epoch."""
        return np.asarray(days, dtype=np.float64) + self.origin

    def number(self, day: float) -> float:
        """Date number of one day since the epoch."""
        return day + self.origin

    def local(self, day: float) -> datetime.datetime:
        """The instant in the time zone."""
        return _instant(self.number(day), zoneinfo.ZoneInfo(self.zone))

    def date(self, day: float) -> str:
        """The date as text, as 2031-05-04."""
        return self.local(day).strftime("%Y-%m-%d")

    def minute(self, day: float) -> str:
        """Date, time of day and offset from UTC as text, as 2031-05-04 06:10 +02:00.

        The offset is that of the day: the name of a zone leaves open whether summer time holds.
        """
        # the millisecond rounds: date numbers carry microseconds only
        words = (self.local(day) + datetime.timedelta(milliseconds=1)).isoformat(" ", "minutes")
        return f"{words[:16]} {words[16:]}"

    def words(self, text: str) -> str:
        """A text whose universal instants, as 2031-05-04T04:10Z, are told as local date and time, without an offset.

        For sentences on a page or figure that names the zone elsewhere. A line that is to be copied into a table stays
        as it is: there a time needs its offset.
        """
        return _LINE_OR_INSTANT.sub(lambda found: found["line"] or self._minute(found.group()), text)

    def day(self, instant: str) -> str:
        """Local date of a universal instant written as 2031-05-04T04:10:00Z; what is no instant stays as it is."""
        return self._minute(instant)[:10] if _UNIVERSAL.fullmatch(instant) else instant

    def _minute(self, instant: str) -> str:
        number = float(_number(np.datetime64(instant.removesuffix("Z"))))
        return self.minute(number - self.origin)[:16]

    @property
    def axis_label(self) -> str:
        """Label of the time axis."""
        return f"date, ticks at midnight, local time ({self.zone})"


def clock_of(job: Job) -> Clock:
    """The clock of a job."""
    return Clock(float(_number(job.epoch)), job.settings.tunnel.time_zone)


def date_axis(ax: Axes, clock: Clock, label: bool = True) -> None:
    """Make an axes' x axis one of dates."""
    zone = zoneinfo.ZoneInfo(clock.zone)
    ax.xaxis.set_major_locator(LocalMidnights(zone))
    ax.xaxis.set_major_formatter(LocalDates(zone))
    if label:
        ax.set_xlabel(clock.axis_label, fontsize=USUAL, labelpad=1.0)


class LocalMidnights(Locator):
    """Ticks at local midnights a whole number of days apart (weeks on Mondays), firsts of months, or whole
    hours.
    """

    def __init__(self, zone: datetime.tzinfo, most: int = 9) -> None:
        self.zone = zone
        self.most = most

    def __call__(self) -> Sequence[float]:
        """Ticks in view."""
        if self.axis is None:
            return []
        low, high = self.axis.get_view_interval()
        return self.tick_values(float(low), float(high))

    def tick_values(self, vmin: float, vmax: float) -> Sequence[float]:
        """Ticks between two date numbers."""
        low, high = min(vmin, vmax), max(vmin, vmax)
        start, end = (_instant(value, self.zone) for value in (low, high))
        span = high - low
        if span < self.most * 0.5:
            hours = next((item for item in _HOURS if span * 24 / item <= self.most), _HOURS[-1])
            found = self._hourly(start, end, hours)
        elif (days := next((item for item in _DAYS if span / item <= self.most), 0)) != 0:
            found = self._daily(start, end, days)
        else:
            months = next((item for item in _MONTHS if span / (30.4 * item) <= self.most), _MONTHS[-1])
            found = self._monthly(start, end, months)
        numbers = [float(_number(instant)) for instant in found]
        return [number for number in numbers if low <= number <= high]

    def _midnight(self, date: datetime.date) -> datetime.datetime:
        return datetime.datetime(date.year, date.month, date.day, tzinfo=self.zone)

    def _hourly(self, start: datetime.datetime, end: datetime.datetime, step: int) -> Iterable[datetime.datetime]:
        for count in range((end.date() - start.date()).days + 1):
            midnight = self._midnight(start.date() + datetime.timedelta(days=count))
            for hour in range(0, 24, step):
                yield midnight.replace(hour=hour)

    def _daily(self, start: datetime.datetime, end: datetime.datetime, step: int) -> Iterable[datetime.datetime]:
        # ordinal 1 is a Monday, so that weeks begin on Mondays and every axis has its ticks on the same days
        first = start.date().toordinal()
        for ordinal in range(first - (first - 1) % step, end.date().toordinal() + 1, step):
            yield self._midnight(datetime.date.fromordinal(ordinal))

    def _monthly(self, start: datetime.datetime, end: datetime.datetime, step: int) -> Iterable[datetime.datetime]:
        first, last = start.year * 12 + start.month - 1, end.year * 12 + end.month - 1
        for month in range(first - first % step, last + 1, step):
            yield self._midnight(datetime.date(max(month // 12, 1), month % 12 + 1, 1))


class LocalDates(Formatter):
    """Day and month in the time zone, the year under the first tick and wherever it changes."""

    def __init__(self, zone: datetime.tzinfo) -> None:
        self.zone = zone

    def __call__(self, x: float, pos: int | None = None) -> str:
        """One tick, with the year."""
        local = _instant(x, self.zone)
        return f"{self._short(local)} {local.year}"

    def format_ticks(self, values: Sequence[float]) -> list[str]:
        """All ticks of the axis."""
        words: list[str] = []
        year = 0
        for value in values:
            local = _instant(value, self.zone)
            words.append(f"{self._short(local)}\n{local.year}" if local.year != year else self._short(local))
            year = local.year
        return words

    def _short(self, local: datetime.datetime) -> str:
        day = f"{local.day} {MONTHS[local.month - 1]}"
        return f"{day}\n{local:%H:%M}" if local.hour or local.minute else day
