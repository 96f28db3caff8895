"""The mechanics behind the example job, against closed solutions and principles from outside of it."""

from __future__ import annotations

import numpy as np
import pytest
from scipy.integrate import solve_ivp

from convergence.errors import ValueFault
from convergence.example import ground, noise, physics

ONE_UNIT = physics.Ground(instant=np.array(5.0), delayed=np.array([4.0]), delays=np.array([10.0]))
CHAIN = physics.Ground(instant=np.array(6.0), delayed=np.array([0.8, 1.4, 2.1]), delays=np.array([0.5, 5.0, 60.0]))


def firm_lining(stiffness: float, sprayed: float = 0.4) -> physics.Lining:
    return physics.Lining(
        stiffness=np.array(stiffness),
        sprayed=np.array(sprayed),
        closed=np.array(30.0),
        open_share=0.4,
        hardening=2.5,
    )


@pytest.mark.parametrize("step", [0.05, 0.7, 9.0])
def test_sudden_load_on_bare_ground_follows_the_closed_solution(step: float) -> None:
    # Kelvin unit in series with a spring under a constant load: u = q (C0 + C1 (1 - exp(-t/tau))), textbook
    # mechanics, from memory. The update is exact for a constant load, so any step must do: rounding only.
    days = np.arange(0.0, 90.0, step)
    moved = physics.integrate(days, np.full(days.size, 2.0), ONE_UNIT)
    assert moved == pytest.approx(2.0 * (5.0 + 4.0 * (1.0 - np.exp(-days / 10.0))), rel=1e-12)


def test_jump_between_two_equal_times_answers_like_a_sudden_load() -> None:
    days = np.array([0.0, 3.0, 3.0, 5.0, 20.0])
    stress = np.array([0.0, 0.0, 2.0, 2.0, 2.0])
    expected = np.array([0.0, 0.0, 10.0, *(2.0 * (5.0 + 4.0 * (1.0 - np.exp(-np.array([2.0, 17.0]) / 10.0))))])
    assert physics.integrate(days, stress, ONE_UNIT) == pytest.approx(expected, rel=1e-12)


def test_lining_agrees_with_an_independent_solver() -> None:
    # The same state equations as rates for a Runge-Kutta solver: q = 1.5 (1 - exp(-t/4)), constant K = 0.05.
    stiffness, rate = 0.05, 0.25

    def rates(day: float, state: np.ndarray) -> np.ndarray:
        units, pressure = state[:3], state[3]
        net = 1.5 * (1.0 - np.exp(-rate * day)) - pressure
        unit_rates = (CHAIN.delayed * net - units) / CHAIN.delays
        # du/dt = C0 (dq/dt - K du/dt) + sum dv/dt
        moving = (CHAIN.instant * 1.5 * rate * np.exp(-rate * day) + unit_rates.sum()) / (1 + CHAIN.instant * stiffness)
        return np.array([*unit_rates, stiffness * moving, moving])

    days = np.linspace(0.0, 80.0, 8001)
    solved = solve_ivp(rates, (0.0, 80.0), np.zeros(5), t_eval=days[::1000], rtol=1e-10, atol=1e-12).y[4]
    hard = physics.Lining(np.array(stiffness), np.array(-1e9), np.array(-1e9), 1.0, 2.5)
    moved = physics.integrate(days, 1.5 * (1.0 - np.exp(-rate * days)), CHAIN, hard)
    # Second order in the step of 0.01 d: an error of some (0.01/0.5)^2/12 of 10 mm.
    assert moved[::1000] == pytest.approx(solved, abs=5e-4)


def test_stiffer_lining_reduces_movement() -> None:
    days = np.arange(0.0, 120.0, 0.1)
    stress = 2.0 * physics.released_share(2.0 * days - 4.0, 6.5)
    final = [physics.integrate(days, stress, CHAIN, firm_lining(value))[-1] for value in (0.0, 0.02, 0.1, 0.5)]
    assert final[0] == pytest.approx(physics.integrate(days, stress, CHAIN)[-1], rel=1e-12)
    assert np.all(np.diff(final) < 0)
    before_spraying = physics.integrate(days, stress, CHAIN)[:4]
    assert physics.integrate(days, stress, CHAIN, firm_lining(0.5))[:4] == pytest.approx(before_spraying)


