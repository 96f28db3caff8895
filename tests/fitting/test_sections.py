"""The quick fits of all sections at once against lmfit: each series alone, and whole sections that share a shape."""

from __future__ import annotations

import pickle
from collections.abc import Sequence
from dataclasses import replace
from pathlib import Path

import lmfit
import numpy as np
import pytest
import xarray as xr

from convergence.errors import ValueFault
from convergence.fitting import NO_SUCH_MEASURE, fit_all, fit_sections, fit_series
from convergence.fitting.active_sets import best_gain, solve_linear, solve_sets
from convergence.fitting.columns import QUICK_FAMILIES, law_columns
from convergence.laws import REGISTRY, FacePath, law
from convergence.measures.series import Series

from .conftest import BENCH, FAR_OFF, STOPPED, Build, FloatArray

QUICK = [name for name, form in REGISTRY.items() if form.family in QUICK_FAMILIES]
KIND_VALUES = {"length": 6.0, "time": 4.0, "ratio": 0.4, "exponent": 0.3, "share": 0.27}
COUPLED = {"influence_length": 8.0, "characteristic_time": 5.0, "creep_ratio": 0.6, "exponent": 0.3}
#: The quick fit stops where the step to come is a few thousandths of a standard error, see `section_fit.CLOSE`.
STEP = 0.01


def walk(seed: int) -> FacePath:
    """A face with rounds, rest days and a stoppage of its own."""
    rng = np.random.default_rng(seed)
    days = np.arange(0.0, 90.0, 0.5)
    advance = np.where(days % 7.0 < 6.0, rng.uniform(0.3, 1.5, days.size), 0.0)
    stop = rng.uniform(5.0, 15.0)
    advance[(days > stop) & (days < stop + rng.uniform(2.0, 6.0))] = 0.0
    return FacePath(days, np.cumsum(advance) - 2.0)


def random_section(build: Build, seed: int, series: int = 4, name: str = "coupled", gaps: bool = False) -> list[Series]:
    """Series of one section with one shape; with ``gaps`` each lacks readings, one has a break, one begins late."""
    rng = np.random.default_rng(1000 + seed)
    path = walk(seed)
    shape = {
        p.name: KIND_VALUES[p.kind] * rng.uniform(0.6, 1.6) if p.kind in ("length", "time") else KIND_VALUES[p.kind]
        for p in REGISTRY[name].parameters[1:]
    }
    time = path.passage() + 0.2 + np.sort(rng.uniform(0.0, 55.0, 120))
    members = []
    for place in range(series):
        own = time
        breaks: dict[float, float] = {}
        if gaps:
            own = time[rng.uniform(size=time.size) > 0.15]
            own = own[own > time[20]] if place == 1 else own
            breaks = {float(time[60]): 30.0} if place == 2 else {}
        ratio = {p.name: rng.uniform(0.1, 1.0) for p in REGISTRY[name].parameters if p.kind == "ratio"}
        members.append(
            build(own, {"h": rng.normal(25.0, 6.0)}, {"h": path}, name=name, shape={**shape, **ratio}, noise=0.3,
                  seed=10 * seed + place, label=f"settlement {place}", section=f"S{seed}", breaks=breaks)
        )  # fmt: skip
    return members


def joint_lmfit(members: Sequence[Series]) -> lmfit.minimizer.MinimizerResult:
    """The coupled law on a whole section with lmfit alone: shared length and time, all else each series' own."""
    form = law("coupled")
    parameters = lmfit.Parameters()
    parameters.add("influence_length", 6.0, min=0.5, max=100.0)
    parameters.add("characteristic_time", 4.0, min=0.02, max=20.0 * max(one.span for one in members))
    for place, one in enumerate(members):
        parameters.add(f"amplitude_{place}", float(one.value[-1]))
        parameters.add(f"creep_ratio_{place}", 0.5, min=0.0, max=20.0)
        for number in range(int(one.segment[-1]) + 1):
            parameters.add(f"zero_offset_{number}_{place}", 0.0)

    def missing(current: lmfit.Parameters) -> FloatArray:
        now = current.valuesdict()
        rows = []
        for place, one in enumerate(members):
            path = one.paths["h"]
            moved = form.function(
                path.at(one.time), path.elapsed(one.time), now[f"amplitude_{place}"], now["influence_length"],
                now["characteristic_time"], now[f"creep_ratio_{place}"], 0.3,
            )  # fmt: skip
            offset = np.array([now[f"zero_offset_{number}_{place}"] for number in range(int(one.segment[-1]) + 1)])
            rows.append(moved - moved[0] + offset[one.segment] - one.value)
        return np.concatenate(rows)

    return lmfit.minimize(missing, parameters, ftol=1e-13, xtol=1e-13)


