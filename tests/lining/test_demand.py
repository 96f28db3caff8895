"""Strain and thrust from measured movement: the geometry, the interval, the refusal, the gauges beside it."""

from __future__ import annotations

import dataclasses
from pathlib import Path

import numpy as np
import pytest

from convergence.errors import JobError, ValueFault
from convergence.job.design_assumptions import Assumption, LayerAssumption
from convergence.job.strain_gauges import GaugeReading, read_strain_gauges
from convergence.lining import (
    BackAnalysis,
    Demand,
    compare_gauges,
    design_priors,
    en1992_strength_share,
    lining_demand,
    plain_utilisation,
)
from convergence.lining.back_analysis import analyse
from convergence.lining.back_analysis_combined import combinations_of
from convergence.lining.back_analysis_prior import values_at
from convergence.lining.demand_balance import _uncracked, balance_thrust, balance_utilisation
from convergence.lining.demand_ring import SOURCES
from convergence.lining.demand_strain import closure_history, closure_shapes
from convergence.measures.rates import Noise
from convergence.projection.result import Projection
from convergence.survey.job import Job
from convergence.triggers.outlook import Outlook
from tests.lining.made_section import ANGLES, GROUND, LINING, known, make_data, make_model, predict, without_ground

SECTION = "S1026"
BUILT = dataclasses.replace(
    LINING, radius=known(6.0), layers=(dataclasses.replace(LINING.layers[0], thickness=Assumption(0.25, 0.2, 0.32)),),
    modulus=Assumption(14e3, 9e3, 20e3), creep_coefficient=Assumption(0.8, 0.3, 1.5), closure_distance=known(70.0),
    open_share=Assumption(0.45, 0.3, 0.7), age_curve="en 1992 rapid",
)  # fmt: skip


@pytest.fixture(scope="module")
def projection(early_outlook: Outlook) -> Projection:
    return early_outlook.projection


@pytest.fixture(scope="module")
def demand(early_job: Job, projection: Projection) -> Demand:
    return lining_demand(early_job, projection, SECTION, GROUND, BUILT)


def test_shapes_tell_closure_from_sinking() -> None:
    """Known movements of five points are taken apart again; the crown's own shape is in the docstring."""
    shapes = closure_shapes(ANGLES)
    assert np.linalg.matrix_rank(shapes) == 4
    np.testing.assert_allclose(
        np.linalg.pinv(shapes) @ shapes @ [3.0, -1.0, 2.0, 0.5], [3.0, -1.0, 2.0, 0.5], atol=1e-12
    )
    np.testing.assert_allclose(closure_shapes([np.pi / 2])[:, 0], [0.0, 1.0], atol=1e-12)


def test_closure_of_the_sample_section(early_job: Job, projection: Projection, demand: Demand) -> None:
    """The sample job's truth moves by an equal part too: ``convergence.example.physics``; sinking stays out of it.

    Without knowing that part: closure must lie below the crown's settlement, for the section sinks, and strain is
    closure over the radius of the ring's middle (6 - 0.125 m).
    """
    crown = projection.sections[SECTION].series[projection.sections[SECTION].index("settlement crown")]
    assert 0.3 * crown.value[-1] < demand.history.closure[-1] < crown.value[-1]
    assert demand.since_zero == pytest.approx(1e3 * demand.history.closure[-1] / 5.875, rel=1e-9)
    assert not demand.refused


def test_the_interval_has_every_source(demand: Demand) -> None:
    low, middle, high = demand.thrust
    assert 0.0 < low < middle < high <= demand.capacity[2]
    assert demand.before[0] < demand.before[2]
    assert set(demand.parts) == set(SOURCES)
    given = {"prisms", "before the prisms", "thickness", "modulus", "creep", "open ring"}
    assert {name for name, width in demand.parts.items() if width > 0.0} == given
    # no source alone is wider than all together
    assert max(demand.parts.values()) < high - low
    assert demand.sentence().startswith(SECTION)
    assert "<table" in demand._repr_html_()


