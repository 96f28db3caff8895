"""What every law in the registry must keep, so that a new law is tested the day it is listed."""

from __future__ import annotations

import inspect
import itertools
import math
import pickle
from collections.abc import Mapping
from typing import get_args

import numpy as np
import pytest

from convergence.errors import ValueFault
from convergence.laws import PROFILES, REGISTRY, FacePath, Law, Profile, hereditary_law, law, laws
from convergence.laws.definition import Kind, Standing

EVERY = pytest.mark.parametrize("each", list(REGISTRY.values()), ids=list(REGISTRY))
EVERY_PROFILE = pytest.mark.parametrize("each", list(PROFILES.values()), ids=list(PROFILES))
SINCE_PASSAGE = pytest.mark.parametrize(
    "each", [item for item in REGISTRY.values() if item.family != "hereditary"], ids=lambda item: item.name
)
TYPICAL: Mapping[Kind, float] = {
    "amplitude": 30.0, "length": 10.0, "time": 2.0, "ratio": 0.4, "exponent": 0.3, "share": 0.27,
}  # fmt: skip
PATH = FacePath(np.array([0.0, 10.0, 24.0, 60.0]), np.array([-10.0, 20.0, 20.0, 92.0]))
PASSAGE = PATH.passage()
TIMES = np.linspace(-3.0, 200.0, 407)


def typical(each: Law) -> dict[str, float]:
    return {parameter.name: TYPICAL[parameter.kind] for parameter in each.parameters}


@SINCE_PASSAGE
def test_nothing_moves_until_the_face_has_passed(each: Law) -> None:
    before = np.array([-50.0, 0.0, 1.0, PASSAGE - 1e-6, PASSAGE])
    moved = each.evaluate(PATH, before, typical(each))
    assert np.abs(moved).max() <= 1e-12
    assert each.evaluate(PATH, PASSAGE + 8.0, typical(each)) > 1.0


@SINCE_PASSAGE
def test_nothing_moves_if_the_face_never_comes(each: Law) -> None:
    path = FacePath(np.array([0.0, 5.0]), np.array([-30.0, -10.0]))
    assert (each.evaluate(path, TIMES, typical(each)) == 0.0).all()
    assert (each.rate(path, TIMES, typical(each)) == 0.0).all()


def test_hereditary_movement_ahead_of_the_face_grows_and_is_small_far_ahead() -> None:
    path = FacePath(np.array([0.0, 50.0]), np.array([-100.0, 0.0]))
    each = law("hereditary")
    moved = each.evaluate(path, [0.0, 25.0, 50.0], typical(each))
    assert 0.0 < moved[0] < 0.01 < moved[1] < moved[2]
    # All of the instantaneous share at the face, and at most all of its creep.
    assert 0.27 * 30.0 < moved[2] < 0.27 * 30.0 * (1 + 4 * 0.4)


@EVERY
def test_positive_amplitude_never_moves_back(each: Law) -> None:
    moved = each.evaluate(PATH, TIMES, typical(each))
    assert np.diff(moved).min() >= -1e-12
    assert moved[-1] > moved[0] + 10.0


@EVERY
def test_linear_in_the_amplitude(each: Law) -> None:
    values = typical(each)
    shape = each.shape(PATH, TIMES, values)
    np.testing.assert_allclose(each.evaluate(PATH, TIMES, values), 30.0 * shape, rtol=1e-14)
    np.testing.assert_allclose(each.evaluate(PATH, TIMES, {**values, each.amplitude: -7.5}), -7.5 * shape, rtol=1e-14)
    without = {name: value for name, value in values.items() if name != each.amplitude}
    np.testing.assert_array_equal(each.shape(PATH, TIMES, without), shape)


@EVERY
def test_finite_in_every_corner_of_the_bounds(each: Law) -> None:
    ranges = [each.bounds(parameter.name, 9.0, 120.0) for parameter in each.parameters[1:]]
    for corner in itertools.product(*ranges):
        values = dict(zip((parameter.name for parameter in each.parameters[1:]), corner, strict=True))
        shape = each.shape(PATH, TIMES, values)
        assert np.isfinite(shape).all(), values
        assert np.isfinite(each.rate(PATH, TIMES, {**values, each.amplitude: 1.0})).all(), values


