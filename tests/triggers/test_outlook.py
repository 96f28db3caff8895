"""The outlook table: a row for each section and measure, ranked, with nothing missing and nothing empty in silence."""

from __future__ import annotations

import csv
import io
import pickle
import shutil
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path

import numpy as np
import pandas as pd
import pytest

from convergence.measures import measure_tunnel
from convergence.report import outlook_text
from convergence.survey.job import Job, read_job
from convergence.terms import CAUTION
from convergence.triggers import COLUMNS, STATES, Outlook, outlook
from convergence.triggers.changes import COLUMNS as CHANGE_COLUMNS
from convergence.triggers.csv_text import table_csv
from convergence.triggers.passages import COLUMNS as PASSAGE_COLUMNS
from convergence.triggers.settled import COLUMNS as SETTLED_COLUMNS
from convergence.triggers.standing import LIKELY

CutSample = Callable[[Path, tuple[str, ...]], Path]
DATE = "2023-04-01T06:00:00Z"
#: As the design of the table fixes them, in order.
FIXED = (
    "section, chainage_m, measure, prisms, stage, zero_time, last_time, readings_used, readings_set_aside, "
    "face_distance_m, measured, rate_per_day, lost, final, final_low, final_high, fit_status, law, trigger, level, "
    "level_value, probability, crossing, crossing_early, crossing_late, outlook, reason"
)


@pytest.fixture(scope="module")
def small_folder(cut_sample: CutSample, tmp_path_factory: pytest.TempPathFactory) -> Path:
    return cut_sample(tmp_path_factory.mktemp("outlook") / "job", ("S1172", "S1184"))


def rewritten(folder: Path, target: Path, change: Callable[[str], str]) -> Path:
    """A copy of a job with its settings changed."""
    shutil.copytree(folder, target)
    settings = target / "tunnel.toml"
    settings.write_text(change(settings.read_text(encoding="utf-8")), encoding="utf-8")
    return target


def test_columns_are_those_of_the_design(early_outlook: Outlook) -> None:
    assert ", ".join(early_outlook.table.columns) == FIXED
    assert ", ".join(COLUMNS) == FIXED


def test_a_row_for_each_section_and_measure(early_outlook: Outlook, early_job: Job) -> None:
    wanted = [(item.section, item.measure, item.prisms) for item in measure_tunnel(early_job)]
    table = early_outlook.table
    found = list(zip(table["section"], table["measure"], table["prisms"], strict=True))
    assert len(set(found)) == len(found)
    assert sorted(found) == sorted(wanted)


def test_no_row_is_silent(early_outlook: Outlook) -> None:
    table = early_outlook.table
    assert (table["reason"].str.len() > 20).all()
    assert set(table["outlook"]) <= set(STATES)
    assert set(table["fit_status"]) <= {"solved", "at bound", "not separable", "too few readings", "failed"}
    assert not table["reason"].str.contains("nan").any()
    read = table["readings_used"] > 0
    for name in ("measured", "final", "final_low", "final_high", "face_distance_m"):
        assert np.isfinite(table.loc[read, name].astype(float)).all(), name
    unknown = read & table["lost"].astype(float).isna()
    assert (unknown == (read & table["measure"].eq("longitudinal"))).all()
    assert table.loc[unknown, "reason"].str.contains("lost before the zero reading is not known").all()
    assert table.loc[~read, "fit_status"].eq("too few readings").all()
    assert table.loc[~read, ["measured", "final"]].isna().all(axis=None)


def test_bounds_hold_the_middle(early_outlook: Outlook) -> None:
    table = early_outlook.table[early_outlook.table["readings_used"] > 0]
    assert (table["final_low"] < table["final"]).all()
    assert (table["final"] < table["final_high"]).all()


