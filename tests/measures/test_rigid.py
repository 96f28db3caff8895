"""Rigid movement of an array apart from its deformation: exact movements, an independent fit, errors by simulation."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest
from scipy.spatial.transform import Rotation

from convergence.errors import ValueFault
from convergence.measures import array_movement, split_array
from convergence.survey import read_job
from convergence.survey.noise_model import Noise
from tests.helpers import write_job

#: Five prisms of a heading [m]: crown, shoulders, walls.
OFFSET = np.array([0.0, -3.8, 3.8, -5.0, 5.0])
HEIGHT = np.array([7.0, 5.2, 5.2, 1.5, 1.5])


def moved(place: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Movement [mm], right and down, of prisms that are now at these places [m]: shape (p, 2)."""
    return 1e3 * (place[:, 0] - OFFSET), -1e3 * (place[:, 1] - HEIGHT)


def test_an_exact_turn_and_shift_of_a_rigid_array() -> None:
    """Turned by a finite angle about its middle, by the rotation matrix itself; small angles are wrong by a^2 / 2."""
    angle, shift, settlement = 5e-4, 3.0, 11.0
    middle = np.array([OFFSET.mean(), HEIGHT.mean()])
    clockwise = np.array([[np.cos(angle), np.sin(angle)], [-np.sin(angle), np.cos(angle)]])
    place = (np.column_stack([OFFSET, HEIGHT]) - middle) @ clockwise.T + middle + 1e-3 * np.array([shift, -settlement])
    value, _, left = split_array(OFFSET, HEIGHT, *(part[None] for part in moved(place)), 0.5)
    # angle^2 / 2 = 1.25e-7 shows as an extension of 1.25e-4 mm/m
    np.testing.assert_allclose(value[0], [shift, settlement, 1e3 * angle, 0.0, 0.0, 0.0], rtol=0, atol=2e-4)
    assert left[0] < 1e-9


@pytest.mark.parametrize(
    ("part", "right", "down"),
    [
        (3, lambda x, y: -x, lambda x, y: y),  # all draw together: the crown comes down, the right wall goes left
        (4, lambda x, y: x, lambda x, y: y),  # wider and flatter
        (5, lambda x, y: y, lambda x, y: -x),  # leaning to the right
    ],
)
def test_each_deformation_is_told_alone(part: int, right, down) -> None:  # type: ignore[no-untyped-def]
    x, y = OFFSET - OFFSET.mean(), HEIGHT - HEIGHT.mean()
    value, _, _ = split_array(OFFSET, HEIGHT, right(x, y)[None], down(x, y)[None], 0.5)
    np.testing.assert_allclose(value[0], np.eye(6)[part], rtol=0, atol=1e-12)


def test_a_crown_alone_is_not_called_settlement_alone() -> None:
    down = np.array([[10.0, 0.0, 0.0, 0.0, 0.0]])
    value, error, left = split_array(OFFSET, HEIGHT, np.zeros((1, 5)), down, 0.5)
    assert value[0, 1] == pytest.approx(2.0)  # the mean of the five, by hand
    assert value[0, 3] > 0.5
    assert left[0] > 1.0, "and what no uniform deformation explains is said"
    _, small, _ = split_array(OFFSET, HEIGHT, np.zeros((1, 5)), np.zeros((1, 5)), 0.5)
    assert (error > 2.0 * small).all()


def test_the_rigid_part_agrees_with_a_fit_by_singular_values() -> None:
    """scipy's Rotation.align_vectors (Kabsch's method) shares nothing with the linear least squares here."""
    rng = np.random.default_rng(3)
    right, down = rng.normal(0.0, 1.0, (2, 5))
    own = np.column_stack([OFFSET - OFFSET.mean(), HEIGHT - HEIGHT.mean(), np.zeros(5)])
    new = own + 1e-3 * np.column_stack([right, -down, np.zeros(5)])
    turn, _ = Rotation.align_vectors(new - new.mean(axis=0), own)
    value, _, _ = split_array(OFFSET, HEIGHT, right[None], down[None], 1.0, parts=3)
    # rotation about z is + anticlockwise; angles of 1e-4 are linear to 1e-8, times the 5 m of the array
    assert value[0, 2] == pytest.approx(-1e3 * turn.as_rotvec()[2], abs=1e-3)
    assert value[0, :2] == pytest.approx([right.mean(), down.mean()])


def test_standard_errors_are_the_scatter_of_many_tries() -> None:
    rng = np.random.default_rng(7)
    right, down = rng.normal(0.0, 0.7, (2, 20_000, 5))
    value, _, _ = split_array(OFFSET, HEIGHT, right, down, 0.7)
    _, exact, _ = split_array(OFFSET, HEIGHT, np.zeros((1, 5)), np.zeros((1, 5)), 0.7)
    # a standard deviation of 20,000 is known to 0.5 %; three of it
    np.testing.assert_allclose(value.std(axis=0), exact[0], rtol=0.015)


def test_prisms_that_cannot_tell_are_not_asked() -> None:
    right, down = np.zeros((3, 5)), np.full((3, 5), 4.0)
    right[1, 2:], down[1, 2:] = np.nan, np.nan  # two prisms left
    right[2], down[2] = np.nan, np.nan
    value, error, left = split_array(OFFSET, HEIGHT, right, down, 0.5)
    assert np.isfinite(value[0]).all()
    assert np.isnan(value[1:]).all()
    assert np.isnan(error[1:]).all()
    assert np.isnan(left[1:]).all()
    rigid, _, _ = split_array(OFFSET, HEIGHT, right, down, 0.5, parts=3)
    np.testing.assert_allclose(rigid[1], [0.0, 4.0, 0.0], atol=1e-12)
    in_line, _, _ = split_array([-4.0, 0.0, 4.0], [2.0, 2.0, 2.0], np.zeros((1, 3)), np.ones((1, 3)), 0.5)
    assert np.isnan(in_line).all(), "three in one line do not tell contraction from ovalisation"


def test_wrong_input_is_refused() -> None:
    with pytest.raises(ValueFault, match="parts = 4"):
        split_array(OFFSET, HEIGHT, np.zeros((1, 5)), np.zeros((1, 5)), 0.5, parts=4)
    with pytest.raises(ValueFault, match="error"):
        split_array(OFFSET, HEIGHT, np.zeros((1, 5)), np.zeros((1, 5)), 0.0)


def test_a_section_of_a_job(tmp_path: Path) -> None:
    """Three prisms: the settlement of the middle is the mean of theirs, and the error grows from zero with time."""
    job = read_job(write_job(tmp_path))
    found = array_movement(job, "A", Noise(0.5, 0.4, 2.0))
    down = job.array("A")["movement"].values[:, :, 2]
    np.testing.assert_allclose(found["value"].sel(part="settlement"), down.mean(axis=1), atol=1e-9)
    error = found["standard_error"].sel(part="settlement").values
    # three prisms, two readings each: independent noise at once, the correlated part once it is old
    assert error[0] == pytest.approx(0.5 * np.sqrt(2 / 3))
    assert error[-1] == pytest.approx(np.sqrt(2 * (0.5**2 + 0.4**2) / 3), rel=1e-3)
    with pytest.raises(ValueFault, match="not in the job"):
        array_movement(job, "nowhere")
