"""The forecast log: added to and never rewritten, whole under interruption and two runs at once, scored later."""

from __future__ import annotations

import json
import multiprocessing
from pathlib import Path

import numpy as np
import pytest

from convergence import cli
from convergence.errors import ValueFault
from convergence.hindcasting import append_forecast, read_forecasts, score_forecasts
from convergence.hindcasting.forecast_log import LOG_NAME, forecast_record
from convergence.job.times import shown
from convergence.survey.job import read_job
from convergence.triggers import Outlook, outlook

RUN = np.datetime64("2031-05-13T08:00:00", "ns")
AS_OF = "2031-05-13T07:00:00Z"


@pytest.fixture(scope="module")
def early(noisy_folder: Path) -> Outlook:
    return outlook(read_job(noisy_folder, AS_OF))


@pytest.fixture(scope="module")
def late(noisy_folder: Path) -> Outlook:
    return outlook(read_job(noisy_folder))


def test_a_line_a_run_and_nothing_before_it_changes(early: Outlook, late: Outlook, tmp_path: Path) -> None:
    file = append_forecast(early, tmp_path / "new" / LOG_NAME, run=RUN)
    first = file.read_bytes()
    assert append_forecast(late, file, "report") == file
    assert file.read_bytes().startswith(first)
    log = read_forecasts(file.parent)
    assert [(item["command"], item["as_of"]) for item in log.records] == [
        ("outlook", AS_OF), ("report", shown(late.job.now)),
    ]  # fmt: skip
    assert log.faults == ()
    assert log.records[0]["run"] == "2031-05-13T08:00:00Z"
    assert len(log.records[0]["fingerprint"]) == 64
    assert log.records[0]["version"]
    assert len(log.records[0]["measures"]) == sum(len(item.series) for item in early.projection.sections.values())


def test_a_record_says_what_the_outlook_said(early: Outlook) -> None:
    record = forecast_record(early, run=RUN)
    row = early.table[(early.table["measure"] == "settlement") & early.table["final"].notna()].iloc[0]
    (item,) = [
        one for one in record["measures"] if (one["measure"], one["prisms"]) == ("settlement", row["prisms"])
    ]  # fmt: skip
    band = [item["band"][part][-1] for part in ("low", "middle", "high")]
    # two decimals in the log
    assert band == pytest.approx([row["final_low"], row["final"], row["final_high"]], abs=6e-3)
    assert len(record["times"][item["section"]]) == len(item["band"]["low"])
    said = {(level["trigger"], level["level"]): level for level in item["levels"]}
    passages = early.passages[early.passages["prisms"] == row["prisms"]]
    assert len(said) == len(passages[passages["measure"] == "settlement"]) > 0
    for passage in passages[passages["measure"] == "settlement"].to_dict("records"):
        level = said[passage["trigger"], passage["level"]]
        assert level["state"] == passage["state"]
        if np.isfinite(passage["probability_3d"]):
            assert level["probability_3d"] == pytest.approx(passage["probability_3d"], abs=5.1e-5)


@pytest.mark.parametrize("cut", [1, 40, 2000])
def test_an_interrupted_write_costs_one_line(early: Outlook, tmp_path: Path, cut: int) -> None:
    """What an interruption left stays as it is; the run after it has a line of its own."""
    file = append_forecast(early, tmp_path / LOG_NAME, run=RUN)
    whole = file.read_bytes()
    file.write_bytes(whole + whole[:cut])
    append_forecast(early, file, run=RUN)
    assert file.read_bytes().startswith(whole + whole[:cut] + b"\n")
    log = read_forecasts(file)
    assert len(log.records) == 2
    assert log.faults == ("line 2: cut short, or no JSON",)


def test_a_log_that_lost_only_its_last_line_end(early: Outlook, tmp_path: Path) -> None:
    file = append_forecast(early, tmp_path / LOG_NAME, run=RUN)
    file.write_bytes(file.read_bytes()[:-1])
    append_forecast(early, file, run=RUN)
    assert (len(read_forecasts(file).records), read_forecasts(file).faults) == (2, ())


def test_a_changed_and_a_missing_line_are_told(early: Outlook, tmp_path: Path) -> None:
    file = tmp_path / LOG_NAME
    for _ in range(3):
        append_forecast(early, file, run=RUN)
    lines = file.read_bytes().splitlines(keepends=True)
    file.write_bytes(lines[0] + lines[2])
    assert "one was taken out" in read_forecasts(file).faults[0]
    record = json.loads(lines[1])
    record["measures"][0]["band"]["middle"][-1] += 5.0
    file.write_bytes(lines[0] + json.dumps(record).encode() + b"\n" + lines[2])
    log = read_forecasts(file)
    assert "it was changed" in log.faults[0]
    assert len(log.records) == 2


def _append(task: tuple[Outlook, str]) -> None:
    append_forecast(task[0], task[1], run=RUN)


