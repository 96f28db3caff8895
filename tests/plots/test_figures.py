"""Every figure: what it returns, what it says, and that nothing is cut off or left behind."""

from __future__ import annotations

import dataclasses
import pickle
import re
import subprocess
import sys
from collections.abc import Callable, Iterator
from dataclasses import replace
from io import BytesIO

import matplotlib as mpl
import matplotlib.pyplot as plt
import numpy as np
import pytest
from matplotlib.axes import Axes
from matplotlib.figure import Figure
from matplotlib.image import imread
from matplotlib.text import Text

from convergence import plots
from convergence.errors import ValueFault
from convergence.fitting import CurveFit, FitStatus, fit_series
from convergence.measures import find_series
from convergence.measures.rates import rate
from convergence.plots.canvas import PaperFigure, figure_of
from convergence.plots.overview_marks import BAND_REACHES, band_reaches
from convergence.plots.style import INK, STATE_MARKS, USUAL
from convergence.plots.view import section_view
from convergence.terms import CAUTION
from convergence.triggers import Outlook

#: A section finished, one with all stages past, one waiting for the invert, one a few days old, one not reached.
SECTIONS = ("S1012", "S1082", "S1110", "S1148", "S1238")


def texts(figure: Figure) -> list[Text]:
    return [item for item in figure.findobj(Text) if item.get_visible() and item.get_text().strip()]


def words(figure: Figure) -> str:
    return "\n".join(item.get_text() for item in texts(figure))


def assert_nothing_cut_off(figure: Figure) -> None:
    """Every word lies inside the figure, to half a pixel."""
    figure.canvas.draw()
    out = []
    for item in texts(figure):
        box = item.get_window_extent()
        ticks = [label for axes in figure.axes for label in (*axes.get_xticklabels(), *axes.get_yticklabels())]
        if item in ticks and not _tick_shown(item, figure):
            continue
        inside = box.x0 >= -0.5 and box.y0 >= -0.5 and box.x1 <= figure.bbox.x1 + 0.5 and box.y1 <= figure.bbox.y1 + 0.5
        if not inside:
            out.append((item.get_text(), np.round(box.extents, 1).tolist()))
    assert not out


def _tick_shown(label: Text, figure: Figure) -> bool:
    """Whether a tick label belongs to a tick within its axis' view; matplotlib keeps others and does not draw them."""
    for axes in figure.axes:
        for axis in (axes.xaxis, axes.yaxis):
            low, high = sorted(axis.get_view_interval())
            for tick in axis.get_major_ticks():
                if label in (tick.label1, tick.label2):
                    return bool(low <= tick.get_loc() <= high)
    return True


def crossings(items: list[Text]) -> list[tuple[str, str]]:
    """Pairs of words that lie on one another by more than a pixel."""
    boxes = [(item.get_text(), item.get_window_extent()) for item in items]
    found = []
    for place, (one, first) in enumerate(boxes):
        for two, second in boxes[place + 1 :]:
            across = min(first.x1, second.x1) - max(first.x0, second.x0)
            up = min(first.y1, second.y1) - max(first.y0, second.y0)
            if across > 1.0 and up > 1.0:
                found.append((one, two))
    return found


@pytest.fixture(autouse=True)
def _nothing_left_behind() -> Iterator[None]:
    """No pyplot figure stays open and no global setting changes, whichever figure a test draws."""
    before, open_before = dict(mpl.rcParams), plt.get_fignums()
    yield
    assert plt.get_fignums() == open_before
    assert dict(mpl.rcParams) == before


@pytest.fixture(scope="module")
def fit(early_outlook: Outlook) -> CurveFit:
    return fit_series(find_series(early_outlook.job, "S1082", "settlement crown"))


@pytest.mark.parametrize("section", SECTIONS)
def test_section_figure_says_what_it_must(early_outlook: Outlook, section: str) -> None:
    figure = plots.section_figure(early_outlook, section)
    assert isinstance(figure, Figure)
    told = words(figure)
    row = early_outlook.table[early_outlook.table["section"] == section].iloc[0]
    assert STATE_MARKS[row["outlook"]].words.upper() in told
    assert str(row["reason"])[:60] in told.replace("\n", " ")
    assert re.search(rf"{section} +chainage \d+\.\d m", told)
    assert "analysed at 2023-03-10 07:00 +01:00" in told, "six o'clock UTC is seven in the job's time zone"
    assert CAUTION in told
    assert "date, ticks at midnight, local time (CET)" in told
    assert not re.search(r"\d\d:\d\d \(", told), "no zone's name beside an instant"
    assert "face distance [m],\n+ once the face has passed" in told
    assert "since zero reading" in told
    assert_nothing_cut_off(figure)


