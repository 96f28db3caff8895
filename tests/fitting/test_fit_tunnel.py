"""The batch agrees with single fits over the registry; the table of a tunnel is complete and portable."""

from __future__ import annotations

import pickle
from pathlib import Path

import numpy as np
import pytest
import xarray as xr

from convergence.errors import ValueFault
from convergence.fitting import NO_SUCH_MEASURE, fit_all, fit_batch, fit_series
from convergence.fitting.basis import law_basis
from convergence.fitting.basis_table import basis_table
from convergence.fitting.model_table import model_table
from convergence.fitting.setup import build_model
from convergence.laws import REGISTRY, FacePath, law
from convergence.measures.series import Series

from .conftest import BENCH, FAR_OFF, STEADY, STOPPED, Build, FloatArray

KIND_VALUES = {"length": 6.0, "time": 4.0, "ratio": 0.3, "exponent": 0.3, "share": 0.27}
ESTIMATE, ERROR = 1e-6, 1e-4


def agree(series: Series, name: str, **options: object) -> None:
    """Compare a single fit with the batch: estimates, errors, status."""
    single = fit_series(series, name, **options)  # type: ignore[arg-type]
    (batch,) = fit_batch([series], name, **options)  # type: ignore[arg-type]
    assert batch.status == single.status
    assert batch.roles == tuple(single.roles.values())
    np.testing.assert_allclose(batch.values, list(single.parameters.values()), rtol=ESTIMATE, atol=1e-6)
    np.testing.assert_allclose(batch.standard_errors, list(single.standard_errors.values()), rtol=ERROR)
    assert batch.rss == pytest.approx(single.rss, rel=1e-9)
    np.testing.assert_allclose(batch.correlation, single.correlation, rtol=ERROR, atol=1e-6)


@pytest.mark.parametrize("seed", [1, 2])
@pytest.mark.parametrize("name", [name for name in REGISTRY if name != "logarithm_reciprocal_time"])
def test_batch_agrees_with_single_fits(build: Build, name: str, seed: int) -> None:
    """The batch has a solver of its own and, for the hereditary law, derivatives of its own."""
    shape = {p.name: KIND_VALUES[p.kind] for p in REGISTRY[name].parameters[1:]}
    time = np.r_[1.5, np.arange(2.0, 40.0, 0.7)]
    agree(build(time, {"h": 30.0}, {"h": STOPPED}, name=name, shape=shape, noise=0.3, seed=seed), name)


def test_batch_agrees_where_only_a_product_is_known(build: Build) -> None:
    """With the zero reading past the dead time only amplitude times ln(1 + D) shows; both routes say so."""
    time = np.r_[1.5, np.arange(2.0, 40.0, 0.7)]
    name, shape = "logarithm_reciprocal_time", {"dead_time": 0.5}
    series = build(time, {"h": 30.0}, {"h": STOPPED}, name=name, shape=shape, noise=0.3)
    single, (batch,) = fit_series(series, name), fit_batch([series], name)
    assert batch.status == single.status == "not separable"
    assert batch.rss == pytest.approx(single.rss, rel=1e-9)


@pytest.mark.parametrize("noise", [0.3, 1.0])
@pytest.mark.parametrize("path", [STEADY, STOPPED])
@pytest.mark.parametrize("name", ["hereditary", "coupled"])
def test_batch_agrees_where_the_fit_is_ill_posed(build: Build, name: str, path: FacePath, noise: float) -> None:
    for seed in range(3):
        agree(
            build(np.r_[1.0, np.arange(1.33, 9, 1 / 3)], {"h": 40.0}, {"h": path}, noise=noise, seed=seed),
            name,
        )


def test_batch_agrees_over_stages_and_segments(build: Build, days: FloatArray) -> None:
    paths = {"heading": STOPPED, "bench": BENCH, "invert": FAR_OFF}
    series = build(days, {"heading": 40.0, "bench": 15.0}, paths, noise=0.3, breaks={30.0: 50.0})
    agree(series, "hereditary")
    agree(series, "coupled", stage="heading")
    agree(series, "hereditary", zero="exact", held={"influence_length": 7.0}, sigma=0.5)
    agree(series, "hereditary", held={"amplitude_bench": 15.0})


