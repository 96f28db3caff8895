"""Ground and lining in equilibrium, against independent numerical solutions and where the answer is known."""

from __future__ import annotations

import pickle

import numpy as np
import pytest
from scipy.integrate import solve_ivp

from convergence.errors import ValueFault
from convergence.laws import FacePath
from convergence.lining import (
    AgeCurve,
    DelayedGround,
    ElasticGround,
    HoekBrownGround,
    Lining,
    MohrCoulombGround,
    RateOfFlow,
    SprayedLayer,
    SpringSupport,
    advance_equilibrium,
    advance_steps,
    age_curve,
    classical_equilibrium,
    en1992_modulus_share,
    face_pressure,
    hoek_brown_constants,
    movement_share,
    time_at_distance,
)
from tests.lining.radial_ring import Layer, Model, Rock

RADIUS = 5.0
GROUND = MohrCoulombGround(7.0, 1800.0, 0.3, 1.5, np.deg2rad(23.0), np.deg2rad(4.0))
#: Rounds of 1.2 m at once, three a day, and a stop of two days when the face is just past.
ROUNDS = np.arange(-20, 61)
BLASTS = ROUNDS / 3.0 + np.where(ROUNDS >= 2, 2.0, 0.0)
PATH = FacePath(np.repeat(BLASTS, 2), 1.2 * np.repeat(np.arange(-21, 61), 2)[1:-1])
RAPID = age_curve("en 1992 rapid")


def run(ground: MohrCoulombGround, lining: Lining, until: float = 60.0, **grid: float) -> tuple[float, float]:
    """Final pressure on the lining [MPa] and final movement [mm]."""
    time, distance = advance_steps(PATH, until, lining.installed, **grid)
    done = advance_equilibrium(ground, RADIUS, time, movement_share(ground, distance, RADIUS), lining)
    return float(done.support_pressure[-1]), float(done.movement[-1])


def test_the_log_has_rounds_and_a_stop() -> None:
    assert PATH.at(BLASTS[5] + 1e-9) == pytest.approx(1.2 * ROUNDS[5])
    assert np.ptp(PATH.at(np.linspace(BLASTS[21] + 1e-6, BLASTS[22] - 1e-6, 5))) == pytest.approx(0.0, abs=1e-9)
    assert BLASTS[22] - BLASTS[21] == pytest.approx(2.0 + 1.0 / 3.0)


@pytest.mark.parametrize("elastic", [True, False], ids=["elastic", "plastic"])
def test_against_a_radial_finite_element_tunnel(elastic: bool) -> None:
    """Two hardening layers in elastic and in plastic, dilating ground.

    Within 3 % is asked; 0.5 % is held (computed: 0.0005 % elastic, 0.07 % plastic, where the model's own mesh tells).
    """
    rock = Rock(7.0, 1800.0, 0.3) if elastic else Rock(7.0, 1800.0, 0.3, 1.5, 23.0, 4.0)
    ground = ElasticGround(7.0, 1800.0, 0.3) if elastic else GROUND
    first, second = float(BLASTS[20]) + 0.1, float(BLASTS[22]) + 0.1
    built = Lining((SprayedLayer(0.15, first, 25e3, RAPID), SprayedLayer(0.10, second, 25e3, RAPID)))
    time, distance = advance_steps(PATH, 60.0, built.installed, longest_advance=1.2)
    share = movement_share(ground, distance, RADIUS)
    done = advance_equilibrium(ground, RADIUS, time, share, built)

    # the pressure that stands for the face comes from the model's own ground, walked down without lining
    falls = np.linspace(7.0, 0.0, 71)
    alone = Model(rock, RADIUS).steps(np.arange(71.0), falls)
    held = np.interp(share * alone[-1], alone, falls)
    layers = tuple(
        Layer(thick, sprayed, lambda age: 25e3 * float(en1992_modulus_share(age, 0.20)))
        for thick, sprayed in ((0.15, first), (0.10, second))
    )
    model = Model(rock, RADIUS, layers)
    moved = 1e3 * model.steps(time, held)
    behind = distance > 0.0
    np.testing.assert_allclose(moved[behind], done.movement[behind], rtol=0.005)
    # pressure on the lining from the model: the ground's own at that movement
    carried = np.interp(moved[-1] / 1e3, alone, falls)
    assert carried == pytest.approx(float(done.support_pressure[-1]), rel=0.005)
    assert carried > 0.3


