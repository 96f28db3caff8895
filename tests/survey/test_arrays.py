"""One section's array: zero readings, declared breaks, jumps nobody declared, fast movement that is real."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path

import numpy as np
import pytest
import xarray as xr

from convergence.survey.job import Job, read_job
from tests.helpers import instant, job_files, movement, passage, write_job

EVENTS = "time,section,prism,event\n"
Moved = Callable[[str, str, float], np.ndarray]


def noisy(sigma: float = 0.3, seed: int = 1) -> Moved:
    """The true movement with independent noise; the same numbers each time the job is written."""
    rng = np.random.default_rng(seed)
    errors: dict[tuple[str, str, float], np.ndarray] = {}

    def moved(section: str, place: str, day: float) -> np.ndarray:
        key = (section, place, round(day, 6))
        if key not in errors:
            errors[key] = rng.normal(0.0, sigma, 3)
        return np.asarray(movement(section, place, day) + errors[key])

    return moved


def with_step(
    day: float,
    size: tuple[float, float, float],
    section: str = "A",
    places: tuple[str, ...] = ("CR",),
    base: Moved | None = None,
) -> Moved:
    """A step of some prisms of a section from a day on."""
    inner = base or noisy()

    def moved(where: str, place: str, at: float) -> np.ndarray:
        step = np.array(size) if where == section and place in places and at >= day else np.zeros(3)
        return np.asarray(inner(where, place, at) + step)

    return moved


def column(array: xr.Dataset, prism: str) -> int:
    return list(array["prism"].values).index(prism)


def movement_of(job: Job, prism: str) -> tuple[np.ndarray, np.ndarray]:
    """Days since the helper's day zero and movement of one prism, readings in use."""
    array = job.arrays[prism[0]]
    at = column(array, prism)
    used = array["used"].values[:, at]
    shift = (job.epoch - np.datetime64("2031-05-05T00:00", "ns")) / np.timedelta64(1, "D")
    return array["read_days"].values[used, at] + shift, array["movement"].values[used, at]


def check_identity(array: xr.Dataset) -> None:
    """Movement is the raw movement less the steps taken out, since the first reading in use."""
    for at in range(array.sizes["prism"]):
        used = array["used"].values[:, at]
        if used.any():
            raw, offset = array["raw"].values[used, at], array["offset"].values[used, at]
            np.testing.assert_allclose(array["movement"].values[used, at], raw - offset - raw[0], rtol=0, atol=1e-9)
            assert (offset[0] == 0).all()


# Zero reading.


def test_first_reading_is_the_zero_reading(tmp_path: Path) -> None:
    job = read_job(write_job(tmp_path))
    for array in job.arrays.values():
        assert (array["movement"].values[0] == 0).all()
        check_identity(array)


def test_declared_zero_reading_sets_earlier_readings_aside(tmp_path: Path) -> None:
    day = 6.0
    job = read_job(write_job(tmp_path, {"events.csv": EVENTS + f"{instant(day)},A,A-CR,zero reading\n"}))
    days, values = movement_of(job, "A-CR")
    assert days[0] >= day
    assert (values[0] == 0).all()
    aside = job.set_aside
    assert set(aside["reason"]) == {"before the zero reading"}
    assert set(aside["prism"]) == {"A-CR"}
    assert movement_of(job, "A-LW")[0][0] < day
    truth = np.array([movement("A", "CR", at) for at in days])
    np.testing.assert_allclose(values, truth - truth[0], rtol=0, atol=0.142)


def test_zero_reading_of_a_section_and_at_the_instant_of_a_reading(tmp_path: Path) -> None:
    """The reading at the instant of the event is the zero reading itself."""
    day = passage("B") + 0.125 + 2.0
    job = read_job(write_job(tmp_path, {"events.csv": EVENTS + f"{instant(day)},B,,zero reading\n"}))
    for place in ("CR", "LW", "RW"):
        assert movement_of(job, f"B-{place}")[0][0] == pytest.approx(day, abs=3 / 1440)
    assert len(movement_of(job, "B-CR")[0]) == len(movement_of(job, "B-RW")[0])


