"""Ranges that formulas state are held, and what came before the advance log is known to have come before."""

from __future__ import annotations

import inspect
import re
from collections.abc import Callable
from functools import partial

import numpy as np
import pytest

from convergence import lining
from convergence.errors import ValueFault
from convergence.job.design_assumptions import LayerAssumption
from convergence.laws import FacePath, panet_1995
from convergence.lining import design_ground, design_lining, time_at_distance
from convergence.lining.ranges import not_beyond, within
from tests.lining.made_section import GROUND, LINING, PATH, known, make_model


def test_a_value_outside_is_named_with_its_range() -> None:
    np.testing.assert_array_equal(within("x", [0.0, 1.0], 0.0, 1.0), [0.0, 1.0])
    assert np.isnan(within("x", np.nan, 0.0, 1.0))
    with pytest.raises(ValueFault, match=r"thickness: -0\.2 m; expected not below 0 m\. To mend"):
        within("thickness", [[0.3, -0.2]], 0.0, unit="m")
    with pytest.raises(ValueFault, match=r"share: 1; expected not below 0 and below 1\. To mend"):
        within("share", 1.0, 0.0, 1.0, below=True)
    with pytest.raises(ValueFault, match=r"radius: 0 m; expected above 0 m"):
        within("radius", 0.0, 0.0, unit="m", above=True)
    with pytest.raises(ValueFault, match=r"dilation: 0\.6 rad; expected not above the friction, 0\.5 rad"):
        not_beyond("dilation", [0.1, 0.6], "friction", 0.5, "rad")


