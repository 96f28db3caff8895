"""Each status is reached by a series built for it, and the reason says why in numbers."""

from __future__ import annotations

import math

import numpy as np
import pytest

from convergence.fitting import CurveFit, Evidence, FitStatus, diagnose, fit_batch, fit_series
from convergence.fitting.precision import precision
from convergence.fitting.status import LARGEST_CORRELATION

from .conftest import FAR_OFF, STEADY, STOPPED, Build, FloatArray


def test_solved_and_creep_resting_at_zero_is_no_fault(build: Build, days: FloatArray) -> None:
    shape = {"influence_length": 7.0, "creep_1": 0.0, "creep_2": 0.4, "creep_3": 0.0, "creep_4": 0.0}
    fit = fit_series(build(days, {"heading": 40.0}, {"heading": STOPPED}, shape=shape, noise=0.1))
    assert fit.status is FitStatus.SOLVED
    assert fit.status.trustworthy
    resting = [name for name, role in fit.roles.items() if role == "at bound"]
    assert resting
    assert fit.reason == f"active at zero: {', '.join(resting)}"
    for name in resting:
        assert fit.parameters[name] == 0
        assert math.isnan(fit.standard_errors[name])


def test_steady_advance_is_not_separable(build: Build) -> None:
    """With time and face distance in step no readings split creep from advance; a stoppage does."""
    time = np.r_[1.0, np.arange(1.33, 20.0, 1 / 3)]
    for seed in range(5):
        steady = fit_series(build(time, {"h": 40.0}, {"h": STEADY}, noise=0.3, seed=seed))
        stopped = fit_series(build(time, {"h": 40.0}, {"h": STOPPED}, noise=0.3, seed=seed))
        assert steady.status is FitStatus.NOT_SEPARABLE
        assert "amplitude" in steady.reason
        assert stopped.status is FitStatus.SOLVED


def test_coupled_law_at_steady_advance_is_not_separable(build: Build) -> None:
    shape = {"influence_length": 10.0, "characteristic_time": 6.0, "creep_ratio": 1.5}
    series = build(np.r_[1.5, np.arange(2.0, 40)], {"h": 30.0}, {"h": STEADY}, name="coupled", shape=shape)
    fit = fit_series(series, "coupled", sigma=1.0)
    assert fit.status is FitStatus.NOT_SEPARABLE
    assert "correlated" in fit.reason
    assert "standard error" in fit.reason
    held = fit_series(series, "coupled", sigma=1.0, held=shape)
    assert held.status is FitStatus.SOLVED


def test_too_few_readings(build: Build) -> None:
    fit = fit_series(build([1.0, 2, 3], {"h": 40.0}, {"h": STOPPED}))
    assert fit.status is FitStatus.TOO_FEW_READINGS
    assert fit.reason == "3 readings for 7 free parameters; at least 9 are needed"
    assert all(math.isnan(fit.parameters[name]) for name in ("amplitude", "creep_1", "zero_offset_0"))
    assert fit.parameters["face_share"] == 0.27
    assert np.all(np.isnan(fit.predict([1.0, 100.0])))
    assert math.isnan(fit.lost())
    assert np.all(np.isnan(fit.rate([5.0])))
    assert fit.result is None


def test_one_reading_is_too_few(build: Build) -> None:
    assert fit_series(build([1.0], {"h": 1.0}, {"h": STOPPED})).status is FitStatus.TOO_FEW_READINGS


def test_never_read_and_no_face_log(build: Build, days: FloatArray) -> None:
    series = build(days, {"h": 40.0}, {"h": STOPPED})
    empty = np.empty(0)
    unread = type(series)(**{**vars(series), "time": empty, "value": empty, "segment": empty})
    pathless = type(series)(**{**vars(series), "paths": {}})
    for other, words in ((unread, "never read"), (pathless, "the face of any stage has not passed")):
        fit = fit_series(other)
        assert fit.status is FitStatus.TOO_FEW_READINGS
        assert words in fit.reason
        assert np.all(np.isnan(fit.predict([5.0])))
        assert "CurveFit?" in repr(fit)
    assert [each.status for each in fit_batch([series, unread, pathless])] == [FitStatus.SOLVED] + 2 * [
        FitStatus.TOO_FEW_READINGS
    ]


def test_the_threshold_of_readings_is_two_beyond_the_free_parameters(build: Build) -> None:
    def fit(count: int) -> CurveFit:
        times = np.linspace(1.0, 30.0, count)
        return fit_series(
            build(
                times,
                {"h": 30.0},
                {"h": STEADY},
                name="power_face",
                shape={"influence_length": 7.0},
                noise=0.1,
            ),
            "power_face",
        )

    assert fit(4).status is FitStatus.TOO_FEW_READINGS
    assert fit(5).status is FitStatus.SOLVED