def test_constant_stiffness_is_the_classical_construction_whatever_the_steps() -> None:
    sprayed = float(BLASTS[20]) + 0.05
    built = Lining((SprayedLayer(0.25, sprayed, 15e3, age_curve("constant")),), (SpringSupport(12.0, sprayed),))
    begin = float(movement_share(GROUND, PATH.at(sprayed), RADIUS) * GROUND.movement(0.0, RADIUS))
    far = float(movement_share(GROUND, PATH.at(60.0), RADIUS))
    assert far == pytest.approx(1.0, abs=2e-4)
    stiffness = 15e3 * float(built_ring()) + 12.0
    pressure, movement = classical_equilibrium(GROUND, RADIUS, stiffness, begin)
    found = [run(GROUND, built), run(GROUND, built, longest_advance=20.0, longest_days=60.0)]
    for carried, moved in found:
        # the face is not endlessly far yet
        assert carried == pytest.approx(float(pressure), rel=1e-3)
        assert moved == pytest.approx(float(movement), rel=1e-3)
    assert found[0] == pytest.approx(found[1], rel=1e-9)


def built_ring() -> float:
    """Stiffness of a ring of 0.25 m for a modulus of 1 MPa, from its equation."""
    return (25.0 - 4.75**2) / (1.2 * (0.6 * 25.0 + 4.75**2)) / 5.0


def test_the_step_size_does_not_matter_much_for_a_hardening_lining() -> None:
    sprayed = float(BLASTS[20]) + 0.1
    built = Lining((SprayedLayer(0.25, sprayed, 25e3, RAPID),))
    fine = run(GROUND, built, longest_advance=0.1, longest_days=0.2)
    coarse = run(GROUND, built)
    assert coarse == pytest.approx(fine, rel=2e-3)


def test_classical_construction_for_elastic_ground_in_closed_form() -> None:
    ground = ElasticGround(4.0, 1000.0, 0.25)
    soft = 1e3 * 1.25 * RADIUS / 1000.0
    stiffness = np.array([0.0, 50.0, 300.0])
    pressure, movement = classical_equilibrium(ground, RADIUS, stiffness, 8.0)
    steep = stiffness / 1e3
    expected = steep * (4.0 * soft - 8.0) / (1.0 + steep * soft)
    np.testing.assert_allclose(pressure, expected, rtol=1e-9, atol=1e-12)
    np.testing.assert_allclose(movement, soft * (4.0 - expected), rtol=1e-9)
    yields, moved = classical_equilibrium(ground, RADIUS, 300.0, 8.0, 0.5)
    assert float(yields) == pytest.approx(0.5)
    assert float(moved) == pytest.approx(soft * 3.5)


def test_young_concrete_carries_less_than_old() -> None:
    sprayed = float(BLASTS[20]) + 0.1
    old = run(GROUND, Lining((SprayedLayer(0.25, sprayed, 25e3, age_curve("constant")),)))
    young = run(GROUND, Lining((SprayedLayer(0.25, sprayed, 25e3, RAPID),)))
    open_ring = run(GROUND, Lining((SprayedLayer(0.25, sprayed, 25e3, RAPID),), closed=sprayed + 5.0, open_share=0.3))
    assert old[0] > young[0] > open_ring[0] > 0.0
    assert old[1] < young[1] < open_ring[1] < float(GROUND.movement(0.0, RADIUS))


def test_a_lining_that_yields_holds_its_capacity() -> None:
    sprayed = float(BLASTS[20]) + 0.1
    weak = SprayedLayer(0.1, sprayed, 25e3, age_curve("constant"), strength=5.0)
    carried, moved = run(GROUND, Lining((weak,)))
    most = 2.5 * (1.0 - (4.9 / 5.0) ** 2)
    assert carried == pytest.approx(most, rel=1e-9)
    assert moved == pytest.approx(float(GROUND.movement(most, RADIUS)), rel=1e-3)


