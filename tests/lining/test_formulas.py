"""Lining formulas: limits, forms of the same thing against each other, arrays, and the numbers in the docstrings."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
import pytest
from scipy.integrate import quad, solve_ivp

from convergence import lining
from convergence.errors import ValueFault
from convergence.laws import FloatArray
from convergence.lining import (
    ElasticGround,
    GroundReaction,
    HoekBrownGround,
    MohrCoulombGround,
    RateOfFlow,
    SprayedLayer,
    age_curve,
)
from convergence.lining.release import PROFILES

ROCK = lining.hoek_brown_constants(35.0, 10.0)
GROUNDS: dict[str, GroundReaction] = {
    "elastic": ElasticGround(6.0, 1200.0, 0.3),
    "mohr coulomb": MohrCoulombGround(6.0, 1200.0, 0.3, 0.8, 0.45, 0.15),
    "no dilation": MohrCoulombGround(6.0, 1200.0, 0.3, 0.8, 0.45),
    "frictionless": MohrCoulombGround(6.0, 1200.0, 0.3, 2.0, 0.0),
    "hoek brown": HoekBrownGround(6.0, 1200.0, 0.25, 15.0, *ROCK, 0.1),
    "exponent 0.6": HoekBrownGround(6.0, 1200.0, 0.25, 15.0, *ROCK[:2], 0.6),
}


@pytest.mark.parametrize("name", GROUNDS)
def test_reaction_is_convex_and_its_slope_is_its_slope(name: str) -> None:
    ground = GROUNDS[name]
    pressure = np.linspace(0.05, 5.95, 60)
    moved = ground.movement(pressure, 4.0)
    assert (np.diff(moved) < 0.0).all()
    assert (np.diff(moved, 2) > -1e-9).all()
    step = 1e-5
    slope = (ground.movement(pressure - step, 4.0) - ground.movement(pressure + step, 4.0)) / (2 * step)
    # the slope itself has a kink where the ground turns plastic: a difference across it is the mean of both sides
    np.testing.assert_allclose(ground.flexibility(pressure, 4.0), slope, rtol=2e-5)
    assert float(ground.movement(6.0, 4.0)) == pytest.approx(0.0, abs=1e-9)
    back = lining.pressure_for_movement(ground, moved, 4.0)
    np.testing.assert_allclose(back, pressure, rtol=1e-9)
    assert (ground.plastic_radius(pressure, 4.0) >= 4.0).all()


def test_movement_beyond_the_last_asks_for_no_pressure() -> None:
    assert float(lining.pressure_for_movement(GROUNDS["elastic"], 1e4, 4.0)) == pytest.approx(0.0, abs=1e-9)


@dataclass(frozen=True)
class Ring:
    """The equations of a plastic ring, integrated by an ordinary solver; knows no closed form of the movement."""

    stress: float
    modulus: float
    poisson: float
    intact: float
    broken: float
    joint: float
    power: float
    flow: float

    def movement(self) -> float:
        """Movement of a tunnel of 1 m radius without support [mm]."""

        def change(_: float, state: FloatArray) -> list[float]:
            radial, strain = state
            gap = self.intact * max(self.broken * radial / self.intact + self.joint, 0.0) ** self.power
            scale = (1.0 + self.poisson) / self.modulus
            out, over = radial - self.stress, radial + gap - self.stress
            elastic_radial = scale * ((1.0 - self.poisson) * out - self.poisson * over)
            elastic_around = scale * ((1.0 - self.poisson) * over - self.poisson * out)
            return [gap, elastic_radial + self.flow * elastic_around - (1.0 + self.flow) * strain]

        critical = float(
            lining.hoek_brown_critical_pressure(self.stress, self.intact, self.broken, self.joint, self.power)
        )
        # from the edge of the plastic ring inwards in ln r until nothing presses any more
        start = [critical, (1.0 + self.poisson) * (self.stress - critical) / self.modulus]

        def bare(_: float, state: FloatArray) -> float:
            return float(state[0])

        bare.terminal = True  # type: ignore[attr-defined]
        done = solve_ivp(change, (0.0, -5.0), start, events=bare, rtol=1e-11, atol=1e-14)
        return 1e3 * float(done.y_events[0][0][1])


@pytest.mark.parametrize("power", [0.5, 0.52, 0.6])
@pytest.mark.parametrize("dilation", [0.0, 0.3])
def test_hoek_brown_movement_solves_the_equations(power: float, dilation: float) -> None:
    flow = (1.0 + np.sin(dilation)) / (1.0 - np.sin(dilation))
    ring = Ring(8.0, 1500.0, 0.25, 15.0, 0.9, 6e-4, power, flow)
    ground = HoekBrownGround(8.0, 1500.0, 0.25, 15.0, 0.9, 6e-4, power, dilation)
    assert float(ground.movement(0.0, 1.0)) == pytest.approx(ring.movement(), rel=1e-7)


def test_gauss_rule_holds_for_wide_plastic_rings() -> None:
    """A ring of ten radii, dilating: the rule of the library against scipy's adaptive one, in relative terms."""
    grow, width = 3.0, np.log(10.0)
    nodes, weights = lining.hoek_brown.NODES, lining.hoek_brown.WEIGHTS

    def part(place: npt.ArrayLike) -> FloatArray:
        return np.asarray(np.exp(grow * np.asarray(place)) * (0.02 + 0.3 * np.asarray(place)) ** 2)

    ours = 0.5 * width * float(weights @ part(0.5 * width * (1.0 + nodes)))
    assert ours == pytest.approx(quad(part, 0.0, width, epsabs=0.0, epsrel=1e-13)[0], rel=1e-10)


