"""Figures of ground and lining: what must stand on them, and that they are made without pyplot."""

from __future__ import annotations

import dataclasses

import numpy as np
import pytest
from matplotlib.axes import Axes

from convergence import plots
from convergence.job.strain_gauges import GaugeReading
from convergence.lining import BackAnalysis, Demand, design_priors, lining_demand, what_if_map
from convergence.lining.back_analysis import analyse
from convergence.measures.rates import Noise
from convergence.survey.job import Job
from convergence.triggers.outlook import Outlook
from tests.lining.made_section import GROUND, LINING, known, make_data, make_model, predict

BUILT = dataclasses.replace(LINING, closure_distance=known(12.0), open_share=known(0.4))


def words(ax: Axes) -> str:
    """Everything written on a figure."""
    found = [ax.get_title(loc="left"), ax.get_xlabel(), ax.get_ylabel(), *(text.get_text() for text in ax.texts)]
    found += [text.get_text() for text in ax.figure.texts]
    legend = ax.get_legend()
    return " | ".join([*found, *(text.get_text() for text in (legend.get_texts() if legend else []))])


@pytest.fixture(scope="module")
def analysis(early_job: Job) -> BackAnalysis:
    priors, model = design_priors(GROUND, BUILT), make_model(GROUND, BUILT)
    data = make_data(predict(model, priors, np.zeros(len(priors))))
    draws, errors = analyse([(model, data)], priors, 0.5, 0.15, 250, 3)
    settings = dataclasses.replace(early_job.settings, triggers=())
    return BackAnalysis(("A",), priors, draws, (data,), (model,), errors, "2031-05-04T06:00", 0.9, settings, None)


@pytest.fixture(scope="module")
def demand(early_job: Job, early_outlook: Outlook) -> Demand:
    lining = dataclasses.replace(BUILT, radius=known(6.0), closure_distance=known(70.0))
    return lining_demand(early_job, early_outlook.projection, "S1026", GROUND, lining)


def test_characteristic_curves_say_datum_unit_and_date(analysis: BackAnalysis, demand: Demand) -> None:
    text = words(plots.characteristic_curves(analysis, "A", demand))
    for part in (
        "since the ground was undisturbed",
        "[mm]",
        "[MPa]",
        "2031-05-04",
        "measured until 2023-03-10",
        "zero reading: closure before it, lost",
        "pressure derived from its strain",
        "4% to 13% low",
        "designed",
    ):
        assert part in text
    assert "judgement of the engineer" in text
    assert "measured" not in words(plots.characteristic_curves(analysis, "A"))


def test_every_parameter_has_its_row(analysis: BackAnalysis) -> None:
    ax = plots.prior_and_posterior(analysis)
    assert [label.get_text() for label in ax.get_yticklabels()] == [prior.name for prior in analysis.priors][::-1]
    text = words(ax)
    assert "not learned" in text
    assert "until 2031-05-04" in text


def test_map_shows_the_design(analysis: BackAnalysis) -> None:
    found = what_if_map(analysis, "A", ("thickness", [0.15, 0.25]), ("closure_distance", [4.0, 12.0]), samples=20)
    ax = plots.what_if_contours(found)
    assert any(line.get_marker() == "*" for line in ax.lines)
    assert "since the zero reading [mm]" in words(ax)
    assert "[m]" in ax.get_xlabel()
    away = dataclasses.replace(found, design=(9.0, 12.0))
    assert "outside" in words(plots.what_if_contours(away))


def test_strain_and_its_gauges(early_job: Job, early_outlook: Outlook, demand: Demand) -> None:
    days = demand.history.time[[5, -1]]
    readings = [
        GaugeReading(early_job.instant(float(day)), "S1026", "G1", 100.0 * place, 2) for place, day in enumerate(days)
    ]
    text = words(plots.lining_strain(early_job, demand, readings))
    for part in ("microstrain, + compression", "gauge G1", "by the prisms", "2023-03-10", "zero reading"):
        assert part in text
    loud = dataclasses.replace(early_outlook.projection, noise=Noise(40.0, 0.0, 1.0))
    lining = dataclasses.replace(BUILT, radius=known(6.0))
    refused = lining_demand(early_job, loud, "S1026", GROUND, lining)
    assert "no strain is given" in words(plots.lining_strain(early_job, refused))
