"""Ranges that formulas state are held, and what came before the advance log is known to have come before."""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
import pytest

from convergence import lining
from convergence.errors import ValueFault
from convergence.job.design_assumptions import LayerAssumption
from convergence.laws import FacePath
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
    "share": lambda: lining.face_pressure(design_ground(GROUND), 1.2, 5.0),
}


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
