from __future__ import annotations

import pickle

import numpy as np
import pytest

from convergence.errors import ValueFault
from convergence.laws import FacePath


@pytest.fixture
def stopped() -> FacePath:
    """2 m/d, a stop from day 10 to 14, a jump of 3 m at day 20."""
    return FacePath(np.array([0.0, 10.0, 14.0, 20.0, 20.0, 22.0]), np.array([-8.0, 12.0, 12.0, 24.0, 27.0, 31.0]))


def test_distance_is_straight_between_nodes_and_constant_outside(stopped: FacePath) -> None:
    times = np.array([-5.0, 0.0, 2.5, 12.0, 15.0, 19.999999, 20.0, 21.0, 22.0, 99.0])
    expected = [-8.0, -8.0, -3.0, 12.0, 14.0, 23.999998, 27.0, 29.0, 31.0, 31.0]
    np.testing.assert_allclose(stopped.at(times), expected, rtol=0, atol=1e-12)


def test_any_order_and_shape_of_times(stopped: FacePath) -> None:
    times = np.array([[15.0, 2.5], [99.0, 12.0]])
    np.testing.assert_allclose(stopped.at(times), [[14.0, -3.0], [31.0, 12.0]])
    assert stopped.at(2.5).shape == ()
    np.testing.assert_allclose(stopped.elapsed(times), times - 4.0)


def test_passage_and_elapsed(stopped: FacePath) -> None:
    assert stopped.passage() == pytest.approx(4.0, abs=1e-12)
    np.testing.assert_allclose(stopped.elapsed([3.0, 4.0, 10.0]), [-1.0, 0.0, 6.0], atol=1e-12)
    assert not stopped.begins_past


def test_speed_is_the_one_just_after(stopped: FacePath) -> None:
    times = [-1.0, 0.0, 9.9, 10.0, 13.9, 14.0, 20.0, 22.0, 30.0]
    np.testing.assert_allclose(stopped.speed(times), [0.0, 2.0, 2.0, 0.0, 0.0, 2.0, 2.0, 0.0, 0.0])


def test_face_that_never_comes_has_no_passage() -> None:
    path = FacePath(np.array([0.0, 5.0]), np.array([-30.0, -0.5]))
    assert np.isnan(path.passage())
    assert np.isnan(path.elapsed([1.0, 100.0])).all()


def test_face_resting_at_the_section_passed_when_it_arrived() -> None:
    path = FacePath(np.array([0.0, 2.0, 6.0, 7.0]), np.array([-4.0, 0.0, 0.0, 2.0]))
    assert path.passage() == 2.0


def test_jump_over_the_section_passes_at_the_jump() -> None:
    path = FacePath(np.array([0.0, 3.0, 3.0]), np.array([-2.0, -1.0, 1.0]))
    assert path.passage() == 3.0


def test_path_that_begins_past_says_so_and_passes_at_its_first_node() -> None:
    path = FacePath(np.array([7.0, 9.0]), np.array([1.5, 5.0]))
    assert path.begins_past
    assert path.passage() == 7.0


def test_nodes_are_a_copy_that_cannot_be_written() -> None:
    nodes = np.array([0.0, 1.0])
    path = FacePath(nodes, np.array([0.0, 2.0]))
    nodes[1] = 5.0
    assert path.time[1] == 1.0
    with pytest.raises(ValueError, match="read-only"):
        path.time[0] = 3.0


def test_pickles(stopped: FacePath) -> None:
    copy = pickle.loads(pickle.dumps(stopped))
    np.testing.assert_array_equal(copy.time, stopped.time)
    np.testing.assert_array_equal(copy.distance, stopped.distance)


@pytest.mark.parametrize(
    ("time", "distance", "message"),
    [
        ([0.0, 1.0], [0.0], "2 times and 1 distances"),
        ([], [], "at least one node"),
        ([[0.0, 1.0]], [[0.0, 1.0]], "one row"),
        ([0.0, np.nan], [0.0, 1.0], r"time \[days\]: node 1 is nan"),
        ([0.0, 1.0], [-np.inf, 1.0], r"distance \[m\]: node 0 is -inf"),
        ([0.0, 2.0, 1.0], [0.0, 1.0, 2.0], r"node 2 is 1.0 after 2.0"),
        ([0.0, 1.0, 2.0], [0.0, 3.0, 2.0], r"node 2 is 2.0 after 3.0"),
    ],
)
def test_bad_nodes_are_refused_by_name_and_value(time: list[float], distance: list[float], message: str) -> None:
    with pytest.raises(ValueFault, match=message) as caught:
        FacePath(np.array(time), np.array(distance))
    assert "To mend" in str(caught.value)
