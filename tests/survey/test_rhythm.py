"""A clock put back or forward is seen in the hours of reading, and nothing else is taken for one."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest

from convergence.errors import JobError
from convergence.job.reading import read_folder
from convergence.survey import read_job
from convergence.survey.mistyped_rows import in_their_time
from convergence.survey.rhythm import hours_changed, least_told
from tests.bench.fault_sites import make_site, plant_faults, write_site
from tests.helpers import SECTIONS, job_files, write_job

START = np.datetime64("2031-03-03T00:00", "ns")


def sweeps(seed: int, sections: int = 6, days: float = 24.0, jitter: float = 25.0) -> tuple[np.ndarray, np.ndarray]:
    """Minutes and section of sweeps every six hours, each section at hours of its own, give or take ``jitter``."""
    rng = np.random.default_rng(seed)
    minutes, home = [], []
    for section in range(sections):
        at = rng.uniform(0.0, 360.0) + np.arange(0.0, days * 1440.0, 360.0)
        at = at[rng.uniform(size=len(at)) > 0.03] + 0.0
        minutes.append(at + rng.uniform(-jitter, jitter, len(at)))
        home.append(np.full(len(at), section))
    return np.concatenate(minutes), np.concatenate(home)


def instants(minutes: np.ndarray) -> np.ndarray:
    return START + np.round(minutes * 60.0).astype("timedelta64[s]")


@pytest.mark.parametrize("change", [-60.0, 60.0, -30.0, 100.0])
@pytest.mark.parametrize("seed", [1, 2, 3])
def test_the_instant_and_the_size_of_a_change_are_found(change: float, seed: int) -> None:
    minutes, home = sweeps(seed)
    at = 12.4 * 1440.0
    ((low, high, size),) = hours_changed(instants(minutes + np.where(minutes > at, change, 0.0)), home)
    # each sweep within 25 minutes of its hour, 14 in the root mean square: of the difference of two means of 72 sweeps,
    # weighted by the pairs they stand in, the standard error is 3 minutes; three of them
    assert size == pytest.approx(change, abs=9.5)
    assert abs((high - START) / np.timedelta64(1, "m") - at) < 360.0
    assert low <= high or change < 0.0


@pytest.mark.parametrize("seed", range(20))
def test_nothing_is_found_where_no_clock_was_touched(seed: int) -> None:
    minutes, home = sweeps(seed)
    assert hours_changed(instants(minutes), home) == []
    # hours that drift along evenly, or of one section that is read at another time from some day on
    assert hours_changed(instants(minutes * 1.004), home) == []
    moved = minutes + np.where((home == 0) & (minutes > 14_000.0), 70.0, 0.0)
    assert hours_changed(instants(moved), home) == []


def test_readings_without_hours_of_their_own_tell_nothing() -> None:
    rng = np.random.default_rng(5)
    minutes, home = rng.uniform(0.0, 30_000.0, 400), rng.integers(0, 6, 400)
    shifted = minutes + np.where(minutes > 15_000.0, 60.0, 0.0)
    assert hours_changed(instants(shifted), home) == []


def test_a_clock_put_back_and_forward_again_are_two() -> None:
    minutes, home = sweeps(8, days=40.0)
    change = np.where((minutes > 14_000.0) & (minutes < 40_000.0), -60.0, 0.0)
    found = hours_changed(instants(minutes + change), home)
    assert [round(size / 60.0) for _, _, size in found] == [-1, 1]


def clocks(folder: Path) -> list[tuple[str, float]]:
    read, findings = read_folder(folder), []
    in_their_time(read, read.account.copy(), findings)
    return [(item.kind, item.size) for item in findings if item.kind.startswith("clock")]


@pytest.mark.parametrize("seed", [2001, 2002])
def test_a_clock_is_told_in_a_job_and_its_untouched_twin_is_not(seed: int, tmp_path: Path) -> None:
    for name, touched in (("touched", True), ("clean", False)):
        site = make_site(seed)
        plant_faults(site)
        site.clock_from = site.clock_from if touched else float("inf")
        (tmp_path / name).mkdir()
        write_site(site, tmp_path / name)
        told = clocks(tmp_path / name)
        assert len(told) == touched
        if touched:
            ((kind, size),) = told
            assert kind == f"clock put {'forward' if site.clock_change > 0.0 else 'back'}"
            assert size == pytest.approx(abs(site.clock_change) * 1440.0, abs=10.0)


@pytest.mark.parametrize("seed", [2001, 2002, 2003, 2004])
def test_one_line_puts_the_times_right(seed: int, tmp_path: Path) -> None:
    """The corrected times are those of the untouched twin, but for the part of the change that is rounded away."""
    jobs = {}
    for name, touched in (("touched", True), ("clean", False)):
        site = make_site(seed)
        plant_faults(site)
        site.clock_from = site.clock_from if touched else float("inf")
        (tmp_path / name).mkdir()
        write_site(site, tmp_path / name)
        jobs[name] = read_job(tmp_path / name)
    log = jobs["touched"].decisions
    (line,) = log.loc[log["kind"].str.startswith("clock put"), "turn_over"]
    assert ",,,clock corrected," in line
    with (tmp_path / "touched" / "events.csv").open("a", encoding="utf-8") as stream:
        stream.write(("time,section,prism,event,note\n" if not stream.tell() else "") + f"{line}\n")
    mended = read_job(tmp_path / "touched")
    told = mended.decisions
    assert set(told.loc[told["kind"].str.startswith("clock"), "kind"]) == {"clock corrected"}
    (row,) = told[told["kind"] == "clock corrected"].to_dict("records")
    assert (row["decision"], row["unit"]) == ("shifted", "min")
    assert row["size"] == pytest.approx(abs(make_site_change(seed)), abs=12.0)
    by_line = [
        job.raw.assign(file=0).set_index(["file", "line"])["time"].sort_index() for job in (mended, jobs["clean"])
    ]
    both = by_line[0].index.intersection(by_line[1].index)
    off = (by_line[0][both] - by_line[1][both]).abs() / np.timedelta64(1, "m")
    # the size is known to some minutes, the instant to the pause between two readings; what is off elsewhere are typos
    assert float(np.quantile(off, 0.98)) <= 12.0
    assert len(mended.raw) >= len(jobs["clean"].raw) - 5


def make_site_change(seed: int) -> float:
    site = make_site(seed)
    plant_faults(site)
    return site.clock_change * 1440.0


def test_a_file_that_goes_back_is_put_right_row_by_row(tmp_path: Path) -> None:
    """For an hour the written times come twice; which of them are meant is told by the place in the file."""
    lines = job_files()["readings.csv"].splitlines()
    offset = [line.partition(",") for line in lines[1:]]
    times = [np.datetime64(time[:19]) for time, _, _ in offset]
    at = next(row for row in range(len(times) // 2, len(times)) if times[row + 1] - times[row] > np.timedelta64(2, "h"))
    # readings every few hours hold nothing in the hour that comes twice: two more are put there
    base = times[at]
    extra = [
        f"{base + np.timedelta64(minutes, 'm')}+02:00,{prism},0.0,0.0,{minutes / 10:.1f}"
        for minutes, prism in ((20, "A-CR"), (40, "A-LW"))
    ]
    back = np.timedelta64(60, "m")
    after = [f"{base + np.timedelta64(minutes, 'm') - back}+02:00,{prism},0.0,0.0,9.0"
             for minutes, prism in ((70, "A-CR"), (90, "A-LW"))]  # fmt: skip
    rest = [f"{np.datetime64(time[:19]) - back}{time[19:]},{values}" for time, _, values in offset[at + 1 :]]
    body = "\n".join([*lines[: at + 2], *extra, *after, *rest]) + "\n"
    job = read_job(write_job(tmp_path / "job", {"readings.csv": body}))
    (line,) = job.decisions.loc[job.decisions["kind"] == "clock put back", "turn_over"]
    assert line.endswith(",,,clock corrected,+60 min")
    events = f"time,section,prism,event,note\n{line}\n"
    mended = read_job(write_job(tmp_path / "mended", {"readings.csv": body, "events.csv": events}))
    right = [*lines[: at + 2], *extra]
    right += [f"{np.datetime64(text[:19]) + back}{text[19:]}" for text in (*after, *rest)]
    true = read_job(write_job(tmp_path / "true", {"readings.csv": "\n".join(right) + "\n"}))
    np.testing.assert_array_equal(mended.raw.sort_values("line")["time"], true.raw.sort_values("line")["time"])
    assert "clock put back" not in set(mended.decisions["kind"])
    # an end in the note, and a section alone
    ended = events.replace("+60 min", f"+60 min until {base + np.timedelta64(24, 'h')}Z")
    events = ended.replace(",,,clock", ",B,,clock")
    part = read_job(write_job(tmp_path / "part", {"readings.csv": body, "events.csv": events}))
    moved = part.raw.sort_values("line")["time"].to_numpy() != job.raw.sort_values("line")["time"].to_numpy()
    assert 0 < moved.sum() < len(rest) / 3
    assert {part.folder.prisms[index].section for index in part.raw.sort_values("line")["prism"][moved]} == {"B"}


@pytest.mark.parametrize("note", ["", "an hour", "60", "+60 min until noon", "+6000 min"])
def test_a_note_that_does_not_say_by_how_much_is_refused(note: str, tmp_path: Path) -> None:
    events = f"time,section,prism,event,note\n2031-05-09T00:00:00Z,,,clock corrected,{note}\n"
    with pytest.raises(JobError, match="minutes to add"):
        read_job(write_job(tmp_path, {"events.csv": events}))


def test_a_reading_that_is_later_than_as_of_by_the_corrected_time_is_not_used(tmp_path: Path) -> None:
    events = "time,section,prism,event,note\n2031-05-09T00:00:00Z,,,clock corrected,+720 min\n"
    job = read_job(write_job(tmp_path, {"events.csv": events}), as_of="2031-05-12T00:00:00Z")
    assert job.raw["time"].max() <= np.datetime64("2031-05-12T00:00:00")
    table = job.account.table
    assert (table["read"] == table["used"] + table["set_aside"] + table["later_than_as_of"]).all()


@pytest.mark.parametrize(("zone", "told"), [("Europe/Berlin", False), ("Etc/GMT-1", True)])
def test_a_crew_that_keeps_its_local_hours_through_summer_time_is_no_wrong_clock(
    zone: str, told: bool, tmp_path: Path
) -> None:
    """On 2030-03-31T01:00Z central European clocks go forward by an hour (the rule of the zone's database)."""
    folder = write_job(tmp_path / "job")
    change = np.datetime64("2030-03-31T01:00")
    begin = np.datetime64("2030-03-21T00:00")
    lines = job_files()["readings.csv"].splitlines()[:1]
    rng = np.random.default_rng(1)
    for day in range(20):
        for section, hours in zip(SECTIONS, (0.0, 3.5, 7.0), strict=True):
            for sweep in range(2):
                at = begin + np.timedelta64(round(day * 1440 + hours * 60 + sweep * 720 + rng.uniform(0, 10)), "m")
                at = at - np.timedelta64(60, "m") if at > change else at
                lines.append(f"{at}:00Z,{section}-CR,0.0,0.0,{day / 10 + sweep / 20:.2f}")
    (folder / "readings.csv").write_text("\n".join(lines) + "\n", encoding="utf-8")
    rounds = [f"2030-03-2{day}T00:00:00Z,heading,{90 + 10 * day}" for day in range(6)]
    (folder / "advance.csv").write_text("\n".join(["time,stage,chainage_m", *rounds]) + "\n", encoding="utf-8")
    toml = (folder / "tunnel.toml").read_text(encoding="utf-8").replace("Etc/GMT-2", zone)
    (folder / "tunnel.toml").write_text(toml, encoding="utf-8")
    assert bool(clocks(folder)) is told


@pytest.mark.parametrize("sections", [1, 2])
@pytest.mark.parametrize("change", [-60.0, 60.0])
def test_a_job_of_one_or_two_sections_is_checked_too(sections: int, change: float) -> None:
    """Twenty records of each: a change by an hour is found in all, and none where nothing was touched (computed)."""
    for seed in range(20):
        minutes, home = sweeps(100 + seed, sections, jitter=15.0)
        assert hours_changed(instants(minutes), home) == []
        assert least_told(instants(minutes), home) < 60.0
        found = hours_changed(instants(minutes + np.where(minutes > 12.4 * 1440.0, change, 0.0)), home)
        # of one section the size is known to some 8 minutes, by the note above; two of them
        assert [size for _, _, size in found] == [pytest.approx(change, abs=16.0)]


def test_of_two_sections_both_must_follow() -> None:
    for seed in range(10):
        minutes, home = sweeps(200 + seed, 2, jitter=15.0)
        moved = minutes + np.where((home == 0) & (minutes > 14_000.0), 60.0, 0.0)
        assert hours_changed(instants(moved), home) == []


def test_a_job_without_hours_says_that_its_clock_was_not_checked(tmp_path: Path) -> None:
    rng = np.random.default_rng(6)
    assert least_told(instants(rng.uniform(0.0, 30_000.0, 60)), np.zeros(60, dtype=np.int64)) > 60.0
    assert least_told(instants(np.arange(5.0)), np.zeros(5, dtype=np.int64)) == float("inf")
    kinds = [item.kind for item in read_job(write_job(tmp_path / "regular")).findings]
    assert "clock not checked" not in kinds
    lines = job_files()["readings.csv"].splitlines()
    few = "\n".join([lines[0], *lines[1:20]]) + "\n"
    (told,) = [
        item for item in read_job(write_job(tmp_path / "few", {"readings.csv": few})).findings
        if item.kind == "clock not checked"
    ]  # fmt: skip
    assert told.sentence.startswith("a clock put back or forward by an hour while nothing was read would not be")