def test_crossings_come_in_order(sample_outlook: Outlook) -> None:
    """Early, middle, late, as far as each is given; none after the horizon, none without a probability."""
    table = sample_outlook.table
    for row in table[table["crossing"] != ""].to_dict("records"):
        assert row["crossing_early"] <= row["crossing"]
        assert row["crossing_late"] == "" or row["crossing"] <= row["crossing_late"]
        assert row["probability"] >= 0.5
    assert (table.loc[table["crossing"] == "", "probability"].dropna() < 0.5).all()
    assert (table["crossing"] != "").sum() >= 5


def test_a_state_says_what_its_level_says(sample_outlook: Outlook) -> None:
    table = sample_outlook.table
    assert (table.loc[table["outlook"] == "past", "probability"] == 1.0).all()
    assert (table.loc[table["outlook"] == "heading", "probability"] >= 0.5).all()
    assert (table.loc[table["outlook"] == "clear", "probability"] < 0.5).all()
    for row in table[table["outlook"].isin(["past", "heading", "clear"])].to_dict("records"):
        assert row["trigger"]
        assert row["level"]
        assert f"{row['level_value']:g}" in row["reason"]


def test_rows_are_ranked(sample_outlook: Outlook, early_outlook: Outlook) -> None:
    """Past, heading, likelier than not, blind, a level in doubt, clear, and last what has no level to stand against."""
    ranks = {"past": 0, "heading": 1, "blind": 3, "undetermined": 4, "clear": 5}
    for found in (sample_outlook, early_outlook):
        rows = zip(*(found.table[name] for name in ("outlook", "probability", "reason")), strict=True)
        order = [_place(ranks, *row) for row in rows]
        assert order == sorted(order)


def _place(ranks: dict[str, int], state: str, probability: float, reason: str) -> int:
    if state != "undetermined":
        return ranks[state]
    if np.isnan(probability):
        return 6
    return 2 if probability >= LIKELY and "without that" not in reason else ranks[state]


def test_counts_add_up(early_outlook: Outlook) -> None:
    assert list(early_outlook.counts) == list(STATES)
    assert sum(early_outlook.counts.values()) == len(early_outlook.table)


def test_its_repr_tells_the_date_and_the_states(early_outlook: Outlook) -> None:
    assert "2023-03-10T06:00:00Z" in repr(early_outlook)
    assert "clear" in repr(early_outlook)
    page = early_outlook._repr_html_()
    assert "since the zero reading" in page
    assert CAUTION in page


def test_it_pickles(early_outlook: Outlook) -> None:
    back = pickle.loads(pickle.dumps(early_outlook))
    assert back.table.equals(early_outlook.table)


def test_every_level_of_every_trigger_is_kept(early_outlook: Outlook) -> None:
    levels = early_outlook.levels["S1082", "settlement crown"]
    assert [(item.trigger.name, item.level.name) for item in levels] == [
        ("settlement", "attention"),
        ("settlement", "alert"),
        ("settlement", "stop and review"),
        ("settlement rate", "attention"),
        ("settlement rate", "alert"),
        ("bench passing", "slow the bench"),
        ("bench passing", "halt the bench"),
        ("whole crown settlement", "clearance at risk"),
        ("whole crown settlement", "clearance used up"),
        ("off the design", "off course"),
        ("off the design", "far off course"),
    ]
    assert early_outlook.levels["S1082", "transverse crown"] == ()


def test_an_undeclared_jump_is_told_where_it_counts(sample_outlook: Outlook) -> None:
    """S1136-RW was knocked (truth/faults.csv: F01): its rows and its chord say so, the crown's do not."""
    table = sample_outlook.table[sample_outlook.table["section"] == "S1136"]
    told = table["reason"].str.contains("unconfirmed jump of 2")
    assert table.loc[told, "prisms"].str.contains("S1136-RW").all()
    assert told.sum() == table["prisms"].str.contains("S1136-RW").sum() >= 4