def test_thrust_of_a_ring_that_does_not_age(early_job: Job, projection: Projection) -> None:
    """Without age, creep, feet and strength: N = E t / (1 - nu^2) times closure over the radius, by hand."""
    plain = dataclasses.replace(
        BUILT, layers=(dataclasses.replace(BUILT.layers[0], thickness=known(0.25)),), modulus=known(10e3),
        strength=None, creep_coefficient=None, open_share=None, closure_distance=None, age_curve="constant",
    )  # fmt: skip
    found = lining_demand(early_job, projection, SECTION, GROUND, plain, samples=2000)
    # stress on the strain of the ring's middle, the one that is told: the radius is taken once
    assert found.thrust[1] == pytest.approx(10e3 / 0.96 * 0.25 * found.strain[1] / 1e6, rel=1e-6)
    other = dataclasses.replace(plain, poisson_ratio=known(0.0))
    softer = lining_demand(early_job, projection, SECTION, GROUND, other, samples=2000)
    assert softer.thrust[1] == pytest.approx(0.96 * found.thrust[1], rel=1e-9)
    assert np.isnan(found.capacity).all()
    assert "no strength" in found.sentence()
    yielding = lining_demand(early_job, projection, SECTION, GROUND, dataclasses.replace(plain, strength=known(2.0)))
    assert yielding.thrust[2] == pytest.approx(0.5)
    assert "strain no longer tells thrust" in yielding.sentence()


def test_refused_when_noise_is_of_the_order_of_the_strain(early_job: Job, projection: Projection) -> None:
    loud = dataclasses.replace(projection, noise=Noise(40.0, 0.0, 1.0))
    found = lining_demand(early_job, loud, SECTION, GROUND, BUILT)
    assert "of the order of the strain" in found.refused
    assert np.isnan(found.thrust).all()
    assert "no thrust is given" in found.sentence()
    assert "REFUSED" in found._repr_html_()
    with pytest.raises(ValueFault, match=r"no \[ground\]"):
        lining_demand(without_ground(early_job), projection, SECTION)


def test_refused_when_prisms_are_too_few(early_job: Job, projection: Projection) -> None:
    whole = projection.sections[SECTION]
    place = whole.index("settlement crown")
    one = dataclasses.replace(whole, series=(whole.series[place],))
    from convergence.lining.back_analysis_data import section_data

    prisms = {prism.name: prism for prism in early_job.folder.prisms}
    found = closure_history(one, section_data(whole, prisms, 6.0), 0.5)
    assert "cannot tell closure" in found.refused


def test_utilisation_of_the_balance() -> None:
    """More thrust uses more; a lining without strength has no utilisation; elastic ground asks 4 to 15 % more."""
    model = make_model()
    response = model.respond({}, {})
    mean = float(response.balance.thrust(model.radius)[-1, 0])
    assert balance_thrust(model, response, np.array([0.0, 1.0])) == pytest.approx([1.04 * mean, 1.15 * mean])
    used = balance_utilisation(model, response, {}, {}, np.array([0.0, 1.0]))
    assert 0.0 < used.end[0] < used.end[1]
    assert (used.worst >= used.end).all()
    bare = dataclasses.replace(model, lining=dataclasses.replace(LINING, strength=None))
    assert np.isnan(balance_utilisation(bare, response, {}, {}, np.array([0.0])).worst).all()


def test_young_concrete_is_the_worst() -> None:
    """Hardening by the code: by hand, equal stress, thrust over strength and thickness at every step, and its peak."""
    ground = dataclasses.replace(GROUND, stress_ratio=known(1.0))
    model = make_model(ground, dataclasses.replace(LINING, age_curve="en 1992 rapid"))
    response = model.respond({}, {})
    used = balance_utilisation(model, response, {}, {}, np.array([0.0]))
    age = response.balance.time - response.installed[0]
    strength = 25.0 * np.where(age > 0.0, en1992_strength_share(np.maximum(age, 1e-9), 0.2), np.nan)
    by_hand = 1.04 * response.balance.thrust(model.radius)[:, 0] / (strength * 0.2)
    by_hand = np.where(strength >= 1.0, by_hand, 0.0)
    assert used.worst[0] == pytest.approx(np.nanmax(by_hand))
    assert used.age[0] == pytest.approx(age[np.nanargmax(by_hand)])
    assert used.end[0] == pytest.approx(by_hand[-1])
    assert used.worst[0] > 1.2 * used.end[0]
    assert used.day[0] < response.balance.time[-1] - 5.0


def test_a_layer_to_come_carries_and_holds_nothing(early_job: Job, projection: Projection) -> None:
    """A second layer that the face has not come to changes neither thrust nor capacity; alone there is no lining."""
    first = dataclasses.replace(BUILT.layers[0], thickness=known(0.25))
    to_come = LayerAssumption(known(1e-6), face_distance=known(900.0))
    one = dataclasses.replace(BUILT, layers=(first,))
    two = dataclasses.replace(BUILT, layers=(first, to_come))
    late = dataclasses.replace(BUILT, layers=(to_come,), closure_distance=None, open_share=None)
    found = [lining_demand(early_job, projection, SECTION, GROUND, built) for built in (one, two)]
    assert np.isfinite(found[1].capacity).all()
    np.testing.assert_allclose(found[1].capacity, found[0].capacity, rtol=1e-4)
    np.testing.assert_allclose(found[1].thrust, found[0].thrust, rtol=1e-4)
    none = lining_demand(early_job, projection, SECTION, GROUND, late)
    assert none.refused == "no lining was sprayed by the last reading"


