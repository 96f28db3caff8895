"""The daily sheet: whole, self-contained, escaped, the numbers of the outlook, and nothing that runs."""

from __future__ import annotations

import base64
import re
from dataclasses import replace
from html.parser import HTMLParser
from io import BytesIO
from pathlib import Path

import numpy as np
import pandas as pd
import pytest
from matplotlib.image import imread

from convergence.errors import JobError, ValueFault
from convergence.job.findings import finding
from convergence.report.sheet import SheetView, newly_past, sheet_html, site, state_changes, write_report
from convergence.report.sheet.markup import Markup, escape, join, keep_together, table
from convergence.report.sheet.pictures import MOST_SECTIONS
from convergence.report.sheet.ranked import ranked_table, section_table
from convergence.report.sheet.register import register
from convergence.report.sheet.settled import settled_table
from convergence.report.sheet.site import Silence, missing, noticed, silences
from convergence.report.sheet.words import MOST_ROWS, ON_ONE_READING, number, percent
from convergence.survey.job import read_job
from convergence.terms import CAUTION, WARNED
from convergence.triggers import Outlook, outlook
from tests.helpers import edited, instant, job_files, settings_text, write_job

SINCE = np.datetime64("2023-03-08T06:00:00", "ns")
#: Elements without an end tag.
VOID = {"meta", "img", "br"}


class Reader(HTMLParser):
    """Tags, ids, links and words of a page; an unbalanced page is an error."""

    def __init__(self, text: str) -> None:
        super().__init__(convert_charrefs=True)
        self.tags: list[str] = []
        self.attributes: list[tuple[str, str, str]] = []
        self.words: list[str] = []
        self._open: list[str] = []
        # what keeps a date on one line is no word of its own, and where a long name may break is none at all
        self.feed(re.sub(r'<span class="kept">([^<]*)</span>', r"\1", text.replace("<wbr>", "")))
        self.close()
        assert not self._open, f"not closed: {self._open}"

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.tags.append(tag)
        self.attributes += [(tag, name, value or "") for name, value in attrs]
        if tag not in VOID:
            self._open.append(tag)

    def handle_endtag(self, tag: str) -> None:
        assert self._open, f"</{tag}> closes nothing"
        assert self._open.pop() == tag

    def handle_data(self, data: str) -> None:
        if self._open[-1:] != ["style"]:
            self.words.append(data)

    def values(self, name: str, tag: str = "") -> list[str]:
        return [value for own, attribute, value in self.attributes if attribute == name and tag in ("", own)]

    @property
    def text(self) -> str:
        return " ".join(" ".join(self.words).split())


@pytest.fixture(scope="module")
def earlier(sample_folder: Path) -> Outlook:
    return outlook(read_job(sample_folder, SINCE))


@pytest.fixture(scope="module")
def view(early_outlook: Outlook, earlier: Outlook) -> SheetView:
    return SheetView(early_outlook, earlier, SINCE)


@pytest.fixture(scope="module")
def page(view: SheetView) -> str:
    return sheet_html(view)


@pytest.fixture(scope="module")
def busy(view: SheetView) -> SheetView:
    """The same with rows past a level and heading for one, an acceleration and a doubtful reading put in by hand."""
    outlook_ = view.outlook
    table_, passages = outlook_.table.copy(), outlook_.passages.copy()
    levelled = passages[(passages["trigger"] == "settlement") & (passages["level"] == "attention")].index[:3]
    for place, state in zip(levelled, ("past", "heading", "clear"), strict=True):
        own = passages.loc[place]
        row = table_.index[(table_["measure"] == own["measure"]) & (table_["prisms"] == own["prisms"])][0]
        table_.loc[row, ["outlook", "trigger", "level", "level_value"]] = [state, "settlement", "attention", 45.0]
        passages.loc[place, ["state", "owner", "action", "warning"]] = [
            state,
            "shift engineer",
            "read <again>",
            "raised",
        ]
        passages.loc[place, "unconfirmed"] = state == "clear"
        passages.loc[place, ["probability", "probability_1d"]] = [0.998, 0.001]
        passages.loc[place, ["crossing_early", "crossing"]] = ["2023-03-11T06:00:00Z", "2023-03-14T06:00:00Z"]
    order = table_["outlook"].map({"past": 0, "heading": 1}).fillna(2).argsort(kind="stable")
    changes = pd.DataFrame(
        # it set in days before the spell and was found within it, as accelerations are
        [
            (
                "S1110", "settlement", "S1110-CR", "acceleration", "2023-03-04T00:00:00Z", "2023-03-10T00:00:00Z",
                3.2, "mm/day2", 400.0, "quicker",
            )
        ],
        columns=[
            "section", "measure", "prisms", "kind", "time", "found", "size", "unit", "false_alarm_days", "sentence",
        ],
    )  # fmt: skip
    changed = replace(
        outlook_, table=table_.iloc[order].reset_index(drop=True), passages=passages, changes=changes
    )  # fmt: skip
    return SheetView(changed, view.earlier, view.since)


