"""The section's model against the same normal distribution written out in full, matrix by matrix.

The columns that span the modes are all that is approximated, to 1e-6, so the two ways must agree closely; how well the
modes stand for a profile is measured apart.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace

import numpy as np
import numpy.typing as npt
import pytest
from scipy.linalg import block_diag

from convergence.laws import (
    DEFAULT_FACE_SHARE,
    DEFAULT_RETARDATION_TIMES,
    FacePath,
    exponential_modes,
    hereditary_basis,
    mode_lengths,
    mode_weights,
)
from convergence.projection.bases import unit_movement
from convergence.projection.bins import Bins, bin_section
from convergence.projection.expected import Pattern, StageRatio, default_ratio
from convergence.projection.inverses import inverse_of
from convergence.projection.prior import AHEAD, AMPLITUDE_SHARE, DISCREPANCY, MODES, SHORTEST_MODE, within_section
from convergence.projection.section import OFFSET_SPREAD, SLOPE_STEP, SectionModel
from convergence.projection.task import SectionTask

Floats = npt.NDArray[np.float64]
MakeSection = Callable[..., SectionTask]

AMPLITUDES = ((22.0, 8.0), (14.0, 6.0), (-5.0, -2.0))
#: A few sweeps only, so that the full matrices stay well conditioned and the comparison is sharp.
SPARSE = {"until": 45.0, "step": 1.5, "breaks": ((20.2, 9.0),)}
#: Added to the readings' variance so that it can be factorised [mm2].
JITTER = 1e-6


def from_the_profile(path: FacePath, times: Floats, theta: Floats, width: float, smooth: bool = False) -> Floats:
    """G(t; theta) by the hereditary integral of the whole profile, with no modes kept apart.

    The profile is the sum of its modes, or with ``smooth`` the power law itself.
    """
    length, power = np.exp(theta[:2])
    ahead = AHEAD * width

    def profile(distance: Floats) -> Floats:
        if smooth:
            scale = length / (4.0 ** (1.0 / power) - 1.0)
            behind = 1.0 - (1.0 + np.maximum(distance, 0.0) / scale) ** -power
            return DEFAULT_FACE_SHARE * np.exp(np.minimum(distance, 0.0) / ahead) + (1 - DEFAULT_FACE_SHARE) * behind
        lengths = mode_lengths(SHORTEST_MODE * width, MODES)
        weights = mode_weights([length], [power], float(lengths[0]), MODES)[0]
        return exponential_modes(distance, lengths, DEFAULT_FACE_SHARE, ahead) @ weights

    basis = hereditary_basis(path, times, profile, DEFAULT_RETARDATION_TIMES, step=0.05)
    return np.asarray(basis @ np.concatenate([[1.0], np.exp(theta[2:])]))


def to_come(theta: Floats, width: float) -> float:
    """What is left of the release 0.3 widths past, by the modes' own exponentials, and the creep of 15 days."""
    lengths = mode_lengths(SHORTEST_MODE * width, MODES)
    weights = mode_weights(np.exp(theta[:1]), np.exp(theta[1:2]), SHORTEST_MODE * width, MODES)[0]
    left = 1.0 - exponential_modes([0.3 * width], lengths, DEFAULT_FACE_SHARE, AHEAD * width)[0] @ weights
    felt = 1.0 - np.exp(-15.0 / np.array(DEFAULT_RETARDATION_TIMES))
    return float(left + np.exp(theta[2:]) @ felt)