@pytest.mark.parametrize("name", QUICK)
def test_each_series_alone_is_the_reference_fit(build: Build, name: str) -> None:
    """Over random jobs: no larger sum of squares, the same estimates and errors wherever the readings fix them."""
    members = [one for seed in range(4) for one in random_section(build, seed, 2, name)]
    fits = fit_sections(members, name, shape="series")
    compared = 0
    for one in members:
        reference = fit_series(one, name)
        cell = fits.sel(section=one.section, measure=one.label)
        assert float(cell.rss) <= reference.rss * (1 + 1e-7), f"{one.section} {one.label}"
        if reference.status.value != "solved" or float(cell.rss) < reference.rss * (1 - 1e-7):
            continue
        compared += 1
        assert cell.status.item() == "solved"
        assert int(cell.degrees_of_freedom) == reference.degrees_of_freedom
        assert float(cell.sigma) == pytest.approx(reference.sigma, rel=1e-6)
        for parameter, value in reference.parameters.items():
            error = reference.standard_errors[parameter]
            at = cell.sel(parameter=parameter)
            assert str(at.role.item()) == reference.roles[parameter]
            if np.isnan(error):
                assert float(at.estimate) == value
                continue
            assert abs(float(at.estimate) - value) <= STEP * error
            assert float(at.standard_error) == pytest.approx(error, rel=STEP)
        names = list(reference.parameters)
        pair = cell.correlation.sel(parameter=names, other_parameter=names).values
        np.testing.assert_allclose(pair, reference.correlation, atol=STEP)
    # the laws of which only a product is known are never solved; the others mostly are
    assert compared >= (0 if name == "logarithm_reciprocal_time" else 3)


@pytest.mark.parametrize("gaps", [False, True])
def test_a_shared_shape_is_the_joint_fit_of_the_section(build: Build, gaps: bool) -> None:
    """Over random jobs, complete or with gaps, breaks and a late start, against lmfit on all series together."""
    sections = [random_section(build, seed, gaps=gaps) for seed in range(5)]
    fits = fit_sections([one for members in sections for one in members], shape="section")
    for members in sections:
        joint = joint_lmfit(members)
        table = fits.sel(section=members[0].section)
        assert float(table.rss.sum()) == pytest.approx(joint.chisqr, rel=1e-7)
        bounded = [name for name, each in joint.params.items() if each.stderr is None]
        assert int(table.degrees_of_freedom[0]) == joint.nfree + int(
            np.sum(table.role.sel(parameter=["creep_ratio"]).values == "at bound")
        )
        for place, one in enumerate(members):
            cell = table.sel(measure=one.label)
            for name in ("amplitude", "influence_length", "characteristic_time", "creep_ratio", "zero_offset_0"):
                shared = name in ("influence_length", "characteristic_time")
                theirs = joint.params[name if shared else f"{name}_{place}"]
                if bounded or cell.role.sel(parameter=name).item() != "free":
                    continue
                at = cell.sel(parameter=name)
                assert abs(float(at.estimate) - theirs.value) <= STEP * theirs.stderr
                assert float(at.standard_error) == pytest.approx(theirs.stderr, rel=0.02)
            if gaps and place == 2:
                second = float(cell.estimate.sel(parameter="zero_offset_1"))
                assert second == pytest.approx(joint.params["zero_offset_1_2"].value, abs=0.02)
                assert abs(second - float(cell.estimate.sel(parameter="zero_offset_0")) - 30.0) < 2.0


def test_sharing_a_shape_finds_it_better(build: Build) -> None:
    members = random_section(build, 3, 8)
    shared, own = fit_sections(members), fit_sections(members, shape="series")
    length = "influence_length"
    assert np.ptp(shared.estimate.sel(parameter=length).values) == 0.0
    assert float(shared.standard_error.sel(parameter=length).max()) < float(
        own.standard_error.sel(parameter=length).min()
    )
    assert np.all(shared.rss.values >= own.rss.values * (1 - 1e-9))


