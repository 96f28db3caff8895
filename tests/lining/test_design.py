"""From the design's tables to ground and lining."""

from __future__ import annotations

import dataclasses

import numpy as np
import pytest

from convergence.errors import ValueFault
from convergence.job.design_assumptions import Assumption, GroundAssumptions, LayerAssumption, LiningAssumptions
from convergence.laws import FacePath
from convergence.lining import (
    ElasticGround,
    HoekBrownGround,
    MohrCoulombGround,
    advance_equilibrium,
    advance_steps,
    design_ground,
    design_lining,
    movement_share,
)

PATH = FacePath(np.array([0.0, 10.0, 60.0]), np.array([-20.0, 0.0, 100.0]))


def one(value: float) -> Assumption:
    return Assumption(value, value, value)


GROUND = GroundAssumptions(vertical_stress=one(4.0), stress_ratio=one(0.5), modulus=one(900.0), poisson_ratio=one(0.3))
LINING = LiningAssumptions(
    radius=one(5.0),
    layers=(LayerAssumption(one(0.1), delay=one(0.25)), LayerAssumption(one(0.2), face_distance=one(6.0))),
    modulus=one(20e3), age_curve="en 1992 rapid", closure_distance=one(10.0), open_share=one(0.4),
    girder_area=one(1.4e-3), girder_spacing=one(1.0), steel_yield=one(500.0),
)  # fmt: skip


def test_ground_by_the_strength_that_is_given() -> None:
    ground = design_ground(GROUND)
    assert isinstance(ground, ElasticGround)
    assert float(np.asarray(ground.stress)) == 3.0
    soil = dataclasses.replace(GROUND, cohesion=one(0.3), friction_angle=one(0.5))
    assert isinstance(design_ground(soil), MohrCoulombGround)
    rock = dataclasses.replace(GROUND, intact_strength=one(20.0), strength_index=one(30.0), intact_constant=one(8.0))
    found = design_ground(rock, {"strength_index": [20.0, 30.0, 40.0], "modulus": [300.0, 600.0, 900.0]})
    assert isinstance(found, HoekBrownGround)
    assert np.shape(found.movement(0.0, 5.0)) == (3,)
    assert (np.diff(found.movement(0.0, 5.0)) < 0.0).all()


def test_lining_at_a_section() -> None:
    built = design_lining(LINING, PATH)
    assert [float(np.asarray(layer.sprayed)) for layer in built.layers] == [10.25, 13.0]
    assert float(np.asarray(built.closed)) == 15.0
    assert float(np.asarray(built.springs[0].stiffness)) == pytest.approx(11.2)
    assert float(np.asarray(built.springs[0].capacity)) == pytest.approx(0.14)
    varied = design_lining(LINING, PATH, {"thickness": [0.3, 0.6], "later": 1.0, "closure_distance": [4.0, 1e6]})
    np.testing.assert_allclose(varied.layers[1].thickness, [0.2, 0.4])
    assert float(np.asarray(varied.layers[0].sprayed)) == 11.25
    np.testing.assert_array_equal(varied.closed, [12.0, np.inf])
    time, distance = advance_steps(PATH, 60.0, varied.installed)
    ground = design_ground(GROUND)
    done = advance_equilibrium(ground, 5.0, time, movement_share(ground, distance, 5.0), varied)
    assert done.movement.shape == (time.size, 2)
    assert np.isfinite(done.movement).all()
    assert (done.support_pressure[-1] > 0.1).all()


def test_a_layer_the_face_has_not_come_to() -> None:
    far = dataclasses.replace(
        LINING, layers=(LayerAssumption(one(0.2), face_distance=one(500.0)),), closure_distance=None
    )
    built = design_lining(far, PATH)
    assert np.isinf(built.layers[0].sprayed)
    time, distance = advance_steps(PATH, 60.0, built.installed)
    ground = design_ground(GROUND)
    done = advance_equilibrium(ground, 5.0, time, movement_share(ground, distance, 5.0), built)
    assert float(done.support_pressure[-1]) == 0.0


def test_a_table_of_ages() -> None:
    table = dataclasses.replace(LINING, age_curve="table", ages=(1.0, 28.0), modulus_shares=(0.6, 1.0))
    curve = design_lining(table, PATH).layers[0].curve
    np.testing.assert_allclose(curve.modulus([0.5, 1.0, 28.0]), [0.3, 0.6, 1.0])
    np.testing.assert_allclose(curve.strength([0.5, 1.0, 28.0]), [0.3, 0.6, 1.0])


def test_what_is_missing_or_strange_is_told() -> None:
    for call in (
        lambda: design_ground(GroundAssumptions(vertical_stress=one(4.0))),
        lambda: design_ground(GROUND, {"moduls": 900.0}),
        lambda: design_lining(LiningAssumptions(), PATH),
        lambda: design_lining(dataclasses.replace(LINING, layers=(LayerAssumption(one(0.2)),)), PATH),
        lambda: design_lining(dataclasses.replace(LINING, modulus=None), PATH),
        lambda: design_lining(LINING, PATH, {"sooner": 1.0}),
    ):
        with pytest.raises(ValueFault, match="To mend"):
            call()
