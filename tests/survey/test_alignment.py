"""Alignment: continuity, derivatives, round trip, local axes, and what it says about bad input."""

from __future__ import annotations

import dataclasses
import math
import pickle
import time
from collections.abc import Callable

import numpy as np
import numpy.typing as npt
import pytest
from scipy.integrate import solve_ivp

from convergence.errors import ValueFault
from convergence.survey.alignment import Alignment, Arc, Clothoid, Element, ProfilePoint, Straight
from convergence.survey.elements import end_curvatures

FULL = 2.0 * math.pi

# Straight, right-hand curve, S-curve through zero curvature, left-hand curve, compound arcs with a jump of
# curvature.
ELEMENTS: tuple[Element, ...] = (
    Straight(100.0),
    Clothoid(60.0, 0.0, 1.0 / 450.0),
    Arc(200.0, 450.0),
    Clothoid(120.0, 1.0 / 450.0, -1.0 / 300.0),
    Arc(300.0, -300.0),
    Arc(80.0, -500.0),
    Clothoid(50.0, -1.0 / 500.0, -1.0 / 500.0),
)
PROFILE = (
    ProfilePoint(900.0, 20.0),
    ProfilePoint(1300.0, 28.0, 80.0),
    ProfilePoint(1500.0, 22.0),
    ProfilePoint(1900.0, 10.0),
)
AXIS = Alignment(1000.0, 5000.0, 8000.0, 0.3, ELEMENTS, PROFILE)


def random_alignment(rng: np.random.Generator) -> tuple[Alignment, float]:
    """An alignment with curves both ways whose heading stays within 1.2 rad of its start, and its smallest
    radius.

    Such an axis does not come back on itself, so a point within the smallest radius has one foot point only.
    """
    elements: list[Element] = []
    heading, curvature = 0.0, 0.0
    for _ in range(int(rng.integers(3, 9))):
        length = float(rng.uniform(20.0, 250.0))
        kind = int(rng.integers(0, 3))
        target = float(rng.choice([-1.0, 1.0]) / rng.uniform(60.0, 900.0))
        options: dict[int, Element] = {
            0: Straight(length),
            1: Arc(length, 1.0 / target),
            2: Clothoid(length, curvature, target),
        }
        start, end = end_curvatures(options[kind])
        steps = np.linspace(0.0, length, 50)
        headings = heading + start * steps + 0.5 * (end - start) / length * steps**2
        if np.max(np.abs(headings)) <= 1.2:
            elements.append(options[kind])
            heading, curvature = float(headings[-1]), end
    elements.append(Straight(15.0))
    sharpest = max(max(abs(value) for value in end_curvatures(element)) for element in elements)
    start_chainage = float(rng.uniform(-500.0, 3000.0))
    total = sum(element.length for element in elements)
    profile = (
        ProfilePoint(start_chainage - 10.0, float(rng.uniform(-50.0, 300.0))),
        ProfilePoint(start_chainage + 0.4 * total, float(rng.uniform(-50.0, 300.0)), 0.2 * total),
        ProfilePoint(start_chainage + 0.8 * total, float(rng.uniform(-50.0, 300.0))),
    )
    level = tuple(dataclasses.replace(point, elevation=0.06 * point.elevation) for point in profile)
    easting, northing = (float(value) for value in rng.uniform(-3000.0, 3000.0, 2))
    azimuth = float(rng.uniform(-FULL, FULL))
    axis = Alignment(start_chainage, easting, northing, azimuth, tuple(elements), level)
    return axis, 1.0 / sharpest if sharpest > 0.0 else math.inf


