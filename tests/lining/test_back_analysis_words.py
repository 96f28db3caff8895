"""What a back-analysis says in words: the misfit of every chord, what left the design's range, no lining no priors."""

from __future__ import annotations

import dataclasses

import numpy as np
import pytest

from convergence.errors import ValueFault
from convergence.job.design_assumptions import Assumption
from convergence.job.schema import Settings
from convergence.lining import BackAnalysis, design_priors
from convergence.lining.back_analysis import analyse
from tests.lining.made_section import GROUND, LINING, known, make_data, make_model, predict

PRIORS = design_priors(GROUND, LINING)
NO_SETTINGS: Settings = None  # type: ignore[assignment]


@pytest.fixture(scope="module")
def found() -> BackAnalysis:
    """A section that moves 2.2 times as far as the design's middle: a soft end of its range and beyond."""
    model = make_model()
    data = make_data(2.2 * predict(model, PRIORS, np.zeros(len(PRIORS))))
    draws, errors = analyse([(model, data)], PRIORS, 0.5, 0.15, 200, 1)
    return BackAnalysis(("A",), PRIORS, draws, (data,), (model,), errors, "2031-05-04T06:00", 0.9, NO_SETTINGS, None)


def test_every_chord_stands_in_print(found: BackAnalysis) -> None:
    told = found.chord_misfits()
    assert len(told) == 1
    assert "settlement crown" in told[0]
    assert "chord left wall:right wall" in told[0]
    assert told[0] in repr(found)


def test_what_moved_further_is_positive_whichever_way(found: BackAnalysis) -> None:
    """The left wall moves to the right, the right one to the left: both + where found is the larger movement."""
    table = found.misfit().query("kind == 'final'")
    rows = table[table["found"].abs() > 2.0]
    assert (rows["found"] < 0.0).any()
    further = rows["found"].abs() > rows["model"].abs()
    np.testing.assert_array_equal(rows["off"] > 0.0, further)


def test_a_parameter_pushed_out_of_its_range_is_said(found: BackAnalysis) -> None:
    place = [prior.name for prior in PRIORS].index("ground modulus")
    normal = found.draws.normal.copy()
    normal[:, place] = -2.0
    moved = dataclasses.replace(found, draws=dataclasses.replace(found.draws, normal=normal))
    told = [text for text in moved.out_of_range() if text.startswith("ground modulus")]
    assert told == ["ground modulus: 100% of it lies outside the design's range, 450 to 1800 MPa"]


def test_no_layers_no_priors_of_a_lining() -> None:
    names = {prior.name for prior in design_priors(GROUND, dataclasses.replace(LINING, layers=()))}
    assert names == {"ground vertical stress", "ground stress ratio", "ground modulus", "model error"}


def test_dilation_that_may_pass_friction_is_no_prior() -> None:
    soil = dataclasses.replace(
        GROUND,
        cohesion=known(0.2),
        friction_angle=Assumption(0.45, 0.35, 0.5),
        dilation_angle=Assumption(0.2, 0.1, 0.4),
    )
    with pytest.raises(ValueFault, match=r"high end: 0\.4 rad; expected not above the friction angle, its low end"):
        design_priors(soil, LINING)
