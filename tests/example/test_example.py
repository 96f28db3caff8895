"""The example job: the same on every run, plausible as a tunnel, and its list of faults true to the files."""

from __future__ import annotations

import ast
import csv
import hashlib
import tomllib
from datetime import datetime
from pathlib import Path

import numpy as np
import pytest

from convergence.errors import ValueFault
from convergence.example import scenario, write_example
from convergence.job.reading import read_folder
from convergence.survey.alignment import Alignment, Arc, Clothoid, ProfilePoint, Straight

KEPT = Path(__file__).parents[2] / "sample_data" / "ridge_tunnel"
ALIGNMENT: Alignment = scenario.ALIGNMENT


@pytest.fixture(scope="module")
def job(tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = tmp_path_factory.mktemp("example") / "job"
    write_example(folder)
    return folder


def rows_of(path: Path) -> list[dict[str, str]]:
    with path.open(encoding="utf-8", newline="") as file:
        return list(csv.DictReader(file))


def hashes(folder: Path) -> dict[str, str]:
    return {
        path.relative_to(folder).as_posix(): hashlib.sha256(path.read_bytes()).hexdigest()
        for path in sorted(folder.rglob("*"))
        if path.is_file()
    }


def faults(job: Path, id_: str) -> list[dict[str, str]]:
    found = [row for row in rows_of(job / "truth" / "faults.csv") if row["id"] == id_]
    assert found
    return found


def lines_at(job: Path, fault: dict[str, str]) -> list[dict[str, str]]:
    """Rows that a fault names: all lines from the first to the last, by column."""
    lines = (job / fault["file"]).read_text(encoding="utf-8").splitlines()
    columns = lines[0].split(",")
    chosen = lines[int(fault["line_first"]) - 1 : int(fault["line_last"])]
    return [dict(zip(columns, line.split(","), strict=True)) for line in chosen]


def own_rows(job: Path, fault: dict[str, str]) -> list[dict[str, str]]:
    """Rows of the prism (or section) of a fault between its lines."""
    return [row for row in lines_at(job, fault) if row["prism"].startswith(fault["prism"] or fault["section"])]


def series(job: Path, prism: str) -> tuple[np.ndarray, np.ndarray]:
    """Days, and movement in the axes of the tunnel [mm] since the first reading; unreadable rows left out."""
    settings = {row["prism"]: row for row in rows_of(job / "prisms.csv")}
    days, places = [], []
    for path in sorted((job / "readings").glob("*.csv")):
        for row in rows_of(path):
            if row["prism"] != prism or row["time"][:4] != "2023":
                continue
            try:
                place = [float(row[name]) for name in ("easting_m", "northing_m", "elevation_m")]
            except ValueError:
                continue
            if np.all(np.isfinite(place)):
                since = datetime.fromisoformat(row["time"]) - scenario.CLOCK.start_utc
                days.append(since.total_seconds() / 86400.0)
                places.append(place)
    change = np.array(places) - places[0]
    axes = ALIGNMENT.movement(float(settings[prism]["chainage_m"]), *change.T)
    return np.array(days), 1000.0 * np.stack([np.asarray(axis) for axis in axes], axis=1)


def truth_of(job: Path, measure: str) -> dict[str, dict[str, str]]:
    return {row["prisms"]: row for row in rows_of(job / "truth" / "final.csv") if row["measure"] == measure}


class TestWriting:
    def test_two_runs_give_the_same_bytes(self, job: Path, tmp_path: Path) -> None:
        write_example(tmp_path)
        assert hashes(tmp_path) == hashes(job)

    def test_the_kept_sample_is_what_the_code_writes(self, job: Path) -> None:
        assert hashes(KEPT) == hashes(job)

    def test_another_seed_gives_another_job(self, job: Path, tmp_path: Path) -> None:
        write_example(tmp_path, seed=21)
        other = hashes(tmp_path)
        assert other.keys() == hashes(job).keys()
        assert other["readings/2023-03.csv"] != hashes(job)["readings/2023-03.csv"]

    def test_a_folder_in_use_is_refused_and_left_alone(self, tmp_path: Path) -> None:
        (tmp_path / "mine.txt").write_text("keep")
        with pytest.raises(ValueFault, match="not an empty folder"):
            write_example(tmp_path)
        assert [path.name for path in tmp_path.iterdir()] == ["mine.txt"]

    def test_a_negative_seed_is_refused(self, tmp_path: Path) -> None:
        with pytest.raises(ValueFault, match="seed is -1"):
            write_example(tmp_path / "new", seed=-1)

    def test_the_files_stay_small(self, job: Path) -> None:
        assert sum(path.stat().st_size for path in job.rglob("*") if path.is_file()) < 6_000_000


def test_truth_knows_nothing_of_what_is_fitted() -> None:
    allowed = ("convergence.errors", "convergence.survey.alignment", "convergence.example")
    for path in (Path(__file__).parents[2] / "convergence" / "example").glob("*.py"):
        for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
            names = [node.module or ""] if isinstance(node, ast.ImportFrom) else []
            names += [alias.name for alias in node.names] if isinstance(node, ast.Import) else []
            for name in names:
                assert not name.startswith("convergence") or name.startswith(allowed), (path.name, name)


class TestScenario:
    def test_settings_agree_with_the_scenario(self, job: Path) -> None:
        settings = tomllib.loads((job / "tunnel.toml").read_text(encoding="utf-8"))
        assert sum(stage["share"] for stage in settings["stage"]) == pytest.approx(1.0)
        length = sum(element["length_m"] for element in settings["alignment"])
        assert settings["alignment"][0]["start_chainage_m"] + length == pytest.approx(ALIGNMENT.end_chainage)
        chainages = [section.chainage for section in scenario.SECTIONS]
        assert min(chainages) > ALIGNMENT.start_chainage
        assert max(chainages) < ALIGNMENT.end_chainage

    def test_numbers_of_the_settings_place_the_first_readings(self, job: Path) -> None:
        # The alignment built anew from the numbers in the file. Prisms are bolted within some millimetres of
        # the place in the list (3 mm standard deviation in offset and height).
        settings = tomllib.loads((job / "tunnel.toml").read_text(encoding="utf-8"))
        straight, clothoid, arc = settings["alignment"]
        written = Alignment(
            straight["start_chainage_m"],
            straight["start_easting_m"],
            straight["start_northing_m"],
            np.radians(straight["start_azimuth_deg"]),
            (
                Straight(straight["length_m"]),
                Clothoid(clothoid["length_m"], 0.0, 1.0 / clothoid["end_radius_m"]),
                Arc(arc["length_m"], arc["radius_m"]),
            ),
            tuple(
                ProfilePoint(point["chainage_m"], point["elevation_m"], point["curve_length_m"])
                for point in settings["profile"]
            ),
        )
        assert [clothoid["turn"], arc["turn"]] == ["right", "right"]
        prisms = rows_of(job / "prisms.csv")
        for prism in (prisms[0], prisms[60], prisms[-1]):
            first = next(
                row
                for path in sorted((job / "readings").glob("*.csv"))
                for row in rows_of(path)
                if row["prism"] == prism["prism"]
            )
            place = written.point(*(float(prism[name]) for name in ("chainage_m", "offset_m", "height_m")))
            read = [float(first[name]) for name in ("easting_m", "northing_m", "elevation_m")]
            assert np.linalg.norm(np.array(read) - np.array(place, dtype=float)) < 0.02

    def test_sections_lie_ten_to_twenty_metres_apart(self) -> None:
        gaps = np.diff([section.chainage for section in scenario.SECTIONS])
        assert len(scenario.SECTIONS) >= 22
        assert np.all((gaps > 8.0) & (gaps < 20.0))

    def test_stages_keep_their_distance(self, job: Path) -> None:
        last = {}
        for row in rows_of(job / "truth" / "future_advance.csv"):
            last[row["stage"]] = float(row["chainage_m"])
            if len(last) == 3:
                assert last["heading"] - last["bench"] >= 30.0
                assert last["bench"] - last["invert"] >= 20.0
        # Every section gets all stages well past it, or the final values would hold for an unfinished tunnel.
        assert last["invert"] > scenario.SECTIONS[-1].chainage + 20.0

    def test_no_round_ends_on_a_rest_day(self, job: Path) -> None:
        for name in ("advance.csv", "truth/future_advance.csv"):
            for row in rows_of(job / name):
                time = datetime.fromisoformat(row["time"])
                # A round may end at midnight sharp.
                assert time.weekday() != scenario.SUNDAY or time.hour == time.minute == 0

    def test_the_heading_stands_still_in_the_stoppages(self, job: Path) -> None:
        rows = [row for row in rows_of(job / "advance.csv") if row["stage"] == "heading"]
        times = [datetime.fromisoformat(row["time"]).replace(tzinfo=None) for row in rows]
        for start, end, _, _ in scenario.STOPPAGES[:2]:
            assert not [time for time in times if start < time < end]

    def test_readings_come_in_sweeps_of_about_ten_minutes(self, job: Path) -> None:
        rows = rows_of(job / "readings" / "2023-02.csv")
        sweep = [row for row in rows if row["prism"].startswith("S1040-") and row["time"].startswith("2023-02-10T06")]
        times = [datetime.fromisoformat(row["time"]) for row in sweep]
        assert len(sweep) == 7 or len(sweep) == 5
        assert (max(times) - min(times)).total_seconds() < 600


class TestTruth:
    def test_sizes_are_those_of_a_tunnel(self, job: Path) -> None:
        crowns = {name: row for name, row in truth_of(job, "settlement").items() if name.endswith("-CR")}
        weak = [float(row["since_zero_final_mm"]) for row in crowns.values() if row["ground"] == "sheared zone"]
        fair = [float(row["since_zero_final_mm"]) for row in crowns.values() if row["ground"] != "sheared zone"]
        assert len(weak) == 3
        assert min(fair) > 12.0
        assert max(fair) < 40.0
        assert min(weak) > 50.0
        assert max(weak) < 90.0

    def test_a_quarter_to_a_third_is_lost_before_the_zero_reading(self, job: Path) -> None:
        shares = [
            float(row["lost_mm"]) / float(row["total_mm"])
            for name, row in truth_of(job, "settlement").items()
            if name.endswith("-CR") and row["section"] != scenario.LATE_SECTION
        ]
        assert 0.22 < float(np.median(shares)) < 0.34
        assert min(shares) > 0.15

    def test_since_zero_and_lost_make_the_total(self, job: Path) -> None:
        for row in rows_of(job / "truth" / "final.csv"):
            parts = float(row["since_zero_final_mm"]) + float(row["lost_mm"])
            # Three numbers rounded to 0.001 mm each.
            assert parts == pytest.approx(float(row["total_mm"]), abs=0.0016)

    def test_causes_make_the_final_movement(self, job: Path) -> None:
        for row in rows_of(job / "truth" / "stages.csv"):
            parts = sum(float(row[f"{name}_mm"]) for name in ("heading", "bench", "invert", "loosening"))
            # Rounding of five numbers to 0.001 mm; a chord is not quite linear: (20 mm)^2 / 8 m = 0.05 mm.
            slack = 0.06 if row["measure"] == "chord" else 0.003
            assert parts == pytest.approx(float(row["since_zero_final_mm"]), abs=slack)

    def test_daily_movement_ends_at_the_final_value(self, job: Path) -> None:
        last = {row["prism"]: row for row in rows_of(job / "truth" / "movement.csv")}
        for axis in ("longitudinal", "transverse", "settlement"):
            for prism, row in truth_of(job, axis).items():
                assert float(last[prism][f"{axis}_mm"]) == pytest.approx(float(row["since_zero_final_mm"]), abs=0.0011)
                assert last[prism]["time"] == row["horizon_time"]

    def test_levels_are_met_as_the_scenario_wants(self, job: Path) -> None:
        now = np.datetime64("2023-05-20T05:00")
        levels = {
            trigger.measure: [level.value for level in trigger.at(now).levels]
            for trigger in read_folder(job).settings.triggers
            if trigger.name in ("settlement", "chord")
        }
        settlement, chord = truth_of(job, "settlement"), truth_of(job, "chord")
        first, second, third = levels["settlement"]
        past = settlement["S1228-CR"]
        assert float(past["since_zero_now_mm"]) > first
        assert float(past["since_zero_final_mm"]) < second
        heading = settlement["S1248-CR"]
        assert float(heading["since_zero_now_mm"]) < second < float(heading["since_zero_final_mm"]) < third
        coming = chord["S1248-LW:S1248-RW"]
        assert float(coming["since_zero_now_mm"]) < levels["chord"][0] < float(coming["since_zero_final_mm"])
        for row in settlement.values():
            if row["ground"] != "sheared zone":
                assert float(row["since_zero_final_mm"]) < first - 5.0
        for name, row in chord.items():
            if name != "S1248-LW:S1248-RW":
                assert float(row["since_zero_final_mm"]) < levels["chord"][0] - 2.0

    def test_settings_show_what_a_job_can_say(self, job: Path) -> None:
        """Every kind of rule stands in it once at least, each with an owner and an action."""
        settings = read_folder(job).settings
        assert settings.settled is not None
        triggers = settings.triggers
        assert {trigger.quantity for trigger in triggers} == {"value", "rate", "deviation"}
        assert {trigger.since for trigger in triggers} == {"zero reading", "excavation"}
        assert {trigger.confirm_prism for trigger in triggers} == {"", "or", "and"}
        assert any(trigger.valid is not None for trigger in triggers)
        assert any(trigger.likely is not None for trigger in triggers)
        assert all(trigger.owner and trigger.action for trigger in triggers)
        reasons = [bool(revision.reason) for trigger in triggers for revision in trigger.revisions]
        assert sorted(reasons) == [False, True], "one raise with its reason, one that draws a warning"

    def test_record_follows_the_truth_within_its_noise(self, job: Path) -> None:
        days, moved = series(job, "S1280-CR")
        true = [row for row in rows_of(job / "truth" / "movement.csv") if row["prism"] == "S1280-CR"]
        true_days = [
            (datetime.fromisoformat(row["time"]) - scenario.CLOCK.start_utc).total_seconds() / 86400 for row in true
        ]
        expected = np.interp(days, true_days, [float(row["settlement_mm"]) for row in true])
        misfit = moved[:, 2] - expected
        # Standard deviation of a reading about 0.7 mm (white 0.45, correlated 0.4, sweep 0.3, daily 0.18);
        # the blasts between the daily points of the truth add a little.
        assert 0.35 < misfit.std() < 1.1
        assert abs(misfit.mean()) < 2.5


class TestFaults:
    def test_every_fault_stands_where_the_list_says(self, job: Path) -> None:
        listed = rows_of(job / "truth" / "faults.csv")
        assert {row["id"][:3] for row in listed} == {f"F{number:02d}" for number in range(1, 19)}
        for row in listed:
            assert row["expected"] in ("set aside", "reported", "error-free")
            lines = (job / row["file"]).read_text(encoding="utf-8").splitlines()
            first, last = int(row["line_first"]), int(row["line_last"])
            assert 2 <= first <= last <= len(lines)
            key = row["prism"] or row["section"]
            if row["file"] != "advance.csv":
                assert key in lines[first - 1]
                assert key in lines[last - 1]

    def test_knock_and_replacement_step_and_stay(self, job: Path) -> None:
        for id_, size in (("F01", 25.0), ("F02", 85.1)):
            fault = next(row for row in faults(job, id_) if row["file"].startswith("readings"))
            days, moved = series(job, fault["prism"])
            at = (datetime.fromisoformat(fault["time"]) - scenario.CLOCK.start_utc).total_seconds() / 86400
            before, after = moved[(days < at) & (days > at - 2)], moved[(days >= at) & (days < at + 2)]
            step = float(np.linalg.norm(after.mean(axis=0) - before.mean(axis=0)))
            # Two means of eight readings, and two days of true movement.
            assert step == pytest.approx(size, abs=3.0)
        events = rows_of(job / "events.csv")
        assert not [row for row in events if row["prism"] == "S1136-RW" or "disturbed" in row["event"]]
        assert [row["event"] for row in events if row["prism"] == "S1160-LS"] == ["prism replaced"]

    def test_spike_reverts(self, job: Path) -> None:
        fault = faults(job, "F03")[0]
        days, moved = series(job, fault["prism"])
        at = (datetime.fromisoformat(fault["time"]) - scenario.CLOCK.start_utc).total_seconds() / 86400
        index = int(np.argmin(np.abs(days - at)))
        assert moved[index, 2] - 0.5 * (moved[index - 1, 2] + moved[index + 1, 2]) == pytest.approx(10.0, abs=3.0)

    def test_genuine_drop_is_in_record_and_truth(self, job: Path) -> None:
        fault = next(row for row in faults(job, "F04") if row["prism"] == "S1238-CR")
        assert fault["expected"] == "error-free"
        days, moved = series(job, "S1238-CR")
        at = (datetime.fromisoformat(fault["time"]) - scenario.CLOCK.start_utc).total_seconds() / 86400
        drop = np.interp([at, at + 3.0], days, moved[:, 2])
        assert 16.0 < drop[1] - drop[0] < 25.0

    def test_mistyped_dates_unknown_prisms_and_early_readings(self, job: Path) -> None:
        assert sorted(lines_at(job, row)[0]["time"][:4] for row in faults(job, "F05")) == ["2013", "2032"]
        names = {row["prism"] for row in rows_of(job / "prisms.csv")}
        for row in faults(job, "F06"):
            line = lines_at(job, row)[0]
            assert line["prism"] not in names
            place = (float(line[name]) for name in ("easting_m", "northing_m", "elevation_m"))
            assert float(ALIGNMENT.locate(*place)[1]) == pytest.approx(-40.0, abs=0.1)
        passes = {row["section"]: row["heading_passes"] for row in rows_of(job / "truth" / "ground.csv")}
        for row in faults(job, "F08"):
            early = datetime.fromisoformat(lines_at(job, row)[0]["time"])
            assert early < datetime.fromisoformat(passes[row["section"]])
        assert len(faults(job, "F08")) == 3

    def test_copied_stretch_has_equal_increments(self, job: Path) -> None:
        (fault,) = faults(job, "F09")
        rows = own_rows(job, fault)
        assert len(rows) == 14
        wider = dict(fault, line_first=str(int(fault["line_first"]) - 3))
        source = [row for row in lines_at(job, wider) if row["prism"] == "S1196-LW"]
        assert len(source) == 14
        for column in ("easting_m", "northing_m", "elevation_m"):
            steps = [np.diff([round(1e4 * float(row[column])) for row in chosen]) for chosen in (rows, source)]
            assert np.array_equal(*steps)
            assert np.any(steps[0])

    def test_gaps_are_gaps(self, job: Path) -> None:
        end = datetime.fromisoformat(scenario.CLOCK.text(scenario.RECORD_END))
        (blind,) = faults(job, "F10")
        rows = own_rows(job, blind)
        gap = datetime.fromisoformat(rows[-1]["time"]) - datetime.fromisoformat(rows[0]["time"])
        assert {row["time"] for row in rows} == {rows[0]["time"], rows[-1]["time"]}
        assert gap.total_seconds() >= 36 * 3600
        for id_, days in (("F17", 10.0), ("F18", 3.0)):
            (fault,) = faults(job, id_)
            last = datetime.fromisoformat(lines_at(job, fault)[0]["time"])
            assert (end - last).total_seconds() > days * 86400
            later = (job / fault["file"]).read_text(encoding="utf-8").splitlines()[int(fault["line_last"]) :]
            assert not [line for line in later if (fault["prism"] or f"{fault['section']}-") in line]

    def test_drift_is_shared_by_the_sections_of_one_station(self, job: Path) -> None:
        found = []
        for name in ("S1012-CR", "S1026-RS", "S1040-LW"):
            days, moved = series(job, name)
            # Mean of the last day of the drift less that of the days around it, in which the ground stood.
            inside = moved[(days > 61.2) & (days < 62.2)].mean(axis=0)
            outside = moved[((days > 56.5) & (days < 58.2)) | ((days > 62.4) & (days < 64.0))].mean(axis=0)
            found.append(inside - outside)
        # Four and fourteen readings of 0.7 mm, partly correlated: about 0.4 mm.
        assert np.array(found) == pytest.approx(np.tile([1.6, -2.1, 1.6], (3, 1)), abs=1.3)

    def test_round_log_faults(self, job: Path) -> None:
        rows = rows_of(job / "advance.csv")
        bench = [row for row in rows if row["stage"] == "bench"]
        ahead = faults(job, "F07")
        assert len(ahead) == 10
        for fault in ahead:
            line = lines_at(job, fault)[0]
            reached = [float(row["chainage_m"]) for row in bench if row["time"] <= line["time"]]
            assert line["stage"] == "invert"
            assert float(line["chainage_m"]) > sorted(reached)[-2]  # the row in feet is the largest
        before, *_, after = [row for row in lines_at(job, faults(job, "F13a")[0]) if row["stage"] == "heading"]
        assert float(after["chainage_m"]) - float(before["chainage_m"]) == pytest.approx(4.6, abs=0.6)
        twin = lines_at(job, faults(job, "F13b")[0])[0]
        same = [row for row in rows if row["stage"] == "heading" and row["chainage_m"] == twin["chainage_m"]]
        assert len({row["time"] for row in same}) == 2
        assert [len(lines_at(job, row)[0]["time"]) for row in faults(job, "F13c")] == [19, 19]
        feet = float(lines_at(job, faults(job, "F13d")[0])[0]["chainage_m"])
        assert ALIGNMENT.start_chainage < 0.3048 * feet < ALIGNMENT.end_chainage < feet

    def test_rows_that_cannot_be_used(self, job: Path) -> None:
        for fault in faults(job, "F14"):
            twin = lines_at(job, fault)[0]
            month = rows_of(job / fault["file"])
            assert len([row for row in month if row == twin]) == 2
        texts = [",".join(lines_at(job, fault)[0].values()) for fault in faults(job, "F15")]
        assert [text for text in ("nan", "inf", "no target") if any(text in line for line in texts)] == [
            "nan",
            "inf",
            "no target",
        ]

    def test_renewed_zero_has_its_event_and_step(self, job: Path) -> None:
        event = next(row for row in faults(job, "F16") if row["file"] == "events.csv")
        assert lines_at(job, event)[0]["event"] == "zero reading renewed"
        days, moved = series(job, "S1096-CR")
        at = (datetime.fromisoformat(event["time"]) - scenario.CLOCK.start_utc).total_seconds() / 86400
        step = moved[(days >= at) & (days < at + 2)].mean(axis=0) - moved[(days < at) & (days > at - 2)].mean(axis=0)
        # Two means of eight readings, and two days of true movement.
        assert step == pytest.approx([6.0, -9.0, 4.0], abs=1.8)

    def test_all_other_readings_are_sound(self, job: Path) -> None:
        # Apart from the rows in the list, every row is a finite reading of a known prism, its time with
        # offset.
        spoilt = {
            (row["file"], int(row["line_first"]))
            for row in rows_of(job / "truth" / "faults.csv")
            if row["expected"] == "set aside"
        }
        names = {row["prism"] for row in rows_of(job / "prisms.csv")}
        seen: set[tuple[str, str]] = set()
        for path in sorted((job / "readings").glob("*.csv")):
            for line, row in enumerate(rows_of(path), start=2):
                if (f"readings/{path.name}", line) in spoilt:
                    continue
                assert row["prism"] in names
                assert datetime.fromisoformat(row["time"]).utcoffset() is not None
                assert np.all(np.isfinite([float(row[name]) for name in list(row)[2:]]))
                assert (row["time"], row["prism"]) not in seen
                seen.add((row["time"], row["prism"]))