def test_position_solves_the_differential_equation_of_the_axis() -> None:
    """dE/ds = sin a, dN/ds = cos a, da/ds = curvature, integrated element by element by an eighth-order
    method."""
    state = np.array([AXIS.start_easting, AXIS.start_northing, AXIS.start_azimuth])
    chainage = AXIS.start_chainage
    for element in ELEMENTS:
        start, end = end_curvatures(element)
        rate = (end - start) / element.length

        def slope(s: float, y: npt.NDArray[np.float64], start: float = start, rate: float = rate) -> list[float]:
            return [math.sin(y[2]), math.cos(y[2]), start + rate * s]

        solution = solve_ivp(
            slope, (0.0, element.length), state, method="DOP853", rtol=1.0e-13, atol=1.0e-13, max_step=10.0
        )
        state = solution.y[:, -1]
        chainage += element.length
        easting, northing, _ = AXIS.position(chainage)
        # 1e-13 of coordinates of some 8000 m is 1e-9 m; the observed difference is a hundredth of that.
        assert math.hypot(easting - state[0], northing - state[1]) <= 1.0e-9
        assert abs(AXIS.azimuth(chainage) - state[2] % FULL) <= 1.0e-12
    assert chainage == AXIS.end_chainage


def test_position_azimuth_and_curvature_are_continuous_at_joints() -> None:
    joints = AXIS.start_chainage + np.cumsum([element.length for element in ELEMENTS])[:-1]
    step = 1.0e-7
    before, after = AXIS.position(joints - step), AXIS.position(joints + step)
    gap = np.hypot(after[0] - before[0], after[1] - before[1])
    # Coordinates near 8000 m are spaced by 1e-12 m.
    np.testing.assert_allclose(gap, 2.0 * step, rtol=0.0, atol=1.0e-11)
    turned = np.mod(AXIS.azimuth(joints + step) - AXIS.azimuth(joints - step) + math.pi, FULL) - math.pi
    # At most 2e-7 m at a curvature of 1/300.
    np.testing.assert_allclose(turned, 0.0, rtol=0.0, atol=2.0 * step / 300.0 + 1.0e-14)
    change = AXIS.curvature(joints + step) - AXIS.curvature(joints - step)
    jump = np.array([0.0, 0.0, 0.0, 0.0, 1.0 / 300.0 - 1.0 / 500.0, 0.0])
    # The fastest transition changes its curvature by 1/300 + 1/450 over 120 m.
    np.testing.assert_allclose(change, jump, rtol=0.0, atol=2.0 * step * 5.0e-5)


def test_curvature_at_a_joint_belongs_to_the_element_that_begins_there() -> None:
    axis = Alignment(0.0, 0.0, 0.0, 0.0, (Straight(10.0), Arc(20.0, -50.0)), ())
    np.testing.assert_array_equal(axis.curvature([0.0, 9.999, 10.0, 30.0]), [0.0, 0.0, -0.02, -0.02])


@pytest.mark.parametrize("seed", range(4))
def test_azimuth_curvature_and_grade_are_the_derivatives(seed: int) -> None:
    rng = np.random.default_rng(seed)
    axis, _ = random_alignment(rng)
    step = 1.0e-3
    chainage = rng.uniform(axis.start_chainage + step, axis.end_chainage - step, 300)
    joints = axis.start_chainage + np.cumsum([element.length for element in axis.elements])
    corners = np.concatenate((joints, [point.chainage for point in axis.profile]))
    chainage = chainage[np.min(np.abs(chainage[:, None] - corners), axis=1) > 2.0 * step]
    ahead, behind = axis.position(chainage + step), axis.position(chainage - step)
    azimuth = np.arctan2(ahead[0] - behind[0], ahead[1] - behind[1])
    away = np.mod(azimuth - axis.azimuth(chainage) + math.pi, FULL) - math.pi
    # Central differences over 2 mm of coordinates spaced by 5e-13 m: 1e-12 / 2e-3, and a margin of four.
    np.testing.assert_allclose(away, 0.0, rtol=0.0, atol=2.0e-9)
    turned = np.mod(axis.azimuth(chainage + step) - axis.azimuth(chainage - step) + math.pi, FULL) - math.pi
    np.testing.assert_allclose(turned / (2.0 * step), axis.curvature(chainage), rtol=0.0, atol=1.0e-11)
    np.testing.assert_allclose((ahead[2] - behind[2]) / (2.0 * step), axis.grade(chainage), rtol=0.0, atol=1.0e-9)
    # Chainage is plan length: the plan distance of 2 mm of chainage is 2 mm, whatever the grade.
    plan = np.hypot(ahead[0] - behind[0], ahead[1] - behind[1])
    np.testing.assert_allclose(plan, 2.0 * step, rtol=0.0, atol=1.0e-11)