@EVERY
def test_arrays_and_single_times_agree_in_any_order_and_shape(each: Law) -> None:
    values = typical(each)
    times = np.array([[31.0, 2.0, 24.0], [7.0, 7.0, 150.0]])
    moved = each.evaluate(PATH, times, values)
    rates = each.rate(PATH, times, values)
    assert moved.shape == rates.shape == times.shape
    for place, moment in np.ndenumerate(times):
        # A hereditary law integrates over other points for other readings; its error is below 2e-8.
        within = 3e-8 if each.family == "hereditary" else 1e-13
        assert float(each.evaluate(PATH, moment, values)) == pytest.approx(float(moved[place]), rel=within)
        assert float(each.rate(PATH, moment, values)) == pytest.approx(float(rates[place]), rel=1e-6, abs=1e-9)


@SINCE_PASSAGE
def test_functions_broadcast_over_parameters(each: Law) -> None:
    lengths = np.array([[4.0], [9.0], [20.0]])
    columns = [
        lengths if parameter.kind in ("length", "time") else TYPICAL[parameter.kind] for parameter in each.parameters
    ]
    variables = (PATH.at(TIMES), PATH.elapsed(TIMES))
    taken = {"face": variables[:1], "time": variables[1:], "coupled": variables}[each.family]
    batch = each.function(*taken, *columns)
    assert batch.shape == (3, TIMES.size)
    for row, length in zip(batch, lengths[:, 0], strict=True):
        single = [
            length if parameter.kind in ("length", "time") else TYPICAL[parameter.kind] for parameter in each.parameters
        ]
        np.testing.assert_allclose(row, each.function(*taken, *single), rtol=1e-15)


@EVERY
def test_rate_is_the_slope_of_the_movement(each: Law) -> None:
    values = typical(each)
    # Away from the nodes of the path and the dead time, where the slope breaks.
    times = np.array([4.0, 6.5, 9.0, 12.0, 20.0, 25.0, 40.0, 59.0, 80.0, 180.0])
    step = 1e-3
    slope = (each.evaluate(PATH, times + step, values) - each.evaluate(PATH, times - step, values)) / (2 * step)
    rate = each.rate(PATH, times, values)
    # Central differences err by step^2/6 times the third derivative, about 1e-6 of the fastest rate here; the
    # hereditary movement carries an integration error of 1e-8 of 78 mm, divided by the step.
    np.testing.assert_allclose(rate, slope, rtol=1e-5, atol=2e-3 if each.family == "hereditary" else 1e-6)
    assert rate.max() > 0.1


@EVERY
def test_rate_at_a_node_is_the_one_after_it(each: Law) -> None:
    values = typical(each)
    at_node, after = each.rate(PATH, [24.0, 24.0 + 1e-7], values)
    assert at_node == pytest.approx(after, rel=1e-5)
    if each.family != "time":
        assert at_node > each.rate(PATH, 24.0 - 1e-7, values) + 0.05


@SINCE_PASSAGE
def test_rate_is_nil_up_to_the_passage(each: Law) -> None:
    # Instants nearer to the passage than the step of the differences.
    before = PASSAGE - np.array([1.0, 1e-3, 1e-4, 1e-6])
    assert (each.rate(PATH, before, typical(each)) == 0.0).all()


@EVERY
def test_movement_approaches_the_asymptote_from_below(each: Law) -> None:
    values = typical(each)
    far = FacePath(np.array([0.0, 1.0, 1e9]), np.array([-1.0, 1.0, 1e9]))
    ages = np.array([10.0, 1e3, 1e9, 1e300])
    if each.name == "logarithmic_time":
        assert each.asymptote(values) == math.inf
        assert each.asymptote({**values, "amplitude": -1.0}) == -math.inf
        assert "infinite" in each.validity
        return
    final = each.asymptote(values)
    expected = 30.0 * (1.0 + 0.4 * sum(parameter.kind == "ratio" for parameter in each.parameters))
    assert final == pytest.approx(expected, rel=1e-14)
    left = each.remaining(far, ages, values)
    assert (np.diff(left) <= 1e-9).all()
    assert left[0] > left[2]
    assert (left >= -1e-9).all()
    # The reciprocal of a logarithm still lacks ln 3 / ln 1e300 = 0.16 % at 1e300 days.
    assert left[-1] <= (0.0017 * final if each.name == "logarithm_reciprocal_time" else 1e-9 * final)