@dataclass(frozen=True)
class Dense:
    """One series of a section with every covariance written out."""

    task: SectionTask
    bins: Bins
    index: int
    sizes: Floats
    anchor: Floats

    def shape(self, theta: Floats, time: Floats) -> Floats:
        """G_k(t) of every stage straight from the law, shape (n, K)."""
        times, back = np.unique(time, return_inverse=True)
        # per unit of what is still to come from the reference distance on
        come = to_come(theta, self.task.width)
        columns = [from_the_profile(path, times, theta, self.task.width) / come for path in self.task.paths]
        return np.asarray(np.stack(columns, axis=1)[back])

    def slopes(self, theta: Floats, time: Floats) -> Floats:
        """dG_k / d theta by central differences of the model's step, shape (d, n, K)."""
        step = SLOPE_STEP * np.eye(len(theta))
        rise = [self.shape(theta + row, time) - self.shape(theta - row, time) for row in step]
        return np.stack(rise) / (2 * SLOPE_STEP)

    def unknown(self, one: Floats, two: Floats) -> Floats:
        """Covariance of what the shared shape does not describe: a shape of its own, and growth with the release."""
        first, second = self.shape(self.anchor, one), self.shape(self.anchor, two)
        here, there = self.slopes(self.anchor, one), self.slopes(self.anchor, two)
        total = np.zeros((len(one), len(two)))
        for stage in range(first.shape[1]):
            at_random = DISCREPANCY**2 * np.minimum(first[:, stage][:, None], second[:, stage][None, :])
            own = here[:, :, stage].T @ within_section(len(self.anchor) - 2) @ there[:, :, stage]
            total += self.sizes[self.index, stage] ** 2 * (at_random + own)
        return total

    def prior(self) -> Floats:
        """Covariance of (A_1, A_2): A_2 = ratio A_1 + a part of its own."""
        ratio = self.task.ratios[self.index][0]
        first = (AMPLITUDE_SHARE * self.task.width * 1e3) ** 2
        own = (ratio.spread * self.sizes[self.index, 0]) ** 2
        return np.array([[first, ratio.mean * first], [ratio.mean * first, ratio.mean**2 * first + own]])

    def readings(self, theta: Floats) -> tuple[Floats, Floats]:
        """Design since the zero reading, and covariance of the readings with the amplitudes integrated out."""
        time, segment = self.bins.time, self.bins.segment
        design = self.shape(theta, time) - self.shape(theta, time[:1])
        noise = self.bins.covariance + JITTER * np.eye(len(time))
        offsets = OFFSET_SPREAD**2 * (segment[:, None] == segment[None, :])
        return design, design @ self.prior() @ design.T + noise + offsets + self.unknown(time, time)

    def log_evidence(self, theta: Floats) -> float:
        """Without the determinant: of amplitudes of which nothing is known the reference prior is taken."""
        _, covariance = self.readings(theta)
        value = self.bins.value
        return float(-0.5 * value @ np.linalg.solve(covariance, value))

    def amplitude(self, theta: Floats) -> tuple[Floats, Floats]:
        design, covariance = self.readings(theta)
        gain = np.linalg.solve(covariance, design @ self.prior()).T
        return gain @ self.bins.value, self.prior() - gain @ design @ self.prior()

    def movement(self, theta: Floats) -> tuple[Floats, Floats]:
        """Mean and covariance of the movement since the zero reading at the dates, given the readings."""
        dates, time, zero = self.task.dates, self.bins.time, self.bins.time[:1]
        design, covariance = self.readings(theta)
        ahead = self.shape(theta, dates) - self.shape(theta, zero)
        with_readings = ahead @ self.prior() @ design.T + self.unknown(dates, time) - self.unknown(zero, time)
        from_zero = self.unknown(dates, zero)
        own = ahead @ self.prior() @ ahead.T
        own = own + self.unknown(dates, dates) - from_zero - from_zero.T + self.unknown(zero, zero)
        gain = np.linalg.solve(covariance, with_readings.T).T
        return gain @ self.bins.value, own - gain @ with_readings.T


@dataclass(frozen=True)
class Case:
    """A model anchored at a shape, and the same in full."""

    model: SectionModel
    dense: tuple[Dense, ...]
    theta: Floats


@pytest.fixture(scope="module", name="case")
def case_fixture(make_section: MakeSection) -> Case:
    task = make_section(AMPLITUDES, **SPARSE)
    model = task.model()
    generator = np.random.default_rng(4)
    creep = np.log([0.1, 0.15, 0.2, 0.2]) + generator.normal(0, 0.4, (6, 4))
    length, power = np.array([3.2, 4.5, 6.0, 7.0, 9.0, 14.0]), np.array([2.0, 1.2, 4.0, 2.6, 8.0, 3.0])
    theta = np.column_stack([np.log(length), np.log(power), creep])
    model.anchor(theta[3])
    model.resize(theta[3])
    model.anchor(theta[3])
    bins = bin_section(task.series, task.noise)
    dense = tuple(Dense(task, bins[index], index, model.sizes, theta[3]) for index in range(len(task.series)))
    return Case(model, dense, theta)


def test_the_evidence_is_that_of_the_full_matrix(case: Case) -> None:
    """Up to a constant in the shape, which cancels in the differences."""
    found = case.model._given_factor(case.theta, np.arange(3))[3]
    for index, dense in enumerate(case.dense):
        full = np.array([dense.log_evidence(theta) for theta in case.theta])
        assert found[index] - found[index, 3] == pytest.approx(full - full[3], abs=5e-4, rel=1e-6)
        assert np.ptp(full) > 1.0, "the shapes differ enough for the check to see anything"