@pytest.mark.parametrize("seed", range(12))
def test_locate_undoes_point(seed: int) -> None:
    rng = np.random.default_rng(100 + seed)
    axis, smallest = random_alignment(rng)
    reach = min(0.5 * smallest, 199.0)
    chainage = rng.uniform(axis.start_chainage, axis.end_chainage, 400)
    chainage[:2] = axis.start_chainage, axis.end_chainage
    offset = rng.uniform(-reach, reach, 400)
    height = rng.uniform(-20.0, 80.0, 400)
    found = axis.locate(*axis.point(chainage, offset, height))
    for value, expected in zip(found, (chainage, offset, height), strict=True):
        np.testing.assert_allclose(value, expected, rtol=0.0, atol=1.0e-9)


def test_locate_holds_nine_tenths_of_the_way_to_the_centre_of_curvature() -> None:
    axis = Alignment(0.0, 0.0, 0.0, 1.0, (Clothoid(100.0, 0.0, 1.0 / 80.0), Arc(100.0, 80.0)), ())
    chainage = np.linspace(101.0, 199.0, 50)
    found = axis.locate(*axis.point(chainage, 0.9 * 80.0, 0.0))
    np.testing.assert_allclose(found[0], chainage, rtol=0.0, atol=1.0e-9)
    np.testing.assert_allclose(found[1], 72.0, rtol=0.0, atol=1.0e-9)


def test_locate_in_grid_coordinates_is_exact_to_their_last_digit() -> None:
    axis = dataclasses.replace(AXIS, start_easting=456183.609, start_northing=4834160.383)
    rng = np.random.default_rng(7)
    chainage = rng.uniform(1000.0, axis.end_chainage, 500)
    offset = rng.uniform(-150.0, 150.0, 500)
    found = axis.locate(*axis.point(chainage, offset, 3.0))
    # Northings near 4.8e6 m are spaced by 9.3e-10 m; the foot point magnifies by at most 1 / (1 - 0.5).
    np.testing.assert_allclose(found[0], chainage, rtol=0.0, atol=4.0e-9)
    np.testing.assert_allclose(found[1], offset, rtol=0.0, atol=2.0e-9)


def test_locate_tells_the_levels_of_a_spiral_apart() -> None:
    """One and a half turns of radius 150 m at 4 %: the second turn runs 37.7 m above the first."""
    length = 1.5 * FULL * 150.0
    profile = (ProfilePoint(0.0, 0.0), ProfilePoint(length, 0.04 * length))
    axis = Alignment(0.0, 0.0, 0.0, 0.0, (Arc(length, -150.0),), profile)
    chainage = np.linspace(5.0, length - 5.0, 300)
    found = axis.locate(*axis.point(chainage, 6.0, 4.0))
    np.testing.assert_allclose(found[0], chainage, rtol=0.0, atol=1.0e-9)
    np.testing.assert_allclose(found[2], 4.0, rtol=0.0, atol=1.0e-9)


def test_locate_keeps_to_the_near_limb_of_a_hairpin() -> None:
    """Two straights 60 m apart, joined by half a circle of 30 m radius."""
    axis = Alignment(0.0, 0.0, 0.0, 0.4, (Straight(300.0), Arc(math.pi * 30.0, 30.0), Straight(300.0)), ())
    rng = np.random.default_rng(5)
    chainage = rng.uniform(0.0, axis.end_chainage, 500)
    offset = rng.uniform(-50.0, 25.0, 500)
    found = axis.locate(*axis.point(chainage, offset, 2.0))
    # At 25 m of 30 m to the centre the foot point magnifies rounding sixfold.
    np.testing.assert_allclose(found[0], chainage, rtol=0.0, atol=1.0e-9)
    np.testing.assert_allclose(found[1], offset, rtol=0.0, atol=1.0e-9)