def test_face_not_yet_passed(build: Build, days: FloatArray) -> None:
    series = build(days, {"heading": 40.0}, {"heading": STOPPED, "bench": FAR_OFF}, noise=0.2)
    fit = fit_series(series, stage="bench")
    assert fit.status is FitStatus.TOO_FEW_READINGS
    assert "'bench' has not passed the section" in fit.reason


def test_at_bound(build: Build) -> None:
    """Movement proportional to distance: the influence length would be infinite and ends on its bound."""
    series = build(
        np.arange(1.0, 30), {"h": 100.0}, {"h": STEADY}, name="power_face", shape={"influence_length": 1000.0}
    )
    fit = fit_series(series, "power_face")
    assert fit.status is FitStatus.AT_BOUND
    assert fit.parameters["influence_length"] == 100.0
    assert fit.roles["influence_length"] == "at bound"
    assert "influence_length ended on its upper bound 100 m" in fit.reason


def test_no_movement_has_no_known_amplitude(build: Build, days: FloatArray) -> None:
    series = build(days, {"h": 0.0}, {"h": STOPPED}, name="power_face", shape={"influence_length": 7.0}, noise=0.5)
    fit = fit_series(series, "power_face")
    assert fit.status in (FitStatus.NOT_SEPARABLE, FitStatus.AT_BOUND)
    assert not fit.status.trustworthy


def test_negative_amplitude_is_as_good_as_any(build: Build, days: FloatArray) -> None:
    up = fit_series(build(days, {"h": 40.0}, {"h": STOPPED}, noise=0.2))
    down = build(days, {"h": 40.0}, {"h": STOPPED}, noise=0.2)
    mirrored = type(down)(**{**vars(down), "value": -down.value})
    fit = fit_series(mirrored)
    assert fit.status is FitStatus.SOLVED
    assert fit.parameters["amplitude"] == pytest.approx(-up.parameters["amplitude"], rel=1e-7)
    assert fit.parameters["creep_2"] == pytest.approx(up.parameters["creep_2"], rel=1e-6)


def test_ill_posed_series_never_fail(build: Build) -> None:
    """Heavy noise over a steady advance: no status may be "failed", by either route."""
    for last in (6.0, 12.0):
        time = np.r_[1.0, np.arange(1.33, last, 1 / 3)]
        for seed in range(4):
            series = build(time, {"h": 40.0}, {"h": STEADY}, noise=1.0, seed=seed)
            for status in (fit_series(series).status, fit_batch([series])[0].status):
                assert status is FitStatus.NOT_SEPARABLE


def evidence(jacobian: FloatArray, *, converged: bool = True) -> Evidence:
    return Evidence(
        readings=50,
        values={"amplitude": 10.0, "influence_length": 5.0},
        bounds={"amplitude": (-math.inf, math.inf), "influence_length": (0.5, 100.0)},
        precision=precision(["amplitude", "influence_length"], jacobian, 0.01),
        amplitudes=["amplitude"],
        converged=converged,
    )


def test_diagnose_a_solver_that_stopped() -> None:
    jacobian = np.random.default_rng(1).normal(size=(50, 2))
    assert diagnose(evidence(jacobian))[0] is FitStatus.SOLVED
    status, reason = diagnose(evidence(jacobian, converged=False))
    assert status is FitStatus.FAILED
    assert "tolerances" in reason


def test_correlation_threshold() -> None:
    """Two unit columns at an angle: their estimates are correlated by minus its cosine."""
    first, other = np.eye(50)[:, 0], np.eye(50)[:, 1]
    for correlation, expected in ((0.99985, FitStatus.SOLVED), (0.99995, FitStatus.NOT_SEPARABLE)):
        second = correlation * first + math.sqrt(1 - correlation**2) * other
        found = evidence(np.column_stack([first, second]))
        assert found.precision is not None
        assert found.precision.correlation[0, 1] == pytest.approx(-correlation, abs=1e-9)
        assert diagnose(found)[0] is expected
    assert 0.99985 < LARGEST_CORRELATION < 0.99995


def test_a_parameter_without_effect_is_named() -> None:
    status, reason = diagnose(evidence(np.column_stack([np.ones(50), np.zeros(50)])))
    assert status is FitStatus.NOT_SEPARABLE
    assert "influence_length has no effect on the readings" in reason