@EVERY
def test_no_amplitude_no_asymptote(each: Law) -> None:
    assert each.asymptote({**typical(each), each.amplitude: 0.0}) == 0.0


@EVERY
def test_pickles(each: Law) -> None:
    copy = pickle.loads(pickle.dumps(each))
    assert copy == each
    assert hash(copy) == hash(each)
    np.testing.assert_array_equal(copy.evaluate(PATH, TIMES, typical(each)), each.evaluate(PATH, TIMES, typical(each)))


@EVERY
def test_every_parameter_is_documented(each: Law) -> None:
    assert each.parameters[0].kind == "amplitude"
    assert [parameter.kind for parameter in each.parameters].count("amplitude") == 1
    names = [parameter.name for parameter in each.parameters]
    assert len(set(names)) == len(names)
    units = {"amplitude": "mm", "length": "m", "time": "days", "ratio": "-", "exponent": "-", "share": "-"}
    for parameter in each.parameters:
        assert parameter.unit == units[parameter.kind]
        assert parameter.sentence.endswith(".")
        assert len(parameter.sentence) > 15
        if each.family != "hereditary":
            assert parameter.symbol in each.equation
    assert set(each.fixed) <= set(names)
    assert list(each.free) == [name for name in names if name not in each.fixed]


@EVERY
def test_parameters_are_those_of_the_function(each: Law) -> None:
    signature = list(inspect.signature(each.function).parameters)
    if each.family == "hereditary":
        assert signature == [
            "path", "time", "amplitude", "influence_length", "creep_ratios", "face_share", "retardation_times"
        ]  # fmt: skip
        assert sum(parameter.kind == "ratio" for parameter in each.parameters) == len(each.retardation_times)
        return
    variables = {"face": ["face_distance"], "time": ["elapsed"], "coupled": ["face_distance", "elapsed"]}
    assert signature == variables[each.family] + [parameter.name for parameter in each.parameters]


@EVERY
def test_docstring_has_all_its_parts(each: Law) -> None:
    text = inspect.getdoc(each.function) or ""
    for heading in ("Parameters", "Returns", "Examples", "References"):
        assert f"{heading}\n{'-' * len(heading)}" in text
    assert "[mm]" in text


@EVERY
def test_source_and_validity_are_stated(each: Law) -> None:
    assert len(each.source.text) > 20
    assert each.source.standing in get_args(Standing)
    assert len(each.validity) > 20
    assert each.source.standing in repr(each)


@EVERY
def test_bounds_follow_the_kind_and_hold_the_starts(each: Law) -> None:
    for width, span in [(3.0, 0.01), (9.0, 30.0), (14.0, 900.0)]:
        limits = {parameter.name: each.bounds(parameter.name, width, span) for parameter in each.parameters}
        assert all(low < high for low, high in limits.values())
        assert limits[each.amplitude] == (-math.inf, math.inf)
        starts = each.starts(width, span)
        assert 1 <= len(starts) <= 9
        for start in starts:
            assert list(start) == [parameter.name for parameter in each.parameters[1:]]
            assert all(limits[name][0] <= value <= limits[name][1] for name, value in start.items())
            assert all(start[name] == value for name, value in each.fixed.items())
            assert np.isfinite(each.shape(PATH, TIMES, start)).all()
    assert law("power_face").bounds("influence_length", 10.0, 30.0) == (0.5, 100.0)
    assert law("hyperbolic_time").bounds("characteristic_time", 10.0, 30.0) == (0.02, 600.0)


@EVERY
def test_held_parameters_may_be_left_out(each: Law) -> None:
    values = {**typical(each), **each.fixed}
    free = {name: values[name] for name in each.free}
    np.testing.assert_array_equal(each.evaluate(PATH, TIMES, free), each.evaluate(PATH, TIMES, values))