def test_locate_takes_a_point_high_above_a_steep_axis() -> None:
    """Ground surface 300 m above a 10 % grade: the part of the axis nearest in space is 30 m from the foot
    point."""
    profile = (ProfilePoint(0.0, 0.0), ProfilePoint(1000.0, 100.0))
    axis = Alignment(0.0, 0.0, 0.0, 2.0, (Arc(800.0, 700.0),), profile)
    chainage = np.linspace(0.0, 800.0, 60)
    found = axis.locate(*axis.point(chainage, -20.0, 300.0))
    np.testing.assert_allclose(found[0], chainage, rtol=0.0, atol=1.0e-9)
    np.testing.assert_allclose(found[2], 300.0, rtol=0.0, atol=1.0e-9)


def test_locate_gives_nan_where_there_is_no_foot_point() -> None:
    axis = Alignment(100.0, 0.0, 0.0, 0.0, (Straight(50.0), Arc(40.0, 60.0), Straight(20.0)), ())
    outside = {
        "before the start": (1.0, -0.01, 0.0),
        "beyond the end": tuple(float(v) for v in axis.point(axis.end_chainage, 2.0, 0.0)),
        "too far left": (-200.01, 20.0, 0.0),
        "nan easting": (math.nan, 20.0, 0.0),
        "nan northing": (0.0, math.nan, 0.0),
        "nan elevation": (0.0, 20.0, math.nan),
        "infinite": (0.0, math.inf, 0.0),
        "centre of the curve": (60.0, 50.0, 0.0),
    }
    azimuth = float(axis.azimuth(axis.end_chainage))
    end = outside["beyond the end"]
    outside["beyond the end"] = (end[0] + 0.01 * math.sin(azimuth), end[1] + 0.01 * math.cos(azimuth), 0.0)
    for where, place in outside.items():
        for value in axis.locate(*place):
            assert np.isnan(value), where
    inside = axis.locate([1.0, -199.99], [0.01, 20.0], 0.0)
    np.testing.assert_allclose(inside[0], [100.01, 120.0], rtol=0.0, atol=1.0e-12)
    np.testing.assert_allclose(inside[1], [1.0, -199.99], rtol=0.0, atol=1.0e-12)


def test_locate_beyond_the_centre_of_a_short_curve_gives_nan() -> None:
    axis = Alignment(0.0, 0.0, 0.0, 0.0, (Arc(50.0, 100.0),), ())
    assert np.all(np.isnan(axis.locate(*axis.point([20.0, 25.0, 30.0], 150.0, 0.0))))


def test_locate_takes_a_hundred_thousand_points_in_well_under_a_second() -> None:
    rng = np.random.default_rng(3)
    chainage = rng.uniform(1000.0, AXIS.end_chainage, 100_000)
    places = AXIS.point(chainage, rng.uniform(-10.0, 10.0, chainage.size), rng.uniform(-3.0, 8.0, chainage.size))
    begin = time.process_time()
    found = AXIS.locate(*places)
    # Processor time, so that a busy machine does not fail it; some 0.2 s where it was written.
    assert time.process_time() - begin < 1.0
    np.testing.assert_allclose(found[0], chainage, rtol=0.0, atol=1.0e-9)


def test_outside_the_alignment_everything_is_nan_and_the_ends_belong_to_it() -> None:
    end = AXIS.end_chainage
    outside = np.array([999.99, end + 0.01, math.nan, math.inf, -math.inf])
    for values in (
        *AXIS.position(outside),
        AXIS.azimuth(outside),
        AXIS.curvature(outside),
        AXIS.grade(outside),
        *AXIS.point(outside, 1.0, 1.0),
        *AXIS.movement(outside, 1.0, 1.0, 1.0),
    ):
        assert values.shape == (5,)
        assert np.all(np.isnan(values))
    # A micrometre of rounding beyond an end still is the end.
    easting, northing, elevation = AXIS.position([1000.0 - 9.0e-7, end + 9.0e-7])
    at_ends = AXIS.position([1000.0, end])
    np.testing.assert_array_equal([easting, northing, elevation], at_ends)
    assert (easting[0], northing[0]) == (5000.0, 8000.0)


