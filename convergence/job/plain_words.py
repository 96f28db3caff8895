"""Numbers, instants and names read from the bytes of a text, eight characters at a time and all rows at once.

Eight characters are one 64-bit number, the first of them its lowest byte. A digit has the code 48 and what it counts.
Whatever is not plainly written is told apart and left to the careful way; nothing is read by halves.
"""

from __future__ import annotations

import sys

import numpy as np
import numpy.typing as npt
import pandas as pd

Ints = npt.NDArray[np.int64]
Floats = npt.NDArray[np.float64]
Words = npt.NDArray[np.uint64]
Bytes = npt.NDArray[np.uint8]

#: The order of bytes in a number is that of most machines; on others everything goes the careful way.
USABLE = sys.byteorder == "little"
#: Bytes that a text must have before its first field and after its last, so that eight can be taken anywhere.
ROOM = 16
#: A number with more digits before or after its point is not plain; nor one of more than ``MOST_DIGITS``, for so many
#: are whole numbers without rounding.
MOST_PLACES, MOST_DIGITS = 8, 15
#: Powers of ten of that many places.
TENS = 10.0 ** np.arange(MOST_PLACES + 1)
#: Days of the months, without the 29th of February; years and hours of offset that are read here, as in plain_times.
DAYS = np.array([0, 31, 28, 31, 30, 31, 30, 31, 31, 30, 31, 30, 31], dtype=np.int64)
FIRST_YEAR, LAST_YEAR, MOST_HOURS = 1800, 2199, 13
ZULU, OFFSET = 20, 25

_SIX, _HIGH, _ZEROS = np.uint64(0x0606060606060606), np.uint64(0xF0F0F0F0F0F0F0F0), np.uint64(0x3030303030303030)
#: The last 0, 1 ... 8 characters of eight, and the first.
_LAST = np.array([(2**64 - 1) ^ (2 ** (64 - 8 * count) - 1) for count in range(9)], dtype=np.uint64)
_FIRST = np.array([2 ** (8 * count) - 1 for count in range(9)], dtype=np.uint64)


def words_at(text: Bytes, place: Ints) -> Words:
    """Eight bytes of a text from each place on."""
    every: Words = np.ndarray((len(text) - 7,), dtype=np.uint64, buffer=text.data, strides=(1,))
    return every[place]


def _digits(words: Words, shown: Words | np.uint64) -> tuple[Words, npt.NDArray[np.bool_]]:
    """The characters of a mask as what they count, the others zero, and whether all of them are digits."""
    words = (words ^ _ZEROS) & shown
    return words, ((words | (words + _SIX)) & _HIGH) == 0


def _number(digits: Words) -> Words:
    """The number that eight digits write: neighbours are put together, then pairs, then fours."""
    pairs = (digits * np.uint64(10) + (digits >> np.uint64(8))) & np.uint64(0x00FF00FF00FF00FF)
    fours = (pairs * np.uint64(100) + (pairs >> np.uint64(16))) & np.uint64(0x0000FFFF0000FFFF)
    return (fours * np.uint64(10_000) + (fours >> np.uint64(32))) & np.uint64(0xFFFFFFFF)


def plain_numbers(text: Bytes, start: Ints, point: Ints, end: Ints) -> Floats | None:
    """Numbers written as digits with a point, and a minus before it or none; None where one of them is not.

    A number is its digits as a whole number over a power of ten. Both are exact, so the quotient is the nearest double,
    and what the C parser of pandas makes of the same digits.

    Parameters
    ----------
    text : (m,) array of uint8
        The text.
    start, point, end : (n,) arrays of int
        Where each number begins, has its point, and has ended.

    Returns
    -------
    (n,) array or None
        The numbers; ``-12.50`` is -12.5.
    """
    minus = text[start] == ord("-")
    before, after = point - start - minus, end - point - 1
    if before.min() < 1 or after.min() < 1 or before.max() > MOST_PLACES or after.max() > MOST_PLACES:
        return None
    if (before + after).max() > MOST_DIGITS:
        return None
    whole, good = _digits(words_at(text, point - 8), _LAST[before])
    part, fine = _digits(words_at(text, end - 8), _LAST[after])
    if not (good.all() and fine.all()):
        return None
    tens = TENS[after]
    number = (_number(whole).astype(np.float64) * tens + _number(part).astype(np.float64)) / tens
    return np.asarray(np.where(minus, -number, number))


