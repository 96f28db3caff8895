"""What-ifs: which way each change must go, the design as it is, levels, maps, rounds."""

from __future__ import annotations

import csv
import dataclasses
import itertools
import pickle
from pathlib import Path

import numpy as np
import pytest

from convergence.errors import ValueFault
from convergence.job.design_assumptions import Assumption, LayerAssumption
from convergence.job.schema import Level, Revision, Settings, Trigger, TriggerRange
from convergence.laws import FacePath
from convergence.lining import BackAnalysis, Variant, WhatIf, design_priors, what_if, what_if_map
from convergence.lining.back_analysis import analyse, section_case
from convergence.lining.rounds import path_in_rounds, usual_round
from convergence.lining.what_if import _answer
from convergence.survey.job import Job
from convergence.triggers.outlook import Outlook
from tests.lining.made_section import GROUND, LINING, PATH, known, make_data, make_model, predict

SAMPLE = Path(__file__).parents[2] / "sample_data" / "ridge_tunnel"
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


CHORD = "chord left wall:right wall"


def with_levels(analysis: BackAnalysis, *triggers: Trigger) -> BackAnalysis:
    return dataclasses.replace(analysis, settings=dataclasses.replace(analysis.settings, triggers=triggers))


def test_a_chord_since_excavation_has_its_lost_part(analysis: BackAnalysis) -> None:
    """By hand: final, lost part and the whole change against a level that only the three together pass."""
    own = analysis.data[0]
    at = [row.label for row in own.rows].index(CHORD)
    chord = dataclasses.replace(own.rows[at], lost=9.0, lost_deviation=0.5, total_deviation=0.6)
    given = dataclasses.replace(own, rows=(*own.rows[:at], chord, *own.rows[at + 1 :]))
    level = Level("alarm", chord.value + 9.0 - 2.0)
    since = Trigger("closing", "chord", "value", "excavation", (level,))
    found = with_levels(dataclasses.replace(analysis, data=(given,)), since)
    row = what_if(found, "A", [Variant("later", later=1.0)], samples=60).of(CHORD).loc["as designed"]
    assert row["levels"] == f"closing alarm {level.value:g} mm since excavation: 100%"
    # a level just past what the variant reaches in all, lost part and its change included
    change = what_if(found, "A", [Variant("later", later=1.0)], samples=60).of(CHORD).loc["later", "total_change"]
    assert change > 0.5
    for offset, share in ((-8.0, "100%"), (8.0, "0%")):
        moved = Level("alarm", chord.value + 9.0 + change + offset)
        there = with_levels(found, dataclasses.replace(since, levels=(moved,)))
        words = what_if(there, "A", [Variant("later", later=1.0)], samples=60).of(CHORD).loc["later", "levels"]
        assert words.endswith(f": {share}")
    # without a lost part nothing is said in place of a number that is too small
    bare = with_levels(analysis, since)
    assert "not told" in what_if(bare, "A", [], samples=20).of(CHORD).loc["as designed", "levels"]


def test_a_level_out_of_force_at_the_horizon_is_not_applied(analysis: BackAnalysis) -> None:
    levels = (Level("attention", 0.1),)
    near = TriggerRange("face distance", "", 0.0, 5.0)
    short = Trigger("near the face", "settlement", "value", "zero reading", levels, valid=near)
    words = what_if(with_levels(analysis, short), "A", [], samples=20).of("settlement crown")["levels"].iloc[0]
    assert words == "near the face: not in force at the horizon"
    drawn = what_if_map(with_levels(analysis, short), "A", ("thickness", [0.2, 0.3]), ("later", [0.0, 1.0]), samples=5)
    assert (drawn.levels, drawn.left_out) == ((), ("near the face",))


def test_revised_levels_and_pairs_of_positions_count(analysis: BackAnalysis) -> None:
    change = Revision(np.datetime64("2031-05-01T00:00"), "owner", "new facts", (80.0,))
    rule = Trigger(
        "closing", "chord", "value", "zero reading", (Level("alarm", 0.1),), revisions=(change,),
        positions=("right wall:left wall",),
    )  # fmt: skip
    found = what_if(with_levels(analysis, rule), "A", [], samples=20)
    assert found.of(CHORD)["levels"].iloc[0] == "closing alarm 80 mm: 0%"
    assert found.of("settlement left wall")["levels"].iloc[0] == ""