def test_readings_before_the_face_are_no_zero_readings(tmp_path: Path) -> None:
    text = job_files()["readings.csv"] + f"{instant(passage('C') - 2.0)},C-CR,0.0,0.0,-15.0\n"
    job = read_job(write_job(tmp_path, {"readings.csv": text}))
    assert job.set_aside[["reason", "prism"]].to_numpy().tolist() == [["before the face", "C-CR"]]
    assert movement_of(job, "C-CR")[0][0] > passage("C")


def test_reading_a_little_before_the_logged_passage_is_used(tmp_path: Path) -> None:
    """The log gives ends of rounds: a prism set on the fresh face may be read before the round is booked."""
    text = job_files()["readings.csv"] + f"{instant(passage('C') - 0.5)},C-CR,0.0,0.0,0.0\n"
    assert not len(read_job(write_job(tmp_path, {"readings.csv": text})).set_aside)


# Declared breaks.

BREAK_DAY = 9.3
STEP = (6.0, -9.0, 14.0)


@pytest.mark.parametrize(
    "event", ["prism replaced", "prism disturbed", "zero reading renewed", "station moved", "Prism  Replaced"]
)
def test_declared_break_is_spliced_and_can_be_taken_back(event: str, tmp_path: Path) -> None:
    moved = with_step(BREAK_DAY, STEP)
    with_event = read_job(
        write_job(tmp_path / "with", {"events.csv": EVENTS + f"{instant(BREAK_DAY)},A,A-CR,{event}\n"}, moved=moved)
    )
    without = read_job(write_job(tmp_path / "without", moved=moved))
    array, plain = with_event.arrays["A"], without.arrays["A"]
    check_identity(array)
    check_identity(plain)
    # the raw movement is the same; without the row of events.csv the jump stands in the movement as it was
    # read
    np.testing.assert_array_equal(array["raw"], plain["raw"])
    at = column(array, "A-CR")
    after = array["offset"].values[-1, at]
    (found,) = [finding for finding in with_event.findings if finding.prism == "A-CR"]
    assert (found.kind, found.action) == (" ".join(event.lower().split()), "spliced")
    np.testing.assert_allclose(after, STEP, rtol=0, atol=1.5)
    np.testing.assert_allclose(
        plain["movement"].values[:, at] - array["movement"].values[:, at],
        array["offset"].values[:, at],
        atol=1e-9,
    )
    assert array["segment"].values[-1, at] == 1
    days, values = movement_of(with_event, "A-CR")
    truth = np.array([movement("A", "CR", day) for day in days])
    np.testing.assert_allclose(values, truth - truth[0], rtol=0, atol=2.5)
    # and only that prism
    others = [index for index in range(3) if index != at]
    assert (array["offset"].values[:, others] == 0).all()


def test_break_of_a_section_parts_a_sweep_at_the_event(tmp_path: Path) -> None:
    """An event between the readings of two prisms of one sweep: the one read before it belongs to what was
    before.
    """
    sweep = passage("A") + 0.125 + 7.0
    event = sweep + 0.5 / 1440
    moved = with_step(event, STEP, places=("CR", "LW", "RW"))
    job = read_job(write_job(tmp_path, {"events.csv": EVENTS + f"{instant(event)},A,,station moved\n"}, moved=moved))
    array = job.arrays["A"]
    epoch = int(np.flatnonzero(np.abs(array["days"].values - (sweep - _shift(job))) < 0.01)[0])
    first = {
        prism: int(np.flatnonzero(array["segment"].values[:, column(array, prism)])[0])
        for prism in ("A-CR", "A-LW", "A-RW")
    }
    assert first == {"A-CR": epoch + 1, "A-LW": epoch, "A-RW": epoch}
    for prism in first:
        np.testing.assert_allclose(array["offset"].values[-1, column(array, prism)], STEP, rtol=0, atol=1.5)


def _shift(job: Job) -> float:
    return float((job.epoch - np.datetime64("2031-05-05T00:00", "ns")) / np.timedelta64(1, "D"))


