"""Words that keep off one another."""

from __future__ import annotations

import numpy as np
import pytest
from matplotlib.text import Text

from convergence.plots.canvas import own_axes
from convergence.plots.edge import band_words
from convergence.plots.fit import significant
from convergence.plots.labels import Place, Space, TopLabel, cut, keep_inside, spread, top_labels, write


def test_labels_with_room_stay_where_they_are_wanted() -> None:
    np.testing.assert_allclose(spread([30.0, 10.0, 20.0], [4.0, 4.0, 4.0], 0.0, 40.0), [30.0, 10.0, 20.0])


def test_crowded_labels_are_apart_in_order_and_moved_as_little_as_can_be() -> None:
    wanted = np.array([5.0, 5.2, 5.1, 30.0])
    found = spread(wanted, np.full(4, 2.0), 0.0, 40.0)
    order = np.argsort(wanted)
    assert np.all(np.diff(found[order]) >= 2.0 - 1e-9)
    assert found[3] == 30.0
    # the least squares answer keeps the mean of a stack where it was wanted
    assert found[:3].mean() == pytest.approx(wanted[:3].mean())


def test_labels_keep_to_their_line() -> None:
    found = spread([0.0, 0.0, 39.9], [4.0, 4.0, 4.0], 0.0, 40.0)
    np.testing.assert_allclose(found, [2.0, 6.0, 38.0])
    assert len(spread([], [], 0.0, 1.0)) == 0


def test_words_take_the_first_free_place() -> None:
    ax = own_axes(6.0, 4.0, (0.5, 0.5, 0.5, 0.5))
    ax.set_xlim(0, 10)
    ax.set_ylim(0, 10)
    space = Space(ax)
    space.keep_clear([1.0, 1.5, 2.0], [5.0, 5.0, 5.0])
    first = space.place("words", [Place(1.0, 5.0), Place(6.0, 5.0)])
    assert first.get_position() == (6.0, 5.0), "the first place would hide points"
    second = space.place("more words", [Place(6.0, 5.0), Place(6.0, 8.0)])
    assert second.get_position() == (6.0, 8.0), "the first place is taken by other words"
    third = space.place("at the edge", [Place(9.9, 2.0), Place(3.0, 2.0)])
    assert third.get_position() == (3.0, 2.0), "the first place would run out of the axes"


def test_words_above_an_axes_use_rows() -> None:
    ax = own_axes(6.0, 4.0, (0.5, 0.5, 0.5, 0.9))
    ax.set_xlim(0, 10)
    labels = [
        TopLabel(1.0, "heading passes"),
        TopLabel(1.2, "lining sprayed"),
        TopLabel(8.0, "bench passes"),
        TopLabel(11.0, "out"),
    ]
    found = top_labels(ax, labels)
    assert [item.get_text() for item in found] == ["heading passes", "lining sprayed", "bench passes"]
    low, high, later = (item.get_window_extent() for item in found)
    assert high.y0 >= low.y1 - 1.0
    assert later.y0 == pytest.approx(low.y0)


def test_words_that_would_run_out_are_made_smaller_alike() -> None:
    ax = own_axes(4.0, 3.0, (0.5, 0.5, 1.0, 0.5))
    words: list[Text] = [write(ax, 1.0, 0.5, text) for text in ("short", "a rather long name")]
    keep_inside(*words)
    assert words[0].get_fontsize() == words[1].get_fontsize()
    assert words[1].get_window_extent().x1 <= 4.0 * ax.figure.dpi
    before = words[0].get_fontsize()
    keep_inside(words[0])
    assert words[0].get_fontsize() == before


def test_long_names_are_cut_visibly() -> None:
    assert cut("S1012", 10) == "S1012"
    assert cut("a name of many characters", 10) == "a name of\N{HORIZONTAL ELLIPSIS}"


def test_numbers_in_words() -> None:
    assert band_words(31.6, 28.4, 36.5) == "32 (28 to 36)"
    assert band_words(-0.2, -3.6, 0.4) == "0 (\N{MINUS SIGN}4 to 0)"
    assert significant(101.3, 2) == "100"
    assert significant(-0.01234, 2) == "\N{MINUS SIGN}0.012"
    assert significant(0.0, 3) == "0"
    assert significant(2.5e-7, 2) == "2.5e-07"
