"""The hindcast knows nothing of what is later than a date, scores what came, and says where it cannot."""

from __future__ import annotations

import pickle
from pathlib import Path

import numpy as np
import pandas as pd
import pytest

from convergence.errors import ValueFault
from convergence.hindcasting import Hindcast, hindcast, hindcast_csv, hindcast_text, levels_csv, read_hindcast
from convergence.hindcasting.forecast import COLUMNS, METHODS
from convergence.hindcasting.outcome import OUTCOME_DAYS
from convergence.hindcasting.until import projection_until
from convergence.projection import project_job
from convergence.survey.job import read_job
from tests.helpers import EPOCH, instant, job_files, movement, write_job
from tests.hindcasting.conftest import NOISE, noisy

#: What was said at a date; the rest of the log is what came of it.
SAID = [name for name in COLUMNS if not name.startswith("outcome") and name not in ("known_until", "beyond")]


def day(text: pd.Series[str]) -> np.ndarray:
    """Days of the job of instants as the log writes them."""
    return (pd.to_datetime(text).dt.tz_localize(None) - pd.Timestamp(EPOCH)).dt.total_seconds().to_numpy() / 86_400


def changed_after(folder: Path, date: float) -> Path:
    """The job with all that is later than a day otherwise: readings, rounds, and an event."""

    def moved(section: str, place: str, days: float) -> np.ndarray:
        return noisy(section, place, days) * (1.0 if days <= date else 1.0 + 0.05 * (days - date))

    rounds = job_files()["advance.csv"].splitlines()
    kept = [line for line in rounds if line.startswith("time") or line < instant(date)]
    event = f"time,section,prism,event,note\n{instant(date + 1.0)},B,B-CR,prism disturbed,later\n"
    return write_job(folder, {"advance.csv": "\n".join(kept) + "\n", "events.csv": event}, moved=moved)


def test_nothing_later_than_a_date_is_known(noisy_folder: Path, tmp_path: Path) -> None:
    """The forecasts of a date are the same, to the last digit, whatever was read, driven or written down after it."""
    date = 10.6
    dates = [EPOCH + np.timedelta64(round(date * 86_400), "s")]
    one = hindcast(read_job(noisy_folder), dates=dates)
    two = hindcast(read_job(changed_after(tmp_path / "job", date)), dates=dates)
    # the rounds end earlier there, so that the last day known does; what is compared is what was said
    assert len(one.table) > 20
    pd.testing.assert_frame_equal(one.table[SAID], two.table[SAID], check_exact=True)
    scored = one.scored
    assert not np.allclose(scored["outcome"], two.table.loc[scored.index, "outcome"]), "what came did differ"
    columns = ["date", "section", "measure", "prisms", "level", "probability"]
    both = one.levels[columns].merge(two.levels[columns], on=columns[:-1])
    assert len(both)
    assert (both["probability_x"] == both["probability_y"]).all()


def test_a_forecast_is_that_of_the_job_as_it_was(noisy_folder: Path, found: Hindcast) -> None:
    row = found.scored.iloc[-1]
    projection = project_job(read_job(noisy_folder, row["date"]))
    section = projection.sections[row["section"]]
    index = next(
        place
        for place, series in enumerate(section.series)
        if (series.measure, series.prisms) == (row["measure"], row["prisms"])
    )
    at = float(day(pd.Series([row["outcome_time"]]))[0])
    wanted = [section.at(index, at, share) for share in (0.5, 0.05, 0.95)]
    # instants in the log are whole seconds
    assert row[["ours", "ours_low", "ours_high"]].tolist() == pytest.approx(wanted, abs=1e-3)
    assert row["final"] == section.final(index, 0.5)


def test_what_came_is_the_end_of_the_record(found: Hindcast) -> None:
    """Against the job's own formula: mean over the last two days, within three deviations of the readings' noise."""
    scored = found.scored[found.scored["measure"] == "settlement"]
    assert len(scored)
    for row in scored.itertuples():
        section, _, place = str(row.prisms).partition("-")
        at = float(day(pd.Series([row.outcome_time]))[0])
        zero = float(day(pd.Series([row.zero_time]))[0])
        true = movement(section, place, at)[2] - movement(section, place, zero)[2]
        assert abs(float(str(row.outcome)) - true) < 3.5 * NOISE
        assert NOISE < float(str(row.outcome_deviation)) < 3 * NOISE