def test_delayed_ground_without_lining() -> None:
    ground = ElasticGround(4.0, 1000.0, 0.25)
    time = np.concatenate([[0.0, 0.0], np.linspace(0.5, 30.0, 60)])
    share = np.concatenate([[0.0], np.ones(61)])
    done = advance_equilibrium(ground, RADIUS, time, share, Lining(()), DelayedGround((0.5, 0.3), (2.0, 9.0)))
    at_once = float(ground.movement(0.0, RADIUS))
    expected = at_once * (1.0 - 0.5 * np.expm1(-time / 2.0) - 0.3 * np.expm1(-time / 9.0))
    np.testing.assert_allclose(done.movement[1:], expected[1:], rtol=1e-10)
    assert float(done.movement[0]) == pytest.approx(0.0, abs=1e-9)


def test_delayed_ground_loads_a_lining_against_an_ordinary_solver() -> None:
    """Ground that creeps onto a ring put in after everything is released; scipy's solver knows nothing of steps."""
    soft, ratio, days, steep = 1e3 * 1.25 * RADIUS / 1000.0, 0.8, 5.0, 0.1
    ground = ElasticGround(4.0, 1000.0, 0.25)
    time = np.concatenate([[0.0, 0.0], np.linspace(0.01, 40.0, 1000)])
    share = np.concatenate([[0.0], np.ones(1001)])
    lining = Lining((), (SpringSupport(1e3 * steep, 0.0),))
    done = advance_equilibrium(ground, RADIUS, time, share, lining, DelayedGround((ratio,), (days,)))

    def flow(_: float, late: np.ndarray) -> np.ndarray:
        carried = steep * late / (1.0 + steep * soft)
        return (ratio * soft * (4.0 - carried) - late) / days

    late = solve_ivp(flow, (0.0, 40.0), [0.0], t_eval=time[2:], rtol=1e-10, atol=1e-12).y[0]
    carried = steep * late / (1.0 + steep * soft)
    np.testing.assert_allclose(done.support_pressure[2:], carried, rtol=1e-4)
    np.testing.assert_allclose(done.movement[2:], soft * (4.0 - carried) + late, rtol=1e-5)


def test_rate_of_flow_under_a_held_movement() -> None:
    """A very stiff ground holds the ring's movement, so its stress relaxes: with flow alone as exp(-E C)."""
    path = FacePath(np.array([0.0, 1.0]), np.array([0.0, 400.0]))
    ground = ElasticGround(1.0, 1e6, 0.2)
    curve = age_curve("constant")
    ring = Lining((SprayedLayer(0.01, 0.0, 100.0, curve, creep=RateOfFlow(4e-3)),))
    still = Lining((SprayedLayer(0.01, 0.0, 100.0, curve),))
    time, distance = advance_steps(path, 60.0, (0.5,), longest_days=0.02)
    share = movement_share(ground, distance, RADIUS)
    creeping, elastic = (advance_equilibrium(ground, RADIUS, time, share, lining) for lining in (ring, still))
    after = time > 1.5
    place = int(np.flatnonzero(after)[0])
    flow = 4e-3 * (np.cbrt(time[after]) - np.cbrt(time[place]))
    expected = float(creeping.support_pressure[place]) * np.exp(-100.0 * flow)
    np.testing.assert_allclose(creeping.support_pressure[after], expected, rtol=1e-3)
    np.testing.assert_allclose(elastic.support_pressure[after], elastic.support_pressure[-1], rtol=1e-6)


def test_samples_go_together_and_give_what_each_gives_alone() -> None:
    sprayed = float(BLASTS[20]) + 0.1
    stress, thick, delay = np.array([5.0, 7.0, 9.0]), np.array([0.15, 0.25, 0.3]), np.array([0.0, 0.2, 0.5])
    many = MohrCoulombGround(stress, 1800.0, 0.3, 1.5, np.deg2rad(23.0))
    built = Lining((SprayedLayer(thick, sprayed + delay, 25e3, RAPID),))
    time, distance = advance_steps(PATH, 60.0, built.installed)
    together = advance_equilibrium(many, RADIUS, time, movement_share(many, distance[:, None], RADIUS), built)
    assert together.movement.shape == (time.size, 3)
    assert together.member_pressure.shape == (1, time.size, 3)
    for place in range(3):
        one = MohrCoulombGround(stress[place], 1800.0, 0.3, 1.5, np.deg2rad(23.0))
        alone = Lining((SprayedLayer(thick[place], sprayed + delay[place], 25e3, RAPID),))
        done = advance_equilibrium(one, RADIUS, time, movement_share(one, distance, RADIUS), alone)
        np.testing.assert_allclose(together.movement[:, place], done.movement, rtol=1e-8)
    assert pickle.loads(pickle.dumps(together)).movement[-1, 0] == together.movement[-1, 0]
    assert pickle.loads(pickle.dumps(built)).layers[0].curve.standing == RAPID.standing


