"""Vertical profile: grades, parabolas between them, and what lies beyond the ends."""

from __future__ import annotations

from itertools import pairwise

import numpy as np
import pytest
from scipy.integrate import quad

from convergence.survey.alignment import Alignment, ProfilePoint, Straight

PROFILE = (
    ProfilePoint(900.0, 20.0),
    ProfilePoint(1300.0, 28.0, 80.0),
    ProfilePoint(1500.0, 22.0),
    ProfilePoint(1900.0, 10.0),
)
AXIS = Alignment(1000.0, 0.0, 0.0, 0.0, (Straight(800.0),), PROFILE)


def test_profile_between_beyond_and_on_the_vertical_curve() -> None:
    """Grades +2 % to chainage 1300 and -3 % after it, 80 m of curve; offset at the point is (g2 - g1) l /
    8."""
    chainage = np.array([1000.0, 1260.0, 1300.0, 1340.0, 1400.0, 1500.0, 1600.0])
    np.testing.assert_allclose(
        AXIS.position(chainage)[2], [22.0, 27.2, 27.5, 26.8, 25.0, 22.0, 19.0], rtol=0.0, atol=1.0e-12
    )
    np.testing.assert_allclose(
        AXIS.grade(chainage), [0.02, 0.02, -0.005, -0.03, -0.03, -0.03, -0.03], rtol=0.0, atol=1.0e-14
    )


def test_elevation_is_the_integral_of_the_grade_and_grades_go_on_beyond_the_ends() -> None:
    profile = (
        ProfilePoint(100.0, 50.0),
        ProfilePoint(200.0, 58.0, 60.0),
        ProfilePoint(260.0, 55.0, 60.0),
        ProfilePoint(400.0, 55.0),
    )
    axis = Alignment(0.0, 0.0, 0.0, 0.0, (Straight(600.0),), profile)
    corners = [100.0, 170.0, 230.0, 290.0, 400.0]
    for chainage in (30.0, 150.0, 185.0, 215.0, 230.0, 250.0, 280.0, 350.0, 580.0):
        inner = sorted({0.0, chainage, *(corner for corner in corners if corner < chainage)})
        rise = sum(quad(lambda x: float(axis.grade(x)), a, b, epsabs=1.0e-12)[0] for a, b in pairwise(inner))
        assert float(axis.position(chainage)[2] - axis.position(0.0)[2]) == pytest.approx(rise, abs=1.0e-10)
    np.testing.assert_allclose(axis.position([0.0, 600.0])[2], [42.0, 55.0], rtol=0.0, atol=1.0e-12)


def test_grade_at_a_corner_is_the_grade_after_it() -> None:
    profile = (ProfilePoint(0.0, 0.0), ProfilePoint(50.0, 1.0), ProfilePoint(100.0, 0.0))
    axis = Alignment(0.0, 0.0, 0.0, 0.0, (Straight(100.0),), profile)
    np.testing.assert_allclose(axis.grade([49.999, 50.0, 100.0]), [0.02, -0.02, -0.02], rtol=0.0, atol=1.0e-15)


@pytest.mark.parametrize(("profile", "level"), [((), 0.0), ((ProfilePoint(40.0, 12.5),), 12.5)])
def test_profile_of_no_or_one_point_is_level(profile: tuple[ProfilePoint, ...], level: float) -> None:
    axis = Alignment(0.0, 0.0, 0.0, 0.0, (Straight(100.0),), profile)
    np.testing.assert_array_equal(axis.position([0.0, 40.0, 100.0])[2], [level] * 3)
    np.testing.assert_array_equal(axis.grade([0.0, 40.0, 100.0]), [0.0] * 3)
