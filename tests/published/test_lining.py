"""Lining mechanics against values from outside the library. The standing stands beside each.

"Computed apart" means that the digits come from a formula evaluated outside this library, where the formula is from
memory and was confirmed by a numerical solution of the governing equations. Tolerances are half a unit of the last
printed digit unless said.
"""

from __future__ import annotations

import numpy as np
import pytest

from convergence import lining
from convergence.laws import FacePath, vlachopoulos_diederichs_2009
from convergence.lining import (
    HoekBrownGround,
    Lining,
    MohrCoulombGround,
    SprayedLayer,
    advance_equilibrium,
    advance_steps,
    age_curve,
    time_at_distance,
)

RAD = np.pi / 180.0
HALF = 0.5000001


def test_kirsch_zone_of_failure() -> None:
    """Brady and Brown, Rock Mechanics for Underground Mining, 3rd ed., p. 214 (published): sidewalls fail to 26 deg."""
    angle = np.linspace(0.0, np.pi / 2.0, 90_001)
    fails = lining.kirsch_wall_stress(angle, 7.5, 0.3) >= 16.0
    # the book cuts the number; a degree is what it prints
    assert np.rad2deg(angle[fails].max()) == pytest.approx(26.0, abs=1.0)
    # computed apart
    np.testing.assert_allclose(lining.kirsch_wall_stress([0.0, np.pi / 2], 7.5, 0.3), [20.25, -0.75], atol=1e-12)
    moved, along = lining.kirsch_movement([0.0, np.pi / 2], 5.0, 10.0, 0.5, 5.0, 2500.0, 0.25)
    np.testing.assert_allclose(moved, [6.25, 31.25], atol=HALF * 1e-3)
    np.testing.assert_allclose(along, 0.0, atol=1e-12)


# Mohr-Coulomb, perfectly plastic. Formulas from memory, confirmed by a numerical solution of the governing equations on
# five cases; digits computed apart. Wall pressure: plastic radius, movement.
FIRST = MohrCoulombGround(7.0, 1800.0, 0.3, 1.5, 23.0 * RAD)
SECOND = MohrCoulombGround(5.0, 500.0, 0.3, 0.2, 25.0 * RAD, 5.0 * RAD)
THIRD = MohrCoulombGround(10.0, 3000.0, 0.25, 1.0, 30.0 * RAD, 10.0 * RAD)


@pytest.mark.parametrize(
    ("ground", "radius", "pressure", "plastic", "movement"),
    [
        (FIRST, 5.0, 5.0, 5.0, 7.22222), (FIRST, 5.0, 3.0, 5.0, 14.44444), (FIRST, 5.0, 2.0, 5.61251, 18.99615),
        (FIRST, 5.0, 1.0, 6.55609, 27.10848), (FIRST, 5.0, 0.5, 7.18143, 33.53642),
        (FIRST, 5.0, 0.0, 7.96196, 42.65206),
        (SECOND, 3.0, 2.0, 3.57096, 26.43628), (SECOND, 3.0, 1.0, 5.13070, 65.06375),
        (SECOND, 3.0, 0.5, 6.88555, 132.94080), (SECOND, 3.0, 0.2, 8.98767, 248.08628),
    ],
)  # fmt: skip
def test_mohr_coulomb_reaction(
    ground: MohrCoulombGround, radius: float, pressure: float, plastic: float, movement: float
) -> None:
    assert float(ground.plastic_radius(pressure, radius)) == pytest.approx(plastic, abs=HALF * 1e-5)
    assert float(ground.movement(pressure, radius)) == pytest.approx(movement, abs=HALF * 1e-5)