def test_point_lies_square_to_the_tangent_and_right_is_right() -> None:
    """Looking north, right is east; looking east, right is south."""
    north = Alignment(0.0, 100.0, 200.0, 0.0, (Straight(50.0),), (ProfilePoint(0.0, 7.0),))
    assert [float(v) for v in north.point(20.0, 3.0, 1.5)] == [103.0, 220.0, 8.5]
    east = dataclasses.replace(north, start_azimuth=0.5 * math.pi)
    np.testing.assert_allclose(east.point(20.0, 3.0, 1.5), [120.0, 197.0, 8.5], rtol=0.0, atol=1.0e-13)
    right_curve = Alignment(0.0, 0.0, 0.0, 0.0, (Arc(20.0, 100.0),), ())
    assert right_curve.position(20.0)[0] > 0.0
    assert right_curve.azimuth(20.0) == pytest.approx(0.2, abs=1.0e-15)


def test_movement_names_the_axes_by_their_signs() -> None:
    """Axis due east: 2 east is up-chainage, 1 north is to the left, 3 down is settlement."""
    axis = Alignment(0.0, 0.0, 0.0, 0.5 * math.pi, (Straight(50.0),), (ProfilePoint(0.0, 0.0), ProfilePoint(50.0, 5.0)))
    np.testing.assert_allclose(axis.movement(10.0, 2.0, 1.0, -3.0), [2.0, -1.0, 3.0], rtol=0.0, atol=1.0e-15)


def test_movement_preserves_length_and_agrees_with_point() -> None:
    rng = np.random.default_rng(11)
    chainage = rng.uniform(1000.0, AXIS.end_chainage, 200)
    d_easting, d_northing, d_elevation = rng.normal(0.0, 20.0, (3, 200))
    longitudinal, transverse, settlement = AXIS.movement(chainage, d_easting, d_northing, d_elevation)
    before = np.sqrt(d_easting**2 + d_northing**2 + d_elevation**2)
    after = np.sqrt(longitudinal**2 + transverse**2 + settlement**2)
    np.testing.assert_allclose(after, before, rtol=1.0e-14)
    # A step of offset and height is a pure transverse movement and a negative settlement.
    first, second = AXIS.point(chainage, 2.0, 1.0), AXIS.point(chainage, 2.5, 0.9)
    parts = AXIS.movement(chainage, *(new - old for old, new in zip(first, second, strict=True)))
    for part, expected in zip(parts, (0.0, 0.5, 0.1), strict=True):
        np.testing.assert_allclose(part, expected, rtol=0.0, atol=1.0e-11)


def test_azimuth_is_wrapped_into_one_circle() -> None:
    axis = Alignment(0.0, 0.0, 0.0, -1.0e-17, (Arc(400.0, -50.0),), ())
    azimuth = axis.azimuth(np.linspace(0.0, 400.0, 401))
    assert azimuth[0] == 0.0
    assert np.all((azimuth >= 0.0) & (azimuth < FULL))
    assert azimuth[1] == pytest.approx(FULL - 0.02, abs=1.0e-14)


@pytest.mark.parametrize("shape", [(), (0,), (5,), (2, 3)])
def test_results_have_the_shape_of_the_inputs(shape: tuple[int, ...]) -> None:
    chainage = np.full(shape, 1100.0)
    results = (
        *AXIS.position(chainage),
        AXIS.azimuth(chainage),
        AXIS.curvature(chainage),
        AXIS.grade(chainage),
        *AXIS.point(chainage, 1.0, 2.0),
        *AXIS.movement(chainage, 1.0, 2.0, 3.0),
        *AXIS.locate(*AXIS.point(chainage, 1.0, 2.0)),
    )
    for result in results:
        assert isinstance(result, np.ndarray)
        assert result.shape == shape
        assert result.dtype == np.float64


def test_inputs_are_broadcast_together() -> None:
    easting, northing, elevation = AXIS.point(np.array([[1010.0], [1020.0]]), [1.0, 2.0, 3.0], 0.5)
    assert easting.shape == northing.shape == elevation.shape == (2, 3)
    chainage, offset, _ = AXIS.locate(easting, northing, elevation)
    np.testing.assert_allclose(chainage, [[1010.0] * 3, [1020.0] * 3], rtol=0.0, atol=1.0e-10)
    np.testing.assert_allclose(offset, [[1.0, 2.0, 3.0]] * 2, rtol=0.0, atol=1.0e-10)