@pytest.mark.parametrize("section", ["S1012", "S1110", "S1096"])
def test_labels_at_line_ends_and_above_the_panels_do_not_overlap(early_outlook: Outlook, section: str) -> None:
    figure = plots.section_figure(early_outlook, section)
    figure.canvas.draw()
    for axes in figure.axes[1:4]:
        area = axes.get_window_extent()
        outside = [
            item for item in axes.texts
            if item.get_window_extent().x0 >= area.x1 or item.get_window_extent().y0 >= area.y1
        ]  # fmt: skip
        assert crossings(outside) == []


def test_section_panels_share_time_and_movement(early_outlook: Outlook) -> None:
    figure = plots.section_figure(early_outlook, "S1082")
    settlement, beside, chords, beside_chords, advance = figure.axes[1:6]
    assert settlement.get_ylabel() == "settlement [mm], + down\nsince zero reading"
    assert chords.get_ylabel() == "chord [mm], + shortening\nsince zero reading"
    assert settlement.get_xlim() == chords.get_xlim() == advance.get_xlim()
    assert settlement.get_ylim() == beside.get_ylim()
    assert chords.get_ylim() == beside_chords.get_ylim()
    assert settlement.yaxis_inverted()
    assert not chords.yaxis_inverted()


def test_rates_stand_with_their_standard_errors(early_outlook: Outlook) -> None:
    told = words(plots.section_figure(early_outlook, "S1110"))
    assert "3 days \N{PLUS-MINUS SIGN}s.e." in told
    assert "\N{PLUS-MINUS SIGN}s.e. is one standard error" in told
    noise = early_outlook.projection.noise
    errors = {}
    for label, own in (("settlement crown", noise), ("chord left wall:right wall", noise.scaled("chord"))):
        series = find_series(early_outlook.job, "S1110", label)
        value, errors[label], _ = rate(series.time, series.value, series.segment, own)
        assert f"{value:+.2f} \N{PLUS-MINUS SIGN}{errors[label]:.2f}".replace("-", "\N{MINUS SIGN}") in told
    assert errors["chord left wall:right wall"] > errors["settlement crown"]


def test_levels_that_are_not_drawn_are_told_legibly(early_outlook: Outlook) -> None:
    figure = figure_of(plots.movement_against_time(early_outlook, "S1110"))
    (note,) = (item for item in texts(figure) if "beyond this axis" in item.get_text())
    assert float(note.get_fontsize()) >= USUAL
    assert note.get_color() == INK


def test_levels_stand_where_the_job_says(early_outlook: Outlook) -> None:
    axes = plots.movement_against_time(early_outlook, "S1110")
    told = words(figure_of(axes))
    assert "attention 45 mm" in told
    assert any(np.allclose(line.get_ydata(), 45.0) for line in axes.lines)
    assert re.search(r"beyond this axis: alert 55 mm, .*stop and review 90 mm", " ".join(told.split())), "of that day"
    assert "not drawn: settlement rate, attention 8 mm/day, alert 12 mm/day" in " ".join(told.split())


def test_deviations_from_an_expected_curve_are_told_and_not_drawn(levels: Outlook) -> None:
    """Their levels run along the curve: a straight line at 3 or 7.5 mm of movement would be wrong."""
    axes = plots.movement_against_time(levels, "A")
    told = " ".join(words(figure_of(axes)).split())
    assert "not drawn: against design, attention 3 mm, alert 7.5 mm beyond the expected curve class B" in told
    flat = [line for line in axes.lines if np.size(line.get_ydata()) == 2 and np.ptp(line.get_ydata()) == 0]
    assert not any(np.isclose(line.get_ydata()[0], value) for line in flat for value in (3.0, 7.5))


def test_readings_are_drawn_as_they_are(early_outlook: Outlook) -> None:
    series = find_series(early_outlook.job, "S1110", "settlement crown")
    axes = plots.movement_against_time(early_outlook, "S1110", "settlement crown")
    dots = [line for line in axes.lines if np.size(line.get_xdata()) == len(series.time) and line.get_marker() == "."]
    assert len(dots) == 1
    np.testing.assert_array_equal(dots[0].get_ydata(), series.value)
    # instants to the second, for the job counts them so
    day = (early_outlook.job.epoch - np.datetime64("1970-01-01")) / np.timedelta64(1, "D")
    np.testing.assert_allclose(np.asarray(dots[0].get_xdata(), dtype=float) - day, series.time, atol=1 / 86_400)


