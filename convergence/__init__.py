"""Tunnel convergence: what each section has done, where it will end, and how sure that is.

    import convergence as cv
    job = cv.read_job("sample_data/ridge_tunnel")
    cv.outlook(job)

Results support and never replace the judgement of the engineer responsible; local codes, the contract's trigger levels
and licensed practice govern; readings are checked on site before anyone relies on them.
"""

from __future__ import annotations

import importlib
from typing import TYPE_CHECKING

__version__ = "0.1.0"

if TYPE_CHECKING:
    from convergence import laws, lining, plots
    from convergence.errors import ConvergenceError, JobError
    from convergence.example import write_example
    from convergence.fitting.curve import CurveFit
    from convergence.fitting.job import fit_curve, fit_tunnel
    from convergence.hindcasting import (
        Hindcast,
        append_forecast,
        hindcast,
        read_forecasts,
        read_hindcast,
        score_forecasts,
    )
    from convergence.measures import (
        Series,
        array_movement,
        face_passages,
        find_series,
        measure_section,
        measure_tunnel,
        rate,
    )
    from convergence.projection import AdvancePlan, Projection
    from convergence.projection.attribution import stage_parts
    from convergence.projection.entry import project
    from convergence.publish.claims import claim, claims
    from convergence.publish.publication import publish_notebook
    from convergence.publish.rerun import review_publication
    from convergence.report.sheet import write_report
    from convergence.survey import Alignment, Job, read_job
    from convergence.triggers import Outlook, outlook

#: Where each public name lives. Names load when first used, so that ``import convergence`` stays light: lmfit comes
#: with the first single fit and matplotlib with the first figure.
_HOMES = {
    "AdvancePlan": "convergence.projection",
    "Alignment": "convergence.survey",
    "ConvergenceError": "convergence.errors",
    "CurveFit": "convergence.fitting.curve",
    "Hindcast": "convergence.hindcasting",
    "Job": "convergence.survey",
    "JobError": "convergence.errors",
    "Outlook": "convergence.triggers",
    "Projection": "convergence.projection",
    "Series": "convergence.measures",
    "append_forecast": "convergence.hindcasting",
    "array_movement": "convergence.measures",
    "claim": "convergence.publish.claims",
    "claims": "convergence.publish.claims",
    "face_passages": "convergence.measures",
    "find_series": "convergence.measures",
    "fit_curve": "convergence.fitting.job",
    "fit_tunnel": "convergence.fitting.job",
    "hindcast": "convergence.hindcasting",
    "measure_section": "convergence.measures",
    "measure_tunnel": "convergence.measures",
    "outlook": "convergence.triggers",
    "project": "convergence.projection.entry",
    "publish_notebook": "convergence.publish.publication",
    "rate": "convergence.measures",
    "read_forecasts": "convergence.hindcasting",
    "read_hindcast": "convergence.hindcasting",
    "read_job": "convergence.survey",
    "review_publication": "convergence.publish.rerun",
    "score_forecasts": "convergence.hindcasting",
    "stage_parts": "convergence.projection.attribution",
    "write_example": "convergence.example",
    "write_report": "convergence.report.sheet",
}

__all__ = [
    "AdvancePlan",
    "Alignment",
    "ConvergenceError",
    "CurveFit",
    "Hindcast",
    "Job",
    "JobError",
    "Outlook",
    "Projection",
    "Series",
    "__version__",
    "append_forecast",
    "array_movement",
    "claim",
    "claims",
    "face_passages",
    "find_series",
    "fit_curve",
    "fit_tunnel",
    "hindcast",
    "laws",
    "lining",
    "measure_section",
    "measure_tunnel",
    "outlook",
    "plots",
    "project",
    "publish_notebook",
    "rate",
    "read_forecasts",
    "read_hindcast",
    "read_job",
    "review_publication",
    "score_forecasts",
    "stage_parts",
    "write_example",
    "write_report",
]


def __getattr__(name: str) -> object:
    if name in ("laws", "lining", "plots"):
        return importlib.import_module(f"convergence.{name}")
    if name not in _HOMES:
        raise AttributeError(f"module 'convergence' has no attribute '{name}'")
    return getattr(importlib.import_module(_HOMES[name]), name)


def __dir__() -> list[str]:
    return sorted(__all__)