@pytest.mark.parametrize(
    ("source", "change"),
    [
        ("spraying time", {"layers": (LayerAssumption(known(0.25), delay=Assumption(0.5, 0.05, 3.0)),)}),
        ("spraying time", {"layers": (LayerAssumption(known(0.25), face_distance=Assumption(3.0, 1.0, 8.0)),)}),
        ("strength", {"strength": Assumption(1.2, 0.8, 1.8)}),
        ("ring closure", {"closure_distance": Assumption(15.0, 5.0, 40.0)}),
        ("radius", {"radius": Assumption(6.0, 5.6, 6.4)}),
        ("girders", {"girder_area": Assumption(1.4e-3, 1.2e-3, 1.6e-3), "girder_spacing": known(1.0)}),
    ],
)
def test_every_range_is_drawn(
    early_job: Job, projection: Projection, source: str, change: dict[str, Assumption]
) -> None:
    built = dataclasses.replace(BUILT, **change)
    found = lining_demand(early_job, projection, SECTION, GROUND, built)
    assert found.parts[source] > 0.0
    assert found.thrust[0] < found.thrust[1] < found.thrust[2]


def test_girders_share_the_strain(early_job: Job, projection: Projection) -> None:
    """By hand: 200 GPa on the strain, the open ring left out, 1400 mm2 a metre; up to the yield of the steel."""
    plain = dataclasses.replace(
        BUILT, layers=(dataclasses.replace(BUILT.layers[0], thickness=known(0.25)),), open_share=None,
        closure_distance=None, girder_area=known(1.4e-3), girder_spacing=known(1.0),
    )  # fmt: skip
    found = lining_demand(early_job, projection, SECTION, GROUND, plain)
    assert found.girder_thrust[1] == pytest.approx(200e3 * 1.4e-3 * found.strain[1] / 1e6, rel=1e-6)
    assert "of it by the girders [MN/m]" in found.table().index
    soft = lining_demand(early_job, projection, SECTION, GROUND, dataclasses.replace(plain, steel_yield=known(110.0)))
    assert soft.girder_thrust[2] == pytest.approx(110.0 * 1.4e-3)


def test_the_face_before_the_log_is_refused(early_job: Job, projection: Projection) -> None:
    """A log that begins when the face was past the section says neither the age of the lining nor what was released."""
    track = projection.tracks["heading"]
    late = track.chainage > 1030.0
    cut = dataclasses.replace(track, time=track.time[late], chainage=track.chainage[late])
    changed = dataclasses.replace(projection, tracks={**projection.tracks, "heading": cut})
    with pytest.raises(ValueFault, match=r"face of heading was .* m past it when the advance log begins"):
        lining_demand(early_job, changed, SECTION, GROUND, BUILT)


def test_a_doubted_analysis_gives_no_thrust_beside(early_job: Job, projection: Projection) -> None:
    """Too few effective samples: the thrust by the balance is left out, and the answer says why."""
    priors, model = design_priors(GROUND, BUILT), make_model(GROUND, BUILT)
    data = make_data(predict(model, priors, np.zeros(len(priors))))
    draws, errors = analyse([(model, data)], priors, 0.5, 0.15, 200, 3)
    sound = BackAnalysis((SECTION,), priors, draws, (data,), (model,), errors, "", 0.9, early_job.settings, None)
    poor = dataclasses.replace(sound, draws=dataclasses.replace(draws, weight=np.eye(1, draws.weight.size)[0]))
    found = [lining_demand(early_job, projection, SECTION, GROUND, BUILT, analysis=item) for item in (sound, poor)]
    assert np.isfinite(found[0].balance_thrust).all()
    assert found[0].warning == ""
    assert np.isnan(found[1].balance_thrust).all()
    assert "only 1 effective samples" in found[1]._repr_html_()
    # its thrust is the corrected one of the combinations, up to the draws of the error
    said = sound.combinations().loc["thrust"]
    assert said["of"] == SECTION
    other = dataclasses.replace(sound, sections=("S1040",))
    with pytest.raises(ValueFault, match=r"the analysis is of S1040; expected one that holds S1026"):
        lining_demand(early_job, projection, SECTION, GROUND, BUILT, analysis=other)
    with pytest.raises(ValueFault, match="the name of one section"):
        lining_demand(early_job, projection, [SECTION], GROUND, BUILT)  # type: ignore[arg-type]


