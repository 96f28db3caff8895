"""Parts of the final values by stage: their sum, their standard deviations, and what ties them together."""

from __future__ import annotations

import numpy as np
import pytest

import convergence as cv
from convergence.projection import Projection
from tests.helpers import write_job


@pytest.fixture(scope="module")
def projection(tmp_path_factory: pytest.TempPathFactory) -> Projection:
    return cv.project(cv.read_job(write_job(tmp_path_factory.mktemp("parts") / "job")))


def test_every_part_has_its_standard_deviation_and_the_stage_it_goes_with(projection: Projection) -> None:
    table = cv.stage_parts(projection)
    assert len(table) == sum(len(item.series) * len(item.stages) for item in projection.sections.values())
    assert (table["standard_deviation"] > 0.0).all()
    assert table["correlation"].between(-1.0, 1.0).all()
    assert (table["correlated_most"] != table["stage"]).all()


def test_the_parts_add_up_as_their_correlation_says(projection: Projection) -> None:
    """Var(a + b) = Var a + Var b + 2 r sd(a) sd(b), a definition; the rest of the whole belongs to no stage."""
    for name, item in projection.sections.items():
        for index, series in enumerate(item.series):
            deviation = item.stage_deviation[index]
            covariance = item.stage_correlation[index] * np.outer(deviation, deviation)
            together = np.sqrt(covariance.sum())
            assert np.linalg.eigvalsh(covariance).min() > -1e-9, (name, series.label)
            either = np.hypot(together, item.deviation[index])
            assert item.by_stage[index].sum() == pytest.approx(item.mean[index, -1], abs=3.0 * either)


def test_a_section_alone(projection: Projection) -> None:
    assert set(cv.stage_parts(projection, "B")["section"]) == {"B"}
