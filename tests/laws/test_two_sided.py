"""The general-purpose profile: its slope, and how near it comes to the published ones."""

from __future__ import annotations

import numpy as np
import pytest

from convergence.laws import chern_1998, power_face, two_sided_profile, two_sided_slope, unlu_gercek_2003
from convergence.laws.arrays import FloatArray

DISTANCE = np.concatenate([-np.geomspace(1e-3, 40.0, 1500)[::-1], [0.0], np.geomspace(1e-3, 1e4, 3000)])


def worst(left: FloatArray, right: FloatArray) -> float:
    return float(np.abs(left - right).max())


def test_slope_is_the_derivative_on_both_sides() -> None:
    x = np.array([-30.0, -8.0, -1.0, -0.1, 0.1, 1.0, 8.0, 60.0])
    h = 1e-4
    slope = (two_sided_profile(x + h, 6.0, 0.25) - two_sided_profile(x - h, 6.0, 0.25)) / (2 * h)
    # Error of the difference: h^2/6 times a third derivative below 0.1 per m^3, and rounding 1e-16 / h.
    np.testing.assert_allclose(two_sided_slope(x, 6.0, 0.25), slope, rtol=1e-6, atol=1e-11)


def test_slope_at_the_face_is_the_one_behind_it() -> None:
    assert float(two_sided_slope(0.0, 6.0, 0.25)) == pytest.approx(2 * 0.75 / 6.0, rel=1e-14)


@pytest.mark.parametrize(("poisson", "printed"), [(0.2, 0.006), (0.25, 0.001), (0.3, 0.005)])
def test_same_as_unlu_gercek_behind_and_near_ahead(poisson: float, printed: float) -> None:
    published = unlu_gercek_2003(DISTANCE, 1.0, poisson)
    ours = two_sided_profile(DISTANCE, 0.39 * poisson + 0.65, 0.22 * poisson + 0.19)
    behind = DISTANCE >= 0.0
    np.testing.assert_allclose(ours[behind], published[behind], rtol=1e-13)
    # The differences printed in the docstring, to their last digit.
    assert worst(ours, published) == pytest.approx(printed, abs=5e-4)


@pytest.mark.parametrize(("poisson", "printed"), [(0.2, 0.036), (0.25, 0.025), (0.3, 0.014)])
def test_best_length_with_the_default_share(poisson: float, printed: float) -> None:
    published = unlu_gercek_2003(DISTANCE, 1.0, poisson)
    best = min(worst(two_sided_profile(DISTANCE, length, 0.27), published) for length in np.arange(0.5, 1.2, 0.01))
    assert best == pytest.approx(printed, abs=5e-4)


def test_distance_from_chern_is_as_stated() -> None:
    published = chern_1998(DISTANCE, 1.0)
    lengths = np.arange(1.5, 3.5, 0.01)
    differences = [worst(two_sided_profile(DISTANCE, length, 0.27), published) for length in lengths]
    assert min(differences) == pytest.approx(0.100, abs=5e-4)
    assert lengths[int(np.argmin(differences))] == pytest.approx(2.16, abs=0.02)
    unbroken = min(worst(without_a_break(length, 0.27), published) for length in lengths)
    assert unbroken == pytest.approx(0.091, abs=5e-4)


def without_a_break(length: float, share: float) -> FloatArray:
    reach = share * length / (2.0 * (1.0 - share))
    ahead = share * np.exp(np.minimum(DISTANCE, 0.0) / reach)
    return np.asarray(ahead + power_face(DISTANCE, 1.0 - share, length))


def test_a_slope_without_a_break_would_be_far_from_the_elastic_profile() -> None:
    published = unlu_gercek_2003(DISTANCE, 1.0, 0.25)
    best = min(worst(without_a_break(length, 0.245), published) for length in np.arange(0.5, 3.0, 0.01))
    assert best == pytest.approx(0.127, abs=5e-4)