def test_break_before_the_first_and_after_the_last_reading_does_nothing(tmp_path: Path) -> None:
    events = EVENTS + f"{instant(0.5)},A,A-CR,prism replaced\n{instant(30.0)},A,A-CR,prism replaced\n"
    job = read_job(write_job(tmp_path, {"events.csv": events}))
    assert (job.arrays["A"]["segment"].values == 0).all()
    assert (job.arrays["A"]["offset"].values == 0).all()


def test_two_breaks_add_up(tmp_path: Path) -> None:
    moved = with_step(14.2, (0.0, 0.0, -20.0), base=with_step(BREAK_DAY, STEP))
    events = EVENTS + f"{instant(BREAK_DAY)},A,A-CR,prism disturbed\n{instant(14.2)},,A-CR,prism replaced\n"
    job = read_job(write_job(tmp_path, {"events.csv": events}, moved=moved))
    array = job.arrays["A"]
    at = column(array, "A-CR")
    check_identity(array)
    np.testing.assert_allclose(array["offset"].values[-1, at], (6.0, -9.0, -6.0), rtol=0, atol=2.0)
    assert sorted(set(array["segment"].values[:, at].tolist())) == [0, 1, 2]


# Jumps nobody declared.


def test_undeclared_jump_is_kept_and_told(tmp_path: Path) -> None:
    job = read_job(write_job(tmp_path, moved=with_step(BREAK_DAY, STEP)))
    array = job.arrays["A"]
    at = column(array, "A-CR")
    check_identity(array)
    assert (array["offset"].values == 0).all()
    assert not len(job.set_aside)
    days, values = movement_of(job, "A-CR")
    truth = np.array([movement("A", "CR", day) + (np.array(STEP) if day >= BREAK_DAY else 0.0) for day in days])
    np.testing.assert_allclose(values, truth - truth[0], rtol=0, atol=2.0)
    np.testing.assert_allclose(array["kept_steps"].values[-1, at], STEP, rtol=0, atol=1.5)
    assert array["segment"].values[-1, at] == 1
    (found,) = job.findings
    assert (found.kind, found.prism, found.action) == ("jump", "A-CR", "reported")
    assert "alone in its array" in found.sentence


def test_line_offered_for_the_events_file_settles_it(tmp_path: Path) -> None:
    """The finding ends in a row for events.csv; with it the jump is a declared break at the same reading."""
    moved = with_step(BREAK_DAY, STEP)
    (found,) = read_job(write_job(tmp_path / "one", moved=moved)).findings
    row = found.sentence.rsplit("takes the step out: ", 1)[1].split("; if it is", 1)[0]
    job = read_job(
        write_job(tmp_path / "two", {"events.csv": "time,section,prism,event,note\n" + row + "\n"}, moved=moved)
    )
    (settled,) = job.findings
    assert (settled.kind, settled.action, settled.start) == ("prism disturbed", "spliced", found.end)
    np.testing.assert_allclose(
        job.arrays["A"]["offset"].values[-1, column(job.arrays["A"], "A-CR")], STEP, rtol=0, atol=1.5
    )


def test_jump_in_a_moving_array_is_still_the_prisms_own(tmp_path: Path) -> None:
    """The rest of the array moves 3 mm a day meanwhile: as much over six readings as would pass for taking
    part.
    """

    def base(section: str, place: str, day: float) -> np.ndarray:
        return noisy_moving(section, place, day)

    errors = noisy(0.3, 5)

    def noisy_moving(section: str, place: str, day: float) -> np.ndarray:
        noise = errors(section, place, day) - movement(section, place, day)
        return np.asarray(np.array([0.0, 0.0, 3.0 * (day - passage(section))]) + noise)

    job = read_job(write_job(tmp_path, moved=with_step(BREAK_DAY, (0.0, 12.0, 0.0), base=base)))
    assert [(found.kind, found.prism) for found in job.findings] == [("jump", "A-CR")]


def test_jump_of_a_lone_prism_says_so(tmp_path: Path) -> None:
    files = job_files(moved=with_step(BREAK_DAY, STEP))
    lines = files["readings.csv"].splitlines()
    text = "\n".join(line for line in lines if not line.split(",")[1].startswith(("A-LW", "A-RW"))) + "\n"
    (found,) = read_job(write_job(tmp_path, {"readings.csv": text})).findings
    assert found.kind == "jump"
    assert "no other prism read to compare" in found.sentence