def test_frictionless_ground_is_the_limit() -> None:
    stress, cohesion, pressure = 6.0, 2.0, 1.0
    plastic = lining.mohr_coulomb_plastic_radius(stress, pressure, 4.0, cohesion, 0.0)
    # Tresca: p0 - c - p = 2 c ln(Rp/R), statics
    assert float(plastic) == pytest.approx(4.0 * np.exp((stress - cohesion - pressure) / (2 * cohesion)), rel=1e-4)


def test_ground_without_cohesion_or_support_has_no_balance() -> None:
    ground = MohrCoulombGround(6.0, 1200.0, 0.3, 0.0, 0.5)
    assert np.isinf(ground.plastic_radius(0.0, 4.0))
    assert np.isinf(ground.movement(0.0, 4.0))
    pressure, moved = lining.classical_equilibrium(ground, 4.0, 300.0, 30.0)
    assert 0.0 < float(pressure) < 6.0
    assert float(pressure) == pytest.approx(0.3 * (float(moved) - 30.0), rel=1e-8)


@pytest.mark.parametrize("name", PROFILES)
@pytest.mark.parametrize("ground", ["elastic", "mohr coulomb", "hoek brown"])
def test_profiles_rise_from_nothing_to_all(name: str, ground: str) -> None:
    distance = np.linspace(-60.0, 400.0, 900)
    share = lining.movement_share(GROUNDS[ground], distance, 4.0, name)
    assert (np.diff(share) >= 0.0).all()
    assert 0.0 <= share[0] < 0.01
    # the slowest of them goes with the square of distance over the radius, stretched by the plastic ring
    assert share[-1] == pytest.approx(1.0, abs=0.01)
    assert 0.1 < float(lining.movement_share(GROUNDS[ground], 0.0, 4.0, name)) < 0.32


def lame_ring(modulus: float, poisson: float, outer: float, inner: float) -> float:
    """Stiffness of a thick ring from its stresses: sr = A - B/r2, st = A + B/r2, plane strain, sr(inner) = 0."""
    first = 1.0 / (1.0 - inner**2 / outer**2)
    second = first * inner**2
    around, radial = first + second / outer**2, first - second / outer**2
    strain = (1.0 + poisson) / modulus * ((1.0 - poisson) * around - poisson * radial)
    return 1.0 / (strain * outer)


