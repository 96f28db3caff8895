"""What happened at a section shows on its figure: jumps, spikes, gaps, events, standstills, passages."""

from __future__ import annotations

import re
from collections.abc import Callable, Sequence
from dataclasses import replace
from pathlib import Path

import numpy as np
import pandas as pd
import pytest
from matplotlib.text import Text

from convergence import plots
from convergence.measures import find_series
from convergence.plots.canvas import figure_of
from convergence.plots.curves import kept_profile
from convergence.plots.marks import standstills
from convergence.plots.view import section_view
from convergence.survey import read_job
from convergence.triggers import Outlook, outlook
from tests.helpers import sweep_days, write_job
from tests.survey.test_short_spells import with_spell

#: F01 a prism knocked, F02 one replaced, F03 a spike, F10 a blind spell, F17 a prism and F18 a section unread at the
#: end (truth/faults.csv of the sample job).
SECTIONS = ("S1136", "S1160", "S1172", "S1248", "S1258", "S1268")


@pytest.fixture(scope="module")
def faulty(cut_sample: Callable[[Path, Sequence[str]], Path], tmp_path_factory: pytest.TempPathFactory) -> Outlook:
    """The sections of the sample job in which faults were planted."""
    return outlook(read_job(cut_sample(tmp_path_factory.mktemp("faulty") / "job", SECTIONS)))


def told(found: Outlook, section: str, measures: str | None = None) -> str:
    figure = figure_of(plots.movement_against_time(found, section, measures))
    return "\n".join(item.get_text() for item in figure.findobj(Text))


def test_a_jump_nobody_explained_is_marked_where_it_shows(faulty: Outlook) -> None:
    # truth/faults.csv, F01: S1136-RW knocked by transverse +19.0 mm; a reading has noise of some 0.8 mm, so that the
    # step as read may be off by twice that
    series = find_series(faulty.job, "S1136", "transverse right wall")
    size = series.kept_steps
    assert size == pytest.approx(19.0, abs=1.6)
    assert f"unconfirmed jump, {size:+.0f} mm in right wall" in told(faulty, "S1136", "transverse")
    assert "unconfirmed jump" not in told(faulty, "S1136", "transverse left wall")


def test_a_spike_is_shown_and_said_to_be_set_aside(faulty: Outlook) -> None:
    words = told(faulty, "S1172")
    assert "spike at +" in words
    assert "mm set aside, crown" in words


def test_spells_without_readings_are_told(faulty: Outlook) -> None:
    # truth/faults.csv: F10 36 h blind, and the intervals about it; F17 one prism for 10.7 days; F18 3.7 days, which are
    # 90 h to the end of the record
    assert "no reading for 42 h" in told(faulty, "S1248")
    assert "left shoulder: no reading for 11 d" in told(faulty, "S1258")
    assert "no reading for 90 h" in told(faulty, "S1268")
    assert "no reading for" not in told(faulty, "S1160")


def test_events_and_passages_are_named(faulty: Outlook) -> None:
    words = told(faulty, "S1160")
    for name in ("heading passes", "bench passes", "invert passes", "lining sprayed", "prism replaced (S1160-LS)"):
        assert name in words
    assert "invert passes, planned" in told(faulty, "S1258")
    assert "ring closed" not in told(faulty, "S1258")


def test_standstills_are_those_of_the_log(faulty: Outlook) -> None:
    view = section_view(faulty, "S1172")
    track = faulty.projection.tracks["heading"]
    spells = standstills(view)
    assert spells
    for start, end in spells:
        assert end - start > 1.0
        assert np.interp(start, track.time, track.chainage) == np.interp(end, track.time, track.chainage)
        assert end <= track.logged_until
    # the heading stands still for ten days from 30 March (README of the sample job), and for part of a day about it
    assert max(end - start for start, end in spells) == pytest.approx(10.0, abs=1.5)


def test_the_jump_a_chord_keeps_is_that_of_its_prisms(faulty: Outlook) -> None:
    for series in section_view(faulty, "S1136").series:
        kept = kept_profile(faulty.job, series)
        assert kept[0] == 0.0
        # second-order parts of a 25 mm step over a chord of some 10 m: 25^2 / 2 / 10000 = 0.03 mm
        assert kept[-1] == pytest.approx(series.kept_steps, abs=0.04)


def test_the_curve_keeps_a_jump_as_the_readings_do(faulty: Outlook) -> None:
    view = section_view(faulty, "S1136")
    projection = view.projection
    assert projection is not None
    curve, series = view.curves["transverse right wall"], find_series(faulty.job, "S1136", "transverse right wall")
    place = int(np.flatnonzero(curve.days == projection.now)[0])
    index = projection.index("transverse right wall")
    assert curve.median[place] == pytest.approx(projection.at(index, projection.now, 0.5), abs=1e-6)
    away = series.value - np.interp(series.time, curve.days, curve.median)
    for number in (0, 1):
        # four standard deviations of a reading's noise of 0.8 mm; the jump is 19 mm
        assert abs(np.median(away[series.segment == number])) < 3.2


def test_a_spell_off_of_the_whole_array_is_marked_until_it_is_decided(tmp_path: Path) -> None:
    """Three sweeps of B are 15 mm off and come back: told, used, and shown where they stand."""
    at = sweep_days("B")[12:15]
    moved = with_spell("B", ("CR", "LW", "RW"), float(at[0]) - 0.01, float(at[-1]) + 0.01, 15.0)
    words = told(outlook(read_job(write_job(tmp_path / "job", moved=moved))), "B")
    # noise of some half a millimetre on 15 mm
    assert re.search(r"shared spell off, up to 1[4-7] mm, to be decided", words)


def test_a_last_reading_that_nothing_confirms_is_ringed(faulty: Outlook) -> None:
    view = section_view(faulty, "S1160")
    crown = next(item for item in view.series if item.label == "settlement crown")
    change = dict.fromkeys(faulty.changes.columns, "") | {
        "section": "S1160",
        "measure": crown.measure,
        "prisms": crown.prisms,
        "kind": "fast reading",
        "size": 9.4,
    }
    doubted = replace(faulty, changes=pd.DataFrame([change]))
    assert "last reading +9 mm off in crown, unconfirmed: read again" in told(doubted, "S1160", "settlement")
    assert "unconfirmed: read again" not in told(faulty, "S1160", "settlement")
    assert "unconfirmed: read again" not in told(doubted, "S1160", "chord")
