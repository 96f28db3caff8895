"""A whole job carried to the horizon: the sample job at an early date, and three of its sections for what changes it.

The sample job's truth comes from mechanics, not from the law that is fitted. One site with one history shows that the
numbers are sane; it is no claim of calibration.
"""

from __future__ import annotations

import csv
import pickle
import shutil
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
import xarray as xr

from convergence.errors import ConvergenceError, ValueFault
from convergence.fitting.job import fit_tunnel
from convergence.job.schema import StagePlan
from convergence.measures import measure_tunnel
from convergence.projection import PROBABILITIES, AdvancePlan, Projection, project_job
from convergence.projection.diagnosis import fit_status, projection_notes
from convergence.projection.entry import project
from convergence.projection.task import SectionTask
from convergence.projection.work import project_pooled
from convergence.survey.job import Job, read_job
from convergence.triggers.outlook import Outlook, outlook

CutSample = Callable[[Path, tuple[str, ...]], Path]
DATE = "2023-04-01T06:00:00Z"


@pytest.fixture(scope="module")
def early(early_outlook: Outlook) -> Projection:
    return early_outlook.projection


@pytest.fixture(scope="module")
def small_job(cut_sample: CutSample, tmp_path_factory: pytest.TempPathFactory) -> Job:
    """Three sections at a date when bench and invert still have to pass two of them."""
    return read_job(cut_sample(tmp_path_factory.mktemp("small") / "job", ("S1160", "S1172", "S1184")), DATE)


@pytest.fixture(scope="module")
def small(small_job: Job) -> Projection:
    return project_job(small_job)


class TestEveryMeasureHasABand:
    def test_one_for_each_measure_with_a_reading(self, early: Projection, early_job: Job) -> None:
        wanted = {(item.section, item.label) for item in measure_tunnel(early_job) if item.readings}
        found = {(name, item.label) for name, section in early.sections.items() for item in section.series}
        assert found == wanted
        assert len(found) > 150

    def test_it_is_finite_and_in_order(self, early: Projection) -> None:
        for section in early.sections.values():
            for table in (section.quantiles, section.total_quantiles, section.rate_quantiles):
                assert np.isfinite(table).all()
                assert (np.diff(table, axis=2) >= 0).all(), "low <= median <= high at every date"
            assert section.quantiles.shape == (len(section.series), len(section.dates), len(PROBABILITIES))
            assert (section.quantiles[:, -1, -1] > section.quantiles[:, -1, 0]).all(), "no band of no width"
            for part in ("mean", "by_stage", "alone", "law_deviation"):
                assert np.isfinite(getattr(section, part)).all(), part
            # along the axis the part before the zero reading follows another profile, so it is not given
            along = [item.measure == "longitudinal" for item in section.series]
            for part in ("lost", "lost_deviation"):
                assert np.isnan(getattr(section, part)).tolist() == along, part

    def test_dates_run_to_the_horizon(self, early: Projection) -> None:
        for section in early.sections.values():
            assert (np.diff(section.dates) > 0).all()
            last = max(float(item.time[-1]) for item in section.series)
            assert section.now == pytest.approx(last)
            assert last in section.dates
            passage = early.tracks["heading"].path(section.chainage).passage()
            assert section.dates[-1] == pytest.approx(passage + early.horizon_days, abs=1e-6)

    def test_the_median_goes_through_the_readings(self, early: Projection) -> None:
        """At the last reading of a section with weeks of readings the band is about as narrow as the noise."""
        for section in early.sections.values():
            for index, item in enumerate(section.series):
                if item.readings > 60 and section.now - item.time[-1] < 0.1:
                    near = float(np.median(item.value[-4:]))
                    assert section.at(index, section.now, 0.5) - item.kept_steps == pytest.approx(near, abs=2.5)

    def test_parts_of_the_spread_add_up(self, early: Projection) -> None:
        for section in early.sections.values():
            whole = np.sqrt(section.parameter_deviation**2 + section.reading_deviation**2 + section.law_deviation**2)
            band = np.array([section.final(index, 0.84) - section.final(index, 0.16) for index in range(len(whole))])
            # normal or not, half the band of 68 % is the standard deviation to a third
            assert band / 2 == pytest.approx(whole, rel=0.35, abs=0.1)

    def test_a_band_widens_with_confidence(self, early: Projection) -> None:
        for section in early.sections.values():
            for index in range(len(section.series)):
                widths = [
                    section.final(index, (1 + c) / 2) - section.final(index, (1 - c) / 2) for c in (0.5, 0.8, 0.9, 0.98)
                ]
                assert (np.diff(widths) > 0).all()

    def test_creep_and_lost_are_physical(self, early: Projection) -> None:
        for section in early.sections.values():
            assert 0 < section.creep_share < 1
            assert 0.5 < section.influence_length < 50
            crown = next((i for i, item in enumerate(section.series) if item.label == "settlement crown"), None)
            if crown is not None:
                assert section.lost[crown] > 0, "the crown settled before its zero reading too"