def test_the_embargo_holds(found: Hindcast) -> None:
    gap = day(found.scored["outcome_time"]) - day(found.scored["last_time"])
    assert (gap >= 7.0).all()
    late = found.table[found.table["not_scored"] == "no reading 7 days later"]
    assert len(late), "the last date lies too near the end of the record for some"
    assert (day(late["outcome_time"]) - day(late["last_time"]) < 7.0 + OUTCOME_DAYS).all()


def test_every_forecast_is_logged_with_its_date_data_and_version(found: Hindcast) -> None:
    table = found.table
    assert (table["version"] != "").all()
    assert table.groupby("date")["fingerprint"].nunique().eq(1).all()
    assert table["fingerprint"].nunique() == table["date"].nunique()
    assert table["final"].notna().all(), "a forecast that cannot be scored yet is logged all the same"
    assert table.loc[table["not_scored"] != "", "ours"].isna().all()


def test_the_log_is_read_back_as_it_was_written(found: Hindcast, tmp_path: Path) -> None:
    (tmp_path / "hindcast.csv").write_text(hindcast_csv(found), encoding="utf-8")
    (tmp_path / "hindcast_levels.csv").write_text(levels_csv(found), encoding="utf-8")
    back = read_hindcast(tmp_path)
    assert back.known_until == found.known_until
    pd.testing.assert_frame_equal(back.table, found.table, atol=0.000501, rtol=0.0, check_dtype=False)
    pd.testing.assert_frame_equal(back.levels, found.levels, atol=0.000501, rtol=0.0, check_dtype=False)
    assert back.sentence().split(":")[0] == found.sentence().split(":")[0]
    # written again it is the same file
    assert hindcast_csv(back) == hindcast_csv(found)
    assert levels_csv(back) == levels_csv(found)


def test_worker_processes_give_the_same_numbers(noisy_folder: Path, found: Hindcast) -> None:
    two = hindcast(read_job(noisy_folder), every=4.0, processes=2)
    assert hindcast_csv(two) == hindcast_csv(found)
    assert levels_csv(two) == levels_csv(found)


def test_it_pickles(found: Hindcast) -> None:
    assert repr(pickle.loads(pickle.dumps(found))) == repr(found)