def test_a_section_does_not_depend_on_what_else_is_fitted(build: Build) -> None:
    sections = [random_section(build, seed, 3, gaps=seed == 2) for seed in range(4)]
    everything = fit_sections([one for members in sections for one in members])
    for members in sections:
        alone = fit_sections(members)
        both = everything.sel(section=members[0].section)
        np.testing.assert_allclose(both.estimate.values[:, :5], alone.estimate.values[0][:, :5], rtol=1e-6)
        np.testing.assert_allclose(both.rss, alone.rss[0], rtol=1e-9)


def test_the_table_is_that_of_the_careful_fit(build: Build, tmp_path: Path) -> None:
    members = [one for seed in range(2) for one in random_section(build, seed, 3)]
    quick, careful = fit_sections(members, shape="series"), fit_all(members, "coupled")
    assert set(quick.data_vars) == set(careful.data_vars)
    for name in careful.data_vars:
        assert quick[name].dims == careful[name].dims
        assert quick[name].dtype == careful[name].dtype
        assert quick[name].attrs == careful[name].attrs
    for name in ("lower_bound", "upper_bound", "prisms", "kind", "role", "readings"):
        np.testing.assert_array_equal(quick[name].values, careful[name].values, err_msg=name)
    assert quick.parameter.values.tolist() == careful.parameter.values.tolist()
    assert quick.parameter_unit.values.tolist() == careful.parameter_unit.values.tolist()
    quick.to_netcdf(tmp_path / "fits.nc", engine="scipy")
    with xr.open_dataset(tmp_path / "fits.nc", engine="scipy") as again:
        np.testing.assert_array_equal(again.estimate.values, quick.estimate.values)
    xr.testing.assert_identical(pickle.loads(pickle.dumps(quick)), quick)


def test_what_cannot_be_fitted_says_why(build: Build, days: FloatArray) -> None:
    good = random_section(build, 1, 2)
    few = replace(good[0], section="few", time=good[0].time[:4], value=good[0].value[:4], segment=good[0].segment[:4])
    ahead = build(days, {}, {"h": FAR_OFF}, noise=0.2, section="ahead")
    never = replace(few, section="never", time=np.empty(0), value=np.empty(0), segment=np.empty(0))
    fits = fit_sections([*good, few, ahead, never])
    said = {name: str(fits.reason.sel(section=name)[fits.status.sel(section=name) != NO_SUCH_MEASURE].values[0])
            for name in ("few", "ahead", "never")}  # fmt: skip
    assert said["few"] == "4 readings for 5 free parameters; at least 7 are needed"
    assert said["ahead"].startswith("the face of stage 'h' has not passed")
    assert said["never"] == "never read"
    lonely = fits.sel(section="few", measure="settlement 1")
    assert (lonely.status.item(), lonely.reason.item()) == (NO_SUCH_MEASURE, "section few has no settlement 1")
    alone = fit_sections(good)
    np.testing.assert_array_equal(fits.estimate.sel(section="S1").values[:2], alone.estimate.values[0])


def test_steady_advance_is_not_called_solved(build: Build) -> None:
    """At steady advance, with few readings, face and time stand in for each other."""
    path = FacePath(np.array([0.0, 100.0]), np.array([-1.0, 199.0]))
    series = build(np.arange(1.0, 6.0, 0.5), {"h": 20.0}, {"h": path}, name="coupled", shape=COUPLED, noise=0.5)
    fits = fit_sections([series], shape="series")
    assert fits.status.item() in ("not separable", "at bound")
    assert fits.reason.item()


def test_a_ratio_on_its_bound(build: Build) -> None:
    """Movement without creep: the ratio rests on zero and the characteristic time has no effect."""
    time = np.r_[1.5, np.arange(2.0, 40.0, 0.7)]
    pure = build(
        time, {"h": 30.0}, {"h": STOPPED}, name="power_face", shape={"influence_length": 6.0}, noise=0.3, seed=3
    )
    found, reference = fit_sections([pure], shape="series").squeeze(), fit_series(pure, "coupled")
    assert float(found.rss) == pytest.approx(reference.rss, rel=1e-6)
    if reference.roles["creep_ratio"] == "at bound":
        assert found.status.item() == reference.status.value
        assert found.role.sel(parameter="creep_ratio").item() == "at bound"


def test_held_and_given_sigma(build: Build) -> None:
    series = random_section(build, 2, 1)[0]
    held = {"characteristic_time": 5.0}
    found = fit_sections([series], held=held, sigma=0.5, shape="series").squeeze()
    reference = fit_series(series, "coupled", held=held, sigma=0.5)
    assert float(found.sigma) == 0.5
    assert found.role.sel(parameter="characteristic_time").item() == "held"
    for name in ("amplitude", "influence_length", "creep_ratio"):
        error = reference.standard_errors[name]
        assert abs(float(found.estimate.sel(parameter=name)) - reference.parameters[name]) <= STEP * error
        assert float(found.standard_error.sel(parameter=name)) == pytest.approx(error, rel=STEP)