def truth_of(folder: Path) -> dict[tuple[str, str, str], tuple[float, float]]:
    """True final and present value since the zero reading [mm], by section, measure and prisms."""
    with (folder / "truth" / "final.csv").open(encoding="utf-8") as stream:
        return {
            (row["section"], row["measure"], row["prisms"]): (
                float(row["since_zero_final_mm"]), float(row["since_zero_now_mm"])
            )
            for row in csv.DictReader(stream)
        }  # fmt: skip


class TestAgainstTheTruth:
    """One site: sanity, no claim of calibration. The truth knows no knocks, so series that keep one are left out."""

    @staticmethod
    def compared(projection: Projection, folder: Path) -> tuple[list[bool], list[float], list[float], list[float]]:
        truth = truth_of(folder)
        held, error, still, size = [], [], [], []
        for name, section in projection.sections.items():
            for index, item in enumerate(section.series):
                if item.kept_steps == 0.0 and item.readings >= 4:
                    final, _ = truth[name, item.measure, item.prisms]
                    held.append(section.final(index, 0.05) <= final <= section.final(index, 0.95))
                    error.append(abs(section.final(index, 0.5) - final))
                    still.append(abs(float(item.value[-1]) - final))
                    size.append(max(abs(final), 10.0))
        return held, error, still, size

    def test_early(self, early: Projection, sample_folder: Path) -> None:
        held, error, still, size = self.compared(early, sample_folder)
        assert len(held) > 150
        assert np.mean(held) >= 0.80
        assert np.median(np.divide(error, size)) < np.median(np.divide(still, size)), "no better than no more movement"

    def test_at_the_end_of_the_record(self, sample_outlook: Outlook, sample_folder: Path) -> None:
        held, error, still, size = self.compared(sample_outlook.projection, sample_folder)
        assert len(held) > 400
        assert np.mean(held) >= 0.80
        assert np.median(np.divide(error, size)) < np.median(np.divide(still, size))