@EVERY
def test_bad_values_are_refused_by_name(each: Law) -> None:
    values = typical(each)
    with pytest.raises(ValueFault, match="'ampltude' is unknown"):
        each.evaluate(PATH, TIMES, {**values, "ampltude": 1.0})
    with pytest.raises(ValueFault, match="'amplitude' is missing"):
        each.evaluate(PATH, TIMES, {name: values[name] for name in values if name != "amplitude"})
    with pytest.raises(ValueFault, match=r"amplitude .* nan"):
        each.rate(PATH, TIMES, {**values, "amplitude": math.nan})
    positive = [parameter.name for parameter in each.parameters if parameter.kind in ("length", "time", "exponent")]
    assert positive
    for name in positive:
        with pytest.raises(ValueFault, match=rf"{name} .* 0.0; expected a positive"):
            each.evaluate(PATH, TIMES, {**values, name: 0.0})
    with pytest.raises(ValueFault, match="'speed' is unknown"):
        each.bounds("speed", 9.0, 30.0)
    with pytest.raises(ValueFault, match="width_m"):
        each.bounds("amplitude", 0.0, 30.0)


def test_lookup_by_name_and_family() -> None:
    assert law("coupled") is REGISTRY["coupled"]
    assert laws() == tuple(REGISTRY.values())
    assert [each.name for each in laws("coupled")] == ["coupled", "coupled_exponential"]
    assert {each.family for each in laws()} == {"face", "time", "coupled", "hereditary"}
    with pytest.raises(ValueFault, match="nearest name is 'coupled'") as caught:
        law("copled")
    assert all(name in str(caught.value) for name in REGISTRY)
    with pytest.raises(ValueFault, match="expected one of face, time, coupled, hereditary"):
        laws("faces")  # type: ignore[arg-type]


def test_registry_cannot_be_written() -> None:
    with pytest.raises(TypeError):
        REGISTRY["new"] = law("coupled")  # type: ignore[index]


def test_hereditary_law_of_ones_own_retardation_times() -> None:
    own = hereditary_law((2.0, 20.0), name="two")
    assert [parameter.name for parameter in own.parameters] == [
        "amplitude", "influence_length", "creep_1", "creep_2", "face_share"
    ]  # fmt: skip
    assert own.name not in REGISTRY
    with pytest.raises(ValueFault, match="rising"):
        hereditary_law((20.0, 2.0))
    with pytest.raises(ValueFault, match="positive"):
        hereditary_law((0.0, 2.0))


@EVERY_PROFILE
def test_profiles_rise_from_nothing_to_one(each: Profile) -> None:
    typical_values = {
        "radius": 5.0,
        "poisson_ratio": 0.25,
        "plastic_radius": 9.0,
        "influence_length": 4.0,
        "face_share": 0.27,
    }
    values = [typical_values[parameter.name] for parameter in each.parameters]
    behind = np.linspace(0.0, 400.0, 4001)
    ahead = np.linspace(-200.0, 0.0, 2001)
    share = each.function(behind, *values)
    assert (np.diff(share) >= 0.0).all()
    assert 0.18 < share[0] < 0.32
    assert 0.999 < share[-1] <= 1.0
    share = each.function(ahead, *values)
    if each.ahead:
        assert (np.diff(share) >= 0.0).all()
        assert 0.0 <= share[0] < 1e-9
        # No jump at the face: 1e-9 m ahead and behind differ by a slope of at most 1/m.
        assert abs(float(each.function(1e-9, *values) - each.function(-1e-9, *values))) < 2e-9 + 1e-6 * (
            "1991" in each.name
        )
    else:
        assert np.isnan(share[:-1]).all()
        assert "behind the face only" in each.validity


@EVERY_PROFILE
def test_profiles_are_documented_and_pickle(each: Profile) -> None:
    signature = list(inspect.signature(each.function).parameters)
    assert signature == ["face_distance", *(parameter.name for parameter in each.parameters)]
    assert each.source.standing in get_args(Standing)
    assert each.source.text
    assert each.equation
    assert pickle.loads(pickle.dumps(each)) == each
    text = inspect.getdoc(each.function) or ""
    for heading in ("Parameters", "Returns", "Examples", "References"):
        assert f"{heading}\n{'-' * len(heading)}" in text
