"""Prisms read under each other's name: found, set aside, exchanged by one line; and rows with a mistyped time."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pandas as pd
import pytest

from convergence.errors import JobError
from convergence.survey import Job, read_job
from convergence.survey.mistyped import clock_put_back, out_of_file, sweeps_out_of_file
from convergence.survey.swaps import find_swaps
from tests.helpers import instant, job_files, sweep_days, write_job

EVENTS = "time,section,prism,event,note\n"
DAYS = np.arange(0.0, 30.0, 0.25)


def pair(seed: int, apart: float, swapped: slice, noise: float = 0.6) -> np.ndarray:
    """Two prisms and a third, the first two exchanged in some sweeps: shape (n, 3, 3)."""
    rng = np.random.default_rng(seed)
    place = np.zeros((len(DAYS), 3, 3))
    place[:, 1] += apart / np.sqrt(3.0)
    place[:, 2, 0] = -4000.0
    place = place + 10.0 * (1 - np.exp(-DAYS / 4.0))[:, None, None] + rng.normal(0.0, noise, place.shape)
    place[swapped, :2] = place[swapped, 1::-1]
    return place


@pytest.mark.parametrize("apart", [14.0, 60.0, 5000.0])
@pytest.mark.parametrize(("first", "last"), [(40, 40), (40, 70), (60, 119)])
def test_a_stretch_is_found_to_the_sweep(apart: float, first: int, last: int) -> None:
    for seed in range(10):
        (found,) = find_swaps(pair(seed, apart, slice(first, last + 1)))
        assert (found.one, found.two, found.first, found.last) == (0, 1, first, last)
        assert found.open == (last == 119)
        assert found.apart == pytest.approx(apart, abs=5.0)


def test_design_tells_which_of_two_stretches_is_wrong() -> None:
    """Wrong from the start for 100 of 120 sweeps: by their own numbers the last 20 would be."""
    design = np.array([[0.0, 0.0, 0.0], [3000.0 / np.sqrt(3.0)] * 3, [-4000.0, 0.0, 0.0]])
    (found,) = find_swaps(pair(1, 3000.0, slice(0, 100)), design)
    assert (found.first, found.last, found.open) == (0, 99, False)


def test_quiet_on_clean_readings_and_steps() -> None:
    for seed in range(40):
        place = pair(seed, 12.0 if seed % 2 else 0.0, slice(0, 0))
        place[60:, seed % 3] += 15.0
        assert find_swaps(place) == []


def exchanged(start: float, end: float, form: str = "movements") -> str:
    """The readings of the helper's job with A-LW and A-RW under each other's name between two days."""
    lines = job_files(form)["readings.csv"].splitlines()
    out = [lines[0]]
    other = {"A-LW": "A-RW", "A-RW": "A-LW"}
    low, high = (instant(day) for day in (start, end))
    for line in lines[1:]:
        time, prism, rest = line.split(",", 2)
        out.append(f"{time},{other.get(prism, prism) if low <= time <= high else prism},{rest}")
    return "\n".join(out) + "\n"


def movement(job: Job) -> np.ndarray:
    return np.asarray(job.array("A")["movement"].values)


@pytest.mark.parametrize("form", ["movements", "coordinates"])
def test_swapped_prisms_are_set_aside_and_one_line_puts_them_right(form: str, tmp_path: Path) -> None:
    start, end = 12.0, 15.0
    readings = {"readings.csv": exchanged(start, end, form)}
    truth = movement(read_job(write_job(tmp_path / "truth", form=form)))
    job = read_job(write_job(tmp_path / "job", readings, form))
    aside = job.set_aside
    assert set(aside["reason"]) == {"swapped prisms"}
    (row,) = job.decisions[job.decisions["kind"] == "swapped prisms"].to_dict("records")
    assert (row["prism"], row["decision"]) == ("A-LW:A-RW", "set aside")
    good = np.isfinite(movement(job))
    np.testing.assert_allclose(movement(job)[good], truth[good], atol=1e-6)
    # the one line of the log: it ends where the stretch does, between two readings
    assert ",prisms swapped,until 2031-" in row["turn_over"]
    mended = read_job(
        write_job(tmp_path / "mended", {**readings, "events.csv": EVENTS + row["turn_over"] + "\n"}, form)
    )
    assert not len(mended.set_aside)
    np.testing.assert_allclose(movement(mended), truth, atol=1e-6)
    assert [item.action for item in mended.findings if item.kind == "prisms swapped"] == ["exchanged"]
    written = [np.datetime64(row["turn_over"][:19], "ns"), np.datetime64(row["turn_over"][-20:-1], "ns")]
    pair = job.raw["prism"].isin([1, 2])
    nearest = [np.abs(job.raw.loc[pair, "time"].to_numpy() - at).min() / np.timedelta64(1, "h") for at in written]
    # sweeps are twelve hours apart, two prisms read within three minutes
    assert min(nearest) > 5.9
    # or a second row of the pair where the stretch ends
    two = f"{row['turn_over'].partition('until')[0]}\n{instant(end + 0.1)},A,A-LW:A-RW,prisms swapped,\n"
    mended = read_job(write_job(tmp_path / "two", {**readings, "events.csv": EVENTS + two}, form))
    np.testing.assert_allclose(movement(mended), truth, atol=1e-6)
    # and the readings as they stand, for whoever insists
    events = EVENTS + f"{instant(13.0)},A,,reading kept,\n"
    kept = read_job(write_job(tmp_path / "kept", {**readings, "events.csv": events}, form))
    assert "swapped prisms" not in set(kept.set_aside["reason"])


def test_an_end_that_is_no_time_is_refused(tmp_path: Path) -> None:
    events = EVENTS + f"{instant(3.0)},A,A-LW:A-RW,prisms swapped,until noon\n"
    with pytest.raises(JobError, match="until TIME"):
        read_job(write_job(tmp_path / "job", {"events.csv": events}))


@pytest.mark.parametrize("text", ["A-LW", "A-LW:B-RW", "A-LW:A-LW", "A-LW:nobody", "A-LW:A-RW:A-CR"])
def test_a_pair_must_be_two_prisms_of_one_section(text: str, tmp_path: Path) -> None:
    events = EVENTS + f"{instant(3.0)},,{text},prisms swapped,\n"
    with pytest.raises(JobError, match="two prisms of one section"):
        read_job(write_job(tmp_path / "job", {"events.csv": events}))


def renamed(day: float, step: float) -> dict[str, str]:
    """The job with A-CR read as A-CR2, ``step`` mm lower, from a day on."""
    files = job_files()
    lines = files["readings.csv"].splitlines()
    out = [lines[0]]
    for line in lines[1:]:
        time, prism, along, across, down = line.split(",")
        if prism == "A-CR" and time >= instant(day):
            prism, down = "A-CR2", f"{float(down) + step:.1f}"
        out.append(",".join((time, prism, along, across, down)))
    prisms = files["prisms.csv"] + "A-CR2,A,crown new,100.0,0.2,7.0\n"
    return {"readings.csv": "\n".join(out) + "\n", "prisms.csv": prisms}


def test_a_prism_under_another_name_is_said_and_joined_by_one_line(tmp_path: Path) -> None:
    truth = movement(read_job(write_job(tmp_path / "truth")))
    files = renamed(10.0, 40.0)
    job = read_job(write_job(tmp_path / "job", files))
    (row,) = job.decisions[job.decisions["kind"] == "prism under another name"].to_dict("records")
    assert row["prism"] == "A-CR:A-CR2"
    assert job.array("A").sizes["prism"] == 4
    joined = read_job(write_job(tmp_path / "joined", {**files, "events.csv": EVENTS + row["turn_over"] + "\n"}))
    array = joined.array("A")
    assert list(array["prism"].values) == ["A-CR", "A-LW", "A-RW"]
    assert array["segment"].values[-1, 0] == 1
    np.testing.assert_allclose(array["offset"].values[-1, 0, 2], 40.0, atol=0.5)
    np.testing.assert_allclose(array["movement"].values, truth, atol=0.5)
    assert len(joined.raw) == len(job.raw)


@pytest.mark.parametrize("form", ["movements", "coordinates"])
def test_a_name_that_is_in_no_row_is_linked_and_joined_by_one_line(form: str, tmp_path: Path) -> None:
    """The prism that took another's place was never entered in prisms.csv."""
    truth = movement(read_job(write_job(tmp_path / "truth", form=form)))
    lines = job_files(form)["readings.csv"].splitlines()
    begin = instant(10.0)
    new = [line.replace(",A-CR,", ",LWnew,") if line >= begin else line for line in lines[1:]]
    files = {"readings.csv": "\n".join([lines[0], *new]) + "\n"}
    job = read_job(write_job(tmp_path / "job", files, form))
    log = job.decisions
    count = int((job.set_aside["reason"] == "no such prism").sum())
    assert count > 10
    (row,) = log[log["kind"] == "prism under another name"].to_dict("records")
    assert row["prism"] == "A-CR:LWnew"
    # every row set aside is turned over by that one line, and the line may be pasted for each of them
    assert set(log.loc[log["kind"] == "no such prism", "turn_over"]) == {row["turn_over"]}
    for name, pasted in (("once", 1), ("twice", 2)):
        events = EVENTS + pasted * (row["turn_over"] + "\n")
        joined = read_job(write_job(tmp_path / name, {**files, "events.csv": events}, form))
        array = joined.array("A")
        assert list(array["prism"].values) == ["A-CR", "A-LW", "A-RW"]
        assert not len(joined.set_aside)
        # no step was planted: it is the same prism, and nothing is taken out
        assert array["segment"].values[-1, 0] == 0
        np.testing.assert_allclose(array["movement"].values, truth, atol=1e-9)
        assert "nothing is taken out" in joined.decisions.set_index("kind").loc["prisms joined", "reason"]
        assert len(joined.raw) == len(job.raw) + count