@pytest.fixture(scope="module")
def busy_page(busy: SheetView) -> str:
    return sheet_html(busy)


class TestPage:
    def test_nothing_is_fetched_and_nothing_runs(self, page: str) -> None:
        found = Reader(page)
        assert not {"script", "link", "iframe", "object", "form"} & set(found.tags)
        assert all(value.startswith("data:image/png;base64,") for value in found.values("src"))
        assert all(value.startswith("#") for value in found.values("href"))
        assert not [name for _, name, _ in found.attributes if name.startswith("on")]
        assert "default-src 'none'" in page
        assert "url(" not in page

    def test_links_lead_somewhere_and_once(self, page: str) -> None:
        found = Reader(page)
        anchors = found.values("id")
        assert len(anchors) == len(set(anchors))
        assert {value.removeprefix("#") for value in found.values("href", "a")} <= set(anchors)
        assert len(found.values("href", "a")) > 10

    def test_it_says_what_it_must(self, page: str, early_outlook: Outlook) -> None:
        text = Reader(page).text
        assert text.count(CAUTION) >= 2
        assert "Analysed at 2023-03-10 07:00 +01:00 (2023-03-10T06:00:00Z)" in text
        assert "What changed since 2023-03-08 07:00 +01:00" in text
        for title in (
            "Faces and events",
            "What asks for attention",
            "Reviewed by",
            "Along the tunnel",
            "Rows set aside",
        ):
            assert title in text
        for column in ("name", "decision", "date and time", "signature"):
            assert column in text
        for section in early_outlook.job.sections:
            assert section in text
        assert "no reading, so nothing" not in text

    def test_pictures_are_pictures_with_words(self, page: str) -> None:
        found = Reader(page)
        for data in found.values("src", "img"):
            pixels = imread(BytesIO(base64.b64decode(data.partition(",")[2])))
            assert pixels.shape[1] > 700
            assert float(pixels[..., 0].std()) > 0.05, "an empty picture"
        assert all(found.values("alt", "img"))

    def test_the_account_balances(self, page: str) -> None:
        read, used, aside, later = map(
            int,
            re.search(r"Rows read (\d+) = (\d+) used \+ (\d+) set aside \+ (\d+) later", page).groups(),  # type: ignore[union-attr]
        )
        assert read == used + aside + later
        assert later > 0

    def test_the_same_outlook_gives_the_same_page(self, view: SheetView, page: str) -> None:
        assert sheet_html(SheetView(view.outlook, view.earlier, view.since)) == page

    def test_faces_stand_where_the_log_says(self, page: str, early_outlook: Outlook) -> None:
        text = Reader(page).text
        for name, log in early_outlook.job.folder.advance.items():
            assert f"{name} {log.chainage[-1]:.2f} m" in text
        log = early_outlook.job.folder.advance["heading"]
        assert f"in {(log.time > SINCE).sum()} rounds" in text