def test_one_false_reading_is_no_alarm(small_folder: Path, tmp_path: Path) -> None:
    """A last reading 60 mm down, alone: past nothing, but asked for again."""
    folder = rewritten(small_folder, tmp_path / "job", lambda text: text)
    rows = (folder / "readings" / "2023-03.csv").read_text(encoding="utf-8").splitlines()
    head = rows[0].split(",")
    last = dict(zip(head, next(row for row in reversed(rows) if "S1184-CR" in row).split(","), strict=True))
    last["time"], last["elevation_m"] = "2023-04-01T05:59:00Z", f"{float(last['elevation_m']) - 0.060:.4f}"
    with (folder / "readings" / "later.csv").open("w", encoding="utf-8", newline="") as stream:
        writer = csv.DictWriter(stream, head)
        writer.writeheader()
        writer.writerow(last)
    found = outlook(read_job(folder, DATE))
    table = found.table
    row = table[(table["prisms"] == "S1184-CR") & (table["measure"] == "settlement")].iloc[0]
    assert row["measured"] > 60.0
    assert row["outlook"] != "past"
    assert row["outlook"] != "clear"
    assert "1 of the last 3 readings beyond" in row["reason"]
    assert "read again now" in row["reason"]
    assert "S1184-CR" in outlook_text(found, 120), "and the printed table shows it"


def test_without_triggers_nothing_is_clear(small_folder: Path, tmp_path: Path) -> None:
    folder = rewritten(small_folder, tmp_path / "job", lambda text: text[: text.index("[[trigger]]")])
    table = outlook(read_job(folder, DATE)).table
    assert set(table["outlook"]) <= {"undetermined", "blind"}
    read = (table["outlook"] == "undetermined") & (table["readings_used"] > 0)
    assert table.loc[read, "reason"].str.contains("no trigger level for").all()
    assert np.isfinite(table.loc[table["readings_used"] > 0, "final"]).all()


def test_without_chords_named_all_level_pairs_are_rows(small_folder: Path, tmp_path: Path) -> None:
    def without(text: str) -> str:
        return text[: text.index("[[chord]]")] + text[text.index("[calendar]") :]

    job = read_job(rewritten(small_folder, tmp_path / "job", without), DATE)
    chords = [item.label for item in measure_tunnel(job) if item.measure == "chord" and item.section == "S1172"]
    assert "chord left wall:right wall" in chords
    assert "chord left shoulder:right shoulder" in chords


def test_without_a_face_log_readings_are_still_judged(small_folder: Path) -> None:
    """Nothing can be projected, and the rows say so; what was read still counts against the levels."""
    job = read_job(small_folder, DATE)
    bare = replace(job, folder=replace(job.folder, advance={}))
    table = outlook(bare).table
    assert table.loc[table["readings_used"] > 0, "fit_status"].isin(["failed", "too few readings"]).all()
    assert table["final"].isna().all()
    assert table["reason"].str.contains("no face log").sum() > 0
    assert set(table["outlook"]) <= {"undetermined", "blind", "past"}


def test_a_trigger_since_excavation_counts_the_lost_part(small_folder: Path, tmp_path: Path) -> None:
    both = [
        read_job(rewritten(small_folder, tmp_path / name, lambda text, s=since: text.replace("zero reading", s)), DATE)
        for name, since in (("one", "zero reading"), ("two", "excavation"))
    ]
    first = outlook(both[0])
    second = outlook(both[1], projection=first.projection)
    section = first.projection.sections["S1172"]
    lost = section.lost[section.index("settlement crown")]
    one, two = (found.levels["S1172", "settlement crown"][0] for found in (first, second))
    assert lost > 5.0
    assert two.value == pytest.approx(one.value + lost)
    assert two.probability >= one.probability