def test_runs_at_once_give_a_line_each(early: Outlook, tmp_path: Path) -> None:
    file = tmp_path / LOG_NAME
    with multiprocessing.get_context("spawn").Pool(3) as pool:
        pool.map(_append, [(early, str(file))] * 9, chunksize=1)
    log = read_forecasts(file)
    assert (len(log.records), log.faults) == (9, ())


def test_what_is_no_log_is_left_alone(early: Outlook, tmp_path: Path) -> None:
    file = tmp_path / "notes.txt"
    file.write_text("mine\n", encoding="utf-8")
    with pytest.raises(ValueFault, match="expected a forecast log"):
        append_forecast(early, file)
    assert file.read_text(encoding="utf-8") == "mine\n"
    with pytest.raises(ValueFault, match="To mend"):
        read_forecasts(file)
    with pytest.raises(ValueFault, match="To mend"):
        read_forecasts(tmp_path / "none")


def test_the_log_scored_with_newer_readings(early: Outlook, late: Outlook, tmp_path: Path) -> None:
    """The outcome and the interpolation are those of a hindcast from the same date."""
    file = append_forecast(early, tmp_path / LOG_NAME, run=RUN)
    append_forecast(early, file, run=RUN)
    score = score_forecasts(read_forecasts(file), late.job, late)
    assert score.runs == 1
    assert "counted once" in score.text
    rows = score.hindcast.scored
    assert len(rows) > 10
    for row in rows.head(12).to_dict("records"):
        section = early.projection.sections[row["section"]]
        place = [f"{item.measure} {item.prisms}" for item in section.series].index(f"{row['measure']} {row['prisms']}")
        day = early.job.days(np.datetime64(row["outcome_time"][:-1], "ns"))
        # straight between the days of the log, which lie wider than those of the projection
        for name, share in (("ours_low", 0.05), ("ours", 0.5), ("ours_high", 0.95)):
            assert row[name] == pytest.approx(section.at(place, day, share), abs=0.06)
    assert "bands held" in score.text
    week = score.chances[score.chances["within_days"] == 7.0]
    assert len(week)
    for row in week.to_dict("records"):
        levels = late.levels[row["section"], _label(late, row)]
        (level,) = [item for item in levels if (item.trigger.name, item.level.name) == (row["trigger"], row["level"])]
        until = early.projection.data_until
        assert row["passed"] == (level.past and level.crossing - until <= 7.0)


def _label(found: Outlook, row: dict[str, object]) -> str:
    section = found.projection.sections[str(row["section"])]
    return next(item.label for item in section.series if (item.measure, item.prisms) == (row["measure"], row["prisms"]))


def test_runs_after_their_outcome_are_told(early: Outlook, late: Outlook, tmp_path: Path) -> None:
    file = append_forecast(early, tmp_path / LOG_NAME, run=late.job.now + np.timedelta64(1, "D"))
    assert (
        "1 were run after the readings they are held against"
        in score_forecasts(read_forecasts(file), late.job, late).text
    )


def test_a_log_of_another_tunnel_is_refused(early: Outlook, late: Outlook, tmp_path: Path) -> None:
    file = append_forecast(early, tmp_path / LOG_NAME, run=RUN)
    text = file.read_text(encoding="utf-8")
    file.write_text(text.replace(early.job.settings.tunnel.name, "Elsewhere"), encoding="utf-8")
    with pytest.raises(ValueFault, match="it was changed"):
        read_forecasts(file)


def test_what_is_not_read_yet_is_not_scored(early: Outlook, tmp_path: Path) -> None:
    file = append_forecast(early, tmp_path / LOG_NAME, run=RUN)
    score = score_forecasts(read_forecasts(file), early.job, early)
    assert len(score.hindcast.scored) == 0
    assert len(score.chances) == 0
    assert "nothing scored" in score.text


def test_outlook_logs_and_score_reads(noisy_folder: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    out, before = tmp_path / "out", sorted(path.name for path in noisy_folder.iterdir())
    command = ["outlook", str(noisy_folder), "--out", str(out), "--no-figures", "--as-of", AS_OF]
    assert cli.main(command) == 0
    assert cli.main([*command, "--no-log"]) == 0
    assert len(read_forecasts(out).records) == 1
    assert sorted(path.name for path in noisy_folder.iterdir()) == before
    assert cli.main(["score", str(noisy_folder), "--log", str(out), "--out", str(tmp_path / "score")]) == 0
    told = capsys.readouterr().out
    assert "1 logged forecasts of this tunnel" in told
    assert (tmp_path / "score" / "forecast_score.csv").read_text(encoding="utf-8").startswith("date,tunnel,fingerprint")
    assert cli.main(["score", str(noisy_folder), "--log", str(tmp_path / "none")]) == 1
    assert "To mend" in capsys.readouterr().err
