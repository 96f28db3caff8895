"""Labelled arrays of sections: the same numbers in one process, in chunks, and on a local cluster of workers."""

from __future__ import annotations

import numpy as np
import pytest
import xarray as xr

from convergence.errors import ValueFault
from convergence.fitting import fit_dataset, fit_sections
from convergence.laws import FacePath, law
from convergence.measures.series import Series

WIDTH, TUNNELS, SECTIONS, MEASURES, EPOCHS = 10.0, 2, 6, 3, 80
DASK = "dask is not installed: pip install 'convergence[dask]'"


def portfolio() -> xr.Dataset:
    """Two invented tunnels of six sections with three series each; readings are missing, a section ends early."""
    rng = np.random.default_rng(4)
    days = np.linspace(0.5, 40.0, EPOCHS)
    distance = np.empty((TUNNELS, SECTIONS, EPOCHS))
    movement = np.empty((TUNNELS, SECTIONS, MEASURES, EPOCHS))
    for tunnel in range(TUNNELS):
        for section in range(SECTIONS):
            stop = rng.uniform(6.0, 12.0)
            walked = np.where(days < stop, days, np.maximum(stop, days - 4.0)) * rng.uniform(1.0, 2.5)
            distance[tunnel, section] = walked
            length, slow = rng.uniform(4.0, 12.0), rng.uniform(3.0, 12.0)
            for measure in range(MEASURES):
                truth = law("coupled").function(walked, days, rng.normal(20.0, 5.0), length, slow, 0.7, 0.3)
                movement[tunnel, section, measure] = truth + rng.normal(0.0, 0.3, EPOCHS)
    movement[0, 2, 1, 10:20] = np.nan
    movement[1, 3, :, 60:] = np.nan
    distance[1, 3, 60:] = np.nan
    movement[1, 4, 2, 5:] = np.nan
    movement -= movement[..., :1]
    return xr.Dataset(
        {
            "face_distance": (("tunnel", "section", "epoch"), distance),
            "elapsed": (("tunnel", "section", "epoch"), np.where(np.isnan(distance), np.nan, days)),
            "movement": (("tunnel", "section", "measure", "epoch"), movement),
        }
    )


@pytest.mark.parametrize("shape", ["section", "series"])
def test_the_numbers_are_those_of_the_series(shape: str) -> None:
    readings = portfolio().isel(tunnel=1)
    table = fit_dataset(readings, width=WIDTH, shape=shape)
    assert table.estimate.dims == ("section", "measure", "parameter")
    series = []
    for section in range(SECTIONS):
        for measure in range(MEASURES):
            one = readings.isel(section=section)
            value = one.movement.values[measure]
            read = np.isfinite(value)
            days = one.elapsed.values[read]
            # the face passes at day 0, as the elapsed days say
            path = FacePath(np.r_[0.0, days], np.r_[0.0, one.face_distance.values[read]])
            series.append(
                Series(f"S{section}", 0.0, "settlement", "P", f"settlement {measure}", days, value[read],
                       np.zeros(read.sum(), dtype=np.int64), {"h": path}, WIDTH, WIDTH, 0)
            )  # fmt: skip
    other = fit_sections(series, shape=shape)  # type: ignore[arg-type]
    assert np.isnan(table.estimate.values[4, 2]).all()
    assert not table.converged.values[4, 2]
    fitted = np.isfinite(other.rss.values)
    np.testing.assert_allclose(table.rss.values[fitted], other.rss.values[fitted], rtol=1e-7)
    np.testing.assert_allclose(table.sigma.values[fitted], other.sigma.values[fitted], rtol=1e-7)
    away = np.abs(table.estimate.values - other.estimate.values) / other.standard_error.values
    assert np.nanmax(away) < 0.01
    np.testing.assert_allclose(table.standard_error.values, other.standard_error.values, rtol=0.01)


def test_chunks_change_nothing() -> None:
    pytest.importorskip("dask.array", reason=DASK)
    readings = portfolio()
    lazy = fit_dataset(readings.chunk({"tunnel": 1, "section": 2}), width=WIDTH)
    assert lazy.estimate.chunks is not None
    xr.testing.assert_allclose(lazy.compute(scheduler="sync"), fit_dataset(readings, width=WIDTH), rtol=1e-9)


def test_a_local_cluster_gives_the_same_numbers() -> None:
    pytest.importorskip("dask.array", reason=DASK)
    distributed = pytest.importorskip("distributed", reason=DASK)
    readings = portfolio()
    with (
        distributed.LocalCluster(n_workers=2, threads_per_worker=1, dashboard_address=None) as cluster,
        distributed.Client(cluster) as client,
    ):
        spread = fit_dataset(readings.chunk({"section": 3}), width=WIDTH, shape="series").compute()
        assert len(client.scheduler_info()["workers"]) == 2
    here = fit_dataset(readings, width=WIDTH, shape="series")
    xr.testing.assert_allclose(spread, here, rtol=1e-9)
    assert spread.attrs == here.attrs


def test_faults() -> None:
    readings = portfolio()
    with pytest.raises(ValueFault, match="elapsed of the readings: found no such variable"):
        fit_dataset(readings.drop_vars("elapsed"), width=WIDTH)
    with pytest.raises(ValueFault, match=r"movement of the readings: .*expected it over \(\.\.\., measure, epoch\)"):
        fit_dataset(readings.transpose("tunnel", "section", "epoch", "measure"), width=WIDTH)
    with pytest.raises(ValueFault, match="expected 'section' or 'series'"):
        fit_dataset(readings, width=WIDTH, shape="tunnel")  # type: ignore[arg-type]