def test_utilisation_rises_with_the_moment() -> None:
    """A section of 0.25 m and 20 MPa under 0.1 MN/m: by hand below, on the two limits, and never falling."""
    moment = np.linspace(0.0, 0.08, 4001)
    for thrust in (0.0, 0.02, 0.1, 1.0, 4.0):
        force = np.full(moment.shape, thrust)
        deep, hard = np.full(moment.shape, 0.25), np.full(moment.shape, 20.0)
        used = _uncracked(plain_utilisation(force, moment, deep, hard), force, moment, deep, hard)
        assert np.isfinite(used).all()
        assert np.all(np.diff(used) >= 0.0)
        assert np.max(np.diff(used)) < 0.02
    # 6 M / t^2 - N / t over 0.08 f: (1.2096 - 0.4) / 1.6
    one = np.array([0.0126])
    given = (np.array([0.1]), one, np.array([0.25]), np.array([20.0]))
    assert _uncracked(plain_utilisation(*given), *given)[0] == pytest.approx(0.506, abs=5e-4)


def test_thrust_of_the_combinations_has_the_constructions_error() -> None:
    """In elastic ground true pressures are 4 to 15 % above the computed ones: the mean factor is 1.095."""
    priors, model = design_priors(GROUND, BUILT), make_model(GROUND, BUILT)
    normal = np.zeros((4000, len(priors)))
    thrust = combinations_of(priors, model, "A", normal)["thrust"].values
    ground, lining, _ = values_at(priors, normal[:1])
    plain = float(model.respond(ground, lining).balance.thrust(model.radius)[-1, 0])
    assert thrust.min() >= 1.04 * plain
    assert thrust.max() <= 1.15 * plain
    assert thrust.mean() == pytest.approx(1.095 * plain, rel=2e-3)


GAUGES = """time,section,gauge,strain_microstrain
2023-01-25T06:00:00+01:00,S1026,G-crown,100
2023-03-01T06:00:00+01:00,S1026,G-crown,{later}
2023-01-25T06:00:00+01:00,S1026,G-wall,-20
2023-03-01T06:00:00+01:00,S1026,G-wall,{later}
"""


def test_gauges_beside_the_prisms(tmp_path: Path, early_job: Job, demand: Demand) -> None:
    (tmp_path / "strain_gauges.csv").write_text(GAUGES.format(later=900), encoding="utf-8")
    readings = read_strain_gauges(tmp_path)
    assert [item.gauge for item in readings] == ["G-crown", "G-crown", "G-wall", "G-wall"]
    table = compare_gauges(early_job, demand, readings)
    assert list(table.index) == ["G-crown", "G-wall", "mean of all"]
    assert table.loc["mean of all", "gauge_change"] == pytest.approx(860.0)
    assert bool(table.loc["G-crown", "inside"]) == (
        table.loc["G-crown", "low"] <= 800.0 <= table.loc["G-crown", "high"]
    )
    far = [dataclasses.replace(item, strain=20.0 * item.strain) for item in readings]
    assert not compare_gauges(early_job, demand, far)["inside"].any()
    assert compare_gauges(early_job, demand, [GaugeReading(readings[0].time, "other", "G", 1.0, 2)]).empty


def test_gauges_with_faults_are_told_together(tmp_path: Path) -> None:
    text = GAUGES.format(later="wet") + "2023-03-01T06:00:00,S1026,,1e9\n"
    (tmp_path / "strain_gauges.csv").write_text(text, encoding="utf-8")
    with pytest.raises(JobError) as caught:
        read_strain_gauges(tmp_path)
    columns = [fault.column for fault in caught.value.faults]
    assert columns == ["strain_microstrain", "strain_microstrain", "time", "strain_microstrain", "gauge"]
    assert caught.value.faults[0].line == 3
    (tmp_path / "strain_gauges.csv").write_text("time,section\n", encoding="utf-8")
    with pytest.raises(JobError, match="gauge"):
        read_strain_gauges(tmp_path)


def test_gauges_later_than_a_date_are_not_read(tmp_path: Path) -> None:
    (tmp_path / "strain_gauges.csv").write_text(GAUGES.format(later=900), encoding="utf-8")
    assert len(read_strain_gauges(tmp_path, np.datetime64("2023-02-01"))) == 2