def test_lining_sprayed_later_lets_more_through() -> None:
    days = np.arange(0.0, 120.0, 0.1)
    stress = 2.0 * physics.released_share(2.0 * days - 4.0, 6.5)
    early, late = (physics.integrate(days, stress, CHAIN, firm_lining(0.1, at))[-1] for at in (0.4, 4.0))
    assert early < late


def test_without_advance_there_is_only_creep() -> None:
    # From day 12 on the face stands: movement goes on, ever slower, as the sum of the decaying units.
    days = np.arange(0.0, 200.0, 0.25)
    stress = 2.0 * physics.released_share(np.minimum(2.0 * days, 24.0) - 6.0, 6.5)
    moved = physics.integrate(days, stress, CHAIN)
    standing = moved[days >= 12.0]
    assert np.all(np.diff(standing) > 0)
    assert np.all(np.diff(standing, 2) < 0)
    final = stress[-1] * (6.0 + 0.8 + 1.4 + 2.1)
    late = days[-1] - 100.0
    remaining = final - moved[days == 100.0][0]
    # Long after the stop only the slowest unit is left.
    assert final - moved[-1] == pytest.approx(remaining * np.exp(-late / 60.0), rel=1e-5)


def test_no_load_no_movement() -> None:
    days = np.arange(0.0, 30.0, 0.5)
    assert np.all(physics.integrate(days, np.zeros(days.size), CHAIN, firm_lining(0.1)) == 0.0)


@pytest.mark.parametrize("lining", [None, firm_lining(0.08)], ids=["bare", "lined"])
def test_movements_of_separate_causes_add_up(lining: physics.Lining | None) -> None:
    # Superposition; it still holds with a lining whose stiffness depends on age alone, which is what allows
    # the final movement to be split by cause.
    days = np.repeat(np.arange(0.0, 60.0, 0.2), 2)
    heading = 1.2 * physics.released_share(2.0 * days - 4.0, 6.5)
    bench = np.where(np.arange(days.size) >= 301, 0.5, 0.0)
    together = physics.integrate(days, heading + bench, CHAIN, lining)
    apart = physics.integrate(days, heading, CHAIN, lining) + physics.integrate(days, bench, CHAIN, lining)
    assert together == pytest.approx(apart, rel=1e-10, abs=1e-12)


def test_halving_the_step_changes_nothing_that_matters() -> None:
    ends = []
    for step in (0.2, 0.1):
        days = np.arange(0.0, 80.0 + step / 2, step)
        stress = 2.0 * physics.released_share(2.0 * days - 6.0, 6.5)
        ends.append(physics.integrate(days, stress, CHAIN, firm_lining(0.08))[-1])
    assert ends[0] == pytest.approx(ends[1], rel=2e-3)


def test_series_do_not_touch_each_other() -> None:
    days = np.arange(0.0, 20.0, 0.5)
    stress = np.stack([physics.released_share(days - 5.0, 6.0), physics.released_share(days - 9.0, 8.0)], axis=1)
    pair = physics.Ground(np.array([5.0, 9.0]), np.array([[4.0], [2.0]]), np.array([10.0]))
    both = physics.integrate(days, stress, pair)
    single = physics.integrate(days, stress[:, 1], physics.Ground(np.array(9.0), np.array([2.0]), np.array([10.0])))
    assert both[:, 1] == pytest.approx(single, rel=1e-14)


def test_release_rises_from_nothing_to_everything() -> None:
    distance = np.linspace(-60.0, 80.0, 400)
    share = physics.released_share(distance, 6.5)
    assert np.all(np.diff(share) >= 0)
    assert share[0] < 1e-9
    assert share[-1] == pytest.approx(1.0, abs=1e-9)
    along = physics.released_along(distance, 6.5)
    assert along[0] == pytest.approx(0.0, abs=1e-9)
    assert along[-1] == pytest.approx(1.0, abs=1e-9)
    assert along.min() < -0.4