def test_values_at_the_edge_are_those_of_the_outlook(early_outlook: Outlook) -> None:
    table = early_outlook.table
    row = table[
        (table["section"] == "S1110") & (table["prisms"] == "S1110-CR") & (table["measure"] == "settlement")
    ].iloc[0]
    told = words(figure_of(plots.movement_against_time(early_outlook, "S1110", "settlement crown")))
    assert f"{row['final']:.0f} ({row['final_low']:.0f} to {row['final_high']:.0f})" in told


def test_several_kinds_on_one_axes_are_named_with_their_signs(early_outlook: Outlook) -> None:
    axes = plots.movement_against_time(early_outlook, "S1110", ["settlement crown", "chord"])
    assert axes.get_ylabel() == "movement [mm] since zero reading\nsettlement + down; chord + shortening"
    told = words(figure_of(axes))
    assert "settlement crown" in told
    assert "chord left wall to right wall" in " ".join(told.split())
    assert not axes.yaxis_inverted()


@pytest.mark.parametrize(
    "draw",
    [
        lambda outlook, ax: plots.movement_against_time(outlook, "S1110", ax=ax),
        lambda outlook, ax: plots.movement_against_face_distance(outlook, "S1110", ax=ax),
        lambda outlook, ax: plots.face_advance(outlook, "S1110", ax=ax),
        lambda outlook, ax: plots.outlook_map(outlook, ax=ax)[0],
    ],
    ids=["time", "distance", "advance", "map"],
)
def test_axes_given_are_drawn_in_and_returned(
    early_outlook: Outlook, draw: Callable[[Outlook, Axes | None], Axes]
) -> None:
    figure, axes = plt.subplots()
    try:
        assert draw(early_outlook, axes) is axes
        assert axes.lines
    finally:
        plt.close(figure)
    own = draw(early_outlook, None)
    assert isinstance(own, Axes)
    assert_nothing_cut_off(figure_of(own))
    assert "2023-03-10" in words(figure_of(own)) or "analysed at" in words(figure_of(own))


def test_the_users_settings_neither_leak_in_nor_out(early_outlook: Outlook) -> None:
    with mpl.rc_context({"axes.facecolor": "#101010", "figure.facecolor": "#101010", "font.size": 30.0}):
        figure = plots.section_figure(early_outlook, "S1082")
        assert mpl.rcParams["font.size"] == 30.0
    assert figure.get_facecolor() == (1.0, 1.0, 1.0, 1.0)
    assert_nothing_cut_off(figure)


def test_the_map_shows_every_section_and_face(early_outlook: Outlook) -> None:
    settlement, chord = plots.outlook_map(early_outlook)
    figure = figure_of(settlement)
    told = words(figure)
    for section in early_outlook.job.sections:
        assert section in told
    for stage in early_outlook.job.folder.advance:
        assert re.search(rf"{stage} face \d+ m >", told)
    for mark in STATE_MARKS.values():
        assert mark.words in told
    assert settlement.get_ylabel() == "settlement crown [mm]\n+ down, since zero reading"
    assert chord.get_ylabel() == "chord left wall\nto right wall [mm]\n+ shortening, since zero reading"
    assert chord.get_xlabel() == "chainage [m], rises along the alignment"
    assert "attention 45 mm" in told
    assert "attention 49 mm" in told
    assert_nothing_cut_off(figure)


def test_a_band_reaches_a_level_on_the_levels_own_side() -> None:
    nan = float("nan")
    assert band_reaches(30.0, 45.0, [62.0, 45.0])
    assert not band_reaches(30.0, 44.9, [45.0, 62.0])
    assert band_reaches(-7.0, 2.0, [6.0, -6.0])
    assert not band_reaches(-5.0, 2.0, [6.0, -6.0])
    assert not band_reaches(nan, nan, [45.0])
    assert not band_reaches(30.0, 45.0, [nan])