class TestRankedTable:
    def test_numbers_are_those_of_the_outlook(self, busy: SheetView, busy_page: str) -> None:
        ranked = busy_page[busy_page.index('<table class="ranked">') :]
        text = Reader(ranked[: ranked.index("</table>") + 8]).text.replace("\N{NO-BREAK SPACE}", " ")
        row = busy.urgent.iloc[0]
        passage = busy.outlook.passages.set_index(["prisms", "trigger", "level"]).loc[
            (row["prisms"], "settlement", "attention")
        ]
        assert row["outlook"] == "past"
        assert f"{passage['value']:.1f} mm measured" in text
        assert (
            f"{row['final']:.1f} mm {row['final_low']:.1f} to {row['final_high']:.1f}".replace("-", "\N{MINUS SIGN}")
            in text
        )
        assert f"attention 45 mm {WARNED} since zero reading" in text
        names = (str(row[name]) for name in ("section", "measure", "prisms", "reason"))
        assert busy.reason(*names) in text
        assert "Acts: shift engineer: read <again>" in text
        assert "Warning: raised" in text
        assert ">99%" in text, "0.998 is not certain"
        assert "<1%" in text, "nor is 0.001 impossible"

    def test_states_come_with_sign_and_word(self, busy_page: str) -> None:
        assert '<span class="state past">\u25bc\N{NO-BREAK SPACE}past</span>' in busy_page
        assert '<span class="state heading">\u25c6\N{NO-BREAK SPACE}heading</span>' in busy_page

    def test_a_doubtful_reading_is_among_them(self, busy: SheetView) -> None:
        states = busy.urgent["outlook"].tolist()
        assert states[:2] == ["past", "heading"]
        assert "clear" in states, "its unconfirmed reading asks for attention"

    def test_an_acceleration_is_drawn(self, busy: SheetView, busy_page: str) -> None:
        assert busy.accelerating == (("S1110", "settlement crown"),)
        assert "S1110: inverse velocity of settlement crown" in busy_page
        text = Reader(busy_page).text
        assert "S1110 settlement crown, acceleration, new: quicker; found 2023-03-10 01:00" in text
        assert text.count("by chance in 400 days") == 1, "the interval of false alarms is said once"

    def test_a_change_is_told_as_long_as_the_outlook_tells_it(self, busy: SheetView) -> None:
        """Found days before the comparison: still noticed and drawn, no longer new."""
        old = busy.outlook.changes.assign(found="2023-03-05T00:00:00Z")
        seen = SheetView(replace(busy.outlook, changes=old), busy.earlier, busy.since)
        assert seen.accelerating == (("S1110", "settlement crown"),)
        page = sheet_html(seen)
        assert "S1110: inverse velocity of settlement crown" in page
        assert "S1110 settlement crown, acceleration: quicker" in Reader(page).text

    def test_a_fast_last_reading_is_listed_however_old(self, busy: SheetView) -> None:
        old = busy.outlook.changes.assign(found="2023-01-20T00:00:00Z", kind="fast reading")
        seen = SheetView(replace(busy.outlook, changes=old), busy.earlier, busy.since)
        assert seen.accelerating == ()
        assert "S1110 settlement crown, fast reading: quicker" in Reader(str(noticed(seen))).text

    def test_the_next_level_is_the_one_after_those_past(self, busy: SheetView) -> None:
        """With attention past, the line of the section tells the probability of the level after it."""
        row = busy.urgent.iloc[0]
        key = str(row["section"]), busy.label(str(row["section"]), str(row["measure"]), str(row["prisms"]))
        own = tuple(
            replace(item, past=item.place == 0, probability=1.0 if item.place == 0 else 0.37)
            for item in busy.outlook.levels[key]
        )
        changed = replace(busy.outlook, levels={**busy.outlook.levels, key: own})
        following = next(item for item in own if item.trigger.name == row["trigger"] and item.place == 1)
        told = str(section_table(SheetView(changed, busy.earlier, busy.since), ()))
        line = told[told.index(f"section-{busy.place[key[0]]}") :].split("</tr>")[0]
        assert "37%" in line
        assert following.level.name in line
        assert ">99%" not in line

    def test_a_calm_day_says_so(self, view: SheetView) -> None:
        calm = view.outlook.table.assign(outlook="clear", reason="")
        assert "Nothing is past a level" in sheet_html(SheetView(replace(view.outlook, table=calm), None, SINCE, "x"))


