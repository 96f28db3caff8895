"""A station's drift is taken out with its beginning and its end; no step is left where it is set right."""

from __future__ import annotations

import numpy as np
import pytest

from convergence.job.schema import Event
from convergence.survey.common import without_common
from convergence.survey.station import common_movement
from tests.survey.test_screens import DAYS, GROUND, drift, tunnel


def left_over(seed: int, size: tuple[float, float, float], slowly: bool) -> float:
    """Largest movement [mm] that is left of a drift in days 20-25, mean of an array's prisms and of four sweeps."""
    back = np.clip((25.0 - DAYS) / 1.5, 0.0, 1.0) if slowly else (DAYS < 25.0)
    station = (np.clip((DAYS - 20.0) / 1.5, 0.0, 1.0) * back)[:, None] * np.array(size)
    ground = 30.0 * (1.0 - np.exp(-DAYS / 6.0))
    arrays = tunnel(seed, ground=ground, station=station)
    for array in arrays.values():
        array["offset"] = 0.0 * array["movement"]
    found = common_movement(arrays, list("ABC"))
    events = [
        Event(item.start + (item.end - item.start) / 2, "", "", "common movement removed", "", 1) for item in found
    ]
    changed, _ = without_common(arrays, found, events)
    worst = []
    for number, name in enumerate("ABC"):
        truth = ground[:, None, None] * GROUND * (1.0 - 0.15 * number)
        rest = (changed[name]["movement"].values - truth).mean(axis=1)
        mean = np.stack([np.convolve(rest[:, axis], np.full(4, 0.25), mode="valid") for axis in range(3)], axis=1)
        worst.append(np.linalg.norm(mean[(DAYS[2:-1] > 17.0) & (DAYS[2:-1] < 28.0)], axis=1).max())
    return float(max(worst))


@pytest.mark.parametrize("slowly", [False, True], ids=["set right", "comes back"])
@pytest.mark.parametrize("size", [(1.6, -2.1, 1.6), (3.0, -4.0, 3.0)], ids=["3 mm", "6 mm"])
def test_nothing_but_noise_is_left_of_a_drift(size: tuple[float, float, float], slowly: bool) -> None:
    """Noise of 0.7 mm by axis, five prisms and four sweeps: 0.16 mm by axis, and the largest length of three axes in
    40 windows of three arrays by simulation 0.55 mm (computed). Cut where the finding ends, 0.9 to 1.6 mm were left."""
    assert np.mean([left_over(seed, size, slowly) for seed in range(8)]) < 0.85


def removed(arrays: dict, ground: np.ndarray, seed: int) -> tuple[float, float, list[str]]:  # type: ignore[type-arg]
    """Mean error [mm] left in the spell in the worst array, the largest standard error told, and the sentences."""
    for array in arrays.values():
        array["offset"] = 0.0 * array["movement"]
    found = common_movement(arrays, list("ABC"))
    events = [
        Event(item.start + (item.end - item.start) / 2, "", "", "common movement removed", "", 1) for item in found
    ]
    changed, told = without_common(arrays, found, events)
    truth = tunnel(seed, ground=ground)
    inside = (DAYS > 20.5) & (DAYS < 25.0)
    named = {name for item in found for name in item.section.split(":")}
    left = max(
        float(np.linalg.norm((changed[name]["movement"].values - truth[name]["movement"].values)[inside].mean((0, 1))))
        for name in named
    )
    errors = [float(item.sentence.split("standard error ")[1].split()[0]) for item in told]
    return left, max(errors), [item.sentence for item in told]


BENDS = {
    "time constant 4 days": 60.0 * (1.0 - np.exp(-DAYS / 4.0)),
    "time constant 6 days": 30.0 * (1.0 - np.exp(-DAYS / 6.0)),
    "a bench in it": 20.0 * (1.0 - np.exp(-DAYS / 6.0)) + 12.0 * np.arctan((DAYS - 22.0) / 4.0) / np.pi,
}


@pytest.mark.parametrize("ground", BENDS.values(), ids=BENDS.keys())
def test_the_bend_of_the_ground_is_not_taken_out(ground: np.ndarray) -> None:
    """From the middle between before and after 0.3 to 0.6 mm of the ground went with it, error told 0.4."""
    left, errors = [], []
    for seed in range(3):
        one, error, _ = removed(tunnel(seed, ground=ground, station=drift(DAYS, size=(4.0, -5.0, 4.0))), ground, seed)
        left.append(one)
        errors.append(error)
    # the mean over 18 sweeps of five prisms in two arrays: 0.05 mm an axis, and the curve's own
    assert max(left) < 0.3
    assert all(one < error for one, error in zip(left, errors, strict=True))


def test_an_array_beside_that_goes_along_a_little_is_told() -> None:
    """The third array sees 0.42 of the pair's movement, too little to agree with it."""
    arrays = tunnel(1, station=drift(DAYS, size=(3.2, -4.2, 3.2)))
    alone = tunnel(1, station=drift(DAYS, size=(1.35, -1.75, 1.35)))
    arrays["C"] = alone["C"]
    still = tunnel(1)
    _, _, told = removed(arrays, 0.0 * DAYS, 1)
    assert [("C beside them moved alike" in sentence) for sentence in told] == [True]
    arrays["C"] = still["C"]
    _, _, told = removed(arrays, 0.0 * DAYS, 1)
    assert not any("moved alike" in sentence for sentence in told)