def plain_instants(text: Bytes, start: Ints, end: Ints) -> Ints | None:
    """Nanoseconds since 1970 of instants to the second with Z or an offset in hours and minutes; None where one is not.

    The spellings and limits are those of ``plain_times``. Parameters as for ``plain_numbers``.
    """
    length = end - start
    if not len(length):
        return np.empty(0, dtype=np.int64)
    offset = int(length[0]) == OFFSET
    if int(length[0]) not in (ZULU, OFFSET) or (length != length[0]).any():
        return None
    dates, (codes, months) = words_at(text, start + 8), pd.factorize(words_at(text, start))
    late = words_at(text, start + 12)
    fine = _written(dates, "00T00:00") & _written(late, "0:00:00Z" if not offset else "0:00:00")
    shift = np.zeros(len(start), dtype=np.int64)
    if offset:
        zone = words_at(text, start + 17)
        west = text[start + 19] == ord("-")
        fine &= _written(zone & np.uint64(0xFFFFFFFFFF00FFFF), "00\x0000:00") & (west | (text[start + 19] == ord("+")))
        hours, minutes = _two(zone, 3), _two(zone, 6)
        fine &= (hours <= MOST_HOURS) & (minutes <= 59)
        shift = np.where(west, -1, 1) * (hours * 60 + minutes) * 60
    first, usual, known = _months(np.asarray(months, dtype=np.uint64))
    day, hour, minute, second = _two(dates, 0), _two(dates, 3), _two(dates, 6), _two(late, 5)
    fine &= known[codes] & (day >= 1) & (day <= usual[codes]) & (hour <= 23) & (minute <= 59) & (second <= 59)
    if not fine.all():
        return None
    seconds = (((first[codes] + day - 1) * 24 + hour) * 60 + minute) * 60 + second - shift
    return np.asarray(seconds * 1_000_000_000)


def _months(words: Words) -> tuple[Ints, Ints, npt.NDArray[np.bool_]]:
    """First day since 1970 and number of days of months written as ``2031-05-``, and which of them are."""
    fine = _written(words, "0000-00-")
    year, month = _two(words, 0) * 100 + _two(words, 2), _two(words, 5)
    fine &= (year >= FIRST_YEAR) & (year <= LAST_YEAR) & (month >= 1) & (month <= 12)
    leap = (year % 4 == 0) & ((year % 100 != 0) | (year % 400 == 0))
    first = np.where(fine, (year - 1970) * 12 + month - 1, 0).astype("datetime64[M]")
    days = DAYS[np.where(fine, month, 0)] + (leap & (month == 2))
    return first.astype("datetime64[D]").astype(np.int64), days, fine


def _written(words: Words, spelling: str) -> npt.NDArray[np.bool_]:
    """Whether words follow a spelling of up to eight characters, a digit where a 0 stands."""
    codes = spelling.encode("ascii")
    shown = sum(0xFF << (8 * at) for at, code in enumerate(codes) if code == 48)
    other = sum(0xFF << (8 * at) for at, code in enumerate(codes) if code != 48)
    wanted = sum(code << (8 * at) for at, code in enumerate(codes) if code != 48)
    return np.asarray(_digits(words, np.uint64(shown))[1] & ((words & np.uint64(other)) == np.uint64(wanted)))


def _two(words: Words, place: int) -> Ints:
    """The number of two digits from a place of a word on."""
    first, second = (words >> np.uint64(8 * at) & np.uint64(15) for at in (place, place + 1))
    return (first * np.uint64(10) + second).astype(np.int64)


def plain_names(text: Bytes, start: Ints, end: Ints) -> tuple[Ints, Ints]:
    """A code for each name, from 0 and equal for equal bytes, and the row in which each comes first.

    Parameters as for ``plain_numbers``; no byte is zero.
    """
    length = end - start
    codes = np.zeros(len(start), dtype=np.int64)
    for place in range(0, max(int(length.max(initial=0)), 1), 8):
        words = words_at(text, np.minimum(start + place, len(text) - 8))
        found, unique = pd.factorize(words & _FIRST[np.clip(length - place, 0, 8)])
        codes = pd.factorize(codes * len(unique) + found)[0] if place else found
    first = np.full(int(codes.max(initial=-1)) + 1, -1, dtype=np.int64)
    first[codes[::-1]] = np.arange(len(codes))[::-1]
    return codes, first
