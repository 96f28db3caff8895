"""Levels in figures: drawn where they are in force, named apart, marked where something is wrong with them."""

from __future__ import annotations

import numpy as np
import pytest
from matplotlib.axes import Axes
from matplotlib.figure import Figure
from matplotlib.text import Text

from convergence import plots
from convergence.plots.canvas import figure_of, own_axes
from convergence.plots.level_lines import level_lines
from convergence.plots.notes import fitting
from convergence.plots.view import section_view
from convergence.survey.job import read_job
from convergence.terms import WARNED
from convergence.triggers import Outlook, outlook
from tests.helpers import edited, job_files, settings_text, write_job

#: Positions as a surveyor may write them, too long for any margin.
LONG = {"left wall": "left side wall below the springline", "right wall": "right side wall below the springline"}
TRIGGERS = """[[trigger]]
name = "settlement"
measure = "settlement"
levels = [{name = "attention", value_mm = 5.0}, {name = "stop", value_mm = 30.0}]
[[trigger.revisions]]
date = 2031-05-20T00:00:00Z
by = "D. E."
reason = ""
levels = [{name = "attention", value_mm = 16.0}]

[[trigger]]
name = "young shell"
measure = "settlement"
range = {stage = "heading", from_m = 2.0, to_m = 20.0}
levels = [{name = "attention", value_in = 0.5}]

[[trigger]]
name = "far behind"
measure = "settlement"
range = {from_days = 2000.0, to_days = 3000.0}
levels = [{name = "far", value_mm = 11.0}]

[[trigger]]
name = "chord strain"
measure = "chord"
levels = [{name = "attention", value_percent = 0.2}]

[[stage]]
name = "enlargement"
follows = "bench"
"""


@pytest.fixture(scope="module")
def odd(tmp_path_factory: pytest.TempPathFactory) -> Outlook:
    """A level raised without a reason, one in force for a while, one never, long names, a stage without a round."""
    changes: dict[str, str | bytes | None] = {"tunnel.toml": settings_text().split("[[trigger]]")[0] + TRIGGERS}
    changes["prisms.csv"] = edited(job_files()["prisms.csv"], *LONG.items())
    found = outlook(read_job(write_job(tmp_path_factory.mktemp("odd") / "job", changes)))
    assert any(item.warning for items in found.levels.values() for item in items)
    return found


def words(figure: Figure) -> str:
    return " ".join(" ".join(item.get_text() for item in figure.findobj(Text) if item.get_visible()).split())


def dashes(axes: Axes, at: float) -> list[tuple[float, float]]:
    """Ends of the lines that stand level at a movement."""
    found = []
    for line in axes.lines:
        x, y = np.asarray(line.get_xdata(), dtype=float), np.asarray(line.get_ydata(), dtype=float)
        if len(y) == 2 and np.allclose(y, at) and line.get_linestyle() == "--":
            found.append((float(x.min()), float(x.max())))
    return found


def test_a_level_with_a_range_is_drawn_only_there(odd: Outlook) -> None:
    view = section_view(odd, "A")
    # half an inch (arithmetic)
    ((start, end),) = dashes(plots.movement_against_time(odd, "A"), 12.7)
    low, high = view.clock.numbers(view.window)
    path = view.paths["heading"]
    for number, distance in ((start, 2.0), (end, 20.0)):
        day = view.window[0] + (number - low) / (high - low) * (view.window[1] - view.window[0])
        assert float(path.at(day)) == pytest.approx(distance, abs=0.02)
    axes = plots.movement_against_face_distance(odd, "A")
    ((near, far),) = dashes(axes, 12.7)
    # between two rounds the face moves evenly, so that days and distances agree to rounding
    assert (near, far) == (pytest.approx(2.0, abs=0.02), pytest.approx(20.0, abs=0.02))
    ((left, right),) = dashes(axes, 16.0)
    assert (left, right) == pytest.approx(sorted(axes.get_xlim())), "one without a range runs from edge to edge"
    assert "young shell: in force from 2 to 20 m past the heading face" in words(
        figure_of(plots.movement_against_time(odd, "A"))
    )


def test_a_level_never_in_force_in_the_window_is_told_and_not_drawn(odd: Outlook) -> None:
    axes = plots.movement_against_time(odd, "A")
    assert not dashes(axes, 11.0)
    assert "not in force in this figure: far 11 mm" in words(figure_of(axes))


