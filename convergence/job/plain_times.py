"""Instants in the two spellings that nearly all files have, read from their characters all at once."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

Ints = npt.NDArray[np.int64]
Bools = npt.NDArray[np.bool_]
Characters = npt.NDArray[np.uint8]

#: The spellings, a digit where a 0 stands.
ZULU, OFFSET = "0000-00-00T00:00:00Z", "0000-00-00T00:00:00+00:00"
#: Fewer texts than this are read sooner one by one.
WORTH_IT = 40
#: Days of the months, without the 29th of February.
DAYS = np.array([0, 31, 28, 31, 30, 31, 30, 31, 31, 30, 31, 30, 31], dtype=np.int64)
#: Years and hours of offset that are read here, well inside of those that ``times`` accepts.
FIRST_YEAR, LAST_YEAR, MOST_HOURS = 1800, 2199, 13


def plain_times(text: npt.NDArray[np.object_]) -> tuple[npt.NDArray[np.datetime64], Bools]:
    """Instants of the texts in a plain spelling, to the second with Z or an offset of hours and minutes.

    Parameters
    ----------
    text : (n,) array of str
        Times as written.

    Returns
    -------
    instants : (n,) array of datetime64[ns]
        UTC; NaT where the text is not plain.
    plain : (n,) array of bool
        Where it is: a date that exists and a time of day from 00:00:00 to 23:59:59. Everything else, be it an
        instant or not, is left to the careful way.
    """
    instants = np.full(len(text), np.datetime64("NaT", "ns"))
    plain = np.zeros(len(text), dtype=bool)
    if len(text) < WORTH_IT:
        return instants, plain
    texts = text.tolist()
    length = np.fromiter(map(len, texts), dtype=np.int64, count=len(texts))
    for spelling in (ZULU, OFFSET):
        rows = np.flatnonzero(length == len(spelling))
        if not len(rows):
            continue
        joined = "".join(texts if len(rows) == len(texts) else [texts[row] for row in rows.tolist()])
        if not joined.isascii():
            continue
        characters = np.frombuffer(joined.encode("ascii"), dtype=np.uint8).reshape(len(rows), len(spelling))
        seconds, good = _seconds(characters, spelling)
        instants[rows[good]] = (seconds[good] * 1_000_000_000).view("datetime64[ns]")
        plain[rows[good]] = True
    return instants, plain


def _seconds(characters: Characters, spelling: str) -> tuple[Ints, Bools]:
    """Seconds since 1970 in UTC of texts of one spelling, and where they follow it."""
    good = np.ones(len(characters), dtype=bool)
    for place, letter in enumerate(spelling):
        column = characters[:, place]
        if letter == "0":
            # below "0" an unsigned difference wraps round to a large one
            good &= (column - np.uint8(48)) <= 9
        elif letter == "+":
            good &= (column == ord("+")) | (column == ord("-"))
        else:
            good &= column == ord(letter)
    year, month, day = _number(characters, 0, 4), _number(characters, 5, 2), _number(characters, 8, 2)
    hour, minute, second = (_number(characters, place, 2) for place in (11, 14, 17))
    leap = (year % 4 == 0) & ((year % 100 != 0) | (year % 400 == 0))
    good &= (year >= FIRST_YEAR) & (year <= LAST_YEAR) & (month >= 1) & (month <= 12) & (day >= 1)
    good &= day <= DAYS[np.clip(month, 0, 12)] + (leap & (month == 2))
    good &= (hour <= 23) & (minute <= 59) & (second <= 59)
    # months counted from 1970; numpy knows the day on which each begins
    months = np.where(good, (year - 1970) * 12 + month - 1, 0).astype("datetime64[M]")
    days = months.astype("datetime64[D]").astype(np.int64) + day - 1
    seconds = ((days * 24 + hour) * 60 + minute) * 60 + second
    if len(spelling) == len(OFFSET):
        hours, minutes = _number(characters, 20, 2), _number(characters, 23, 2)
        good &= (hours <= MOST_HOURS) & (minutes <= 59)
        ahead = np.where(characters[:, 19] == ord("-"), -1, 1)
        seconds = seconds - ahead * (hours * 60 + minutes) * 60
    return seconds, good


def _number(characters: Characters, first: int, count: int) -> Ints:
    """The number that some columns of digits write."""
    found = np.zeros(len(characters), dtype=np.int64)
    for place in range(first, first + count):
        found = found * 10 + (characters[:, place].astype(np.int64) - 48)
    return found