CALLS: dict[str, Callable[[], object]] = {
    "modulus": lambda: lining.shear_modulus(-1.0, 0.3),
    "ratio": lambda: lining.shear_modulus(900.0, 0.6),
    "radius": lambda: lining.lame_wall_movement(3.0, 0.0, 0.0, 900.0, 0.3),
    "stress ratio": lambda: lining.kirsch_movement(0.0, 5.0, 3.0, -0.1, 5.0, 900.0, 0.3),
    "cohesion": lambda: lining.mohr_coulomb_strength(-0.1, 0.5),
    "friction": lambda: lining.mohr_coulomb_strength(0.1, 1.6),
    "dilation": lambda: lining.mohr_coulomb_wall_movement(3.0, 0.0, 5.0, 900.0, 0.3, 0.2, 0.4, 0.5),
    "index": lambda: lining.hoek_brown_constants([40.0, 101.0], 8.0, 0.0),
    "disturbance": lambda: lining.hoek_brown_constants(40.0, 8.0, 1.2),
    "thickness over radius": lambda: lining.sprayed_ring_stiffness(1e4, 0.2, 5.0, 5.5),
    "concrete ratio": lambda: lining.sprayed_ring_stiffness(1e4, 0.5, 5.0, 0.3),
    "strength": lambda: lining.sprayed_ring_capacity(-1.0, 5.0, 0.3),
    "girder": lambda: lining.embedded_girder_stiffness(1e-3, 0.0, 5.0),
    "bolt": lambda: lining.bolt_stiffness(0.025, 3.0, 1.0, 1.0, -0.1),
    "section": lambda: lining.plain_utilisation(1.0, 0.0, 0.0, 25.0),
    "cover": lambda: lining.reinforced_line(0.2, 25.0, 4e-4, 0.12, 500.0),
    "ring": lambda: lining.relative_stiffness(5.0, 900.0, 0.3, 1e4, 0.2, 0.0),
    "support": lambda: lining.supported_strain(1.0, 5.0, 4.0),
    "creep": lambda: lining.reduced_modulus(1e4, -0.5),
    "pressure above the stress": lambda: lining.lame_wall_movement(3.0, 5.0, 5.0, 900.0, 0.3),
    "pressure below nothing": lambda: lining.lame_wall_movement(3.0, -0.1, 5.0, 900.0, 0.3),
    "stress": lambda: lining.lame_wall_movement(-3.0, 0.0, 5.0, 900.0, 0.3),
    "wall modulus": lambda: lining.lame_wall_movement(3.0, 0.0, 5.0, 0.0, 0.3),
    "wall ratio": lambda: lining.lame_wall_movement(3.0, 0.0, 5.0, 900.0, -0.1),
    "inside the tunnel": lambda: lining.kirsch_movement(0.0, 2.0, 3.0, 0.5, 5.0, 900.0, 0.3),
    "hole": lambda: lining.kirsch_movement(0.0, 5.0, 3.0, 0.5, -5.0, 900.0, 0.3),
    "hole modulus": lambda: lining.kirsch_movement(0.0, 5.0, 3.0, 0.5, 5.0, -900.0, 0.3),
    "hole ratio": lambda: lining.kirsch_movement(0.0, 5.0, 3.0, 0.5, 5.0, 900.0, 30.0),
    "wall stress": lambda: lining.kirsch_wall_stress(0.0, 3.0, -0.5),
    "critical stress": lambda: lining.mohr_coulomb_critical_pressure(-3.0, 0.2, 0.4),
    "critical cohesion": lambda: lining.mohr_coulomb_critical_pressure(3.0, -0.2, 0.4),
    "critical friction": lambda: lining.mohr_coulomb_critical_pressure(3.0, 0.2, 23.0),
    "plastic stress": lambda: lining.mohr_coulomb_plastic_radius(0.0, 0.0, 5.0, 0.2, 0.4),
    "plastic pressure": lambda: lining.mohr_coulomb_plastic_radius(3.0, -1.0, 5.0, 0.2, 0.4),
    "plastic pressure above": lambda: lining.mohr_coulomb_plastic_radius(3.0, 4.0, 5.0, 0.2, 0.4),
    "plastic radius": lambda: lining.mohr_coulomb_plastic_radius(3.0, 0.0, -5.0, 0.2, 0.4),
    "plastic friction": lambda: lining.mohr_coulomb_plastic_radius(3.0, 0.0, 5.0, 0.2, 30.0),
    "yielding pressure": lambda: lining.mohr_coulomb_wall_movement(3.0, 4.0, 5.0, 900.0, 0.3, 0.2, 0.4),
    "yielding radius": lambda: lining.mohr_coulomb_wall_movement(3.0, 0.0, 0.0, 900.0, 0.3, 0.2, 0.4),
    "yielding flexibility": lambda: lining.mohr_coulomb_flexibility(3.0, 4.0, 5.0, 900.0, 0.3, 0.2, 0.4),
    "rock stress": lambda: lining.hoek_brown_critical_pressure(-2.0, 10.0, 0.55, 0.02, 0.5),
    "rock strength": lambda: lining.hoek_brown_critical_pressure(2.0, 0.0, 0.55, 0.02, 0.5),
    "rock constant": lambda: lining.hoek_brown_critical_pressure(2.0, 10.0, 0.0, 0.02, 0.5),
    "rock joints": lambda: lining.hoek_brown_critical_pressure(2.0, 10.0, 0.55, -0.02, 0.5),
    "rock exponent": lambda: lining.hoek_brown_critical_pressure(2.0, 10.0, 0.55, 0.02, 1.0),
    "rock pressure": lambda: lining.hoek_brown_plastic_radius(2.0, 3.0, 5.0, 10.0, 0.55, 0.02, 0.5),
    "rock radius": lambda: lining.hoek_brown_plastic_radius(2.0, 0.0, 0.0, 10.0, 0.55, 0.02, 0.5),
    "rock movement": lambda: lining.hoek_brown_wall_movement(2.0, -1.0, 5.0, 900.0, 0.3, 10.0, 0.55, 0.02, 0.5),
    "rock dilation": lambda: lining.hoek_brown_wall_movement(2.0, 0.0, 5.0, 900.0, 0.3, 10.0, 0.55, 0.02, 0.5, -0.1),
    "rock flexibility": lambda: lining.hoek_brown_flexibility(2.0, 3.0, 5.0, 900.0, 0.3, 10.0, 0.55, 0.02, 0.5),
    "rock mass": lambda: lining.rock_mass_modulus(0.0, 40.0),
    "rock mass index": lambda: lining.rock_mass_modulus(5e4, 140.0),
    "intact constant": lambda: lining.hoek_brown_constants(40.0, 0.0),
    "ring ground": lambda: lining.relative_stiffness(5.0, 0.0, 0.3, 1e4, 0.2, 0.25),
    "ring ground ratio": lambda: lining.relative_stiffness(5.0, 900.0, 30.0, 1e4, 0.2, 0.25),
    "ring modulus": lambda: lining.relative_stiffness(5.0, 900.0, 0.3, -1e4, 0.2, 0.25),
    "ring ratio": lambda: lining.relative_stiffness(5.0, 900.0, 0.3, 1e4, 0.5, 0.25),
    "ring radius": lambda: lining.relative_stiffness(0.0, 900.0, 0.3, 1e4, 0.2, 0.25),
    **{
        f"{form.__name__} {name}": partial(form, *given)
        for form in (lining.ring_forces_slip, lining.ring_forces_no_slip)
        for name, given in {
            "stress": (0.0, -1.0, 0.5, 5.0, 0.3, 0.25, 1200.0),
            "ratio": (0.0, 1.0, -0.5, 5.0, 0.3, 0.25, 1200.0),
            "radius": (0.0, 1.0, 0.5, -5.0, 0.3, 0.25, 1200.0),
            "poisson": (0.0, 1.0, 0.5, 5.0, 30.0, 0.25, 1200.0),
            "compressibility": (0.0, 1.0, 0.5, 5.0, 0.3, -0.25, 1200.0),
            "flexibility": (0.0, 1.0, 0.5, 5.0, 0.3, 0.25, 0.0),
        }.items()
    },
    "girder area": lambda: lining.embedded_girder_stiffness(-1e-3, 1.0, 5.0),
    "girder radius": lambda: lining.embedded_girder_stiffness(1e-3, 1.0, 0.0),
    "girder modulus": lambda: lining.embedded_girder_stiffness(1e-3, 1.0, 5.0, -1.0),
    "girder yield": lambda: lining.embedded_girder_capacity(1e-3, 1.0, 5.0, -500.0),
    "set in degrees": lambda: lining.steel_set_stiffness(0.005, 2.7e-5, 1.0, 3.0, 11.25, 0.075, 0.16),
    "set area": lambda: lining.steel_set_stiffness(0.0, 2.7e-5, 1.0, 3.0, 0.2, 0.075, 0.16),
    "set capacity in degrees": lambda: lining.steel_set_capacity(0.005, 2.7e-5, 0.16, 1.0, 3.0, 11.25, 0.075, 150.0),
    "set yield": lambda: lining.steel_set_capacity(0.005, 2.7e-5, 0.16, 1.0, 3.0, 0.2, 0.075, 0.0),
    "member stiffness": lambda: lining.combined_support([-1.0, 2.0], [1.0, 2.0]),
    "member capacity": lambda: lining.combined_support([1.0, 2.0], [1.0, -2.0]),
    "bolt load": lambda: lining.bolt_capacity(-0.1, 1.0, 1.0),
    "bolt rows": lambda: lining.bolt_capacity(0.1, 1.0, 0.0),
    "ring strength": lambda: lining.sprayed_ring_capacity(25.0, 0.0, 0.3),
    "ring negative": lambda: lining.sprayed_ring_stiffness(1e4, 0.2, 5.0, -0.3),
    "cement": lambda: lining.en1992_strength_share(3.0, 20.0),
    "cement of tension": lambda: lining.en1992_tensile_share(3.0, 0.0),
    "cement of stiffness": lambda: lining.en1992_modulus_share(3.0, 1.5),
    "exponent": lambda: lining.en1992_modulus_share(3.0, 0.2, 3.0),
    "mean strength": lambda: lining.en1992_modulus(0.0),
    "curve": lambda: lining.exponential_share(3.0, 1.0, -0.5, 0.6),
    "hyperbola": lambda: lining.hyperbolic_modulus_share(3.0, 0.0),
    "table of text": lambda: lining.tabulated_share(3.0, ages="1,3", shares="a"),  # type: ignore[arg-type]
    "table not rising": lambda: lining.tabulated_share(3.0, [1.0, 28.0, 3.0], [0.5, 1.0, 0.7]),
    "curve in a list": lambda: lining.age_curve(["en 1992 rapid"]),  # type: ignore[arg-type]
    "creeping modulus": lambda: lining.reduced_modulus(-1e4, 0.5),
    "creep time": lambda: lining.creep_coefficient(1.0, 1.2, 0.0),
    "creep final": lambda: lining.creep_coefficient(1.0, -1.2, 1.0),
    "flow": lambda: lining.flow_step(1.0, 0.0, 1e4, -1e-5, 0.0, 1.0),
    "pace": lambda: lining.flow_step(1.0, 0.0, 1e4, 1e-5, 0.0, 0.0),
    "moment": lambda: lining.plain_moment_capacity(1.0, 0.25, 0.0),
    "steel": lambda: lining.reinforced_line(0.2, 25.0, -4e-4, 0.04, 500.0),
    "yield": lambda: lining.reinforced_line(0.2, 25.0, 4e-4, 0.04, 0.0),
    "lined thickness": lambda: lining.lined_movement(0.0, 1.0, 0.5, 5.0, 300.0, 0.3, 25e3, 0.2, -0.25),
    "lined concrete": lambda: lining.lined_movement(0.0, 1.0, 0.5, 5.0, 300.0, 0.3, 25e3, 0.5, 0.25),
    "lined modulus": lambda: lining.lined_movement(0.0, 1.0, 0.5, 5.0, 300.0, 0.3, -25e3, 0.2, 0.25),
    "lined release": lambda: lining.lined_movement(0.0, 1.0, 0.5, 5.0, 300.0, 0.3, 25e3, 0.2, 0.25, 1.5),
    "lined radius": lambda: lining.lined_movement(0.0, 1.0, 0.5, -5.0, 300.0, 0.3, 25e3, 0.2, 0.25),
    "lined stress ratio": lambda: lining.lined_movement(0.0, 1.0, -0.5, 5.0, 300.0, 0.3, 25e3, 0.2, 0.25),
    "hold": lambda: lining.lining_hold(1.5),
    "held share": lambda: lining.held_share(1.5, 0.3, 0.8),
    "stretch": lambda: lining.similar_profile(panet_1995, 1.0, 5.0, 0.5),
    "profile radius": lambda: lining.movement_share(design_ground(GROUND), 0.0, -5.0),
    "classical radius": lambda: lining.classical_equilibrium(design_ground(GROUND), 0.0, 300.0, 5.0),
    "classical stiffness": lambda: lining.classical_equilibrium(design_ground(GROUND), 5.0, -300.0, 5.0),
    "classical movement": lambda: lining.classical_equilibrium(design_ground(GROUND), 5.0, 300.0, -5.0),
    "movement back": lambda: lining.pressure_for_movement(design_ground(GROUND), -1.0, 5.0),
    "rock mass strength": lambda: lining.rock_mass_strength(-20.0, 8.0, 25.0),
    "rock mass constant": lambda: lining.rock_mass_strength(20.0, 0.0, 25.0),
    "unsupported": lambda: lining.unsupported_strain(0.0, 5.0),
    "unsupported stress": lambda: lining.unsupported_strain(1.0, 0.0),
    "warning": lambda: lining.critical_strain(-900.0, 1.59),
    "warning constant": lambda: lining.critical_strain(900.0, 0.0),
    "strain radius": lambda: lining.movement_at_strain(1.0, 0.0),
    "share": lambda: lining.face_pressure(design_ground(GROUND), 1.2, 5.0),
}