def test_alignment_is_plain_data() -> None:
    AXIS.locate(5000.0, 8000.0, 0.0)
    packed = pickle.dumps(AXIS)
    # What the search has prepared stays behind; a thousand stations would take tens of kilobytes.
    assert len(packed) < 2000
    back = pickle.loads(packed)
    assert back == AXIS
    assert hash(back) == hash(AXIS)
    np.testing.assert_array_equal(back.position([1200.0, 1700.0]), AXIS.position([1200.0, 1700.0]))
    np.testing.assert_array_equal(back.locate(5001.0, 8002.0, 0.0), AXIS.locate(5001.0, 8002.0, 0.0))
    with pytest.raises(dataclasses.FrozenInstanceError):
        back.start_chainage = 0.0
    moved = dataclasses.replace(AXIS, start_chainage=0.0)
    assert moved.end_chainage == AXIS.end_chainage - 1000.0


@pytest.mark.parametrize(
    ("make", "named"),
    [
        (lambda: Straight(0.0), "straight length 0.0 m"),
        (lambda: Straight(math.nan), "straight length nan m"),
        (lambda: Straight(2.0e6), "straight length 2000000.0 m"),
        (lambda: Arc(-5.0, 100.0), "arc length -5.0 m"),
        (lambda: Arc(5.0, 0.0), "arc radius 0.0 m"),
        (lambda: Arc(5.0, math.inf), "arc radius inf m"),
        (lambda: Arc(500.0, 0.3), "ten full circles"),
        (lambda: Clothoid(50.0, 0.0, math.nan), "clothoid end curvature nan"),
        (lambda: Clothoid(50.0, math.inf, 0.0), "clothoid start curvature inf"),
        (lambda: Clothoid(50.0, 0.0, 450.0), "clothoid of length 50.0 m"),
        (lambda: ProfilePoint(math.nan, 0.0), "profile point chainage nan"),
        (lambda: ProfilePoint(0.0, math.inf), "profile point elevation inf"),
        (lambda: ProfilePoint(7.0, 0.0, -1.0), "chainage 7.0 m, curve length -1.0 m"),
        (lambda: Alignment(0.0, 0.0, 0.0, 0.0, (), ()), "alignment elements"),
        (lambda: Alignment(math.nan, 0.0, 0.0, 0.0, ELEMENTS, ()), "start chainage nan"),
        (lambda: Alignment(0.0, math.inf, 0.0, 0.0, ELEMENTS, ()), "start easting inf"),
        (lambda: Alignment(0.0, 0.0, math.nan, 0.0, ELEMENTS, ()), "start northing nan"),
        (lambda: Alignment(0.0, 0.0, 0.0, math.nan, ELEMENTS, ()), "start azimuth nan"),
        (
            lambda: Alignment(0.0, 0.0, 0.0, 0.0, ELEMENTS, (ProfilePoint(9.0, 0.0), ProfilePoint(3.0, 0.0))),
            "chainage 3.0 m follows 9.0 m",
        ),
        (
            lambda: Alignment(0.0, 0.0, 0.0, 0.0, ELEMENTS, (ProfilePoint(9.0, 0.0), ProfilePoint(9.0, 1.0))),
            "chainage 9.0 m follows 9.0 m",
        ),
        (
            lambda: Alignment(0.0, 0.0, 0.0, 0.0, ELEMENTS, (ProfilePoint(9.0, 0.0, 10.0),)),
            "the first point, at chainage 9.0 m, has a curve of 10.0 m",
        ),
        (
            lambda: Alignment(
                0.0,
                0.0,
                0.0,
                0.0,
                ELEMENTS,
                (
                    ProfilePoint(0.0, 0.0),
                    ProfilePoint(50.0, 1.0, 60.0),
                    ProfilePoint(100.0, 0.0, 50.0),
                    ProfilePoint(200.0, 0.0),
                ),
            ),
            "overlap by 5 m",
        ),
    ],
)
def test_bad_input_is_refused_with_the_value_and_the_way_out(make: Callable[[], object], named: str) -> None:
    with pytest.raises(ValueFault) as caught:
        make()
    message = str(caught.value)
    assert named in message
    assert "expected" in message
    assert "To mend: " in message