def test_a_map_agrees_with_the_table(analysis: BackAnalysis) -> None:
    """At the design's own point the map shows the section as projected; thicker moves less all over."""
    drawn = what_if_map(analysis, "A", ("thickness", [0.2, 0.3]), ("closure_distance", [3.0, 12.0]), samples=30)
    assert drawn.design == (0.2, 12.0)
    assert drawn.final[1, 0] == pytest.approx(analysis.data[0].rows[0].value, abs=1e-6)
    assert np.all(np.diff(drawn.final, axis=1) < 0.0)
    assert np.all(np.diff(drawn.thrust, axis=1) > 0.0)
    assert np.all(drawn.utilisation_high >= drawn.utilisation)
    assert [name for name, _ in drawn.levels] == ["settlement attention", "settlement alert"]


MIDDLE = FacePath(PATH.time, PATH.distance - 0.6)
"""Rounds of 1.2 m, the section in the middle of one."""


def test_rounds_of_another_length() -> None:
    """Rounds of 1.2 m from -0.6 to 0.6 m become ones of 3.6 m from -1.8 to 1.8 m, each when the old face came there."""
    coarse = path_in_rounds(MIDDLE, 3.0)
    near = np.unique(coarse.distance)
    np.testing.assert_allclose(near[np.abs(near) < 6.0], [-5.4, -1.8, 1.8, 5.4], atol=1e-12)
    reached = float(MIDDLE.time[np.searchsorted(MIDDLE.distance, 1.8 - 1e-9)])
    assert coarse.passage() == pytest.approx(reached)
    assert coarse.at(reached - 0.01) == pytest.approx(-1.8)
    assert coarse.at(reached + 0.01) == pytest.approx(1.8)
    times = np.linspace(0.0, 14.0, 400)
    assert np.all(coarse.at(times) <= MIDDLE.at(times) + 1e-9)
    # the ends stay, so that in the end as much is dug
    assert (coarse.distance[0], coarse.distance[-1]) == (MIDDLE.distance[0], MIDDLE.distance[-1])
    fine = path_in_rounds(MIDDLE, 0.5)
    steps = np.diff(np.unique(fine.distance))
    assert np.median(steps) == pytest.approx(0.6)
    assert usual_round(MIDDLE, 15.0) == pytest.approx(1.2)
    with pytest.raises(ValueFault, match="factor -1"):
        path_in_rounds(MIDDLE, -1.0)


def test_rounds_as_built_are_the_path_itself() -> None:
    """The same length gives the same nodes, and one nearly the same a face nearly the same: the phase is kept."""
    uneven = FacePath([0.0, 1.0, 1.5, 2.0, 3.0, 3.2, 5.0], [-2.3, -2.3, -1.1, -1.1, 0.4, 0.4, 1.7])
    for path in (uneven, PATH):
        assert path_in_rounds(path, 1.0) is path
        times = np.linspace(path.time[0], path.time[-1], 300)
        near = np.abs(path_in_rounds(path, 1.0 + 1e-6).at(times) - path.at(times))
        assert np.median(near) < 1e-4
        # a round that jumps does so a little later or sooner
        assert np.mean(near > 1e-3) < 0.05


def test_the_length_as_built_gives_the_answer_as_built(analysis: BackAnalysis) -> None:
    """Rounds of 1.2 m are what the section was built with: no change to the last digit, and the map's point on it."""
    built = analysis.models[0].usual_round
    assert built == pytest.approx(1.2)
    found = what_if(analysis, "A", [Variant("the same", round_length=built)], samples=20)
    crown = found.of("settlement crown")
    assert crown.loc["the same"].drop("note").equals(crown.loc["as designed"].drop("note"))
    drawn = what_if_map(analysis, "A", ("round_length", [0.6, built, 2.4]), ("thickness", [0.2, 0.3]), samples=20)
    assert drawn.design == (built, 0.2)
    assert drawn.final[0, 1] == analysis.data[0].rows[0].value
    # beside it the answer goes on without a jump
    near = what_if(analysis, "A", [Variant("nearly", round_length=1.02 * built)], samples=20).of("settlement crown")
    assert abs(near.loc["nearly", "total_change"]) < 0.02 * near.loc["nearly", "final"]


def test_the_design_point_is_what_the_log_says(early_job: Job, early_outlook: Outlook) -> None:
    """S1026 of the sample job: the median of the heading's steps in advance.csv from chainage 1008 to 1044."""
    built = dataclasses.replace(BUILT, radius=known(6.0))
    model, _ = section_case(early_job, early_outlook.projection, "S1026", GROUND, built)
    with (SAMPLE / "advance.csv").open(encoding="utf-8") as file:
        ends = [float(row["chainage_m"]) for row in csv.DictReader(file) if row["stage"] == "heading"]
    steps = [after - before for before, after in itertools.pairwise(ends) if abs(after - 1026.0) <= 18.0]
    assert model.usual_round == pytest.approx(float(np.median(steps)))
    assert 1.0 < model.usual_round < 1.3