@pytest.mark.parametrize("name", REGISTRY)
def test_laws_are_linear_in_their_ratios(name: str) -> None:
    """What variable projection rests on: amplitude times (base + ratios times columns) is the law."""
    form = law(name)
    names = [p.name for p in form.parameters if p.kind not in ("amplitude", "ratio")]
    ratios = [p.name for p in form.parameters if p.kind == "ratio"]
    time = np.linspace(-5.0, 60.0, 40)
    shape = {each: KIND_VALUES[next(p.kind for p in form.parameters if p.name == each)] for each in names}
    values = {**shape, **{each: 0.3 * (k + 1) for k, each in enumerate(ratios)}}
    basis = law_basis(form, STOPPED, time, names, np.array([list(shape.values())]), ratios, 6.0)[0]
    built = basis @ np.array([1.0, *(values[each] for each in ratios)])
    np.testing.assert_allclose(built, form.shape(STOPPED, time, values), rtol=1e-9, atol=1e-12)


def test_chebyshev_table_is_as_good_as_the_law(build: Build, days: FloatArray) -> None:
    series = build(days, {"h": 40.0}, {"h": STOPPED})
    model = build_model(series, law("hereditary"), "h")
    table = model_table(model)
    assert table is not None
    for length in (0.5, 0.73, 7.1, 100.0):
        shape = np.array([length, 0.27])
        basis, slopes = model.slopes(shape)
        np.testing.assert_allclose(table.at(shape), basis, atol=1e-11)
        quick, steep = table.slopes(shape)
        np.testing.assert_allclose(quick, basis, atol=1e-11)
        np.testing.assert_allclose(steep[0] * length, slopes[0] * length, atol=1e-7)


def test_chebyshev_table_refuses_what_it_cannot_resolve() -> None:
    def rough(shapes: FloatArray) -> FloatArray:
        return np.sin(200 * shapes).reshape(-1, 1, 1, 1)

    assert basis_table(rough, np.array([1.0]), 0, 0.5, 100.0) is None


@pytest.fixture(name="tunnel")
def tunnel_fixture(build: Build, days: FloatArray) -> list[Series]:
    """Three sections; the second lacks a measure, the third has few readings of one."""
    paths = {"heading": STOPPED, "bench": BENCH}
    stages = {"heading": 40.0, "bench": 10.0}

    def one(section: str, label: str, seed: int, time: FloatArray = days) -> Series:
        return build(time, stages, paths, noise=0.2, seed=seed, section=section, label=label)

    return [
        one("A", "settlement crown", 1),
        one("A", "settlement left wall", 2),
        one("B", "settlement crown", 3),
        one("C", "settlement crown", 4),
        one("C", "settlement left wall", 5, days[:4]),
    ]


def test_table_has_the_fields_of_a_single_fit(tunnel: list[Series]) -> None:
    fits = fit_all(tunnel)
    assert fits.estimate.dims == ("section", "measure", "parameter")
    single = fit_series(tunnel[2])
    cell = fits.sel(section="B", measure="settlement crown")
    for name, value in single.parameters.items():
        assert float(cell.estimate.sel(parameter=name)) == pytest.approx(value, rel=ESTIMATE, abs=1e-6)
        assert str(cell.role.sel(parameter=name).item()) == single.roles[name]
        bounds = float(cell.lower_bound.sel(parameter=name)), float(cell.upper_bound.sel(parameter=name))
        assert bounds == single.bounds[name]
    pair = cell.correlation.sel(parameter="amplitude_heading", other_parameter="influence_length")
    first, second = single.names.index("amplitude_heading"), single.names.index("influence_length")
    assert float(pair) == pytest.approx(single.correlation[first, second], rel=ERROR)
    assert cell.status.item() == single.status.value
    assert int(cell.readings) == single.readings
    assert int(cell.degrees_of_freedom) == single.degrees_of_freedom
    assert cell.prisms.item() == "P1"