class TestChanges:
    def row(self, state: str, level: str = "", value: float = float("nan"), prisms: str = "P") -> dict[str, object]:
        return {
            "section": "S", "measure": "settlement", "prisms": prisms, "outlook": state, "level": level,
            "level_value": value, "reason": f"why {state}",
        }  # fmt: skip

    def test_levels_of_one_name_of_two_triggers_are_two(self) -> None:
        """From 'attention' of a movement to 'attention' of a rate is news, though the name stays."""
        before = self.row("past", "attention", 45.0) | {"trigger": "settlement"}
        after = self.row("past", "attention", 8.0) | {"trigger": "settlement rate"}
        (found,) = state_changes(pd.DataFrame([before]), pd.DataFrame([after]))
        assert (found.before, found.after) == ("past attention", "past attention of settlement rate")
        assert found.graver, "8 mm/day is not less than 45 mm: they have no common measure"

    def test_states_and_levels(self) -> None:
        pairs = [
            (self.row("clear", "low", 10.0, "A"), self.row("past", "low", 10.0, "A"), True),
            (self.row("past", "low", 10.0, "B"), self.row("past", "high", 20.0, "B"), True),
            (self.row("past", "high", 20.0, "C"), self.row("past", "low", 10.0, "C"), False),
            (self.row("clear", "low", 10.0, "D"), self.row("blind", "low", 10.0, "D"), True),
            (self.row("heading", "low", 10.0, "E"), self.row("clear", "low", 10.0, "E"), False),
            # nobody can say any more what it was heading for
            (self.row("heading", "low", 10.0, "G"), self.row("blind", "low", 10.0, "G"), True),
            # another level of a clear measure is no change
            (self.row("clear", "low", 10.0, "F"), self.row("clear", "high", 20.0, "F"), None),
        ]
        found = state_changes(pd.DataFrame([item[0] for item in pairs]), pd.DataFrame([item[1] for item in pairs]))
        told = {item.measures[0][1]: item for item in found}
        assert {name: item.graver for name, item in told.items()} == {
            "A": True, "B": True, "C": False, "D": True, "E": False, "G": True,
        }  # fmt: skip
        assert (told["B"].before, told["B"].after) == ("past low", "past high")
        assert told["D"].reason == "why blind"
        assert [item.state for item in found] == ["past", "past", "past", "blind", "blind", "clear"]

    def test_measures_that_go_the_same_way_are_told_together(self) -> None:
        before = pd.DataFrame([self.row("undetermined", prisms=name) for name in "AB"])
        after = pd.DataFrame([self.row("clear", "low", 10.0, name) for name in "ABC"])
        one, two = state_changes(before, after)
        assert {one.before: len(one.measures), two.before: len(two.measures)} == {"undetermined": 2, "not there": 1}

    def test_they_are_on_the_page(self, view: SheetView, page: str) -> None:
        assert view.changes
        text = Reader(page).text
        for item in view.changes[:5]:
            assert view.reason(item.section, *item.measures[0], item.reason) in text

    def passage(self, level: str, state: str, trigger: str = "main", prisms: str = "P") -> dict[str, object]:
        return {
            "section": "S", "measure": "settlement", "prisms": prisms, "trigger": trigger, "level": level,
            "state": state, "level_value": 10.0,
        }  # fmt: skip

    def test_every_level_newly_past_is_told(self) -> None:
        """Whichever level the state of the measure is told by: here that of another trigger, past already."""
        before = [
            self.passage("info", "past", "other"), self.passage("stop", "heading"), self.passage("alert", "past"),
        ]  # fmt: skip
        after = [
            self.passage("info", "past", "other"), self.passage("stop", "past"), self.passage("alert", "past"),
            self.passage("stop", "past", prisms="Q"), self.passage("far", "clear"),
        ]  # fmt: skip
        (found,) = newly_past(pd.DataFrame(before), pd.DataFrame(after))
        assert (found.section, found.trigger, found.level) == ("S", "main", "stop")
        assert found.measures == (("settlement", "P"), ("settlement", "Q"))

    def test_a_level_newly_past_is_on_the_page_without_a_change_of_state(self, busy: SheetView) -> None:
        """The comparison's table is today's, so no state changed; the passage is told all the same, with who acts."""
        assert busy.earlier is not None
        earlier = replace(busy.earlier, table=busy.outlook.table)
        seen = SheetView(busy.outlook, earlier, busy.since)
        assert not seen.changes
        (item,) = seen.passed
        part = sheet_html(seen).partition('id="changed"')[2].partition("</section>")[0]
        text = Reader(part[part.index("<h2>") :]).text.replace("\N{NO-BREAK SPACE}", " ")
        assert f"attention 45 mm {WARNED} , since zero reading" in text
        assert "shift engineer: read <again>" in text
        assert item.section in seen.sections_that_matter

    def test_without_an_earlier_state_it_says_why(self, view: SheetView) -> None:
        assert "nothing to compare with: because" in sheet_html(
            SheetView(view.outlook, None, SINCE, "because")
        ).replace("There is no earlier state to compare with", "nothing to compare with")


def test_prisms_late_and_blind_are_listed(view: SheetView) -> None:
    for item in silences(view):
        array = view.job.array(item.section)
        for name in item.prisms:
            own = array["read_days"].values[:, list(array["prism"].values).index(name)]
            used = array["used"].values[:, list(array["prism"].values).index(name)]
            silent = 24 * (view.job.days(view.job.now) - own[used].max()) if used.any() else np.nan
            assert not used.any() or silent <= item.hours + 1e-6
            assert item.what == "never read" or silent > 6.0


def test_what_is_past_and_silent_is_blind_and_what_is_too_young_is_not_missing(view: SheetView) -> None:
    first = view.outlook.table[view.outlook.table["measure"] == "settlement"].iloc[0]
    key = str(first["section"]), "settlement", str(first["prisms"])
    table_ = view.outlook.table.copy()

    def told(state: str, silent: tuple[tuple[str, str, str], ...]) -> list[str]:
        table_.loc[(table_["section"] == key[0]) & (table_["prisms"] == key[2]), "outlook"] = state
        seen = replace(view, outlook=replace(view.outlook, table=table_, silent=silent))
        return [item.what for item in silences(seen) if item.section == key[0] and key[2] in item.prisms]

    assert told("past", (key,)) == ["blind"]
    # read a moment ago, and so few times that nothing can be said
    assert told("blind", ()) == []


def test_a_long_list_of_silence_is_cut_and_leaves_no_section_out(
    view: SheetView, monkeypatch: pytest.MonkeyPatch
) -> None:
    sections = [f"Q{place}" for place in range(100)]
    every = tuple(
        Silence(name, "late" if place % 2 else "blind", tuple(f"{name}-{at}" for at in range(30)), 1.0, 50.0, 6.0)
        for place, name in enumerate(sections)
    )
    monkeypatch.setattr(site, "silences", lambda _: every)
    found = Reader(missing(view))
    assert found.tags.count("tr") == 1 + MOST_ROWS
    assert all(name in re.findall(r"Q\d+(?![-\d])", found.text) for name in sections)
    assert "... and 10 more sections blind: Q80, Q82" in found.text
    assert "... and 50 more sections late: Q1, Q3" in found.text
    assert "Q0-11 and 18 more" in found.text
    # blind ones first: they are graver
    assert found.text.index("Q98") < found.text.index("Q1,")