def test_ring_stiffness_is_the_thick_ring_and_the_other_form_is_not() -> None:
    ours = float(lining.sprayed_ring_stiffness(25e3, 0.2, 5.0, 0.3))
    assert ours == pytest.approx(lame_ring(25e3, 0.2, 5.0, 4.7), rel=1e-12)
    other = ours * 1.2 / 0.8
    assert abs(other / lame_ring(25e3, 0.2, 5.0, 4.7) - 1.0) > 0.45
    thin = lining.sprayed_ring_stiffness(25e3, 0.2, 5.0, 1e-6) / 1e-6
    assert float(thin) == pytest.approx(25e3 / ((1 - 0.04) * 25.0), rel=1e-6)


def test_layers_sum_to_the_ring() -> None:
    layers = tuple(SprayedLayer(thick, 0.0, 1.0, age_curve("constant")) for thick in (0.15, 0.15))
    parts = lining.layer_stiffness(layers, 5.0)
    assert float(sum(parts)) == pytest.approx(326.90752 / 25e3, rel=1e-7)
    np.testing.assert_allclose(parts, [0.0063924, 0.0066839], atol=5e-8)
    assert float(sum(lining.layer_capacity(layers, 5.0))) == pytest.approx(1.455 / 25, rel=1e-9)


def test_blocks_set_close_are_full_contact() -> None:
    close = lining.steel_set_stiffness(5e-3, 3e-5, 1.0, 4.0, 1e-3, 1e-6, 0.16, steel_modulus=200e3)
    assert float(close) == pytest.approx(float(lining.embedded_girder_stiffness(5e-3, 1.0, 4.0)), rel=1e-4)


def test_combined_support() -> None:
    stiffness, capacity = lining.combined_support([326.9, 11.2], [1.455, 0.14])
    assert float(stiffness) == pytest.approx(338.1)
    assert float(capacity) == pytest.approx(338.1 * 1.455 / 326.9)
    _, weak = lining.combined_support([[326.9, 11.2], [326.9, 0.0]], [[1.455, 0.001], [1.455, 0.0]])
    np.testing.assert_allclose(weak, [338.1 * 0.001 / 11.2, 1.455])


CASES = [(1.0, 0.5, 5.0, 300.0, 0.3, 25e3, 0.2, 0.25), (2.0, 0.7, 4.5, 1000.0, 0.25, 15e3, 0.2, 0.2),
         (0.5, 1.5, 3.0, 50.0, 0.4, 30e3, 0.15, 0.3)]  # fmt: skip


@pytest.mark.parametrize("slip", [True, False])
@pytest.mark.parametrize("case", CASES)
def test_movement_of_the_ring_has_the_forces_of_the_published_form(case: tuple[float, ...], slip: bool) -> None:
    """Thrust and moment of the ring from its movement (Fluegge's ring) against Einstein and Schwartz."""
    stress, ratio, radius, modulus, poisson, concrete, concrete_poisson, thick = case
    crown, side = 0.5 * np.pi, 0.0
    inward, _ = lining.lined_movement([side, crown], *case, slip=slip)
    _, along = lining.lined_movement(0.25 * np.pi, *case, slip=slip)
    equal, oval, shear = 0.5e-3 * (inward[0] + inward[1]), 0.5e-3 * (inward[1] - inward[0]), 1e-3 * float(along)
    plate = concrete / (1.0 - concrete_poisson**2)
    around, bend = plate * thick, plate * thick**3 / 12.0
    moment = 3.0 * bend * oval / radius**2
    # the equal movement bends the ring a little more too; the published thrust has that and the moment has not
    even = (around + bend / radius**2) * equal / radius
    thrust = even + np.array([1.0, -1.0]) * (moment / radius - around * (2.0 * shear + oval) / radius)
    relative = lining.relative_stiffness(radius, modulus, poisson, concrete, concrete_poisson, thick)
    forces = lining.ring_forces_slip if slip else lining.ring_forces_no_slip
    published = forces([side, crown], stress, ratio, radius, poisson, *relative)
    np.testing.assert_allclose(thrust, published[0], rtol=1e-9)
    np.testing.assert_allclose([moment, -moment], published[1], rtol=1e-7)


