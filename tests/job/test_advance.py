"""The face log: order, doubles, rows that cannot be true, missing rounds, and the face inside a round."""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np
import pytest

from convergence.errors import Fault
from convergence.job.account import Account
from convergence.job.advance import FaceLog, RoundTiming, build_logs
from convergence.job.findings import Finding
from convergence.job.schema import Stage

START = np.datetime64("2031-05-05T06:00", "ns")
STAGES = (Stage("heading"), Stage("bench", follows="heading"), Stage("invert", follows="bench"))
FILE = "advance.csv"


def at(hours: float) -> np.datetime64:
    return START + np.timedelta64(round(hours * 60), "m")


@dataclass
class Built:
    """Logs built from rows (hours, stage, chainage), with what was noted; lines count from 2."""

    rows: list[tuple[float, str, float]]
    drive: int = 1
    stages: tuple[Stage, ...] = STAGES
    faults: list[Fault] = field(default_factory=list)
    account: Account = field(default_factory=Account)
    findings: list[Finding] = field(default_factory=list)

    def __post_init__(self) -> None:
        time = np.array([at(hours) for hours, _, _ in self.rows])
        stage = np.array([name for _, name, _ in self.rows], dtype=object)
        chainage = np.array([place for _, _, place in self.rows], dtype=float)
        line = np.arange(2, len(self.rows) + 2)
        self.account.add_file(FILE, len(line))
        self.logs = build_logs(
            time,
            stage,
            chainage,
            line,
            self.stages,
            self.drive,
            FILE,
            self.faults,
            self.account,
            self.findings,
        )

    @property
    def aside(self) -> dict[int, str]:
        """Reasons by line."""
        table = self.account.rows_set_aside
        return dict(zip(table["line"].tolist(), table["reason"].tolist(), strict=True))

    def detail(self, line: int) -> str:
        table = self.account.rows_set_aside.set_index("line")
        return str(table.loc[line, "detail"])


def rounds(
    stage: str, first: float, count: int, length: float = 1.5, hours: float = 8.0, start: float = 0.0
) -> list[tuple[float, str, float]]:
    return [(start + hours * number, stage, first + length * number) for number in range(count)]


HEADING = rounds("heading", 100.0, 20)


def test_rows_in_order_are_all_used() -> None:
    built = Built(HEADING + rounds("bench", 70.0, 18, start=4.0) + rounds("invert", 50.0, 16, start=6.0))
    assert built.aside == {}
    assert built.faults == []
    assert built.findings == []
    assert [len(log) for log in built.logs.values()] == [20, 18, 16]
    assert list(built.logs) == ["heading", "bench", "invert"]


def test_order_of_rows_does_not_matter() -> None:
    rng = np.random.default_rng(3)
    rows = [HEADING[index] for index in rng.permutation(20)]
    log = Built(rows).logs["heading"]
    assert (np.diff(log.time) > np.timedelta64(0)).all()
    np.testing.assert_array_equal(log.chainage, [place for _, _, place in HEADING])


def test_duplicate_round() -> None:
    built = Built([*HEADING, HEADING[7]])
    assert built.aside == {22: "duplicate round"}
    assert "as line 9" in built.detail(22)


def test_two_times_for_one_round_uses_the_earlier() -> None:
    built = Built([*HEADING, (7 * 8 + 1.5, "heading", HEADING[7][2])])
    assert built.aside == {22: "two times for one round"}
    assert at(56.0) in built.logs["heading"].time
    assert "line 9" in built.detail(22)


def test_feet_among_metres_is_told_as_such() -> None:
    rows = [*HEADING]
    rows[9] = (72.0, "heading", 113.5 / 0.3048)
    built = Built(rows)
    assert built.aside == {11: "against the drive"}
    assert "in feet (113.50 m)" in built.detail(11)
    rows[9] = (72.0, "heading", 113.5 * 0.3048)
    assert "turned into metres twice (113.50 m)" in Built(rows).detail(11)


def test_feet_row_of_a_follower_is_ahead_and_told_as_feet() -> None:
    bench = rounds("bench", 70.0, 18, start=4.0)
    bench[5] = (44.0, "bench", 77.5 / 0.3048)
    built = Built(HEADING + bench)
    assert built.aside == {27: "ahead of the stage it follows"}
    assert "in feet (77.50 m)" in built.detail(27)