def test_a_clear_marker_whose_band_reaches_a_level_has_a_dot(sample_outlook: Outlook) -> None:
    # no band of the sample reaches so far today; one is made to
    high = sample_outlook.table["final_high"].where(sample_outlook.table["prisms"] != "S1280-LW:S1280-RW", 60.0)
    projection = sample_outlook.projection
    wide = projection.sections["S1280"]
    grown = np.array([1.3 if item.prisms == "S1280-LW:S1280-RW" else 1.0 for item in wide.series])
    wide = dataclasses.replace(wide, quantiles=wide.quantiles * grown[:, None, None])
    projection = dataclasses.replace(projection, sections={**projection.sections, "S1280": wide})
    outlook = dataclasses.replace(
        sample_outlook, table=sample_outlook.table.assign(final_high=high), projection=projection
    )
    axes = plots.outlook_map(outlook)
    assert BAND_REACHES in words(figure_of(axes[0]))
    expected = 0
    for name in ("settlement crown", "chord left wall:right wall"):
        for section in outlook.projection.sections:
            view = section_view(outlook, section)
            series = next((item for item in view.series if item.label == name), None)
            row = None if series is None else view.row(series)
            if series is not None and row is not None and row["outlook"] == "clear":
                levels = [
                    item.level.value
                    for item in view.levels(series)
                    if (item.trigger.quantity, item.trigger.since) == ("value", "zero reading")
                ]
                expected += row["final_high"] >= min(levels)
    dots = [line for panel in axes for line in panel.lines if line.get_marker() == "o" and line.get_markersize() < 5]
    assert len(dots) == expected > 0


def test_the_fit_shows_curve_residuals_and_parameters(early_outlook: Outlook, fit: CurveFit) -> None:
    series = find_series(early_outlook.job, "S1082", "settlement crown")
    upper, lower = plots.fit_figure(series, fit, job=early_outlook.job)
    told = words(figure_of(upper))
    for name in fit.parameters:
        assert f"{name} = " in told
    assert "\N{PLUS-MINUS SIGN} is one standard error" in told
    assert f"status: {fit.status.value}" in told
    residual = np.asarray(max(lower.lines, key=lambda line: np.size(line.get_xdata())).get_ydata(), dtype=float)
    assert float(np.sum(np.square(residual))) == pytest.approx(fit.rss, rel=1e-6), "residuals are those of the fit"
    assert upper.get_ylabel() == "settlement [mm], + down\nsince zero reading"
    assert_nothing_cut_off(figure_of(upper))


@pytest.mark.parametrize("status", [status for status in FitStatus if not status.trustworthy])
def test_a_fit_that_is_not_solved_looks_it(early_outlook: Outlook, fit: CurveFit, status: FitStatus) -> None:
    series = find_series(early_outlook.job, "S1082", "settlement crown")
    doubtful = replace(fit, status=status, reason="for a reason in numbers " * 20)
    upper, _ = plots.fit_figure(series, doubtful)
    told = words(figure_of(upper)).replace("\n", " ")
    assert f"NOT TO BE USED AS IT STANDS: {status.value}" in told
    assert any(patch.get_hatch() for patch in upper.patches)
    assert "time since the zero reading [d]" in told
    assert_nothing_cut_off(figure_of(upper))


def test_a_fit_that_failed_draws_no_curve(early_outlook: Outlook, fit: CurveFit) -> None:
    series = find_series(early_outlook.job, "S1082", "settlement crown")
    nothing = dict.fromkeys(fit.parameters, float("nan"))
    failed = replace(fit, status=FitStatus.FAILED, parameters=nothing, standard_errors=nothing, sigma=float("nan"))
    upper, lower = plots.fit_figure(series, failed)
    assert "no curve, no residuals" in words(figure_of(lower))
    assert "unknown" in words(figure_of(upper))


def test_a_solved_fit_has_no_banner(early_outlook: Outlook, fit: CurveFit) -> None:
    series = find_series(early_outlook.job, "S1082", "settlement crown")
    upper, _ = plots.fit_figure(series, replace(fit, status=FitStatus.SOLVED))
    assert "NOT TO BE USED" not in words(figure_of(upper))
    assert not upper.patches


@pytest.mark.parametrize("section", ["A", "C"])
def test_a_job_without_triggers(plain: Outlook, section: str) -> None:
    figure = plots.section_figure(plain, section)
    told = words(figure)
    assert "A $1_0$ {tunnel} with % signs" in told, "signs of the name are shown, not set as a formula"
    assert "no measure with a level" in told
    assert_nothing_cut_off(figure)


def test_a_section_never_read_says_so(plain: Outlook) -> None:
    told = words(plots.section_figure(plain, "C"))
    assert "BLIND" in told
    assert "never read, though the heading face is 48 m past" in told
    assert "no reading" in words(figure_of(plots.movement_against_face_distance(plain, "C")))
    assert "no reading" in words(figure_of(plots.movement_against_time(plain, "C", "settlement crown")))


