"""The bench of the trigger rules: its counting by hand, and one small tunnel reviewed a few times."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest

from tests.bench.triggers import KEYS, Record, asked, persisting, review, score, with_far_levels

DAYS = np.arange(1.0, 11.0)


def record(states: dict[str, str], passed: dict[str, float], read: float = 9.0) -> Record:
    """One section whose levels bear one letter a day: c clear, h heading, b blind, p past, u undetermined."""
    words = {"c": "clear", "h": "heading", "b": "blind", "p": "past", "u": "undetermined"}
    said = [
        {"day": day, "section": "S", "measure": "settlement", "prisms": "P", "trigger": "settlement", "level": level,
         "state": words[letter], "probability": 0.6, "probability_3d": 0.1, "seed": 1}
        for level, letters in states.items()
        for day, letter in zip(DAYS, letters, strict=True)
    ]  # fmt: skip
    truth = [
        {"section": "S", "measure": "settlement", "prisms": "P", "trigger": "settlement", "level": level,
         "passed": at, "read": read, "known": 1.0, "most": 0.95, "seed": 1}
        for level, at in passed.items()
    ]  # fmt: skip
    return Record(pd.DataFrame(said), pd.DataFrame(truth), 10 / 30)


@pytest.mark.parametrize(
    ("letters", "announced", "missed", "gained"),
    [
        ("cchhhhhhpp", 1, 0, 6.0),
        ("cchbhhhhpp", 1, 0, 6.0),
        ("cccccchhpp", 0, 0, 2.0),
        ("hhhccchhpp", 0, 0, 2.0),
        ("cccccccccp", 0, 1, 0.0),
        ("cccccccuup", 0, 0, 0.0),
    ],
)
def test_announcements(letters: str, announced: int, missed: int, gained: float) -> None:
    """Truly passed on day 8.5 and read so on day 9: the last review three days before is that of day 5."""
    found = score([record({"one": letters}, {"one": 8.5})])
    assert (found.passages, found.announced, found.missed) == (1, announced, missed)
    assert found.gained == pytest.approx(gained)
    assert found.false_sections == 0


@pytest.mark.parametrize(
    ("letters", "spells"), [("cchhcchhcc", 1), ("hccccccchh", 2), ("cchbhhcccc", 1), ("cccccccccc", 0)]
)
def test_false_headings_are_episodes(letters: str, spells: int) -> None:
    found = score([record({"one": letters}, {"one": np.inf})])
    # the movement came to 95 % of the level
    assert (found.passages, found.false_sections, found.false_clearly) == (0, spells, 0)


def test_levels_of_one_trigger_are_one_spell() -> None:
    found = score([record({"one": "cchhhccccc", "two": "ccchhhcccc"}, {"one": np.inf, "two": np.inf})])
    assert found.false_sections == 1


def test_asking_for_more_is_less_often_heading() -> None:
    first = record({"one": "cchhhhhhpp"}, {"one": 8.5})
    assert score(asked([first], 0.55)).announced == 1
    assert score(asked([first], 0.65)).announced == 0


def test_one_that_passes_makes_the_heading_of_its_section_true() -> None:
    """Two prisms are told to be heading for a level that only one of them passes."""
    one, two = record({"one": "cchhhhhhpp"}, {"one": 8.5}), record({"one": "cchhhhhhhh"}, {"one": np.inf})
    both = Record(
        pd.concat([one.said, two.said.assign(prisms="Q")]), pd.concat([one.truth, two.truth.assign(prisms="Q")]), 1.0
    )
    assert score([both]).false_sections == 0
    assert score([two]).false_sections == 1


def test_persistence_costs_lead() -> None:
    first = record({"one": "cccchhhhpp"}, {"one": 8.5})
    assert [score(persisting([first], reviews)).announced for reviews in (1, 2)] == [1, 0]


def test_far_levels_stand_beside_the_near_ones() -> None:
    text = '[tunnel]\n[[trigger]]\nname = "chord"\nlevels = [\n  {name = "attention", value_mm = 20.5},\n]\n'
    found = with_far_levels(text)
    assert found.startswith(text)
    assert 'name = "chord, far"' in found
    assert "value_mm = 41}" in found


def test_a_small_tunnel_reviewed_every_nine_days() -> None:
    """Few passages come out of a clear sky, and what is told as passed was; loose bounds, for it is one tunnel."""
    made = review(361, "small", 9.0)
    found = score([made])
    assert not made.said.duplicated(["day", *KEYS]).any()
    assert set(made.said["state"]) <= {"past", "heading", "blind", "undetermined", "clear"}
    assert found.passages >= 20
    assert found.missed <= 0.15 * found.passages
    past = made.said[made.said["state"] == "past"].merge(made.truth, on=["seed", *KEYS])
    # a level told as passed was truly passed, but for noise and knocked prisms
    assert (past["passed"] <= past["day"] + 2.0).mean() > 0.8