def test_the_likelihood_is_the_sum_over_the_series(case: Case) -> None:
    """Up to a constant, where the other sections say nothing and no common factor binds the series."""
    every = case.model._given_factor(case.theta, np.arange(3))[3].sum(axis=0)
    found = case.model.log_likelihood(case.theta)
    assert found - found[0] == pytest.approx(every - every[0], abs=1e-9)


def test_with_a_pattern_all_series_together_are_those_of_the_full_matrix(case: Case) -> None:
    """The common factor binds the series: evidence and amplitudes against one dense normal of all readings."""
    plain = case.model
    pattern = Pattern(np.array([25.0, 12.0, -6.0]), np.array([8.0, 5.0, 3.0]), 0.5)
    task = case.dense[0].task
    columns = task.prepared().columns
    assert columns is not None
    model = SectionModel(task.series, columns, task.dates, task.width, task.ratios, DEFAULT_RETARDATION_TIMES, pattern)
    model.sizes = plain.sizes
    model.anchor(case.theta[3])
    mean, covariance = model.amplitudes(case.theta, np.arange(3))
    evidence = model.log_likelihood(case.theta)
    # first stage: mean m, covariance diag(s^2) + sigma^2 m m'; the later stage hangs on it by its ratio
    first = np.diag(pattern.spread**2) + pattern.factor_spread**2 * np.outer(pattern.mean, pattern.mean)
    ratio = np.array([row[0].mean for row in task.ratios])
    own = np.array([(row[0].spread * plain.sizes[index, 0]) ** 2 for index, row in enumerate(task.ratios)])
    prior = np.block([[first, first * ratio], [(first * ratio).T, ratio[:, None] * first * ratio + np.diag(own)]])
    expected = np.concatenate([pattern.mean, ratio * pattern.mean])
    full = []
    for row, theta in enumerate(case.theta):
        parts = [dense.readings(theta)[0] for dense in case.dense]
        design = np.hstack([block_diag(*(part[:, [stage]] for part in parts)) for stage in range(2)])
        alone = [
            dense.readings(theta)[1] - part @ dense.prior() @ part.T
            for dense, part in zip(case.dense, parts, strict=True)
        ]
        value = np.concatenate([dense.bins.value for dense in case.dense]) - design @ expected
        whole = design @ prior @ design.T + block_diag(*alone)
        gain = np.linalg.solve(whole, design @ prior).T
        found = (expected + gain @ value).reshape(2, 3).T
        spread = prior - gain @ design @ prior
        full.append(-0.5 * value @ np.linalg.solve(whole, value) - 0.5 * np.linalg.slogdet(whole)[1])
        assert mean[:, row] == pytest.approx(found, abs=1e-4, rel=1e-5)
        for index in range(3):
            both = spread[np.ix_([index, 3 + index], [index, 3 + index])]
            assert covariance[index, row] == pytest.approx(both, abs=1e-4, rel=1e-4)
    assert evidence - evidence[3] == pytest.approx(np.array(full) - full[3], abs=5e-4, rel=1e-5)


def test_amplitudes_are_those_of_the_full_matrix(case: Case) -> None:
    mean, covariance = case.model.amplitudes(case.theta, np.arange(3))
    for index, dense in enumerate(case.dense):
        for row, theta in enumerate(case.theta):
            expected, spread = dense.amplitude(theta)
            assert mean[index, row] == pytest.approx(expected, abs=1e-4, rel=1e-6)
            assert covariance[index, row] == pytest.approx(spread, abs=1e-4, rel=1e-5)


def test_predictions_are_those_of_the_full_matrix(case: Case) -> None:
    found = case.model.predict(case.theta)
    for index, dense in enumerate(case.dense):
        for row, theta in enumerate(case.theta):
            mean, covariance = dense.movement(theta)
            assert found[index].mean[row] == pytest.approx(mean, abs=1e-4, rel=1e-6)
            assert found[index].variance[row] == pytest.approx(np.diag(covariance), abs=1e-4, rel=1e-5)


