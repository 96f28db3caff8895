"""The integral of the hereditary law against quadrature, closed forms, and the product law."""

from __future__ import annotations

import itertools
from collections.abc import Callable

import numpy as np
import pytest
from scipy.integrate import quad
from scipy.optimize import nnls

from convergence.errors import ValueFault
from convergence.laws import (
    DEFAULT_RETARDATION_TIMES,
    FacePath,
    chern_1998,
    corbetta_1991,
    coupled_exponential,
    creep_memory,
    default_retardation_times,
    exponential_face,
    hereditary,
    hereditary_bases,
    hereditary_basis,
    hereditary_rate,
    power_time,
    two_sided_profile,
    two_sided_slope,
)
from convergence.laws.arrays import FloatArray

TAUS = (1.0, 6.0, 216.0)
# 4 m/d, a stop of 14 days 20 m past the section, then 2 m/d, at rest from day 40 on.
STOPPED = FacePath(np.array([0.0, 10.0, 24.0, 40.0]), np.array([-20.0, 20.0, 20.0, 52.0]))
# The face stands at the section until day 0 and is far behind at the same instant.
INSTANT = FacePath(np.array([0.0, 0.0]), np.array([-1e7, 1e9]))


def ten_metres(distance: FloatArray) -> FloatArray:
    return two_sided_profile(distance, 10.0, 0.27)


def by_quadrature(path: FacePath, time: float, tau: float, length: float, share: float) -> float:
    """The integral of the definition, piece by piece between the nodes and the passage."""
    first = float(path.time[0])
    total = float(two_sided_profile(path.distance[0], length, share)) * -float(np.expm1(-(time - first) / tau))
    breaks = sorted({*path.time.tolist(), path.passage()})
    for left, right in itertools.pairwise(breaks):
        right = min(right, time)
        if right <= left:
            continue
        middle = 0.5 * (left + right)
        speed = float(path.speed(middle))

        def integrand(s: float, speed: float = speed) -> float:
            slope = float(two_sided_slope(path.at(s), length, share))
            return -float(np.expm1(-(time - s) / tau)) * slope * speed

        total += quad(integrand, left, right, epsabs=1e-13, epsrel=1e-13, limit=200)[0]
    return total


@pytest.mark.parametrize(("step", "within"), [(0.25, 2e-8), (1.0, 1e-6)])
def test_memory_equals_quadrature(step: float, within: float) -> None:
    # Steps of a fortieth and a tenth of the influence length; the errors are those the docstring states.
    times = np.array([0.5, 3.0, 5.0, 5.3, 7.0, 10.0, 17.0, 24.0, 31.0, 40.0, 200.0])
    memory = creep_memory(STOPPED, times, ten_metres, TAUS, step)
    expected = np.array([[by_quadrature(STOPPED, t, tau, 10.0, 0.27) for tau in TAUS] for t in times])
    np.testing.assert_allclose(memory, expected, rtol=0, atol=within)


@pytest.mark.parametrize("length", [0.5, 3.0, 40.0])
def test_batch_is_as_exact_for_every_length(length: float) -> None:
    times = np.array([3.0, 5.05, 6.0, 17.0, 60.0])
    columns = hereditary_bases(STOPPED, times, [0.5, length, 40.0], 0.27, TAUS)[1]
    expected = np.array([[by_quadrature(STOPPED, t, tau, length, 0.27) for tau in TAUS] for t in times])
    np.testing.assert_allclose(columns[:, 1:], expected, rtol=0, atol=2e-8)
    np.testing.assert_allclose(columns[:, 0], two_sided_profile(STOPPED.at(times), length, 0.27), rtol=1e-15)


def test_batch_and_single_basis_agree() -> None:
    times = np.linspace(-2.0, 60.0, 63)
    lengths = [4.0, 10.0, 25.0]
    bases = hereditary_bases(STOPPED, times, lengths, 0.25, TAUS)
    assert bases.shape == (3, 63, 4)
    for length, base in zip(lengths, bases, strict=True):

        def profile(distance: FloatArray, length: float = length) -> FloatArray:
            return two_sided_profile(distance, length, 0.25)

        np.testing.assert_allclose(base, hereditary_basis(STOPPED, times, profile, TAUS, 0.05), rtol=0, atol=2e-8)


def test_readings_between_change_nothing() -> None:
    few = np.array([6.0, 17.0, 33.0])
    many = np.sort(np.concatenate([few, np.linspace(-3.0, 50.0, 777)]))
    memory = creep_memory(STOPPED, many, ten_metres, TAUS)
    picked = memory[np.searchsorted(many, few)]
    np.testing.assert_allclose(creep_memory(STOPPED, few, ten_metres, TAUS), picked, rtol=0, atol=3e-8)