def test_a_line_of_events_stands_on_the_sheet_as_it_is_to_be_written(view: SheetView) -> None:
    """In local time, without its offset, events.csv would refuse it."""
    line = "2023-03-09T11:38:46Z,S1012,S1012-CR,prism disturbed,"
    item = finding(
        "jump",
        f"jump before 2023-03-09T11:38:46Z. This takes it out: {line}; and so on",
        section="S1012",
        prism="S1012-CR",
    )
    job = replace(view.job, findings=(*view.job.findings, item))
    text = Reader(noticed(replace(view, outlook=replace(view.outlook, job=job)))).text
    assert line in text
    assert "jump before 2023-03-09 12:38." in text


def test_what_waits_for_a_decision_is_told_before_what_does_not(view: SheetView) -> None:
    when = view.job.now - np.timedelta64(1, "h")
    told = [finding("blind spell", f"silence {place}", section="S1012", start=when, end=when) for place in range(60)]
    job = replace(view.job, findings=(*told, finding("shared spell off", "the array is off", section="S1012")))
    text = Reader(noticed(replace(view, outlook=replace(view.outlook, job=job)))).text
    assert "shared spell off, reported (to be decided): the array is off" in text
    assert "more findings" in text


def test_the_jumps_of_one_sweep_are_one_thing_to_decide(view: SheetView) -> None:
    line = "2023-03-09T11:38:46Z,S1012,,station moved,"
    told = [
        finding("shared jump", f"{name} jumps", section="S1012", prism=name, size=float(size), line=line)
        for size, name in enumerate(("P1", "P2", "P3"))
    ]
    job = replace(view.job, findings=tuple(told))
    found = Reader(noticed(replace(view, outlook=replace(view.outlook, job=job))))
    assert found.text.count("shared jump, reported (to be decided)") == 1
    assert "3 prisms jump in one sweep (P1 0.0 mm, P2 1.0 mm, P3 2.0 mm); the largest: P3 jumps" in found.text


def test_a_long_name_may_break_and_stays_whole() -> None:
    name = "unbreakable_" + "x&<" * 20
    page = keep_together(f"<p>{escape(name)} and 5 mm on 2023-03-09 06:00</p>")
    assert page.count("<wbr>") == 4
    assert page.replace("<wbr>", "").startswith(f"<p>{escape(name)} and 5\N{NO-BREAK SPACE}mm")
    assert not re.search(r"&[a-z]*<wbr>", page), "no escaped character is taken apart"
    assert "<wbr>" not in keep_together("<p>S1012-LW to S1012-RW, monitoring engineer</p>")


@pytest.fixture(scope="module")
def doubted(view: SheetView) -> SheetView:
    """The most urgent measure with a last reading that nothing confirms, put in by hand."""
    row = view.outlook.table[view.outlook.table["trigger"] != ""].iloc[0]
    section, measure, prisms = (str(row[name]) for name in ("section", "measure", "prisms"))
    change = dict.fromkeys(view.outlook.changes.columns, "") | {
        "section": section,
        "measure": measure,
        "prisms": prisms,
        "kind": "fast reading",
        "found": str(row["last_time"]),
        "time": str(row["last_time"]),
        "size": 9.0,
        "false_alarm_days": 1000.0,
        "sentence": "last reading +9.0 mm off",
    }
    levels = dict(view.outlook.levels)
    key = section, view.label(section, measure, prisms)
    levels[key] = tuple(replace(item, without_last=0.37) for item in levels[key])
    passages = view.outlook.passages.copy()
    passages["unconfirmed"] = (passages["section"] == section) & (passages["prisms"] == prisms)
    found = replace(view.outlook, changes=pd.DataFrame([change]), levels=levels, passages=passages)
    return replace(view, outlook=found)


def test_each_number_an_unconfirmed_reading_is_in_is_marked(view: SheetView, doubted: SheetView) -> None:
    assert ON_ONE_READING not in sheet_html(view)
    text = Reader(ranked_table(doubted, ())).text
    # now, rate, final and probability of one row
    assert text.count(ON_ONE_READING) == 4
    assert "without 37%" in text
    assert "nothing confirms it; it is in the numbers so marked" in Reader(sheet_html(doubted)).text
    assert ON_ONE_READING in Reader(section_table(doubted, ())).text


HOSTILE = '"><script>alert(1)</script><img src=x onerror=alert(2)>&amp;\u202e'


