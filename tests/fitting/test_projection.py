"""Variable projection over several stages: exact gradient, the truth from bad starts, the sample job's hard series."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest

from convergence import find_series, measure_section, read_job
from convergence.fitting import fit_batch, fit_series
from convergence.fitting.model import Model
from convergence.fitting.projection import Trial, moving_places, projectable, refine, solved
from convergence.fitting.screen import refined_starts, screen_table
from convergence.fitting.setup import build_model
from convergence.laws import FacePath, law
from convergence.survey import Job

from .conftest import BENCH, STEADY, STOPPED, TRUTH, Build, FloatArray

INVERT = FacePath(np.array([-10.0, 35, 40, 80]), np.array([-120.0, 0, 3, 120]))
PATHS = {"heading": STOPPED, "bench": BENCH, "invert": INVERT}
ESTIMATE, ERROR = 1e-6, 1e-4

# where a solver in the amplitudes and the ratios creeps along the valley for hundreds of steps without an end
CREEPING = [
    ("S1184", "settlement crown"),
    ("S1123", "settlement crown"),
    ("S1148", "transverse left wall"),
    ("S1148", "chord left wall:right wall"),
    ("S1068", "settlement right shoulder"),
    ("S1068", "chord left wall:right wall"),
    ("S1110", "transverse right wall"),
]


def three_stages(build: Build, days: FloatArray, amplitudes: tuple[float, ...], noise: float) -> Model:
    series = build(days, dict(zip(PATHS, amplitudes, strict=True)), PATHS, noise=noise)
    return build_model(series, law("hereditary"), "all")


def rss(model: Model, parameters: FloatArray) -> float:
    return float(np.sum((model.value - model.modelled(parameters)) ** 2))


def at(model: Model, trial: Trial, coordinates: FloatArray) -> Trial:
    """The best linear parameters somewhere near a trial, in logarithm of the length and shares of the others."""
    parameters, shares = trial.parameters.copy(), trial.shares.copy()
    parameters[moving_places(model)] *= np.exp(coordinates[:1])
    shares[np.arange(shares.size) != trial.lead] += coordinates[1:]
    return solved(model, parameters, shares, trial.lead)


def test_gradient_is_that_of_the_projected_sum_of_squares(build: Build, days: FloatArray) -> None:
    """Central differences with steps of 1e-5 are good to some 1e-8 of the largest component."""
    model = three_stages(build, days, (40.0, 15.0, 5.0), 0.5)
    start = np.where(model.free, 1.0, model.held)
    start[model.nonlinear[0]] = 4.0
    trial = solved(model, start, np.array([1.0, 0.6, -0.2]))
    assert 20.0 in trial.parameters[model.ratios]
    gradient = -2 * trial.jacobian.T @ trial.residual
    steps = 1e-5 * np.eye(3)
    slopes = [(at(model, trial, step).rss - at(model, trial, -step).rss) / 2e-5 for step in steps]
    np.testing.assert_allclose(gradient, slopes, atol=1e-6 * np.max(np.abs(slopes)))


def test_linear_parameters_are_the_best_within_their_bounds(build: Build, days: FloatArray) -> None:
    """No small admissible change of amplitudes in proportion, ratios or offset lowers the sum of squares."""
    model = three_stages(build, days, (40.0, 15.0, 5.0), 0.5)
    start = np.where(model.free, 1.0, model.held)
    start[model.nonlinear[0]] = 20.0
    trial = solved(model, start, np.array([1.0, 0.6, 0.3]))
    assert rss(model, trial.parameters) == pytest.approx(trial.rss, rel=1e-12)
    for size in (1e-3, -1e-3):
        scaled = trial.parameters.copy()
        scaled[model.amplitudes] *= 1 + size
        assert rss(model, scaled) > trial.rss
        for place in (*model.ratios, *model.offsets):
            moved = trial.parameters.copy()
            moved[place] += size
            if model.lower[place] <= moved[place] <= model.upper[place]:
                assert rss(model, moved) > trial.rss


def is_the_truth(model: Model, end: FloatArray, amplitudes: tuple[float, ...]) -> None:
    """Readings without noise; the integration grid of the hereditary law alone differs by 1e-6 from fit to series."""
    assert rss(model, end) < 1e-6
    np.testing.assert_allclose(end[model.amplitudes], amplitudes, atol=0.01)
    assert end[model.nonlinear[0]] == pytest.approx(TRUTH["influence_length"], rel=1e-3)
    creep = sum(value for name, value in TRUTH.items() if name.startswith("creep"))
    assert np.sum(end[model.ratios]) == pytest.approx(creep, rel=1e-2)


@pytest.mark.parametrize("amplitudes", [(40.0, 15.0, 5.0), (0.0, 15.0, 5.0), (40.0, -8.0, 0.0), (-1.0, 0.5, 30.0)])
def test_any_stage_may_lead_or_vanish(build: Build, days: FloatArray, amplitudes: tuple[float, ...]) -> None:
    model = three_stages(build, days, amplitudes, 0.0)
    assert projectable(model)
    (end,) = refined_starts(model, screen_table(model))
    is_the_truth(model, end, amplitudes)


@pytest.mark.parametrize("first", [(1.0, 0.0, 0.0), (0.1, -1.0, 1.0), (0.0, 0.0, 0.0), (-1.0, 5.0, 0.0)])
def test_shares_far_off_are_mended(build: Build, days: FloatArray, first: tuple[float, ...]) -> None:
    """The lead passes from stage to stage on the way. From a start without any screening, which promises nothing
    in general: other minima exist, and readings with other amplitudes lead into them from some of these starts.
    """
    amplitudes = (40.0, 15.0, 5.0)
    model = three_stages(build, days, amplitudes, 0.0)
    start = np.where(model.free, 0.0, model.held)
    start[model.nonlinear[0]] = 3.0
    start[model.amplitudes] = first
    is_the_truth(model, refine(model, start), amplitudes)


def test_not_for_held_amplitudes_nor_for_what_is_linear_as_it_stands(build: Build, days: FloatArray) -> None:
    series = build(days, {"heading": 40.0, "bench": 15.0}, {"heading": STEADY, "bench": BENCH})
    form, creep = law("hereditary"), {name: value for name, value in TRUTH.items() if name.startswith("creep")}
    assert projectable(build_model(series, form, "all"))
    assert projectable(build_model(series, form, "heading", held=creep))
    assert not projectable(build_model(series, form, "all", held=creep))
    assert not projectable(build_model(series, form, "all", held={"amplitude_bench": 15.0}))


@pytest.fixture(name="sample", scope="module")
def sample_fixture(sample_folder: Path) -> Job:
    return read_job(sample_folder)


@pytest.mark.parametrize(("section", "measure"), CREEPING)
def test_both_routes_solve_what_creeps(sample: Job, section: str, measure: str) -> None:
    """Three stages of the sample job; both routes end at the same minimum, the estimates within 1e-6."""
    series = find_series(sample, section, measure)
    single, (batch,) = fit_series(series), fit_batch([series])
    assert len(single.model.stages) == 3
    assert single.status == batch.status
    assert single.status in ("solved", "at bound")
    assert batch.roles == tuple(single.roles.values())
    np.testing.assert_allclose(batch.values, list(single.parameters.values()), rtol=ESTIMATE)
    np.testing.assert_allclose(batch.standard_errors, list(single.standard_errors.values()), rtol=ERROR)
    assert batch.rss == pytest.approx(single.rss, rel=1e-9)


def test_no_fit_of_whole_sections_fails(sample: Job) -> None:
    """Every measure of two of the sections in which creeping fits are most frequent."""
    series = [*measure_section(sample, "S1123"), *measure_section(sample, "S1148")]
    assert len(series) > 20
    assert {outcome.status.value for outcome in fit_batch(series)} <= {"solved", "not separable", "at bound"}