def test_mohr_coulomb_dilation_and_critical_pressure() -> None:
    for ground, printed in ((FIRST, 2.884125), (SECOND, 2.705647), (THIRD, 4.133975)):
        critical = lining.mohr_coulomb_critical_pressure(ground.stress, ground.cohesion, ground.friction_angle)
        assert float(critical) == pytest.approx(printed, abs=HALF * 1e-6)
    assert float(THIRD.plastic_radius(0.2, 1.0)) == pytest.approx(1.742460, abs=HALF * 1e-6)
    assert float(THIRD.movement(0.2, 1.0)) == pytest.approx(10.793960, abs=HALF * 1e-6)


def duncan_fama(pressure: float) -> float:
    """Movement [mm] of the first ground after Duncan Fama 1993, another form of the same; from memory, verified."""
    critical, plastic = 2.884125, float(FIRST.plastic_radius(pressure, 5.0))
    first = 2.0 * (1.0 - 0.3) * (7.0 - critical) * (plastic / 5.0) ** 2 - (1.0 - 0.6) * (7.0 - pressure)
    return 1e3 * 5.0 * 1.3 / 1800.0 * first


@pytest.mark.parametrize("pressure", [0.0, 0.7, 1.9, 2.8])
def test_without_dilation_two_forms_agree(pressure: float) -> None:
    # the critical pressure has seven digits
    assert float(FIRST.movement(pressure, 5.0)) == pytest.approx(duncan_fama(pressure), rel=1e-6)


# Generalised Hoek-Brown with a = 0.5. Inputs from memory (a worked set of 2000), digits computed apart by closed form
# (no dilation) and by a numerical solution of the governing equations (dilation 30 degrees).
@pytest.mark.parametrize(
    ("index", "broken", "joint", "shear", "critical", "plastic", "movement", "dilating"),
    [
        (50.0, 2.5152, 3.8659e-3, 1788.9, 2.2016, 1.4505, 3.6253, 6.2563),
        (40.0, 1.7598, 1.2726e-3, 1005.9, 2.6542, 1.6656, 8.1588, 17.6626),
        (30.0, 1.2313, 4.1894e-4, 565.7, 3.1156, 1.9718, 19.2850, 55.1538),
    ],
)
def test_hoek_brown_reaction(
    index: float, broken: float, joint: float, shear: float, critical: float, plastic: float, movement: float,
    dilating: float,
) -> None:  # fmt: skip
    rock = lining.hoek_brown_constants(index, 15.0)[:2]
    assert float(rock[0]) == pytest.approx(broken, abs=HALF * 1e-4)
    assert float(rock[1]) == pytest.approx(joint, rel=HALF * 1e-4)
    modulus = 1000.0 * np.sqrt(0.2) * 10.0 ** ((index - 10.0) / 40.0)
    assert float(lining.shear_modulus(modulus, 0.25)) == pytest.approx(shear, abs=0.05)
    ground = HoekBrownGround(7.5, modulus, 0.25, 20.0, *rock)
    wall = lining.hoek_brown_critical_pressure(7.5, 20.0, *rock, 0.5)
    assert float(wall) == pytest.approx(critical, abs=HALF * 1e-4)
    assert float(ground.plastic_radius(0.0, 1.0)) == pytest.approx(plastic, abs=HALF * 1e-4)
    assert float(ground.movement(0.0, 1.0)) == pytest.approx(movement, abs=HALF * 1e-4)
    grown = HoekBrownGround(7.5, modulus, 0.25, 20.0, *rock, 0.5, 30.0 * RAD)
    # the numerical solution they are from holds four to five digits
    assert float(grown.movement(0.0, 1.0)) == pytest.approx(dilating, rel=1e-4)


def test_hoek_brown_curve() -> None:
    modulus = 1000.0 * np.sqrt(0.2) * 10.0**0.75
    ground = HoekBrownGround(7.5, modulus, 0.25, 20.0, *lining.hoek_brown_constants(40.0, 15.0)[:2])
    pressure = [2.0, 1.0, 0.5, 0.1]
    np.testing.assert_allclose(
        ground.plastic_radius(pressure, 1.0), [1.074916, 1.235127, 1.361953, 1.547541], rtol=0, atol=HALF * 1e-6
    )
    np.testing.assert_allclose(
        ground.movement(pressure, 1.0), [2.807575, 3.896149, 4.961883, 6.813290], rtol=0, atol=HALF * 1e-6
    )