def test_no_cell_is_silently_empty(tunnel: list[Series]) -> None:
    fits = fit_all(tunnel)
    assert fits.status.sel(section="B", measure="settlement left wall").item() == NO_SUCH_MEASURE
    assert (
        fits.reason.sel(section="B", measure="settlement left wall").item() == "section B has no settlement left wall"
    )
    few = fits.sel(section="C", measure="settlement left wall")
    assert few.status.item() == "too few readings"
    assert "4 readings for" in few.reason.item()
    assert np.isnan(float(few.estimate.sel(parameter="influence_length")))


def test_attributes_carry_law_and_source(tunnel: list[Series]) -> None:
    fits = fit_all(tunnel, "coupled")
    assert fits.attrs["law"] == "coupled"
    assert "X" in fits.attrs["equation"]
    assert "from memory" in fits.attrs["source"]
    units = dict(zip(fits.parameter.values.tolist(), fits.parameter_unit.values.tolist(), strict=True))
    assert units["amplitude_bench"] == "mm"
    assert units["influence_length"] == "m"
    assert units["zero_offset_0"] == "mm"


def test_netcdf_round_trip(tunnel: list[Series], tmp_path: Path) -> None:
    fits = fit_all(tunnel)
    fits.to_netcdf(tmp_path / "fits.nc", engine="scipy")
    with xr.open_dataset(tmp_path / "fits.nc", engine="scipy") as again:
        for name, values in fits.data_vars.items():
            assert again[name].dims == values.dims
            np.testing.assert_array_equal(again[name].values, values.values, err_msg=str(name))
            assert again[name].attrs == values.attrs
        assert again.attrs == fits.attrs
        assert again.sel(section="C").status.values.tolist() == fits.sel(section="C").status.values.tolist()
        np.testing.assert_array_equal(again.parameter_unit.values, fits.parameter_unit.values)


def test_order_of_the_series_does_not_matter(build: Build, days: FloatArray) -> None:
    """More sweeps than are kept at a time, visited twice over and then backwards: what is shared is never mixed."""
    sweeps = [build(days[: 60 + k], {"h": 40.0}, {"h": STOPPED}, noise=0.3, seed=k, section=f"S{k}") for k in range(10)]
    forward, backward = fit_batch(sweeps + sweeps), fit_batch(sweeps[::-1])
    for k in range(10):
        np.testing.assert_array_equal(forward[k].values, forward[10 + k].values)
        np.testing.assert_array_equal(forward[k].values, backward[9 - k].values)


def test_a_section_without_one_of_the_stages(build: Build, days: FloatArray) -> None:
    """Names follow the stages of the whole job, and a stage asked for that a section lacks is a status."""
    both = build(days, {"heading": 40.0, "bench": 9.0}, {"heading": STOPPED, "bench": BENCH}, noise=0.2)
    one = build(days, {"heading": 40.0}, {"heading": STOPPED}, noise=0.2, section="S2")
    names = fit_all([both, one]).parameter.values.tolist()
    assert names[:2] == ["amplitude_heading", "amplitude_bench"]
    assert "amplitude" not in names
    bench = fit_all([both, one], stage="bench", held={"creep_1": 0.0})
    assert bench.status.sel(section="S2").item() == "too few readings"
    with pytest.raises(ValueFault, match="'invert', expected 'heading', 'bench' or 'all'"):
        fit_all([both, one], stage="invert")


def test_table_pickles(tunnel: list[Series]) -> None:
    fits = fit_all(tunnel)
    xr.testing.assert_identical(pickle.loads(pickle.dumps(fits)), fits)


def test_faults(tunnel: list[Series]) -> None:
    with pytest.raises(ValueFault, match="twice in section 'A'"):
        fit_all([tunnel[0], tunnel[0]])
    with pytest.raises(ValueFault, match="at least one"):
        fit_all([])
    with pytest.raises(ValueFault, match="nearest name"):
        fit_all(tunnel, "couplet")
