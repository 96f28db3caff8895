"""What-ifs: which way each change must go, the design as it is, levels, maps, rounds."""

from __future__ import annotations

import dataclasses
import pickle

import numpy as np
import pytest

from convergence.errors import ValueFault
from convergence.job.schema import Level, Settings, Trigger
from convergence.laws import FacePath
from convergence.lining import BackAnalysis, Variant, WhatIf, design_priors, what_if, what_if_map
from convergence.lining.back_analysis import analyse
from convergence.lining.what_if import path_in_rounds
from convergence.survey.job import Job
from tests.lining.made_section import GROUND, LINING, PATH, known, make_data, make_model, predict

BUILT = dataclasses.replace(LINING, closure_distance=known(12.0), open_share=known(0.4), age_curve="en 1992 rapid")
VARIANTS = (
    Variant("thicker", thickness=0.35), Variant("later", later=1.0), Variant("stiffer", stiffness=1.6),
    Variant("ring sooner", closure_distance=3.0), Variant("slow concrete", age_curve="en 1992 slow"),
    Variant("long rounds", round_length=3.6), Variant("short rounds", round_length=0.6),
)  # fmt: skip


@pytest.fixture(scope="module")
def analysis(early_job: Job) -> BackAnalysis:
    priors = design_priors(GROUND, BUILT)
    model = make_model(GROUND, BUILT)
    data = make_data(predict(model, priors, np.zeros(len(priors))))
    draws, errors = analyse([(model, data)], priors, 0.5, 0.15, 300, 3)
    middle = float(data.rows[0].value)
    levels = (Level("attention", 0.5 * middle), Level("alert", 3.0 * middle))
    settings: Settings = dataclasses.replace(
        early_job.settings, triggers=(Trigger("settlement", "settlement", "value", "zero reading", levels),)
    )
    return BackAnalysis(("A",), priors, draws, (data,), (model,), errors, "2031-05-04T06:00", 0.9, settings, None)


@pytest.fixture(scope="module")
def found(analysis: BackAnalysis) -> WhatIf:
    return what_if(analysis, "A", VARIANTS, samples=60)


def test_each_change_goes_its_way(found: WhatIf) -> None:
    """Mechanics fixes the signs: more stiffness, sooner, carries more and moves less."""
    crown = found.of("settlement crown")
    total, thrust = crown["total_change"], crown["thrust"]
    for name in ("thicker", "stiffer", "ring sooner"):
        assert total[name] < 0.0
        assert thrust[name] > thrust["as designed"]
    for name in ("later", "slow concrete"):
        assert total[name] > 0.0
        assert thrust[name] < thrust["as designed"]
    assert total["as designed"] == 0.0


def test_the_design_as_it_is_reproduces_the_projection(analysis: BackAnalysis, found: WhatIf) -> None:
    """Its band is that of the numbers themselves: 1.645 standard deviations of 0.5 mm, from 60 samples."""
    row = found.of("settlement crown").loc["as designed"]
    assert row["final"] == pytest.approx(analysis.data[0].rows[0].value, abs=0.25)
    assert row["final_high"] - row["final_low"] == pytest.approx(2.0 * 1.645 * 0.5, rel=0.4)


def test_levels_stand_beside(found: WhatIf) -> None:
    assert found.of("settlement crown")["levels"].eq("").sum() == 0
    assert "attention" in found.of("settlement crown").loc["as designed", "levels"]
    assert found.of("settlement crown").loc["as designed", "levels"].endswith(": 0%")
    assert found.of("chord left wall:right wall").loc["thicker", "levels"] == ""
    assert "<table" in found._repr_html_()
    assert repr(pickle.loads(pickle.dumps(found))) == repr(found)


def test_a_map_agrees_with_the_table(analysis: BackAnalysis) -> None:
    """At the design's own point the map shows the section as projected; thicker moves less all over."""
    drawn = what_if_map(analysis, "A", ("thickness", [0.2, 0.3]), ("closure_distance", [3.0, 12.0]), samples=30)
    assert drawn.design == (0.2, 12.0)
    assert drawn.final[1, 0] == pytest.approx(analysis.data[0].rows[0].value, abs=1e-6)
    assert np.all(np.diff(drawn.final, axis=1) < 0.0)
    assert np.all(np.diff(drawn.thrust, axis=1) > 0.0)
    assert np.all(drawn.utilisation_high >= drawn.utilisation)
    assert [name for name, _ in drawn.levels] == ["attention", "alert"]


def test_rounds_of_another_length() -> None:
    """Ends every 3 m, 1.5 m off the section, each when the old face came there; it jumps and stands."""
    path = FacePath([0.0, 20.0], [-10.0, 10.0])
    coarse = path_in_rounds(path, 3.0)
    np.testing.assert_allclose(np.unique(coarse.distance), [-10.0, -7.5, -4.5, -1.5, 1.5, 4.5, 7.5])
    assert coarse.at(11.49) == pytest.approx(-1.5)
    assert coarse.at(11.51) == pytest.approx(1.5)
    assert coarse.passage() == pytest.approx(11.5)
    assert np.all(coarse.at(PATH.time[PATH.time < 20]) <= path.at(PATH.time[PATH.time < 20]) + 1e-9)


def test_longer_rounds_let_go_more_before_the_lining() -> None:
    """At the same mean speed; what comes of it hangs on the age of the concrete at the next round, without a sign."""
    model = make_model(GROUND, BUILT)
    shares = [
        dataclasses.replace(model, paths={"heading": path_in_rounds(PATH, length)}).profile_share({})
        for length in (1.2, 3.6, 6.0)
    ]
    assert shares[0] < shares[1] < shares[2]


def test_faults(analysis: BackAnalysis) -> None:
    with pytest.raises(ValueFault, match="expected one of A"):
        what_if(analysis, "B", VARIANTS)
    with pytest.raises(ValueFault, match="thickness"):
        Variant("none", thickness=0.0)
    with pytest.raises(ValueFault, match="axes"):
        what_if_map(analysis, "A", ("thickness", [0.2]), ("colour", [1.0]))
    with pytest.raises(ValueFault, match="measure"):
        what_if_map(analysis, "A", ("thickness", [0.2]), ("later", [0.0]), measure="settlement floor")