def test_no_lining_is_kirsch_and_all_released_too() -> None:
    angle = np.linspace(0.0, np.pi, 7)
    free = lining.kirsch_movement(angle, 5.0, 1.0, 0.5, 5.0, 300.0, 0.3)
    for found in (
        lining.lined_movement(angle, 1.0, 0.5, 5.0, 300.0, 0.3, 1e-9, 0.2, 0.25),
        lining.lined_movement(angle, 1.0, 0.5, 5.0, 300.0, 0.3, 25e3, 0.2, 0.25, 1.0),
    ):
        np.testing.assert_allclose(found[0], free[0], rtol=1e-9, atol=1e-9)
        np.testing.assert_allclose(found[1], free[1], rtol=1e-9, atol=1e-9)
    lined, _ = lining.lined_movement(0.5 * np.pi, 1.0, 0.5, 5.0, 300.0, 0.3, 25e3, 0.2, 0.25)
    assert float(lined) == pytest.approx(10.5961, abs=5e-5)
    assert float(free[0][3]) == pytest.approx(26.0)


def test_equal_stress_is_the_ring_of_the_confinement_construction() -> None:
    """For K = 1 the oval part is nothing, and the thin ring meets the thick one as the thickness goes."""
    moved, _ = lining.lined_movement(0.3, 2.0, 1.0, 5.0, 300.0, 0.3, 25e3, 0.2, 0.01)
    ground = ElasticGround(2.0, 300.0, 0.3)
    stiffness = lining.sprayed_ring_stiffness(25e3, 0.2, 5.0, 0.01)
    _, classical = lining.classical_equilibrium(ground, 5.0, stiffness, 0.0)
    assert float(moved) == pytest.approx(float(classical), rel=3e-4)


def test_reinforced_line_and_utilisation() -> None:
    thrust, moment = lining.reinforced_line(0.3, 20.0, 5e-4, 0.04, 500.0)
    assert thrust[-1] == pytest.approx(6.5)
    assert thrust[0] == pytest.approx(-0.5)
    assert moment[0] == moment[-1] == 0.0
    assert (np.diff(thrust) >= -1e-12).all()
    # by hand for the neutral axis at 0.1 m: block 0.08 m, steel at 0.0021 (420 MPa) and far beyond yield in tension
    hand = (1.6 + 0.21 - 0.25, 1.6 * (0.15 - 0.04) + (0.21 + 0.25) * 0.11)
    assert float(np.interp(hand[0], thrust, moment)) == pytest.approx(hand[1], rel=2e-3)
    bending = float(np.interp(0.0, thrust, moment))
    used = lining.line_utilisation([6.5, 3.25, 0.0, 0.0], [0.0, 0.0, bending, 0.0], thrust, moment)
    np.testing.assert_allclose(used, [1.0, 0.5, 1.0, 0.0], rtol=1e-3)
    on_line = lining.line_utilisation(thrust[20:100], -moment[20:100], thrust, moment)
    np.testing.assert_allclose(on_line, 1.0, rtol=1e-6)
    assert float(lining.line_utilisation(2.0, 0.1, [0.0, 3.0, 6.0], [0.0, 0.3, 0.0])) == pytest.approx(0.5)