class TestWhatIf:
    def test_a_stop_moves_what_comes_and_not_what_was(self, small_job: Job, small: Projection) -> None:
        start = small_job.now
        stopped = project_job(
            small_job, AdvancePlan.stop_all(("heading", "bench", "invert"), start, start + np.timedelta64(60, "D"))
        )
        later = []
        for name, section in small.sections.items():
            other = stopped.sections[name]
            for index, item in enumerate(section.series):
                assert (item.value == other.series[index].value).all()
                now = [s.at(index, section.now, 0.5) for s in (section, other)]
                assert now[0] == pytest.approx(now[1], abs=0.15), "the past is as it was"
            for stage, passage in section.future_passages.items():
                if np.isfinite(passage) and np.isfinite(other.future_passages.get(stage, np.nan)):
                    later.append(other.future_passages[stage] - passage)
        assert len(later) >= 2
        assert min(later) > 30.0, "a stage that stands still for 60 days passes later"
        assert {name: track.logged_until for name, track in small.tracks.items()} == {
            name: track.logged_until for name, track in stopped.tracks.items()
        }

    def test_a_stop_delays_a_crossing(self, small_job: Job, small: Projection) -> None:
        """A level that the crown reaches with the stages still to come."""
        section = small.sections["S1184"]
        label = "settlement crown"
        index = section.index(label)
        level = 0.5 * (section.at(index, section.now, 0.5) + section.final(index, 0.5))
        first = small_job.settings.triggers[0]
        trigger = replace(first, levels=(replace(first.levels[0], value=level),), revisions=())
        settings = replace(small_job.settings, triggers=(trigger,))
        job = replace(small_job, folder=replace(small_job.folder, settings=settings))
        days = np.timedelta64(60, "D")
        plan = AdvancePlan.stop_all(("heading", "bench", "invert"), job.now, job.now + days)
        crossing = []
        for given in (small, project_job(job, plan)):
            found = outlook(job, projection=given).levels["S1184", label][0]
            assert not found.past
            crossing.append(found.crossing)
        assert crossing[1] > crossing[0] + 5.0

    def test_a_faster_plan_brings_the_stages_sooner(self, small_job: Job, small: Projection) -> None:
        plan = AdvancePlan(
            {name: StagePlan(round_length=2.2, hours_per_round=5.0) for name in ("heading", "bench", "invert")}
        )
        fast = project_job(small_job, plan).sections["S1184"].future_passages
        for stage, passage in small.sections["S1184"].future_passages.items():
            assert fast[stage] <= passage + 1e-9

    def test_a_longer_horizon_does_not_shrink_the_settlement(self, small_job: Job, small: Projection) -> None:
        longer = project_job(small_job, horizon=1500.0)
        assert longer.horizon_days == 1500.0
        for name, section in small.sections.items():
            for index, item in enumerate(section.series):
                if item.measure == "settlement":
                    # the samples are the same stream; what differs is the places of dates and their interpolation
                    assert longer.sections[name].final(index, 0.5) >= section.final(index, 0.5) - 0.1

    @pytest.mark.parametrize("horizon", [1.0, 20.0])
    def test_a_horizon_already_past_is_a_day_ahead(self, small_job: Job, horizon: float) -> None:
        found = project_job(small_job, horizon=horizon)
        for section in found.sections.values():
            assert section.dates[-1] >= section.now + 1.0 - 1e-9
            assert np.isfinite(section.quantiles).all()
        table = outlook(small_job, projection=found).table
        assert (table["reason"] != "").all()


class TestTheNumbersHangOnTheReadingsOnly:
    def test_worker_processes_change_nothing(self, small_job: Job, small: Projection) -> None:
        many = project_job(small_job, processes=2)
        assert many.pool_factor == small.pool_factor
        for name, section in small.sections.items():
            for field in ("quantiles", "total_quantiles", "rate_quantiles", "lost", "alone", "shape", "by_stage"):
                assert np.array_equal(getattr(section, field), getattr(many.sections[name], field), equal_nan=True), (
                    field
                )

    def test_confidence_changes_the_bounds_and_not_the_median(self, small_job: Job, small: Projection) -> None:
        wide = project_job(small_job, confidence=0.98).dataset()
        usual = small.dataset()
        assert np.nanmax(np.abs(wide["final"] - usual["final"])) == 0.0
        assert (
            (wide["band"].sel(bound="high") >= usual["band"].sel(bound="high"))
            .where(usual["final"].notnull(), True)
            .all()
        )
        assert wide.attrs["confidence"] == 0.98

    def test_progress_is_told_to_the_end(self, small_job: Job) -> None:
        told: list[tuple[int, int]] = []
        project_job(small_job, progress=lambda done, total: told.append((done, total)))
        assert told == [(done, 15) for done in range(1, 16)]


@pytest.fixture(scope="module")
def folder(cut_sample: CutSample, tmp_path_factory: pytest.TempPathFactory) -> Path:
    return cut_sample(tmp_path_factory.mktemp("fits") / "job", ("S1160", "S1172"))


@pytest.fixture(scope="module")
def job(folder: Path) -> Job:
    return read_job(folder, DATE)


@pytest.fixture(scope="module")
def fits(job: Job) -> xr.Dataset:
    return fit_tunnel(job)