def test_row_against_the_drive() -> None:
    rows = [*HEADING]
    rows[12] = (96.0, "heading", 104.2)
    built = Built(rows)
    assert built.aside == {14: "against the drive"}
    assert "between 116.50 m and 119.50 m" in built.detail(14)


def test_down_chainage_drive() -> None:
    rows = [(hours, stage, 1000.0 - place) for hours, stage, place in HEADING]
    built = Built(rows, drive=-1)
    assert built.aside == {}
    log = built.logs["heading"]
    assert (np.diff(log.chainage) < 0).all()
    _, distance = log.face_distance_nodes(890.0, START)
    assert distance[-1] == pytest.approx(18.5)  # at 871.5 the face is 18.5 m past chainage 890, going down
    up = Built(HEADING, drive=-1)
    assert len(up.logs["heading"]) == 1


def test_a_leap_at_the_end_is_set_aside_at_once() -> None:
    """A typing error in the last row must not wait for the next row: the face would be 500 m on for a day."""
    built = Built([*HEADING, (160.0, "heading", 629.5)])
    assert built.aside == {22: "against the drive"}


def test_another_start_of_the_drive_is_no_leap() -> None:
    """After a gap in the log with many rounds behind it: kept, and reported as rounds not logged."""
    built = Built(HEADING + rounds("heading", 300.0, 20, start=160.0))
    assert built.aside == {}
    assert [finding.kind for finding in built.findings] == ["rounds missing"]


def test_run_of_rows_ahead_of_the_leader_does_not_push_out_the_right_ones() -> None:
    """Five rounds written 70 m too far, then one right one: the five go, the one stays."""
    bench = rounds("bench", 70.0, 18, start=4.0)
    wrong = [
        (hours, name, place + 70.0) if 8 <= index < 13 else (hours, name, place)
        for index, (hours, name, place) in enumerate(bench)
    ]
    for last in (12, 13, 14, 18):
        built = Built(HEADING + wrong[:last])
        ahead = dict.fromkeys(range(22 + 8, 22 + min(last, 13)), "ahead of the stage it follows")
        assert built.aside == ahead
        assert len(built.logs["bench"]) == last - len(ahead)


def test_follower_may_go_on_after_the_leaders_log_ends() -> None:
    """The heading's log ends early; the bench goes on for a month at its own pace and is not ahead of what is
    unknown.
    """
    built = Built(rounds("heading", 100.0, 20) + rounds("bench", 70.0, 90, start=4.0))
    assert built.aside == {}


def test_stages_swapped_is_a_fault() -> None:
    built = Built(rounds("bench", 100.0, 20) + rounds("heading", 70.0, 18, start=4.0))
    (fault,) = built.faults
    # line 3: before the first round logged for the heading, at 4 h, nothing is known of it
    assert (fault.file, fault.line, fault.column, fault.value) == (FILE, 3, "stage", "bench")
    assert "exchange the two stages" in fault.mend


def test_stages_are_judged_after_the_one_they_follow_in_any_order() -> None:
    rows = HEADING + rounds("bench", 70.0, 18, start=4.0)
    rows.append((60.0, "bench", 140.0))
    assert Built(rows, stages=STAGES[::-1]).aside == Built(rows).aside == {40: "ahead of the stage it follows"}


def test_missing_rounds_are_reported_with_their_number() -> None:
    rows = [row for index, row in enumerate(HEADING) if index not in (8, 9, 10)]
    (finding,) = Built(rows).findings
    assert finding.kind == "rounds missing"
    assert finding.size == pytest.approx(6.0)
    assert "about 3 rounds of 1.50 m" in finding.sentence
    assert (finding.start, finding.end) == (at(56.0), at(88.0))


def test_longer_rounds_in_better_ground_are_not_missing_rounds() -> None:
    """Thirty rounds of 1.0 m, then twenty of 2.2 m: each as long as those around it."""
    better = rounds("heading", 131.2, 20, length=2.2, hours=12.0, start=252.0)
    built = Built(rounds("heading", 100.0, 30, length=1.0) + better)
    assert len(built.findings) <= 1  # only where the two meet can it look like one
    assert built.aside == {}


# The face inside a round.