@pytest.fixture(scope="module")
def hostile(tmp_path_factory: pytest.TempPathFactory) -> Outlook:
    """A job whose names and notes try to act as tags."""
    files = job_files()
    changes: dict[str, str | bytes | None] = {
        name: text.replace("A-CR", "A<b>CR").replace("crown", "crown & <i>top")
        for name, text in files.items()
        if name != "tunnel.toml"
    }
    changes["tunnel.toml"] = edited(
        files["tunnel.toml"], ('"Invented"', repr(HOSTILE)), ('"attention"', "'<u>att'"), ("20.0", "2.0")
    )
    text = str(changes.get("events.csv") or "time,section,prism,event,note\n")
    last = max(line.split(",")[0] for line in files["readings.csv"].splitlines()[1:])
    quoted = HOSTILE.replace('"', '""')
    changes["events.csv"] = f'{text.rstrip()}\n{last},A,,lining sprayed,"{quoted}"\n'
    return outlook(read_job(write_job(tmp_path_factory.mktemp("hostile") / "job", changes)))


def test_names_and_notes_cannot_act(hostile: Outlook) -> None:
    page = sheet_html(SheetView(hostile, None, hostile.job.now - np.timedelta64(1, "D"), HOSTILE))
    found = Reader(page)
    assert not {"script", "u", "i"} & set(found.tags)
    assert "onerror" not in {name for _, name, _ in found.attributes}
    assert all(value.startswith("data:") for value in found.values("src"))
    assert "<script>alert(1)</script>" in found.text, "they are shown as they are"
    assert "A<b>CR" in found.text
    assert "\u202e" not in page, "nothing turns the direction of the words after it"


def test_an_odd_job_has_a_sheet(tmp_path: Path) -> None:
    """Without triggers, without chords, and with a section never read."""
    files = job_files()
    kept = {
        name: "\n".join(line for line in files[name].splitlines() if "-LW" not in line and "-RW" not in line) + "\n"
        for name in ("prisms.csv", "readings.csv")
    }
    kept["readings.csv"] = "\n".join(line for line in kept["readings.csv"].splitlines() if ",C-" not in line) + "\n"
    changes: dict[str, str | bytes | None] = {**kept, "tunnel.toml": settings_text().split("[[trigger]]")[0]}
    found = outlook(read_job(write_job(tmp_path / "job", changes)))
    text = Reader(sheet_html(SheetView(found, None, found.job.now - np.timedelta64(1, "D"), "not asked"))).text
    assert "No trigger level applies." in text
    assert "never read" in text


def hundred_sections(folder: Path) -> Path:
    """A job of a hundred sections with one prism each, read on eight days; every third moves past its level."""
    chainage = 100.0 + 10.0 * np.arange(100)
    prisms = ["prism,section,position,chainage_m,offset_m,height_m"]
    readings = ["time,prism,longitudinal_mm,transverse_mm,settlement_mm"]
    for place, at in enumerate(chainage):
        prisms.append(f"P{place:03d},S{place:03d},crown,{at},0.0,6.0")
        days = 0.2 + np.arange(8.0)
        movement = (24.0 if place % 3 else 40.0) * (1.0 - np.exp(-days / 4.0))
        for day, down in zip(days + (at - 90.0) / 4.0, movement, strict=True):
            readings.append(f"{instant(day)},P{place:03d},0.0,0.0,{down:.1f}")
    rounds = [f"{instant(day)},heading,{90.0 + 4.0 * day}" for day in np.arange(0.0, 262.0, 0.5)]
    settings = settings_text()
    bench = settings[settings.index('[[stage]]\nname = "bench"') : settings.index("[projection]")]
    files = {
        "tunnel.toml": edited(settings, (bench, "")),
        "prisms.csv": "\n".join(prisms) + "\n",
        "readings.csv": "\n".join(readings) + "\n",
        "advance.csv": "\n".join(["time,stage,chainage_m", *rounds]) + "\n",
    }
    for name, text in files.items():
        folder.mkdir(parents=True, exist_ok=True)
        (folder / name).write_text(text, encoding="utf-8")
    return folder


def test_a_hundred_sections_open_at_once(tmp_path: Path) -> None:
    """Under 2 MB, for only the most urgent sections have figures; every section has its line."""
    found = outlook(read_job(hundred_sections(tmp_path / "job")))
    assert found.counts["past"] >= 30
    page = sheet_html(SheetView(found, None, found.job.now - np.timedelta64(1, "D"), "not asked"))
    assert len(page.encode()) < 2e6
    assert page.count('<section class="one"') == MOST_SECTIONS
    text = Reader(page).text
    assert "more sections that matter are not on this page" in text
    assert "more that ask for attention" in text
    assert all(f"S{place:03d}" in text for place in range(100))