def test_two_triggers_with_levels_of_one_name_are_told_apart(odd: Outlook) -> None:
    view = section_view(odd, "A")
    lines = level_lines(view, view.kind("settlement"))
    assert {line.name.removesuffix(f" {WARNED}") for line in lines} == {
        "settlement: attention",
        "young shell: attention",
        "stop",
        "far",
    }
    told = words(plots.section_figure(odd, "A"))
    assert "young shell: attention 0.5 in" in told, "in the unit the job gave it in"


def test_a_raised_level_is_marked_wherever_it_stands(odd: Outlook) -> None:
    sentence = next(item.warning for items in odd.levels.values() for item in items if item.warning)
    figures = (
        plots.section_figure(odd, "A"),
        figure_of(plots.movement_against_time(odd, "A")),
        figure_of(plots.outlook_map(odd)[0]),
    )
    for figure in figures:
        told = words(figure)
        assert f"attention 16 mm {WARNED}" in told
        assert f"{WARNED} {sentence}" in told
        assert not any(f"stop 30 mm {WARNED}" in item.get_text() for item in figure.findobj(Text)), "it was not raised"
    assert f"attention 16 mm {WARNED}" in words(figure_of(plots.movement_against_face_distance(odd, "A")))


def test_a_stage_without_a_round_is_said_to_be_left_out(odd: Outlook) -> None:
    for figure in (plots.section_figure(odd, "A"), figure_of(plots.outlook_map(odd)[0])):
        assert "finals leave out enlargement: no round yet" in words(figure)


def test_long_names_stay_in_their_margins(odd: Outlook) -> None:
    figure = plots.section_figure(odd, "A")
    figure.canvas.draw()
    panels = [axes.get_window_extent() for axes in figure.axes if axes.axison and axes.lines]
    names = [item for item in figure.findobj(Text) if "left side wall" in item.get_text() and item.get_visible()]
    assert len(names) >= 3, "at the edges of both panels and in the table"
    for item in names:
        box = item.get_window_extent()
        assert box.x1 <= figure.bbox.x1
        own = [panel for panel in panels if panel.x0 <= box.x0 < panel.x1 and panel.y0 <= box.y0 <= panel.y1]
        others = [panel for panel in panels if panel not in own and panel.overlaps(box)]
        assert not others, f"{item.get_text()!r} runs into another panel"
    view = section_view(odd, "A")
    assert view.projection is not None
    for label in ("chord left side wall below the springline:right side wall below the springline",):
        index = view.projection.index(label)
        numbers = f"{view.projection.final(index, 0.5):.0f} ("
        assert any(numbers in item.get_text().replace("\N{MINUS SIGN}", "-") for item in names), "numbers are never cut"


@pytest.mark.parametrize("whole", [True, False])
def test_notes_stand_outside_the_axes_and_are_whole(odd: Outlook, whole: bool) -> None:
    """Curves and names of levels are hidden by nothing: notes stand below the panels, clear of their dates."""
    figure = plots.section_figure(odd, "A") if whole else figure_of(plots.movement_against_time(odd, "A"))
    figure.canvas.draw()
    notes = [item for item in figure.texts if any(part in item.get_text() for part in ("not in force in", WARNED))]
    assert len(notes) >= 2
    assert "..." not in words(figure)
    panels = [axes.get_tightbbox() for axes in figure.axes if axes.axison]
    for item in notes:
        box = item.get_window_extent()
        assert figure.bbox.x0 <= box.x0 < box.x1 <= figure.bbox.x1
        assert not [panel for panel in panels if panel is not None and panel.overlaps(box)], item.get_text()


def test_notes_leave_the_axes_somebody_made(odd: Outlook) -> None:
    axes = own_axes(7.0, 5.0, (0.8, 0.8, 1.5, 0.8))
    before = axes.get_position().y0
    plots.movement_against_time(odd, "A", ax=axes)
    figure = figure_of(axes)
    figure.canvas.draw()
    assert axes.get_position().y0 > before, "the notes take their room off the axes"
    (note,) = (item for item in axes.texts if "not in force in this figure" in item.get_text())
    box, lower = note.get_window_extent(), axes.get_window_extent().y0
    assert box.y1 < lower
    assert box.y0 >= figure.bbox.y0


def test_more_notes_than_there_is_room_for_are_counted() -> None:
    assert fitting(["a", "b", "c"], 3) == ["a", "b", "c"]
    assert fitting(["a", "b", "c", "d"], 3)[:2] == ["a", "b"]
    assert "2 more lines" in fitting(["a", "b", "c", "d"], 3)[2]