def test_rates_ahead_are_those_of_the_full_matrix(case: Case) -> None:
    """Beyond the last reading, where the growth of the unknown part does not depend on what was read."""
    first, second = case.model.rate_dates
    ahead = np.flatnonzero(case.model.dates[first] >= case.dense[0].bins.time[-1])
    assert len(ahead) >= 5
    gap = case.model.dates[second] - case.model.dates[first]
    assert gap.min() >= 3.0
    found = case.model.predict(case.theta)
    for index, dense in enumerate(case.dense):
        for row, theta in enumerate(case.theta):
            mean, covariance = dense.movement(theta)
            for pair in ahead:
                one, two = first[pair], second[pair]
                variance = covariance[one, one] + covariance[two, two] - 2 * covariance[one, two]
                assert found[index].rate[row, pair] == pytest.approx((mean[two] - mean[one]) / gap[pair], abs=1e-6)
                assert found[index].rate_variance[row, pair] == pytest.approx(variance / gap[pair] ** 2, abs=1e-6)


def test_lost_is_the_release_at_the_zero_reading(case: Case) -> None:
    for index, found in enumerate(case.model.predict(case.theta)):
        dense = case.dense[index]
        for row, theta in enumerate(case.theta):
            at_zero = dense.shape(theta, dense.bins.time[:1])[0]
            amplitude, covariance = dense.amplitude(theta)
            assert found.lost[row] == pytest.approx(at_zero @ amplitude, abs=1e-4)
            assert found.lost_variance[row] >= at_zero @ covariance @ at_zero


def test_stages_add_up_to_the_final_value_but_for_what_the_readings_correct(case: Case) -> None:
    for found in case.model.predict(case.theta):
        assert found.by_stage.sum(axis=1) == pytest.approx(
            found.mean[:, -1], abs=3 * np.sqrt(found.unknown.max()) + 2.0
        )


@pytest.mark.parametrize("power", [1.0, 2.0, 5.0, 12.0])
def test_the_modes_stand_for_the_profile(make_section: MakeSection, power: float) -> None:
    """Within one percent of the whole movement (two for the slowest tail, which runs beyond the longest mode).

    For influence lengths from 3 m to 20 m in a tunnel of 10 m.
    """
    task = make_section(AMPLITUDES, **SPARSE)
    times = np.linspace(0.0, 400.0, 60)
    weights = np.array([1.0, 0.1, 0.15, 0.2, 0.2])
    for length in (3.0, 7.0, 20.0):
        theta = np.log([length, power, *weights[1:]])
        for path in task.paths:
            found = unit_movement(path, times, theta, task.width)
            exact = from_the_profile(path, times, theta, task.width, smooth=True)
            assert found == pytest.approx(exact, abs=(0.02 if power < 2.0 else 0.011) * weights.sum())


class TestWhatTheLawDoesNotDescribe:
    """The unknown part: small beside the movement, never zero, no more to come once the release is over."""

    def test_it_ends_with_the_release(self, case: Case) -> None:
        dense = case.dense[0]
        days = np.array([0.5, 5.0, 20.0, 60.0, 200.0, 1e4, 2e4])
        own = np.diag(dense.unknown(days, days))
        assert (own > 0.0).all()
        assert abs(own[-1] - own[-2]) < 1e-3 * own[-1]
        assert own[2] - own[0] > 0.1 * own[-1]

    def test_its_whole_is_the_stated_share_of_the_amplitude(self, case: Case) -> None:
        dense = case.dense[0]
        late = np.array([1e5])
        whole = dense.shape(case.theta[3], late)[0]
        at_random = (dense.sizes[0] ** 2 * DISCREPANCY**2) @ whole
        slopes = dense.slopes(case.theta[3], late)[:, 0]
        own = sum(
            size**2 * slope @ within_section(4) @ slope for size, slope in zip(dense.sizes[0], slopes.T, strict=True)
        )
        assert dense.unknown(late, late)[0, 0] == pytest.approx(at_random + own)

    def test_readings_take_it_away_where_they_are_and_not_ahead(self, case: Case) -> None:
        found = case.model.predict(case.theta[3:4])[0]
        dates = case.model.dates
        read = (dates > 1.0) & (dates <= 45.0)
        ahead = dates > 60.0
        assert (np.diff(found.unknown[ahead]) >= -1e-9).all()
        assert found.unknown[read].max() < 0.7 * found.unknown[ahead].max()

    def test_more_readings_do_not_drown_it(self, make_section: MakeSection) -> None:
        """A hundred times the readings at the same place: what is to come stays as unsure as the law is."""
        spread = []
        for step in (1.0, 0.05):
            task = make_section(AMPLITUDES[:1], until=20.0, step=step)
            model = task.model()
            theta = np.log([7.0, 2.0, 0.1, 0.15, 0.2, 0.2])
            model.anchor(theta)
            spread.append(float(np.sqrt(model.predict(theta[None])[0].unknown[-1])))
        assert spread[1] > 0.8 * spread[0]
        assert spread[1] > 0.3

    def test_without_readings_to_tell_it_is_sized_by_the_section(self, make_section: MakeSection) -> None:
        """A prism that hardly moves beside one that does: its unknown part is not nothing."""
        model = make_section([(30.0, 10.0), (0.1, 0.0)], until=10.0).model()
        assert model.sizes[1, 0] >= 0.15 * model.sizes[0, 0] - 1e-9