def test_a_section_not_yet_reached(sample_outlook: Outlook, early_outlook: Outlook) -> None:
    early = early_outlook.table[early_outlook.table["section"] == "S1300"]
    assert (early["outlook"] == "undetermined").all()
    assert early["reason"].str.startswith("not yet excavated: the heading face is").all()
    assert early["law"].eq("none").all()
    late = sample_outlook.table[sample_outlook.table["section"] == "S1300"]
    assert (late["readings_used"] > 0).any()


def test_every_level_has_a_passage_row(early_outlook: Outlook) -> None:
    """The columns other parts rely on; a row for each level of each measure, as the levels kept beside it say."""
    passages = early_outlook.passages
    assert tuple(passages.columns) == PASSAGE_COLUMNS
    assert len(passages) == sum(len(items) for items in early_outlook.levels.values())
    assert set(passages["state"]) <= set(STATES)
    assert set(passages["quantity"]) == {"movement", "rate", "deviation"}
    assert passages["unconfirmed"].dtype == bool
    assert (passages["reason"] != "").all()


def test_passages_say_what_the_table_says(sample_outlook: Outlook) -> None:
    """The level a row of the table is about stands among the passages with the same state, chance and dates."""
    passages = sample_outlook.passages.set_index(["section", "measure", "prisms", "trigger", "level"])
    rows = sample_outlook.table[sample_outlook.table["trigger"] != ""]
    for row in rows.to_dict("records"):
        found = passages.loc[(row["section"], row["measure"], row["prisms"], row["trigger"], row["level"])]
        assert found["crossing"] == row["crossing"]
        assert found["probability"] == pytest.approx(row["probability"], nan_ok=True)
        if row["outlook"] != "undetermined":
            assert found["state"] == row["outlook"]


def test_sooner_is_never_likelier(sample_outlook: Outlook) -> None:
    chances = sample_outlook.passages[["probability_1d", "probability_3d", "probability_7d", "probability"]].dropna()
    assert len(chances) > 50
    # a horizon that ends within the days counts for all of them
    assert (np.diff(chances.to_numpy(), axis=1) >= -1e-9).all()


def test_passages_are_ranked_and_tell_their_lead(sample_outlook: Outlook) -> None:
    passages = sample_outlook.passages
    heading = passages[passages["state"] == "heading"]
    assert (heading["lead_days"] >= 0).all()
    assert (heading["stage"] != "").all()
    order = [list(STATES).index(state) for state in passages["state"] if state in ("past", "heading")]
    assert order == sorted(order)
    assert (passages.loc[passages["crossing"] == "", "lead_days"].isna()).all()


def test_changes_and_settled_have_their_columns(sample_outlook: Outlook) -> None:
    assert tuple(sample_outlook.changes.columns) == CHANGE_COLUMNS
    assert tuple(sample_outlook.settled.columns) == SETTLED_COLUMNS
    assert len(sample_outlook.settled) == len(sample_outlook.table)
    judged = sample_outlook.settled["probability"].notna()
    assert set(sample_outlook.settled.loc[judged, "section"]) == {
        section for section in sample_outlook.job.sections if section <= "S1136"
    }, "every stage is out of reach of these"
    assert sample_outlook.settled.loc[~judged, "sentence"].str.startswith("not judged").all()


def test_text_of_a_table_is_no_formula() -> None:
    table = pd.DataFrame({"owner": ["+41", "=x", "shift"], "value": [-1.0, 2.0, float("nan")], "unconfirmed": True})
    assert table_csv(table).splitlines()[1:] == ["'+41,-1.0,True", "'=x,2.0,True", "shift,,True"]


def test_tables_as_csv(sample_outlook: Outlook) -> None:
    """Numbers to four decimals and empty cells for what is not known; what is read back is what was there."""
    for table in (sample_outlook.passages, sample_outlook.settled, sample_outlook.changes):
        text = table_csv(table)
        assert "nan" not in text.lower()
        assert "-0.0," not in text
        back = pd.read_csv(io.StringIO(text))
        assert list(back.columns) == list(table.columns)
        assert len(back) == len(table)
