"""``[[trigger]]``, ``[[expected]]`` and ``[settled]``: every key in every form, and every fault with its way out."""

from __future__ import annotations

import math
from pathlib import Path

import numpy as np
import pytest

from convergence.errors import Fault
from convergence.job.schema import ExpectedCurve, Settings, SettledLimit, TriggerRange
from convergence.job.settings import read_settings

HEAD = """[tunnel]
name = "x"
width_m = 10
drive = "up-chainage"
[[stage]]
name = "heading"
[[stage]]
name = "bench"
follows = "heading"
"""
CURVE = '[[expected]]\nname = "class B"\nface_distance_m = [0, 10, 30]\nvalue_mm = [0, 12, 20]\n'
REVISION = '{date = 2031-06-01T00:00:00+02:00, by = "D. E.", reason = "%s", levels = [{name = "one", value_mm = %s}]}'


def read(tmp_path: Path, text: str) -> tuple[Settings | None, list[Fault]]:
    (tmp_path / "tunnel.toml").write_text(HEAD + text, encoding="utf-8")
    faults: list[Fault] = []
    remarks: list[str] = []
    found = read_settings(tmp_path, faults, remarks)
    assert remarks == []
    return found, faults


def trigger_text(more: str = "", levels: str = '{name = "one", value_mm = 10}', measure: str = "settlement") -> str:
    return f'[[trigger]]\nmeasure = "{measure}"\nlevels = [{levels}]\n{more}\n'


def good(tmp_path: Path, text: str) -> Settings:
    found, faults = read(tmp_path, text)
    assert faults == []
    assert found is not None
    return found


@pytest.mark.parametrize(
    ("level", "measure", "quantity", "value"),
    [
        ("value_mm = 10", "settlement", "value", 10.0),
        ("value_in = 1", "chord", "value", 25.4),
        ("value_ft = 0.1", "chord", "value", 30.48),
        ("value_mm_per_day = 2", "chord", "rate", 2.0),
        ("value_mm_per_week = 14", "chord", "rate", 2.0),
        ("value_mm_per_hour = 0.5", "settlement", "rate", 12.0),
        ("value_in_per_week = 0.7", "settlement", "rate", 2.54),
        ("value_percent = 0.5", "chord", "strain", 0.5),
        ("value_per_mille = 5", "chord", "strain", 0.5),
        ("value_mm_per_m = 5", "chord", "strain", 0.5),
        ("value_one_in = 200", "chord", "strain", 0.5),
        ("value_percent = 0.2", "distortion", "distortion", 2.0),
        ("value_mm_per_m = 2", "distortion", "distortion", 2.0),
        ("value_one_in = 500", "distortion", "distortion", 2.0),
        ("value_mm = 8", "distortion", "value", 8.0),
    ],
)
def test_units_of_a_level(tmp_path: Path, level: str, measure: str, quantity: str, value: float) -> None:
    """1 in = 25.4 mm exactly; a week has 7 days; one in 500 is 2 mm/m."""
    (trigger,) = good(tmp_path, trigger_text(levels=f"{{{level}}}", measure=measure)).triggers
    assert trigger.quantity == quantity
    assert trigger.levels[0].value == pytest.approx(value, rel=1e-12)


@pytest.mark.parametrize(
    ("rule", "expected"),
    [
        ('"2 of 3"', (2, 3, "")),
        ("3", (3, 3, "")),
        ('"independent prism"', (1, 1, "and")),
        ('"an independent prism"', (1, 1, "and")),
        ('"2 of 3 or independent prism"', (2, 3, "or")),
        ('"2/4 and an independent prism"', (2, 4, "and")),
    ],
)
def test_rules_of_confirmation(tmp_path: Path, rule: str, expected: tuple[int, int, str]) -> None:
    (trigger,) = good(tmp_path, trigger_text(f"confirm = {rule}")).triggers
    assert (trigger.confirm_needed, trigger.confirm_of, trigger.confirm_prism) == expected


def test_owner_action_and_range(tmp_path: Path) -> None:
    more = 'owner = "shift engineer"\naction = "read twice"\nrange = {stage = "bench", from_ft = -10, to_ft = 100}'
    (trigger,) = good(tmp_path, trigger_text(more)).triggers
    assert (trigger.owner, trigger.action) == ("shift engineer", "read twice")
    assert trigger.valid is not None
    assert (trigger.valid.against, trigger.valid.stage) == ("face distance", "bench")
    assert (trigger.valid.low, trigger.valid.high) == pytest.approx((-3.048, 30.48))
    (aged,) = good(tmp_path, trigger_text("range = {to_days = 14}")).triggers
    assert aged.valid == TriggerRange("age", "", -math.inf, 14.0)