def test_instant_excavation_is_the_creep_curve_itself() -> None:
    times = np.array([-1.0, 0.0, 0.01, 1.0, 5.0, 40.0, 1e4])
    ratios = np.array([0.2, 0.5, 0.7])
    moved = hereditary(INSTANT, times, 10.0, 10.0, ratios, 0.27, TAUS)
    creep = 1.0 + (-np.expm1(-np.maximum(times, 0.0)[:, np.newaxis] / np.array(TAUS))) @ ratios
    # The profile has risen to 1 - (X/x)^2 = 1 - 1e-16 at 1e9 m, and exp(-0.75e6) = 0 is left ahead.
    np.testing.assert_allclose(moved[1:], 10.0 * creep[1:], rtol=1e-13)
    assert moved[0] == 0.0
    # The product law aged from passage says the same here: all was released at passage.
    product = coupled_exponential(np.inf, times, 10.0, 10.0, 6.0, 0.5)
    single = hereditary(INSTANT, times, 10.0, 10.0, [0.5], 0.27, (6.0,))
    np.testing.assert_allclose(single[1:], product[1:], rtol=1e-13)


def test_steady_advance_has_a_closed_form() -> None:
    # L = 1 - exp(-v t / X): with a = v / X the memory is 1 - e^(-a t) - a (e^(-a t) - e^(-t/tau)) / (1/tau -
    # a), derived by hand. This profile bends on the scale X however far the face, while the marks spread as x
    # grows: the error is a little above that of two_sided_profile.
    speed, length = 2.0, 10.0
    path = FacePath(np.array([0.0, 400.0]), np.array([0.0, 400.0 * speed]))
    times = np.array([0.1, 1.0, 3.0, 8.0, 20.0, 100.0, 300.0])
    pace = speed / length
    memory = creep_memory(path, times, lambda x: exponential_face(x, 1.0, length), TAUS, length / 40.0)
    for column, tau in enumerate(TAUS):
        lag = pace * (np.exp(-pace * times) - np.exp(-times / tau)) / (1.0 / tau - pace)
        expected = 1.0 - np.exp(-pace * times) - lag
        np.testing.assert_allclose(memory[:, column], expected, rtol=0, atol=5e-8)


def test_product_law_ages_movement_that_has_not_come_yet() -> None:
    """How far, and which way, the two laws part in a stoppage (regression values computed here).

    A = 30 mm, X = 10 m, T = tau = 6 d, m = 1.5; 2 m/d from the section, at rest 20 m past it from day 10 to
    day 24.
    """
    path = FacePath(np.array([0.0, 10.0, 24.0, 100.0]), np.array([0.0, 20.0, 20.0, 172.0]))
    times = np.array([10.0, 24.0, 25.0, 100.0])
    base = hereditary_basis(path, times, lambda x: exponential_face(x, 1.0, 10.0), (6.0,), 0.25)
    inherited = 30.0 * (base[:, 0] + 1.5 * base[:, 1])
    product = coupled_exponential(path.at(times), times, 30.0, 10.0, 6.0, 1.5)
    # At the start of the stop the product law is 7.1 mm ahead: it gave the last metres the age of the first.
    assert product[0] - inherited[0] == pytest.approx(7.11, abs=0.005)
    # So it expects half of the movement that comes while the face rests ...
    assert inherited[1] - inherited[0] == pytest.approx(13.05, abs=0.005)
    assert product[1] - product[0] == pytest.approx(6.64, abs=0.005)
    # ... and nearly twice the movement on the first day after the restart.
    assert inherited[2] - inherited[1] == pytest.approx(1.04, abs=0.005)
    assert product[2] - product[1] == pytest.approx(1.93, abs=0.005)
    # Both end at A (1 + m) = 75 mm.
    assert inherited[3] == pytest.approx(product[3], abs=2e-4)


def test_creep_goes_on_exactly_through_a_stop() -> None:
    # With the face at rest L - M decays as exp(-t / tau), however long the interval.
    memory = creep_memory(STOPPED, [10.0, 24.0], ten_metres, TAUS, 0.25)
    share = float(ten_metres(np.array([20.0]))[0])
    left = (share - memory[0]) * np.exp(-14.0 / np.array(TAUS))
    np.testing.assert_allclose(share - memory[1], left, rtol=0, atol=1e-15)


def test_memory_is_linear_in_the_release() -> None:
    # Boltzmann superposition: the memory of a mixture of releases is the mixture of their memories.
    times = np.linspace(0.0, 60.0, 25)

    def mixture(distance: FloatArray) -> FloatArray:
        return np.asarray(0.6 * two_sided_profile(distance, 10.0, 0.27) + 0.4 * chern_1998(distance, 5.0))

    both = creep_memory(STOPPED, times, mixture, TAUS)
    parts = 0.6 * creep_memory(STOPPED, times, ten_metres, TAUS) + 0.4 * creep_memory(
        STOPPED, times, lambda x: chern_1998(x, 5.0), TAUS
    )
    np.testing.assert_allclose(both, parts, rtol=0, atol=1e-14)