class TestFromFits:
    def test_fits_stand_for_their_job(self, job: Job, fits: xr.Dataset) -> None:
        assert project(fits).dataset().identical(project(job).dataset())

    def test_a_changed_folder_is_refused(self, folder: Path, fits: xr.Dataset, tmp_path: Path) -> None:
        changed = tmp_path / "job"
        shutil.copytree(folder, changed)
        table = changed / "advance.csv"
        table.write_text("\n".join(table.read_text().splitlines()[:-1]) + "\n")
        stale = fits.assign_attrs(job=str(changed))
        with pytest.raises(ConvergenceError, match=r"have changed since these fits were made\. To mend: fit again"):
            project(stale)

    def test_a_folder_that_has_gone_is_refused(self, fits: xr.Dataset, tmp_path: Path) -> None:
        with pytest.raises(ConvergenceError, match="To mend"):
            project(fits.assign_attrs(job=str(tmp_path / "gone")))

    def test_a_dataset_of_something_else_is_refused(self) -> None:
        with pytest.raises(ValueFault, match="give the job itself"):
            project(xr.Dataset({"rain": ("day", [1.0, 2.0])}))

    @pytest.mark.parametrize("horizon", [0.0, -5.0, 1e6, float("nan")])
    def test_a_horizon_out_of_range_is_refused(self, job: Job, horizon: float) -> None:
        with pytest.raises(ValueFault, match=r"horizon = .*expected 1 to 40000.*To mend"):
            project(job, horizon=horizon)

    @pytest.mark.parametrize("confidence", [0.0, 0.3, 1.0, 90.0, float("nan")])
    def test_a_confidence_out_of_range_is_refused(self, job: Job, confidence: float) -> None:
        with pytest.raises(ValueFault, match=r"confidence = .*expected 0\.5 to 0\.998.*To mend"):
            project(job, confidence=confidence)


class TestPlainData:
    def test_the_table_goes_to_a_file_and_back(self, early: Projection, tmp_path: Path) -> None:
        table = early.dataset()
        table.to_netcdf(tmp_path / "final.nc", engine="scipy")
        with xr.open_dataset(tmp_path / "final.nc", engine="scipy") as back:
            for name in table.variables:
                if table[name].dtype.kind == "f":
                    assert np.array_equal(back[name].values, table[name].values, equal_nan=True), name
            assert [str(name) for name in back["section"].values] == list(early.sections)
            assert back["band"].attrs["units"] == "mm"
            assert back.attrs["datum"] == "since zero reading"
            assert back.attrs["horizon_days"] == early.horizon_days

    def test_the_table_says_what_the_sections_say(self, early: Projection) -> None:
        table = early.dataset()
        for name, section in early.sections.items():
            for index, item in enumerate(section.series):
                cell = table.sel(section=name, measure=item.label)
                assert float(cell["final"]) == section.final(index, 0.5)
                assert float(cell["band"].sel(bound="low")) == pytest.approx(section.final(index, 0.05), abs=1e-9)
                assert float(cell["band"].sel(bound="high")) == pytest.approx(section.final(index, 0.95), abs=1e-9)

    def test_it_pickles(self, early: Projection) -> None:
        back = pickle.loads(pickle.dumps(early))
        assert repr(back) == repr(early)
        for name, section in early.sections.items():
            assert (back.sections[name].quantiles == section.quantiles).all()

    def test_it_says_what_it_is(self, early: Projection) -> None:
        assert f"{len(early.sections)} sections" in repr(early)
        assert "90% bands" in repr(early)
        assert "365 days" in repr(early)


class TestNothingToProject:
    def test_without_a_face_log_there_is_no_projection(self, small_job: Job) -> None:
        bare = replace(small_job, folder=replace(small_job.folder, advance={}))
        found = project_job(bare)
        assert found.sections == {}
        assert found.dataset().sizes["section"] == 0


def test_a_notebook_shows_a_table_with_names_escaped(make_section: Callable[..., SectionTask]) -> None:
    task = make_section([(24.0, 9.0)], until=20.0)
    named = replace(task.series[0], prisms="<b>P0</b>")
    found = project_pooled((replace(task, series=(named,)), np.zeros((1, 3)), 0.5))
    page = found._repr_html_()
    assert "&lt;b&gt;P0&lt;/b&gt;" in page
    assert "<b>P0" not in page
    assert f"{found.final(0, 0.5):.1f}" in page
    assert "judgement" in page