def test_hoek_brown_stresses_of_a_finite_element_code() -> None:
    """Inputs published with the verification of a general finite-element code; outputs computed apart from them."""
    wall = lining.hoek_brown_critical_pressure(2.0, 10.0, 0.55, 0.02, 0.5)
    assert float(wall) == pytest.approx(0.758081, abs=HALF * 1e-6)
    plastic = lining.hoek_brown_plastic_radius(2.0, 0.0, 1.0, 10.0, 0.55, 0.02, 0.5)
    assert float(plastic) == pytest.approx(1.475437, abs=HALF * 1e-6)


def test_published_ground_reaction_of_a_deep_tunnel() -> None:
    """M. Neuner and others, Materials 10, 2017 (published): 19, 34 and 62 mm at 85, 95 and 100 % release."""
    rock = lining.hoek_brown_constants(40.0, 12.0)
    modulus = lining.rock_mass_modulus(56_670.0, 40.0)
    assert float(modulus) == pytest.approx(9047.0, abs=0.5)
    ground = HoekBrownGround(25.7, modulus, 0.21, 42.0, *rock)
    moved = ground.movement(25.7 * np.array([0.15, 0.05, 0.0]), 4.25)
    # whole millimetres are printed, and the paper's potential is not of the form taken here: 1 mm
    np.testing.assert_allclose(moved, [19.0, 34.0, 62.0], rtol=0, atol=1.0)
    # computed apart, closed form
    np.testing.assert_allclose(moved, [20.0, 34.1, 62.7], rtol=0, atol=0.0501)
    assert float(ground.plastic_radius(0.0, 4.25)) == pytest.approx(10.340, abs=0.0005)


def test_sprayed_ring() -> None:
    """Brady and Brown, 3rd ed., p. 577 (form published); digits computed apart from an exact thick ring."""
    stiffness = lining.sprayed_ring_stiffness(
        [30e3, 25e3, 7000.0], [0.25, 0.2, 0.2], [1.0, 5.0, 4.25], [0.03, 0.3, 0.2]
    )
    np.testing.assert_allclose(stiffness, [984.38476, 326.90752, 83.64286], rtol=0, atol=HALF * 1e-5)
    capacity = lining.sprayed_ring_capacity([30.0, 25.0, 16.8], [1.0, 5.0, 4.25], [0.03, 0.3, 0.2])
    np.testing.assert_allclose(capacity, [0.88650, 1.45500, 0.77199], rtol=0, atol=HALF * 1e-5)


def test_steel_sets_and_bolts() -> None:
    """Brady and Brown, 3rd ed., p. 577-578 (form of sets published, of bolts from memory); digits computed apart."""
    shape = (5.32e-3, 2.67e-5)
    stiffness = lining.steel_set_stiffness(*shape, 1.0, 3.0, 11.25 * RAD, 0.075, 0.16)
    assert float(stiffness) == pytest.approx(111.0445, abs=HALF * 1e-4)
    capacity = lining.steel_set_capacity(*shape, 0.162, 1.0, 3.0, 11.25 * RAD, 0.075, 150.0)
    assert float(capacity) == pytest.approx(0.42656, abs=HALF * 1e-5)
    assert float(lining.bolt_stiffness(0.025, 3.0, 1.0, 1.0, 0.042)) == pytest.approx(13.98124, abs=HALF * 1e-5)
    assert float(lining.bolt_capacity(0.254, 1.0, 1.0)) == pytest.approx(0.254)