class TestWords:
    def test_no_line_ends_in_a_date_or_before_a_unit(self) -> None:
        told = keep_together(
            '<p id="2031-05-04">since 2031-05-04T06:10Z, 2031-05-04 08:10 +02:00: 45 mm &gt; 8 mm/day</p>'
        )
        assert told == (
            '<p id="2031-05-04">since <span class="kept">2031-05-04T06:10Z</span>, '
            '<span class="kept">2031-05-04 08:10 +02:00</span>: 45\u00a0mm &gt; 8\u00a0mm/day</p>'
        )

    def test_every_date_of_a_page_is_kept_whole(self, busy_page: str) -> None:
        body = re.sub(r'<span class="kept">[^<]*</span>|src="[^"]*"|alt="[^"]*"', "", busy_page.partition("<body>")[2])
        assert not re.findall(r"\d{4}-\d\d-\d\d", body)

    def test_amounts_stand_in_the_unit_and_with_the_digits_of_their_trigger(self, busy: SheetView) -> None:
        first = busy.urgent.iloc[0]
        passages = busy.outlook.passages
        own = (passages["prisms"] == first["prisms"]) & (passages["level"] == "attention")
        passages = passages.assign(
            level_text=passages["level_text"].where(~own, "0.35 %"),
            value_text=passages["value_text"].where(~own, "-0.312 %"),
        )
        page = sheet_html(SheetView(replace(busy.outlook, passages=passages), None, SINCE, "x"))
        text = Reader(page).text
        for part in ("What asks for attention", "Levels within reach"):
            told = text[text.rindex(part) :][:3000]
            assert "attention 0.35 %" in told
            assert "\N{MINUS SIGN}0.312 %" in told


class TestWarnings:
    def test_a_raised_level_is_marked_in_every_table(self, busy: SheetView) -> None:
        key = (
            str(busy.urgent.iloc[0]["section"]),
            busy.label(*map(str, busy.urgent.iloc[0][["section", "measure", "prisms"]])),
        )
        levels = {
            name: tuple(replace(item, warning="it was raised") for item in items) if name == key else items
            for name, items in busy.outlook.levels.items()
        }
        passages = busy.outlook.passages.assign(warning="it was raised")
        page = sheet_html(SheetView(replace(busy.outlook, levels=levels, passages=passages), None, SINCE, "x"))
        for anchor in ("ranked", "reach", "levels", "sections"):
            part = page[page.index(f'id="{anchor}"') :].partition("</section>")[0]
            assert WARNED in part, anchor
            assert anchor == "sections" or "it was raised" in part, anchor


class TestSettled:
    def test_refusals_are_told_with_their_reason(self, view: SheetView) -> None:
        table_ = view.outlook.settled.copy()
        section = str(table_["section"].iloc[0])
        own = table_.index[table_["section"] == section]
        table_["sentence"], table_["probability"] = "not judged: bench has no round yet", np.nan
        table_.loc[own[0], ["sentence", "probability"]] = ["0.02±0.03 mm/day over 7 days, 97% that it is under", 0.97]
        limit = replace(view.outlook, settled=table_)
        text = Reader(str(settled_table(SheetView(limit, None, SINCE, "x")))).text
        assert f"{section} 97% settlement crown 0.02±0.03 mm/day" in text
        table_.loc[own[1], ["sentence", "probability"]] = ["0.11±0.03 mm/day over 7 days, 40% that it is under", 0.4]
        two = Reader(str(settled_table(SheetView(replace(view.outlook, settled=table_), None, SINCE, "x")))).text
        label = view.label(section, str(table_.loc[own[1], "measure"]), str(table_.loc[own[1], "prisms"]))
        assert f"{section} 40% 97% settlement crown, {label} {label}: 0.11±0.03 mm/day" in two, "the least speaks"
        assert text.index("97%") < text.index("refused bench") if "refused bench" in text else True
        assert text.count("bench has no round yet") == len(view.job.sections), "a line for each section"
        assert "not judged" not in text

    def test_one_reason_for_all_is_told_once(self, view: SheetView) -> None:
        why = "not judged: the job gives no [settled] limit"
        none = replace(view.outlook, settled=view.outlook.settled.assign(sentence=why, probability=np.nan))
        text = Reader(str(settled_table(SheetView(none, None, SINCE, "x")))).text
        assert text.strip() == f"No measure is called settled, {why}."


class TestWriteReport:
    def test_from_a_job_with_the_day_before(self, cut_folder: Path, tmp_path: Path) -> None:
        job = read_job(cut_folder, "2023-04-01T06:00:00Z")
        file = write_report(job, tmp_path / "new" / "sheet.html", past_dates=0)
        assert file == tmp_path / "new" / "sheet.html"
        text = Reader(file.read_text(encoding="utf-8")).text
        assert "What changed since 2023-03-31 08:00 +02:00" in text
        assert "There is no earlier state" not in text
        assert [path.name for path in file.parent.iterdir()] == ["sheet.html"], "nothing half-written is left"

    def test_a_young_job_has_no_day_before(self, cut_folder: Path, tmp_path: Path) -> None:
        first = read_job(cut_folder).raw["time"].min().to_datetime64()
        job = read_job(cut_folder, first + np.timedelta64(20, "h"))
        text = Reader(write_report(job, tmp_path / "sheet.html").read_text(encoding="utf-8")).text
        assert "There is no earlier state to compare with: " in text

    def test_an_instant_asked_for_must_do(self, cut_folder: Path, tmp_path: Path) -> None:
        job = read_job(cut_folder, "2023-04-01T06:00:00Z")
        with pytest.raises(ValueFault, match="To mend"):
            write_report(job, tmp_path / "a.html", since="yesterday")
        with pytest.raises(ValueFault, match="before the analysis"):
            write_report(job, tmp_path / "a.html", since="2023-04-02T06:00:00Z")
        found = outlook(job)
        with pytest.raises(JobError):
            write_report(found, tmp_path / "a.html", since="2020-01-01T06:00:00Z")
        assert not (tmp_path / "a.html").exists()


