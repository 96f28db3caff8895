"""Instants read from their characters at once are those read one by one, and what is odd is left to the careful way."""

from __future__ import annotations

import numpy as np
import pytest

from convergence.job.plain_times import WORTH_IT, plain_times
from convergence.job.times import parse_instant, parse_times


def many(*texts: str) -> np.ndarray:
    """The texts often enough to be read at once."""
    return np.array([*texts] * WORTH_IT, dtype=object)


@pytest.mark.parametrize("seed", [1, 2])
def test_at_once_and_one_by_one_agree(seed: int) -> None:
    rng = np.random.default_rng(seed)
    seconds = rng.integers(0, 395 * 365 * 86_400, 600).astype("timedelta64[s]")
    written = np.datetime_as_string(np.datetime64("1802-01-01T00:00:00") + seconds)
    ends = ("Z", "+05:30", "-02:00", "+14:00", "-00:00", "", "+1400", "+0100")
    texts = [f"{text}{ends[rng.integers(len(ends))]}" for text in written.tolist()]
    for row in rng.integers(0, len(texts), 250).tolist():
        at = int(rng.integers(0, len(texts[row])))
        texts[row] = texts[row][:at] + "0123456789-:TZ+ x\u0663"[rng.integers(18)] + texts[row][at + 1 :]
    found, _ = parse_times(np.array(texts, dtype=object))
    assert [None if np.isnat(one) else one for one in found] == [parse_instant(text) for text in texts]


@pytest.mark.parametrize(
    "odd",
    ["2031-02-29T00:00:00Z", "2031-13-01T00:00:00Z", "2031-04-31T00:00:00Z", "2031-05-04T24:00:00Z",
     "2031-05-04T06:60:00Z", "2031-05-04T06:10:60Z", "2031-05-04T06:10:00+15:00", "2031-05-04 06:10:00Z",
     "2031-05-04T06:10:00z", "1700-01-01T00:00:00Z", "2031-00-04T06:10:00Z", "2031-05-00T06:10:00Z", ""],
)  # fmt: skip
def test_what_is_odd_is_not_plain(odd: str) -> None:
    instants, plain = plain_times(many("2032-02-29T06:10:00-03:30", odd))
    assert plain.tolist() == [True, False] * WORTH_IT
    assert instants[0] == np.datetime64("2032-02-29T09:40:00", "ns")
    assert np.isnat(instants[1])


def test_a_few_texts_are_read_one_by_one() -> None:
    assert not plain_times(np.array(["2031-05-04T06:10:00Z"], dtype=object))[1].any()