def test_every_formula_with_a_range_is_called() -> None:
    """Public formulas that state a range ("> 0", ">= 0", "0 to ...") and have no call above: none."""
    source = inspect.getsource(inspect.getmodule(test_every_formula_with_a_range_is_called) or lining)
    formulas = [
        name for name in lining.__all__
        if inspect.isfunction(getattr(lining, name))
        and re.search(r"\], (> 0|>= 0|0 to|above 0)", getattr(lining, name).__doc__ or "")
    ]  # fmt: skip
    assert len(formulas) > 30
    assert [name for name in formulas if f"lining.{name}" not in source] == []


@pytest.mark.parametrize("name", CALLS)
def test_formulas_hold_their_ranges(name: str) -> None:
    with pytest.raises(ValueFault, match=r"expected .* To mend"):
        CALLS[name]()


def test_what_came_before_the_log_is_not_never() -> None:
    """Past at the first node: before all time; not yet there at the last one: not a number."""
    path = FacePath([0.0, 10.0], [2.0, 22.0])
    np.testing.assert_array_equal(time_at_distance(path, [-5.0, 2.0, 12.0, 30.0]), [-np.inf, 0.0, 5.0, np.nan])
    # a log that begins past the section tells nothing of the lining's age
    with pytest.raises(ValueFault, match=r"2\.0 m past the section when the advance log begins"):
        design_lining(LINING, path)