def test_longer_rounds_let_go_more_before_the_lining() -> None:
    """The section in the middle of a round, sprayed before the next one: half a round more is open by then."""
    built = dataclasses.replace(BUILT, layers=(LayerAssumption(known(0.2), delay=known(0.1)),))
    model = dataclasses.replace(make_model(GROUND, built), paths={"heading": MIDDLE})
    shares = [
        dataclasses.replace(model, paths={"heading": path_in_rounds(MIDDLE, factor)}).profile_share({})
        for factor in (1.0, 3.0, 5.0)
    ]
    assert shares[0] < shares[1] < shares[2]


def test_utilisation_is_looked_for_at_all_ages(found: WhatIf, analysis: BackAnalysis) -> None:
    """A lining loaded while it is young is used more then than at the end; the answer says when."""
    crown = found.of("settlement crown")
    assert (crown["utilisation"] >= crown["utilisation_end"]).all()
    row = crown.loc["as designed"]
    assert row["utilisation"] > 1.05 * row["utilisation_end"]
    assert 0.0 < row["worst_age"] < 10.0
    assert "utilisation, worst" in found.compact("settlement crown").columns
    assert f"{row['worst_age']:.3g} d" in found.compact("settlement crown").loc["as designed", "worst at age"]
    dated = dataclasses.replace(analysis, epoch=np.datetime64("2031-05-01T00:00:00"))
    when = what_if(dated, "A", [], samples=20).of("settlement crown").loc["as designed", "worst_at"]
    assert str(when).startswith("2031-05")


def test_a_lining_that_never_comes_is_said(analysis: BackAnalysis) -> None:
    late = what_if(analysis, "A", [Variant("never", later=1000.0)], samples=20)
    row = late.of("settlement crown").loc["never"]
    assert np.isnan([row["thrust"], row["utilisation"], row["utilisation_high"]]).all()
    shown = late.compact("settlement crown").loc["never"]
    assert shown["thrust [MN/m]"] == shown["utilisation, worst"] == "no lining by the end"
    weak = dataclasses.replace(BUILT, strength=None)
    bare = dataclasses.replace(analysis, models=(dataclasses.replace(analysis.models[0], lining=weak),))
    found = what_if(bare, "A", [], samples=20).compact("settlement crown").loc["as designed"]
    assert found["utilisation, worst"] == "no strength in [lining]"


@pytest.fixture(scope="module")
def unsure(early_job: Job) -> BackAnalysis:
    """An analysis with ranges of thickness and closing distance."""
    given = LayerAssumption(Assumption(0.2, 0.17, 0.24), delay=known(0.4))
    built = dataclasses.replace(BUILT, layers=(given,), closure_distance=Assumption(12.0, 6.0, 20.0))
    priors, model = design_priors(GROUND, built), make_model(GROUND, built)
    data = make_data(predict(model, priors, np.zeros(len(priors))))
    draws, errors = analyse([(model, data)], priors, 0.5, 0.15, 200, 3)
    settings = dataclasses.replace(early_job.settings, triggers=())
    return BackAnalysis(("A",), priors, draws, (data,), (model,), errors, "2031-05-04T06:00", 0.9, settings, None)


def test_what_is_not_known_of_the_thickness_stays_so(unsure: BackAnalysis) -> None:
    """A thicker variant keeps the spread of the posterior in proportion: 10 % stay 10 %."""
    normal = unsure.draws.normal[unsure.draws.equal(60)]
    thick = [
        _answer(unsure, unsure.models[0], Variant("t", thickness=size), normal)[1].lining_thickness
        for size in (0.2, 0.3)
    ]
    assert np.std(np.log(thick[0])) > 0.05
    np.testing.assert_allclose(thick[1], 1.5 * thick[0])


@pytest.mark.parametrize(
    "change", [{"thickness": 0.2}, {"closure_distance": 12.0}, {"later": 0.0}, {"stiffness": 1.0},
               {"age_curve": "en 1992 rapid"}, {"round_length": 1.2}],
)  # fmt: skip
def test_every_value_as_built_gives_the_answer_as_built(unsure: BackAnalysis, change: dict[str, float | str]) -> None:
    found = what_if(unsure, "A", [dataclasses.replace(Variant("same"), **change)], samples=20).of("settlement crown")
    numbers = ["final_low", "final", "final_high", "thrust_low", "thrust", "thrust_high", "utilisation", "worst_age"]
    np.testing.assert_allclose(
        found.loc["same", numbers].astype(float), found.loc["as designed", numbers].astype(float), rtol=1e-9
    )
    assert found.loc["same", "total_change"] == pytest.approx(0.0, abs=1e-9)