WHOLE = RoundTiming(1.0, 0.0, "at any time in it")


def log_of(hours: list[float], chainage: list[float], drive: int = 1) -> FaceLog:
    return FaceLog("heading", drive, np.array([at(hour) for hour in hours], dtype="datetime64[ns]"), np.array(chainage))


def test_rule_inside_a_round() -> None:
    """Rounds of 2 m every 12 h, then one after a stop of 60 h: it stands for 48 h and moves in the last 12.

    Days since the start. Median pace 12 h for 2 m = 0.25 day/m (worked by hand).
    """
    log = log_of([0, 12, 24, 84, 96], [100.0, 102.0, 104.0, 106.0, 108.0])
    assert log.usual_round == 2.0
    assert log.usual_days_per_metre == pytest.approx(0.25)
    time, place = log.nodes(START, WHOLE)
    days = np.array([-0.5, -0.25, 0.0, 0.25, 1.0, 2.0, 3.0, 3.25, 3.5, 4.0])
    expected = [98.0, 99.0, 100.0, 101.0, 104.0, 104.0, 104.0, 105.0, 106.0, 108.0]
    np.testing.assert_allclose(np.interp(days, time, place), expected, rtol=0, atol=1e-12)


def test_rule_for_a_long_round_takes_longer() -> None:
    """A step of 6 m takes 3 usual rounds, 36 h, of the 60 h between its ends (worked by hand)."""
    log = log_of([0, 12, 24, 36, 96], [100.0, 102.0, 104.0, 106.0, 112.0])
    time, place = log.nodes(START, WHOLE)
    at_hours = np.array([36.0, 60.0, 72.0, 84.0, 96.0]) / 24
    np.testing.assert_allclose(np.interp(at_hours, time, place), [106.0, 106.0, 108.0, 110.0, 112.0], atol=1e-12)


def test_a_round_somewhat_slower_than_usual_took_the_whole_interval() -> None:
    """15 h between two ends where 12 h are usual: no stop of 3 h is invented (worked by hand)."""
    time, place = log_of([0, 12, 24, 39], [100.0, 102.0, 104.0, 106.0]).nodes(START, WHOLE)
    np.testing.assert_allclose(np.interp(np.array([24.0, 31.5, 39.0]) / 24, time, place), [104.0, 105.0, 106.0])


def test_the_face_moves_in_the_part_of_the_round_that_the_timing_says() -> None:
    """Of a round of 12 h the last third is 4 h, the middle third ends 4 h before the end (worked by hand)."""
    log = log_of([0, 12, 24], [100.0, 102.0, 104.0])
    hours = np.array([12.0, 16.0, 18.0, 20.0, 22.0, 24.0]) / 24
    np.testing.assert_allclose(np.interp(hours, *log.nodes(START)), [102.0, 102.0, 102.0, 102.0, 103.0, 104.0])
    middle = RoundTiming(2 / 3, 1 / 3, "in its middle third")
    np.testing.assert_allclose(np.interp(hours, *log.nodes(START, middle)), [102.0, 102.0, 103.0, 104.0, 104.0, 104.0])


def test_face_stands_still_after_the_last_row_and_before_the_round_that_ended_at_the_first() -> None:
    time, place = log_of([0, 12, 24], [100.0, 102.0, 104.0]).nodes(START)
    assert np.interp(-50.0, time, place) == 98.0
    assert np.interp(50.0, time, place) == 104.0


def test_one_row_and_none() -> None:
    one = log_of([5.0], [100.0])
    time, place = one.nodes(START)
    assert (time.tolist(), place.tolist()) == ([5.0 / 24], [100.0])
    assert np.isnan(one.usual_round)
    assert np.isnan(one.usual_days_per_metre)
    empty = log_of([], [])
    assert len(empty) == 0
    assert len(empty.nodes(START)[0]) == 0


def test_nodes_never_fall_back() -> None:
    rng = np.random.default_rng(5)
    hours = np.cumsum(rng.uniform(0.1, 90.0, 200))
    log = log_of(hours.tolist(), (1000.0 - np.cumsum(rng.uniform(0.1, 4.0, 200))).tolist(), -1)
    time, distance = log.face_distance_nodes(800.0, START)
    assert (np.diff(time) >= 0).all()
    assert (np.diff(distance) >= 0).all()
