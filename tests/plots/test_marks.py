"""What happened at a section shows on its figure: jumps, spikes, gaps, events, standstills, passages."""

from __future__ import annotations

import numpy as np
import pytest
from matplotlib.text import Text

from convergence import plots
from convergence.plots.canvas import figure_of
from convergence.plots.curves import kept_profile
from convergence.plots.marks import standstills
from convergence.plots.view import section_view
from convergence.triggers import Outlook


def told(outlook: Outlook, section: str, measures: str | None = None) -> str:
    figure = figure_of(plots.movement_against_time(outlook, section, measures))
    return "\n".join(item.get_text() for item in figure.findobj(Text))


def test_a_jump_nobody_explained_is_marked_where_it_shows(sample_outlook: Outlook) -> None:
    # truth/faults.csv, F01: S1136-RW knocked by transverse +19.0, settlement +3.0; each is read with noise of some 0.8 mm,
    # so that the step as read may be off by a few
    series = next(item for item in section_view(sample_outlook, "S1136").series if item.label == "transverse right wall")
    size = series.kept_steps
    assert size == pytest.approx(19.0, abs=2.0)
    assert f"unconfirmed jump, {size:+.0f} mm in right wall" in told(sample_outlook, "S1136", "transverse")
    assert "unconfirmed jump" not in told(sample_outlook, "S1136", "transverse left wall")


def test_a_spike_is_shown_and_said_to_be_set_aside(sample_outlook: Outlook) -> None:
    words = told(sample_outlook, "S1172")
    assert "spike at +" in words
    assert "mm set aside, crown" in words


def test_spells_without_readings_are_told(sample_outlook: Outlook) -> None:
    # truth/faults.csv: F10 36 h blind, with the intervals about it; F17 one prism for 10.7 days; F18 the section for 3.7 days
    assert "no reading for 42 h" in told(sample_outlook, "S1248")
    assert "left shoulder: no reading for 11 d" in told(sample_outlook, "S1258")
    assert "no reading for 90 h" in told(sample_outlook, "S1268")
    assert "no reading for" not in told(sample_outlook, "S1238")


def test_events_and_passages_are_named(sample_outlook: Outlook) -> None:
    words = told(sample_outlook, "S1160")
    for name in ("heading passes", "bench passes", "invert passes", "lining sprayed", "prism replaced (S1160-LS)"):
        assert name in words
    assert "bench passes, planned" in told(sample_outlook, "S1300")
    assert "ring closed" not in told(sample_outlook, "S1300")


def test_standstills_are_those_of_the_log(sample_outlook: Outlook) -> None:
    view = section_view(sample_outlook, "S1172")
    track = sample_outlook.projection.tracks["heading"]
    spells = standstills(view)
    assert spells
    for start, end in spells:
        assert end - start > 1.0
        assert np.interp(start, track.time, track.chainage) == np.interp(end, track.time, track.chainage)
        assert end <= track.logged_until
    # the heading stands still for ten days from 30 March (README of the sample job); shots before and after are hours apart
    assert max(end - start for start, end in spells) == pytest.approx(10.0, abs=1.5)


def test_the_jump_a_chord_keeps_is_that_of_its_prisms(sample_outlook: Outlook) -> None:
    for series in section_view(sample_outlook, "S1136").series:
        kept = kept_profile(sample_outlook.job, series)
        assert kept[0] == 0.0
        # second-order parts of a 25 mm step over a chord of some 10 m: 25^2 / 2 / 10000 = 0.03 mm
        assert kept[-1] == pytest.approx(series.kept_steps, abs=0.04)