def test_readings_of_an_unknown_name_before_its_event_are_still_nobody_s(tmp_path: Path) -> None:
    lines = job_files()["readings.csv"].splitlines()
    new = [line.replace(",A-CR,", ",LWnew,") if line >= instant(10.0) else line for line in lines[1:]]
    events = EVENTS + f"{instant(12.0)},A,A-CR:LWnew,prism replaced,\n"
    job = read_job(write_job(tmp_path, {"readings.csv": "\n".join([lines[0], *new]) + "\n", "events.csv": events}))
    aside = job.set_aside
    assert set(aside["reason"]) == {"no such prism"}
    assert len(aside) == 4
    assert "LWnew" not in {prism.name for prism in job.folder.prisms}


# Times against their file.


def rows(lines: list[tuple[str, str]]) -> tuple[np.ndarray, ...]:
    """Arrays for ``out_of_file`` from (time, prism) in the order of one file; the section is the prism's letter."""
    time = np.array([np.datetime64(text, "ns") for text, _ in lines])
    prism = pd.factorize(np.array([name for _, name in lines], dtype=object))[0]
    section = pd.factorize(np.array([name[0] for _, name in lines], dtype=object))[0]
    return time, np.zeros(len(lines), np.int64), np.arange(len(lines)), section, prism