class TestMarkup:
    def test_only_markup_is_left_as_it_is(self) -> None:
        assert escape("<&\"'>") == "&lt;&amp;&quot;&#x27;&gt;"
        assert escape(Markup("<b>")) == "<b>"
        assert join(["<", Markup("<br>")]) == "&lt;<br>"
        assert "\x00" not in escape("a\x00b")

    def test_every_cell_is_escaped(self) -> None:
        found = table(["<h>"], [["<c>"]], under=["<u>"], anchors=['"x'], kind="<k>")
        assert not {"h", "c", "u", "k"} & set(Reader(found).tags)

    @pytest.mark.parametrize(
        ("value", "told"),
        [(-0.04, "0.0"), (-1.25, "\N{MINUS SIGN}1.2"), (float("nan"), "\N{EN DASH}"), ("", "\N{EN DASH}")],
    )
    def test_numbers(self, value: object, told: str) -> None:
        assert number(value) == told

    @pytest.mark.parametrize(
        ("value", "told"),
        [(0.0, "0%"), (0.001, "<1%"), (0.5, "50%"), (0.999, ">99%"), (1.0, "100%"), (float("nan"), "\N{EN DASH}")],
    )
    def test_probabilities_are_never_rounded_to_certainty(self, value: float, told: str) -> None:
        assert percent(value) == told


REGISTER = """[[trigger]]
name = "young shell"
measure = "settlement"
positions = ["crown"]
range = {stage = "heading", from_m = 2.0, to_m = 20.0}
confirm = "3 of 4"
heading_from = 0.8
owner = "shift engineer"
action = "read <again>"
levels = [{name = "attention", value_in = 0.5}, {name = "stop", value_mm = 60.0}]
[[trigger.revisions]]
date = 2031-05-04T22:30:00Z
by = "D. E."
reason = "measured beside it"
levels = [{name = "attention", value_in = 0.75}]
[[trigger.revisions]]
date = 2031-05-06T06:00:00Z
by = "F. G."
reason = ""
levels = [{name = "stop", value_mm = 50.0}]

[[trigger]]
name = "far"
measure = "settlement"
levels = [{name = "far", value_mm = 400.0}]
"""


def test_the_register_tells_each_trigger_whole(tmp_path: Path) -> None:
    """Range, rule, owner, action, and every revision with its date, author and reason."""
    settings = settings_text().split("[[trigger]]")[0] + REGISTER
    found = outlook(read_job(write_job(tmp_path / "job", {"tunnel.toml": settings})))
    view_ = SheetView(found, None, found.job.now - np.timedelta64(1, "D"), "not asked")
    text = Reader(str(register(view_))).text.replace("\N{NO-BREAK SPACE}", " ")
    assert "young shell settlement, movement; crown zero reading attention 0.75 in = 19.05 mm stop 50 mm" in text
    assert "from 2 to 20 m past the heading face 3 of 4 readings 80% shift engineer read <again>" in text
    first = view_.clock.words("2031-05-04T22:30Z")
    assert re.search(
        rf"Revised {re.escape(first)} .{{6}} by D. E.: attention from 0.5 in = 12.7 mm to 0.75 in = 19.05 mm; "
        "reason: measured beside it",
        text,
    )
    assert "by F. G.: stop from 60 mm to 50 mm; reason: no reason recorded" in text
    assert "far settlement, movement zero reading far 400 mm always 2 of 3 readings usual rule" in text


def test_reasons_tell_local_dates(view: SheetView) -> None:
    """The job's zone is an hour ahead in winter, so an instant late in the evening is of the next day."""
    row = view.outlook.passages.iloc[0]
    passages = view.outlook.passages.assign(
        crossing=["2023-03-14T23:30:00Z"] + [""] * (len(view.outlook.passages) - 1),
        crossing_early="2023-03-11T06:00:00Z",
        crossing_late="",
    )
    seen = SheetView(replace(view.outlook, passages=passages), None, SINCE, "x")
    words = "past low since 2023-03-09T23:10Z; 60%, about 2023-03-14 (early 2023-03-11, late not within the horizon)"
    assert seen.reason(row["section"], row["measure"], row["prisms"], words) == (
        "past low since 2023-03-10 00:10; 60%, about 2023-03-15 (early 2023-03-11, late not within the horizon)"
    )