class TestSeriesWithLittle:
    def test_one_reading_gives_the_prior(self, make_section: MakeSection) -> None:
        task = make_section(AMPLITUDES[:1], until=0.5)
        model = task.model()
        theta = np.log([7.0, 2.0, 0.1, 0.15, 0.2, 0.2])
        model.anchor(theta)
        mean, covariance = model.amplitudes(theta[None], np.arange(1))
        assert mean == pytest.approx(0.0)
        assert np.sqrt(covariance[0, 0, 0, 0]) == pytest.approx(AMPLITUDE_SHARE * task.width * 1e3)
        assert np.isfinite(model.log_likelihood(theta[None])).all()
        assert np.isfinite(model.predict(theta[None])[0].variance).all()
        assert len(model.informing) == 0

    def test_chords_do_not_inform_the_shape_twice(self, make_section: MakeSection) -> None:
        task = make_section(AMPLITUDES)
        chord = type(task.series[0])(**{**task.series[0].__dict__, "measure": "chord", "label": "chord a:b"})
        model = replace(task, series=(*task.series, chord), ratios=(*task.ratios, task.ratios[0])).model()
        assert model.informing.tolist() == [0, 1, 2]


class TestRatioOfALaterStage:
    def test_by_the_shares_of_the_opening(self) -> None:
        """A bench of 0.30 after a heading of 0.55: 0.4 of 0.30 / 0.55, uncertain by 0.6 of itself."""
        found = default_ratio(0.30, 0.55)
        assert found.mean == pytest.approx(0.4 * 0.30 / 0.55)
        assert found.spread == pytest.approx(0.6 * found.mean)

    def test_without_shares_a_usual_one_is_taken(self) -> None:
        assert default_ratio(None, 0.55) == default_ratio(0.30, None) == default_ratio(None, None)
        assert default_ratio(None, None).mean == pytest.approx(0.24)

    def test_a_small_stage_keeps_some_spread(self) -> None:
        assert default_ratio(0.01, 0.9).spread == pytest.approx(0.6 * 0.2)

    def test_the_prior_of_two_stages_is_the_stated_one(self, case: Case) -> None:
        precision = case.model._prior_precision()
        assert precision == pytest.approx(np.stack([np.linalg.inv(dense.prior()) for dense in case.dense]), rel=1e-9)

    def test_three_stages_hang_on_the_first(self, make_section: MakeSection) -> None:
        task = make_section(AMPLITUDES[:1])
        ratios = ((StageRatio(0.4, 0.3), StageRatio(0.2, 0.1)),)
        model = replace(task, paths=(*task.paths, task.paths[1]), ratios=ratios).model()
        first = (AMPLITUDE_SHARE * task.width * 1e3) ** 2
        ratio = np.array([1.0, 0.4, 0.2])
        own = block_diag(0.0, (0.3 * model.sizes[0, 0]) ** 2, (0.1 * model.sizes[0, 0]) ** 2)
        expected = first * np.outer(ratio, ratio) + own
        assert np.linalg.inv(model._prior_precision()[0]) == pytest.approx(expected, rel=1e-8)


def test_many_small_inverses_are_those_of_lapack() -> None:
    generator = np.random.default_rng(3)
    for count in (1, 2, 3, 4):
        root = generator.standard_normal((5, 7, count, count))
        matrices = root @ root.swapaxes(-1, -2) + 0.1 * np.eye(count)
        inverse, logdet = inverse_of(matrices)
        assert inverse == pytest.approx(np.linalg.inv(matrices), rel=1e-9, abs=1e-9)
        assert logdet == pytest.approx(np.linalg.slogdet(matrices)[1], rel=1e-12, abs=1e-12)