def test_an_expected_curve_in_any_unit(tmp_path: Path) -> None:
    curve = '[[expected]]\nname = "B"\nstage = "bench"\nface_distance_ft = [0, 10]\nvalue_in = [0, 1]\n'
    (trigger,) = good(tmp_path, curve + trigger_text('expected = "B"')).triggers
    assert trigger.quantity == "deviation"
    assert trigger.unit == "mm"
    assert trigger.expected == ExpectedCurve("B", "face distance", "bench", (0.0, 3.048), (0.0, 25.4))
    aged = '[[expected]]\nname = "B"\nage_days = [0, 10]\nvalue_mm = [0, 9]\n'
    (trigger,) = good(tmp_path, aged + trigger_text('expected = "B"')).triggers
    assert trigger.expected == ExpectedCurve("B", "age", "", (0.0, 10.0), (0.0, 9.0))


def test_revisions_in_force(tmp_path: Path) -> None:
    text = f"revisions = [{REVISION % ('new support class', 15)}]"
    (trigger,) = good(tmp_path, trigger_text(text)).triggers
    (revision,) = trigger.revisions
    assert revision.time == np.datetime64("2031-05-31T22:00:00", "ns")
    assert (revision.by, revision.reason, revision.values) == ("D. E.", "new support class", (15.0,))
    before, after = (trigger.at(np.datetime64(date, "ns")) for date in ("2031-05-31T21:59", "2031-05-31T22:00"))
    assert (before.levels[0].value, len(before.revisions)) == (10.0, 0)
    assert (after.levels[0].value, len(after.revisions)) == (15.0, 1)


def test_a_revision_may_leave_out_its_reason(tmp_path: Path) -> None:
    """It is read all the same: what is missing is told where the level appears."""
    for text in (REVISION % ("", 15), (REVISION % ("", 15)).replace('reason = "", ', "")):
        (trigger,) = good(tmp_path, trigger_text(f"revisions = [{text}]")).triggers
        assert trigger.revisions[0].reason == ""


def test_what_is_settled(tmp_path: Path) -> None:
    assert good(tmp_path, trigger_text()).settled is None
    text = '[settled]\nlimit_mm_per_week = 0.7\ndays = 5\nreach_widths = 4\nfinished_stages = ["heading"]\n'
    found = good(tmp_path, text).settled
    assert found is not None
    assert found.rate == pytest.approx(0.1)
    assert (found.days, found.reach, found.finished) == (5.0, 4.0, ("heading",))
    assert good(tmp_path, "[settled]\nlimit_mm_per_day = 0.2\n").settled == SettledLimit(0.2)