def test_derivatives_are_those_of_the_law() -> None:
    """The closed forms against central differences with a step of 1e-5: truncation 1e-10, rounding 1e-11."""
    time = np.linspace(-2.0, 60.0, 50)[np.newaxis]
    distance, elapsed = STOPPED.at(time), STOPPED.elapsed(time)
    names, shape, step = ("influence_length", "characteristic_time"), np.array([[6.0, 4.0]]), 1e-5
    for name in ("coupled", "coupled_exponential"):
        held = {"exponent": 0.3}
        columns = law_columns(law(name), distance, elapsed, names, shape, held)
        exponent = [0.3] if name == "coupled" else []
        value = law(name).function(distance[0], elapsed[0], 1.0, 6.0, 4.0, 0.0, *exponent)
        np.testing.assert_allclose(columns[0, 0], value, atol=1e-12)
        for place in range(2):
            factor = np.ones(2)
            factor[place] = np.exp(step)
            above = law_columns(law(name), distance, elapsed, names, shape * factor, held, slopes=False)
            below = law_columns(law(name), distance, elapsed, names, shape / factor, held, slopes=False)
            steep = columns[:, 2 * (1 + place) : 2 * (2 + place)]
            np.testing.assert_allclose(steep, (above - below) / (2 * step), atol=1e-9)


def test_a_worked_row_of_columns() -> None:
    """X = 10 m, T = 6 d, n = 0.3 at x = 20 m, t = 10 d: 1 - (1/3)^2 and that times 1 - (6/16)^0.3, by hand."""
    columns = law_columns(
        law("coupled"), np.array([[20.0]]), np.array([[10.0]]), ("influence_length", "characteristic_time"),
        np.array([[10.0, 6.0]]), {"exponent": 0.3}, slopes=False,
    )  # fmt: skip
    np.testing.assert_allclose(columns[0, :, 0], [0.888889, 0.226586], atol=5e-7)


def test_one_ratio_in_closed_form_is_the_enumeration() -> None:
    rng = np.random.default_rng(5)
    columns = rng.normal(size=(200, 3, 30, 2))
    columns[..., 1] = 0.7 * columns[..., 0] + 0.4 * columns[..., 1]
    value = columns[..., 0] * rng.normal(size=(200, 3, 1)) + columns[..., 1] * rng.normal(size=(200, 3, 1))
    value = value + 0.1 * rng.normal(size=value.shape)
    gram, right = columns.swapaxes(-1, -2) @ columns, (columns.swapaxes(-1, -2) @ value[..., np.newaxis])[..., 0]
    square = np.sum(value**2, axis=-1)
    quick, full = solve_linear(gram, right, square, (1.5,)), solve_sets(gram, right, square, (1.5,))
    assert {0, 1, 2} == set(quick.state.ravel().tolist())
    np.testing.assert_array_equal(quick.state, full.state)
    for name in ("weights", "gain", "inverse"):
        np.testing.assert_allclose(getattr(quick, name), getattr(full, name), rtol=1e-9, atol=1e-12, err_msg=name)
    np.testing.assert_allclose(best_gain(gram, right, square, (1.5,)), full.gain, rtol=1e-9)


def test_faults(build: Build) -> None:
    members = random_section(build, 1, 2)
    with pytest.raises(ValueFault, match="family 'hereditary', expected one of face, time, coupled"):
        fit_sections(members, "hereditary")
    with pytest.raises(ValueFault, match="expected a number above 0 for one of influence_length"):
        fit_sections(members, held={"creep_ratio": 0.3})
    with pytest.raises(ValueFault, match="every nonlinear parameter"):
        fit_sections(members, held={"influence_length": 5.0, "characteristic_time": 5.0})
    with pytest.raises(ValueFault, match="expected 'section' or 'series'"):
        fit_sections(members, shape="tunnel")  # type: ignore[arg-type]
    with pytest.raises(ValueFault, match="twice in section"):
        fit_sections([members[0], members[0]])
    two = replace(members[0], paths={"h": STOPPED, "bench": BENCH})
    with pytest.raises(ValueFault, match="one stage at a time"):
        fit_sections([two])
    assert fit_sections([two], stage="h").status.size == 1