def test_the_summary_counts_what_the_log_holds(found: Hindcast) -> None:
    rows = found.rows()
    everything = found.summary("all")
    assert set(everything["method"]) == set(METHODS)
    assert everything.set_index("method")["forecasts"]["ours"] == len(rows)
    assert found.summary("days").query("method == 'ours'")["forecasts"].sum() == len(rows)
    error = (rows["ours"] - rows["outcome"]).abs() / np.maximum(rows["outcome"].abs(), 10.0)
    middle = float(np.sort(error)[(len(error) - 1) // 2])
    assert everything.set_index("method")["median_error"]["ours"] == pytest.approx(middle)
    assert len(found.rows("first")) == len(rows), "the job has three sections"


def test_only_sections_that_ended_beyond_a_level(found: Hindcast) -> None:
    beyond = found.rows("beyond")
    ended = set(found.table.loc[found.table["beyond"] != "", "section"])
    assert set(beyond["section"]) <= ended


def test_the_hit_rate_is_that_of_forecasts_alike(found: Hindcast) -> None:
    every = found.hit_rate()
    assert every.forecasts == len(found.rows())
    assert f"{every.held:.0%}" in every.sentence
    chords = found.hit_rate(measure="chord")
    assert chords.forecasts == len(found.rows(measures=("chord",)))
    far = found.hit_rate(widths=50.0, measure="chord")
    assert np.isnan(far.widths), "too few so far away, so all distances are told"
    nothing = found.hit_rate(measure="tilt")
    assert nothing.sentence == "No past tilt forecasts of this site can be scored yet."


def test_a_person_can_read_it(found: Hindcast) -> None:
    text = hindcast_text(found)
    assert found.sentence() in text
    assert "no more movement" in text
    assert "Brier score" in text
    assert "support and never replace" in text


def test_probabilities_end_at_the_day_of_the_outcome(noisy_folder: Path) -> None:
    projection = project_job(read_job(noisy_folder, EPOCH + np.timedelta64(9, "D")))
    section = projection.sections["B"]
    middle = 0.5 * (section.now + float(section.dates[-1]))
    cut = projection_until(section, middle)
    assert cut.dates[-1] == middle
    for index in range(len(section.series)):
        for share in (0.05, 0.5, 0.95):
            assert cut.final(index, share) == pytest.approx(section.at(index, middle, share), abs=1e-9)
    assert (cut.rate_dates[1] <= middle).all()
    assert cut.rate_quantiles.shape[1] == cut.rate_dates.shape[1]
    late = projection_until(section, 1e9)
    np.testing.assert_array_equal(late.quantiles, section.quantiles)


class TestWhereNothingCanBeScored:
    def test_a_record_that_is_too_short(self, noisy_folder: Path) -> None:
        early = hindcast(read_job(noisy_folder, EPOCH + np.timedelta64(4, "D")))
        assert not len(early.table)
        assert early.sentence() == (
            "No forecast of this site can be scored yet: the record is too short for a date to forecast from."
        )
        assert hindcast_csv(early) == ",".join(COLUMNS) + "\n"
        assert "nothing scored" in hindcast_text(early)

    def test_a_date_before_the_first_reading_is_told(self, noisy_folder: Path) -> None:
        none = hindcast(read_job(noisy_folder), dates=[EPOCH])
        assert not len(none.table)
        assert none.refused[0][0] == "2031-05-05T00:00:00Z"
        assert "could not be projected" in hindcast_text(none)

    def test_an_undecided_jump_and_a_new_zero_reading(self, tmp_path: Path) -> None:
        """Nobody knows what came of a prism that jumped; and what was said since another zero reading is not it."""

        def moved(section: str, place: str, days: float) -> np.ndarray:
            jump = np.array([0.0, 0.0, 15.0]) if (section, place) == ("A", "CR") and days > 14.0 else np.zeros(3)
            return noisy(section, place, days) + jump

        event = f"time,section,prism,event,note\n{instant(8.62)},B,B-CR,zero reading,declared late\n"
        folder = write_job(tmp_path / "job", {"events.csv": event}, moved=moved)
        dates = [EPOCH + np.timedelta64(round(each * 86_400), "s") for each in (8.3, 10.0)]
        found = hindcast(read_job(folder), dates=dates, coupled=False, levels=False)
        why = found.table.set_index(["date", "prisms", "measure"])["not_scored"]
        first, second = found.table["date"].unique()
        assert why[second, "A-CR", "settlement"] == "an undecided jump in what came"
        assert why[first, "B-CR", "settlement"] == "zero reading declared anew since"
        assert why[second, "B-CR", "settlement"] == ""
        assert not len(found.levels)


class TestRefused:
    def test_numbers_out_of_range(self, noisy_folder: Path) -> None:
        job = read_job(noisy_folder)
        with pytest.raises(ValueFault, match="every = 0"):
            hindcast(job, every=0.0)
        with pytest.raises(ValueFault, match="embargo = -1"):
            hindcast(job, embargo=-1.0)
        with pytest.raises(ValueFault, match="the first is after the last"):
            hindcast(job, start=EPOCH + np.timedelta64(2, "D"), end=EPOCH)

    def test_a_folder_without_a_hindcast(self, tmp_path: Path) -> None:
        with pytest.raises(ValueFault, match="To mend: make it again"):
            read_hindcast(tmp_path)
        (tmp_path / "hindcast.csv").write_text("date,section\n", encoding="utf-8")
        with pytest.raises(ValueFault, match="column tunnel is missing"):
            read_hindcast(tmp_path)

    def test_words_that_are_none_of_the_three(self, found: Hindcast) -> None:
        with pytest.raises(ValueFault, match="only = 'last'"):
            found.rows("last")  # type: ignore[arg-type]
        with pytest.raises(ValueFault, match="by = 'week'"):
            found.summary("week")  # type: ignore[arg-type]