def test_hoek_brown_rock_finds_its_balance_too() -> None:
    rock = HoekBrownGround(9.0, 1500.0, 0.25, 20.0, *hoek_brown_constants(30.0, 12.0), np.deg2rad(5.0))
    sprayed = float(BLASTS[20]) + 0.1
    built = Lining((SprayedLayer(0.3, sprayed, 25e3, RAPID),))
    time, distance = advance_steps(PATH, 60.0, built.installed, longest_advance=1.2)
    done = advance_equilibrium(rock, RADIUS, time, movement_share(rock, distance, RADIUS), built)
    np.testing.assert_allclose(rock.movement(done.wall_pressure, RADIUS), done.movement, rtol=1e-9)
    np.testing.assert_allclose(done.face_pressure + done.support_pressure, done.wall_pressure, rtol=1e-8, atol=1e-8)
    assert (np.diff(done.movement) >= -1e-9).all()


def test_movement_at_a_jump_and_between() -> None:
    ground = ElasticGround(4.0, 1000.0, 0.25)
    done = advance_equilibrium(ground, RADIUS, [0.0, 1.0, 1.0, 2.0], [0.0, 0.0, 0.5, 1.0], Lining(()))
    whole = float(ground.movement(0.0, RADIUS))
    np.testing.assert_allclose(
        done.movement_at([-1.0, 0.5, 1.0, 1.5, 2.0, 9.0]), whole * np.array([0, 0, 0.5, 0.75, 1, 1]), atol=1e-8
    )


def test_steps_keep_rounds_marks_and_length() -> None:
    time, distance = advance_steps(PATH, 40.0, (12.0, np.nan), longest_advance=0.5, longest_days=2.0)
    assert (np.diff(time) >= 0.0).all()
    assert (np.diff(distance) >= -1e-12).all()
    assert np.diff(distance).max() <= 0.5 + 1e-9
    assert np.diff(time).max() <= 2.0 + 1e-9
    assert 12.0 in time
    assert time[-1] == 40.0
    assert np.isin(BLASTS[BLASTS <= 40.0].round(9), time.round(9)).all()
    assert float(time_at_distance(PATH, 1e4)) != float(time_at_distance(PATH, 1e4))
    assert float(PATH.at(float(time_at_distance(PATH, 3.0)) + 1e-9)) >= 3.0


@pytest.mark.parametrize(
    "call",
    [
        lambda: advance_steps(PATH, -100.0),
        lambda: advance_equilibrium(GROUND, RADIUS, [0.0, 1.0], [0.0, 0.5, 1.0], Lining(())),
        lambda: advance_equilibrium(GROUND, RADIUS, [1.0, 0.0], [0.0, 1.0], Lining(())),
        lambda: DelayedGround((0.5,), ()),
        lambda: age_curve("cement"),
        lambda: movement_share(GROUND, 1.0, RADIUS, "none"),
    ],
)
def test_bad_input_says_how_to_mend(call: object) -> None:
    with pytest.raises(ValueFault, match="To mend"):
        call()  # type: ignore[operator]


def test_face_pressure_gives_the_share_back() -> None:
    share = np.linspace(0.0, 1.0, 21)
    held = face_pressure(GROUND, share, RADIUS)
    np.testing.assert_allclose(
        GROUND.movement(held, RADIUS), share * GROUND.movement(0.0, RADIUS), rtol=1e-9, atol=1e-9
    )
    assert isinstance(RAPID, AgeCurve)