def test_doubt_is_handed_on(analysis: BackAnalysis) -> None:
    """Numbers from a posterior that is not to be trusted come with the refusal wherever they are printed."""
    poor = dataclasses.replace(analysis.draws, weight=np.eye(1, analysis.draws.weight.size)[0])
    doubted = dataclasses.replace(analysis, draws=poor)
    found = what_if(doubted, "A", [], samples=20)
    assert "NOT TO BE TRUSTED" in repr(found)
    assert "NOT TO BE TRUSTED" in found._repr_html_()
    assert "effective samples" in found.compact("settlement crown").iloc[0]["not to be trusted"]
    assert what_if_map(doubted, "A", ("thickness", [0.2, 0.3]), ("later", [0.0, 1.0]), samples=5).warning
    assert what_if(analysis, "A", [], samples=20).warning == ""


def test_faults(analysis: BackAnalysis) -> None:
    with pytest.raises(ValueFault, match="expected one of A"):
        what_if(analysis, "B", VARIANTS)
    with pytest.raises(ValueFault, match="samples = 0"):
        what_if(analysis, "A", VARIANTS, samples=0)
    two = ("later", [0.0, 1.0])
    with pytest.raises(ValueFault, match="axes"):
        what_if_map(analysis, "A", ("thickness", [0.2, 0.3]), ("colour", [1.0, 2.0]))
    with pytest.raises(ValueFault, match="measure"):
        what_if_map(analysis, "A", ("thickness", [0.2, 0.3]), two, measure="settlement floor")
    for values in ([], [0.2], [0.3, 0.2], [0.2, 0.2], [0.2, float("nan")]):
        with pytest.raises(ValueFault, match="two or more, rising"):
            what_if_map(analysis, "A", ("thickness", values), two)


def test_what_is_no_list_of_variants_is_told(analysis: BackAnalysis) -> None:
    for odd, words in (
        (Variant("x", thickness=0.3), "expected a list of Variant"),
        ([{"thickness": 0.3}], "among the variants; expected Variant"),
        ([Variant("x", thickness=0.3), Variant("x", later=1.0)], "two variants are named 'x'"),
        ([Variant("as designed")], "two variants are named 'as designed'"),
    ):
        with pytest.raises(ValueFault, match=rf"{words}.*To mend"):
            what_if(analysis, "A", odd, samples=5)  # type: ignore[arg-type]
    two = ("later", [0.0, 1.0])
    with pytest.raises(ValueFault, match=r"axis 'thickness'; expected a name and its values\. To mend"):
        what_if_map(analysis, "A", "thickness", two)  # type: ignore[arg-type]
    with pytest.raises(ValueFault, match=r"axis .*expected a name and its values"):
        what_if_map(analysis, "A", ("thickness", "abc"), two)  # type: ignore[arg-type]
    with pytest.raises(ValueFault, match="two or more, rising"):
        what_if_map(analysis, "A", ("thickness", ["0.2", "0.3"]), two)  # type: ignore[list-item]


@pytest.mark.parametrize(
    ("change", "words"),
    [
        ({"thickness": "0.35"}, r"thickness = '0\.35'; expected a number. To mend"),
        ({"stiffness": 15000.0}, "stiffness = 15000; expected a factor"),
        ({"round_length": 200.0}, "round_length = 200 m; expected not above 20 m"),
        ({"closure_distance": 0.1}, "'odd': the ring closes .* days before its first layer is sprayed"),
        ({"thickness": 0.0}, r"thickness = 0\.0; expected above 0"),
        ({"thickness": float("nan")}, "thickness = nan"),
        ({"thickness": 6.0}, "thickness = 6 m; expected below the radius of the tunnel, 5 m"),
        ({"later": -0.5}, r"later = -0\.5 days; expected not before the face.*0\.4 days after it"),
        ({"later": float("inf")}, "later = inf"),
        ({"closure_distance": -3.0}, r"closure_distance = -3\.0; expected 0 or more"),
        ({"age_curve": "quick"}, "age_curve = 'quick'; expected one of constant"),
        ({"stiffness": -1.0}, "stiffness = -1"),
        ({"round_length": 0.0}, "round_length = 0"),
    ],
)
def test_nonsense_is_refused_with_value_and_expectation(
    analysis: BackAnalysis, change: dict[str, float | str], words: str
) -> None:
    with pytest.raises(ValueFault, match=words):
        what_if(analysis, "A", [dataclasses.replace(Variant("odd"), **change)], samples=5)


def test_sooner_up_to_the_face_is_allowed(analysis: BackAnalysis) -> None:
    crown = what_if(analysis, "A", [Variant("at once", later=-0.4)], samples=20).of("settlement crown")
    assert crown.loc["at once", "thrust"] > crown.loc["as designed", "thrust"]