def sweeps(skip: tuple[int, int] = (-1, -1)) -> list[tuple[str, str]]:
    """Two sections of three prisms, twice a day for ten days; one reading may be left out."""
    found = []
    for sweep in range(20):
        for number, name in enumerate(("A1", "A2", "A3", "B1", "B2", "B3")):
            if (sweep, number) != skip:
                time = np.datetime64("2031-05-05T06:00") + np.timedelta64(720 * sweep + 2 * number, "m")
                found.append((str(time), name))
    return found


@pytest.mark.parametrize("wrong", ["2031-05-19T06:02", "2031-05-13T06:02", "2031-05-06T06:02"])
def test_a_mistyped_day_is_out_of_its_file(wrong: str) -> None:
    lines = sweeps()
    lines[6 * 10 + 1] = (wrong, "A2")
    found, near = out_of_file(*rows(lines))
    assert found.tolist() == [61]
    assert near[0] == np.datetime64("2031-05-10T06:00", "ns")
    assert not len(out_of_file(*rows(sweeps()))[0])


def test_a_reading_added_by_hand_later_is_believed() -> None:
    """It stands at the end of the file, or among others, and fills a hole in the sweep it claims."""
    added = ("2031-05-08T06:02", "A2")
    lines = sweeps(skip=(6, 1))
    assert not len(out_of_file(*rows([*lines, added]))[0])
    assert not len(out_of_file(*rows([*lines[:100], added, *lines[100:]]))[0])