def test_worked_numbers_of_the_docstrings() -> None:
    # Computed regression values as printed, four digits: half a unit of the last.
    assert physics.released_share(0.0, 6.5) == pytest.approx(0.3115, abs=5e-5)
    assert physics.released_along(0.0, 6.5) == pytest.approx(-0.5885, abs=5e-5)
    assert physics.hardened_share([-1.0, 0.1, 1.0, 7.0], 2.5) == pytest.approx([0, 0.0997, 0.4094, 0.8720], abs=5e-5)
    moved = physics.integrate(np.array([0.0, 10.0]), np.array([2.0, 2.0]), ONE_UNIT)
    assert moved == pytest.approx([10.0, 15.0570], abs=5e-5)
    units = physics.delayed_units(np.array(6.0), np.array(0.5), np.array([1.0, 16.0]), 0.25)
    assert units == pytest.approx([1.0, 2.0], rel=1e-12)


def test_a_long_chain_of_delayed_units_is_a_power_law() -> None:
    # Sum over all delays of tau^k (1 - exp(-t/tau)) is proportional to t^k. The cut at tau = 1e-14 d leaves
    # an error of about (1e-14)^0.25 = 3e-4.
    delays = np.logspace(-14.0, 14.0, 500)
    units = physics.delayed_units(np.array(1.0), np.array(1.0), delays, 0.25)
    creep = [float(np.sum(units * -np.expm1(-day / delays))) for day in (1.0, 100.0)]
    assert np.log10(creep[1] / creep[0]) / 2.0 == pytest.approx(0.25, abs=5e-4)


def test_creep_of_the_example_has_no_time_of_its_own() -> None:
    # No decade from 0.1 to 1000 d holds more than half of the creep: one exponential cannot follow it.
    weights = physics.delayed_units(np.array(1.0), np.array(1.0), ground.DELAYS, ground.CREEP_EXPONENT)
    creep = [float(np.sum(weights * -np.expm1(-day / ground.DELAYS))) for day in (0.1, 1.0, 10.0, 100.0, 1000.0)]
    assert np.all(np.diff(creep) > 0.08)
    assert np.all(np.diff(creep) < 0.5)


def test_bad_histories_are_refused() -> None:
    with pytest.raises(ValueFault, match="days fall from 2"):
        physics.integrate(np.array([0.0, 2.0, 1.0]), np.zeros(3), ONE_UNIT)
    with pytest.raises(ValueFault, match="2 steps for 3 times"):
        physics.integrate(np.array([0.0, 2.0, 3.0]), np.zeros(2), ONE_UNIT)


def test_shapes_of_the_modes_at_crown_and_springline() -> None:
    shapes = ground.mode_shapes([0.0, 6.0, -6.0], [8.0, 2.0, 2.0])
    crown, right, left = shapes
    expected = [[0, 0, 1], [0, 0, 1], [0, 0, 1], [0, 0.55, 0], [1, 0, 0]]
    assert crown == pytest.approx(np.array(expected, dtype=float), abs=1e-12)
    # Uniform closure: the right wall goes left, the left wall right, neither sinks.
    assert right[0] == pytest.approx([0.0, -1.0, 0.0], abs=1e-12)
    assert left[0] == pytest.approx([0.0, 1.0, 0.0], abs=1e-12)
    # Ovalisation: crown down, walls out.
    assert right[2, 1] == pytest.approx(1.0)
    assert left[2, 1] == pytest.approx(-1.0)


def test_shares_of_the_stages_make_up_the_whole() -> None:
    assert sum(ground.STAGE_SHARE.values()) == pytest.approx(np.ones(len(ground.MODES)), abs=1e-12)


def test_correlated_noise_has_its_spread_and_memory() -> None:
    days = np.arange(40_000) * 0.25
    errors = noise.correlated(days, np.random.default_rng(5))
    # About n tanh(gap/2T) = 3300 independent values: 3 standard errors on the spread are 4 %,
    # on the correlation 3 sqrt(1 - r^2)/sqrt(n) = 0.008.
    assert errors.std(axis=0) == pytest.approx(noise.CORRELATED, rel=0.04)
    for axis in range(3):
        lagged = np.corrcoef(errors[1:, axis], errors[:-1, axis])[0, 1]
        assert lagged == pytest.approx(np.exp(-0.25 / noise.CORRELATION_DAYS), abs=0.008)