def test_assembled_construction_and_its_incremental_twin() -> None:
    """Computed apart: ground of the first set, profile with plastic radius, ring of 0.3 m put in at 2 m."""
    plastic = float(FIRST.plastic_radius(0.0, 5.0))
    assert plastic / 5.0 == pytest.approx(1.592392, abs=HALF * 1e-6)
    assert float(vlachopoulos_diederichs_2009(0.0, 5.0, plastic)) == pytest.approx(0.262509, abs=HALF * 1e-6)
    begin = lining.movement_share(FIRST, 2.0, 5.0) * FIRST.movement(0.0, 5.0)
    assert float(begin) == pytest.approx(21.07172, abs=HALF * 1e-5)
    ring = lining.sprayed_ring_stiffness(25e3, 0.2, 5.0, 0.3)
    pressure, movement = lining.classical_equilibrium(FIRST, 5.0, ring, begin)
    assert float(pressure) == pytest.approx(1.225970, abs=HALF * 1e-6)
    assert float(movement) == pytest.approx(24.82192, abs=HALF * 1e-5)
    assert float(pressure) * 5.0 / 0.3 == pytest.approx(20.4328, abs=HALF * 1e-4)
    path = FacePath(np.array([0.0, 10.0, 24.0, 124.0]), np.array([-20.0, 0.0, 0.0, 200.0]))
    sprayed = time_at_distance(path, 2.0)
    built = Lining((SprayedLayer(0.3, sprayed, 25e3, age_curve("constant")),))
    for longest in (5.0, 0.5):
        time, distance = advance_steps(path, 124.0, built.installed, longest_advance=longest)
        done = advance_equilibrium(FIRST, 5.0, time, lining.movement_share(FIRST, distance, 5.0), built)
        assert float(done.support_pressure[-1]) == pytest.approx(1.225970, abs=HALF * 1e-6)
        assert float(done.movement[-1]) == pytest.approx(24.82192, abs=HALF * 1e-5)
        assert float(done.thrust(5.0)[-1]) / 0.3 == pytest.approx(20.4328, abs=HALF * 1e-4)


# Einstein and Schwartz 1979. From memory, confirmed by an independent solution; digits computed apart. Stress, ratio,
# radius, E, nu, Es, nus, t; then C*, F*, and thrust at springline and crown and moment at the springline.
RINGS = [
    ((1.0, 0.5, 5.0, 300.0, 0.3, 25e3, 0.2, 0.25), (0.25319, 1215.2967), "slip", (3.19339, 3.17770, 0.039230)),
    ((1.0, 0.5, 5.0, 300.0, 0.3, 25e3, 0.2, 0.25), (0.25319, 1215.2967), "no slip", (4.06212, 2.30897, 0.033163)),
    ((2.0, 0.7, 4.5, 1000.0, 0.25, 15e3, 0.2, 0.2), (1.53600, 9331.2), "no slip", (4.29505, 2.81524, 0.004489)),
    ((0.5, 1.5, 3.0, 50.0, 0.4, 30e3, 0.15, 0.3), None, "no slip", (1.56774, 2.13916, -0.198954)),
]


@pytest.mark.parametrize(("case", "stiffness", "bond", "printed"), RINGS)
def test_ring_forces(
    case: tuple[float, ...], stiffness: tuple[float, float] | None, bond: str, printed: tuple[float, float, float]
) -> None:
    stress, ratio, radius, modulus, poisson, concrete, concrete_poisson, thick = case
    relative = lining.relative_stiffness(radius, modulus, poisson, concrete, concrete_poisson, thick)
    if stiffness is not None:
        assert float(relative[0]) == pytest.approx(stiffness[0], abs=HALF * 1e-5)
        assert float(relative[1]) == pytest.approx(stiffness[1], abs=HALF * 1e-4)
    forces = lining.ring_forces_slip if bond == "slip" else lining.ring_forces_no_slip
    thrust, moment = forces([0.0, np.pi / 2], stress, ratio, radius, poisson, *relative)
    np.testing.assert_allclose(thrust, printed[:2], rtol=0, atol=HALF * 1e-5)
    np.testing.assert_allclose(moment, [printed[2], -printed[2]], rtol=0, atol=HALF * 1e-6)