def whole(lines: list[tuple[str, str]]) -> list[list[int]]:
    """Rows of the sweeps out of their file."""
    time, file, line, section, _ = rows(lines)
    return [block.tolist() for block, _ in sweeps_out_of_file(time, file, line, section)]


@pytest.mark.parametrize("days", [4, -3, 1])
def test_a_whole_sweep_with_a_mistyped_day_is_out_of_its_file(days: int) -> None:
    lines = sweeps()
    for row in (60, 61, 62):
        lines[row] = (str(np.datetime64(lines[row][0]) + np.timedelta64(24 * 60 * days + 5, "m")), lines[row][1])
    assert not len(out_of_file(*rows(lines))[0])
    assert whole(lines) == [[60, 61, 62]]
    assert whole(sweeps()) == []
    time, file, line, section, _ = rows(lines)
    ((_, near),) = sweeps_out_of_file(time, file, line, section)
    assert abs(near - np.datetime64("2031-05-10T06:00")) < np.timedelta64(12, "h")


def test_rows_of_another_section_between_those_of_a_sweep_do_not_hide_it() -> None:
    lines = sweeps()
    for sweep in range(20):
        lines[6 * sweep : 6 * sweep + 6] = sorted(
            (str(np.datetime64(time) + np.timedelta64(2 * number % 5, "m")), name)
            for number, (time, name) in enumerate(lines[6 * sweep : 6 * sweep + 6])
        )
    mine = [row for row in range(60, 66) if lines[row][1].startswith("A")]
    for row in mine:
        lines[row] = (lines[row][0].replace("05-10", "05-13"), lines[row][1])
    assert whole(lines) == [mine]


def test_a_sweep_added_by_hand_later_is_believed() -> None:
    """It fills a hole of its section, wherever in the file it stands."""
    lines = sweeps()
    added = lines[36:39]
    for place in (96, 60, 117):
        moved = [*lines[:36], *lines[39 : place + 3], *added, *lines[place + 3 :]]
        assert whole(moved) == []


def test_a_file_in_no_order_is_not_judged() -> None:
    lines = sweeps()
    lines[61] = ("2031-05-19T06:02", "A2")
    np.random.default_rng(1).shuffle(lines)
    assert not len(out_of_file(*rows(lines))[0])


def test_a_clock_put_back_is_seen_where_readings_go_on() -> None:
    times = np.datetime64("2031-10-26T00:00", "ns") + np.arange(120) * np.timedelta64(10, "m")
    file, line = np.zeros(120, np.int64), np.arange(120)
    assert clock_put_back(times, file, line) == []
    back = times - np.where(np.arange(120) >= 50, np.timedelta64(60, "m"), np.timedelta64(0, "m"))
    assert clock_put_back(back, file, line) == [(49, 50)]


def test_a_mistyped_day_of_a_job_is_set_aside_and_kept_by_one_line(tmp_path: Path) -> None:
    lines = job_files()["readings.csv"].splitlines()
    day = float(sweep_days("A")[20])
    place = next(at for at, line in enumerate(lines) if line.startswith(f"{instant(day + 1 / 1440)},A-LW"))
    wrong = instant(day + 5.25)
    lines[place] = lines[place].replace(instant(day + 1 / 1440), wrong)
    text = {"readings.csv": "\n".join(lines) + "\n"}
    job = read_job(write_job(tmp_path / "job", text))
    assert job.set_aside[["reason", "prism", "line"]].to_numpy().tolist() == [
        ["time against its file", "A-LW", place + 1]
    ]
    (row,) = job.decisions[job.decisions["kind"] == "mistyped time"].to_dict("records")
    assert row["size"] == pytest.approx(5.25, abs=0.01)
    kept = read_job(write_job(tmp_path / "kept", {**text, "events.csv": EVENTS + row["turn_over"] + "\n"}))
    assert not len(kept.set_aside)
