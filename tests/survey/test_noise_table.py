"""Noise by prism and axis, what a sweep shares, the daily cycle: made with known sizes, found again."""

from __future__ import annotations

import numpy as np
import pytest
import xarray as xr

from convergence.survey.noise_table import noise_table, sweep_table

OWN, SHARED, CYCLE, HOUR = np.array([0.6, 0.4, 0.8]), 0.5, 0.4, 15.0


def arrays(seed: int, shared: float = SHARED, cycle: float = CYCLE, count: int = 6) -> dict[str, xr.Dataset]:
    """Arrays of five prisms, four readings a day for 60 days, moving evenly by 0.3 mm/day."""
    rng = np.random.default_rng(seed)
    days = np.arange(0.0, 60.0, 0.25)
    found = {}
    for name in "ABCDEFGH"[:count]:
        movement = 0.3 * days[:, None, None] + OWN * rng.normal(size=(len(days), 5, 3))
        movement = movement + shared * rng.normal(size=(len(days), 1, 3))
        movement = movement + cycle * np.cos(2 * np.pi * (days - HOUR / 24.0))[:, None, None]
        read = rng.uniform(size=(len(days), 5)) > 0.03
        found[name] = xr.Dataset(
            {
                "movement": (("epoch", "prism", "axis"), np.where(read[:, :, None], movement, np.nan)),
                "used": (("epoch", "prism"), read),
                "read_days": (("epoch", "prism"), np.where(read, days[:, None], np.nan)),
                "segment": (("epoch", "prism"), np.zeros(read.shape, dtype=np.int16)),
            },
            coords={"days": ("epoch", days), "prism": [f"{name}-{index}" for index in range(5)]},
        )
    return found


def test_noise_by_prism_and_axis() -> None:
    """A reading's noise is its own and the sweep's; 90 prism axes, so the mean is known to a fifth of one's error."""
    table = noise_table(arrays(1, cycle=0.0))
    assert len(table) == 6 * 5 * 3
    for axis, own in zip(("longitudinal", "transverse", "settlement"), OWN, strict=True):
        mine = table[table["axis"] == axis]
        assert mine["noise"].mean() == pytest.approx(np.hypot(own, SHARED), rel=0.05)
        # the errors stated are no smaller than the scatter of the 30 estimates, nor three times as large
        assert mine["noise"].std() < mine["standard_error"].mean() < 3.0 * mine["noise"].std()


def test_daily_cycle_by_prism() -> None:
    table = noise_table(arrays(2))
    assert table["cycle"].median() == pytest.approx(CYCLE, rel=0.1)
    assert table["cycle_hour"].median() == pytest.approx(HOUR, abs=0.3)
    # without a cycle the amplitude follows Rayleigh's distribution: 1 - exp(-2) = 0.865 below two errors
    still = noise_table(arrays(3, cycle=0.0))
    assert (still["cycle"] < 2.0 * still["cycle_error"]).mean() > 0.8


def test_correlation_by_prism_and_axis() -> None:
    """Prisms with and without a part correlated over a day, 0.5 mm beside 0.4 mm; a prism read for 16 days has none.

    Medians of ten prisms by three axes; the scatter of one, of 240 readings, is about 0.15 mm (computed).
    """
    rng = np.random.default_rng(7)
    found = arrays(7, shared=0.0, cycle=0.0)
    days = found["A"]["days"].values
    for number, (name, array) in enumerate(found.items()):
        slow = np.zeros((len(days), 5, 3))
        for row in range(1, len(days)):
            slow[row] = slow[row - 1] * np.exp(-0.25) + rng.normal(0.0, 0.5 * np.sqrt(1 - np.exp(-0.5)), (5, 3))
        movement = 0.3 * days[:, None, None] + rng.normal(0.0, 0.4, (len(days), 5, 3)) + slow * (number >= 2)
        array["movement"] = array["movement"].copy(data=np.where(array["used"].values[:, :, None], movement, np.nan))
        found[name] = array
    found["A"]["used"][64:, 0] = False
    table = noise_table(found)
    own = table[table["correlation_of"] == "own"]
    assert set(table.loc[table["prism"] == "A-0", "correlation_of"]) == {"job"}
    assert len(own) == len(table) - 3
    with_it = own["section"].isin(list("CDEF"))
    assert own.loc[with_it, "correlated"].median() == pytest.approx(0.5, abs=0.12)
    assert own.loc[with_it, "independent"].median() == pytest.approx(0.4, abs=0.06)
    assert own.loc[~with_it, "correlated"].median() < 0.25
    assert own.loc[~with_it, "independent"].median() == pytest.approx(0.4, abs=0.06)


def test_what_a_sweep_shares() -> None:
    table = sweep_table(arrays(4, cycle=0.0)).set_index("axis")
    for axis, own in zip(("longitudinal", "transverse", "settlement"), OWN, strict=True):
        assert table.loc[axis, "own"] == pytest.approx(own, rel=0.05)
        assert table.loc[axis, "shared"] == pytest.approx(SHARED, abs=3.0 * float(table.loc[axis, "shared_error"]))
        assert table.loc[axis, "shared_error"] < 0.1


def test_nothing_shared_is_not_invented() -> None:
    table = sweep_table(arrays(5, shared=0.0, cycle=0.0))
    assert (table["shared"] < 0.2).all()
    assert (table["shared"] < 2.5 * table["shared_error"]).all()


def test_too_few_readings_say_nothing() -> None:
    few = {name: array.isel(epoch=slice(0, 24)) for name, array in arrays(6, count=1).items()}
    assert noise_table(few)["noise"].isna().all()
    assert sweep_table(few)["own"].isna().all()
    assert len(noise_table({})) == 0


def test_a_prism_read_to_millimetres_is_not_surer_than_that() -> None:
    """Rounding to 1 mm alone is 0.29 mm; a prism that moves by less stands still in the numbers."""
    found = arrays(8, shared=0.0, cycle=0.0, count=2)
    days = found["A"]["days"].values
    still = 0.02 * np.random.default_rng(2).normal(size=(len(days), 5, 3)) + 7.3
    coarse = {
        "A": found["A"].assign(movement=(("epoch", "prism", "axis"), np.round(still))),
        "B": found["B"].assign(movement=(("epoch", "prism", "axis"), np.round(found["B"]["movement"].values))),
    }
    for name in coarse:
        where = {"resolution": ("prism", np.full(5, 1.0)), "stated_noise": ("prism", np.full(5, np.nan))}
        coarse[name] = coarse[name].assign_coords(where)
    table = noise_table(coarse)
    quiet, moving = table[table["section"] == "A"], table[table["section"] == "B"]
    assert quiet["noise"].to_numpy() == pytest.approx(12.0**-0.5)
    assert quiet["at_least"].all()
    assert (quiet["independent"] >= 12.0**-0.5).all()
    assert not moving["at_least"].any()
    assert set(table["resolution"]) == {1.0}
    for axis, own in zip(("longitudinal", "transverse", "settlement"), OWN, strict=True):
        mean = moving.loc[moving["axis"] == axis, "noise"].mean()
        assert 0.95 < mean / np.hypot(own, 12.0**-0.5) < 1.3