#: Text, the key at fault, a word of what was expected, a word of how to mend it.
BROKEN = {
    "a curve nobody gave": (trigger_text('expected = "class C"'), "trigger.expected", "[[expected]] curve", "add"),
    "a deviation in per cent": (
        CURVE + trigger_text('expected = "class B"', "{value_percent = 1}"),
        "trigger.expected",
        "levels in a unit of length",
        "value_mm",
    ),
    "a curve along two things": (
        CURVE.replace("value_mm", "age_days = [0, 1, 2]\nvalue_mm"),
        "expected.face_distance_m",
        "either",
        "keep the one",
    ),
    "a curve along nothing": (
        CURVE.replace("face_distance_m = [0, 10, 30]\n", ""),
        "expected.face_distance_m",
        "either",
        "",
    ),
    "a curve without values": (CURVE.replace("value_mm = [0, 12, 20]\n", ""), "expected.value_mm", "movement", "add"),
    "a curve of unequal lists": (
        CURVE.replace("[0, 12, 20]", "[0, 12]"),
        "expected.value_mm",
        "as many",
        "one value a point",
    ),
    "a curve not in order": (CURVE.replace("0, 10, 30", "0, 30, 10"), "expected.face_distance_m", "rising", "sort"),
    "a curve of texts": (CURVE.replace("0, 12, 20", '0, "12", 20'), "expected.value_mm", "finite numbers", "write"),
    "a curve twice": (CURVE + CURVE, "expected.name", "a name of its own", "rename"),
    "a curve of no stage": (CURVE + 'stage = "pilot"\n', "expected.stage", "heading, bench", "correct"),
    "a range of no stage": (trigger_text('range = {stage = "pilot", to_m = 9}'), "trigger.range.stage", "heading", ""),
    "a range along two things": (
        trigger_text("range = {to_m = 9, to_days = 9}"),
        "trigger.range.from_m",
        "not both",
        "range =",
    ),
    "a range of nothing": (trigger_text("range = {}"), "trigger.range.from_m", "face distances", "range ="),
    "a range backwards": (trigger_text("range = {from_m = 9, to_m = 1}"), "trigger.range.from_m", "begins before", ""),
    "a range that is no table": (trigger_text('range = "bench"'), "trigger.range", "a table", "range ="),
    "a revision of no date": (
        trigger_text('revisions = [{by = "x", levels = [{name = "one", value_mm = 1}]}]'),
        "trigger.revisions.date",
        "an instant",
        "add date",
    ),
    "a revision by nobody": (
        trigger_text("revisions = [{date = 2031-06-01T00:00:00Z, levels = [{name = 'one', value_mm = 1}]}]"),
        "trigger.revisions.by",
        "a text",
        "add by",
    ),
    "a revision of nothing": (
        trigger_text('revisions = [{date = 2031-06-01T00:00:00Z, by = "x"}]'),
        "trigger.revisions.levels",
        "the levels that change",
        "value_mm",
    ),
    "a revision of another level": (
        trigger_text(f"revisions = [{(REVISION % ('', 15)).replace('one', 'two')}]"),
        "trigger.revisions.levels.name",
        "one of one",
        "one",
    ),
    "a revision in another quantity": (
        trigger_text(f"revisions = [{(REVISION % ('', 15)).replace('value_mm', 'value_mm_per_day')}]"),
        "trigger.revisions.levels.value_mm",
        "as the level it changes",
        "unit",
    ),
    "a revision out of order": (
        trigger_text(
            f"revisions = [{REVISION % ('', 30)}]", '{name = "one", value_mm = 10}, {name = "two", value_mm = 20}'
        ),
        "trigger.revisions",
        "rising order after each",
        "sort",
    ),
    "two levels of one name": (
        trigger_text("", '{name = "one", value_mm = 10}, {name = "one", value_mm = 20}'),
        "trigger.levels.name",
        "a name of its own",
        "rename",
    ),
    "a rule of half a word": (trigger_text('confirm = "2 of 3 or"'), "trigger.confirm", "independent prism", "2 of 3"),
    "a rule of nothing": (trigger_text('confirm = " "'), "trigger.confirm", "independent prism", "2 of 3"),
    "one in less than one": (trigger_text("", "{value_one_in = 0.5}"), "trigger.levels.value_one_in", "from 1", "500"),
    "settled without a limit": ("[settled]\ndays = 7\n", "settled.limit_mm_per_day", "one rate", "write"),
    "settled with two limits": (
        "[settled]\nlimit_mm_per_day = 1\nlimit_in_per_day = 1\n",
        "settled.limit_mm_per_day",
        "one rate",
        "write",
    ),
    "a finished stage nobody knows": (
        '[settled]\nlimit_mm_per_day = 1\nfinished_stages = ["pilot"]\n',
        "settled.finished_stages",
        "heading, bench",
        "correct",
    ),
}


@pytest.mark.parametrize("case", BROKEN)
def test_a_fault_names_its_key_and_the_way_out(tmp_path: Path, case: str) -> None:
    text, key, expected, mend = BROKEN[case]
    found, faults = read(tmp_path, text)
    assert found is None
    fault = next(item for item in faults if item.column == key)
    assert fault.file == "tunnel.toml"
    assert fault.line is not None
    assert fault.line > HEAD.count("\n")
    assert expected in fault.expected
    assert mend in fault.mend


def test_all_faults_are_told_at_once(tmp_path: Path) -> None:
    text = trigger_text('expected = "class C"\nconfirm = "perhaps"\nrange = {}') + "[settled]\ndays = 7\n"
    _, faults = read(tmp_path, text)
    assert {item.column for item in faults} == {
        "trigger.expected",
        "trigger.confirm",
        "trigger.range.from_m",
        "settled.limit_mm_per_day",
    }


def test_a_misspelt_key_is_a_fault(tmp_path: Path) -> None:
    _, faults = read(tmp_path, trigger_text('onwer = "x"'))
    assert [(item.column, "owner" in item.mend) for item in faults] == [("trigger.onwer", True)]
