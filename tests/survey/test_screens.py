"""Screens that only report: they find what is planted, and keep quiet on clean readings."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest
import xarray as xr

from convergence.job.findings import Finding
from convergence.job.schema import Prism
from convergence.survey.copies import copied_readings, frozen_readings
from convergence.survey.screens import blind_spells, daily_cycle
from convergence.survey.station import common_movement

EPOCH = np.datetime64("2031-05-01T00:00", "ns")


def array_of(days: np.ndarray, movement: np.ndarray, name: str = "A") -> xr.Dataset:
    """An array of prisms from days (n,) and movement (n, prism, 3) with NaN for readings that are missing."""
    used = np.isfinite(movement[:, :, 2])
    return xr.Dataset(
        {
            "movement": (("epoch", "prism", "axis"), movement),
            "used": (("epoch", "prism"), used),
        },
        coords={
            "days": ("epoch", days),
            "time": ("epoch", EPOCH + (days * 86_400).astype("timedelta64[s]")),
            "prism": [f"{name}-{index}" for index in range(movement.shape[1])],
        },
        attrs={"epoch": str(EPOCH), "section": name},
    )


#: How much of the ground's movement each of five prisms sees: crown, shoulders, walls.
GROUND = np.array([[-0.1, 0.0, 1.0], [-0.1, 0.3, 0.8], [-0.1, -0.25, 0.85], [-0.05, 0.55, 0.5], [-0.05, -0.5, 0.45]])


def drift(
    days: np.ndarray,
    start: float = 20.0,
    length: float = 5.0,
    size: tuple[float, float, float] = (1.6, -2.1, 1.6),
) -> np.ndarray:
    """A station that drifts away and is set right: shape (n, 3)."""
    share = np.clip((days - start) / 1.5, 0.0, 1.0) * (days < start + length)
    return np.asarray(share[:, None] * np.array(size))


def tunnel(
    seed: int,
    ground: np.ndarray | None = None,
    station: np.ndarray | None = None,
    names: str = "ABC",
    noise: float = 0.7,
    days: np.ndarray | None = None,
) -> dict[str, xr.Dataset]:
    """Neighbouring arrays; ``ground`` (n,) is the settlement of the crown, ``station`` (n, 3) what all prisms
    share.
    """
    rng = np.random.default_rng(seed)
    days = np.arange(0.0, 45.0, 0.25) if days is None else days
    ground = np.zeros(len(days)) if ground is None else ground
    found = {}
    for number, name in enumerate(names):
        movement = ground[:, None, None] * GROUND * (1.0 - 0.15 * number) + rng.normal(0.0, noise, (len(days), 5, 3))
        if station is not None:
            movement = movement + station[:, None, :]
        found[name] = array_of(days, movement, name)
    return found


DAYS = np.arange(0.0, 45.0, 0.25)


# Station.


@pytest.mark.parametrize("seed", range(5))
def test_drift_of_a_station_is_found(seed: int) -> None:
    found = common_movement(tunnel(seed, station=drift(DAYS)), list("ABC"))
    assert [finding.section for finding in found] == ["A:B", "B:C"]
    for finding in found:
        assert finding.size == pytest.approx(np.linalg.norm((1.6, -2.1, 1.6)), abs=0.8)
        start, end = ((when - EPOCH) / np.timedelta64(1, "D") for when in (finding.start, finding.end))
        assert 19.5 < start < end < 25.5


def test_drift_is_found_over_slowly_moving_ground() -> None:
    found = common_movement(tunnel(0, ground=30.0 * (1 - np.exp(-DAYS / 6.0)), station=drift(DAYS)), list("ABC"))
    assert {finding.section for finding in found} == {"A:B", "B:C"}


GROUNDS = {
    "slowing": 60.0 * (1 - np.exp(-DAYS / 4.0)),
    "rounds": 4.0 * np.floor(DAYS),
    "drop in three days": 20.0 * np.clip((DAYS - 20.0) / 3.0, 0.0, 1.0),
    "sudden drop": 20.0 * (DAYS > 20.0),
    "bench after the heading": 40.0 * (1 - np.exp(-DAYS / 3.0))
    + 25.0 * np.where(DAYS > 20, 1 - np.exp(-(DAYS - 20) / 2.0), 0.0),
    "stop and restart": 3.0 * np.clip(DAYS, 0, 15) + 3.0 * np.clip(DAYS - 22, 0, None),
    "accelerating": 50.0 * np.exp((DAYS - 45.0) / 5.0),
}


@pytest.mark.parametrize("ground", GROUNDS.values(), ids=GROUNDS.keys())
@pytest.mark.parametrize("seed", range(3))
def test_ground_that_moves_one_way_is_no_station(ground: np.ndarray, seed: int) -> None:
    """However unevenly: the middle of a one-way movement lies between its ends."""
    assert common_movement(tunnel(seed, ground=ground), list("ABC")) == []


def test_ground_that_moves_as_one_block_is_no_station_either() -> None:
    """All prisms alike, as a loosened wedge may: it does not come back."""
    block = np.column_stack(
        [np.zeros(len(DAYS)), np.zeros(len(DAYS)), 18.0 * (1 - np.exp(-np.clip(DAYS - 20, 0, None) / 2))]
    )
    assert common_movement(tunnel(1, station=block), list("ABC")) == []


def test_one_array_alone_is_no_station() -> None:
    arrays = tunnel(0)
    arrays["B"] = tunnel(0, station=drift(DAYS))["B"]
    assert common_movement(arrays, list("ABC")) == []


def test_station_that_has_not_come_back_is_not_judged() -> None:
    days = DAYS[DAYS < 24.0]
    assert common_movement(tunnel(0, station=drift(days), days=days), list("ABC")) == []


def test_too_few_readings_and_prisms() -> None:
    short = {name: array.isel(epoch=slice(0, 8)) for name, array in tunnel(0, station=drift(DAYS)).items()}
    assert common_movement(short, list("ABC")) == []
    two = {name: array.isel(prism=slice(0, 2)) for name, array in tunnel(0, station=drift(DAYS)).items()}
    assert common_movement(two, list("ABC")) == []
    assert common_movement({}, []) == []


# Blind spells.


def spells(hours: list[float], now: float | None = None, holes: dict[int, list[int]] | None = None) -> list[Finding]:
    """Findings of an array read after the given intervals [h]; ``holes`` are rows missed by prism."""
    days = np.cumsum([0.0, *hours]) / 24
    movement = np.zeros((len(days), 3, 3))
    for prism, rows in (holes or {}).items():
        movement[rows, prism] = np.nan
    end = EPOCH + np.timedelta64(round(86_400 * (days[-1] if now is None else days[-1] + now / 24)), "s")
    return blind_spells("A", array_of(days, movement), end)


def test_steady_reading_is_not_blind() -> None:
    assert spells([6.0] * 60) == []
    assert spells([24.0] * 60) == []
    assert spells([6.0] * 30 + [12.0] + [6.0] * 30) == []
    assert spells([168.0] * 20) == []


def test_blind_spell_is_found_with_its_hours() -> None:
    (found,) = spells([6.0] * 30 + [42.0] + [6.0] * 30)
    assert (found.kind, found.size) == ("blind spell", 42.0)
    assert found.start == EPOCH + np.timedelta64(180, "h")
    assert found.end == EPOCH + np.timedelta64(222, "h")
    assert "usual interval 6 h" in found.sentence


@pytest.mark.parametrize("slow", [24.0, 72.0, 168.0])
def test_thinner_readings_of_a_settled_section_are_not_blind(slow: float) -> None:
    """Four times a day, then once a day, or less; and the one missed just after the change."""
    assert spells([6.0] * 100 + [slow] * 10) == []
    assert spells([6.0] * 100 + [2 * slow] + [slow] * 3) == []


def test_several_spells_in_thin_readings() -> None:
    found = spells([24.0] * 20 + [144.0] + [24.0] * 20 + [120.0] + [24.0] * 5)
    assert [finding.size for finding in found] == [144.0, 120.0]


def test_silence_to_the_end_counts_from_the_last_reading() -> None:
    assert spells([6.0] * 40, now=20.0) == []
    (found,) = spells([6.0] * 40, now=40.0)
    assert (found.kind, found.size) == ("no recent reading", 40.0)
    assert spells([24.0] * 40, now=90.0) == []


def test_one_prism_lost_while_the_others_are_read() -> None:
    (found,) = spells([6.0] * 60, holes={1: list(range(40, 61))})
    assert (found.kind, found.prism, found.size) == ("prism silent", "A-1", 126.0)
    assert spells([6.0] * 60, holes={1: [58, 59, 60]}) == []


# Copies.

PRISMS = tuple(Prism(f"P{index}", "A", f"place {index}", 100.0, float(index), 5.0, index + 2) for index in range(8))


def readings_of(values: list[np.ndarray], resolution: float = 0.1) -> pd.DataFrame:
    """Raw readings as movements [mm] by prism, rounded as in a file."""
    parts = []
    for index, series in enumerate(values):
        rounded = np.round(np.round(series / resolution) * resolution, 4)
        time = EPOCH + np.arange(len(series)) * np.timedelta64(6, "h")
        frame = {
            "time": time,
            "prism": index,
            "a": rounded[:, 0],
            "b": rounded[:, 1],
            "c": rounded[:, 2],
            "coordinates": False,
        }
        parts.append(pd.DataFrame(frame))
    return pd.concat(parts, ignore_index=True)


def random_series(seed: int, count: int = 8, length: int = 200, noise: float = 0.7) -> list[np.ndarray]:
    rng = np.random.default_rng(seed)
    true = np.outer(1 - np.exp(-np.arange(length) / 40), (2.0, -8.0, 25.0))
    return [true * rng.uniform(0.3, 1.0) + rng.normal(0.0, noise, (length, 3)) for _ in range(count)]


@pytest.mark.parametrize("run", [12, 13, 30])
def test_copied_increments_are_found_and_counted(run: int) -> None:
    values = random_series(1)
    values[5][60 : 61 + run] = values[2][60 : 61 + run] - values[2][60] + values[5][60]
    values[5] = np.round(values[5], 1)
    values[2] = np.round(values[2], 1)
    values[5][60 : 61 + run] = values[2][60 : 61 + run] - values[2][60] + values[5][60]
    (found,) = copied_readings(readings_of(values), PRISMS)
    assert (found.prism, found.size) == ("P2:P5", run)
    assert found.start == EPOCH + 60 * np.timedelta64(6, "h")
    assert found.end == EPOCH + (60 + run) * np.timedelta64(6, "h")


def test_copied_at_another_time_and_from_itself() -> None:
    values = [np.round(series, 1) for series in random_series(2)]
    values[3][100:121] = values[1][20:41]
    values[6][150:171] = values[6][50:71]
    found = {finding.prism: finding.size for finding in copied_readings(readings_of(values), PRISMS)}
    assert found == {"P1:P3": 20.0, "P6:P6": 20.0}


@pytest.mark.parametrize("resolution", [0.001, 0.01, 0.1])
@pytest.mark.parametrize("seed", range(3))
def test_short_copies_are_found_where_the_numbers_are_fine(resolution: float, seed: int) -> None:
    """Five increments of all three axes: r / (2 s sqrt(2 pi)) an axis for noise s = 0.7, at 0.1 mm 0.028^15 in all."""
    values = [np.round(series / resolution) * resolution for series in random_series(seed)]
    values[5][60:66] = values[2][60:66] - values[2][60] + values[5][60]
    (found,) = copied_readings(readings_of(values, resolution), PRISMS)
    assert (found.prism, found.size) == ("P2:P5", 5.0)


@pytest.mark.parametrize("resolution", [0.001, 0.01, 0.1])
@pytest.mark.parametrize("seed", range(3))
def test_a_replay_of_five_sweeps_is_found(resolution: float, seed: int) -> None:
    values = [np.round(series / resolution) * resolution for series in random_series(seed)]
    values[3][120:125] = values[3][60:65]
    (found,) = copied_readings(readings_of(values, resolution), PRISMS)
    assert (found.prism, found.size) == ("P3:P3", 4.0)
    assert "5 readings the same digit for digit" in found.sentence
    first, last = (
        (EPOCH + at * np.timedelta64(6, "h") + after).astype("datetime64[s]")
        for at, after in ((120, np.timedelta64(0, "s")), (124, np.timedelta64(1, "s")))
    )
    assert found.line == f"{first}Z,A,P3,readings set aside,until {last}Z"


def test_two_increments_are_not_enough() -> None:
    values = [np.round(series, 1) for series in random_series(3)]
    values[5][60:63] = values[2][60:63]
    assert copied_readings(readings_of(values), PRISMS) == []


@pytest.mark.parametrize("resolution", [0.1, 0.5, 1.0, 2.0])
@pytest.mark.parametrize("seed", range(3))
def test_independent_readings_are_no_copies_however_coarse(resolution: float, seed: int) -> None:
    """Rounded to whole millimetres twelve increments agree by chance somewhere in every job."""
    values = random_series(seed, length=400)
    assert copied_readings(readings_of(values, resolution), PRISMS) == []


def test_long_copy_is_found_among_coarse_readings() -> None:
    values = [np.round(series) for series in random_series(4, length=400)]
    values[5][60:161] = values[2][60:161] - values[2][60] + values[5][60]
    found = copied_readings(readings_of(values, 1.0), PRISMS)
    assert [(finding.prism, finding.size >= 100) for finding in found] == [("P2:P5", True)]


def test_settled_prisms_that_do_not_move_are_no_copies() -> None:
    values = [np.round(np.zeros((200, 3)) + 5.0, 1) for _ in range(8)]
    assert copied_readings(readings_of(values), PRISMS) == []
    assert copied_readings(readings_of(values)[:0], PRISMS) == []


def test_frozen_readings() -> None:
    values = [np.round(series, 1) for series in random_series(5)]
    values[4][80:95] = values[4][80]
    (found,) = frozen_readings(readings_of(values), PRISMS)
    assert (found.kind, found.prism, found.size) == ("frozen readings", "P4", 15.0)


@pytest.mark.parametrize(("resolution", "count"), [(0.001, 3), (0.01, 3), (0.1, 4), (0.5, 9)])
def test_frozen_readings_as_short_as_chance_allows(resolution: float, count: int) -> None:
    values = [np.round(series / resolution) * resolution for series in random_series(5)]
    values[4][80 : 80 + count] = values[4][80]
    (found,) = frozen_readings(readings_of(values, resolution), PRISMS)
    assert (found.prism, found.size) == ("P4", count)


@pytest.mark.parametrize("noise", [0.02, 0.1, 0.3, 0.7])
@pytest.mark.parametrize("resolution", [0.1, 0.5, 1.0])
def test_a_finished_section_is_not_frozen_however_coarse(noise: float, resolution: float) -> None:
    """Moving for 100 readings and still for 300; rounded, the same numbers come again and again."""
    for seed in range(3):
        rng = np.random.default_rng(seed)
        way = np.maximum(1.0 - np.arange(400) / 100.0, 0.0) ** 2
        values = [
            rng.uniform(-30.0, 30.0, 3) + np.outer(way, rng.uniform(-5.0, 20.0, 3)) + rng.normal(0.0, noise, (400, 3))
            for _ in range(8)
        ]
        assert frozen_readings(readings_of(values, resolution), PRISMS) == []
        assert copied_readings(readings_of(values, resolution), PRISMS) == []


# Daily cycle.


def cycle(amplitude: float, seed: int = 0, hours: float = 6.0) -> list[Finding]:
    days = np.arange(0.0, 60.0, hours / 24)
    wave = amplitude * np.sin(2 * np.pi * days + 0.7)
    station = np.column_stack([np.zeros(len(days)), wave, np.zeros(len(days))])
    ground = 30.0 * (1 - np.exp(-days / 6.0))
    return daily_cycle(tunnel(seed, ground=ground, station=station, names="ABCDEF", days=days))


@pytest.mark.parametrize("amplitude", [0.2, 0.5])
@pytest.mark.parametrize("hours", [4.0, 6.0, 8.0, 12.0])
def test_daily_cycle_is_found_with_its_amplitude(amplitude: float, hours: float) -> None:
    """Six arrays of five prisms, 60 days: standard error 0.7 sqrt(2 / 7000) = 0.012 mm at four readings a day, 0.017
    mm at two; four of them allowed. Read at 0 and 12 h only what the wave does then is seen: sin(0.7) of it.
    """
    (found,) = cycle(amplitude, hours=hours)
    assert "transverse" in found.sentence
    seen = amplitude * (np.sin(0.7) if hours == 12.0 else 1.0)
    assert found.size == pytest.approx(seen, abs=0.05 if hours < 12.0 else 0.07)


@pytest.mark.parametrize("seed", range(5))
def test_no_cycle_in_noise(seed: int) -> None:
    assert cycle(0.0, seed) == []


def test_readings_once_a_day_can_tell_no_cycle() -> None:
    assert cycle(0.5, hours=24.0) == []
    assert daily_cycle({}) == []