def test_two_jumps_superpose() -> None:
    # Half released at day 0, half at day 5, by a profile with a plateau: the sum of two creep curves, each
    # from its own instant.
    path = FacePath(np.array([0.0, 0.0, 5.0, 5.0]), np.array([-1e6, 0.0, 0.0, 1e12]))
    times = np.array([0.0, 2.0, 5.0, 9.0])
    memory = creep_memory(path, times, lambda x: two_sided_profile(x, 1.0, 0.5), (4.0,), 1.0)[:, 0]
    expected = -0.5 * np.expm1(-times / 4.0) - 0.5 * np.expm1(-np.maximum(times - 5.0, 0.0) / 4.0)
    np.testing.assert_allclose(memory, expected, rtol=0, atol=1e-13)


def test_share_at_the_first_node_counts_from_its_instant() -> None:
    path = FacePath(np.array([3.0, 4.0]), np.array([5.0, 5.0]))
    share = float(ten_metres(np.array([5.0]))[0])
    memory = creep_memory(path, [0.0, 3.0, 9.0], ten_metres, (6.0,))[:, 0]
    np.testing.assert_allclose(memory, [0.0, 0.0, share * -np.expm1(-1.0)], rtol=1e-14)


def test_memory_lies_between_nothing_and_the_share_and_rises() -> None:
    times = np.linspace(0.0, 80.0, 321)
    memory = creep_memory(STOPPED, times, ten_metres, (1e-6, *TAUS, 1e6))
    share = ten_metres(STOPPED.at(times))[:, np.newaxis]
    assert (memory >= 0.0).all()
    assert (memory <= share + 1e-12).all()
    assert (np.diff(memory, axis=0) >= -1e-12).all()
    # Creep over at once is all there; creep over a million days has hardly begun.
    np.testing.assert_allclose(memory[1:, 0], share[1:, 0], rtol=1e-5)
    assert memory[:, -1].max() < 1e-4


def test_rate_is_the_derivative() -> None:
    arguments = (10.0, 8.0, [0.3, 0.5, 0.2], 0.27, TAUS)
    times = np.array([3.0, 7.0, 15.0, 30.0, 90.0])
    step = 0.02
    ends = np.sort(np.concatenate([times - step, times + step]))
    moved = hereditary(STOPPED, ends, *arguments)
    slope = (moved[1::2] - moved[::2]) / (2 * step)
    # Error: step^2/6 times a third derivative of about 1 mm/d^3, 7e-5, and 1e-8 of 20 mm over 0.04 d, 5e-6.
    np.testing.assert_allclose(hereditary_rate(STOPPED, times, *arguments), slope, rtol=0, atol=1e-4)
    assert hereditary_rate(STOPPED, [-1.0], *arguments)[0] == 0.0


def test_default_times_follow_power_creep() -> None:
    # 1.2 % as stated beside the constant; the brief for the constant was 2 %.
    taus = np.array(default_retardation_times())
    assert tuple(taus) == DEFAULT_RETARDATION_TIMES
    times = np.geomspace(1.0, 365.0, 200)
    for characteristic in (1.0, 6.0, 30.0):
        creep = power_time(times, 1.0, characteristic, 0.3)
        columns = -np.expm1(-times[:, np.newaxis] / taus)
        ratios, _ = nnls(columns / creep[:, np.newaxis], np.ones(times.size))
        assert np.abs(columns @ ratios / creep - 1.0).max() < 0.012


def test_equal_times_and_far_readings_are_fine() -> None:
    memory = creep_memory(STOPPED, [7.0, 7.0, 7.0, 1e6], ten_metres, TAUS)
    np.testing.assert_allclose(memory[0], memory[2], rtol=1e-14)
    np.testing.assert_allclose(memory[3], ten_metres(np.array([52.0]))[0], rtol=1e-12)


@pytest.mark.parametrize(
    ("call", "message"),
    [
        (lambda: creep_memory(STOPPED, [2.0, 1.0], ten_metres, TAUS), r"1\.0 follows 2\.0"),
        (lambda: creep_memory(STOPPED, [np.nan], ten_metres, TAUS), "finite times"),
        (lambda: creep_memory(STOPPED, [1.0], ten_metres, (1.0, 0.0)), "retardation times"),
        (lambda: creep_memory(STOPPED, [1.0], ten_metres, ()), "retardation times"),
        (lambda: creep_memory(STOPPED, [1.0], ten_metres, TAUS, 0.0), r"step \[m\]: 0.0"),
        (lambda: creep_memory(STOPPED, [1.0], lambda x: corbetta_1991(x, 5.0), TAUS), "not finite"),
        (
            lambda: hereditary_bases(STOPPED, [1.0], [4.0, -1.0], 0.27, TAUS),
            r"influence lengths \[m\]: \[4.0, -1.0\]",
        ),
        (lambda: hereditary_bases(STOPPED, [1.0], [4.0], 1.0, TAUS), "face_share: 1.0"),
        (lambda: hereditary(STOPPED, [1.0], 1.0, 4.0, [0.5], 0.27, TAUS), "expected 3, one for each"),
    ],
)
def test_bad_input_is_refused(call: Callable[[], FloatArray], message: str) -> None:
    with pytest.raises(ValueFault, match=message) as caught:
        call()
    assert "To mend" in str(caught.value)
