"""The printed table and outlook.csv: fixed columns, every row, widths kept, datum and caution said."""

from __future__ import annotations

import csv
import io
from dataclasses import replace

import pandas as pd
import pytest

from convergence.report import outlook_csv, outlook_text
from convergence.report.table import COLUMN_DECIMALS
from convergence.terms import CAUTION
from convergence.triggers import COLUMNS, Outlook
from convergence.triggers.states import STATES

#: What may be empty, and where that is said: the design has no other empty cells.
MAY_BE_EMPTY = {
    "zero_time": "never read",
    "last_time": "never read",
    "measured": "never read",
    "rate_per_day": "fewer than two readings in the window",
    "lost": "not projected, or along the axis, where it is not known",
    "final": "not projected",
    "final_low": "not projected",
    "final_high": "not projected",
    "trigger": "no trigger applies",
    "level": "no trigger applies",
    "level_value": "no trigger applies",
    "probability": "no trigger applies",
    "crossing": "not expected",
    "crossing_early": "not expected",
    "crossing_late": "not expected",
}


@pytest.fixture(scope="module")
def rows(early_outlook: Outlook) -> list[dict[str, str]]:
    return list(csv.DictReader(io.StringIO(outlook_csv(early_outlook))))


class TestCsv:
    def test_columns_in_their_order(self, early_outlook: Outlook) -> None:
        assert outlook_csv(early_outlook).splitlines()[0].split(",") == list(COLUMNS)

    def test_every_row(self, early_outlook: Outlook, rows: list[dict[str, str]]) -> None:
        assert len(rows) == len(early_outlook.table)
        assert [row["section"] for row in rows] == early_outlook.table["section"].tolist()

    def test_empty_only_where_it_is_said(self, rows: list[dict[str, str]]) -> None:
        for row in rows:
            empty = {name for name, value in row.items() if value == ""}
            assert empty <= set(MAY_BE_EMPTY)
            if row["readings_used"] != "0":
                never = {"zero_time", "last_time", "measured", "final", "final_low", "final_high"}
                assert not empty & never
                assert ("lost" in empty) == (row["measure"] == "longitudinal")
            if row["trigger"] == "":
                assert row["outlook"] in ("undetermined", "blind")
                assert "no trigger level" in row["reason"] or row["outlook"] == "blind" or "not yet" in row["reason"]
            else:
                assert row["level"]
                assert row["level_value"]
                assert row["probability"]
            if row["crossing"] == "" and row["trigger"]:
                assert "not expected" in row["reason"]

    def test_numbers_have_their_decimals_and_no_minus_zero(self, rows: list[dict[str, str]]) -> None:
        for row in rows:
            for name, decimals in COLUMN_DECIMALS.items():
                if row[name]:
                    assert len(row[name].partition(".")[2]) == decimals
                    assert row[name].strip("-0.") or not row[name].startswith("-"), f"{name} = {row[name]}"
                    float(row[name])

    def test_a_small_minus_is_no_minus_zero(self, early_outlook: Outlook) -> None:
        table = early_outlook.table.assign(measured=-0.0004, rate_per_day=-0.0001)
        found = list(csv.DictReader(io.StringIO(outlook_csv(replace(early_outlook, table=table)))))
        assert {(row["measured"], row["rate_per_day"]) for row in found} == {("0.00", "0.000")}
        assert " -0.0" not in outlook_text(replace(early_outlook, table=table))

    def test_no_computer_words(self, rows: list[dict[str, str]]) -> None:
        assert not {"nan", "NaN", "None", "inf", "NaT", "True", "False"} & {
            value for row in rows for value in row.values()
        }

    def test_reasons_with_commas_are_one_cell(self, early_outlook: Outlook, rows: list[dict[str, str]]) -> None:
        assert any("," in row["reason"] for row in rows)
        # a reason may begin with a minus, and then has an apostrophe before it
        assert [row["reason"].removeprefix("'") for row in rows] == early_outlook.table["reason"].tolist()

    def test_times_are_instants(self, rows: list[dict[str, str]]) -> None:
        for row in rows:
            for name in ("zero_time", "last_time", "crossing", "crossing_early", "crossing_late"):
                if row[name]:
                    assert row[name].endswith("Z")
                    assert pd.Timestamp(row[name]).tzinfo is not None

    def test_text_is_no_formula(self, early_outlook: Outlook) -> None:
        """Text that begins as a formula would gets an apostrophe; numbers keep their sign."""
        named = early_outlook.table.assign(section="=1+1", level="@sum", reason="-2 mm", measured=-3.0, prisms="A-B")
        (row, *_) = csv.DictReader(io.StringIO(outlook_csv(replace(early_outlook, table=named))))
        assert [row[name] for name in ("section", "level", "reason")] == ["'=1+1", "'@sum", "'-2 mm"]
        assert (row["measured"], row["prisms"]) == ("-3.00", "A-B")

    def test_lines_end_the_same_on_every_machine(self, early_outlook: Outlook) -> None:
        assert "\r" not in outlook_csv(early_outlook)
        assert outlook_csv(early_outlook).endswith("\n")