# Movement that is real.


@pytest.mark.parametrize("seed", range(5))
def test_fifteen_millimetres_in_one_sweep_shared_by_the_array(seed: int, tmp_path: Path) -> None:
    """Kept whole, in use, without an offset of its own; told as unconfirmed with a call to read again."""
    moved = with_step(BREAK_DAY, (0.0, 0.0, 15.0), places=("CR", "LW", "RW"), base=noisy(0.5, seed))
    job = read_job(write_job(tmp_path, moved=moved))
    array = job.arrays["A"]
    assert not len(job.set_aside)
    assert array["used"].values.all()
    assert (array["segment"].values == 0).all()
    assert (array["kept_steps"].values == 0).all()
    assert {found.kind for found in job.findings} == {"shared jump"}
    assert all("read again now" in found.sentence for found in job.findings)
    check_identity(array)
    assert array["movement"].values[-1, 0, 2] == pytest.approx(movement("A", "CR", 20.0)[2] + 15.0, abs=4.0)


@pytest.mark.parametrize("seed", range(5))
@pytest.mark.parametrize("places", [("CR",), ("CR", "LW", "RW")])
def test_twenty_millimetres_in_three_days(seed: int, places: tuple[str, ...], tmp_path: Path) -> None:
    inner = noisy(0.5, seed)

    def moved(section: str, place: str, day: float) -> np.ndarray:
        extra = 20.0 * min(max((day - 8.0) / 3.0, 0.0), 1.0) if section == "A" and place in places else 0.0
        return np.asarray(inner(section, place, day) + np.array([0.0, 0.0, extra]))

    job = read_job(write_job(tmp_path, moved=moved))
    assert not len(job.set_aside)
    assert (job.arrays["A"]["segment"].values == 0).all()
    assert job.findings == ()


def test_fast_movement_is_in_use_at_every_date_as_it_comes(tmp_path: Path) -> None:
    """Whatever the date of the analysis, the last readings of a drop of 15 mm in a sweep are used."""
    moved = with_step(BREAK_DAY, (0.0, 0.0, 15.0), places=("CR", "LW", "RW"))
    folder = write_job(tmp_path, moved=moved)
    for day in (BREAK_DAY + 0.4, BREAK_DAY + 0.9, BREAK_DAY + 1.4):
        job = read_job(folder, instant(day))
        assert "spike" not in set(job.set_aside["reason"])
        assert job.arrays["A"]["movement"].values[-1, 0, 2] > 22.0


# Spikes.


def test_spike_is_set_aside_once_the_next_reading_came_back(tmp_path: Path) -> None:
    at = passage("B") + 0.125 + 4.0
    inner = noisy()

    def moved(section: str, place: str, day: float) -> np.ndarray:
        spike = 10.0 if (section, place) == ("B", "LW") and abs(day - at) < 0.01 else 0.0
        return np.asarray(inner(section, place, day) + np.array([0.0, 0.0, spike]))

    folder = write_job(tmp_path, moved=moved)
    before = read_job(folder, instant(at + 0.1))
    assert not (before.set_aside["reason"] == "spike").any()
    assert movement_of(before, "B-LW")[1][-1, 2] > 15.0
    after = read_job(folder, instant(at + 0.6))
    spikes = after.set_aside[after.set_aside["reason"] == "spike"]
    assert spikes["prism"].tolist() == ["B-LW"]
    whole = read_job(folder)
    assert [(found.kind, found.prism, found.action) for found in whole.findings] == [("spike", "B-LW", "set aside")]
    array = whole.arrays["B"]
    row = int(np.flatnonzero(~array["used"].values[:, column(array, "B-LW")])[0])
    # the raw movement of a reading that is not used stays where it is
    assert np.isfinite(array["raw"].values[row, column(array, "B-LW")]).all()
    assert array["row"].values[row, column(array, "B-LW")] >= 0
