"""Deflection lines, vectors, heat strip and inverse velocity: what they draw, what they leave out, what they say."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from dataclasses import replace

import matplotlib as mpl
import matplotlib.pyplot as plt
import numpy as np
import pytest
from matplotlib.axes import Axes
from matplotlib.colors import to_rgb
from matplotlib.patches import Ellipse

from convergence import plots
from convergence.errors import ValueFault
from convergence.measures import find_series
from convergence.plots.canvas import figure_of, own_axes
from convergence.plots.heat import CLASSES, class_colours, daily_rates
from convergence.plots.movements import movement_at_distance
from convergence.plots.view import section_view
from convergence.terms import CAUTION
from convergence.triggers import Outlook
from tests.plots.test_figures import assert_nothing_cut_off, words

Draw = Callable[[Outlook], Axes]
FIGURES: dict[str, Draw] = {
    "deflection": lambda outlook: plots.deflection_line(outlook),
    "deflection since excavation": lambda outlook: plots.deflection_line(outlook, since="excavation"),
    "long section": lambda outlook: plots.long_section_vectors(outlook),
    "heat": lambda outlook: plots.heat_strip(outlook),
    "heat of all days": lambda outlook: plots.heat_strip(outlook, days=None),
    "vectors": lambda outlook: plots.section_vectors(outlook, outlook.job.sections[0]),
    "vectors of a young section": lambda outlook: plots.section_vectors(outlook, outlook.job.sections[-1]),
    "inverse velocity": lambda outlook: plots.inverse_velocity(outlook, outlook.job.sections[0]),
}


@pytest.fixture(autouse=True)
def _nothing_left_behind() -> Iterator[None]:
    before, open_before = dict(mpl.rcParams), plt.get_fignums()
    yield
    assert plt.get_fignums() == open_before
    assert dict(mpl.rcParams) == before


@pytest.mark.parametrize("name", FIGURES)
@pytest.mark.parametrize("job", ["early_outlook", "plain", "crowns"])
def test_figures_are_whole_and_carry_the_caution(name: str, job: str, request: pytest.FixtureRequest) -> None:
    """Of the sample, of a job without triggers whose last section was never read, and of one prism a section."""
    figure = figure_of(FIGURES[name](request.getfixturevalue(job)))
    assert " ".join(CAUTION.split()) in " ".join(words(figure).split())
    assert_nothing_cut_off(figure)


@pytest.mark.parametrize(
    "draw",
    [
        lambda outlook, ax: plots.deflection_line(outlook, ax=ax),
        lambda outlook, ax: plots.long_section_vectors(outlook, ax=ax),
        lambda outlook, ax: plots.heat_strip(outlook, ax=ax),
        lambda outlook, ax: plots.section_vectors(outlook, "S1110", ax=ax),
        lambda outlook, ax: plots.inverse_velocity(outlook, "S1110", ax=ax),
    ],
    ids=["deflection", "long section", "heat", "vectors", "inverse velocity"],
)
def test_axes_given_are_drawn_in(early_outlook: Outlook, draw: Callable[[Outlook, Axes], Axes]) -> None:
    ax = own_axes(9.0, 5.0, (1.0, 1.0, 1.5, 1.0))
    assert draw(early_outlook, ax) is ax
    assert ax.get_title(loc="left")
    assert CAUTION not in words(figure_of(ax)), "the caution stands on figures of the library's own"


class TestDeflection:
    def test_points_are_the_movement_at_equal_face_distance(self, early_outlook: Outlook) -> None:
        ax = plots.deflection_line(early_outlook, distances=[12.0])
        (line,) = (item for item in ax.lines if item.get_marker() == "o")
        noise = early_outlook.projection.noise
        expected = [
            movement_at_distance(find_series(early_outlook.job, section, "settlement crown"), 12.0, noise)[0]
            for section in early_outlook.job.sections
        ]
        assert np.isfinite(expected).sum() >= 5
        assert np.isnan(expected).sum() >= 1, "some sections are not so far"
        np.testing.assert_allclose(np.asarray(line.get_ydata(), dtype=float), expected)
        assert ax.yaxis_inverted()

    def test_the_lost_part_is_added_only_where_asked(self, early_outlook: Outlook) -> None:
        measured, whole = (
            np.asarray(plots.deflection_line(early_outlook, distances=[12.0], since=since).lines[0].get_ydata(), float)
            for since in ("zero reading", "excavation")
        )
        known = np.isfinite(measured)
        section = early_outlook.projection.sections["S1012"]
        place = early_outlook.job.sections.index("S1012")
        lost = section.lost[section.index("settlement crown")]
        assert whole[place] - measured[place] == pytest.approx(lost)
        assert (whole[known] > measured[known]).all()
        told = words(figure_of(plots.deflection_line(early_outlook, since="excavation")))
        assert "since excavation" in told
        assert "which is estimated" in told

    def test_a_late_zero_reading_is_named(self, early_outlook: Outlook) -> None:
        """The zero reading of S1082 was taken late (truth/faults.csv): its line starts lower than those beside it."""
        told = words(figure_of(plots.deflection_line(early_outlook)))
        assert "zero reading\nat 7.8 m" in told

    def test_an_unknown_measure_is_refused(self, early_outlook: Outlook) -> None:
        with pytest.raises(ValueFault, match="settlement crown"):
            plots.deflection_line(early_outlook, "settlement roof")


class TestVectors:
    def test_arrows_lead_to_the_last_reading(self, early_outlook: Outlook) -> None:
        array = early_outlook.job.array("S1110")
        ax = plots.section_vectors(early_outlook, "S1110")
        rows = np.flatnonzero(array["used"].values[:, 0])
        way = array["movement"].values[rows, 0]
        circles = [item for item in ax.patches if isinstance(item, Ellipse)]
        tip = np.array(circles[0].center) - [array["offset_design"].values[0], array["height_design"].values[0]]
        # to the right as transverse, down as settlement, both enlarged alike
        assert tip[0] / way[-1, 1] == pytest.approx(-tip[1] / way[-1, 2])
        assert f"{way[-1, 2]:.1f} mm down" in words(figure_of(ax))

    def test_a_prism_never_read_says_so(self, plain: Outlook) -> None:
        assert "never read" in words(figure_of(plots.section_vectors(plain, "C")))

    def test_arrows_of_the_long_section_lean_as_the_prism_moved(self, early_outlook: Outlook) -> None:
        ax = plots.long_section_vectors(early_outlook)
        section = "S1110"
        down = find_series(early_outlook.job, section, "settlement crown").value[-1]
        along = find_series(early_outlook.job, section, "longitudinal crown").value[-1]
        tip = next(
            item.center for item in ax.patches if isinstance(item, Ellipse) and item.center[1] == pytest.approx(down)
        )
        start = ax.transData.transform((section_view(early_outlook, section).chainage, 0.0))
        end = ax.transData.transform(tip)
        # up-chainage is to the right; on paper the arrow has the angle of the movement
        assert (end[0] - start[0]) / (start[1] - end[1]) == pytest.approx(along / down, rel=1e-6)

    def test_no_angle_where_settlement_is_not_resolved(self, early_outlook: Outlook) -> None:
        """S1082 moved 1 mm between its late zero reading and 12 m of face distance."""
        figure = figure_of(plots.long_section_vectors(early_outlook))
        told = words(figure)
        assert "cross: settlement not resolved" in told
        lower = figure.axes[1]
        (points,) = (item for item in lower.lines if item.get_marker() == "o" and item.get_linestyle() == "None")
        angle = np.asarray(points.get_ydata(), dtype=float)
        sections = early_outlook.job.sections
        assert np.isnan(angle[sections.index("S1082")])
        assert np.isfinite(angle).sum() >= 6
        assert f"{np.isfinite(angle).sum()} sections resolved" in told

    def test_few_sections_have_no_band(self, plain: Outlook) -> None:
        assert "too few for a band" in words(figure_of(plots.long_section_vectors(plain)))


class TestHeat:
    def test_classes_are_told_apart_in_grey(self) -> None:
        """Each class is darker than the one before by a tenth of the whole range at least (Rec. 709 luma)."""
        grey = [float(np.dot(to_rgb(colour), (0.2126, 0.7152, 0.0722))) for colour in class_colours()]
        assert len(grey) == len(CLASSES), "a colour a class, and one beyond the last end"
        assert (np.diff(grey) < -0.1).all()

    def test_missing_is_not_calm(self, early_outlook: Outlook) -> None:
        series = find_series(early_outlook.job, "S1012", "settlement crown")
        last = float(series.time[-1])
        found = daily_rates(early_outlook, series, np.array([float(series.time[0]) - 1.0, last, last + 2.5]))
        assert np.isnan(found[[0, 2]]).all()
        assert np.isfinite(found[1])

    def test_a_rate_within_its_error_is_none(self, early_outlook: Outlook) -> None:
        series = find_series(early_outlook.job, "S1012", "settlement crown")
        calm = replace(series, value=np.zeros(len(series.time)))
        assert daily_rates(early_outlook, calm, series.time[-1:]).tolist() == [0.0]
        fast = replace(series, value=5.0 * (series.time - series.time[0]))
        assert daily_rates(early_outlook, fast, series.time[-1:])[0] == pytest.approx(5.0)

    def test_faces_are_named(self, early_outlook: Outlook) -> None:
        told = words(figure_of(plots.heat_strip(early_outlook, days=None)))
        for name in early_outlook.projection.tracks:
            assert name in told

    @pytest.mark.parametrize("days", [0.0, -3.0])
    def test_no_days_is_refused(self, early_outlook: Outlook, days: float) -> None:
        with pytest.raises(ValueFault, match="above 0"):
            plots.heat_strip(early_outlook, days=days)


class TestInverseVelocity:
    def changed(self, outlook: Outlook, rate: Callable[[np.ndarray], np.ndarray]) -> Outlook:
        """The outlook with the crown of S1082 moving at another rate over its last two weeks, read every 6 hours."""
        section = outlook.projection.sections["S1082"]
        place = section.index("settlement crown")
        now = outlook.job.days(outlook.job.now)
        time = np.arange(now - 16.0, now, 0.25)
        value = np.concatenate([[0.0], np.cumsum(rate((time[1:] + time[:-1]) / 2 - now) * 0.25)])
        own = replace(section.series[place], time=time, value=value, segment=np.zeros(len(time), dtype=np.int64))
        series = tuple(own if index == place else item for index, item in enumerate(section.series))
        sections = outlook.projection.sections | {"S1082": replace(section, series=series)}
        return replace(outlook, projection=replace(outlook.projection, sections=sections))

    def test_a_quickening_movement_has_a_line_to_zero(self, early_outlook: Outlook) -> None:
        """1/v = 0.02 (t_f - t) with t_f two days ahead: the line comes out there, to half a day for the windows."""
        ahead = 2.0
        changed = self.changed(early_outlook, lambda day: 1.0 / (0.02 * (ahead - day)))
        ax = plots.inverse_velocity(changed, "S1082", "settlement crown")
        told = words(figure_of(ax))
        assert "line reaches zero on" in told
        (line,) = (item for item in ax.lines if len(np.asarray(item.get_xdata())) == 2 and item.get_linestyle() == "--")
        zero = float(np.asarray(line.get_xdata())[-1])
        now = section_view(changed, "S1082").clock.number(changed.job.days(changed.job.now))
        assert zero - now == pytest.approx(ahead, abs=0.5)
        assert_nothing_cut_off(figure_of(ax))

    def test_a_steady_movement_has_none(self, early_outlook: Outlook) -> None:
        changed = self.changed(early_outlook, lambda day: np.full(day.shape, 4.0))
        told = words(figure_of(plots.inverse_velocity(changed, "S1082", "settlement crown")))
        assert "line reaches zero" not in told
        assert "do not fall" in told

    def test_no_movement_is_no_rate(self, early_outlook: Outlook) -> None:
        changed = self.changed(early_outlook, lambda day: np.zeros(day.shape))
        told = words(figure_of(plots.inverse_velocity(changed, "S1082", "settlement crown")))
        assert "no rate is resolved" in told