class TestText:
    @pytest.mark.parametrize("width", [80, 100, 120, 160])
    def test_it_fits_the_width(self, sample_outlook: Outlook, early_outlook: Outlook, width: int) -> None:
        for found in (sample_outlook, early_outlook):
            assert max(map(len, outlook_text(found, width).splitlines())) <= width

    def test_it_says_what_the_numbers_are(self, sample_outlook: Outlook) -> None:
        text = outlook_text(sample_outlook, 120)
        assert "movements in mm since the zero reading" in text
        assert "final at 365 days after the first stage's passage, 90% band" in text
        assert "outlook at 2023-05-20T" in text
        assert " ".join(CAUTION.split()) in " ".join(text.split())

    def test_rows_read_balance(self, sample_outlook: Outlook) -> None:
        line = next(line for line in outlook_text(sample_outlook, 160).splitlines() if line.startswith("rows read"))
        read, used, aside = (int(line.split(word)[1].split()[0].strip(";")) for word in ("read ", "used ", "aside "))
        assert read == used + aside
        assert read > 29_000

    def test_states_are_told_by_mark_and_word(self, sample_outlook: Outlook) -> None:
        lines = outlook_text(sample_outlook, 120).splitlines()
        past = [line for line in lines if line.startswith("!! past")]
        assert len(past) == sample_outlook.counts["past"]
        assert [line for line in lines if line.startswith("?? blind")]
        assert len({state.mark.strip() or "-" for state in STATES.values()}) == len(STATES)

    def test_numbers_stand_under_their_heads(self, sample_outlook: Outlook) -> None:
        lines = outlook_text(sample_outlook, 160).splitlines()
        head = next(line for line in lines if " measured " in line)
        row = lines[lines.index(head) + 1]
        measured = f"{sample_outlook.table.iloc[0]['measured']:.1f}"
        for name, value in (("measured", measured), ("high)", ".")):
            end = head.index(name) + len(name)
            assert row[end - 1].isdigit(), f"{name} ends at {end}: {row}"
            assert value in row[:end]

    def test_a_narrow_table_keeps_what_matters(self, sample_outlook: Outlook) -> None:
        head = next(line for line in outlook_text(sample_outlook, 80).splitlines() if " measured " in line)
        for name in ("state", "section", "measure", "final", "(low", "high)", "level"):
            assert name in head

    def test_every_section_is_named(self, sample_outlook: Outlook, early_outlook: Outlook) -> None:
        for found in (sample_outlook, early_outlook):
            text = outlook_text(found, 120)
            assert [section for section in found.job.sections if section not in text] == []

    def test_what_is_not_shown_is_counted(self, sample_outlook: Outlook) -> None:
        assert "... and" in outlook_text(sample_outlook, 120, most=3)

    def test_nothing_urgent_is_said_so(self, early_outlook: Outlook) -> None:
        calm = early_outlook.table[early_outlook.table["outlook"].isin(["clear", "undetermined"])]
        text = outlook_text(replace(early_outlook, table=calm.reset_index(drop=True)), 120)
        assert "nothing past, heading or blind" in text

    def test_a_reading_alone_beyond_a_level_is_shown(self, early_outlook: Outlook) -> None:
        """No alarm and no all-clear: it stands among the rows that ask for attention."""
        table = early_outlook.table.copy()
        place = table.index[table["outlook"] == "clear"][5]
        table.loc[place, "outlook"] = "undetermined"
        table.loc[place, "reason"] = "1 of the last 3 readings beyond alert, unconfirmed (2 needed): read again now"
        lines = outlook_text(replace(early_outlook, table=table), 120).splitlines()
        line = lines.index(next(line for line in lines if "read again now" in line))
        assert lines[line - 1].startswith("?  undetermined")
        assert str(table.loc[place, "prisms"]) in lines[line - 1]
        assert line < lines.index("clear, the measure nearest to its level in each section:")

    def test_a_level_is_shown_in_its_own_unit_and_marked_where_it_was_raised(self, early_outlook: Outlook) -> None:
        passages = early_outlook.passages.assign(level_text="0.35 %", warning="level attention was raised")
        told = outlook_text(replace(early_outlook, passages=passages), 160)
        assert "attention 0.35 % (!)" in told
        assert told.count("(!) level attention was raised") == 1, "the sentence stands once, below the table"
        assert "(!)" not in outlook_text(early_outlook, 160)

    def test_long_names_are_cut_and_not_the_numbers(self, sample_outlook: Outlook) -> None:
        table = sample_outlook.table.assign(
            prisms=sample_outlook.table["prisms"] + "-with-a-name-longer-than-any-table"
        )
        text = outlook_text(replace(sample_outlook, table=table), 100)
        assert max(map(len, text.splitlines())) <= 100
        line = next(line for line in text.splitlines() if line.startswith("!! past"))
        assert ".." in line
        first = sample_outlook.table.iloc[0]
        assert f"{first['level']} {first['level_value']:g}" in line