def test_layers_come_after_the_face_and_are_thinner_than_the_tunnel() -> None:
    with pytest.raises(ValueFault, match=r"before the face has passed"):
        design_lining(LINING, PATH, {"later": -1.0})
    with pytest.raises(ValueFault, match=r"thickness: 5\.5 m; expected not above the radius of the tunnel, 5 m"):
        design_lining(LINING, PATH, {"thickness": 5.5})
    with pytest.raises(ValueFault, match=r"thickness: -0\.2 m"):
        make_model().respond({}, {"thickness": np.array([0.2, -0.2])})
    late = LINING.__class__(layers=(LayerAssumption(known(0.2), face_distance=known(900.0)),), modulus=known(1e4))
    assert np.isinf(float(np.max(design_lining(late, PATH).layers[0].sprayed)))


CURVE = lining.age_curve("constant")


def test_layers_come_in_order_and_at_a_time() -> None:
    one = lining.SprayedLayer(0.1, 20.0, 20e3, CURVE)
    for inner, words in (
        (lining.SprayedLayer(0.15, 15.2, 20e3, CURVE), r"layer 2 is sprayed 4\.8 days before the one outside"),
        (lining.SprayedLayer(0.15, [21.0, 19.0], 20e3, CURVE), r"layer 2 is sprayed 1 days before"),
        (lining.SprayedLayer(0.15, np.nan, 20e3, CURVE), r"layer 2 is sprayed at no time"),
    ):
        with pytest.raises(ValueFault, match=rf"{words}.*To mend"):
            lining.Lining((one, inner))
    lining.Lining((one, lining.SprayedLayer(0.1, np.inf, 20e3, CURVE)))


@pytest.mark.parametrize("balance", [lining.advance_equilibrium, lining.held_equilibrium])
def test_a_layer_before_the_log_or_the_face_is_refused(balance: Callable[..., object]) -> None:
    ground = design_ground(GROUND)
    for day, words in ((float(PATH.time[0]) - 5.0, "before the first step"), (1.0, "before the face has passed")):
        ring = lining.Lining((lining.SprayedLayer(0.2, day, 20e3, CURVE),))
        time, distance = lining.advance_steps(PATH, 14.0, ring.installed)
        share = lining.movement_share(ground, distance, 5.0)
        with pytest.raises(ValueFault, match=rf"layer 1 is sprayed .* days {words}"):
            balance(ground, 5.0, time, share, ring, passed=PATH.passage())