def test_a_job_without_chords(crowns: Outlook) -> None:
    figure = plots.section_figure(crowns, "A")
    assert not any("chord" in axes.get_ylabel() for axes in figure.axes)
    assert "heading passes" in words(figure)
    assert_nothing_cut_off(figure)
    assert len(plots.outlook_map(crowns)) == 1


def test_likely_crossings_are_dated(crowns: Outlook) -> None:
    level = next(item for item in crowns.levels["A", "settlement crown"] if item.level.name == "attention")
    day = plots.movement_against_time(crowns, "A")
    assert level.probability > 0.5
    # the figure tells the date where the tunnel is, two hours ahead of UTC
    local = crowns.job.instant(level.crossing) + np.timedelta64(2, "h")
    assert f"attention: even odds by {np.datetime_as_string(local, unit='D')}" in words(figure_of(day))


def test_levels_with_another_datum_or_unit_say_so(levels: Outlook) -> None:
    projection = levels.projection.sections["A"]
    lost = projection.lost[projection.index("settlement crown")]
    axes = plots.movement_against_time(levels, "A")
    told = words(figure_of(axes))
    assert f"limit 24 mm since excavation, {lost:.1f} mm of it lost before the zero reading (crown)" in told
    assert any(np.allclose(line.get_ydata(), 24.0 - lost) for line in axes.lines)
    # 0.2 % of 10.00 m is 20 mm (arithmetic)
    chord = plots.movement_against_time(levels, "A", "chord")
    assert "attention 0.2 % of 10.00 m (left wall to right wall)" in words(figure_of(chord))
    assert any(np.allclose(line.get_ydata(), 20.0, atol=1e-6) for line in chord.lines)
    sideways = plots.movement_against_time(levels, "A", "transverse")
    lines = [np.asarray(line.get_ydata(), dtype=float) for line in sideways.lines]
    heights = {float(line[0]) for line in lines if np.ptp(line) == 0.0}
    assert {-6.0, 6.0} <= heights, "a level of transverse movement limits the magnitude"
    assert_nothing_cut_off(figure_of(plots.outlook_map(levels)[0]))


def test_a_level_whose_place_is_unknown_is_told_and_not_drawn(levels: Outlook) -> None:
    projection = levels.projection.sections["A"]
    unknown = replace(projection, lost=np.full_like(projection.lost, np.nan))
    sections = levels.projection.sections | {"A": unknown}
    without = replace(levels, projection=replace(levels.projection, sections=sections))
    axes = plots.movement_against_time(without, "A")
    told = " ".join(words(figure_of(axes)).split())
    assert "not drawn: limit 24 mm since excavation, the part lost before the zero reading unknown (" in told
    assert "nan" not in told
    assert all(np.isfinite(np.asarray(line.get_ydata(), dtype=float)).any() for line in axes.lines)
    assert_nothing_cut_off(figure_of(axes))
    settlement, *_ = plots.outlook_map(without)
    assert np.isfinite(settlement.get_ylim()).all()
    assert_nothing_cut_off(figure_of(plots.movement_against_face_distance(without, "A")))


def test_a_section_without_projection_draws_its_readings(plain: Outlook) -> None:
    bare = replace(plain, projection=replace(plain.projection, sections={}, tracks={}))
    figure = plots.section_figure(bare, "A")
    told = words(figure)
    assert "nothing projected" in told
    assert "no face log" in told
    assert_nothing_cut_off(figure)


def test_unknown_names_are_errors_that_list_the_known(plain: Outlook) -> None:
    with pytest.raises(ValueFault, match="A, B, C"):
        plots.section_figure(plain, "Z")
    with pytest.raises(ValueFault, match="settlement crown"):
        plots.movement_against_time(plain, "A", "settlement floor")


def test_a_notebook_shows_a_figure(plain: Outlook) -> None:
    figure = plots.section_figure(plain, "A")
    assert isinstance(figure, PaperFigure)
    picture = imread(BytesIO(figure._repr_png_()))
    # A4 across at 150 dots per inch: 11.69 and 8.27 inches
    assert picture.shape[:2] == (1240, 1753)
    assert isinstance(pickle.loads(pickle.dumps(figure)), Figure)


def test_the_figures_do_without_pyplot() -> None:
    script = "import sys, convergence.plots; print('matplotlib.pyplot' in sys.modules)"
    done = subprocess.run([sys.executable, "-c", script], capture_output=True, text=True, check=True, timeout=60)
    assert done.stdout.strip() == "False"