def test_plain_section_is_the_reinforced_one_without_steel() -> None:
    thrust, moment = lining.reinforced_line(0.3, 20.0, 0.0, 0.04, 500.0)
    np.testing.assert_allclose(lining.plain_moment_capacity(thrust, 0.3, 20.0), moment, atol=1e-12)
    force, bend = np.array([0.5, 2.0, 4.0, 5.9]), np.array([0.02, -0.1, 0.05, 0.001])
    plain = lining.plain_utilisation(force, bend, 0.3, 20.0)
    # the line is straight between its points, the exact one a parabola a little outside
    np.testing.assert_allclose(lining.line_utilisation(force, bend, thrust, moment), plain, rtol=2e-3)
    assert float(lining.plain_utilisation(2.0, 0.1, 0.3, 20.0)) == pytest.approx(0.5)
    np.testing.assert_array_equal(
        lining.plain_utilisation([0.0, 1.0, -1.0], [0.0, 0.15, 0.0], 0.3, 20.0), [0.0, np.inf, np.inf]
    )


def test_creep_forms() -> None:
    rest, stiff = lining.flow_step(2.0, 1e-4, 1e4, 0.0, 1e-5, 1e-5)
    assert (float(rest), float(stiff)) == pytest.approx((2.0, 1e4))
    # one step of the printed form, put back in
    rest, stiff = lining.flow_step(2.0, 1e-5, 1e4, 2e-5, 3e-5, 1e-5)
    after = float(rest) + float(stiff) * 5e-4
    part = -np.expm1(-2.0)
    strain = (after - 2.0) / 1e4 + after * 2e-5 + (after * 3e-5 - 1e-5) * part
    assert strain == pytest.approx(5e-4, rel=1e-12)
    assert float(lining.reduced_modulus(11_580.0, 1.21)) == pytest.approx(5240.0, abs=0.5)
    assert float(lining.creep_coefficient(1.0, 1.21, 1.0)) == pytest.approx(0.605)
    assert float(lining.creep_coefficient(1e9, 1.21, 1.0)) == pytest.approx(1.21, rel=1e-6)
    flow = RateOfFlow(1e-5)
    assert float(flow.flow_between(-3.0, 8.0)) == pytest.approx(2e-5)


def test_tabulated_share() -> None:
    ages, shares = (1.0, 28.0), (0.664, 1.0)
    found = lining.tabulated_share([-1.0, 0.0, 0.5, 1.0, 28.0**0.5, 28.0, 400.0], ages, shares)
    np.testing.assert_allclose(found, [0.0, 0.0, 0.332, 0.664, 0.832, 1.0, 1.0])
    for bad in (((1.0, 1.0), shares), ((0.0, 28.0), shares), ((1.0,), shares), ((), ()), (ages, (-0.1, 1.0))):
        with pytest.raises(ValueFault, match="To mend"):
            lining.tabulated_share(1.0, *bad)


@pytest.mark.parametrize("name", lining.AGE_CURVES)
def test_age_curves_rise_from_nothing(name: str) -> None:
    curve = age_curve(name)
    ages = np.concatenate([[-1.0, 0.0], np.geomspace(1e-3, 1e4, 200)])
    for share in (curve.modulus(ages), curve.strength(ages)):
        assert share[0] == 0.0
        assert (np.diff(share) >= -1e-3).all()
        assert np.isfinite(share).all()
    assert float(curve.modulus(28.0)) == pytest.approx(1.0, abs=0.03)
    assert float(curve.strength(28.0)) == pytest.approx(1.0, abs=0.03)
    assert curve.standing


def test_strains_for_levels() -> None:
    assert float(lining.movement_at_strain(1.0, 5.0)) == pytest.approx(50.0)
    np.testing.assert_allclose(lining.thirds_of_allowed([60.0, 30.0]), [[20.0, 40.0], [10.0, 20.0]])
    assert float(lining.supported_strain(0.2, 1.0, 0.1)) == pytest.approx(2.973, abs=5e-4)
    assert float(lining.rock_mass_strength(20.0, 8.0, 25.0)) == pytest.approx(0.9622, abs=5e-5)