def test_a_face_without_rounds_for_days_is_told(folder: Path, tmp_path: Path) -> None:
    """Rounds that are missing from the log look like a face that stands: the rows near it say so."""
    late = tmp_path / "job"
    shutil.copytree(folder, late)
    rows = (late / "advance.csv").read_text(encoding="utf-8").splitlines()
    cut = [row for row in rows if row.startswith("time") or row < "2023-03-24"]
    (late / "advance.csv").write_text("\n".join(cut) + "\n", encoding="utf-8")
    as_of = "2023-04-05T06:00:00+02:00"
    whole, short = (project_job(read_job(path, as_of)) for path in (folder, late))
    assert not any(section.standing for section in whole.sections.values())
    found = next(section for section in short.sections.values() if section.standing)
    notes = projection_notes(found.series[0], found, lambda day: f"day {day:.1f}")
    assert "is logged since day" in notes[0]
    assert "every final here is wrong" in notes[0]


def test_days_and_rates_beyond_what_was_said_are_refused(small_job: Job) -> None:
    section = next(iter(project_job(small_job).sections.values()))
    last = float(section.dates[-1])
    assert section.at(0, last, 0.5) == pytest.approx(section.final(0, 0.5))
    assert section.rate_at(0, section.now + 5.0, 0.05) <= section.rate_at(0, section.now + 5.0, 0.95)
    for day in (float(section.dates[0]) - 1.0, last + 1.0):
        with pytest.raises(ValueFault, match="zero reading to the horizon"):
            section.at(0, day, 0.5)


def test_a_curve_that_misses_the_last_readings_is_no_solution(small_job: Job) -> None:
    section = next(iter(project_job(small_job).sections.values()))
    index = section.index("settlement crown")
    series = section.series[index]
    assert fit_status(series, section)[0] != "failed"
    missed = replace(series, value=series.value + np.linspace(0.0, 20.0, len(series.value)))
    status, reason = fit_status(missed, section)
    assert status == "failed"
    assert "from the last readings" in reason


def test_a_horizon_that_has_ended_is_told(small: Projection) -> None:
    """The final value of a section that is read beyond its horizon is of a later day, and says so."""
    found = next(iter(small.sections.values()))
    told = replace(found, horizon_day=float(found.dates[-1]) - 5.0)
    notes = projection_notes(found.series[0], told, lambda day: f"day {day:.1f}")
    assert any(f"the horizon ended on day {told.horizon_day:.1f}" in note for note in notes)
    assert not any("horizon" in note for note in projection_notes(found.series[0], found, lambda day: f"{day:.1f}"))


def test_a_change_of_the_ground_is_told_beside_it_only(small: Projection) -> None:
    one, two, three = list(small.sections.values())[:3]
    change = ((one.section, two.section, 0.97),)
    for section, expected in ((one, True), (two, True), (three, False)):
        notes = projection_notes(section.series[0], replace(section, ground_changes=change), lambda day: f"{day:.1f}")
        assert any("the ground changes between" in note and "97%" in note for note in notes) is expected


def test_a_face_that_never_came_is_told(small: Projection) -> None:
    found = next(iter(small.sections.values()))
    told = replace(found, future_passages={found.stages[0]: float("nan")})
    assert any("has not passed yet" in note for note in projection_notes(found.series[0], told, str))


def test_pooling_is_shown(small: Projection) -> None:
    """Each measure alone and pooled, what the others move, and the chance of a change of ground before each section."""
    table = small.pooling()
    assert len(table) == sum(len(item.series) for item in small.sections.values())
    assert table["moved_by_others_mm"].to_numpy() == pytest.approx(
        (table["final_mm"] - table["alone_final_mm"]).to_numpy()
    )
    first = min(small.sections.values(), key=lambda item: item.chainage).section
    assert table.loc[table["section"] == first, "ground_change"].isna().all()
    others = table.loc[table["section"] != first, "ground_change"]
    assert others.between(0.0, 1.0).all()
    assert (table["band_over_alone"] > 0.0).all()
